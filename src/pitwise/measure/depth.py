"""Depths as a gauge shows them: text in, an exact number with its unit out."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from decimal import Decimal

# International inch, exact: 1 in = 25.4 mm (NIST SP 811 (2008), appendix B.6).
MM_PER_INCH = Decimal("25.4")
MM_PER_UNIT = {"mm": Decimal(1), "thou": MM_PER_INCH / 1000, "in": MM_PER_INCH}

_UNIT_WORDS = {
    "mm": "mm",
    "millimetre": "mm",
    "millimeter": "mm",
    "millimetres": "mm",
    "millimeters": "mm",
    "thou": "thou",
    "mil": "thou",
    "mils": "thou",
    "in": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "″": "in",
    "''": "in",
}
_SHAPE = re.compile(r"\+?(\d{0,7}(?:[.,]\d{0,8})?)\s*([^\d\s.,+-]*)\.?")
_MAX_TEXT = 40


class ReadingError(ValueError):
    """A reading that can't be understood; the message says how to write it."""


@dataclass(frozen=True)
class Depth:
    """A depth exactly as read.

    Attributes
    ----------
    value : Decimal
        The number as written, in `unit`; never negative.
    unit : {"mm", "thou", "in"}
    text : str
        What was typed.
    bare : bool
        True when no unit was written and the default was taken.
    """

    value: Decimal
    unit: str
    text: str
    bare: bool = False

    @property
    def mm(self) -> Decimal:
        """The depth in millimetres, exact."""
        return self.value * MM_PER_UNIT[self.unit]

    @property
    def thou(self) -> Decimal:
        """The depth in thousandths of an inch."""
        return self.value * MM_PER_UNIT[self.unit] / MM_PER_UNIT["thou"]

    @property
    def family(self) -> str:
        """The unit limits are compared in: 'mm', or 'thou' for thou and inch."""
        return "mm" if self.unit == "mm" else "thou"

    def in_unit(self, unit: str) -> Decimal:
        """Return the depth in `unit` ('mm' or 'thou')."""
        return self.mm if unit == "mm" else self.thou

    def words(self) -> str:
        """Write it as number and unit, e.g. '1.45 mm'."""
        return f"{self.value} {self.unit}"


def parse_depth(text: str | float, default_unit: str = "mm") -> Depth:
    """Read a depth such as ``1.45 mm``, ``1,45``, ``57 thou`` or ``0.057 in``.

    Parameters
    ----------
    text : str or number
        Number with an optional unit; a comma counts as a decimal sign.
    default_unit : {"mm", "thou", "in"}
        Unit of a bare number (a gauge that types digits only).

    Returns
    -------
    Depth

    Raises
    ------
    ReadingError
        Empty, negative, two numbers, an unknown unit, not finite.

    Notes
    -----
    1 in = 25.4 mm exactly [1]_, 1 thou = 0.001 in.

    .. [1] NIST Special Publication 811 (2008), appendix B.
    """
    if isinstance(text, bool):
        raise ReadingError("a depth is a number with a unit, such as 1.45 mm")
    written = str(text)
    if len(written) > _MAX_TEXT:
        raise ReadingError(f"'{written[:20]}…' is too long for a depth: write it as 1.45 mm")
    plain = unicodedata.normalize("NFKC", written).strip().casefold()
    if not plain:
        raise ReadingError("the depth is empty: write it as 1.45 mm or 57 thou")
    if re.match(r"[-−–]\s*[\d.,]", plain):
        raise ReadingError(f"'{written}' is negative: zero the gauge on the face and gauge again")
    if re.fullmatch(r"[\d]+\s*/\s*[\d]+.*", plain):
        raise ReadingError(f"'{written}' is a fraction: write it as a decimal, such as 0.057 in")
    found = _SHAPE.fullmatch(plain)
    if not found or not any(c.isdigit() for c in found[1]):
        raise ReadingError(f"can't read '{written}' as a depth: write it as 1.45 mm or 57 thou")
    unit = _UNIT_WORDS.get(found[2]) if found[2] else default_unit
    if unit is None:
        raise ReadingError(f"unknown unit '{found[2]}' in '{written}': use mm, thou or in")
    number = found[1].replace(",", ".")
    return Depth(
        Decimal(number.strip(".") if number.endswith(".") else number),
        unit,
        written,
        bare=not found[2],
    )
