"""The circle by least squares of the distances (geometric, not algebraic)."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from .circle_model import CircleError, Fit, Floats, cloud, line_like

_STEPS = 200
# A circle this many times larger than the points' extent is a line to them.
_LARGEST = 1e6
_EPS = float(np.finfo(float).eps)
# A step below which F no longer tells better from worse.
_NEAR = 1e-7


def least_squares(points: npt.ArrayLike) -> Fit:
    r"""Return the circle with the least sum of squared distances of the points to it.

    Parameters
    ----------
    points : (n, 2) array-like
        n >= 3, any unit; a point that stands twice counts twice.

    Returns
    -------
    Fit
        With the covariance of x, y, r by linear propagation, s² (JᵀJ)⁻¹, s² with n − 3 degrees
        of freedom; it holds for independent points of equal scatter.

    Raises
    ------
    CircleError
        Fewer than three points, not finite, on one line, or nearer a line than any circle.

    Notes
    -----
    The radius is put out of the problem (it is the mean distance), and
    :math:`F(c) = \sum (|c - p_i| - \bar d)^2` minimised by Newton's method, damped where
    F is not convex, from the algebraic fit of Taubin [1]_: the end is that of full double
    precision, which Gauss–Newton reaches slowly with large residuals [2]_.

    .. [1] G. Taubin, IEEE Trans. PAMI 13 (1991) 1115 (from memory).
    .. [2] W. Gander, G. H. Golub, R. Strebel, BIT 34 (1994) 558.
    """
    own = cloud(points, distinct=False)
    p = own.own
    centre = _newton(p, _taubin(p))
    away = centre - p
    d = np.hypot(away[:, 0], away[:, 1])
    r = float(d.mean())
    if not r < _LARGEST:
        raise line_like("circle")
    n = len(p)
    left = d - r
    sd, covariance = math.nan, np.full((3, 3), math.nan)
    if n > 3:
        sd = math.sqrt(float(left @ left) / (n - 3))
        jacobian = np.column_stack([away / np.maximum(d, _EPS)[:, None], np.full(n, -1.0)])
        covariance = sd**2 * np.linalg.pinv(jacobian.T @ jacobian) * own.scale**2
    x, y = own.centre(centre)
    return Fit(x, y, r * own.scale, sd * own.scale, covariance)


def _taubin(p: Floats) -> Floats:
    """Return the centre of Taubin's fit, by the singular value decomposition."""
    mean = p.mean(axis=0)
    own = p - mean
    z = (own**2).sum(axis=1)
    z_mean = float(z.mean())
    z0 = (z - z_mean) / (2 * math.sqrt(z_mean))
    _, _, v = np.linalg.svd(np.column_stack([z0, own]), full_matrices=False)
    a = v[-1]
    lead = a[0] / (2 * math.sqrt(z_mean))
    if abs(lead) * _LARGEST < float(np.hypot(a[1], a[2])):
        raise line_like("circle")
    out: Floats = mean - a[1:] / (2 * lead)
    return out


def _value(p: Floats, c: Floats) -> float:
    d = np.hypot(*(c - p).T)
    d -= d.mean()
    return float(d @ d)


def _slope_and_bend(p: Floats, c: Floats) -> tuple[Floats, Floats]:
    """Return half the gradient and half the Hessian of F."""
    away = c - p
    d = np.maximum(np.hypot(away[:, 0], away[:, 1]), 1e-300)
    u = away / d[:, None]
    left = d - d.mean()
    share = left / d
    mean = u.mean(axis=0)
    bend = u.T @ u - len(p) * np.outer(mean, mean)
    bend += share.sum() * np.eye(2) - (u * share[:, None]).T @ u
    return left @ u, bend


def _newton(p: Floats, c: Floats) -> Floats:
    """Return the minimum next to a start, by damped Newton steps on the centre."""
    best, damp = _value(p, c), 0.0
    for _ in range(_STEPS):
        slope, bend = _slope_and_bend(p, c)
        least, most = np.linalg.eigvalsh(bend)
        size = max(abs(least), most, 1e-300)
        while True:
            more = max(damp, 1e-3 * size - least if least <= 0 else 0.0)
            step = np.linalg.solve(bend + more * np.eye(2), -slope)
            long = float(np.hypot(*step))
            there = c + step
            value = _value(p, there)
            if value < best or long <= _NEAR * max(1.0, float(np.hypot(*c))):
                break
            damp = max(10 * more, 1e-6 * size)
        if long <= _NEAR * max(1.0, float(np.hypot(*c))):
            return _settled(p, c)
        c, best, damp = there, value, damp / 10
        if float(np.hypot(*c)) > _LARGEST:
            raise line_like("circle")
    raise CircleError("points", "the least-squares circle is not settled", "measure more points")


def _settled(p: Floats, c: Floats) -> Floats:
    """Return the end of plain Newton steps: F itself tells only half the digits."""
    last = math.inf
    for _ in range(20):
        slope, bend = _slope_and_bend(p, c)
        if np.linalg.eigvalsh(bend)[0] <= 0:
            return c
        step = np.linalg.solve(bend, -slope)
        long = float(np.hypot(*step))
        if not long < last / 2:
            return c
        c, last = c + step, long
    return c
