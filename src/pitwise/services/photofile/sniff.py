"""Tell a file's format by its first bytes, whatever it is called."""

from __future__ import annotations

from typing import Literal

from pitwise.services.photofile.heic import is_heic
from pitwise.services.photofile.limits import PictureRefused
from pitwise.services.photofile.png import SIGNATURE

_KNOWN = {
    b"GIF8": "GIF",
    b"II*\0": "TIFF or a raw picture",
    b"MM\0*": "TIFF or a raw picture",
    b"II+\0": "TIFF",
    b"MM\0+": "TIFF",
    b"BM": "BMP",
    b"<svg": "SVG",
    b"<?xml": "SVG or another text",
    b"%PDF": "PDF",
    b"PK\x03\x04": "a zip file",
    b"8BPS": "a layered picture",
    b"\0\0\0\x0cjP  ": "JPEG 2000",
    b"\0\0\0\x0cJXL ": "JPEG XL",
    b"\xff\x0a": "JPEG XL",
    b"\0\0\x01\0": "an icon",
}


def sniff(head: bytes) -> Literal["jpeg", "png", "heic"]:
    """Tell a file's format by its first bytes, whatever it is called.

    Raises
    ------
    PictureRefused
        Not one of those taken.
    """
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[:8] == SIGNATURE:
        return "png"
    if is_heic(head):
        return "heic"
    named = next((name for magic, name in _KNOWN.items() if head.startswith(magic)), "")
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        named = "WebP"
    if not head:
        raise PictureRefused("is empty", "choose the photo again")
    said = f"is {named}, which is not taken" if named else "is no photo of a format that is taken"
    raise PictureRefused(said, "send a JPEG, a PNG or a HEIC photo")
