"""A reading with its unit, and how much it says for the symptom it feeds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pitwise.trade.cause_rows import Feed, ReadingKind
from pitwise.trade.units import UnitError

_ROOT2 = math.sqrt(2)
# So many uncertainties off, erfc nears the smallest double; any cap is long passed.
_FAR = 35.0


@dataclass(frozen=True)
class Reading:
    """A number as read, with the unit it was read in."""

    value: float
    unit: str


def log_ratio_beyond(value: float, limit: float, u: float, beyond: str, cap: float) -> float:
    r"""Log likelihood ratio of "beyond the limit" against "not beyond", given a reading.

    Parameters
    ----------
    value, limit : float
        Reading and limit, in one unit.
    u : float
        Standard uncertainty of the reading, same unit, u >= 0.
    beyond : {"low", "high"}
        Which side of the limit the symptom is on.
    cap : float
        Largest size of the result: no gauge is believed without bound.

    Returns
    -------
    float
        In [-cap, cap]; 0 for a reading on the limit.

    Notes
    -----
    .. math:: \log\frac{\pi}{1 - \pi}, \quad \pi = \Phi((v - L)/u)

    for "high": with no word beforehand on which side the true value lies, the odds of being
    beyond are the likelihood ratio (nonconformance probability as in JCGM 106:2012, 7.2.2;
    number from memory).
    """
    if not (u >= 0 and math.isfinite(u) and math.isfinite(value) and math.isfinite(limit)):
        raise ValueError(f"reading {value}, limit {limit}, u {u}: finite numbers, u from 0 up")
    over = value - limit if beyond == "high" else limit - value
    if over == 0:
        return 0.0
    if u == 0:
        return math.copysign(cap, over)
    z = over / u
    if abs(z) > _FAR:
        return math.copysign(cap, z)
    ratio = math.log(math.erfc(-z / _ROOT2)) - math.log(math.erfc(z / _ROOT2))
    return max(-cap, min(cap, ratio))


def reading_log_ratio(kind: ReadingKind, reading: Reading, feed: Feed, cap: float) -> float | None:
    """Return what a reading says of one symptom it feeds; None when that end has no limit.

    Raises
    ------
    UnitError
        Naming the unit and the mend.
    """
    value = kind.canonical(reading.value, reading.unit)
    limit = kind.low if feed.beyond == "low" else kind.high
    return None if limit is None else log_ratio_beyond(value, limit, kind.u, feed.beyond, cap)


__all__ = ["Reading", "UnitError", "log_ratio_beyond", "reading_log_ratio"]
