"""Faces for the tests of the photo measurement: ideal edges, area-sampled."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

RIM_MM = 8.0


def face(
    *,
    size: int = 420,
    px_per_mm: float = 42.0,
    hole_mm: float = 2.2,
    off_mm: tuple[float, float] = (0.0, 0.0),
    lobes: tuple[tuple[int, float, float], ...] = (),
    nick: tuple[float, float, float] | None = None,
    tilt_deg: float = 0.0,
    blur_px: float = 0.9,
    noise: float = 0.004,
    gamma: float = 2.2,
    face_light: float = 0.42,
    hole_light: float = 0.01,
    back_light: float = 0.05,
    seed: int = 1,
    over: int = 5,
) -> NDArray[np.uint8]:
    """Return a face without perspective, tilted about the vertical axis; y up in `off_mm`."""
    rng = np.random.default_rng(seed)
    at = (np.arange(size * over) + 0.5) / over - 0.5 - (size - 1) / 2
    x = at[None, :] / px_per_mm / math.cos(math.radians(tilt_deg))
    y = -at[:, None] / px_per_mm
    rho = np.hypot(x, y)
    dx, dy = x - off_mm[0], y - off_mm[1]
    turn = np.arctan2(dy, dx)
    edge = np.full(turn.shape, hole_mm / 2)
    for waves, amplitude, phase in lobes:
        edge += amplitude * np.cos(waves * (turn - math.radians(phase)))
    if nick is not None:
        angle, depth, width = nick
        along = ((np.degrees(turn) - angle + 180) % 360 - 180) * math.pi / 180 * hole_mm / 2
        edge += np.where(np.abs(along) < width, depth * np.cos(math.pi * along / 2 / width) ** 2, 0)
    light = np.where(rho < RIM_MM / 2, face_light, back_light)
    light = np.where(np.hypot(dx, dy) < edge, hole_light, light).astype(np.float32)
    light = cv2.resize(light, (size, size), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), blur_px)
    light = light + rng.normal(0, noise, light.shape) * np.sqrt(np.clip(light, 0.02, 1))
    tone = np.clip(light, 0, 1) ** (1 / gamma)
    return np.asarray(np.rint(tone[..., None] * np.array([255, 215, 185])), np.uint8)
