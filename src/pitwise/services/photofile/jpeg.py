"""Cut a JPEG down, without loss, to what decoding it needs (ITU-T T.81, segment by segment).

Kept are tables, frame, scans and restarts, each checked for its exact length. Written anew
are the JFIF and Adobe markers (by which a decoder tells the colours), the orientation, and a
colour profile of our own. All else goes: EXIF and its maker notes, GPS, XMP, IPTC, comments,
thumbnails, further pictures, and whatever follows the end.
"""

from __future__ import annotations

import re
import struct
from dataclasses import dataclass, field

from pitwise.services.photofile.limits import (
    MAX_ICC,
    MAX_PIECES,
    MAX_SCANS,
    PictureRefused,
    check_size,
)

_SOI, _EOI, _SOS, _DQT, _DHT, _DRI, _APP0, _APP1, _APP2, _APP14 = (
    0xD8,
    0xD9,
    0xDA,
    0xDB,
    0xC4,
    0xDD,
    0xE0,
    0xE1,
    0xE2,
    0xEE,
)
_FRAMES = frozenset({0xC0, 0xC1, 0xC2})
_OTHER_FRAMES = {
    0xC3: "lossless",
    0xC5: "hierarchical",
    0xC6: "hierarchical",
    0xC7: "hierarchical",
    0xC9: "arithmetic",
    0xCA: "arithmetic",
    0xCB: "arithmetic",
    0xCC: "arithmetic",
    0xCD: "arithmetic",
    0xCE: "arithmetic",
    0xCF: "arithmetic",
    0xDE: "hierarchical",
    0xDF: "hierarchical",
}
_MARK = re.compile(rb"\xff+([\x01-\xcf\xd8-\xfe])")
_BROKEN = "send the file again, whole; if it stays so, take the photo again"
_JFIF = struct.pack(">HH5sHBHHBB", 0xFFE0, 16, b"JFIF\0", 0x0101, 0, 1, 1, 0, 0)
_ORIENTATION_TAG = 0x0112
_MOST_TAGS = 512


@dataclass(frozen=True)
class JpegParts:
    """What a JPEG holds that its picture needs.

    Attributes
    ----------
    width, height : int
        As stored, before it is turned upright.
    components : int
        1 or 3.
    jfif : bool
    adobe : int or None
        The transform byte of its Adobe marker.
    orientation : int
        1 to 8, of EXIF.
    icc : bytes or None
        Its colour profile, put together.
    body : tuple of bytes
        Segments and scans in their order, from the first table to the last scan.
    notes : tuple of str
        What was left out that somebody may have wanted.
    """

    width: int
    height: int
    components: int
    jfif: bool
    adobe: int | None
    orientation: int
    icc: bytes | None
    body: tuple[bytes, ...]
    notes: tuple[str, ...]


@dataclass
class _Reading:
    frame: tuple[int, int, int] | None = None
    progressive: bool = False
    jfif: bool = False
    adobe: int | None = None
    orientation: int | None = None
    icc: dict[int, bytes] = field(default_factory=dict)
    icc_count: int = 0
    body: list[bytes] = field(default_factory=list)
    scans: int = 0
    pictures: int = 1


def read_jpeg(data: bytes) -> JpegParts:
    """Take a JPEG apart.

    Raises
    ------
    PictureRefused
        Broken off, damaged, of a kind cameras don't make, or not three colours or grey.
    """
    if data[:2] != b"\xff\xd8":
        raise PictureRefused("is no JPEG")
    got, at, pieces = _Reading(), 2, 0
    while True:
        pieces += 1
        if pieces > MAX_PIECES:
            raise PictureRefused(f"has more than {MAX_PIECES} segments")
        found = _MARK.match(data, at)
        if found is None:
            raise PictureRefused("is damaged, or breaks off before its end", _BROKEN)
        mark, at = found[1][0], found.end()
        if mark == _EOI:
            break
        if mark == _SOI or mark == 0x01:
            raise PictureRefused("is damaged: a marker where none may be", _BROKEN)
        if at + 2 > len(data):
            raise PictureRefused("breaks off before its end", _BROKEN)
        length = int.from_bytes(data[at : at + 2], "big")
        end = at + length
        if length < 2 or end > len(data):
            raise PictureRefused("breaks off before its end", _BROKEN)
        _segment(got, mark, data[at + 2 : end])
        at = end
        if mark == _SOS:
            following = _MARK.search(data, at)
            if following is None:
                raise PictureRefused("breaks off before its end", _BROKEN)
            got.body.append(data[at : following.start()])
            at = following.start()
    if got.frame is None or not got.scans:
        raise PictureRefused("holds no picture", _BROKEN)
    width, height, components = got.frame
    return JpegParts(
        width,
        height,
        components,
        got.jfif,
        got.adobe,
        got.orientation or 1,
        _profile(got),
        tuple(got.body),
        _notes(got, len(data) - at),
    )


