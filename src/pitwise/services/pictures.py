"""The book's photos: taken in, shown, withdrawn.

Kept under the SHA-256 of the cleaned image, so the same photo is kept once however often it
is sent; nothing of the file as sent but its hash. Whoever takes one in is in the audit trail.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.photo_tables import Photo, PhotoBlob, PhotoThumb
from pitwise.records.tables import InspectionRow, PartItem, PartType
from pitwise.services import intake
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError, ServiceError
from pitwise.services.intake import Intake, Stream
from pitwise.services.permissions import Actor, require
from pitwise.services.photofile.raw import Pixels
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS

Purpose = Literal["bench", "new"]
SMALL_MEDIA = "image/jpeg"


@dataclass(frozen=True)
class PhotoInfo:
    """A photo of the book.

    Attributes
    ----------
    id : int
    sha256 : str
        Of what is kept, and its name.
    media : str
    width, height : int
        Pixels, upright.
    bits : {8, 16}
    part : str
    inspection_id, part_item_id, part_type_id : int or None
    purpose : {"bench", "new"}
    withdrawn : bool
    notes : tuple of str
        Only when just taken in: what of the file was left out that somebody may have wanted.
    """

    id: int
    sha256: str
    media: str
    width: int
    height: int
    bits: int
    part: str
    inspection_id: int | None
    part_item_id: int | None
    part_type_id: int | None
    purpose: Purpose
    withdrawn: bool
    notes: tuple[str, ...] = ()


def take_in(
    shop: Shop,
    actor: Actor,
    stream: Stream,
    *,
    key: str,
    purpose: Purpose,
    part: str,
    inspection_id: int | None = None,
    part_item_id: int | None = None,
    part_type_id: int | None = None,
    name: str = "photo",
) -> PhotoInfo:
    """Take a photo into the book.

    It is counted while it comes, decoded in a limited process and stripped of all but the
    picture before anything is written; the book is not kept waiting meanwhile.

    Parameters
    ----------
    shop, actor
    stream : with read(size)
    key : str
        Made on the tablet; the same twice is one photo.
    purpose : {"bench", "new"}
        For a draft inspection, or of a part type when new.
    part : str
        Its slug.
    inspection_id : int or None
        The draft it is for; needed for "bench".
    part_item_id, part_type_id : int or None
        The individual part, or its type; the type is needed for "new".
    name : str
        What the file was called, for messages only.

    Returns
    -------
    PhotoInfo

    Raises
    ------
    ServiceError
        Refused, with reason and mend; nothing was written.
    BookError
    """
    require(actor, "photos")
    person_id = _person(actor)
    check_key(key)
    if part not in PART_SLUGS:
        raise NotFoundError("part", f"'{part[:30]}' is not a part", "use the torch's drawing")
    if purpose not in ("bench", "new"):
        raise ServiceError("purpose", f"'{purpose[:20]}' is not known", "use bench or new")
    with shop.database.read() as session:
        same = _by_key(session, key)
        if same is not None:
            return _same_place(same, purpose, part, inspection_id, part_type_id)
        _check_place(session, purpose, part, inspection_id, part_item_id, part_type_id)
    taken = intake.take(name, stream)
    sha256 = taken.sha256
    with shop.database.write() as session:
        same = _by_key(session, key)
        if same is not None:
            return _same_place(same, purpose, part, inspection_id, part_type_id)
        # The draft may have been signed meanwhile.
        _check_place(session, purpose, part, inspection_id, part_item_id, part_type_id)
        _keep_blob(session, sha256, taken)
        row = Photo(
            key=key,
            blob_sha256=sha256,
            upload_sha256=taken.upload_sha256,
            width=taken.width,
            height=taken.height,
            bits=taken.bits,
            part=part,
            part_item_id=part_item_id,
            part_type_id=part_type_id,
            inspection_id=inspection_id,
            purpose=purpose,
            taken_by=person_id,
            at=shop.clock(),
        )
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            "photo-taken-in",
            f"photo {row.id}",
            sha256=sha256,
            upload_sha256=taken.upload_sha256,
            part=part,
            purpose=purpose,
            inspection=inspection_id,
        )
        return _info(row, taken.media, taken.notes)


def other_key() -> ConflictError:
    """Say that a key was used for another photo: nothing was taken in, and that is told."""
    return ConflictError(
        "photo", "it stands for another photo already", "reload the page, then take it again"
    )


def _same_place(
    same: PhotoInfo, purpose: str, part: str, inspection_id: int | None, part_type_id: int | None
) -> PhotoInfo:
    of_type = purpose == "new" and same.part_type_id != part_type_id
    if (same.purpose, same.part, same.inspection_id) != (purpose, part, inspection_id) or of_type:
        raise other_key()
    return same


def _person(actor: Actor) -> int:
    if actor.person_id is None:
        raise NotAllowedError("person", "nobody is signed in", "sign in first")
    return actor.person_id


def _by_key(session: Session, key: str) -> PhotoInfo | None:
    row = session.scalar(select(Photo).where(Photo.key == key))
    return None if row is None else _of(session, row)


def _of(session: Session, row: Photo) -> PhotoInfo:
    media = session.scalars(
        select(PhotoBlob.media).where(PhotoBlob.sha256 == row.blob_sha256)
    ).one()
    return _info(row, media)


def _info(row: Photo, media: str, notes: tuple[str, ...] = ()) -> PhotoInfo:
    purpose: Purpose = row.purpose  # type: ignore[assignment]  # the table's check holds it
    return PhotoInfo(
        row.id,
        row.blob_sha256,
        media,
        row.width,
        row.height,
        row.bits,
        row.part,
        row.inspection_id,
        row.part_item_id,
        row.part_type_id,
        purpose,
        row.withdrawn_at is not None,
        notes,
    )


def _check_place(
    session: Session,
    purpose: str,
    part: str,
    inspection_id: int | None,
    part_item_id: int | None,
    part_type_id: int | None,
) -> None:
    """Refuse a photo of nothing, of something else, or for what is signed already."""
    if purpose == "bench":
        row = session.get(InspectionRow, inspection_id) if inspection_id is not None else None
        if row is None:
            raise NotFoundError(
                "inspection", f"there is no inspection {inspection_id}", "choose a torch again"
            )
        if row.state != "draft":
            raise ConflictError(
                "inspection",
                f"it has been {row.state} already",
                "look at the record; correct it there",
            )
    elif part_type_id is None:
        raise ServiceError("part type", "is not told", "choose whose photo when new it is")
    if part_item_id is not None:
        item = session.get(PartItem, part_item_id)
        if item is None or item.part_type.part != part:
            raise NotFoundError(
                "part", f"there is no {part} of number {part_item_id}", "reload the page"
            )
    if part_type_id is not None:
        kind = session.get(PartType, part_type_id)
        if kind is None or kind.part != part:
            raise NotFoundError(
                "part type", f"there is no {part} type {part_type_id}", "reload the page"
            )


def _keep_blob(session: Session, sha256: str, taken: Intake) -> None:
    if session.get(PhotoBlob, sha256) is None:
        session.add(
            PhotoBlob(
                sha256=sha256, media=taken.media, size=len(taken.content), content=taken.content
            )
        )
        session.flush()
    if session.get(PhotoThumb, sha256) is None:
        session.add(
            PhotoThumb(
                blob_sha256=sha256,
                media=SMALL_MEDIA,
                width=taken.small_width,
                height=taken.small_height,
                content=taken.small,
            )
        )
        session.flush()


def _row(session: Session, photo_id: int) -> Photo:
    row = session.get(Photo, photo_id)
    if row is None:
        raise NotFoundError("photo", f"there is no photo {photo_id}", "go back, and choose again")
    return row


def photo_info(shop: Shop, actor: Actor, photo_id: int) -> PhotoInfo:
    """Tell what the book knows of a photo, withdrawn or not."""
    require(actor, "view")
    with shop.database.read() as session:
        return _of(session, _row(session, photo_id))


def photos_of(
    shop: Shop, actor: Actor, inspection_id: int, part: str | None = None
) -> tuple[PhotoInfo, ...]:
    """Return an inspection's photos that are not withdrawn, the oldest first."""
    require(actor, "view")
    query = (
        select(Photo, PhotoBlob.media)
        .join(PhotoBlob, PhotoBlob.sha256 == Photo.blob_sha256)
        .where(Photo.inspection_id == inspection_id, Photo.withdrawn_at.is_(None))
        .order_by(Photo.id)
    )
    if part is not None:
        query = query.where(Photo.part == part)
    with shop.database.read() as session:
        return tuple(_info(row, media) for row, media in session.execute(query))


