"""How many times as long one group lasts as another, where both have the same shape.

With a shape shared, a handful of lives tells a ratio where a curve of their own can't be
fitted: lives of the second group, divided by the ratio, are lives of the first.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import stdtr, stdtrit

from pitwise.wear.refusal import FitRefusedError

from . import permuted
from .intervals import Range, deviate
from .lives import Lives
from .steps import LogRank
from .tell import FEWEST_ENDS, TooFewToTell, joined
from .weibull import fit_weibull

# Beyond 50 times as long or as short nobody asks for figures (our own choice, no source).
_FURTHEST = math.log(50.0)
_GRID = np.linspace(-_FURTHEST, _FURTHEST, 25)
_NONE = -math.inf


@dataclass(frozen=True)
class LifeRatio:
    """Lives of one group over those of another.

    Attributes
    ----------
    ratio : float
        Times as long; 0 or infinite where the likelihood rises to the end of what is searched.
    range : Range
        By the likelihood; 0 or infinite where there is no bound within 1/50 to 50.
    test : LogRank
        Likelihood ratio against "as long as the other", 1 degree of freedom; its `p` is by the
        same law as the range, and with few ends its `luck` is from dealing the labels again
        (see `permuted`).
    shape : float
        That both share, at the best ratio.
    loglik : float
        There.
    """

    ratio: float
    range: Range
    test: LogRank
    shape: float
    loglik: float


def _scaled(lives: Lives, by: float) -> Lives:
    return Lives.of(lives.lower / by, lives.upper / by, lives.count)


def life_ratio(one: Lives, other: Lives, level: float = 0.95) -> LifeRatio | TooFewToTell:
    r"""Return how many times as long `one` lasts as `other`, both Weibull of one shape.

    Parameters
    ----------
    one, other : Lives
    level : float
        Of the range, such as 0.95.

    Returns
    -------
    LifeRatio or TooFewToTell
        The latter with fewer than 3 ends in all, or where the two together have no fit.

    Notes
    -----
    The profile log-likelihood at a ratio r is that of the best Weibull fit to `other` and to
    `one` divided by r, less :math:`\log r` for each exact end of `one`.

    Twice its fall W is χ² with many ends alone: of 95 % ranges from 5 ends a group some 90 %
    held the truth in simulation (`tests/wear/test_life_ratio.py`). Were log lives normal, W of
    d lives in two groups would be

    .. math:: W = d \log\left(1 + \frac{t^2}{d - 2}\right)

    with t Student's of d − 2 degrees of freedom, exactly [2]_. W is judged by that law, with d
    the ends of both: 94 to 97 % held then.

    References
    ----------
    .. [1] W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data, Wiley 1998,
       17.4: log-location-scale regression with one two-valued variable.
    .. [2] E. L. Lehmann, J. P. Romano, Testing Statistical Hypotheses, 5.3: the likelihood ratio
       test of two normal means is the t test (from memory).
    """
    ends, total = one.ends + other.ends, one.total + other.total
    if ends < FEWEST_ENDS:
        return TooFewToTell(
            ends,
            total,
            f"{ends:.4g} of {total:.4g} lives ended: too few to tell",
            f"wait for {FEWEST_ENDS} ends",
        )
    exact = float(one.count[one.exact].sum())

    def height(log_ratio: float) -> float:
        try:
            fit = fit_weibull(joined([other, _scaled(one, math.exp(log_ratio))]))
        except FitRefusedError:
            return _NONE
        return fit.loglik - exact * log_ratio

    heights = np.array([height(float(x)) for x in _GRID])
    if not np.isfinite(heights).all():
        return TooFewToTell(
            ends,
            total,
            "the two together have no best fit at every ratio",
            "wait for more lives that have ended",
        )
    best, top = _top(height, heights)
    drop = 0.5 * _fall(ends, level)
    gain = max(2 * (top - height(0.0)), 0.0)
    fit = fit_weibull(joined([other, _scaled(one, math.exp(best))]))
    found = Range(
        _bound(height, best, top - drop, -_FURTHEST), _bound(height, best, top - drop, _FURTHEST)
    )
    ratio = math.exp(best)
    if abs(best) >= _FURTHEST:
        ratio = 0.0 if best < 0 else math.inf
    test = LogRank(gain, 1, _luck(ends, gain), _permuted(one, other))
    return LifeRatio(ratio, found, test, fit.shape, top)


def _fall(ends: float, level: float) -> float:
    """Return how far twice the log-likelihood may fall within a range."""
    deviate(level)  # refuses what is no level
    t = float(stdtrit(ends - 2, 0.5 + level / 2))
    return ends * math.log1p(t * t / (ends - 2))


def _luck(ends: float, gain: float) -> float:
    """Return the chance of a rise of so much or more by luck, by the law of `_fall`."""
    t = math.sqrt((ends - 2) * math.expm1(min(gain / ends, 700.0)))
    return 2 * float(stdtr(ends - 2, -t))


def _permuted(one: Lives, other: Lives) -> float | None:
    """Return the chance by dealing the two labels again; None where ends are many.

    By the slope along the ratio alone: the longer a life, the lower it is, so that no dealing
    differs more than one in which all of one group outlive the other.
    """
    both = [one, other]
    if not permuted.wanted(both):
        return None
    fit = fit_weibull(joined(both))
    shift = np.concatenate([permuted.weibull_scores(g, fit)[:, :1] for g in both])
    return permuted.chance(shift, both)


def _top(height: Callable[[float], float], heights: np.ndarray) -> tuple[float, float]:
    """Return where the profile is highest and how high; the end of the grid where it rises on."""
    k = int(np.argmax(heights))
    if k in (0, len(_GRID) - 1):
        return float(_GRID[k]), float(heights[k])
    found = minimize_scalar(
        lambda x: -height(x),
        bounds=(float(_GRID[k - 1]), float(_GRID[k + 1])),
        method="bounded",
        options={"xatol": 1e-7},
    )
    if -found.fun >= heights[k]:
        return float(found.x), float(-found.fun)
    return float(_GRID[k]), float(heights[k])


def _bound(height: Callable[[float], float], best: float, level: float, end: float) -> float:
    """Return where the profile falls to `level` between the best ratio and an end."""
    if abs(end - best) < 1e-9 or height(end) >= level:
        return 0.0 if end < 0 else math.inf
    root = brentq(lambda x: height(x) - level, min(best, end), max(best, end), xtol=1e-6)
    return math.exp(float(root))
