"""A photo on the bench: taken in, measured in a limited worker, its result kept and undone.

The photo is in the book before it is measured, so that a worker that fails loses nothing:
the same submission sent again finds it there and measures it.
"""

from __future__ import annotations

import io
import json
from dataclasses import dataclass
from typing import Any, BinaryIO

from PIL import Image
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from pitwise import __version__
from pitwise.bench.holes import SMALLER_THAN_NEW
from pitwise.records.photo_tables import HoleMeasure, PartFace, Photo
from pitwise.records.tables import Answer, Fitting, InspectionRow, PartItem, Person
from pitwise.services import measure_worker, photo_store, pictures
from pitwise.services.draft_view import Draft, load_draft
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fittings import fitted
from pitwise.services.hole_view import RENDERED as RENDERED
from pitwise.services.hole_view import TURNS, Measure, measures_of, unmeasured_of
from pitwise.services.part_faces import (
    MEASURED_WHEN_NEW,
    current_faces,
    face_view,
    first_rim,
    may_mend_rim,
    mend_rim,
    rim_length,
    set_face,
)
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.quantities import PHOTO_PARTS, feature_of

ENGINE = f"pitwise {__version__}"
MOST_PHOTOS = 12
_SMALL = (480, 480)


def add_photo(
    shop: Shop,
    actor: Actor,
    inspection_id: int,
    part: str,
    stream: BinaryIO,
    *,
    key: str,
    rim: str = "",
    turn: int | None = None,
) -> Draft:
    """Take a photo of a part in, measure it, keep the result; the same key twice is one.

    Parameters
    ----------
    stream : binary file
        The upload; taken in under the cap and checks of `services.pictures`.
    rim : str
        The face's outer diameter as typed, where none is on record; kept for the part type.
    turn : int or None
        Quarter turns given to the part since the first photo of a four-turn set, 0 to 3.

    Returns
    -------
    Draft
        A refused photo is kept with its reason and gives no number.
    """
    require(actor, "inspect")
    require(actor, "photos")
    check_key(key)
    if part not in PHOTO_PARTS:
        raise NotFoundError("part", f"no photo is measured of '{part[:30]}'", "choose the nozzle")
    if turn is not None and not 0 <= turn < TURNS:
        raise ServiceError("turn", f"{turn} is no quarter turn", "start the four turns again")
    with shop.database.read() as session:
        known = session.scalar(select(HoleMeasure).where(HoleMeasure.key == key))
        if known is not None:
            if (known.inspection_id, known.part) != (inspection_id, part):
                raise pictures.other_key()
            return load_draft(shop, session, inspection_id)
        row = _check(session, inspection_id, part, room=True)
        rim_mm, face, fitting = _rim(session, row, part, rim)
    photo = pictures.take_in(
        shop,
        actor,
        stream,
        key=key,
        purpose="bench",
        part=part,
        inspection_id=inspection_id,
        part_item_id=fitting.part_item_id if fitting else None,
        part_type_id=fitting.item.part_type_id if fitting else None,
    )
    with shop.database.read() as session:
        if photo.withdrawn or _result_of(session, inspection_id, photo.id) is not None:
            # Sent again after it was measured from the bench, or taken out there.
            return load_draft(shop, session, inspection_id)
    _measure(shop, actor, inspection_id, part, key, photo.id, rim_mm, face, turn)
    with shop.database.read() as session:
        return load_draft(shop, session, inspection_id)


def _measure(
    shop: Shop,
    actor: Actor,
    inspection_id: int,
    part: str,
    key: str,
    photo_id: int,
    rim_mm: float | None,
    face: PartFace | None,
    turn: int | None,
) -> bool:
    """Measure a photo of the book and keep the result; tell whether it gave numbers."""
    result = measure_worker.measure(
        shop,
        [photo_id],
        rim_mm=rim_mm,
        feature=feature_of(part),
        new_photo_id=face.photo_id if face is not None else None,
    )
    with shop.database.write() as session:
        if session.scalar(select(HoleMeasure.id).where(HoleMeasure.key == key)) is None:
            _keep(shop, session, actor, inspection_id, part, key, photo_id, rim_mm, turn, result)
    return result["body"].get("refused") is None


def _result_of(session: Session, inspection_id: int, photo_id: int) -> HoleMeasure | None:
    return session.scalar(
        select(HoleMeasure)
        .where(
            HoleMeasure.inspection_id == inspection_id,
            HoleMeasure.photo_ids == json.dumps([photo_id]),
        )
        .order_by(HoleMeasure.id.desc())
        .limit(1)
    )


