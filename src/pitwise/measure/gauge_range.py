"""Means and scatter of the range of normal values: what the range method divides by."""

from __future__ import annotations

import functools
import math

import numpy as np
from scipy.special import ndtr

# From so many ranges on, their mean is taken for the expected range itself (common practice).
MANY_RANGES = 15
_LIMIT = 9.0
_POINTS = 2001


@functools.cache
def range_moments(n: int) -> tuple[float, float]:
    r"""Return mean d₂ and standard deviation d₃ of the range of n standard normal values.

    Parameters
    ----------
    n : int
        >= 2.

    Notes
    -----
    :math:`d_2 = \int 1 - \Phi^n - (1-\Phi)^n \, dx` and
    :math:`E W^2 = 2 \iint_{x<y} 1 - \Phi(y)^n - (1-\Phi(x))^n + (\Phi(y)-\Phi(x))^n \, dx\,dy`
    (L. H. C. Tippett, Biometrika 17 (1925) 364), by the trapezoid rule, which is exact to
    rounding for such smooth functions in one dimension and to about 1e-6 over the triangle.
    """
    if n < 2:
        raise ValueError(f"a range needs two values or more, got {n}")
    x = np.linspace(-_LIMIT, _LIMIT, _POINTS)
    step = x[1] - x[0]
    below, above = ndtr(x), ndtr(-x)
    d2 = float((1 - below**n - above**n).sum() * step)
    # Rows x, columns y > x; half weight on the diagonal, where the function is 1 - F^n - S^n.
    both = 1 - below[None, :] ** n - above[:, None] ** n
    both += np.maximum(below[None, :] - below[:, None], 0.0) ** n
    weight = np.triu(np.ones((_POINTS, _POINTS)), 1) + 0.5 * np.eye(_POINTS)
    square = 2 * float((both * weight).sum()) * step**2
    return d2, math.sqrt(square - d2**2)


def d2_star(n: int, ranges: int) -> float:
    """Return d₂* = √(d₂² + d₃²/g): the root mean square of a mean of g ranges of n values.

    So that (mean range / d₂*)² has the variance as its expectation (A. J. Duncan; from memory).
    """
    d2, d3 = range_moments(n)
    return math.sqrt(d2**2 + d3**2 / ranges)


def range_factor(n: int, ranges: int) -> float:
    """Return what a mean range is multiplied by: 1/d₂*, or 1/d₂ from 16 ranges on.

    To four decimals, as tables print it, so that a reckoning by hand gives the same.
    """
    divisor = range_moments(n)[0] if ranges > MANY_RANGES else d2_star(n, ranges)
    return round(1 / divisor, 4)
