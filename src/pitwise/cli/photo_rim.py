"""`--rim-mm` and `--rim-u-mm` of `pitwise photo`: the length that gives a photo its scale."""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from decimal import Decimal

from pitwise.measure.depth import MM_PER_UNIT, Depth, ReadingError, parse_depth
from pitwise.services.errors import ServiceError
from pitwise.services.part_faces import RIM_MM, figure_u_mm

_MOST_U_MM = 1.0
_WORDS = {"in": "inches", "thou": "thou"}


@dataclass(frozen=True)
class Rim:
    """The rim's diameter as given, and its standard uncertainty, mm."""

    mm: float
    u_mm: float


def add_rim_options(own: argparse.ArgumentParser) -> None:
    """Add the options."""
    own.add_argument(
        "--rim-mm",
        metavar="D",
        help="outer diameter of the face: 14.00, or with a unit, 14.00mm, 0.551in",
    )
    own.add_argument(
        "--rim-u-mm",
        metavar="U",
        help="standard uncertainty of it, mm; default: half the last digit of D either way",
    )


def read_rim(text: str | None, u_text: str | None) -> Rim | None:
    """Read both options; None: no rim is given.

    Raises
    ------
    ServiceError
        Names the option. A bare number that only makes sense in inches or thou is asked about.
    """
    if text is None:
        if u_text is not None:
            raise ServiceError("--rim-u-mm", "there is no rim", "give --rim-mm D too")
        return None
    given = _length("--rim-mm", text, "write it as 14.00 or 14.00mm")
    low, high = RIM_MM
    if not low <= given.mm <= high:
        raise ServiceError(
            "--rim-mm", f"{given.words()} is no rim of a torch's part", _mend(given, low, high)
        )
    if u_text is None:
        return Rim(float(given.mm), figure_u_mm(given))
    u = _length("--rim-u-mm", u_text, "write it as 0.02")
    if not 0 < u.mm <= min(_MOST_U_MM, float(given.mm) / 10):
        raise ServiceError(
            "--rim-u-mm", f"{u.words()} can't be", "give more than 0, up to a tenth of the rim"
        )
    return Rim(float(given.mm), float(u.mm))


def _length(option: str, text: str, mend: str) -> Depth:
    try:
        return parse_depth(text)
    except ReadingError as error:
        if text.strip()[:1] in "-−–":
            raise ServiceError(option, f"'{text[:40]}' is below zero", mend) from error
        raise ServiceError(option, f"can't read '{text[:40]}' as a length", mend) from error


def _mend(given: Depth, low: float, high: float) -> str:
    if given.bare:
        for unit in ("in", "thou"):
            mm = given.value * MM_PER_UNIT[unit]
            if Decimal(str(low)) <= mm <= Decimal(str(high)):
                return f"is it in {_WORDS[unit]}? Then write {given.value}{unit} ({mm:.3f} mm)"
    return f"give {low:g} to {high:g} mm"
