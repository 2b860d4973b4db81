"""What noise alone may show: a length that only noise makes is no evidence against a part."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

from pitwise.bench.model import HoleReading
from pitwise.measure.conformity import Conformity, judge_mean, limit_in
from pitwise.trade.model import Limit

_OFF_CENTRE = ("orifice-off-centre", "pit-off-centre")
# A floor at this share of the limit or above is "not well below" it (our own choice).
NEAR = 0.5
NOISE, NOT_KNOWN = "lost-in-noise", "not-known"
_SETTLED = "over-limit"


def noise_floor(reading: HoleReading) -> float | None:
    """Return what a perfect part would be read as, mm; None where noise has no sign.

    Notes
    -----
    An off-centre is the length of a vector. With standard uncertainty u on either axis a
    centred hole reads u sqrt(pi/2) on average (Rayleigh's distribution).
    """
    if reading.floor_mm is not None:
        return reading.floor_mm
    if reading.quantity in _OFF_CENTRE and reading.u_mm is not None:
        return reading.u_mm * math.sqrt(math.pi / 2)
    return None


def judge_reading(reading: HoleReading, limit: Limit, risk: float) -> Conformity:
    """Judge one length; beyond `conformity.judge_mean`, by what exceeds the noise.

    Returns
    -------
    Conformity
        Rule 'not-known' or 'lost-in-noise' (both *recheck*) where the photos can't tell.

    Notes
    -----
    Noise only adds to out-of-roundness and off-centre, so the value as read is judged first: a
    value that conforms, conforms. One that doesn't stands as it was judged when

    - ``value - floor``, the least that noise can leave, is over the limit too; or
    - the floor is below half the limit and ``sqrt(value² - floor²)`` (independent noise adds in
      squares) doesn't conform either.

    Otherwise the part is looked at again. A value not known is a lower bound: over the limit it
    replaces, below it nothing is told.
    """
    floor = noise_floor(reading)
    as_read = _judge(reading, reading.value_mm, limit, risk)
    sure = _judge(reading, max(reading.value_mm - (floor or 0.0), 0.0), limit, risk)
    if reading.not_known:
        if sure.rule == _SETTLED:
            return replace(as_read, verdict="replace", rule=_SETTLED, p_over=None)
        return replace(as_read, verdict="recheck", rule=NOT_KNOWN, p_over=None)
    if floor is None:
        return as_read
    close = floor >= NEAR * float(limit_in(limit, "mm"))
    if as_read.verdict == "keep":
        # Without an uncertainty, a floor as high as that leaves nothing to keep it by.
        return (
            replace(as_read, verdict="recheck", rule=NOISE)
            if close and reading.u_mm is None
            else as_read
        )
    if sure.rule == _SETTLED:
        return as_read
    if close:
        return replace(as_read, verdict="recheck", rule=NOISE)
    rest = math.sqrt(max(reading.value_mm**2 - floor**2, 0.0))
    if _judge(reading, rest, limit, risk).verdict == "keep":
        return replace(as_read, verdict="recheck", rule=NOISE)
    return as_read


def _judge(reading: HoleReading, value_mm: float, limit: Limit, risk: float) -> Conformity:
    value = Decimal(f"{value_mm:.6f}")
    return judge_mean(value, reading.photos, limit, reading.u_mm, risk)
