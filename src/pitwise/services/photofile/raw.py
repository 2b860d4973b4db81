"""Pixels in a file between two processes: a fixed header, then the bytes."""

from __future__ import annotations

import struct
from pathlib import Path

import numpy as np
import numpy.typing as npt

from pitwise.services.photofile.limits import MAX_PIXELS, MAX_SIDE

Pixels = npt.NDArray[np.uint8] | npt.NDArray[np.uint16]
_HEADER = struct.Struct("<8sIIII")
_MAGIC = b"PWPIXEL1"


def write_pixels(path: Path, pixels: Pixels) -> None:
    """Write pixels of 8 or 16 bits, grey or RGB."""
    height, width = pixels.shape[:2]
    channels = 1 if pixels.ndim == 2 else pixels.shape[2]
    header = _HEADER.pack(_MAGIC, height, width, channels, 8 * pixels.itemsize)
    with path.open("wb") as file:
        file.write(header)
        np.ascontiguousarray(pixels).tofile(file)


def read_pixels(path: Path) -> Pixels:
    """Read pixels back; the header is believed only where the file's length bears it out.

    Raises
    ------
    ValueError
        It is no such file.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(_HEADER.size)
        if len(head) != _HEADER.size:
            raise ValueError("no pixels")
        magic, height, width, channels, bits = _HEADER.unpack(head)
        if (
            magic != _MAGIC
            or bits not in (8, 16)
            or channels not in (1, 3)
            or not 0 < width <= MAX_SIDE
            or not 0 < height <= MAX_SIDE
            or width * height > MAX_PIXELS
            or size != _HEADER.size + width * height * channels * (bits // 8)
        ):
            raise ValueError("no pixels")
        shape = (height, width) if channels == 1 else (height, width, channels)
        if bits == 8:
            return np.fromfile(file, np.uint8).reshape(shape)
        return np.fromfile(file, np.uint16).reshape(shape)
