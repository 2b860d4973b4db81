"""Cut a PNG down to the chunks its pixels need (ISO/IEC 15948), before it is unpacked."""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass

from pitwise.services.photofile.jpeg import exif_orientation
from pitwise.services.photofile.limits import MAX_ICC, MAX_PIECES, PictureRefused, check_size

SIGNATURE = b"\x89PNG\r\n\x1a\n"
_KEPT = frozenset({b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"})
_DEPTHS = {0: (1, 2, 4, 8, 16), 2: (8, 16), 3: (1, 2, 4, 8), 4: (8, 16), 6: (8, 16)}
_BROKEN = "send the file again, whole; if it stays so, take the photo again"
# 1/2.2 as PNG writes it, and how far off still counts as the usual.
_GAMMA, _GAMMA_OFF = 45455, 1000


@dataclass(frozen=True)
class PngParts:
    """What a PNG holds that its picture needs.

    Attributes
    ----------
    width, height, bits : int
    colour : int
        PNG's colour type: 0 grey, 2 RGB, 3 palette, 4 grey with alpha, 6 RGB with alpha.
    orientation : int
    icc : bytes or None
    clean : bytes
        A PNG of the needed chunks alone.
    notes : tuple of str
    """

    width: int
    height: int
    bits: int
    colour: int
    orientation: int
    icc: bytes | None
    clean: bytes
    notes: tuple[str, ...]


def read_png(data: bytes) -> PngParts:
    """Take a PNG apart; nothing but a colour profile is unpacked, and that under a cap.

    Raises
    ------
    PictureRefused
        Broken off, damaged, animated, or in colours that are not sRGB and carry no profile.
    """
    if data[:8] != SIGNATURE:
        raise PictureRefused("is no PNG")
    at, pieces, out = 8, 0, [SIGNATURE]
    header: tuple[int, int, int, int] | None = None
    icc: bytes | None = None
    gamma: int | None = None
    srgb, orientation, kind = False, 1, b""
    while kind != b"IEND":
        pieces += 1
        if pieces > MAX_PIECES:
            raise PictureRefused(f"has more than {MAX_PIECES} chunks")
        if at + 12 > len(data):
            raise PictureRefused("breaks off before its end", _BROKEN)
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        end = at + 12 + length
        if end > len(data):
            raise PictureRefused("breaks off before its end", _BROKEN)
        body = data[at + 8 : end - 4]
        if kind in _KEPT:
            if zlib.crc32(data[at + 4 : end - 4]) != int.from_bytes(data[end - 4 : end], "big"):
                raise PictureRefused("is damaged: a sum in it is wrong", _BROKEN)
            out.append(data[at:end])
        if (header is None) != (kind == b"IHDR"):
            raise PictureRefused("is damaged: its header is not where it must be", _BROKEN)
        if kind == b"IHDR":
            header = _header(body)
        elif kind in (b"acTL", b"fcTL", b"fdAT"):
            raise PictureRefused("is animated: it holds several pictures", "send one photo")
        elif kind == b"iCCP":
            icc = _icc(body)
        elif kind == b"sRGB":
            srgb = True
        elif kind == b"gAMA" and length == 4:
            gamma = int.from_bytes(body, "big")
        elif kind == b"cICP":
            if body not in (b"\x01\x0d\x00\x01", b"\x01\x01\x00\x01"):
                raise PictureRefused("is in colours other than sRGB (cICP)", "save it as sRGB")
        elif kind == b"eXIf":
            orientation = exif_orientation(body)
        elif kind not in _KEPT and not kind[:1].islower():
            raise PictureRefused("is damaged: it needs a chunk that no photo has", _BROKEN)
        at = end
    if header is None or not any(c[4:8] == b"IDAT" for c in out[1:]):
        raise PictureRefused("holds no picture", _BROKEN)
    if icc is None and not srgb and gamma is not None and abs(gamma - _GAMMA) > _GAMMA_OFF:
        raise PictureRefused(
            f"has a tone curve of its own (gAMA {gamma / 100_000:g})", "save it as sRGB"
        )
    behind = len(data) - at
    notes = (f"{behind} bytes behind the end of the picture were left out",) if behind else ()
    return PngParts(*header, orientation, icc, b"".join(out), notes)


def _header(body: bytes) -> tuple[int, int, int, int]:
    if len(body) != 13:
        raise PictureRefused("is damaged: its header has the wrong length", _BROKEN)
    width, height, bits, colour, packing, filtering, interlace = struct.unpack(">IIBBBBB", body)
    if bits not in _DEPTHS.get(colour, ()) or packing or filtering or interlace > 1:
        raise PictureRefused("is damaged: its header is none of a PNG", _BROKEN)
    check_size(width, height)
    return width, height, bits, colour


def _icc(body: bytes) -> bytes:
    name, gap, rest = body.partition(b"\0")
    if not gap or not name or len(name) > 79 or rest[:1] != b"\0":
        raise PictureRefused("has a damaged colour profile", "save it as sRGB")
    unpack = zlib.decompressobj()
    try:
        out = unpack.decompress(rest[1:], MAX_ICC + 1)
    except zlib.error as error:
        raise PictureRefused("has a damaged colour profile", "save it as sRGB") from error
    if len(out) > MAX_ICC:
        raise PictureRefused(
            f"has a colour profile of more than {MAX_ICC >> 20} MB", "save it as sRGB"
        )
    if not unpack.eof:
        raise PictureRefused("has a damaged colour profile", "save it as sRGB")
    return out
