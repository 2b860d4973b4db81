"""The front edge of the hole, among the edges of its bevel and of the bore behind it.

Every ray keeps its edges with the step of light across each. Closed curves of few harmonics are
sought that pass through one edge of most rays (random sampling with fixed draws); the front edge
is the widest of those that are well seen. Then a closed path follows the edge outward from
that curve, into nicks; inward it never goes, so that spatter is not taken for the edge.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.hole import Outline
from pitwise.measure.photo.seek import closed_path

Array = NDArray[np.float64]

_STEP = 0.5
_SOFT = 1.2
_FUZZY = 3.0
_KEPT = 6
_TRIALS = 2500
# A step of light counts in full from this share of the hole's own contrast on.
_FULL_STEP = 0.3
# How well a bevel's outer edge must be seen to be the front edge, and its greatest width.
_FRONT = 0.5
_WIDEST_BEVEL_MM = 0.3
_HARMONICS = 6
# An edge nearer to the emitter's than this is not told from it, px.
_CLEAR_PX = 3.0


@dataclass(frozen=True)
class Front:
    """The reference curve of the front edge.

    Attributes
    ----------
    centre : (2,) array
        On the face, face pixels.
    smooth, radius : (n,) arrays
        The curve of few harmonics, and the same with the path into nicks.
    seen : float
        Share of the rays that have an edge on the smooth curve, weighed by its step.
    bevel : float
        How far outside of the best-seen curve the front edge lies, px; 0: it is that curve.
    contrast : float
        Step of light at the front edge, median, over the light outside.
    """

    centre: Array
    smooth: Array
    radius: Array
    seen: float
    bevel: float
    contrast: float


@dataclass(frozen=True)
class _Rays:
    angle: Array
    radii: Array
    light: Array
    flow: Array
    white: NDArray[np.bool_]


def _sample(
    frame: Frame, face: Face, centre: Array, radii: Array, count: int, soft: float
) -> _Rays:
    """Unroll the hole's surroundings in linear light, with the derivative along the rays."""
    angle = np.arange(count, dtype=np.float64) * (2 * math.pi / count)
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    reach = float(radii[-1]) + 4
    cx, cy = face.plane.to_px(centre[:1], centre[1:])
    h, w = frame.grey.shape
    x0, x1 = max(int(cx[0] - reach), 0), min(int(cx[0] + reach) + 2, w)
    y0, y1 = max(int(cy[0] - reach), 0), min(int(cy[0] + reach) + 2, h)
    part = frame.tone.to_linear(np.clip(frame.grey[y0:y1, x0:x1], 0, 1))
    white = frame.white[y0:y1, x0:x1].astype(np.float32)
    total = np.zeros((count, radii.size))
    bright = np.zeros((count, radii.size), np.float32)
    spread = (-1.4, 0.0, 1.4)
    for side in spread:
        fx = centre[0] + radii * cos - side * sin
        fy = centre[1] + radii * sin + side * cos
        px, py = face.plane.to_px(fx, fy)
        mx, my = (px - x0).astype(np.float32), (py - y0).astype(np.float32)
        total += cv2.remap(part, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        np.maximum(
            bright,
            cv2.remap(white, mx, my, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
            out=bright,
        )
    total /= len(spread)
    # Derivative of a Gaussian along the ray, scaled so that a step's peak is its height.
    s = soft / _STEP
    k = np.arange(-int(4 * s), int(4 * s) + 1)
    kernel = k / s * np.exp(-0.5 * (k / s) ** 2)
    kernel /= np.sum(np.abs(kernel)) / 2
    flow = np.asarray(
        cv2.filter2D(total, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    )
    grown = cv2.dilate((bright > 0.02).astype(np.uint8), np.ones((5, 9), np.uint8)) > 0
    return _Rays(angle, radii, total, np.where(grown, 0.0, flow), grown)


def _edges(rays: _Rays, floor: float) -> tuple[Array, Array]:
    """Return radii and signed steps of up to `_KEPT` edges of each ray; step 0 for none."""
    size = np.abs(rays.flow)
    top = np.zeros(size.shape, bool)
    top[:, 1:-1] = (
        (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:]) & (size[:, 1:-1] > floor)
    )
    strength = np.where(top, size, 0.0)
    order = np.argsort(-strength, 1)[:, :_KEPT]
    rows = np.arange(size.shape[0])[:, None]
    k = np.clip(order, 1, size.shape[1] - 2)
    left, mid, right = size[rows, k - 1], size[rows, k], size[rows, k + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.minimum(bend, -1e-12), 0.0)
    place = rays.radii[k] + np.clip(shift, -0.5, 0.5) * _STEP
    return place, np.where(strength[rows, order] > 0, rays.flow[rows, order], 0.0)


def basis(angle: Array, harmonics: int) -> Array:
    """Return 1, cos θ, sin θ, cos 2θ, … as columns."""
    columns = [np.ones_like(angle)]
    for m in range(1, harmonics + 1):
        columns += [np.cos(m * angle), np.sin(m * angle)]
    return np.column_stack(columns)


def find_front(
    frame: Frame,
    face: Face,
    outline: Outline,
    *,
    fuzzy: bool = False,
    reach: Callable[[Array, Array], Array] | None = None,
) -> Front | None:
    """Return the front edge near an outline, or None where no closed curve is seen."""
    r0 = float(np.median(outline.radius))
    centre = outline.centre
    widest = float(outline.radius.max())
    out = max(1.35 * r0, widest + 0.45 * face.plane.px_per_mm, r0 + 12)
    radii = np.arange(max(0.45 * r0, 2.0), out, _STEP)
    count = int(np.clip(2 * math.pi * r0 / 1.5, 120, 420))
    rays = _sample(frame, face, centre, radii, count, _FUZZY if fuzzy else _SOFT)
    outside = float(np.median(rays.light[:, radii > 1.15 * r0]))
    step = outline.contrast * outside
    if step <= 0:
        return None
    place, steps = _edges(rays, 0.06 * step)
    worth = np.clip(np.abs(steps) / (_FULL_STEP * step), 0, 1) * np.where(
        steps > 0, 1.0, 0.0 if fuzzy else 0.8
    )
    if reach is not None:
        # A pit ends where the emitter does, at the latest: what lies beyond is no edge of it.
        worth *= place < (reach(centre, rays.angle) - _CLEAR_PX)[:, None]
    models = _models(rays.angle, place, worth, r0)
    # The path of the reduced picture follows lobes that few harmonics do not.
    grid = np.interp(
        rays.angle,
        np.arange(outline.radius.size + 1) * (2 * math.pi / outline.radius.size),
        np.append(outline.radius, outline.radius[0]),
    )
    finished = []
    for model, gate in [*((m, 3.0) for m in models), (grid, 4.0)]:
        smooth, seen = _settle(rays.angle, place, worth, model, gate)
        if smooth is not None:
            finished.append((seen, smooth))
    if not finished:
        return None
    seen, smooth = max(finished, key=lambda pair: pair[0])
    bevel = 0.0
    if not fuzzy:
        # A bevel's outer edge runs outside of the best-seen curve all around, apart from it.
        free = np.where(place > smooth[:, None] + 1.2, worth, 0.0)
        for model in _models(rays.angle, place, free, r0):
            outer, well = _settle(rays.angle, place, free, model)
            if outer is None or well < _FRONT:
                continue
            gap = outer - smooth
            if (
                float(gap.min()) > 1.0
                and float(np.ptp(gap)) < 0.6 * float(gap.mean()) + 2.0
                and float(gap.mean()) < _WIDEST_BEVEL_MM * face.plane.px_per_mm
                and float(gap.mean()) > bevel
            ):
                bevel, seen, smooth = float(gap.mean()), well, outer
    return _follow(rays, centre, smooth, seen, bevel, step, outside)


def _models(angle: Array, place: Array, worth: Array, r0: float) -> list[Array]:
    rng = np.random.default_rng(20251)
    n = angle.size
    rays = (np.arange(5) * (n // 5))[None, :] + rng.integers(0, n // 5, (_TRIALS, 5))
    total = np.cumsum(worth + 1e-9, 1)
    pick = np.sum(
        rng.random((_TRIALS, 5))[..., None] * total[rays][..., -1:] > total[rays], -1
    ).clip(0, place.shape[1] - 1)
    columns = basis(angle, 2)
    aims = place[rays, pick]
    coefficients = np.linalg.solve(columns[rays], aims[..., None])[..., 0]
    sane = (
        (coefficients[:, 0] > 0.5 * r0)
        & (coefficients[:, 0] < 1.5 * r0)
        & (np.hypot(coefficients[:, 1], coefficients[:, 2]) < 0.3 * r0)
        & (np.hypot(coefficients[:, 3], coefficients[:, 4]) < 0.2 * r0)
        & np.all(worth[rays, pick] > 0, 1)
    )
    coefficients = coefficients[sane]
    if not len(coefficients):
        return []
    sample = np.arange(0, n, 2)
    curves = coefficients @ columns[sample].T
    score = np.zeros(curves.shape)
    tolerance = 1.5 + 0.01 * r0
    for j in range(place.shape[1]):
        near = 1 - ((curves - place[sample, j]) / tolerance) ** 2
        score = np.maximum(score, worth[sample, j] * np.clip(near, 0, None))
    level = score.mean(1)
    picked: list[Array] = []
    for k in np.argsort(-level)[:300]:
        if level[k] < 0.25 or len(picked) >= 8:
            break
        curve = columns @ coefficients[k]
        if all(float(np.max(np.abs(curve - c))) > 2.0 for c in picked):
            picked.append(curve)
    return picked


def _settle(
    angle: Array, place: Array, worth: Array, curve: Array, gate: float = 3.0
) -> tuple[Array | None, float]:
    """Fit more harmonics to the edges near a curve; return the curve and how well it is seen."""
    rows = np.arange(angle.size)
    for harmonics, near in ((4, gate), (_HARMONICS, gate), (_HARMONICS, 2.0), (_HARMONICS, 1.5)):
        gap = np.abs(place - curve[:, None]) + np.where(worth > 0, 0.0, 1e6)
        pick = np.argmin(gap - 0.5 * worth, 1)
        w = worth[rows, pick] * np.clip(1 - (gap[rows, pick] / near) ** 2, 0, None) ** 2
        if np.count_nonzero(w > 0.01) < 0.35 * angle.size:
            return None, 0.0
        columns = basis(angle, harmonics)
        # A light ridge on the higher waves keeps them calm where the edge is hidden.
        ridge = np.diag(0.02 * np.sum(w) * (np.arange(columns.shape[1]) > 4))
        normal = (columns * w[:, None]).T @ columns + ridge
        curve = columns @ np.linalg.solve(normal, columns.T @ (w * place[rows, pick]))
    gap = np.abs(place - curve[:, None])
    seen = np.max(worth * np.clip(1 - (gap / 1.5) ** 2, 0, None), 1)
    return curve, float(np.mean(seen))


def _follow(
    rays: _Rays,
    centre: Array,
    smooth: Array,
    seen: float,
    bevel: float,
    step: float,
    outside: float,
) -> Front:
    """Follow the edge outward from the smooth curve into nicks, about the curve's own centre."""
    offsets = np.arange(-2.0, float(rays.radii[-1] - smooth.max()), 1.0)
    at = (smooth[:, None] + offsets - rays.radii[0]) / _STEP
    index = np.clip(np.rint(at).astype(int), 0, rays.radii.size - 1)
    rows = np.arange(smooth.size)[:, None]
    rise = np.clip(rays.flow[rows, index], 0, None)
    gain = rise / (rise + 0.35 * step)
    plain = gain
    gain = gain * np.where(np.abs(offsets) <= 2, 1.0, 0.85)
    # Beyond an edge that is plainly there lies the face, not a nick.
    path, _ = closed_path(gain, 0.02)
    # The price of leaving the curve holds the path back: the edge itself is at the next peak.
    around = np.clip(path[:, None] + np.arange(-2, 4), 0, offsets.size - 1)
    best = around[rows[:, 0], np.argmax(plain[rows, around], 1)]
    path = np.where((offsets[path] >= 1) & (best > path), best, path)
    deep = offsets[path]
    there = gain[rows[:, 0], path] > 0.3
    # A nick is as dark as the hole; a drop of spatter at the edge is not.
    light = rays.light[rows, index]
    within = (offsets >= 1) & (offsets <= np.maximum(0.5 * deep, 1)[:, None])
    level = np.sum(light * within, 1) / np.maximum(np.sum(within, 1), 1)
    inside = np.clip(np.rint((smooth - 5 - rays.radii[0]) / _STEP).astype(int), 0, None)
    dark = float(np.median(rays.light[rows[:, 0], inside]))
    there &= level < dark + 0.5 * step
    radius = smooth + np.where((deep >= 2) & there, deep, 0.0)
    on = index[rows[:, 0], np.argmin(np.abs(offsets))]
    contrast = float(np.median(np.abs(rays.flow[rows[:, 0], on]))) / max(outside, 1e-9)
    return Front(centre, smooth, radius, seen, bevel, contrast)
