"""Pairs of photos of a face with everything known: new, and now, turned, tilted, lit otherwise."""

from __future__ import annotations

import functools
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

Array = np.ndarray
RIM_MM = 12.0
HOLE_MM = 2.0
_MAP = 60.0


@functools.lru_cache
def face(seed: int, grain: float = 1.0) -> Array:
    """Return a face's reflectance from above, 60 px/mm, 14 mm across, y up in mm = rows down."""
    rng = np.random.default_rng(seed)
    n = int(14 * _MAP) + 1
    y, x = np.mgrid[0:n, 0:n] - (n - 1) / 2
    r = np.hypot(x, y) / _MAP
    marks = gaussian_filter(rng.normal(size=n), 1.5)
    out = 0.42 + 0.06 * np.interp(r.ravel() * _MAP, np.arange(n), marks).reshape(r.shape)
    for size, strength in ((2, 0.15), (6, 0.5), (18, 1.0)):
        out += grain * strength * 0.1 * gaussian_filter(rng.normal(size=r.shape), size) * size / 3
    for _ in range(int(25 * grain)):
        a, b = rng.uniform(0, n, 2), rng.normal(0, 60, 2)
        line = np.zeros(r.shape, np.uint8)
        ends = (int(a[0]), int(a[1])), (int(a[0] + b[0]), int(a[1] + b[1]))
        cv2.line(line, *ends, 255, 1, cv2.LINE_AA)
        out += rng.choice([-0.08, 0.1]) * line / 255
    out[r > RIM_MM / 2] = 0.08
    out[r < HOLE_MM / 2] = 0.02
    return np.asarray(np.clip(out, 0.01, 0.9))


def put(surface: Array, x_mm: float, y_mm: float, d_mm: float, light: float) -> Array:
    """Return a face with a round spot on it."""
    out = surface.copy()
    middle = (len(surface) - 1) / 2
    y, x = np.mgrid[0 : len(surface), 0 : len(surface)]
    out[np.hypot(x - middle - x_mm * _MAP, y - middle + y_mm * _MAP) < d_mm / 2 * _MAP] = light
    return out


@dataclass(frozen=True)
class View:
    px_per_mm: float = 45.0
    size: int = 640
    turn_deg: float = 0.0
    tilt_deg: float = 0.0
    towards_deg: float = 0.0
    gain: float = 1.0
    shade: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.8
    noise: float = 0.006
    exponent: float = 2.2


def to_mm(v: View) -> Array:
    """Return pixels to mm about the rim's centre, y up: what a measurement would have found."""
    t, w = np.radians([v.tilt_deg, v.towards_deg])
    c, s = np.cos(w), np.sin(w)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
    distance = 90.0
    r = turn @ np.array([[np.cos(t), 0, 0], [0, 1, 0], [-np.sin(t), 0, 1]]) @ turn.T
    middle = (v.size - 1) / 2
    f = v.px_per_mm * distance
    k = np.array([[f, 0, middle], [0, -f, middle], [0, 0, 1]])
    h = k @ np.column_stack([r[:, 0], r[:, 1], [0, 0, distance]])
    return np.asarray(np.linalg.inv(h / h[2, 2]))


def shoot(surface: Array, v: View, seed: int) -> Array:
    """Return a photo, (size, size, 3) uint8."""
    a = np.radians(v.turn_deg)
    c, s = np.cos(a), np.sin(a)
    # Picture's mm to the part's own: turned back.
    own = np.array([[c, s, 0], [-s, c, 0], [0, 0, 1.0]])
    middle = (len(surface) - 1) / 2
    grid = np.array([[_MAP, 0, middle], [0, -_MAP, middle], [0, 0, 1.0]])
    full = grid @ own @ to_mm(v)
    seen = cv2.warpPerspective(
        surface.astype(np.float32),
        full,
        (v.size, v.size),
        flags=cv2.INTER_AREA | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    y, x = np.mgrid[0 : v.size, 0 : v.size] / v.size - 0.5
    light = seen * v.gain * (1 + v.shade[0] * x + v.shade[1] * y)
    light = gaussian_filter(light, v.blur_px)
    light = light + np.random.default_rng(seed).normal(0, v.noise, light.shape)
    stored = np.clip(light, 0, 1) ** (1 / v.exponent)
    return np.repeat(np.rint(255 * stored).astype(np.uint8)[..., None], 3, axis=2)
