"""Take a photo in from outside: counted while it comes, looked at in a process of its own.

Nothing of a file as sent is kept or trusted but its picture; see `photofile` for what is
kept, `limited` for the process, `photofile.limits` for the figures.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Literal, Protocol, cast

from pitwise.services import decode_worker
from pitwise.services.errors import ServiceError
from pitwise.services.file_text import clean_name
from pitwise.services.limited import private_folder, run_limited
from pitwise.services.photofile.limits import (
    MAX_PIXELS,
    MAX_STORED,
    MAX_UPLOAD,
    THUMB_SIDE,
    PictureRefused,
)
from pitwise.services.photofile.raw import Pixels, read_pixels
from pitwise.services.photofile.sniff import sniff

__all__ = [
    "MAX_UPLOAD",
    "Intake",
    "decode",
    "decode_file",
    "decode_stream",
    "receive",
    "small",
    "take",
]

_BLOCK, _HEAD = 1 << 16, 64
_WORKER = "pitwise.services.decode_worker"
_MAGIC: dict[str, bytes] = {"image/jpeg": b"\xff\xd8\xff", "image/png": b"\x89PNG\r\n\x1a\n"}


class Stream(Protocol):
    """Anything that gives its bytes a piece at a time."""

    def read(self, size: int, /) -> bytes:
        """Return at most `size` bytes, none at the end."""


@dataclass(frozen=True)
class Intake:
    """A photo taken in.

    Attributes
    ----------
    content : bytes
        What is kept: a JPEG or PNG with nothing in it but the picture.
    media : {"image/jpeg", "image/png"}
    width, height : int
        Pixels, upright.
    bits : {8, 16}
    upload_sha256 : str
        Of the file as sent.
    small : bytes
        A JPEG to look at, at most 480 pixels along a side.
    small_width, small_height : int
    notes : tuple of str
        What was left out that somebody may have wanted, such as further pictures.
    """

    content: bytes
    media: Literal["image/jpeg", "image/png"]
    width: int
    height: int
    bits: int
    upload_sha256: str
    small: bytes
    small_width: int
    small_height: int
    notes: tuple[str, ...]

    @property
    def sha256(self) -> str:
        """The SHA-256 of what is kept, its name in the book."""
        return hashlib.sha256(self.content).hexdigest()


def receive(place: str, stream: Stream, target: Path) -> str:
    """Copy a photo as sent to a file, stopping at the cap; return its SHA-256.

    Raises
    ------
    ServiceError
        It is none of the formats of photos, empty, or larger than `MAX_UPLOAD`.
    """
    digest, size = hashlib.sha256(), 0
    # The first bytes tell the format: what is none is not waited for. A stream may give less
    # at a time than was asked for.
    block = b""
    while len(block) < _HEAD and (more := stream.read(_HEAD - len(block))):
        block += more
    if block:
        _checked_format(place, block)
    with target.open("wb") as file:
        while block:
            size += len(block)
            if size > MAX_UPLOAD:
                raise ServiceError(
                    place,
                    f"is larger than {MAX_UPLOAD >> 20} MB",
                    "set the camera to JPEG and 12 megapixels, and take it again",
                )
            digest.update(block)
            file.write(block)
            block = stream.read(_BLOCK)
    if not size:
        raise ServiceError(place, "is empty", "choose the photo again")
    return digest.hexdigest()


def _checked_format(place: str, head: bytes) -> None:
    try:
        sniff(head)
    except PictureRefused as refused:
        raise ServiceError(place, refused.problem, refused.mend) from refused


def take(name: str, stream: Stream) -> Intake:
    """Take a photo in.

    Parameters
    ----------
    name : str
        As it was called where it came from, for messages only: it is kept nowhere.
    stream : with read(size)

    Returns
    -------
    Intake

    Raises
    ------
    ServiceError
        Refused; names the file, the reason and the mend.
    BookError
        No room for temporary files.
    """
    place = clean_name(name) or "photo"
    with private_folder() as folder:
        digest = receive(place, stream, folder / decode_worker.SENT)
        answer = run_limited(_WORKER, folder, "clean", place=place)
        content = _read(folder / decode_worker.KEPT, MAX_STORED)
        little = _read(folder / decode_worker.SMALL, 4 << 20)
    done = _believed(answer, content, little, digest)
    if done is None:
        raise ServiceError(place, "is damaged, and can't be decoded", "take the photo again")
    return done


def _believed(answer: dict[str, Any], content: bytes, little: bytes, digest: str) -> Intake | None:
    """Return what the process answered, None where it is not what it can be."""
    media = answer.get("media")
    sizes = [answer.get(k) for k in ("width", "height", "small_width", "small_height")]
    notes = answer.get("notes")
    if (
        media not in _MAGIC
        or not content.startswith(_MAGIC[media])
        or not little.startswith(_MAGIC["image/jpeg"])
        or not all(type(n) is int and n > 0 for n in sizes)
        or answer.get("bits") not in (8, 16)
        or not isinstance(notes, list)
    ):
        return None
    width, height, small_width, small_height = (int(n or 0) for n in sizes)
    if width * height > MAX_PIXELS or max(small_width, small_height) > THUMB_SIDE:
        return None
    return Intake(
        content,
        cast('Literal["image/jpeg", "image/png"]', media),
        width,
        height,
        answer["bits"],
        digest,
        little,
        small_width,
        small_height,
        tuple(str(n) for n in notes),
    )


def _read(path: Path, most: int) -> bytes:
    with path.open("rb") as file:
        data = file.read(most + 1)
    return data if len(data) <= most else b""


def decode(content: bytes, media: str, *, place: str = "photo") -> Pixels:
    """Return the pixels of a kept photo, decoded in a limited process.

    Returns
    -------
    uint8 or uint16 array, (height, width) or (height, width, 3)
        Upright, grey or RGB, sRGB.

    Raises
    ------
    ServiceError
    """
    with private_folder() as folder:
        (folder / decode_worker.KEPT).write_bytes(content)
        run_limited(_WORKER, folder, "pixels", media, place=place)
        return _pixels(place, folder)


def _pixels(place: str, folder: Path) -> Pixels:
    try:
        return read_pixels(folder / decode_worker.PIXELS)
    except ValueError as error:
        raise ServiceError(
            place, "is damaged, and can't be decoded", "take the photo again"
        ) from error


def small(content: bytes, media: str, *, place: str = "photo") -> tuple[bytes, int, int]:
    """Return the small picture of a kept photo, a JPEG, and its width and height."""
    with private_folder() as folder:
        (folder / decode_worker.KEPT).write_bytes(content)
        answer = run_limited(_WORKER, folder, "small", media, place=place)
        data = _read(folder / decode_worker.SMALL, 4 << 20)
        return data, int(answer["small_width"]), int(answer["small_height"])


def decode_stream(name: str, stream: Stream) -> Pixels:
    """Return the pixels of a photo from outside, as measured once it is in the book.

    Parameters and errors as `take`.
    """
    place = clean_name(name) or "photo"
    with private_folder() as folder:
        receive(place, stream, folder / decode_worker.SENT)
        run_limited(_WORKER, folder, "open", place=place)
        return _pixels(place, folder)


def decode_file(path: Path | str) -> Pixels:
    """Return the pixels of a photo file, as `decode_stream`.

    Raises
    ------
    ServiceError
        Refused, or the file can't be read.
    """
    file: BinaryIO
    try:
        with Path(path).open("rb") as file:
            return decode_stream(str(path), file)
    except OSError as error:
        raise ServiceError(
            str(path), f"can't be read ({error.strerror or error})", "check the file's name"
        ) from error