def _segment(got: _Reading, mark: int, body: bytes) -> None:
    if mark in _FRAMES:
        _frame(got, mark, body)
    elif mark in _OTHER_FRAMES:
        raise PictureRefused(
            f"is a JPEG of a rare kind ({_OTHER_FRAMES[mark]})", "save it as an ordinary JPEG"
        )
    elif mark == _SOS:
        _scan(got, body)
    elif mark == _DQT:
        _quantisation(body)
    elif mark == _DHT:
        _huffman(body)
    elif mark == _DRI:
        _exactly(len(body) == 2)
    elif mark == _APP0 and not got.scans:
        got.jfif = got.jfif or (len(body) >= 14 and body[:5] == b"JFIF\0")
    elif mark == _APP1 and not got.scans:
        if body[:6] == b"Exif\0\0" and got.orientation is None:
            got.orientation = exif_orientation(body[6:])
    elif mark == _APP2 and not got.scans:
        _app2(got, body)
    elif mark == _APP14 and not got.scans:
        if len(body) >= 12 and body[:5] == b"Adobe":
            got.adobe = body[11]
    elif 0xE0 <= mark <= 0xEF or mark == 0xFE:
        return
    elif mark == 0xDC:
        raise PictureRefused("does not say how high it is", "save it as an ordinary JPEG")
    elif not 0xE0 <= mark <= 0xFE:
        raise PictureRefused(f"is damaged: marker {mark:02X} is not one of a photo", _BROKEN)
    if mark in _FRAMES or mark in (_SOS, _DQT, _DHT, _DRI):
        got.body.append(struct.pack(">BBH", 0xFF, mark, len(body) + 2) + body)


def _exactly(fits: bool) -> None:
    if not fits:
        raise PictureRefused("is damaged: a table of it has the wrong length", _BROKEN)


def _frame(got: _Reading, mark: int, body: bytes) -> None:
    if got.frame is not None:
        raise PictureRefused("holds two pictures in one frame", "send one photo")
    _exactly(len(body) >= 6 and len(body) == 6 + 3 * body[5])
    bits, height, width, components = struct.unpack(">BHHB", body[:6])
    if bits != 8:
        raise PictureRefused(f"is a JPEG of {bits} bits", "save it as an ordinary JPEG")
    check_size(width, height)
    if components == 4:
        raise PictureRefused(
            "is made of four printing inks (CMYK), not of light",
            "save it as RGB, or send the photo",
        )
    if components not in (1, 3):
        raise PictureRefused(f"has {components} colour channels", "save it as RGB or grey")
    got.frame = (width, height, components)
    got.progressive = mark == 0xC2


def _scan(got: _Reading, body: bytes) -> None:
    if got.frame is None:
        raise PictureRefused("is damaged: a scan before its frame", _BROKEN)
    _exactly(len(body) >= 4 and 1 <= body[0] <= 4 and len(body) == 4 + 2 * body[0])
    got.scans += 1
    most = MAX_SCANS if got.progressive else got.frame[2]
    if got.scans > most:
        raise PictureRefused(
            f"is drawn in more than {most} passes, as no camera does", "save it as an ordinary JPEG"
        )


def _quantisation(body: bytes) -> None:
    at = 0
    while at < len(body):
        _exactly(body[at] >> 4 <= 1 and body[at] & 15 <= 3)
        at += 1 + (128 if body[at] >> 4 else 64)
    _exactly(at == len(body) and at > 0)


