"""From a file as sent to the picture that is kept, and from that to pixels.

What is measured are always the pixels of what is kept: `clean_picture` gives the bytes to
keep, `pixels_of` decodes those, and nothing else of the file as sent is ever looked at.
"""

from __future__ import annotations

import io
import os
import struct
import tempfile
import warnings
import zlib
from dataclasses import dataclass
from typing import Literal, cast

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageFile

from pitwise.services.photofile.colour import Colours, colours_of, p3_profile, to_srgb
from pitwise.services.photofile.heic import check_heic
from pitwise.services.photofile.jpeg import JpegParts, read_jpeg, write_jpeg
from pitwise.services.photofile.limits import (
    MAX_PIXELS,
    MAX_STORED,
    THUMB_SIDE,
    PictureRefused,
    check_size,
)
from pitwise.services.photofile.png import PngParts, read_png
from pitwise.services.photofile.sniff import sniff

Pixels = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
Media = Literal["image/jpeg", "image/png"]
_BROKEN = "send the file again, whole; if it stays so, take the photo again"
# What decoders raise on a damaged file.
_RAISED = (
    OSError,
    ValueError,
    SyntaxError,
    EOFError,
    TypeError,
    RuntimeError,
    LookupError,
    ArithmeticError,
    struct.error,
    zlib.error,
)
_TURNS = {
    2: (False, 0, True),
    3: (False, 2, False),
    4: (False, 2, True),
    5: (True, 0, False),
    6: (False, 3, False),
    7: (True, 2, False),
    8: (False, 1, False),
}


@dataclass(frozen=True)
class Cleaned:
    """What is kept of a photo.

    Attributes
    ----------
    content : bytes
        A JPEG or PNG with nothing in it but the picture.
    media : {"image/jpeg", "image/png"}
    width, height : int
        Upright.
    bits : {8, 16}
    notes : tuple of str
        What was left out that somebody may have wanted.
    """

    content: bytes
    media: Media
    width: int
    height: int
    bits: int
    notes: tuple[str, ...]


def be_strict() -> None:
    """Have Pillow refuse what is too large or broken off, where its defaults would go on."""
    Image.MAX_IMAGE_PIXELS = MAX_PIXELS
    # Above the limit Pillow warns, and only at twice as much it stops.
    warnings.simplefilter("error", Image.DecompressionBombWarning)
    ImageFile.LOAD_TRUNCATED_IMAGES = False


def clean_picture(data: bytes) -> Cleaned:
    """Return what is kept of a photo as sent.

    A JPEG in sRGB, P3 or grey keeps its own compressed data, without loss; anything else is
    decoded and written anew as PNG.

    Raises
    ------
    PictureRefused
    MemoryError
        It needs more than this process may have.
    """
    with _told():
        kind = sniff(data[:32])
        if kind == "jpeg":
            return _from_jpeg(read_jpeg(data))
        if kind == "png":
            return _from_png(read_png(data))
        return _from_heic(data, check_heic(data))


class _told:
    """Say of whatever the decoders raise that the file is damaged or too large."""

    def __enter__(self) -> None:
        be_strict()

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if isinstance(error, Image.DecompressionBombError | Image.DecompressionBombWarning):
            raise PictureRefused(
                f"has more than {MAX_PIXELS // 1_000_000} megapixels",
                "set the camera to 12 megapixels and take it again",
            ) from error
        if isinstance(error, _RAISED):
            raise PictureRefused("is damaged, and can't be decoded", _BROKEN) from error


def _from_jpeg(parts: JpegParts) -> Cleaned:
    grey = parts.components == 1
    # Some programs leave the profile of the colours in what they made grey.
    as_rgb = not grey or (parts.icc is not None and parts.icc[16:20] == b"RGB ")
    colours = colours_of(parts.icc, "RGB" if as_rgb else "L")
    if grey and colours.kind == "p3":
        # Its greys are those of sRGB.
        colours = Colours("srgb")
    if colours.kind == "other":
        image = _load(write_jpeg(parts, None), "JPEG")
        image = image.convert("RGB") if as_rgb else image
        _check_whole(write_jpeg(parts, None))
        pixels = np.asarray(to_srgb(image, colours))
        return _as_png(_upright(pixels, parts.orientation), parts.notes)
    content = write_jpeg(parts, p3_profile() if colours.kind == "p3" else None)
    # It is kept only if it decodes, whole.
    image = _load(content, "JPEG")
    if (image.width, image.height) != (parts.width, parts.height):
        raise PictureRefused("is damaged: its size is not what it says", _BROKEN)
    width, height = image.size
    if parts.orientation >= 5:
        width, height = height, width
    _check_whole(content)
    return _kept(Cleaned(content, "image/jpeg", width, height, 8, parts.notes))