def measure_again(
    shop: Shop, actor: Actor, inspection_id: int, part: str, *, key: str, rim: str = ""
) -> Draft:
    """Measure what the book holds of a part's photos: those without a result, or of another rim.

    Parameters
    ----------
    rim : str
        The face's outer diameter, where it was missing or typed wrong. It is kept for the part
        type once a photo was measured with it; a rim on record is put right by who typed it in
        this inspection, or by a lead.
    """
    require(actor, "inspect")
    require(actor, "photos")
    check_key(key)
    with shop.database.read() as session:
        row = _check(session, inspection_id, part)
        rim_mm, face, _ = _rim(session, row, part, "")
        given = rim_length(rim) if rim.strip() else None
        change = face is not None and given is not None and given != face.rim_mm
        if change and not may_mend_rim(actor, row, face):
            raise ConflictError(
                "rim",
                f"this part type has a rim of {face.rim_mm:g} mm on record" if face else "",
                "use that; a lead can correct it on the part type's page",
            )
        rim_mm = given or rim_mm
        todo: list[tuple[int, int | None]] = []
        for m in measures_of(session, row.id).get(part, []):
            was = m.body.get("rim_mm")
            if not m.row.taken_out and m.body.get("scale_from") != "card" and was != rim_mm:
                todo.append((m.photo.id, m.turn))
        todo += [(p.id, None) for p in unmeasured_of(session, row.id).get(part, [])]
    if not todo and not change:
        raise ServiceError("photo", "there is none to measure again", "take one")
    good = False
    for photo_id, turn in todo:
        own_key = f"{key[:50]}-{photo_id}"
        good |= _measure(shop, actor, inspection_id, part, own_key, photo_id, rim_mm, face, turn)
    with shop.database.write() as session:
        row = _check(session, inspection_id, part)
        if change and face is not None and given is not None and (good or not todo):
            mend_rim(shop, session, actor, row.id, face, given)
            row.revision += 1
        session.flush()
        session.expire_all()
        return load_draft(shop, session, inspection_id)


def withdraw_photo(
    shop: Shop, actor: Actor, inspection_id: int, photo_id: int
) -> tuple[str, Draft]:
    """Take a photo out that was never measured; it stays in the book. Returns its part too."""
    require(actor, "inspect")
    with shop.database.read() as session:
        photo = session.get(Photo, photo_id)
        if photo is None or photo.inspection_id != inspection_id:
            raise NotFoundError("photo", "is not in this inspection", "look at the page again")
        part = photo.part
        _check(session, inspection_id, part)
    pictures.withdraw(shop, actor, photo_id)
    with shop.database.read() as session:
        return part, load_draft(shop, session, inspection_id)


def _check(session: Session, inspection_id: int, part: str, *, room: bool = False) -> InspectionRow:
    row = session.get(InspectionRow, inspection_id)
    if row is None:
        raise NotFoundError(
            "inspection", f"there is no inspection {inspection_id}", "choose a torch again"
        )
    if row.state != "draft":
        raise ConflictError(
            "inspection", f"it has been {row.state} already", "look at the record; correct it there"
        )
    if room:
        own = measures_of(session, row.id).get(part, [])
        count = sum(1 for m in own if not m.row.taken_out and not m.row.refused)
        if count >= MOST_PHOTOS:
            raise ServiceError(
                "photo", f"there are {count} measured ones of this part", "take some out first"
            )
    return row


def _rim(
    session: Session, row: InspectionRow, part: str, typed: str
) -> tuple[float | None, PartFace | None, Fitting | None]:
    """Find the rim: the part type's, else as typed, else as typed for an earlier photo."""
    given = rim_length(typed) if typed.strip() else None
    fitting = fitted(session, row.torch_id, row.supersedes).get(part)
    if fitting is not None:
        kind = fitting.item.part_type
        face = current_faces(session, [kind.id]).get(kind.id)
        if face is not None:
            return face.rim_mm, face, fitting
    return given or last_rim(session, row.id, part), None, fitting


def last_rim(session: Session, inspection_id: int, part: str) -> float | None:
    """Return the rim typed for this part last in this inspection, where no type holds one."""
    for body in session.scalars(
        select(HoleMeasure.body)
        .where(HoleMeasure.inspection_id == inspection_id, HoleMeasure.part == part)
        .order_by(HoleMeasure.id.desc())
    ):
        rim = json.loads(body).get("rim_mm")
        if rim:
            return float(rim)
    return None


def _number(body: dict[str, Any], name: str, key: str) -> float | None:
    row = body.get(name)
    value = row.get(key) if isinstance(row, dict) else None
    return None if value is None else float(value)