def kept(session: Session, photo_id: int) -> tuple[str, bytes]:
    """Return the media type and the bytes that are kept of a photo."""
    row = _row(session, photo_id)
    blob = session.get_one(PhotoBlob, row.blob_sha256)
    return blob.media, blob.content


def shown(shop: Shop, actor: Actor, photo_id: int) -> tuple[str, bytes]:
    """Return a photo to look at in full: its media type and bytes."""
    require(actor, "view")
    with shop.database.read() as session:
        return kept(session, photo_id)


def thumb(shop: Shop, actor: Actor, photo_id: int) -> tuple[str, bytes]:
    """Return a photo small, to look at; made again where it is missing, as after a restore."""
    require(actor, "view")
    with shop.database.read() as session:
        row = _row(session, photo_id)
        there = session.get(PhotoThumb, row.blob_sha256)
        if there is not None:
            return there.media, there.content
        media, content = kept(session, photo_id)
        sha256 = row.blob_sha256
    data, width, height = intake.small(content, media, place=f"photo {photo_id}")
    with shop.database.write() as session:
        if session.get(PhotoThumb, sha256) is None:
            session.add(
                PhotoThumb(
                    blob_sha256=sha256, media=SMALL_MEDIA, width=width, height=height, content=data
                )
            )
    return SMALL_MEDIA, data


