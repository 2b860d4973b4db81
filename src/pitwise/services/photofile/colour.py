"""Colour profiles: sRGB and grey need none, the wide colours of phones get one of our own.

A profile as sent is never kept: it can hold texts and data of anybody's. Whether it is sRGB,
or has the P3 primaries with sRGB's tone curve (what many phones write), is told by what it
does to a grid of colours; any other is converted to sRGB and the picture stored anew.
"""

from __future__ import annotations

import functools
import io
import struct
from dataclasses import dataclass
from typing import Literal

import numpy as np
from PIL import Image, ImageCms

from pitwise.services.photofile.limits import PictureRefused

_CLOSE = 2
_MEND = "save it as sRGB, or set the camera to sRGB"
# P3 primaries (0.680, 0.320), (0.265, 0.690), (0.150, 0.060) at D65, adapted to D50 by
# Bradford; a test reckons them again.
_P3 = (
    (0.515121, 0.241196, -0.001053),
    (0.291977, 0.692245, 0.041885),
    (0.157104, 0.066574, 0.784073),
)
_D50 = (0.964203, 1.0, 0.824905)
# IEC 61966-2-1.
_SRGB_CURVE = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


@dataclass(frozen=True)
class Colours:
    """What a profile comes to.

    Attributes
    ----------
    kind : {"srgb", "p3", "other"}
        "other" has to be converted.
    profile : ImageCmsProfile or None
        Of "p3" (our own) and "other" (as sent).
    """

    kind: Literal["srgb", "p3", "other"]
    profile: ImageCms.ImageCmsProfile | None = None


def _fixed(value: float) -> int:
    return round(value * 65536)


@functools.cache
def p3_profile() -> bytes:
    """Return our own profile of the P3 primaries with sRGB's tone curve (ICC.1:2022, v4)."""

    def xyz(values: tuple[float, float, float]) -> bytes:
        return struct.pack(">4s4x3i", b"XYZ ", *map(_fixed, values))

    def words(text: str) -> bytes:
        raw = text.encode("utf-16-be")
        return struct.pack(">4s4xII2s2sII", b"mluc", 1, 12, b"en", b"US", len(raw), 28) + raw

    curve = struct.pack(">4s4xHxx5i", b"para", 3, *map(_fixed, _SRGB_CURVE))
    tags = {
        b"desc": words("P3 primaries, sRGB curve"),
        b"cprt": words("CC0"),
        b"wtpt": xyz(_D50),
        b"rXYZ": xyz(_P3[0]),
        b"gXYZ": xyz(_P3[1]),
        b"bXYZ": xyz(_P3[2]),
        b"rTRC": curve,
        b"gTRC": curve,
        b"bTRC": curve,
    }
    start = 128 + 4 + 12 * len(tags)
    table, data = struct.pack(">I", len(tags)), b""
    for name, body in tags.items():
        table += struct.pack(">4sII", name, start + len(data), len(body))
        data += body + b"\0" * (-len(body) % 4)
    header = struct.pack(
        ">I4sI4s4s4s12s4s4sI4s4s8sI12s",
        start + len(data),
        b"",
        0x04200000,
        b"mntr",
        b"RGB ",
        b"XYZ ",
        struct.pack(">6H", 2026, 1, 1, 0, 0, 0),
        b"acsp",
        b"",
        0,
        b"",
        b"",
        b"",
        0,
        struct.pack(">3i", *map(_fixed, _D50)),
    ).ljust(128, b"\0")
    return header + table + data


@functools.cache
def _srgb() -> ImageCms.ImageCmsProfile:
    return ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB"))


def _transform(profile: ImageCms.ImageCmsProfile, mode: str) -> ImageCms.ImageCmsTransform:
    return ImageCms.buildTransform(
        profile, _srgb(), mode, "RGB", ImageCms.Intent.RELATIVE_COLORIMETRIC
    )


def _grid(mode: str) -> Image.Image:
    if mode == "L":
        return Image.fromarray(np.arange(256, dtype=np.uint8).reshape(16, 16))
    steps = np.linspace(0, 255, 9).round().astype(np.uint8)
    cube = np.stack(np.meshgrid(steps, steps, steps, indexing="ij"), axis=-1)
    return Image.fromarray(np.ascontiguousarray(cube.reshape(27, 27, 3)))


def _apply(image: Image.Image, transform: ImageCms.ImageCmsTransform) -> Image.Image:
    out = ImageCms.applyTransform(image, transform)
    if out is None:
        raise PictureRefused("has a colour profile that can't be read", _MEND)
    return out


def _off(a: Image.Image, b: Image.Image) -> int:
    return int(np.abs(np.asarray(a, np.int16) - np.asarray(b, np.int16)).max())


def colours_of(icc: bytes | None, mode: Literal["RGB", "L"]) -> Colours:
    """Tell what a profile of an RGB or grey picture comes to.

    Raises
    ------
    PictureRefused
        It can't be read, or is for other colours than the picture has.
    """
    if icc is None:
        return Colours("srgb")
    try:
        profile = ImageCms.ImageCmsProfile(io.BytesIO(icc))
        space = profile.profile.xcolor_space.strip()
        if space != {"RGB": "RGB", "L": "GRAY"}[mode]:
            raise PictureRefused("has a colour profile for other colours than its own", _MEND)
        grid = _grid(mode)
        done = _apply(grid, _transform(profile, mode))
        if _off(done, grid.convert("RGB")) <= _CLOSE:
            return Colours("srgb")
        if mode == "RGB":
            own = ImageCms.ImageCmsProfile(io.BytesIO(p3_profile()))
            if _off(done, _apply(grid, _transform(own, mode))) <= _CLOSE:
                return Colours("p3", own)
    except (ImageCms.PyCMSError, OSError, ValueError) as error:
        raise PictureRefused("has a colour profile that can't be read", _MEND) from error
    return Colours("other", profile)


def to_srgb(image: Image.Image, colours: Colours) -> Image.Image:
    """Return an RGB or grey picture of 8 bits in sRGB."""
    if colours.profile is None:
        return image
    out = _apply(image, _transform(colours.profile, image.mode))
    # A grey picture stays grey: all three channels are the same.
    return out.getchannel(1) if image.mode == "L" else out