def _keep(
    shop: Shop,
    session: Session,
    actor: Actor,
    inspection_id: int,
    part: str,
    key: str,
    photo_id: int,
    rim_mm: float | None,
    turn: int | None,
    result: dict[str, Any],
) -> None:
    row = _check(session, inspection_id, part)
    row.revision += 1
    body = dict(result["body"])
    body["rim_mm"], body["turn"] = rim_mm, turn
    for name in ("picture", "change_picture"):
        picture = result[name]
        # Kept as drawn: a later version of the measurement must not redraw what was signed.
        body[f"{name}_sha256"] = (
            None if picture is None else photo_store.keep_blob(session, "image/jpeg", picture)
        )
    refused = body.get("refused") is not None
    fitting = fitted(session, row.torch_id, row.supersedes).get(part)
    measure = HoleMeasure(
        key=key,
        inspection_id=row.id,
        part=part,
        part_item_id=fitting.part_item_id if fitting else None,
        feature=feature_of(part),
        photo_ids=json.dumps([photo_id]),
        body=json.dumps(body, separators=(",", ":"), allow_nan=False),
        engine=ENGINE,
        diameter_mm=_number(body, "diameter_mm", "value"),
        diameter_u_mm=_number(body, "diameter_mm", "u"),
        roundness_mm=_number(body, "roundness_mm", "value"),
        roundness_floor_mm=_number(body, "roundness_mm", "noise_floor"),
        roundness_u_mm=_number(body, "roundness_mm", "u"),
        off_centre_mm=_number(body, "off_centre_mm", "value"),
        off_centre_u_mm=_number(body, "off_centre_mm", "u"),
        refused=refused,
        by=actor.person_id or 0,
        at=shop.clock(),
        taken_out=False,
    )
    session.add(measure)
    session.flush()
    by_rim = not refused and body.get("scale_from") != "card"
    if by_rim and rim_mm is not None and fitting is not None:
        # Only now: a rim that no photo could be measured with may be a slip of the finger.
        first_rim(shop, session, actor, fitting.item.part_type, rim_mm, row.id)
    _ask_afresh(session, row.id)
    shop.note(
        session,
        actor,
        "photo-measured",
        f"inspection {row.id}",
        part=part,
        measure=measure.id,
        photo=photo_id,
        refused=body["refused"]["reason"] if refused else None,
        diameter_mm=measure.diameter_mm,
        roundness_mm=measure.roundness_mm,
        off_centre_mm=measure.off_centre_mm,
    )


def _ask_afresh(session: Session, inspection_id: int) -> None:
    """An answer was given to other numbers; new ones are questioned afresh."""
    session.execute(
        delete(Answer).where(Answer.inspection_id == inspection_id, Answer.code == SMALLER_THAN_NEW)
    )


def set_taken_out(
    shop: Shop, actor: Actor, inspection_id: int, measure_id: int, *, out: bool
) -> Draft:
    """Take a photo's result out, or put it back; both are kept in the book."""
    require(actor, "inspect")
    with shop.database.write() as session:
        measure = session.get(HoleMeasure, measure_id)
        if measure is None or measure.inspection_id != inspection_id:
            raise NotFoundError("photo", "is not in this inspection", "look at the page again")
        row = session.get(InspectionRow, inspection_id)
        if row is None or row.state != "draft":
            raise ConflictError(
                "inspection",
                f"it has been {row.state if row else 'lost'} already",
                "look at the record; correct it there",
            )
        if measure.taken_out != out:
            row.revision += 1
            measure.taken_out = out
            _ask_afresh(session, row.id)
            shop.note(
                session,
                actor,
                "photo-taken-out" if out else "photo-put-back",
                f"inspection {row.id}",
                measure=measure.id,
                part=measure.part,
            )
        session.flush()
        session.expire_all()
        return load_draft(shop, session, inspection_id)


def picture(
    shop: Shop, actor: Actor, measure_id: int, *, change: bool = False
) -> tuple[str, bytes]:
    """Return the picture drawn of a result (media type, bytes), or the photo where none is."""
    require(actor, "view")
    with shop.database.read() as session:
        measure = session.get(HoleMeasure, measure_id)
        if measure is None:
            raise NotFoundError("photo", f"there is no measure {measure_id}", "see the record")
        body = json.loads(measure.body)
        sha = body.get("change_picture_sha256" if change else "picture_sha256")
        if sha is None:
            if change:
                raise NotFoundError("picture", "no change was looked for", "see the result")
            photo = session.get(Photo, json.loads(measure.photo_ids)[0])
            if photo is None:
                raise NotFoundError("photo", "is not in the book", "run 'pitwise book verify'")
            sha = photo.blob_sha256
        return photo_store.blob(session, sha)


