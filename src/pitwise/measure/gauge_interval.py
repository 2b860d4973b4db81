"""Intervals of sums and differences of mean squares (modified large samples)."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.special import fdtri, gammaincinv

from .gauge_model import LEVEL

METHOD = (
    "95 % intervals of the standard deviations: repeatability by the exact chi-square, "
    "the others by modified large samples (Graybill & Wang 1980; Ting et al. 1990)"
)


@dataclass(frozen=True)
class Term:
    """A mean square with its factor (either sign) and degrees of freedom."""

    source: str
    factor: float
    ms: float
    df: int

    @property
    def size(self) -> float:
        """The term without its sign."""
        return abs(self.factor) * self.ms


def estimate(terms: Sequence[Term]) -> float:
    """Return Σ factor × mean square."""
    return math.fsum(t.factor * t.ms for t in terms)


def degrees(terms: Sequence[Term]) -> float | None:
    r"""Return about how many degrees of freedom Σ factor × mean square has; None where it is 0.

    :math:`(\sum c\,MS)^2 / \sum (c\,MS)^2/\nu` (F. E. Satterthwaite, Biometrics Bull. 2 (1946)
    110).
    """
    whole = estimate(terms)
    if whole <= 0:
        return None
    return whole**2 / math.fsum(t.size**2 / t.df for t in terms)


@functools.cache
def _chi2(p: float, df: int) -> float:
    return float(2 * gammaincinv(df / 2, p))


@functools.cache
def _f(p: float, above: int, below: int) -> float:
    return float(fdtri(above, below, p))


def variance_interval(terms: Sequence[Term], level: float = LEVEL) -> tuple[float, float]:
    r"""Return the two-sided interval of :math:`\theta = \sum_q c_q E(MS_q)`, not below 0.

    Parameters
    ----------
    terms : sequence of Term
        Independent mean squares; a single positive one gives the exact interval.
    level : float
        Of the interval, 0 to 1.

    Returns
    -------
    low, high : float

    Notes
    -----
    With :math:`\hat\theta` the estimate, :math:`a_q = |c_q| MS_q`, P the terms with c > 0, N the
    others, α one side's error, χ²/f quantiles as F with infinite second degrees of freedom:

    .. math:: L = \hat\theta - \Big(\sum_P G_q^2 a_q^2 + \sum_N H_r^2 a_r^2
              + \sum_P \sum_N G_{qr} a_q a_r\Big)^{1/2}

    :math:`G_q = 1 - 1/F_{1-\alpha; f_q, \infty}`, :math:`H_r = 1/F_{\alpha; f_r, \infty} - 1`,
    :math:`G_{qr} = [(F-1)^2 - G_q^2 F^2 - H_r^2]/F` at :math:`F = F_{1-\alpha; f_q, f_r}`; U the
    same way with G and H changed over, :math:`F = F_{\alpha; f_q, f_r}` and
    :math:`H_{qr} = [(1-F)^2 - H_q^2 F^2 - G_r^2]/F`. Sums of positive terms alone are the method
    of Graybill and Wang [1]_, differences that of Ting et al. [2]_; applied to gauge studies by
    Burdick, Borror and Montgomery [3]_. Formulas from memory; their coverage is simulated in
    ``tests/measure/test_gauge_coverage.py``. Terms between two mean squares of one sign are
    left out, which makes no interval shorter.

    .. [1] F. A. Graybill, C.-M. Wang, JASA 75 (1980) 869.
    .. [2] N. Ting et al., J. Statist. Comput. Simul. 35 (1990) 135.
    .. [3] R. K. Burdick, C. M. Borror, D. C. Montgomery, J. Quality Technology 35 (2003) 342.
    """
    alpha = (1 - level) / 2
    own = [t for t in terms if t.size > 0]
    whole = estimate(own)
    low_g = {id(t): 1 - t.df / _chi2(1 - alpha, t.df) for t in own}
    high_h = {id(t): t.df / _chi2(alpha, t.df) - 1 for t in own}
    plus, minus = [t for t in own if t.factor > 0], [t for t in own if t.factor < 0]
    below = sum((low_g[id(t)] * t.size) ** 2 for t in plus)
    below += sum((high_h[id(t)] * t.size) ** 2 for t in minus)
    above = sum((high_h[id(t)] * t.size) ** 2 for t in plus)
    above += sum((low_g[id(t)] * t.size) ** 2 for t in minus)
    for q in plus:
        for r in minus:
            top = _f(1 - alpha, q.df, r.df)
            g = ((top - 1) ** 2 - (low_g[id(q)] * top) ** 2 - high_h[id(r)] ** 2) / top
            below += g * q.size * r.size
            foot = _f(alpha, q.df, r.df)
            h = ((1 - foot) ** 2 - (high_h[id(q)] * foot) ** 2 - low_g[id(r)] ** 2) / foot
            above += h * q.size * r.size
    return max(whole - math.sqrt(max(below, 0.0)), 0.0), max(
        whole + math.sqrt(max(above, 0.0)), 0.0
    )
