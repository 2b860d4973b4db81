"""Slips of the hand, caught and questioned: wrong unit, impossible depth, shrinking pit.

A slip is a question to the person who typed, never a silent correction. A question that
could hide a deep pit holds the electrode at 'recheck' until it is answered; one that errs
on the safe side (a depth no emitter has) leaves the plain rule in force.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

from pitwise.measure.conformity import Expected
from pitwise.measure.depth import Depth

# No hand-held gauge in inches resolves finer than 0.0005 in (common practice, no source).
_FINEST_THOU = Decimal("0.5")
# A pit this shallow is not told from a new emitter's face (common practice, no source).
_LEAST_MM = Decimal("0.2")


@dataclass(frozen=True)
class Slip:
    """A question about a reading.

    Attributes
    ----------
    code : str
        ``unit-slip``, ``deeper-than-emitter``, ``shallower-than-before``,
        ``shallower-than-expected``, ``deeper-than-expected``, ``repeats-disagree``.
    text : str
        The question, in words.
    holds : bool
        True when the reading may hide a deep pit, so the part is rechecked until answered.
    """

    code: str
    text: str
    holds: bool


def _as_unit(reading: Depth, unit: str) -> Depth:
    return Depth(reading.value, unit, reading.text)


def _plausible(reading: Depth, deepest_mm: Decimal) -> bool:
    return _LEAST_MM <= reading.mm <= deepest_mm


def _unit_slip(reading: Depth, deepest_mm: Decimal, last: Depth | None) -> Slip | None:
    """A number that only makes sense in another unit."""
    others = [u for u in ("mm", "thou", "in") if u != reading.unit]
    fits = [_as_unit(reading, u) for u in others]
    fits = [d for d in fits if _plausible(d, deepest_mm)]
    if not fits:
        return None
    meant = fits[0]
    if reading.mm > deepest_mm:
        return Slip(
            "unit-slip",
            f"{reading.words()} is deeper than any emitter. Was it {meant.words()}?",
            holds=False,
        )
    too_fine = reading.unit == "thou" and reading.value % _FINEST_THOU != 0
    as_inch = reading.unit == "mm" and meant.unit == "in"
    bare_inch = (
        as_inch
        and reading.bare
        and reading.mm < Decimal("0.1")
        and (-int(reading.value.as_tuple().exponent) >= 3)
    )
    shrunk = last is not None and reading.mm < last.mm / 4 and last.mm * Decimal("0.8") <= meant.mm
    if too_fine or bare_inch or shrunk:
        return Slip(
            "unit-slip",
            f"{reading.words()} is {float(reading.mm):.2g} mm. Was it {meant.words()}?",
            holds=True,
        )
    return None


def _surprise(mean_mm: float, expected: Expected) -> Slip | None:
    """A reading the wear forecast would see once in 200 times, or less."""
    said = (
        f"about {expected.mean_mm:.2f} mm, {max(0.0, expected.low_mm):.2f} to "
        f"{expected.high_mm:.2f} mm at the outside"
    )
    if mean_mm > expected.high_mm:
        return Slip(
            "deeper-than-expected",
            f"{mean_mm:.2f} mm is far deeper than its use explains (forecast: {said}). Gauge "
            "again; if it is so, something is eating this electrode.",
            holds=False,
        )
    if mean_mm < expected.low_mm:
        return Slip(
            "shallower-than-expected",
            f"{mean_mm:.2f} mm is far shallower than its use explains (forecast: {said}). Was "
            "the tip on the pit's floor, and is this the electrode the book thinks it is?",
            holds=True,
        )
    return None


def find_slips(
    readings: Sequence[Depth],
    *,
    last: Depth | None,
    u_mm: float | None,
    deepest_mm: Decimal,
    coverage: float,
    expected: Expected | None = None,
) -> tuple[Slip, ...]:
    """Question readings that can't be right.

    Parameters
    ----------
    readings : sequence of Depth
        Repeated readings of one pit.
    last : Depth or None
        The last accepted reading of the same pit.
    u_mm : float or None
        Standard uncertainty of one reading, mm; None is taken as 0 here.
    deepest_mm : Decimal
        Depth no emitter exceeds, mm.
    coverage : float
        Factor k on the combined standard uncertainty.
    expected : Expected or None
        What the wear forecast says the reading should be.

    Returns
    -------
    tuple of Slip
        At most one of each code.
    """
    found: dict[str, Slip] = {}
    for reading in readings:
        slip = _unit_slip(reading, deepest_mm, last)
        if slip is None and reading.mm > deepest_mm:
            slip = Slip(
                "deeper-than-emitter",
                f"{reading.words()} is deeper than any emitter "
                f"({deepest_mm} mm): gauge again, tip on the pit's floor",
                holds=False,
            )
        if slip is not None:
            found.setdefault(slip.code, slip)
    if not readings:
        return ()
    u = u_mm or 0.0
    n = len(readings)
    mean = sum((r.mm for r in readings), Decimal(0)) / n
    if last is not None:
        combined = math.sqrt(u * u / n + u * u)
        if float(last.mm - mean) > coverage * combined and mean < last.mm:
            found["shallower-than-before"] = Slip(
                "shallower-than-before",
                f"{float(mean):.2f} mm is shallower than the last reading, {last.words()}. A pit "
                "does not fill up: gauge again, or was another electrode fitted?",
                holds=True,
            )
    if expected is not None:
        slip = _surprise(float(mean), expected)
        if slip is not None and not found.keys() & {
            "unit-slip",
            "deeper-than-emitter",
            "shallower-than-before",
        }:
            found[slip.code] = slip
    spread = max(r.mm for r in readings) - min(r.mm for r in readings)
    if n > 1 and u > 0 and float(spread) > 4 * math.sqrt(2) * u:
        found["repeats-disagree"] = Slip(
            "repeats-disagree",
            f"The readings lie {float(spread):.2f} mm apart, more than this "
            "gauge should scatter: clean the pit and gauge again",
            holds=True,
        )
    return tuple(found.values())
