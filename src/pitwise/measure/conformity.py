"""Does a reading conform to a limit? The plain rule first, uncertainty only tightens."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from pitwise.measure.depth import MM_PER_UNIT, Depth
from pitwise.trade.model import Limit

Verdict = Literal["keep", "recheck", "replace"]
_ORDER: tuple[Verdict, ...] = ("keep", "recheck", "replace")


def probability_over(depth: float, limit: float, u: float) -> float:
    r"""Probability that the true value lies above the limit.

    Parameters
    ----------
    depth, limit : float
        Best estimate and limit, in one unit.
    u : float
        Standard uncertainty of the estimate, same unit, u >= 0.

    Returns
    -------
    float
        In [0, 1]. With ``u = 0`` it is 1 above the limit and 0 at or below it.

    Notes
    -----
    .. math:: P = 1 - \Phi\bigl((L - d) / u\bigr)

    the nonconformance probability of a one-sided upper tolerance limit for a normal
    distribution of knowledge, JCGM 106:2012, 7.2.2 and equation (7) (numbers from memory).
    """
    if u < 0 or math.isnan(u):
        raise ValueError(f"standard uncertainty {u} is negative")
    if u == 0 or math.isinf(depth):
        return 1.0 if depth > limit else 0.0
    return 0.5 * math.erfc((limit - depth) / (u * math.sqrt(2)))


@dataclass(frozen=True)
class Expected:
    """What the wear forecast says of a depth before it is gauged.

    Attributes
    ----------
    mean_mm, sd_mm : float
        Of the true depth; `sd_mm` above zero.
    low_mm, high_mm : float
        Points a reading falls below, or above, once in 200 times.
    """

    mean_mm: float
    sd_mm: float
    low_mm: float
    high_mm: float


# Reading and forecast that lie further apart than this many combined standard uncertainties
# tell of different things: then the forecast may tighten, never loosen (our own choice).
_AGREE = 2.0


def combined_probability_over(
    depth: float, limit: float, u: float, expected_mean: float, expected_sd: float
) -> tuple[float, bool]:
    r"""Probability that the true value lies above the limit, forecast and reading combined.

    Parameters
    ----------
    depth, limit, u : float
        As for `probability_over`; one unit throughout.
    expected_mean, expected_sd : float
        Normal prior of the true value, ``expected_sd > 0``.

    Returns
    -------
    probability : float
        In [0, 1].
    agree : bool
        Whether reading and forecast lie within 2 combined standard uncertainties. Where
        they do not, the greater of the two probabilities (with and without the forecast)
        is returned: a forecast that missed may not talk a deep reading down.

    Notes
    -----
    Posterior of a normal prior and a normal reading, JCGM 106:2012, 6.3.3 and A.2 (numbers
    from memory): precision :math:`1/s^2 + 1/u^2`, mean weighted by the precisions.
    """
    if not expected_sd > 0:
        raise ValueError(f"standard deviation {expected_sd} of a forecast is not above zero")
    alone = probability_over(depth, limit, u)
    if u == 0:
        return alone, abs(depth - expected_mean) <= _AGREE * expected_sd
    share = expected_sd**2 / (expected_sd**2 + u * u)
    together = probability_over(
        share * depth + (1 - share) * expected_mean, limit, u * math.sqrt(share)
    )
    agree = abs(depth - expected_mean) <= _AGREE * math.hypot(u, expected_sd)
    return (together if agree else max(together, alone)), agree


@dataclass(frozen=True)
class Conformity:
    """How a set of repeated readings stands against a limit.

    Attributes
    ----------
    verdict : {"keep", "recheck", "replace"}
    rule : {"over-limit", "may-be-over", "still-may-be-over", "within", "within-plain"}
        Which rule gave the verdict.
    mean : Decimal
        Mean of the readings in `unit`.
    unit : {"mm", "thou"}
        Unit it was compared in.
    limit : Decimal
        The limit in `unit`.
    p_over : float or None
        P(true depth > limit); None when no uncertainty is known.
    u_mean_mm : float or None
        Standard uncertainty of the mean, in mm.
    readings : int
        How many readings were averaged.
    expected : Expected or None
        The wear forecast that `p_over` was combined with.
    agrees : bool or None
        Whether the mean agrees with it.
    """

    verdict: Verdict
    rule: str
    mean: Decimal
    unit: str
    limit: Decimal
    p_over: float | None
    u_mean_mm: float | None
    readings: int
    expected: Expected | None = None
    agrees: bool | None = None


def limit_in(limit: Limit, unit: str) -> Decimal:
    """Return the limit's own figure in `unit`, converted exactly when it was not quoted so."""
    quoted = limit.figure(unit)
    if quoted is not None:
        return quoted.value
    other = limit.figures[0]
    return other.value * MM_PER_UNIT[other.unit] / MM_PER_UNIT[unit]