def _huffman(body: bytes) -> None:
    at = 0
    while at < len(body):
        _exactly(body[at] >> 4 <= 1 and body[at] & 15 <= 3 and at + 17 <= len(body))
        codes = sum(body[at + 1 : at + 17])
        _exactly(codes <= 256)
        at += 17 + codes
    _exactly(at == len(body) and at > 0)


def _app2(got: _Reading, body: bytes) -> None:
    if body[:12] == b"ICC_PROFILE\0" and len(body) >= 14:
        number, got.icc_count = body[12], body[13]
        got.icc.setdefault(number, body[14:])
        if sum(map(len, got.icc.values())) > MAX_ICC:
            raise PictureRefused(
                f"has a colour profile of more than {MAX_ICC >> 20} MB", "save it as sRGB"
            )
    elif body[:4] == b"MPF\0":
        got.pictures = max(got.pictures, 2)


def _profile(got: _Reading) -> bytes | None:
    if not got.icc:
        return None
    if sorted(got.icc) != list(range(1, got.icc_count + 1)):
        raise PictureRefused("has a colour profile with pieces missing", "save it as sRGB")
    return b"".join(got.icc[n] for n in sorted(got.icc))


def _notes(got: _Reading, behind: int) -> tuple[str, ...]:
    notes = []
    if got.pictures > 1:
        notes.append(
            "the file holds further pictures (a preview or a gain map): the main one was taken"
        )
    elif behind > 0:
        notes.append(f"{behind} bytes behind the end of the picture were left out")
    return tuple(notes)


def exif_orientation(tiff: bytes) -> int:
    """Return the orientation (1 to 8) of an EXIF block, 1 where it tells none that is known.

    Only the first directory is read, and of it one tag: nothing is followed, so nothing can
    lead in a circle.
    """
    if tiff[:4] == b"II*\0":
        order = "<"
    elif tiff[:4] == b"MM\0*":
        order = ">"
    else:
        return 1
    if len(tiff) < 8:
        return 1
    (at,) = struct.unpack(order + "I", tiff[4:8])
    if at + 2 > len(tiff):
        return 1
    (count,) = struct.unpack(order + "H", tiff[at : at + 2])
    for n in range(min(count, _MOST_TAGS)):
        entry = tiff[at + 2 + 12 * n : at + 14 + 12 * n]
        if len(entry) < 12:
            return 1
        tag, kind, number = struct.unpack(order + "HHI", entry[:8])
        if tag == _ORIENTATION_TAG:
            (value,) = struct.unpack(order + "H", entry[8:10])
            return value if kind == 3 and number == 1 and 1 <= value <= 8 else 1
    return 1


def _own_orientation(orientation: int) -> bytes:
    """Return an EXIF segment that holds the orientation and nothing else."""
    tiff = struct.pack(">2sHIHHHIHHI", b"MM", 42, 8, 1, _ORIENTATION_TAG, 3, 1, orientation, 0, 0)
    body = b"Exif\0\0" + tiff
    return struct.pack(">HH", 0xFFE1, len(body) + 2) + body


def write_jpeg(parts: JpegParts, icc: bytes | None) -> bytes:
    """Put a JPEG together again, with nothing but its picture.

    Parameters
    ----------
    parts : JpegParts
    icc : bytes or None
        One of our own profiles; None where its colours are sRGB or grey.
    """
    out = [b"\xff\xd8"]
    if parts.jfif:
        out.append(_JFIF)
    if parts.orientation != 1:
        out.append(_own_orientation(parts.orientation))
    if icc is not None:
        body = b"ICC_PROFILE\0\x01\x01" + icc
        out.append(struct.pack(">HH", 0xFFE2, len(body) + 2) + body)
    if parts.adobe is not None:
        adobe = struct.pack(">HH5sHHHB", 0xFFEE, 14, b"Adobe", 100, 0, 0, parts.adobe)
        out.append(adobe)
    return b"".join([*out, *parts.body, b"\xff\xd9"])
