"""Draw a scene: exact coverage of every edge, a lens's blur, a camera's noise and tone.

Away from edges the light of a pixel is drawn once; in tiles that an edge crosses it is drawn
at `OVER` x `OVER` points a pixel, each with its coverage from the analytic curve, so that an
edge lies where the truth says to a few thousandths of a pixel.
"""

from __future__ import annotations

import io
import math

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from pitwise.measure.specimen.dirt import lay_dirt
from pitwise.measure.specimen.layers import Layers
from pitwise.measure.specimen.scene import Ground, Scene
from pitwise.measure.specimen.truth import Truth, truth_of

OVER = 4
READ_SHARE = 0.15
_TILE = 48
# Red, green, blue of worn copper, of what lies behind, and of steel, soot and slag.
_TINTS = np.array([[1.0, 0.66, 0.47], [0.95, 1.0, 1.05], [1.0, 0.98, 0.94]], np.float32)
_GREEN_LIFT = np.float32(1.3)


def render(
    scene: Scene, seed: int, *, noise_seed: int | None = None, ground: Ground | None = None
) -> tuple[NDArray[np.uint8], Truth]:
    """Return a picture (h, w, 3) of a scene and what is true of it.

    Parameters
    ----------
    scene : Scene
    seed : int
        Chooses surface, dirt and noise; the same seed gives the same bytes.
    noise_seed : int, optional
        Another seed for the noise alone: the same specimen photographed again.
    ground : Ground, optional
        A flat sheet in the plane of the face, in place of the background where it reaches.
    """
    light, truth = exposure(scene, seed, ground=ground)
    return develop(light, scene, seed if noise_seed is None else noise_seed), truth


def exposure(
    scene: Scene, seed: int, *, ground: Ground | None = None
) -> tuple[NDArray[np.float32], Truth]:
    """Return the linear light (h, w, 3) that falls on the camera, no noise; 1 is full white."""
    rng = np.random.default_rng([seed, 1])
    dirt = lay_dirt(scene, np.random.default_rng([seed, 2]))
    truth = truth_of(scene, dirt.drops, dirt.glares)
    layers = Layers.of(scene, rng, dirt, ground)
    groups = _blurred(scene, layers, truth)
    tints = _TINTS.copy()
    tints[0] *= _GREEN_LIFT * np.float32(0.9)
    h, w = groups.shape[:2]
    rgb = (groups.reshape(-1, 3) @ tints).reshape(h, w, 3)
    rgb += dirt.glow[..., None]
    return np.asarray(rgb, np.float32), truth


def _blurred(scene: Scene, layers: Layers, truth: Truth) -> NDArray[np.float32]:
    x, y = np.arange(scene.width), np.arange(scene.height)
    plain = layers.compose(x.astype(np.float64), y.astype(np.float64), 1)
    if scene.blur_px > 0:
        plain = _soft(plain, scene.blur_px)
    pad = math.ceil(4 * scene.blur_px) + 1
    for left, top in sorted(layers.edge_tiles(truth, _TILE, pad)):
        x0, x1 = max(left - pad, 0), min(left + _TILE + pad, scene.width)
        y0, y1 = max(top - pad, 0), min(top + _TILE + pad, scene.height)
        fine_x = x0 - 0.5 + (np.arange((x1 - x0) * OVER) + 0.5) / OVER
        fine_y = y0 - 0.5 + (np.arange((y1 - y0) * OVER) + 0.5) / OVER
        fine = layers.compose(fine_x, fine_y, OVER)
        if scene.blur_px > 0:
            fine = _soft(fine, scene.blur_px * OVER)
        coarse = cv2.resize(fine, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
        right, bottom = min(left + _TILE, scene.width), min(top + _TILE, scene.height)
        plain[top:bottom, left:right] = coarse[top - y0 : bottom - y0, left - x0 : right - x0]
    return np.asarray(plain)


def _soft(light: NDArray[np.float32], sd: float) -> NDArray[np.float32]:
    size = 2 * math.ceil(5 * sd) + 1
    return np.asarray(
        cv2.GaussianBlur(light, (size, size), sd, borderType=cv2.BORDER_REPLICATE), np.float32
    )


def develop(light: NDArray[np.float32], scene: Scene, seed: int) -> NDArray[np.uint8]:
    """Return the picture (h, w, 3) that a camera makes of linear light."""
    rng = np.random.default_rng([seed, 3])
    if scene.noise > 0:
        light = light + noise_sd(light, scene) * rng.standard_normal(light.shape, np.float32)
    toned = np.clip(light, 0.0, 1.0) ** np.float32(1 / scene.gamma)
    if scene.sharpen:
        toned = np.clip(toned + np.float32(scene.sharpen) * (toned - _soft(toned, 1.0)), 0.0, 1.0)
    levels = np.asarray(np.rint(toned * 255), np.uint8)
    if scene.jpeg_quality is None:
        return levels
    kept = io.BytesIO()
    Image.fromarray(levels).save(kept, "JPEG", quality=scene.jpeg_quality)
    return np.asarray(Image.open(kept).convert("RGB"))


def noise_sd(light: NDArray[np.float32], scene: Scene) -> NDArray[np.float32]:
    """Return the noise's standard deviation in linear light: shot noise and read noise."""
    shot = np.clip(light, 0.0, 1.0)
    return np.asarray(scene.noise * np.sqrt(shot + np.float32(READ_SHARE**2)))