@dataclass(frozen=True)
class MeasureView:
    """One result to be looked at: whose part, in which inspection, with the rim in force."""

    measure: Measure
    inspection: InspectionRow
    face: PartFace | None
    by: str


def measure_view(shop: Shop, actor: Actor, measure_id: int) -> MeasureView:
    """Return one photo's result with where it belongs."""
    require(actor, "view")
    with shop.database.read() as session:
        row = session.get(HoleMeasure, measure_id)
        of = session.get(InspectionRow, row.inspection_id) if row is not None else None
        if row is None or of is None:
            raise NotFoundError("photo", f"there is no measure {measure_id}", "see the record")
        photo = session.get_one(Photo, json.loads(row.photo_ids)[0])
        face = None
        if row.part_item_id is not None:
            kind = session.get_one(PartItem, row.part_item_id).part_type_id
            face = current_faces(session, [kind]).get(kind)
        person = session.get(Person, row.by)
        return MeasureView(Measure(row, photo), of, face, person.name if person else "")


def photo_when_new(
    shop: Shop,
    actor: Actor,
    part_type_id: int,
    stream: BinaryIO,
    *,
    key: str,
    rim: str,
    hole_from: str = "record",
) -> dict[str, str] | None:
    """Take the shop's photo of a part type when new in, and enter the hole measured on it.

    Parameters
    ----------
    hole_from : {"record", "photo"}
        Which hole when new holds from now on, where one is on record: a pin gauge's is not
        replaced unasked.

    Returns
    -------
    dict or None
        The refusal (reason, text, mend): then the photo is withdrawn and nothing is entered.
    """
    require(actor, "part-faces")
    check_key(key)
    view = face_view(shop, actor, part_type_id)
    with shop.database.read() as session:
        done = session.scalar(
            select(PartFace.id).join(Photo, Photo.id == PartFace.photo_id).where(Photo.key == key)
        )
    if done is not None:
        return None
    rim_mm = rim_length(rim)
    part = view.part_type.part
    photo = pictures.take_in(
        shop,
        actor,
        stream,
        key=key,
        purpose="new",
        part=part,
        part_type_id=part_type_id,
    )
    result = measure_worker.measure(
        shop, [photo.id], rim_mm=rim_mm, feature=feature_of(part), new_photo_id=None
    )
    refused: dict[str, str] | None = result["body"].get("refused")
    # A new electrode has no pit to find: its photo is kept for comparing, with its rim alone.
    if refused is not None and not (part == "electrode" and refused["reason"] == "hole-not-found"):
        pictures.withdraw(shop, actor, photo.id)
        return refused
    hole = hole_u = ""
    reason = MEASURED_WHEN_NEW
    known = view.face
    if known is not None and known.hole_mm is not None and hole_from != "photo":
        hole, hole_u = f"{known.hole_mm:.8f} mm", f"{known.hole_u_mm or 0.0:.8f} mm"
        reason = f"the shop's photo when new, to compare with; hole as before: {known.reason}"[:400]
    elif part != "electrode":
        hole = f"{result['body']['diameter_mm']['value']:.4f} mm"
        hole_u = f"{result['body']['diameter_mm']['u']:.4f} mm"
    set_face(
        shop,
        actor,
        part_type_id,
        rim=rim,
        hole=hole,
        hole_u=hole_u,
        reason=reason,
        photo_id=photo.id,
    )
    return None


def small_pictures(
    shop: Shop, actor: Actor, record: dict[str, Any]
) -> dict[str, tuple[int, int, bytes]]:
    """Return a record's drawn pictures, small, by their SHA-256: (width, height, JPEG).

    Only what Pitwise drew itself is opened here; an upload is only ever opened in the worker.
    """
    require(actor, "view")
    wanted = [
        m["result"]["picture_sha256"]
        for part in record["parts"]
        for m in part.get("measures", [])
        if m["result"].get("picture_sha256")
    ]
    out = {}
    with shop.database.read() as session:
        for sha in dict.fromkeys(wanted):
            _, content = photo_store.blob(session, sha)
            with Image.open(io.BytesIO(content), formats=("JPEG",)) as drawn:
                drawn.draft("RGB", _SMALL)
                small = drawn.convert("RGB")
            small.thumbnail(_SMALL)
            buffer = io.BytesIO()
            small.save(buffer, "JPEG", quality=82, optimize=False)
            out[sha] = (small.width, small.height, buffer.getvalue())
    return out