def pixels(shop: Shop, actor: Actor, photo_id: int) -> Pixels:
    """Return a photo's pixels as measured: of what is kept, never of the small picture.

    Returns
    -------
    uint8 or uint16 array, (height, width) or (height, width, 3)
    """
    require(actor, "view")
    with shop.database.read() as session:
        media, content = kept(session, photo_id)
    return intake.decode(content, media, place=f"photo {photo_id}")


def withdraw(shop: Shop, actor: Actor, photo_id: int) -> PhotoInfo:
    """Undo taking a photo in: it is no longer shown or measured, but kept. Twice is once.

    Raises
    ------
    ConflictError
        It is part of a signed inspection.
    """
    return _set_withdrawn(shop, actor, photo_id, withdrawn=True)


def bring_back(shop: Shop, actor: Actor, photo_id: int) -> PhotoInfo:
    """Undo withdrawing a photo. Twice is once; errors as `withdraw`."""
    return _set_withdrawn(shop, actor, photo_id, withdrawn=False)


def _set_withdrawn(shop: Shop, actor: Actor, photo_id: int, *, withdrawn: bool) -> PhotoInfo:
    require(actor, "photos")
    person_id = _person(actor)
    with shop.database.write() as session:
        row = _row(session, photo_id)
        if row.inspection_id is not None:
            of = session.get_one(InspectionRow, row.inspection_id)
            if of.state == "signed":
                raise ConflictError(
                    f"photo {photo_id}",
                    f"it is part of inspection {of.id}, which is signed",
                    "correct the inspection",
                )
        if (row.withdrawn_at is not None) != withdrawn:
            row.withdrawn_at = shop.clock() if withdrawn else None
            row.withdrawn_by = person_id if withdrawn else None
            session.flush()
            event = "photo-withdrawn" if withdrawn else "photo-brought-back"
            shop.note(session, actor, event, f"photo {row.id}", sha256=row.blob_sha256)
        return _of(session, row)
