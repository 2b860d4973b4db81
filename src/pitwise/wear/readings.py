"""Readings of many electrodes from CSV text, checked line by line."""

from __future__ import annotations

import csv
import difflib
import io
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast, get_args

from pitwise.measure.table import number
from pitwise.trade.given import InputError
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
    try:
        return number(text, f"line {line}", decimal_comma=decimal_comma)
    except InputError as error:
        raise ReadingsError(
            line,
            f"{column} {error.problem}",
            "write a bare number in the column's own unit, or leave it empty",
        ) from error


def read_readings(text: str) -> tuple[History, ...]:
    """Read electrodes from CSV text.

    Columns ``electrode,process,starts,arc_minutes,depth_mm`` in any order, then optionally
    ``sigma_mm`` (standard uncertainty of that reading) and ``ended``
    (``running|replaced|lost``, on its last row or on all). Starts and arc minutes count
    since the electrode was new; an empty depth is use without a reading. Other columns are
    passed over. Fields may be parted by semicolons or tabs, with decimal commas then.

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
    if "\x00" in text:
        raise ReadingsError(0, "the file is not text", "save the table as CSV")
    text = text.lstrip("\ufeff")
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise ReadingsError(0, "the file is empty", f"give it the header {','.join(_NEEDED)}")
    separator = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text, newline=""), delimiter=separator)
    try:
        return _read(rows, decimal_comma=separator != ",")
    except csv.Error as error:
        raise ReadingsError(
            rows.line_num, f"not readable as CSV ({error})", "mend that line"
        ) from None


def _columns(line: int, header: list[str]) -> dict[str, int]:
    names = [cell.strip().casefold() for cell in header]
    for name in names:
        if name in _KNOWN and names.count(name) > 1:
            raise ReadingsError(line, f"column '{name}' stands twice", "keep one of them")
        # Passing over a misspelt column would lose it without a word.
        near = difflib.get_close_matches(name, set(_KNOWN) - set(names), 1, 0.6)
        if name and name not in _KNOWN and near:
            raise ReadingsError(line, f"unknown column '{name[:40]}'", f"did you mean '{near[0]}'")
    missing = [name for name in _NEEDED if name not in names]
    if missing:
        raise ReadingsError(
            line, f"column '{missing[0]}' is missing", f"add it: {','.join(_NEEDED)}"
        )
    return {name: names.index(name) for name in _KNOWN if name in names}


def _read(rows: Reader, *, decimal_comma: bool) -> tuple[History, ...]:
    header = next(cells for cells in rows if any(cell.strip() for cell in cells))
    places, width = _columns(rows.line_num, header), len(header)
    needed = max(places[name] for name in _NEEDED) + 1
    found: dict[str, list[_Row]] = {}
    for cells in rows:
        line = rows.line_num
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[width:]):
            raise ReadingsError(
                line, f"{len(cells)} fields where the header has {width}", "mend that line"
            )
        if len(cells) < needed:
            raise ReadingsError(
                line, f"{len(cells)} fields where {needed} are needed", "mend that line"
            )
        row = _row(
            line, {n: cells[k].strip() for n, k in places.items() if k < len(cells)}, decimal_comma
        )
        found.setdefault(row.electrode, []).append(row)
    return tuple(_history(name, own) for name, own in found.items())


@dataclass(frozen=True)
class _Row:
    line: int
    electrode: str
    step: Step
    ended: str


def _row(line: int, field: dict[str, str], decimal_comma: bool) -> _Row:
    for name in ("electrode", "process"):
        if not field[name] or len(field[name]) > 200:
            raise ReadingsError(line, f"{name} is empty or too long", "name it")
    numbers: dict[str, float | None] = {}
    for name in ("starts", "arc_minutes", "depth_mm", "sigma_mm"):
        value = field.get(name, "")
        if not value and name in ("starts", "arc_minutes"):
            raise ReadingsError(line, f"{name} is empty", "write the use since it was new")
        numbers[name] = _number(line, name, value, decimal_comma=decimal_comma) if value else None
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
    ended = field.get("ended", "").casefold()
    if ended and ended not in get_args(Ended):
        raise ReadingsError(
            line, f"ended '{ended[:40]}' is not known", f"use {', '.join(get_args(Ended))}"
        )
    return _Row(line, field["electrode"], step, ended)


def _end_of(name: str, own: list[_Row]) -> Ended:
    """Return how an electrode ended; refuse a life that goes on after its end."""
    end: _Row | None = None
    for row in own:
        if end is None:
            if row.ended in ("replaced", "lost"):
                end = row
        elif row.ended != end.ended and (row.ended or row.step != end.step):
            raise ReadingsError(
                row.line,
                f"electrode {name} was {end.ended} by line {end.line} and goes on here",
                "say how it ended on its last row, or the same on all its rows; a new electrode"
                " needs a new name",
            )
    return cast(Ended, end.ended) if end is not None else "running"


def _history(name: str, own: list[_Row]) -> History:
    own.sort(key=lambda row: (row.step.starts, row.step.arc_minutes))
    before = own[0].step
    for row in own:
        step = row.step
        if step.arc_minutes < before.arc_minutes:
            raise ReadingsError(
                row.line,
                f"electrode {name} has {step.arc_minutes:g} arc minutes after "
                f"{step.starts:g} starts, fewer than after {before.starts:g}",
                "count both since it was new",
            )
        before = step
    try:
        return History(name, tuple(row.step for row in own), _end_of(name, own))
    except HistoryError as error:
        raise ReadingsError(
            own[0].line, f"electrode {name}: {error.problem}", error.mend
        ) from error
