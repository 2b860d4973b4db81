"""Tell whether a file is a HEIC still picture, by its first boxes (ISO/IEC 23008-12)."""

from __future__ import annotations

import struct

from pitwise.services.photofile.limits import PictureRefused

# Brands of still pictures coded by HEVC.
_STILL = frozenset({b"heic", b"heix", b"heim", b"heis"})
_SEQUENCE = frozenset({b"hevc", b"hevx", b"hevm", b"hevs", b"msf1"})
_MOST_BOXES = 1000
_BROKEN = "send the file again, whole; or set the camera to JPEG"


def is_heic(head: bytes) -> bool:
    """Tell by the first bytes whether it says that it is of this family."""
    return len(head) >= 12 and head[4:8] == b"ftyp"


def check_heic(data: bytes) -> tuple[str, ...]:
    """Refuse what is no HEIC still picture; walk the outer boxes to the file's end.

    Returns
    -------
    tuple of str
        Nothing to say, or what will be left out.

    Raises
    ------
    PictureRefused
    """
    brands: set[bytes] = set()
    seen: list[bytes] = []
    at = 0
    while at < len(data):
        if len(seen) >= _MOST_BOXES:
            raise PictureRefused(f"has more than {_MOST_BOXES} boxes", _BROKEN)
        if at + 8 > len(data):
            raise PictureRefused("breaks off before its end", _BROKEN)
        size, kind = struct.unpack(">I4s", data[at : at + 8])
        head = 8
        if size == 1:
            if at + 16 > len(data):
                raise PictureRefused("breaks off before its end", _BROKEN)
            (size,), head = struct.unpack(">Q", data[at + 8 : at + 16]), 16
        elif size == 0:
            size = len(data) - at
        if size < head or at + size > len(data):
            raise PictureRefused("breaks off before its end, or its boxes are broken", _BROKEN)
        if kind == b"ftyp":
            if seen or size > 1024 or size < head + 8:
                raise PictureRefused("has broken boxes", _BROKEN)
            body = data[at + head : at + size]
            major = body[:4]
            brands = {major, *(body[n : n + 4] for n in range(8, len(body), 4))}
            if major in _SEQUENCE:
                raise PictureRefused("is a film or a series of pictures", "send one photo")
        elif kind == b"moov":
            raise PictureRefused("is a film or a series of pictures", "send one photo")
        seen.append(kind)
        at += size
    if not brands & _STILL:
        raise PictureRefused(
            "is of a format that is not taken", "send a JPEG, a PNG or a HEIC photo"
        )
    if b"meta" not in seen:
        raise PictureRefused("holds no picture: its boxes are broken", _BROKEN)
    return ()
