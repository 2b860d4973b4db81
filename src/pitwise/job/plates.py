"""A list of plates: CSV of `name,starts,arc_minutes`, perhaps with a quantity."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass, replace

from pitwise.job.model import ProgramError

COLUMNS = ("name", "starts", "arc_minutes")
# Other names under which a column is known.
_SAME = {"plate": "name", "minutes": "arc_minutes"}
_NEEDED = ("starts", "arc_minutes")
# Readings and reports of use have starts and arc minutes too; they tell of the past.
_OTHER_TABLES = frozenset(("electrode", "torch", "at", "depth_mm"))
MOST_PLATES = 20_000
_MOST_STARTS = 10_000_000
_MOST_MINUTES = 1e6
_LONGEST_NAME = 200
# 1,500 in quotes: fifteen hundred, or one and a half?
_THOUSANDS = re.compile(r"[-+]?[0-9]{1,3}(?:,[0-9]{3})+")


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
        First line: the columns, in any order; others are passed over. `arc_minutes` may be
        called `minutes` and `name` `plate`; without names the plates are numbered. A column
        `quantity` tells how many of the plate there are, one after the other. The separator is a
        comma, a semicolon or a tab, whichever the first line holds most of; a decimal comma is
        read as such, between commas in quotes.

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
    first = next((x for x in text.splitlines() if x.strip()), "")
    separator = max(";\t,", key=first.count)
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    plates: list[PlateUse] = []
    head: list[str] | None = None
    try:
        for row in reader:
            if not any(cell.strip() for cell in row):
                continue
            if head is None:
                head = _head(row, reader.line_num)
                continue
            plate, quantity = _plate(head, row, reader.line_num, separator)
            if len(plates) + quantity > MOST_PLATES:
                raise ProgramError(
                    reader.line_num, f"more than {MOST_PLATES:,} plates", "split the list"
                )
            if plate.name:
                plates += [plate] * quantity
            else:
                plates += [
                    replace(plate, name=f"plate {len(plates) + k}") for k in range(1, quantity + 1)
                ]
    except csv.Error as error:
        raise ProgramError(
            max(1, reader.line_num),
            f"the CSV is broken ({error})",
            "close each quote that is opened, and write a quote inside quotes twice",
        ) from error
    if head is None:
        raise ProgramError(1, "the list is empty", f"begin it with {','.join(COLUMNS)}")
    return tuple(plates)


def _head(row: list[str], line: int) -> list[str]:
    names = [cell.strip().lower() for cell in row]
    names = [_SAME.get(name, name) for name in names]
    for name in (*COLUMNS, "quantity"):
        if names.count(name) > 1:
            raise ProgramError(
                line, f"the column '{name}' is there twice", "leave out or rename one of them"
            )
    for name in _NEEDED:
        if name not in names:
            raise ProgramError(
                line,
                f"the column '{name}' is missing",
                f"begin the list with {','.join(COLUMNS)}",
            )
    other = _OTHER_TABLES.intersection(names)
    if "name" not in names and other:
        raise ProgramError(
            line,
            f"the column 'name' is missing, and '{min(other)}' is a column of readings or use",
            "give the list of plates, or add a column name",
        )
    return names


def _plate(head: list[str], row: list[str], line: int, separator: str) -> tuple[PlateUse, int]:
    """Return a row's plate, without a name where the list has no names, and how many there are."""
    if len(row) > len(head):
        raise ProgramError(
            line,
            f"{len(row)} values under {len(head)} columns",
            'put a number with a decimal comma in quotes ("3,5"), or separate by semicolons'
            if separator == ","
            else "put a value that holds the separator in quotes",
        )
    cells = dict(zip(head, map(str.strip, row), strict=False))
    missing = next((x for x in (*COLUMNS, "quantity") if x in head and x not in cells), None)
    if missing is not None:
        raise ProgramError(line, f"a value is missing ({missing})", f"give {', '.join(head)}")
    name = cells.get("name", "")
    if "name" in head and not name:
        raise ProgramError(line, "the plate has no name", "give it one")
    if len(name) > _LONGEST_NAME or not name.isprintable():
        raise ProgramError(
            line, "the name is too long or can't be printed", "use up to 200 plain characters"
        )
    # Between commas decimals are written with points; elsewhere a comma is a decimal one.
    points = separator == ","
    plate = PlateUse(
        name,
        _whole(cells["starts"], "starts", line, 0, _MOST_STARTS, points=points),
        _number(cells["arc_minutes"], "arc_minutes", line, 0, _MOST_MINUTES, points=points),
    )
    if "quantity" not in head:
        return plate, 1
    return plate, _whole(cells["quantity"], "quantity", line, 1, MOST_PLATES, points=points)


def _whole(text: str, name: str, line: int, least: int, most: int, *, points: bool) -> int:
    value = _number(text, name, line, least, most, points=points)
    if value != int(value):
        raise ProgramError(
            line, f"{name}: '{text[:40]}' is no whole number", "write it without decimals"
        )
    return int(value)


def _number(text: str, name: str, line: int, least: float, most: float, *, points: bool) -> float:
    shown = text if len(text) <= 40 else text[:40] + "…"
    if points and _THOUSANDS.fullmatch(text):
        raise ProgramError(
            line,
            f"{name}: '{shown}' may mean thousands or a fraction",
            "write thousands without a comma, or another number of decimals",
        )
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not least <= value <= most or "_" in text:
        raise ProgramError(
            line,
            f"{name}: '{shown}' is no number from {least:g} to {most:g}",
            "write it in plain digits",
        )
    return value
