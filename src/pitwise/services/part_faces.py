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
from pitwise.records.tables import InspectionRow, PartType, Person
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.quantities import PHOTO_PARTS

# No rim or hole of a torch's part lies outside these (our own choice).
RIM_MM = (3.0, 120.0)
HOLE_MM = (0.2, 40.0)
# New holes of one part type are taken to lie within ± 0.03 mm of its figure, evenly spread
# (common practice, no source; JCGM 100:2008, 4.3.7): what a shop that knows better types over.
PART_SCATTER_MM = 0.03 / math.sqrt(3)
MEASURED_WHEN_NEW = "measured on the shop's photo when new"
TYPED_ON_THE_BENCH = "typed on the bench for a photo"


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
        # The reader's own words are a depth gauge's; here a diameter is asked for.
        raise ServiceError(
            place, f"can't read '{text.strip()[:30]}' as a length", "write it as 18.5 mm"
        ) from error
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
    drop_photo: bool = False,
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
        The shop's photo of such a part when new; None: the one on record stays.
    drop_photo : bool
        Leave the photo on record out from now on; it stays in the book.
    """
    require(actor, "part-faces")
    reason = clean_text("reason", reason, longest=400, lines=True)
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
        elif not drop_photo:
            known = current_faces(session, [kind.id]).get(kind.id)
            photo_id = known.photo_id if known is not None else None
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


def first_rim(
    shop: Shop, session: Session, actor: Actor, kind: PartType, rim_mm: float, inspection_id: int
) -> None:
    """Keep a rim typed on the bench and measured with, where the part type has none yet.

    Anybody who inspects may give the first one, since without it no photo has a scale.
    """
    require(actor, "inspect")
    if current_faces(session, [kind.id]).get(kind.id) is None:
        reason = _typed_in(inspection_id)
        _enter(shop, session, actor, kind, rim_mm, None, None, reason, None)


def _typed_in(inspection_id: int) -> str:
    return f"{TYPED_ON_THE_BENCH}, inspection {inspection_id}"


def may_mend_rim(actor: Actor, row: InspectionRow, face: PartFace | None) -> bool:
    """Tell who may put a rim right: a lead, and in the same inspection who typed it."""
    if face is None or may(actor, "part-faces"):
        return True
    return face.by == actor.person_id and face.reason == _typed_in(row.id)


def mend_rim(
    shop: Shop, session: Session, actor: Actor, inspection_id: int, face: PartFace, rim_mm: float
) -> None:
    """Put a rim right from the bench; hole and photo when new stay as they are."""
    require(actor, "inspect")
    _enter(
        shop,
        session,
        actor,
        _kind(session, face.part_type_id),
        rim_mm,
        face.hole_mm,
        face.hole_u_mm,
        _typed_in(inspection_id),
        face.photo_id,
    )
