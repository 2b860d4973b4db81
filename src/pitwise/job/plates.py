"""A list of plates: CSV of `name,starts,arc_minutes`."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass

from pitwise.job.model import ProgramError

COLUMNS = ("name", "starts", "arc_minutes")
_MOST_PLATES = 100_000
_MOST_STARTS = 10_000_000
_MOST_MINUTES = 1e6
_LONGEST_NAME = 200


@dataclass(frozen=True)
class PlateUse:
    """What one plate asks of the torch.

    Attributes
    ----------
    name : str
    starts : int
    arc_minutes : float
    """

    name: str
    starts: int
    arc_minutes: float


def read_plates(text: str) -> tuple[PlateUse, ...]:
    """Read a CSV of plates.

    Parameters
    ----------
    text : str
        First line: the columns, in any order; others are passed over. The separator is a comma,
        a semicolon or a tab, whichever the first line holds; with semicolons or tabs a decimal
        comma is read as such.

    Returns
    -------
    tuple of PlateUse
        In the order of the list.

    Raises
    ------
    ProgramError
        With the line and the mend.
    """
    text = text.removeprefix("\ufeff")
    if "\0" in text:
        raise ProgramError(1, "this is no text", "save the list as CSV (UTF-8)")
    head = next((x for x in text.splitlines() if x.strip()), "")
    separator = max(";\t,", key=head.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    plates: list[PlateUse] = []
    columns: list[int] | None = None
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if columns is None:
                columns = _columns(row, reader.line_num)
                continue
            if len(plates) >= _MOST_PLATES:
                raise ProgramError(
                    reader.line_num, f"more than {_MOST_PLATES} plates", "split the list"
                )
            plates.append(_plate(row, columns, reader.line_num, comma=separator != ","))
    except csv.Error as error:
        raise ProgramError(
            max(1, reader.line_num), f"the CSV is broken ({error})", "mend its quotes"
        ) from error
    if columns is None:
        raise ProgramError(1, "the list is empty", f"begin it with {','.join(COLUMNS)}")
    return tuple(plates)


def _columns(row: list[str], line: int) -> list[int]:
    names = [cell.strip().lower() for cell in row]
    for name in COLUMNS:
        if names.count(name) != 1:
            raise ProgramError(
                line,
                f"the column '{name}' is {'there twice' if name in names else 'missing'}",
                f"begin the list with {','.join(COLUMNS)}",
            )
    return [names.index(name) for name in COLUMNS]


def _plate(row: list[str], columns: list[int], line: int, *, comma: bool) -> PlateUse:
    if len(row) <= max(columns):
        raise ProgramError(line, "a value is missing", f"give {', '.join(COLUMNS)}")
    name, starts, minutes = (row[i].strip() for i in columns)
    if not name:
        raise ProgramError(line, "the plate has no name", "give it one")
    if len(name) > _LONGEST_NAME or not name.isprintable():
        raise ProgramError(
            line, "the name is too long or can't be printed", "use up to 200 plain characters"
        )
    count = _number(starts, "starts", line, _MOST_STARTS, comma=comma)
    if count != int(count):
        raise ProgramError(line, f"starts: '{starts}' is no whole number", "mend it")
    return PlateUse(
        name, int(count), _number(minutes, "arc_minutes", line, _MOST_MINUTES, comma=comma)
    )


def _number(text: str, name: str, line: int, most: float, *, comma: bool) -> float:
    try:
        value = float(text.replace(",", ".") if comma else text)
    except ValueError:
        value = math.nan
    if not 0 <= value <= most or "_" in text:
        shown = text if len(text) <= 40 else text[:40] + "…"
        raise ProgramError(
            line, f"{name}: '{shown}' is no number from 0 to {most:g}", "write it in plain digits"
        )
    return value
