"""Images in the book by the SHA-256 of their bytes: the same image is kept once."""

from __future__ import annotations

import hashlib
from typing import Literal

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.photo_tables import PhotoBlob
from pitwise.services.errors import NotFoundError

Media = Literal["image/png", "image/jpeg"]


def keep_blob(session: Session, media: Media, content: bytes) -> str:
    """Keep an image in the caller's unit of work; return its SHA-256."""
    sha = hashlib.sha256(content).hexdigest()
    if session.get(PhotoBlob, sha) is None:
        session.add(PhotoBlob(sha256=sha, media=media, size=len(content), content=content))
        session.flush()
    return sha


def blob(session: Session, sha256: str) -> tuple[str, bytes]:
    """Return an image's media type and bytes."""
    found = session.execute(
        select(PhotoBlob.media, PhotoBlob.content).where(PhotoBlob.sha256 == sha256)
    ).first()
    if found is None:
        raise NotFoundError("picture", "is not in the book", "run 'pitwise book verify'")
    return found[0], found[1]
