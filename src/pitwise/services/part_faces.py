"""What a part type's face measures when new: the shop's own data, from which photos take scale."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.measure.depth import MM_PER_UNIT, Depth, ReadingError, parse_depth
from pitwise.records.photo_tables import PartFace, Photo
from pitwise.records.tables import PartType, Person
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.quantities import PHOTO_PARTS

# No rim or hole of a torch's part lies outside these (our own choice).
RIM_MM = (3.0, 120.0)
HOLE_MM = (0.2, 40.0)
# New holes of one part type are taken to lie within ± 0.03 mm of its figure, evenly spread
# (common practice, no source; JCGM 100:2008, 4.3.7): what a shop that knows better types over.
PART_SCATTER_MM = 0.03 / math.sqrt(3)
MEASURED_WHEN_NEW = "measured on the shop's photo when new"
TYPED_ON_THE_BENCH = "typed on the bench, before a photo"


@dataclass(frozen=True)
class FaceView:
    """A part type, what holds of its face, and what held before (newest first)."""

    part_type: PartType
    face: PartFace | None
    earlier: list[PartFace]
    names: dict[int, str]


def current_faces(session: Session, type_ids: Iterable[int]) -> dict[int, PartFace]:
    """Return the newest row of each part type that has one."""
    newest = (
        select(func.max(PartFace.id))
        .where(PartFace.part_type_id.in_(list(type_ids)))
        .group_by(PartFace.part_type_id)
    )
    rows = session.scalars(select(PartFace).where(PartFace.id.in_(newest)))
    return {row.part_type_id: row for row in rows}


def face_view(shop: Shop, actor: Actor, part_type_id: int) -> FaceView:
    """Return a part type with its face's data."""
    require(actor, "view")
    with shop.database.read() as session:
        kind = _kind(session, part_type_id)
        rows = list(
            session.scalars(
                select(PartFace)
                .where(PartFace.part_type_id == kind.id)
                .order_by(PartFace.id.desc())
            )
        )
        names = {p.id: p.name for p in session.scalars(select(Person))}
        return FaceView(kind, rows[0] if rows else None, rows[1:], names)


def _kind(session: Session, part_type_id: int) -> PartType:
    kind = session.get(PartType, part_type_id)
    if kind is None:
        raise NotFoundError("part type", f"there is no part type {part_type_id}", "see the shop")
    if kind.part not in PHOTO_PARTS:
        raise ServiceError(
            "part type",
            f"a {kind.part} is not measured from photos",
            "choose a nozzle, a shield or an electrode",
        )
    return kind


def length(place: str, text: str, lowest: float, highest: float) -> Depth:
    """Read a length such as ``18.5 mm``; a bare number is in mm."""
    try:
        given = parse_depth(text)
    except ReadingError as error:
        problem, _, mend = str(error).partition(": ")
        raise ServiceError(place, problem, mend or "write it as 18.5 mm") from error
    if not lowest <= given.mm <= highest:
        raise ServiceError(place, f"{given.words()} can't be", f"give {lowest:g} to {highest:g} mm")
    return given


def rim_length(text: str) -> float:
    """Read the outer diameter of a part's face, in mm."""
    return float(length("rim", text, *RIM_MM).mm)


def figure_u_mm(given: Depth) -> float:
    """Return the standard uncertainty of a typed figure: its last digit, either way by half.

    Notes
    -----
    A rectangular distribution one unit of the last digit wide, JCGM 100:2008, 4.3.7 and
    F.2.2.1 (numbers from memory): step / sqrt(12). What parts scatter by is not in it; a
    shop that knows it types the uncertainty.
    """
    exponent = given.value.as_tuple().exponent
    step = Decimal(1).scaleb(exponent if isinstance(exponent, int) else 0)
    return float(step * MM_PER_UNIT[given.unit]) / math.sqrt(12)


def set_face(
    shop: Shop,
    actor: Actor,
    part_type_id: int,
    *,
    rim: str,
    hole: str = "",
    hole_u: str = "",
    reason: str,
    photo_id: int | None = None,
) -> int:
    """Enter rim and hole of a part type when new; what held before stays in the book.

    Parameters
    ----------
    rim, hole : str
        Diameters with unit (bare: mm). Without a hole, growth is not worked out.
    hole_u : str
        Standard uncertainty of the hole's diameter; empty: by the typed figure's last digit and
        `PART_SCATTER_MM`.
    photo_id : int or None
        The shop's photo of such a part when new.
    """
    require(actor, "part-faces")
    reason = clean_text("reason", reason, longest=400)
    rim_mm = rim_length(rim)
    hole_mm = hole_u_mm = None
    if hole.strip():
        given = length("hole when new", hole, *HOLE_MM)
        hole_mm = float(given.mm)
        # The figure stands for all parts of the type, which scatter about it.
        hole_u_mm = math.hypot(figure_u_mm(given), PART_SCATTER_MM)
        if hole_u.strip():
            hole_u_mm = float(length("uncertainty of the hole", hole_u, 0.0, 1.0).mm)
        if hole_mm >= rim_mm:
            raise ServiceError(
                "hole when new", "is not smaller than the rim", "the rim is the face's outer edge"
            )
    elif hole_u.strip():
        raise ServiceError("hole when new", "is missing", "give the diameter too")
    with shop.database.write() as session:
        kind = _kind(session, part_type_id)
        if photo_id is not None:
            photo = session.get(Photo, photo_id)
            if photo is None or photo.part_type_id != kind.id or photo.purpose != "new":
                raise NotFoundError("photo", "is none of this part type when new", "take it again")
        return _enter(shop, session, actor, kind, rim_mm, hole_mm, hole_u_mm, reason, photo_id)


def _enter(
    shop: Shop,
    session: Session,
    actor: Actor,
    kind: PartType,
    rim_mm: float,
    hole_mm: float | None,
    hole_u_mm: float | None,
    reason: str,
    photo_id: int | None,
) -> int:
    row = PartFace(
        part_type_id=kind.id,
        rim_mm=rim_mm,
        hole_mm=hole_mm,
        hole_u_mm=hole_u_mm,
        photo_id=photo_id,
        reason=reason,
        by=actor.person_id or 0,
        at=shop.clock(),
    )
    session.add(row)
    session.flush()
    shop.note(
        session,
        actor,
        "part-face-entered",
        f"part type {kind.id}",
        name=kind.name,
        rim_mm=rim_mm,
        hole_mm=hole_mm,
        hole_u_mm=hole_u_mm,
        photo=photo_id,
        reason=reason,
    )
    return row.id


def first_rim(shop: Shop, session: Session, actor: Actor, kind: PartType, rim_mm: float) -> None:
    """Keep a rim typed on the bench, where the part type has none yet.

    Anybody who inspects may give the first one, since without it no photo has a scale; a
    lead alone changes it.
    """
    require(actor, "inspect")
    known = current_faces(session, [kind.id]).get(kind.id)
    if known is not None:
        if known.rim_mm != rim_mm:
            raise ConflictError(
                "rim",
                f"{kind.name} has a rim of {known.rim_mm:g} mm on record",
                "use that; a lead can correct it on the part type's page",
            )
        return
    _enter(shop, session, actor, kind, rim_mm, None, None, TYPED_ON_THE_BENCH, None)
