"""Did the cure work? Change rates and wear rates before and after, with honest intervals.

References
----------
.. [1] J. Przyborowski, H. Wilenski, "Homogeneity of results in testing samples from Poisson
   series", Biometrika 31, 1940, 313-323.
.. [2] E. L. Lehmann, J. P. Romano, Testing Statistical Hypotheses, 3rd ed., Springer 2005,
   section 4.5 (number from memory): given the total, one of two Poisson counts is binomial.
.. [3] C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in
   the case of the binomial", Biometrika 26, 1934, 404-413.
.. [4] B. L. Welch, "The generalization of 'Student's' problem when several different
   population variances are involved", Biometrika 34, 1947, 28-35; degrees of freedom by
   F. E. Satterthwaite, Biometrics Bulletin 2, 1946, 110-114.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import betaincinv, stdtrit

Verdict = Literal["better", "worse", "no-difference", "too-early"]

VERDICT_WORDS: dict[Verdict, str] = {
    "better": "better",
    "worse": "worse",
    "no-difference": "no difference shown",
    "too-early": "too early to tell",
}

LEVEL = 0.90
LEAST_AFTER = 2
# An interval whose ends lie within a factor of 4 spans 0.5 to 2 where it sits around 1: it
# would have shown a halving or a doubling, the least a cause worth curing does to lives (our
# own choice). A wider one that covers 1 has shown nothing either way.
WIDEST_TELLING = 4.0


@dataclass(frozen=True)
class Side:
    """Sets of a torch on one side of the cure.

    Attributes
    ----------
    changes : int
        Sets that came to their end, 0 or more.
    starts : float
        Starts of all sets, those of sets still running (or running when the cure came)
        included.
    """

    changes: int
    starts: float


@dataclass(frozen=True)
class Comparison:
    """Before against after.

    Attributes
    ----------
    kind : {"changes", "wear-rate"}
    before, after : float
        Changes per 1,000 starts, or geometric mean wear rate; NaN where there is none.
    ratio, low, high : float
        After over before, with its interval at `LEVEL`; below 1 is better. `high` may be
        infinite, `ratio` NaN: then nothing can be said yet.
    n_before, n_after : int
        Changes, or electrodes.
    verdict : Verdict
    why : str
        The rule that gave it, in words.
    """

    kind: Literal["changes", "wear-rate"]
    before: float
    after: float
    ratio: float
    low: float
    high: float
    n_before: int
    n_after: int
    verdict: Verdict
    why: str


def rate_ratio_interval(before: Side, after: Side, level: float = LEVEL) -> tuple[float, float]:
    """Exact interval of the ratio of two Poisson rates, after over before.

    Parameters
    ----------
    before, after : Side
        Starts above 0 on both sides.
    level : float
        In (0, 1); at least so often the interval covers the true ratio.

    Returns
    -------
    low, high : float
        ``(0, inf)`` with no change on either side.

    Notes
    -----
    Given n = k0 + k1 changes in all, k1 is binomial with p = r T1 / (r T1 + T0) [1]_, [2]_;
    the Clopper-Pearson interval [3]_ of p is turned into one of r. Sets still running count
    with their starts alone (right-censored). The Poisson model has exponential lives; lives
    of wear parts scatter less than exponential ones, so the interval is wider than it need
    be: conservative.
    """
    for side in (before, after):
        if side.changes < 0 or not (side.starts > 0 and math.isfinite(side.starts)):
            raise ValueError(f"{side}: changes from 0 up and starts above 0 are needed")
    k0, k1 = before.changes, after.changes
    tail = (1 - level) / 2
    odds_of = before.starts / after.starts
    low, high = 0.0, math.inf
    if k1 > 0:
        p = float(betaincinv(k1, k0 + 1, tail))
        low = p / (1 - p) * odds_of
    if k0 > 0:
        p = float(betaincinv(k1 + 1, k0, 1 - tail))
        high = p / (1 - p) * odds_of if p < 1 else math.inf
    return low, high


def compare_changes(before: Side, after: Side, level: float = LEVEL) -> Comparison:
    """Compare changes per 1,000 starts before and after a cure.

    Better or worse only when the exact interval of the ratio leaves out 1 and at least two
    changes came after; the first lives after a cure are told by few sets.
    """
    if before.starts <= 0 or after.starts <= 0:
        ratio, low, high = math.nan, 0.0, math.inf
    else:
        low, high = rate_ratio_interval(before, after, level)
        ratio = math.nan
        if before.changes:
            ratio = (after.changes / after.starts) / (before.changes / before.starts)
    verdict, why = _verdict(low, high, before.changes, after.changes, "change")
    return Comparison(
        "changes",
        _per_thousand(before),
        _per_thousand(after),
        ratio,
        low,
        high,
        before.changes,
        after.changes,
        verdict,
        why,
    )


def compare_rates(
    before: Sequence[float], after: Sequence[float], level: float = LEVEL
) -> Comparison:
    """Compare wear rates of electrodes before and after a cure.

    Parameters
    ----------
    before, after : sequence of float
        One rate for each electrode, in one unit (mm per 500 starts), each above 0.
    level : float
        In (0, 1).

    Returns
    -------
    Comparison
        Of geometric means, by Welch's interval of the difference of mean log rates [4]_.
        Fewer than two electrodes on a side, or no scatter at all on both, leave nothing to
        judge by: "too-early".
    """
    for name, rates in (("before", before), ("after", after)):
        for i, rate in enumerate(rates):
            if not (rate > 0 and math.isfinite(rate)):
                raise ValueError(f"{name}[{i}] = {rate} is no wear rate: it must be above 0")
    x, y = [math.log(v) for v in before], [math.log(v) for v in after]
    means = [math.fsum(v) / len(v) if v else math.nan for v in (x, y)]
    ratio = math.exp(means[1] - means[0]) if x and y else math.nan
    low, high = 0.0, math.inf
    flat = False
    if len(x) >= LEAST_AFTER and len(y) >= LEAST_AFTER:
        a, b = (_variance(v, m) / len(v) for v, m in zip((x, y), means, strict=True))
        flat = a + b <= 0
        if not flat:
            df = (a + b) ** 2 / (a * a / (len(x) - 1) + b * b / (len(y) - 1))
            half = float(stdtrit(df, (1 + level) / 2)) * math.sqrt(a + b)
            low, high = (_exp(means[1] - means[0] + sign * half) for sign in (-1, 1))
    verdict, why = _verdict(low, high, len(x), len(y), "electrode")
    if flat:
        why = "All rates are alike to the last digit: no scatter to judge by."
    return Comparison(
        "wear-rate",
        _exp(means[0]),
        _exp(means[1]),
        ratio,
        low,
        high,
        len(x),
        len(y),
        verdict,
        why,
    )


def _verdict(
    low: float, high: float, n_before: int, n_after: int, what: str
) -> tuple[Verdict, str]:
    if n_after < LEAST_AFTER:
        few = "No" if n_after == 0 else "Only one"
        return "too-early", f"{few} {what} since the cure; at least two are needed."
    if n_before < LEAST_AFTER and what == "electrode":
        return "too-early", "Fewer than two electrodes were followed before the cure."
    if high < 1:
        return "better", "The whole interval lies below 1."
    if low > 1:
        return "worse", "The whole interval lies above 1."
    if not high <= WIDEST_TELLING * low:
        return "too-early", "The interval is too wide: a halving or a doubling may hide in it."
    return "no-difference", "The interval covers 1 and is narrow enough to have shown a halving."


def _per_thousand(side: Side) -> float:
    return 1000 * side.changes / side.starts if side.starts > 0 else math.nan


def _variance(values: Sequence[float], mean: float) -> float:
    return math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1)


def _exp(x: float) -> float:
    return math.exp(x) if x < 700 else math.inf