def _judge(
    mean: Decimal,
    count: int,
    limit: Limit,
    unit: str,
    u_mean_mm: float | None,
    risk: float,
    expected: Expected | None,
) -> Conformity:
    bound = limit_in(limit, unit)
    over = mean > bound if limit.compare == ">" else mean >= bound
    p_over = agrees = None
    if u_mean_mm is not None:
        scale = float(MM_PER_UNIT[unit])
        u_unit = u_mean_mm / scale
        if expected is None:
            p_over = probability_over(float(mean), float(bound), u_unit)
        else:
            p_over, agrees = combined_probability_over(
                float(mean),
                float(bound),
                u_unit,
                expected.mean_mm / scale,
                expected.sd_mm / scale,
            )
    verdict: Verdict
    if over:
        verdict, rule = "replace", "over-limit"
    elif p_over is None:
        verdict, rule = "keep", "within-plain"
    elif p_over <= risk:
        verdict, rule = "keep", "within"
    elif count == 1:
        verdict, rule = "recheck", "may-be-over"
    else:
        verdict, rule = "replace", "still-may-be-over"
    return Conformity(verdict, rule, mean, unit, bound, p_over, u_mean_mm, count, expected, agrees)


def judge_mean(
    mean_mm: Decimal, count: int, limit: Limit, u_mean_mm: float | None, accepted_risk: float
) -> Conformity:
    """Judge the mean of `count` repeats whose own uncertainty is known, such as of photos.

    Parameters
    ----------
    mean_mm : Decimal
        In millimetres; compared in mm, with a limit in another unit converted exactly.
    count : int
        Repeats behind it, 1 or more. From 2 on, a doubt replaces instead of rechecking.
    limit : Limit
    u_mean_mm : float or None
        Standard uncertainty of the mean, mm: what the repeats share does not average out,
        so it is not divided here. None: the plain rule alone.
    accepted_risk : float

    Returns
    -------
    Conformity
        By the rules of `judge`.
    """
    if count < 1:
        raise ValueError("no readings to judge")
    return _judge(mean_mm, count, limit, "mm", u_mean_mm, accepted_risk, None)


def judge(
    readings: Sequence[Depth],
    limit: Limit,
    u_mm: float | None,
    accepted_risk: float,
    expected: Expected | None = None,
) -> Conformity:
    """Judge repeated readings of one depth against a limit.

    Parameters
    ----------
    readings : sequence of Depth
        At least one. Repeats average; their mean's uncertainty is ``u / sqrt(n)``, which
        treats the gauge's uncertainty as random from reading to reading.
    limit : Limit
    u_mm : float or None
        Standard uncertainty of one reading, mm. None: unknown, the plain rule alone.
    accepted_risk : float
        Largest accepted probability that the true depth is over, in (0, 1).
    expected : Expected or None
        The wear forecast, taken as prior. Never against the plain rule, and nothing
        without `u_mm`, which alone says how far to trust the reading.

    Returns
    -------
    Conformity
        A mean that meets the limit's own comparison replaces, whatever `u_mm` is. Below
        it, a probability above `accepted_risk` asks for repeats, and after repeats
        replaces. Readings in millimetres and in inches are both compared in their own
        unit and the stricter verdict holds.

    Notes
    -----
    Guarded acceptance with the guard band set by an accepted risk: JCGM 106:2012, 8.3;
    ISO 14253-1:2017 (clause numbers from memory).
    """
    if not readings:
        raise ValueError("no readings to judge")
    units = sorted({r.family for r in readings})
    n = len(readings)
    u_mean_mm = None if u_mm is None else u_mm / math.sqrt(n)
    results = [
        _judge(
            sum((r.in_unit(unit) for r in readings), Decimal(0)) / n,
            n,
            limit,
            unit,
            u_mean_mm,
            accepted_risk,
            expected,
        )
        for unit in units
    ]
    return max(results, key=lambda c: (_ORDER.index(c.verdict), c.p_over or 0.0))
