"""Ellipses through edge points: direct start, geometric finish, robust to strangers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.result import Ellipse

Array = NDArray[np.float64]

# Tukey's biweight at this many standard deviations keeps 95 % efficiency (Huber & Ronchetti 2009,
# from memory).
_TUKEY = 4.685
_TO_SD = 1.4826
_FEWEST = 8
# A centre that moves by less has settled.
_SETTLED_PX = 1e-4


@dataclass(frozen=True)
class EllipseFit:
    """An ellipse |A (p − c)| = 1 with A symmetric, and how well the points lie on it.

    Attributes
    ----------
    centre : (2,) array
    shape : (2, 2) array
        A, in 1/px.
    distance : (n,) array
        Of each point from it along the normal, px, positive outside.
    weight : (n,) array
        Weights of the robust fit, 0 for strangers.
    sd : float
        Scatter of the points that lie on it, px.
    """

    centre: Array
    shape: Array
    distance: Array
    weight: Array
    sd: float

    @property
    def axes(self) -> tuple[float, float]:
        """Return the semi-axes a ≥ b, px."""
        (p, q), (_, r) = self.shape.tolist()
        mean, spread = 0.5 * (p + r), math.hypot(0.5 * (p - r), q)
        return 1.0 / (mean - spread), 1.0 / (mean + spread)

    def ellipse(self) -> Ellipse:
        """Return it as plain numbers."""
        values, vectors = np.linalg.eigh(self.shape)
        major = vectors[:, 0]
        angle = math.degrees(math.atan2(-major[1], major[0])) % 180.0
        return Ellipse(
            float(self.centre[0]),
            float(self.centre[1]),
            1.0 / float(values[0]),
            1.0 / float(values[1]),
            angle,
        )


def distance_from(centre: Array, shape: Array, points: Array) -> Array:
    """Return the distances of points from an ellipse along its normals, px, outside positive.

    First order in the distance: (|A d| − 1) / |∇|A d||.
    """
    q = (points - centre) @ shape
    size = np.maximum(np.hypot(q[:, 0], q[:, 1]), 1e-12)
    slope = (q @ shape) / size[:, None]
    return np.asarray((size - 1.0) / np.hypot(slope[:, 0], slope[:, 1]))


def fit_ellipse(
    points: Array,
    weight: Array | None = None,
    *,
    start: tuple[Array, Array] | None = None,
    least_sd: float = 0.02,
    passes: int = 12,
) -> EllipseFit | None:
    """Fit an ellipse by Gauss–Newton on normal distances with Tukey weights.

    Parameters
    ----------
    points : (n, 2) array
    weight : (n,) array, optional
        Given weights, multiplied into the robust ones.
    start : (centre, shape), optional
        Else the weighted mean circle.
    least_sd : float
        Floor of the scale of the robust weights, px.
    passes : int

    Returns
    -------
    EllipseFit or None
        None where points do not settle to an ellipse.
    """
    given = np.ones(len(points)) if weight is None else np.asarray(weight, np.float64)
    return fit_ellipses(points[None], given[None], start=[start], least_sd=least_sd, passes=passes)[
        0
    ]


def fit_ellipses(
    points: Array,
    weight: Array,
    *,
    start: Sequence[tuple[Array, Array] | None] | None = None,
    least_sd: float = 0.02,
    passes: int = 12,
) -> list[EllipseFit | None]:
    """Fit many ellipses at once, as `fit_ellipse` does one.

    Parameters
    ----------
    points : (k, n, 2) array
    weight : (k, n) array
    start : sequence of k (centre, shape) or None, optional
    least_sd : float
    passes : int

    Returns
    -------
    list of k EllipseFit or None
    """
    x, y = np.ascontiguousarray(points[..., 0]), np.ascontiguousarray(points[..., 1])
    given = np.asarray(weight, np.float64)
    kept = np.count_nonzero(given > 0, 1) >= _FEWEST
    if not kept.any():
        return [None] * len(given)
    # The ellipse |A (p − c)| = 1: centre and the three entries of A.
    p = np.empty((len(given), 5))
    for k in range(len(given)):
        first = None if start is None else start[k]
        if first is not None:
            c, a = first
            p[k] = c[0], c[1], a[0, 0], a[0, 1], a[1, 1]
        elif kept[k]:
            total = float(given[k].sum())
            cx, cy = float(given[k] @ x[k]) / total, float(given[k] @ y[k]) / total
            r = float(given[k] @ np.hypot(x[k] - cx, y[k] - cy)) / total
            p[k] = cx, cy, 1 / max(r, 1e-9), 0.0, 1 / max(r, 1e-9)
    moving = np.flatnonzero(kept)
    weights = np.zeros_like(given)
    count = np.count_nonzero(given > 0, 1)
    for _ in range(passes):
        whole = moving.size == len(given)
        px, py, own = (x, y, given) if whole else (x[moving], y[moving], given[moving])
        design, distance = _design(p[moving], px, py)
        size = np.abs(distance)
        sd = np.maximum(_TO_SD * _medians(size, own, count[moving]), least_sd)
        robust = np.clip(1.0 - (distance / (_TUKEY * sd[:, None])) ** 2, 0.0, None)
        w = own * robust * robust
        weights[moving] = w
        step = _step(design, w, distance, p[moving, 2])
        p[moving] += step
        sound = (np.count_nonzero(w > 0, 1) >= _FEWEST) & _sound(p[moving])
        kept[moving[~sound]] = False
        still = sound & (np.hypot(step[:, 0], step[:, 1]) >= _SETTLED_PX)
        moving = moving[still]
        if not moving.size:
            break
    alive = np.flatnonzero(kept)
    out: list[EllipseFit | None] = [None] * len(given)
    _, distances = _design(p[alive], x[alive], y[alive])
    for k, distance in zip(alive.tolist(), distances, strict=True):
        w = weights[k]
        scatter = math.sqrt(float(w @ distance**2) / max(float(w.sum()) - 5, 1.0))
        shape = np.array([[p[k, 2], p[k, 3]], [p[k, 3], p[k, 4]]])
        out[k] = EllipseFit(p[k, :2].copy(), shape, distance, w, scatter)
    return out


def _medians(size: Array, given: Array, count: NDArray[np.int64]) -> Array:
    """Return the median of each row over the points with a weight."""
    live = given > 0
    ranked = np.sort(size if live.all() else np.where(live, size, np.inf), 1)
    rows = np.arange(len(size))
    return np.asarray(0.5 * (ranked[rows, (count - 1) // 2] + ranked[rows, count // 2]))


def _step(design: Array, w: Array, distance: Array, scale: Array) -> Array:
    """Return the Gauss–Newton step of each fit, by its normal equations."""
    weighted = design * w[:, None, :]
    normal = weighted @ design.transpose(0, 2, 1)
    aim = -(weighted @ distance[:, :, None])[..., 0]
    # The entries of A act by r² on the distance: measured by that they weigh as the centre does.
    unit = np.ones((len(w), 5))
    unit[:, 2:] = (scale**2)[:, None]
    normal *= unit[:, :, None] * unit[:, None, :]
    normal += np.eye(5) * (1e-12 * np.trace(normal, axis1=1, axis2=2)[:, None, None] + 1e-300)
    return np.asarray(np.linalg.solve(normal, (aim * unit)[..., None])[..., 0] * unit)


def _sound(p: Array) -> NDArray[np.bool_]:
    """Return which are ellipses, and not too thin."""
    mean, half = 0.5 * (p[:, 2] + p[:, 4]), 0.5 * (p[:, 2] - p[:, 4])
    spread = np.hypot(half, p[:, 3])
    return np.asarray(
        np.all(np.isfinite(p), 1) & (mean - spread > 0) & (mean + spread <= 6 * (mean - spread))
    )


def _design(p: Array, x: Array, y: Array) -> tuple[Array, Array]:
    """Return the distances' derivatives by x, y, A11, A12, A22, (k, 5, n), and the distances."""
    cx, cy, a, b, c = (p[:, k, None] for k in range(5))
    dx, dy = x - cx, y - cy
    qx, qy = a * dx + b * dy, b * dx + c * dy
    size = np.maximum(np.sqrt(qx * qx + qy * qy), 1e-12)
    nx, ny = qx / size, qy / size
    sx, sy = a * nx + b * ny, b * nx + c * ny
    unit = 1.0 / np.sqrt(sx * sx + sy * sy)
    design = np.empty((len(p), 5, x.shape[1]))
    np.multiply(sx, -unit, out=design[:, 0])
    np.multiply(sy, -unit, out=design[:, 1])
    nx *= unit
    ny *= unit
    np.multiply(nx, dx, out=design[:, 2])
    design[:, 3] = nx * dy + ny * dx
    np.multiply(ny, dy, out=design[:, 4])
    return design, (size - 1.0) * unit
