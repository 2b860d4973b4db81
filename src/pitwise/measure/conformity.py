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
    """

    verdict: Verdict
    rule: str
    mean: Decimal
    unit: str
    limit: Decimal
    p_over: float | None
    u_mean_mm: float | None
    readings: int


def limit_in(limit: Limit, unit: str) -> Decimal:
    """Return the limit's own figure in `unit`, converted exactly when it was not quoted so."""
    quoted = limit.figure(unit)
    if quoted is not None:
        return quoted.value
    other = limit.figures[0]
    return other.value * MM_PER_UNIT[other.unit] / MM_PER_UNIT[unit]


def _judge(
    readings: Sequence[Depth], limit: Limit, unit: str, u_mm: float | None, risk: float
) -> Conformity:
    mean = sum((r.in_unit(unit) for r in readings), Decimal(0)) / len(readings)
    bound = limit_in(limit, unit)
    over = mean > bound if limit.compare == ">" else mean >= bound
    u_mean_mm = None if u_mm is None else u_mm / math.sqrt(len(readings))
    p_over = None
    if u_mean_mm is not None:
        u_unit = u_mean_mm / float(MM_PER_UNIT[unit])
        p_over = probability_over(float(mean), float(bound), u_unit)
    verdict: Verdict
    if over:
        verdict, rule = "replace", "over-limit"
    elif p_over is None:
        verdict, rule = "keep", "within-plain"
    elif p_over <= risk:
        verdict, rule = "keep", "within"
    elif len(readings) == 1:
        verdict, rule = "recheck", "may-be-over"
    else:
        verdict, rule = "replace", "still-may-be-over"
    return Conformity(verdict, rule, mean, unit, bound, p_over, u_mean_mm, len(readings))


def judge(
    readings: Sequence[Depth], limit: Limit, u_mm: float | None, accepted_risk: float
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
    results = [_judge(readings, limit, unit, u_mm, accepted_risk) for unit in units]
    return max(results, key=lambda c: (_ORDER.index(c.verdict), c.p_over or 0.0))
