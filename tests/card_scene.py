"""Pictures of our photo card with everything known: drawn by itself, from the card's geometry."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter

from pitwise.measure.photo.card_layout import (
    NOMINAL_REFLECTANCES,
    Card,
    marker_cells,
    outward,
)
from pitwise.measure.photo.plane import Lens, apply_homography

Array = np.ndarray


@dataclass(frozen=True)
class Scene:
    """How the card is photographed; lengths in mm, the card's middle in the picture's middle."""

    card: Card
    size: int = 900
    px_per_mm: float = 30.0
    tilt_deg: float = 6.0
    towards_deg: float = 25.0
    turn_deg: float = 8.0
    distance_mm: float = 70.0
    blur_px: float = 0.9
    noise: float = 0.004
    exponent: float = 2.2
    shading: tuple[float, float] = (0.0, 0.0)
    k1: float = 0.0
    spread_mm: float = 0.0
    bend_mm: float = 0.0
    stretch: tuple[float, float] = (1.0, 1.0)
    greys: tuple[float, ...] = NOMINAL_REFLECTANCES


def homography(s: Scene) -> Array:
    """Return card mm to straight-lens pixels of a pinhole camera."""
    t, w, g = np.radians([s.tilt_deg, s.towards_deg, s.turn_deg])

    def rot(a: float) -> Array:
        return np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])

    lean = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
    r = rot(w) @ lean @ rot(-w) @ rot(g)
    f = s.px_per_mm * s.distance_mm
    middle = (s.size - 1) / 2
    k = np.array([[f, 0, middle], [0, f, middle], [0, 0, 1]])
    h = k @ np.column_stack([r[:, 0], r[:, 1], [0, 0, s.distance_mm]])
    return np.asarray(h / h[2, 2])


def lens(s: Scene) -> Lens:
    return Lens(((s.size - 1) / 2,) * 2, s.size / np.sqrt(2), (s.k1,) if s.k1 else ())


def to_px(s: Scene, mm: Array) -> Array:
    """Return where places of the drawn card are seen (spread aside, bend included)."""
    mm = np.asarray(mm, float) * s.stretch
    if s.bend_mm:
        # A cylinder: the edges stand nearer to the camera by `bend_mm`.
        z = s.bend_mm * (mm[..., :1] / (s.card.side_mm / 2)) ** 2
        mm = mm * (1 + z / (s.distance_mm - z))
    return lens(s).seen(apply_homography(homography(s), mm))


def render(s: Scene, seed: int = 1, paint: Callable[[Array], Array] | None = None) -> Array:
    """Return the picture, (size, size, 3) uint8. `paint` maps mm in the window to light."""
    assert not (s.bend_mm and paint)
    y, x = np.mgrid[0 : s.size, 0 : s.size].astype(float)
    inverse = np.linalg.inv(homography(s))

    def back(px: Array) -> Array:
        flat = mm = apply_homography(inverse, lens(s).straight(px)) / s.stretch
        for _ in range(3 if s.bend_mm else 0):
            z = s.bend_mm * (mm[..., :1] / (s.card.side_mm / 2)) ** 2
            mm = flat / (1 + z / (s.distance_mm - z))
        return mm

    mm = back(np.stack([x, y], axis=-1))
    light = np.where(np.abs(mm).max(axis=-1) < s.card.side_mm / 2, 0.85, 0.12)
    inside = np.hypot(*np.moveaxis(mm, -1, 0)) < s.card.window_mm / 2
    light[inside] = 0.3 if paint is None else paint(mm)[inside]
    half, cell = s.card.marker_mm / 2 + s.spread_mm, s.card.cell_mm
    shapes: list[tuple[float, float, float, Array | float]] = [
        (cx, cy, half, marker_cells(n)) for n, (cx, cy) in s.card.centres.items()
    ]
    shapes += [(px, py, s.card.patch_mm / 2, s.greys[step]) for px, py, step in s.card.patches]
    fine = (np.arange(4) + 0.5) / 4 - 0.5
    for cx, cy, reach, ink in shapes:
        square = outward() * (reach + 0.05)
        corners = to_px(s, square + np.array([cx, cy]))
        low = np.maximum(np.floor(corners.min(axis=0)).astype(int) - 1, 0)
        high = np.minimum(np.ceil(corners.max(axis=0)).astype(int) + 2, s.size)
        if np.any(high <= low):
            continue
        gy, gx = np.mgrid[low[1] : high[1], low[0] : high[0]].astype(float)
        total = np.zeros(gx.shape)
        for dy in fine:
            for dx in fine:
                at = back(np.stack([gx + dx, gy + dy], axis=-1)) - (cx, cy)
                on = np.abs(at).max(axis=-1) < reach
                if isinstance(ink, float):
                    part = np.where(on, ink, 0.85)
                else:
                    index = np.clip(np.floor(at / cell + 3.5).astype(int), 0, 6)
                    part = np.where(on & ink[index[..., 1], index[..., 0]], 0.045, 0.85)
                total += part / 16
        keep = np.abs(mm[low[1] : high[1], low[0] : high[0]] - (cx, cy)).max(axis=-1) < reach + 0.05
        light[low[1] : high[1], low[0] : high[0]][keep] = total[keep]
    slope = 1 + (s.shading[0] * (x / s.size - 0.5) + s.shading[1] * (y / s.size - 0.5))
    rng = np.random.default_rng(seed)
    light = gaussian_filter(light * slope * 0.95, s.blur_px)
    light = light + rng.normal(0, s.noise, light.shape)
    stored = np.clip(light, 0, 1) ** (1 / s.exponent)
    return np.repeat(np.rint(255 * stored).astype(np.uint8)[..., None], 3, axis=2)
