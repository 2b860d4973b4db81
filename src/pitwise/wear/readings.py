"""Readings of many electrodes from CSV text, checked line by line."""

from __future__ import annotations

import csv
import io
import math
from typing import TYPE_CHECKING, cast, get_args

from pitwise.wear.history import Ended, History, HistoryError, Step

if TYPE_CHECKING:
    from _csv import Reader

_NEEDED = ("electrode", "process", "starts", "arc_minutes", "depth_mm")
_KNOWN = (*_NEEDED, "sigma_mm", "ended")


class ReadingsError(ValueError):
    """A readings file that can't be used: names line and mend (line 0: the whole file)."""

    def __init__(self, line: int, problem: str, mend: str) -> None:
        self.line, self.problem, self.mend = line, problem, mend
        place = f"line {line}: " if line else ""
        super().__init__(f"{place}{problem}. Mend: {mend}.")


def _number(line: int, column: str, text: str, *, decimal_comma: bool) -> float:
    plain = text.replace(",", ".") if decimal_comma else text
    try:
        value = float(plain)
    except ValueError:
        raise ReadingsError(
            line,
            f"{column} '{text[:40]}' is not a number",
            "write a bare number in the column's own unit",
        ) from None
    if not math.isfinite(value):
        raise ReadingsError(line, f"{column} is {text}", "write a finite number, or leave it empty")
    return value


def read_readings(text: str) -> tuple[History, ...]:
    """Read electrodes from CSV text.

    Columns ``electrode,process,starts,arc_minutes,depth_mm`` in any order, then optionally
    ``sigma_mm`` (standard uncertainty of that reading) and ``ended``
    (``running|replaced|lost``, on any row of the electrode). Starts and arc minutes count
    since the electrode was new; an empty depth is use without a reading. Fields may be
    parted by semicolons, with decimal commas then.

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple of History
        In order of first appearance; rows of one electrode in order of use.

    Raises
    ------
    ReadingsError
        Naming the line and the mend.
    """
    if not text.strip():
        raise ReadingsError(0, "the file is empty", f"give it the header {','.join(_NEEDED)}")
    if "\x00" in text:
        raise ReadingsError(0, "the file is not text", "save the table as CSV")
    first = text.lstrip("\ufeff").splitlines()[0]
    semicolons = first.count(";") > first.count(",")
    rows = csv.reader(
        io.StringIO(text.lstrip("\ufeff"), newline=""), delimiter=";" if semicolons else ","
    )
    try:
        return _read(rows, decimal_comma=semicolons)
    except csv.Error as error:
        raise ReadingsError(
            rows.line_num, f"not readable as CSV ({error})", "mend that line"
        ) from None


def _columns(header: list[str]) -> dict[str, int]:
    names = [cell.strip().casefold() for cell in header]
    for name in names:
        if name not in _KNOWN:
            raise ReadingsError(
                1, f"unknown column '{name[:40]}'", f"use {', '.join(_KNOWN)}, each once"
            )
        if names.count(name) > 1:
            raise ReadingsError(1, f"column '{name}' stands twice", "keep one of them")
    missing = [name for name in _NEEDED if name not in names]
    if missing:
        raise ReadingsError(1, f"column '{missing[0]}' is missing", f"add it: {','.join(_NEEDED)}")
    return {name: names.index(name) for name in names}


def _read(rows: Reader, *, decimal_comma: bool) -> tuple[History, ...]:
    places = _columns(next(rows))
    steps: dict[str, list[tuple[Step, int]]] = {}
    ends: dict[str, tuple[str, int]] = {}
    for cells in rows:
        line = rows.line_num
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(places):
            raise ReadingsError(
                line, f"{len(cells)} fields where the header has {len(places)}", "mend that line"
            )
        field = {name: cells[k].strip() for name, k in places.items()}
        for name in ("electrode", "process"):
            if not field[name] or len(field[name]) > 200:
                raise ReadingsError(line, f"{name} is empty or too long", "name it")
        numbers: dict[str, float | None] = {}
        for name in ("starts", "arc_minutes", "depth_mm", "sigma_mm"):
            value = field.get(name, "")
            if not value and name in ("starts", "arc_minutes"):
                raise ReadingsError(line, f"{name} is empty", "write the use since it was new")
            numbers[name] = (
                _number(line, name, value, decimal_comma=decimal_comma) if value else None
            )
        sigma = numbers["sigma_mm"]
        if sigma is not None and sigma <= 0:
            raise ReadingsError(
                line, f"sigma_mm {sigma:g} is not above zero", "leave it empty if not known"
            )
        step = Step(
            numbers["starts"] or 0.0,
            numbers["arc_minutes"] or 0.0,
            numbers["depth_mm"],
            field["process"],
            sigma,
        )
        if step.starts < 0 or step.arc_minutes < 0:
            raise ReadingsError(line, "use below zero", "count it since the electrode was new")
        steps.setdefault(field["electrode"], []).append((step, line))
        _take_end(ends, field["electrode"], field.get("ended", "").casefold(), line)
    return tuple(_history(name, own, ends.get(name)) for name, own in steps.items())


def _take_end(ends: dict[str, tuple[str, int]], name: str, word: str, line: int) -> None:
    if not word:
        return
    if word not in get_args(Ended):
        raise ReadingsError(
            line, f"ended '{word[:40]}' is not known", f"use {', '.join(get_args(Ended))}"
        )
    before = ends.get(name, ("running", line))
    if before[0] == "running":
        ends[name] = (word, line)
    elif word not in ("running", before[0]):
        raise ReadingsError(
            line,
            f"electrode {name} was {before[0]} by line {before[1]} and is {word} here",
            "say how it ended once",
        )


def _history(name: str, own: list[tuple[Step, int]], end: tuple[str, int] | None) -> History:
    own.sort(key=lambda pair: (pair[0].starts, pair[0].arc_minutes))
    before = own[0][0]
    for step, line in own:
        if step.arc_minutes < before.arc_minutes:
            raise ReadingsError(
                line,
                f"electrode {name} has {step.arc_minutes:g} arc minutes after "
                f"{step.starts:g} starts, fewer than after {before.starts:g}",
                "count both since it was new",
            )
        before = step
    try:
        return History(
            name, tuple(step for step, _ in own), cast(Ended, end[0] if end else "running")
        )
    except HistoryError as error:
        raise ReadingsError(own[0][1], f"electrode {name}: {error.problem}", error.mend) from error
