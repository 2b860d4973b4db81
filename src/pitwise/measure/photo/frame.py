"""A photo made ready for measuring: nothing of its full size is copied, only what is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.light import WHITE_SHARE, ToneCurve

Array = NDArray[np.float64]
Grey = NDArray[np.float32]
Flags = NDArray[np.bool_]
Stored = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Plane:
    """One plane of a photo, 0…1, read by index: a slice or arrays of rows and columns."""

    stored: Stored
    scale: np.float32

    @property
    def shape(self) -> tuple[int, int]:
        """Return (h, w)."""
        return self.stored.shape[0], self.stored.shape[1]

    def __getitem__(self, where: Any) -> Grey:
        """Return that part as float32."""
        return np.asarray(self.stored[where].astype(np.float32) * self.scale)


@dataclass(frozen=True)
class RedLessBlue(Plane):
    """The colour of a photo: its red less its blue, −1…1."""

    def __getitem__(self, where: Any) -> Grey:
        """Return that part as float32."""
        part = self.stored[where]
        return np.asarray(
            (part[..., 0].astype(np.float32) - part[..., 2].astype(np.float32)) * self.scale
        )


@dataclass(frozen=True)
class White:
    """Where a photo is clipped in any channel."""

    stored: Stored

    @property
    def shape(self) -> tuple[int, int]:
        """Return (h, w)."""
        return self.stored.shape[0], self.stored.shape[1]

    def __getitem__(self, where: Any) -> Flags:
        """Return that part as flags."""
        part = self.stored[where]
        # Of whole numbers the least one that counts: the picture stays what it is.
        least = self.stored.dtype.type(np.ceil(WHITE_SHARE * np.iinfo(self.stored.dtype).max))
        over = part >= least
        if self.stored.ndim == 2:
            return np.asarray(over)
        return np.asarray(over[..., 0] | over[..., 1] | over[..., 2])


@dataclass(frozen=True)
class Frame:
    """A photo made ready: stored tone values 0…1, where it is clipped, its tone curve.

    `grey` is the picture's luma, not the luminance of its linear channels: JPEG stores luma at
    full resolution and colour at half, and an edge between one hue and black has the same shape
    in both.
    """

    image: Stored
    grey: Plane
    colour: Plane | None
    white: White
    tone: ToneCurve

    @classmethod
    def of(cls, image: NDArray[np.generic], tone: ToneCurve) -> Frame:
        """Make one of a uint8 or uint16 picture, (h, w) or (h, w, 3) RGB."""
        stored: Stored = np.asarray(image)
        scale = np.float32(1.0 / np.iinfo(stored.dtype).max)
        if stored.ndim == 2:
            return cls(stored, Plane(stored, scale), None, White(stored), tone)
        luma: Stored = np.asarray(cv2.cvtColor(stored, cv2.COLOR_RGB2GRAY))
        return cls(stored, Plane(luma, scale), RedLessBlue(stored, scale), White(stored), tone)

    def light(self, value: Array) -> tuple[Array, Array]:
        """Return linear light and its derivative by the stored value."""
        step = 0.004
        at = np.clip(value, 0.0, 1.0)
        low, high = np.clip(at - step, 0, 1), np.clip(at + step, 0, 1)
        slope = (self.tone.to_linear(high) - self.tone.to_linear(low)) / (high - low)
        return self.tone.to_linear(at).astype(np.float64), np.maximum(slope, 0.02)

    @cached_property
    def white_share(self) -> float:
        """Return the share of the picture that is clipped, of every nth pixel of a large one."""
        every = max(min(self.grey.shape) // 250, 1)
        return float(np.mean(self.white[::every, ::every]))

    @cached_property
    def _halves(self) -> tuple[list[Stored], dict[int, tuple[Grey, Grey | None]]]:
        return [self.image], {}

    def halved(self, times: int) -> tuple[Grey, Grey | None]:
        """Return grey and colour, 0…1, of the picture halved so many times.

        Its pixel (x, y) lies at ((x + ½) 2ⁿ − ½, (y + ½) 2ⁿ − ½) of the photo.
        """
        stored, planes = self._halves
        while len(stored) <= times:
            stored.append(half(stored[-1]))
        if times not in planes:
            planes[times] = self._planes(stored[times])
        return planes[times]

    def _planes(self, part: Stored) -> tuple[Grey, Grey | None]:
        scale = float(self.grey.scale)

        def float32(plane: Stored) -> Grey:
            return np.asarray(plane.astype(np.float32) * np.float32(scale))

        if part.ndim == 2:
            return float32(part), None
        red, blue = cv2.extractChannel(part, 0), cv2.extractChannel(part, 2)
        colour = np.asarray(cv2.subtract(red, blue, dtype=cv2.CV_32F), np.float32)
        colour *= np.float32(scale)
        return float32(np.asarray(cv2.cvtColor(part, cv2.COLOR_RGB2GRAY))), colour


def half(image: Stored) -> Stored:
    """Return a picture of half the size; an odd last row or column is left out."""
    h, w = image.shape[0] // 2, image.shape[1] // 2
    small = cv2.resize(image[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
    return np.asarray(small)
