"""Ellipses through edge points: direct start, geometric finish, robust to strangers."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.result import Ellipse

Array = NDArray[np.float64]

# Tukey's biweight at this many standard deviations keeps 95 % efficiency (Huber & Ronchetti 2009,
# from memory).
_TUKEY = 4.685
_TO_SD = 1.4826


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
    covariance : (5, 5) array
        Of x, y and the three entries of A (upper triangle), points taken as independent.
    """

    centre: Array
    shape: Array
    distance: Array
    weight: Array
    sd: float
    covariance: Array

    @property
    def axes(self) -> tuple[float, float]:
        """Return the semi-axes a ≥ b, px."""
        values = np.linalg.eigvalsh(self.shape)
        return 1.0 / float(values[0]), 1.0 / float(values[1])

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
    if np.count_nonzero(given > 0) < 8:
        return None
    if start is None:
        centre = np.average(points, axis=0, weights=given)
        r = float(np.average(np.hypot(*(points - centre).T), weights=given))
        shape = np.eye(2) / max(r, 1e-9)
    else:
        centre, shape = start[0].copy(), start[1].copy()
    robust = np.ones(len(points))
    for _ in range(passes):
        design, distance = _design(centre, shape, points)
        live = given > 0
        sd = max(_TO_SD * float(np.median(np.abs(distance[live]))), least_sd)
        robust = np.clip(1.0 - (distance / (_TUKEY * sd)) ** 2, 0.0, None) ** 2
        w = given * robust
        if np.count_nonzero(w > 0) < 8:
            return None
        scale = np.array([1, 1, shape[0, 0], shape[0, 0], shape[0, 0]])
        own = design * scale
        normal = (own * w[:, None]).T @ own
        normal += np.eye(5) * (1e-12 * np.trace(normal) + 1e-300)
        step = np.linalg.solve(normal, -own.T @ (w * distance)) * scale
        centre = centre + step[:2]
        shape = shape + np.array([[step[2], step[3]], [step[3], step[4]]])
        values = np.linalg.eigvalsh(shape)
        if not np.all(np.isfinite(values)) or values[0] <= 0 or values[1] > 6 * values[0]:
            return None
        if np.hypot(step[0], step[1]) < 1e-5:
            break
    design, distance = _design(centre, shape, points)
    w = given * robust
    used = w > 0
    sd = float(np.sqrt(np.sum(w * distance**2) / max(np.sum(w) - 5, 1.0)))
    normal = (design[used] * w[used, None]).T @ design[used]
    covariance = np.asarray(sd**2 * np.linalg.pinv(normal, hermitian=True), np.float64)
    return EllipseFit(centre, shape, distance, w, sd, covariance)


def _design(centre: Array, shape: Array, points: Array) -> tuple[Array, Array]:
    """Return the derivatives of the distances by x, y, A11, A12, A22, and the distances."""
    d = points - centre
    q = d @ shape
    size = np.maximum(np.hypot(q[:, 0], q[:, 1]), 1e-12)
    n = q / size[:, None]
    slope = n @ shape
    long = np.hypot(slope[:, 0], slope[:, 1])
    by_shape = np.column_stack(
        [n[:, 0] * d[:, 0], n[:, 0] * d[:, 1] + n[:, 1] * d[:, 0], n[:, 1] * d[:, 1]]
    )
    design = np.column_stack([-slope, by_shape]) / long[:, None]
    return design, (size - 1.0) / long