def _check_whole(content: bytes) -> None:
    """Refuse a JPEG whose data ends early or goes wrong on the way.

    Decoders fill what is missing with grey and only warn, Pillow not even that; OpenCV prints
    the warning of the library below. Bytes too many are harmless, and some cameras leave them.
    """
    import cv2

    saved = os.dup(2)
    try:
        with tempfile.TemporaryFile() as heard:
            os.dup2(heard.fileno(), 2)
            # At an eighth of the size: all of the data is read, little is reckoned.
            cv2.imdecode(np.frombuffer(content, np.uint8), cv2.IMREAD_REDUCED_GRAYSCALE_8)
            heard.seek(0)
            words = heard.read(4096).lower()
    finally:
        os.dup2(saved, 2)
        os.close(saved)
    if any(word in words for word in (b"premature", b"bad huffman", b"instead of rst")):
        raise PictureRefused("is damaged: a part of its data is missing", _BROKEN)


def _load(content: bytes, form: str) -> Image.Image:
    image = Image.open(io.BytesIO(content), formats=[form])
    check_size(*image.size)
    image.load()
    return image


def _from_png(parts: PngParts) -> Cleaned:
    if parts.bits == 16 and parts.colour != 0:
        pixels = _deep(parts.clean)
        if parts.icc is not None and colours_of(parts.icc, "RGB").kind == "other":
            raise PictureRefused(
                "is of 16 bits in colours that are not sRGB", "save it as sRGB, or of 8 bits"
            )
        return _as_png(_upright(pixels, parts.orientation), parts.notes)
    image = _load(parts.clean, "PNG")
    if parts.bits == 16:
        grey = np.asarray(image)
        if image.mode != "I;16" or grey.dtype != np.uint16 or image.info.get("transparency"):
            raise PictureRefused("is damaged, and can't be decoded", _BROKEN)
        if parts.icc is not None and colours_of(parts.icc, "L").kind == "other":
            raise PictureRefused(
                "is of 16 bits in a tone curve of its own", "save it as sRGB, or of 8 bits"
            )
        return _as_png(_upright(grey, parts.orientation), parts.notes)
    if "transparency" in image.info or image.mode in ("RGBA", "LA", "PA"):
        image = _flat(image.convert("RGBA"), grey=parts.colour in (0, 4))
    image = image.convert("L" if image.mode in ("1", "L") else "RGB")
    mode: Literal["RGB", "L"] = "L" if image.mode == "L" else "RGB"
    if mode == "L" and parts.icc is not None and parts.icc[16:20] == b"RGB ":
        image, mode = image.convert("RGB"), "RGB"
    image = to_srgb(image, colours_of(parts.icc, mode))
    return _as_png(_upright(np.asarray(image), parts.orientation), parts.notes)


def _flat(image: Image.Image, *, grey: bool) -> Image.Image:
    """Take off a see-through channel that lets nothing through; refuse one that does.

    The edge of something cut out would be measured as an edge of the part.
    """
    low, _high = cast("tuple[int, int]", image.getchannel("A").getextrema())
    if low < 255:
        raise PictureRefused(
            "is see-through in places, as if cut out", "send the photo as the camera made it"
        )
    return image.convert("RGB").getchannel(0) if grey else image.convert("RGB")


