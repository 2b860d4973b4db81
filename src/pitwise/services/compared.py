"""One month against the one before: lives, counts and costs, each with the range of the ratio.

Pure: numbers in, a typed result out. "Too few to tell" is a result.

References
----------
.. [1] B. L. Welch, "The generalization of 'Student's' problem when several different
   population variances are involved", Biometrika 34, 1947, 28-35.
.. [2] J. Przyborowski, H. Wilenski, "Homogeneity of results in testing samples from Poisson
   series", Biometrika 31, 1940, 313-323.
.. [3] D. L. Snyder, M. I. Miller, Random Point Processes in Time and Space, 2nd ed., Springer
   1991, on compound Poisson processes (from memory): the variance of a sum over Poisson
   events is the sum of the squared amounts, in expectation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtri, stdtrit

from pitwise.causes.cure import Side, compare_rates, rate_ratio_interval
from pitwise.services.metres import Ranged

LEVEL = 0.95
# Fewer say nothing of scatter worth printing (our own choice, no source).
LEAST = 3


@dataclass(frozen=True)
class TooFew:
    """Too few to tell, and how few; falsy."""

    now: int
    before: int
    reason: str

    def __bool__(self) -> bool:
        """Be as good as none."""
        return False


@dataclass(frozen=True)
class Change:
    """Now over before.

    Attributes
    ----------
    ratio, low, high : float
        The ratio and its range at `LEVEL`; `high` may be infinite.
    told : {"more", "less", "within-chance"}
        More or less only where the range leaves out 1.
    """

    ratio: float
    low: float
    high: float

    @property
    def told(self) -> Literal["more", "less", "within-chance"]:
        """What the range tells."""
        if self.low > 1:
            return "more"
        return "less" if self.high < 1 else "within-chance"


def typical(lives: Sequence[float]) -> Ranged | TooFew:
    """Return the geometric mean of lives, each above 0, with Student's range on the logarithm."""
    n = len(lives)
    if n < LEAST:
        return TooFew(n, 0, f"{n} ended, {LEAST} are needed")
    logs = [math.log(x) for x in lives]
    mean = math.fsum(logs) / n
    spread = math.sqrt(math.fsum((x - mean) ** 2 for x in logs) / (n - 1) / n)
    reach = float(stdtrit(n - 1, (1 + LEVEL) / 2)) * spread
    return Ranged(math.exp(mean), math.exp(mean - reach), math.exp(mean + reach))


def compare_lives(now: Sequence[float], before: Sequence[float]) -> Change | TooFew:
    """Compare geometric means of lives by Welch's interval [1]_; `LEAST` lives on each side."""
    if len(now) < LEAST or len(before) < LEAST:
        return TooFew(len(now), len(before), f"{LEAST} on each side are needed")
    found = compare_rates(before, now, LEVEL)
    if not math.isfinite(found.high):
        return TooFew(len(now), len(before), "all are alike to the last digit")
    return Change(found.ratio, found.low, found.high)


def compare_counts(now: int, use_now: float, before: int, use_before: float) -> Change | TooFew:
    """Compare events per use (starts, days) as two Poisson rates, given their total [2]_.

    Parameters
    ----------
    now, before : int
        Events, 0 or more; `LEAST` in all are needed.
    use_now, use_before : float
        What they happened in; above 0, else nothing can be told.
    """
    if use_now <= 0 or use_before <= 0:
        return TooFew(now, before, "there is no use to compare by")
    if now + before < LEAST:
        return TooFew(now, before, f"{LEAST} in both together are needed")
    low, high = rate_ratio_interval(Side(before, use_before), Side(now, use_now), LEVEL)
    ratio = (now / use_now) / (before / use_before) if before else math.inf
    return Change(ratio, low, high)


def compare_costs(
    now: Sequence[float], use_now: float, before: Sequence[float], use_before: float
) -> Change | TooFew:
    r"""Compare what events cost per use.

    Parameters
    ----------
    now, before : sequence of float
        Cost of each event (parts fitted at one moment are one event), above 0; `LEAST` on
        each side are needed.
    use_now, use_before : float
        Starts, above 0.

    Notes
    -----
    Costs as compound Poisson sums: :math:`\operatorname{Var} \log(C / t) \approx \sum c^2 / C^2`
    [3]_. Parts that wear out come more evenly than that, so the range is rather too wide.
    """
    if use_now <= 0 or use_before <= 0:
        return TooFew(len(now), len(before), "there is no use to compare by")
    if len(now) < LEAST or len(before) < LEAST:
        return TooFew(len(now), len(before), f"{LEAST} changes on each side are needed")
    sums = [math.fsum(now), math.fsum(before)]
    variance = sum(
        math.fsum(c * c for c in costs) / total**2
        for costs, total in zip((now, before), sums, strict=True)
    )
    ratio = (sums[0] / use_now) / (sums[1] / use_before)
    reach = float(ndtri((1 + LEVEL) / 2)) * math.sqrt(variance)
    return Change(ratio, ratio * math.exp(-reach), ratio * math.exp(reach))


def cost_range(costs: Sequence[float], use: float) -> Ranged | TooFew:
    """Return what events cost per use with the range that chance gives, as `compare_costs`."""
    if use <= 0:
        return TooFew(len(costs), 0, "there is no use to reckon by")
    if len(costs) < LEAST:
        return TooFew(len(costs), 0, f"{LEAST} changes are needed")
    total = math.fsum(costs)
    reach = float(ndtri((1 + LEVEL) / 2)) * math.sqrt(math.fsum(c * c for c in costs)) / total
    per = total / use
    return Ranged(per, per * math.exp(-reach), per * math.exp(reach))
