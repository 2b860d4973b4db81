"""The rim at full resolution: which of several nested edges it is, and where it lies.

About the rim lie other edges: the inner edge of its bevel, and, at a tilt, the far end of the
part's side. Each is an ellipse, and mixtures of two look like a third one. So every ray keeps all
of its edges, and ellipses are sought that pass through one edge of most rays within half a
pixel: a mixture does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.ellipse import EllipseFit, distance_from, fit_ellipses
from pitwise.measure.photo.seek import radius_towards

Array = NDArray[np.float64]

_RAYS = 360
_EDGES = 5
_TRIALS = 2500
_CLOSER = 500
_STEP = 0.5
# Blur of the rays along and across them, px, chosen on rendered faces before a like background.
_SOFT = 1.4
_LEAST_EDGE = 0.0015


@dataclass(frozen=True)
class RimFound:
    """An ellipse through the edges of `support` of the rays, to `fit.sd` px."""

    fit: EllipseFit
    support: float
    seen: float


def _rays(
    value: NDArray[np.float32], x: float, y: float, base: Array, reach: float
) -> tuple[Array, Array]:
    """Return offsets and the smoothed radial derivative (rays, steps) about a curve."""
    n = base.size
    angle = np.arange(n) * (2 * math.pi / n)
    offset = np.arange(-reach, reach + _STEP / 2, _STEP)
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    total = np.zeros((n, offset.size))
    r = base[:, None] + offset
    spread = (-4.0, -2.4, -0.8, 0.8, 2.4, 4.0)
    for side in spread:
        mx = (x + r * cos - side * sin).astype(np.float32)
        my = (y + r * sin + side * cos).astype(np.float32)
        total += cv2.remap(
            value,
            mx,
            my,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )
    total /= len(spread)
    s = _SOFT / _STEP
    k = np.arange(-int(4 * s), int(4 * s) + 1)
    kernel = k / s * np.exp(-0.5 * (k / s) ** 2)
    kernel /= np.sum(np.abs(kernel))
    bad = ~np.isfinite(total)
    filled = np.where(bad, 0.0, total)
    flow = np.asarray(
        cv2.filter2D(filled, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_REPLICATE)
    )
    near_bad = cv2.dilate(bad.astype(np.uint8), np.ones((1, k.size), np.uint8)) > 0
    flow[near_bad] = 0.0
    return np.asarray(offset), np.asarray(flow, np.float64)


def _edges(offset: Array, flow: Array) -> tuple[Array, Array]:
    """Return up to `_EDGES` edges of each ray: offsets and strengths; strength 0 for none."""
    size = np.abs(flow)
    # On a ground that is exactly even the median is nothing, and rounding is no edge.
    floor = max(2.2 * float(np.median(size)), _LEAST_EDGE)
    top = np.zeros_like(size, bool)
    top[:, 1:-1] = (
        (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:]) & (size[:, 1:-1] > floor)
    )
    strength = np.where(top, size, 0.0)
    order = np.argsort(-strength, 1)[:, :_EDGES]
    rows = np.arange(size.shape[0])[:, None]
    k = np.clip(order, 1, size.shape[1] - 2)
    left, mid, right = size[rows, k - 1], size[rows, k], size[rows, k + 1]
    bend = left - 2 * mid + right
    shift = np.where(bend < -1e-12, 0.5 * (left - right) / np.minimum(bend, -1e-12), 0.0)
    return offset[k] + np.clip(shift, -0.5, 0.5) * _STEP, strength[rows, order]


def rims_near(
    values: Sequence[NDArray[np.float32]],
    start: EllipseFit,
    *,
    share: float = 0.045,
    extra: float = 6.0,
) -> list[RimFound]:
    """Return the ellipses near a first one, the widest first.

    Parameters
    ----------
    values : sequence of (h, w) float32 arrays
        Tone values of the photo: grey, and red less blue where it has colour (copper before a
        grey bench of the same brightness).
    start : EllipseFit
        Of the reduced picture, in pixels of this one.
    share, extra : float
        How far around is looked: share of the radius, and px.
    """
    x, y = (float(v) for v in start.centre)
    angle = np.arange(_RAYS, dtype=np.float64) * (2 * math.pi / _RAYS)
    base = radius_towards(start.centre, start.shape, x, y, angle)
    if not np.all(np.isfinite(base)):
        return []
    reach = share * float(base.mean()) + extra
    edges = [_edges(*_rays(value, x, y, base, reach)) for value in values]
    place = np.hstack([at[:, : _EDGES - 2 * k] for k, (at, _) in enumerate(edges)])
    strength = np.hstack([size[:, : _EDGES - 2 * k] for k, (_, size) in enumerate(edges)])
    live = strength > 0
    if np.mean(live.any(1)) < 0.3:
        return []
    found: list[RimFound] = []
    points = np.stack(
        [
            x + (base[:, None] + place) * np.cos(angle)[:, None],
            y + (base[:, None] + place) * np.sin(angle)[:, None],
        ],
        -1,
    )
    models = _models(angle, place, strength)
    for ring in _finish(points, live, angle, models, base, (x, y)) if models else ():
        if ring is not None and all(_differ(ring, other) for other in found):
            found.append(ring)
    return sorted(found, key=lambda r: -math.prod(r.fit.axes))


def _differ(one: RimFound, other: RimFound) -> bool:
    apart = float(np.max(np.abs(one.fit.centre - other.fit.centre)))
    axes = max(abs(p - q) for p, q in zip(one.fit.axes, other.fit.axes, strict=True))
    return max(apart, axes) > 0.6


def _basis(angle: Array) -> Array:
    return np.column_stack(
        [
            np.ones_like(angle),
            np.cos(angle),
            np.sin(angle),
            np.cos(2 * angle),
            np.sin(2 * angle),
        ]
    )


def _models(angle: Array, place: Array, strength: Array) -> list[Array]:
    """Return offsets of ellipses (five harmonics) that many rays agree on, the best first."""
    rng = np.random.default_rng(20250)
    n = angle.size
    rays = (np.arange(5) * (n // 5))[None, :] + rng.integers(0, n // 5, (_TRIALS, 5))
    chance = np.sqrt(strength) + 1e-9 * (strength > 0)
    total = np.cumsum(chance, 1)
    pick = np.sum(
        rng.random((_TRIALS, 5))[..., None] * total[rays][..., -1:] > total[rays], -1
    ).clip(0, place.shape[1] - 1)
    basis = _basis(angle)
    ok = np.all(strength[rays, pick] > 0, 1)
    systems = basis[rays[ok]]
    aims = place[rays[ok], pick[ok]]
    coefficients = np.linalg.solve(systems, aims[..., None])[..., 0]
    reach = float(np.max(np.abs(place)))
    sane = (np.abs(coefficients[:, 0]) < reach) & (
        np.max(np.abs(coefficients[:, 1:]), 1) < 1.2 * reach
    )
    coefficients = coefficients[sane]
    if not len(coefficients):
        return []
    spots = np.where(strength > 0, place, np.inf)
    # A few rays tell which of them are worth a closer look.
    rough = _agreed(coefficients, basis, spots, np.arange(0, n, 8))
    order = np.argsort(-rough)[:_CLOSER]
    coefficients = coefficients[order]
    score = _agreed(coefficients, basis, spots, np.arange(0, n, 2))
    picked: list[Array] = []
    for k in np.argsort(-score)[:200]:
        if score[k] < 0.25 or len(picked) >= 10:
            break
        if all(float(np.max(np.abs((coefficients[k] - c) @ basis.T))) > 1.5 for c in picked):
            picked.append(coefficients[k])
    return picked


def _agreed(coefficients: Array, basis: Array, spots: Array, sample: NDArray[np.int64]) -> Array:
    """Return the share of some rays that have an edge on each curve."""
    curves = (coefficients @ basis[sample].T).astype(np.float32)
    best = np.full(curves.shape, np.inf, np.float32)
    for spot in spots[sample].T.astype(np.float32):
        np.minimum(best, np.abs(curves - spot), out=best)
    return np.asarray(np.mean(np.clip(1 - (best / np.float32(1.2)) ** 2, 0, None), 1), np.float64)


def _finish(
    points: Array,
    live: NDArray[np.bool_],
    angle: Array,
    models: Sequence[Array],
    base: Array,
    origin: tuple[float, float],
) -> list[RimFound | None]:
    """Fit an ellipse near each model to the nearest edge of every ray, narrowing the gate."""
    rows = np.arange(angle.size)
    expected = base + np.array(models) @ _basis(angle).T
    first = np.stack(
        [origin[0] + expected * np.cos(angle), origin[1] + expected * np.sin(angle)], -1
    )
    fits = fit_ellipses(first, np.ones(expected.shape), least_sd=0.5)
    flat = points.reshape(-1, 2)

    def gaps(fit: EllipseFit) -> Array:
        gap = np.abs(distance_from(fit.centre, fit.shape, flat)).reshape(live.shape)
        return np.where(live, gap, np.inf)

    for gate in (2.5, 1.5, 1.0):
        chosen = np.zeros(first.shape)
        weight = np.zeros(expected.shape)
        for k, fit in enumerate(fits):
            if fit is None:
                continue
            gap = gaps(fit)
            near = np.argmin(gap, 1)
            chosen[k] = points[rows, near]
            on = gap[rows, near] < gate
            if on.mean() >= 0.25:
                weight[k] = on
        fits = fit_ellipses(
            chosen,
            weight,
            start=[None if fit is None else (fit.centre, fit.shape) for fit in fits],
            least_sd=0.1,
        )
    out: list[RimFound | None] = []
    for fit in fits:
        if fit is None:
            out.append(None)
            continue
        least = gaps(fit).min(1)
        tight = float(np.mean(np.clip(1 - (least / 0.8) ** 2, 0, None)))
        out.append(RimFound(fit, tight, float(np.mean(least < 0.8))))
    return out
