"""What the surfaces look like in linear light: lathe marks, cast grain, benches and gloves."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.specimen.scene import Scene

Field = NDArray[np.float32]


def grain(rng: np.random.Generator, shape: tuple[int, int], sizes: tuple[float, ...]) -> Field:
    """Return smooth noise of mean 0 and sd about 1, summed over grain sizes in pixels."""
    h, w = shape
    total = np.zeros(shape, np.float32)
    for size in sizes:
        small = (max(2, math.ceil(h / size) + 1), max(2, math.ceil(w / size) + 1))
        seed = rng.standard_normal(small, dtype=np.float32)
        total += cv2.resize(seed, (w, h), interpolation=cv2.INTER_CUBIC)
    return np.asarray(total * np.float32(1.25 / math.sqrt(len(sizes))))


def lathe(rng: np.random.Generator, rho_px: Field) -> Field:
    """Return turning marks: noise of mean 0 and sd about 1 along the radius."""
    most = int(rho_px.max()) + 4
    marks = rng.standard_normal(most)
    marks = np.convolve(marks, np.exp(-0.5 * (np.arange(-6, 7) / 1.3) ** 2), mode="same")
    feed = np.sin(np.arange(most) * (2 * math.pi / rng.uniform(5, 14)) + rng.uniform(0, 7))
    marks = (marks / marks.std() + 0.7 * feed) / 1.22
    low = rho_px.astype(np.int32)
    part = rho_px - low
    table = marks.astype(np.float32)
    return np.asarray(table[low] * (1 - part) + table[low + 1] * part)


def scratches(rng: np.random.Generator, shape: tuple[int, int], count: int) -> Field:
    """Return thin straight scratches, 0 to 1."""
    h, w = shape
    drawn = np.zeros(shape, np.uint8)
    for _ in range(count):
        x, y = rng.uniform(0, w), rng.uniform(0, h)
        angle, length = rng.uniform(0, math.pi), rng.uniform(0.03, 0.25) * max(h, w)
        end = (int(x + length * math.cos(angle)), int(y + length * math.sin(angle)))
        cv2.line(drawn, (int(x), int(y)), end, int(rng.integers(60, 255)), 1, cv2.LINE_AA)
    return np.asarray(drawn.astype(np.float32) / 255)


def with_the_part(scene: Scene, of: Field) -> Field:
    """Return a field of the face turned about the rim's centre as the part is."""
    if not scene.turn_deg:
        return of
    h, w = of.shape
    centre = ((w - 1) / 2 + scene.aim_px[0], (h - 1) / 2 + scene.aim_px[1])
    turn = cv2.getRotationMatrix2D(centre, scene.turn_deg, 1.0)
    return np.asarray(cv2.warpAffine(of, turn, (w, h), borderMode=cv2.BORDER_REFLECT), np.float32)


def face(scene: Scene, rng: np.random.Generator, rho: Field, around: Field) -> Field:
    """Return the face's light at each pixel.

    Parameters
    ----------
    rho, around : (h, w) float arrays
        Polar coordinates of each pixel's point on the face, in mm and radians.
    """
    t = np.float32(scene.texture)
    shape = (rho.shape[0], rho.shape[1])
    marks = lathe(rng, np.minimum(rho, scene.rim_mm) * np.float32(scene.px_per_mm))
    # A turned face throws light back in two opposite fans.
    fan = np.cos(2 * (around - math.radians(scene.light_from_deg - scene.turn_deg)))
    light = 1 + t * (0.05 * marks * (1 + 0.5 * fan) + 0.12 * fan)
    own = 0.05 * grain(rng, shape, (2.5, 6.0, 15.0)) + 0.08 * grain(rng, shape, (60.0, 150.0))
    own -= 0.25 * scratches(rng, shape, int(25 * scene.texture))
    light += t * with_the_part(scene, own)
    return np.asarray(scene.face_light * np.clip(light, 0.1, 2.0))


def sootiness(scene: Scene, beyond: Field, rng: np.random.Generator) -> Field:
    """Return the share of light that soot leaves, at distances (mm) beyond the hole's edge."""
    reach = np.float32(0.6 * scene.hole_mm)
    shape = (beyond.shape[0], beyond.shape[1])
    patchy = 1 + 0.3 * with_the_part(scene, grain(rng, shape, (20.0, 70.0)))
    return np.asarray(1 - scene.soot * np.exp(-np.clip(beyond, 0, None) / reach) * patchy).clip(
        0.05
    )


def falling_light(scene: Scene) -> Field:
    """Return the light's share over the picture: uneven, and darker at the corners."""
    y, x = np.mgrid[0 : scene.height, 0 : scene.width].astype(np.float32)
    x = (x - scene.width / 2) / max(scene.width, scene.height) * 2
    y = (scene.height / 2 - y) / max(scene.width, scene.height) * 2
    a = math.radians(scene.light_from_deg)
    tilted = 1 + scene.light_fall / 2 * (math.cos(a) * x + math.sin(a) * y)
    return np.asarray((tilted * (1 - 0.08 * (x * x + y * y))).clip(0.02), np.float32)


def background(scene: Scene, rng: np.random.Generator) -> Field:
    """Return what lies behind the part."""
    shape = (scene.height, scene.width)
    y, x = np.mgrid[0 : scene.height, 0 : scene.width].astype(np.float32)
    if scene.background == "bench":
        fine = rng.standard_normal(shape, dtype=np.float32)
        brushed = np.asarray(cv2.GaussianBlur(fine, (0, 0), sigmaX=25, sigmaY=0.8), np.float32)
        brushed = brushed / max(float(brushed.std()), 1e-6)
        return np.asarray(
            (0.16 + 0.02 * brushed + 0.03 * grain(rng, shape, (120.0, 300.0))).clip(0.01)
        )
    if scene.background == "cloth":
        pitch = max(4.0, 0.12 * scene.px_per_mm)
        bent = 0.6 * grain(rng, shape, (80.0,))
        weave = np.sin(x * (2 * math.pi / pitch) + bent) * np.sin(y * (2 * math.pi / pitch) - bent)
        return np.asarray((0.3 + 0.07 * weave + 0.05 * grain(rng, shape, (9.0, 150.0))).clip(0.01))
    folds = np.abs(grain(rng, shape, (40.0, 130.0)))
    return np.asarray((0.03 + 0.05 * folds + 0.01 * grain(rng, shape, (3.0,))).clip(0.004))