def _deep(clean: bytes) -> Pixels:
    """Decode a PNG of 16 bits and colours, which Pillow would cut down to 8."""
    import cv2

    try:
        found = cv2.imdecode(np.frombuffer(clean, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error as error:
        raise PictureRefused("is damaged, and can't be decoded", _BROKEN) from error
    if found is None or found.dtype != np.uint16:
        raise PictureRefused("is damaged, and can't be decoded", _BROKEN)
    if found.ndim == 3 and found.shape[2] in (2, 4):
        if int(found[..., -1].min()) < 65535:
            raise PictureRefused(
                "is see-through in places, as if cut out", "send the photo as the camera made it"
            )
        found = found[..., :-1]
    if found.ndim == 3 and found.shape[2] == 1:
        found = found[..., 0]
    if found.ndim == 3:
        found = found[..., ::-1]
        if not clean[25] & 2:
            found = found[..., 0]
    return np.ascontiguousarray(found, dtype=np.uint16)


def _upright(pixels: Pixels, orientation: int) -> Pixels:
    """Turn and mirror as EXIF's orientation says."""
    if orientation not in _TURNS:
        return pixels
    swap, quarters, mirror = _TURNS[orientation]
    out = np.swapaxes(pixels, 0, 1) if swap else pixels
    out = np.rot90(out, quarters)
    return cast("Pixels", np.ascontiguousarray(out[:, ::-1] if mirror else out))


def _from_heic(data: bytes, notes: tuple[str, ...]) -> Cleaned:
    import pi_heif

    pi_heif.options.DECODE_THREADS = 1
    pi_heif.options.THUMBNAILS = False
    pi_heif.options.DEPTH_IMAGES = False
    pi_heif.options.AUX_IMAGES = False
    file = pi_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
    if len(file) != 1:
        raise PictureRefused(f"holds {len(file)} pictures", "send one photo")
    check_size(*file.size)
    info = file.info
    nclx = info.get("nclx_profile") or {}
    if nclx.get("transfer_characteristics") in (16, 18):
        raise PictureRefused(
            "is of a high dynamic range (HDR)", "set the camera to JPEG, or HDR off"
        )
    image = file.to_pillow()
    if image.mode in ("RGBA", "LA"):
        image = _flat(image.convert("RGBA"), grey=False)
    image = image.convert("L" if image.mode == "L" else "RGB")
    icc = info.get("icc_profile")
    if not icc and nclx.get("color_primaries") == 12 and image.mode == "RGB":
        icc = p3_profile()
    mode: Literal["RGB", "L"] = "L" if image.mode == "L" else "RGB"
    image = to_srgb(image, colours_of(icc or None, mode))
    return _as_png(np.asarray(image), notes)


def _as_png(pixels: Pixels, notes: tuple[str, ...]) -> Cleaned:
    bits = 16 if pixels.dtype == np.uint16 else 8
    height, width = pixels.shape[:2]
    check_size(width, height)
    return _kept(Cleaned(write_png(pixels), "image/png", width, height, bits, notes))


def write_png(pixels: Pixels) -> bytes:
    """Return pixels as a PNG of grey or RGB, 8 or 16 bits, with no other chunk."""
    if pixels.dtype == np.uint16 and pixels.ndim == 3:
        import cv2

        done, out = cv2.imencode(".png", pixels[..., ::-1])
        if not done:
            raise PictureRefused("could not be written anew")
        return read_png(out.tobytes()).clean
    buffer = io.BytesIO()
    Image.fromarray(pixels).save(buffer, "PNG", compress_level=4)
    return buffer.getvalue()


def _kept(cleaned: Cleaned) -> Cleaned:
    if len(cleaned.content) > MAX_STORED:
        raise PictureRefused(
            f"comes to more than {MAX_STORED >> 20} MB without loss",
            "set the camera to JPEG and 12 megapixels, and take it again",
        )
    return cleaned


def pixels_of(content: bytes, media: str) -> Pixels:
    """Return the pixels of a kept picture: upright, sRGB, RGB or grey, 8 or 16 bits.

    Parameters
    ----------
    content : bytes
        As `clean_picture` gave it.
    media : str

    Returns
    -------
    uint8 or uint16 array, (height, width) or (height, width, 3)
    """
    with _told():
        if media == "image/png":
            if content[24] == 16 and content[25] & 2:
                return _deep(content)
            return np.asarray(_load(content, "PNG"))
        image = _load(content, "JPEG")
        orientation = image.getexif().get(0x0112, 1)
        if image.info.get("icc_profile"):
            own: Colours = colours_of(p3_profile(), "RGB")
            image = to_srgb(image, own)
        return _upright(np.asarray(image), orientation)


def thumb_of(pixels: Pixels, side: int = THUMB_SIDE) -> tuple[bytes, int, int]:
    """Return a small JPEG to look at, and its width and height; never to be measured on."""
    if pixels.dtype == np.uint16:
        # 65535 is white, and 257 = 65535 / 255.
        pixels = ((pixels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    image = Image.fromarray(pixels)
    image.thumbnail((side, side), Image.Resampling.LANCZOS, reducing_gap=3.0)
    buffer = io.BytesIO()
    image.save(buffer, "JPEG", quality=82)
    return buffer.getvalue(), image.width, image.height
