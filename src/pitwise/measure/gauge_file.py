"""A gauge study from CSV text: ``part,person,trial,value``."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.trade.given import InputError
from pitwise.trade.units import UnitError, to_canonical

from .gauge import Floats
from .gauge_model import GaugeError
from .table import columns, number, read_table

_HEADER = ("part", "person", "trial", "value")
_VALUE = re.compile(r"([+\-−]?[\d.,]+(?:[eE][+-]?\d+)?)\s*([^\d\s.,].*)?")
_MOST = 1_000_000
# Beyond these a reading is a slip, and its square would not be finite, or nothing.
_LARGEST, _SMALLEST = 1e100, 1e-100
# 1, 01, 1.0 and 1,0 are one number.
_WHOLE = re.compile(r"0*(\d+)(?:[.,]0*)?")
_LONGEST = 100
_KEPT = "mm"


@dataclass(frozen=True)
class Readings:
    """Readings of a crossed study.

    Attributes
    ----------
    x : (people, parts, trials) array
        In `unit`; NaN where a reading is missing.
    lines : (people, parts, trials) array of int
        Where each stands in the file; 0 where it is missing.
    people, parts, trials : tuple of str
        Names, in order of first appearance.
    unit : str or None
        "mm" where the readings have units, None for bare numbers.
    """

    x: Floats
    lines: npt.NDArray[np.int64]
    people: tuple[str, ...]
    parts: tuple[str, ...]
    trials: tuple[str, ...]
    unit: str | None


def _same(name: str) -> str:
    """Return what two names of one thing have in common: numbers are compared as numbers."""
    found = _WHOLE.fullmatch(name)
    return found[1] if found else name


def read_value(text: str, place: str, *, decimal_comma: bool = True) -> tuple[float, bool]:
    """Read a number with or without a unit of length; returns it (mm if with) and whether with.

    Raises
    ------
    InputError
        No number, not finite, or a unit that is none of length.
    """
    found = _VALUE.fullmatch(text)
    if not found:
        # Says what is wrong with it: nan, words, nothing.
        return number(text, place, decimal_comma=decimal_comma), False
    value = number(found[1], place, decimal_comma=decimal_comma)
    if abs(value) > _LARGEST or 0 < abs(value) < _SMALLEST:
        size = "larger" if abs(value) > 1 else "smaller"
        raise InputError(place, f"'{text[:40]}' is {size} than can be", "correct it")
    if not found[2]:
        return value, False
    try:
        return to_canonical(value, found[2], _KEPT), True
    except UnitError as error:
        raise InputError(place, error.problem, error.mend) from error


def read_study(text: str) -> Readings:
    """Return the readings of CSV text with the header ``part,person,trial,value``.

    Parameters
    ----------
    text : str
        A reading a line, columns in any order. A value may have a unit of length; then all
        must, and they are returned in mm.

    Raises
    ------
    InputError
        Naming the line and the mend. Missing readings are left to the study, as NaN.
    """
    table = read_table(text, ",".join(_HEADER))
    order = columns(table, _HEADER)
    names: tuple[dict[str, int], ...] = ({}, {}, {})
    first: tuple[list[str], ...] = ([], [], [])
    lines: dict[tuple[int, ...], int] = {}
    found: list[float] = []
    with_unit: bool | None = None
    for line, fields in table.rows():
        own = [fields[k] for k in order]
        for what, name in zip(_HEADER[:3], own[:3], strict=True):
            if not name or len(name) > _LONGEST:
                problem = "is longer than 100 characters" if name else "is empty"
                raise InputError(f"line {line}, {what}", problem, f"name the {what}")
        key = tuple(
            known.setdefault(_same(n), len(known)) for known, n in zip(names, own[:3], strict=True)
        )
        for shown, k, name in zip(first, key, own[:3], strict=True):
            if k == len(shown):
                shown.append(name)
        if key in lines:
            raise InputError(
                f"line {line}",
                f"part {own[0]}, person {own[1]}, trial {own[2]} stands in line {lines[key]} too",
                "keep one, or number the trials apart",
            )
        place = f"line {line}, value"
        value, unit = read_value(own[3], place, decimal_comma=table.decimal_comma)
        if with_unit is None:
            with_unit = unit
        elif unit != with_unit:
            raise InputError(
                place,
                "some values have a unit and some have none",
                "write the unit with every value, or with none",
            )
        lines[key] = line
        found.append(value)
        if len(found) > _MOST:
            raise InputError(f"line {line}", f"more than {_MOST:,} readings", "give one study")
    if not found:
        raise InputError("", "has no readings", f"write a line for each: {','.join(_HEADER)}")
    parts, people, trials = (tuple(shown) for shown in first)
    if len(parts) * len(people) * len(trials) > 100 * len(found) + 100:
        raise GaugeError(
            "",
            f"{len(found)} readings of {len(parts)} parts by {len(people)} people in "
            f"{len(trials)} trials are no crossed study",
            "let each person read each part, trials numbered 1, 2, … for each",
        )
    x = np.full((len(people), len(parts), len(trials)), np.nan)
    at = np.array(list(lines), dtype=int)
    x[at[:, 1], at[:, 0], at[:, 2]] = found
    where = np.zeros(x.shape, dtype=np.int64)
    where[at[:, 1], at[:, 0], at[:, 2]] = list(lines.values())
    return Readings(x, where, people, parts, trials, _KEPT if with_unit else None)
