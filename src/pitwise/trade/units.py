"""Units of readings: what is accepted, and the unit each is kept in.

Factors are exact by definition (inch 25.4 mm, US gallon 3.785411784 l, foot 304.8 mm),
or follow from such: 1 psi = 6894.757293168 Pa (pound-force and inch; NIST SP 811, App. B),
1 kgf = 9.80665 N.
Pressures are gauge pressures. Flows are kept as they are read: no conversion between
actual and normal conditions is made. A gallon is the US gallon.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Callable
from dataclasses import dataclass


class UnitError(ValueError):
    """A reading that can't be taken: its problem and the mend.

    Attributes
    ----------
    problem, mend : str
        What is wrong, and what to do about it.
    """

    def __init__(self, problem: str, mend: str) -> None:
        self.problem, self.mend = problem, mend
        super().__init__(f"{problem}. Mend: {mend}.")


@dataclass(frozen=True)
class _Unit:
    """canonical = value × factor + offset, unless `curve` says otherwise."""

    name: str
    dimension: str
    factor: float
    offset: float = 0.0
    also: tuple[str, ...] = ()
    curve: Callable[[float], float] | None = None


# dimension -> canonical unit, least value in it that can be
_DIMENSIONS: dict[str, tuple[str, float | None]] = {
    "pressure": ("bar", -1.01325),
    "temperature": ("°C", -273.15),
    "flow": ("l/min", 0.0),
    "conductivity": ("µS/cm", 0.0),
    "voltage": ("V", None),
    "resistance": ("ohm", 0.0),
    "length": ("mm", None),
    "speed": ("mm/min", 0.0),
    "share": ("%", 0.0),
    "oil content": ("mg/m3", 0.0),
    "number": ("count", 0.0),
    "time": ("min", 0.0),
    "angle": ("deg", None),
}
_PSI_BAR = 6894.757293168 / 1e5
_GALLON_L = 3.785411784
_FOOT3_L = 0.3048**3 * 1000

_UNITS = (
    _Unit("bar", "pressure", 1.0, also=("bar g", "barg", "bar(g)")),
    _Unit("mbar", "pressure", 1e-3),
    _Unit("Pa", "pressure", 1e-5),
    _Unit("kPa", "pressure", 0.01),
    _Unit("MPa", "pressure", 10.0),
    _Unit("kgf/cm2", "pressure", 0.980665, also=("kgf/cm^2", "kg/cm2", "kg/cm^2")),
    _Unit("psi", "pressure", _PSI_BAR, also=("psig", "psi g", "lbf/in2", "lb/in2")),
    _Unit("°C", "temperature", 1.0, also=("C", "degC", "deg C")),
    _Unit("°F", "temperature", 5 / 9, -160 / 9, also=("F", "degF", "deg F")),
    _Unit("K", "temperature", 1.0, -273.15, also=("kelvin",)),
    _Unit("l/min", "flow", 1.0, also=("lpm", "litre/min", "liter/min")),
    _Unit("l/h", "flow", 1 / 60, also=("lph",)),
    _Unit("l/s", "flow", 60.0, also=("lps",)),
    _Unit("ml/min", "flow", 1e-3),
    _Unit("m3/h", "flow", 1000 / 60, also=("m^3/h", "m³/h")),
    _Unit("gal/min", "flow", _GALLON_L, also=("gpm", "US gal/min", "usgpm")),
    _Unit("ft3/h", "flow", _FOOT3_L / 60, also=("cfh", "ft^3/h", "ft³/h", "scfh")),
    _Unit("ft3/min", "flow", _FOOT3_L, also=("cfm", "ft^3/min", "ft³/min", "scfm")),
    _Unit("µS/cm", "conductivity", 1.0, also=("uS/cm", "umho/cm")),
    _Unit("mS/cm", "conductivity", 1000.0),
    _Unit("mS/m", "conductivity", 10.0),
    _Unit("V", "voltage", 1.0, also=("volt", "volts", "Vdc")),
    _Unit("mV", "voltage", 1e-3),
    _Unit("ohm", "resistance", 1.0, also=("Ω", "ohms")),
    _Unit("mohm", "resistance", 1e-3, also=("mΩ",)),
    _Unit("kohm", "resistance", 1e3, also=("kΩ",)),
    _Unit("Mohm", "resistance", 1e6, also=("MΩ",)),
    _Unit("mm", "length", 1.0),
    _Unit("cm", "length", 10.0),
    _Unit("µm", "length", 1e-3, also=("um", "micron", "microns")),
    _Unit("in", "length", 25.4, also=("inch", "inches", '"')),
    _Unit("thou", "length", 0.0254, also=("mil", "mils")),
    _Unit("mm/min", "speed", 1.0),
    _Unit("m/min", "speed", 1000.0),
    _Unit("in/min", "speed", 25.4, also=("ipm",)),
    _Unit("%", "share", 1.0, also=("percent", "per 100 starts", "/100 starts", "per 100")),
    _Unit("ppm", "share", 1e-4),
    _Unit("mg/m3", "oil content", 1.0, also=("mg/m^3", "mg/m³")),
    _Unit("count", "number", 1.0, also=("1", "x")),
    _Unit("min", "time", 1.0, also=("minutes", "minute")),
    _Unit("s", "time", 1 / 60, also=("sec", "seconds")),
    _Unit("h", "time", 60.0, also=("hours", "hour")),
    _Unit("deg", "angle", 1.0, also=("°", "degrees", "degree")),
    # Out of square is often read as an offset over the length of a square.
    _Unit(
        "mm/100mm",
        "angle",
        1.0,
        also=("mm per 100 mm", "mm/100 mm"),
        curve=lambda x: math.degrees(math.atan2(x, 100.0)),
    ),
)


def _plain(text: str) -> str:
    folded = text.strip().replace("μ", "µ").replace("²", "2")
    return re.sub(r"\s*/\s*", "/", re.sub(r"\s+", " ", folded))


_BY_NAME = {_plain(name): unit for unit in _UNITS for name in (unit.name, *unit.also)}
# Of multiples and parts, in small letters.
_PREFIXES = frozenset("cdghkmnptuμ")
_BY_FOLD: dict[str, list[tuple[str, _Unit]]] = {}
for _name, _unit in _BY_NAME.items():
    _BY_FOLD.setdefault(_name.casefold(), []).append((_name, _unit))


def canonical_units() -> tuple[str, ...]:
    """Return the units readings are kept in."""
    return tuple(unit for unit, _ in _DIMENSIONS.values())


def accepted_units(canonical: str) -> tuple[str, ...]:
    """Return the units that convert to `canonical`, itself first.

    Raises
    ------
    UnitError
        When `canonical` is no unit readings are kept in.
    """
    dimension = _find(canonical).dimension
    names = [u.name for u in _UNITS if u.dimension == dimension]
    return tuple(sorted(names, key=lambda n: n != _DIMENSIONS[dimension][0]))


def _find(text: str, dimension: str | None = None) -> _Unit:
    """Return a unit; refuse an unknown one and name the nearest of its dimension."""
    plain = _plain(text)
    found = _BY_NAME.get(plain)
    if found is None and plain:
        # m and M are different prefixes: a milli is not guessed to be a mega.
        found = next(
            (
                unit
                for name, unit in _BY_FOLD.get(plain.casefold(), ())
                if {plain[0], name[0]} != {"m", "M"}
            ),
            None,
        )
    if found is not None:
        return found
    fold = plain.casefold()
    own = [u for u in _UNITS if dimension in (None, u.dimension)]
    spelt = {
        _plain(name).casefold(): u.name
        for u in own
        for name in (u.name, *u.also)
        if not _prefix_apart(fold, _plain(name).casefold())
    }
    # Of two letters any unit of two is half alike.
    near = difflib.get_close_matches(fold, spelt, 1, 0.6) if len(fold) > 2 else []
    raise UnitError(
        f"unit '{text[:30]}' is not known",
        f"did you mean '{spelt[near[0]]}'"
        if near
        else f"use one of {', '.join(u.name for u in own)}",
    )


def _prefix_apart(one: str, other: str) -> bool:
    """Return whether two units differ in their prefix alone, or are a milli and a mega."""
    first, second = one[:1] in _PREFIXES, other[:1] in _PREFIXES
    return (
        one == other
        or (first and one[1:] == other)
        or (second and one == other[1:])
        or (first and second and one[1:] == other[1:])
    )


def to_canonical(value: float, unit: str, canonical: str) -> float:
    """Return a value read in `unit` in the unit readings of its kind are kept in.

    Parameters
    ----------
    value : float
        The number as read; gauge pressure where it is a pressure.
    unit : str
        Any unit of :func:`accepted_units`, or one of their other spellings
        ("uS/cm", "psig", "gpm" = US gallons a minute).
    canonical : str
        One of :func:`canonical_units`.

    Returns
    -------
    float
        The value in `canonical`.

    Raises
    ------
    UnitError
        Unknown unit (the nearest is named), a unit of something else (both are named),
        a number that is not finite, or one below what can be (absolute zero, a vacuum,
        a flow below nothing).
    """
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise UnitError(f"{value!r} is no number that can be read off", "write a plain number")
    kept = _find(canonical)
    there = _find(unit, kept.dimension)
    name, least = _DIMENSIONS[kept.dimension]
    if kept.name != name:
        raise UnitError(f"readings are not kept in '{canonical}'", f"use '{name}'")
    if there.dimension != kept.dimension:
        raise UnitError(
            f"'{there.name}' measures {there.dimension}, '{name}' measures {kept.dimension}",
            f"give it in one of {', '.join(accepted_units(name))}",
        )
    got = there.curve(value) if there.curve else value * there.factor + there.offset
    if not math.isfinite(got) or (least is not None and got < least - 1e-9):
        floor = "any number" if least is None else f"{least:g} {name}"
        raise UnitError(
            f"{value:g} {there.name} can't be: no {kept.dimension} is below {floor}",
            "look at the number and its sign",
        )
    return got
