"""Glare and spatter, laid on a scene by a seed."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.specimen.camera import Camera
from pitwise.measure.specimen.curve import Curve
from pitwise.measure.specimen.scene import Scene

Floats = NDArray[np.float64]

# A glare's light is `peak * exp(-(d / size)^4)`; beyond this many sizes it is no longer white.
_PEAK = 4.0


@dataclass(frozen=True)
class Dirt:
    """Drops and glares: (k, 3) x, y, radius in pixels; the glares' light over the picture.

    ``lobes`` holds amplitude (share of the radius) and phase of each drop's three waves.
    """

    drops: Floats
    lobes: Floats
    shine: Floats
    glares: Floats
    glow: NDArray[np.float32]


def lay_dirt(scene: Scene, rng: np.random.Generator) -> Dirt:
    """Return the dirt of a scene."""
    camera = Camera(scene)
    drops, glares = [], []
    for on_edge, count in ((False, scene.spatter), (True, scene.spatter_on_edge)):
        for _ in range(count):
            radius = scene.hole_mm * rng.uniform(0.04, 0.14)
            at = _place(scene, rng, on_edge, radius)
            (x, y) = camera.project(np.array([at]))[0]
            drops.append((x, y, radius * scene.px_per_mm))
    for on_edge, count in ((False, scene.glare), (True, scene.glare_on_edge)):
        for _ in range(count):
            radius = scene.hole_mm * rng.uniform(0.1, 0.3)
            at = _place(scene, rng, on_edge, radius)
            (x, y) = camera.project(np.array([at]))[0]
            glares.append((x, y, radius * scene.px_per_mm))
    glow = np.zeros((scene.height, scene.width), np.float32)
    white = []
    for x, y, size in glares:
        # Long across the light, as a turned face throws it.
        stretch, lean = rng.uniform(1.0, 1.8), rng.uniform(0, math.pi)
        reach = math.ceil(1.8 * size * stretch)
        x0, x1 = max(int(x) - reach, 0), min(int(x) + reach + 1, scene.width)
        y0, y1 = max(int(y) - reach, 0), min(int(y) + reach + 1, scene.height)
        if x0 < x1 and y0 < y1:
            gx, gy = np.meshgrid(np.arange(x0, x1) - x, np.arange(y0, y1) - y)
            along = (gx * math.cos(lean) + gy * math.sin(lean)) / stretch
            across = -gx * math.sin(lean) + gy * math.cos(lean)
            far = (along**2 + across**2) / size**2
            glow[y0:y1, x0:x1] += (_PEAK * np.exp(-(far**2))).astype(np.float32)
        # The circle about it outside which it adds under a thousandth of full white.
        white.append((x, y, size * stretch * math.log(_PEAK * 1000) ** 0.25))
    return Dirt(
        drops=np.array(drops).reshape(-1, 3),
        lobes=rng.uniform((-0.12, 0.0), (0.12, 2 * math.pi), (len(drops), 3, 2)),
        shine=rng.uniform(0.1, 0.8, len(drops)),
        glares=np.array(white).reshape(-1, 3),
        glow=glow,
    )


def _place(
    scene: Scene, rng: np.random.Generator, on_edge: bool, radius_mm: float
) -> tuple[float, float]:
    cx, cy = scene.off_centre_mm
    angle = rng.uniform(0, 2 * math.pi)
    if on_edge:
        r = float(Curve.of(scene).r(np.array([angle]))[0]) + radius_mm * rng.uniform(-0.6, 0.6)
    else:
        least = scene.hole_mm / 2 + 2.2 * radius_mm
        r = max(least, float(rng.uniform(least, max(least, scene.rim_mm / 2 - radius_mm))))
    return cx + r * math.cos(angle), cy + r * math.sin(angle)
