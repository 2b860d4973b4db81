"""Tables as CSV text: separators, decimal commas, a header that is checked."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from pitwise.trade.given import InputError, nearest

_SEPARATORS = ",;\t"


@dataclass(frozen=True)
class Table:
    """A header and what comes after it.

    Attributes
    ----------
    header : tuple of str
        As written, without blanks around.
    separator : str
    first_line : int
        Line of the header, from 1.
    body : str
        The text after the header's line.
    """

    header: tuple[str, ...]
    separator: str
    first_line: int
    body: str

    @property
    def decimal_comma(self) -> bool:
        """Whether a comma in a number is a decimal sign: not where it parts the fields."""
        return self.separator != ","

    def rows(self) -> Iterator[tuple[int, list[str]]]:
        """Yield the line and fields of each row that is not empty, as many as the header has."""
        reader = csv.reader(io.StringIO(self.body, newline=""), delimiter=self.separator)
        while True:
            line = self.first_line + 1 + reader.line_num
            try:
                row = next(reader)
            except StopIteration:
                return
            except csv.Error as error:
                raise InputError(
                    f"line {line}", f"unreadable ({error})", "save the table as CSV"
                ) from error
            fields = [field.strip() for field in row]
            if not any(fields):
                continue
            while len(fields) > len(self.header) and not fields[-1]:
                fields.pop()
            if len(fields) != len(self.header):
                mend = f"write {len(self.header)}: {self.separator.join(self.header)[:80]}"
                if not self.decimal_comma and len(fields) == 2 * len(self.header):
                    mend = "part the fields with semicolons where numbers have a decimal comma"
                raise InputError(f"line {line}", f"has {len(fields)} fields", mend)
            yield line, fields


def read_table(text: str, example: str) -> Table:
    """Read a table's header and find how its fields are parted.

    Parameters
    ----------
    text : str
        CSV text, with or without a byte order mark.
    example : str
        How the header should be, for the refusal of an empty file.

    Raises
    ------
    InputError
        Not text, or empty.
    """
    if "\x00" in text:
        raise InputError("", "is not text", "save the table as CSV")
    rest, line = text.lstrip("\ufeff").replace("\r\n", "\n").replace("\r", "\n"), 1
    while True:
        first, _, rest = rest.partition("\n")
        if first.strip():
            break
        if not rest:
            raise InputError("", "is empty", f"begin with the header {example}")
        line += 1
    separator = max(_SEPARATORS, key=first.count)
    fields = next(csv.reader([first], delimiter=separator))
    return Table(tuple(field.strip() for field in fields), separator, line, rest)


def columns(table: Table, wanted: Sequence[str]) -> list[int]:
    """Return where each wanted column stands; capital letters alike, other columns refused.

    Raises
    ------
    InputError
        A column is missing, unknown or there twice.
    """
    place = f"line {table.first_line}"
    names = [name.casefold() for name in table.header]
    for name in table.header:
        if name.casefold() not in wanted:
            left = [w for w in wanted if w not in names]
            found = nearest(name, left) if left else None
            mend = f"did you mean '{found}'" if found else f"write {','.join(wanted)}"
            raise InputError(place, f"'{name[:40]}' is no column that is known here", mend)
        if names.count(name.casefold()) > 1:
            raise InputError(place, f"column '{name[:40]}' is there twice", "keep one of them")
    missing = [w for w in wanted if w not in names]
    if missing:
        raise InputError(
            place,
            f"the header lacks {', '.join(missing)}",
            f"write {table.separator.join(wanted)}",
        )
    return [names.index(w) for w in wanted]


def number(text: str, place: str, *, decimal_comma: bool) -> float:
    """Read a finite number; refuses with the mend."""
    plain = text.replace(",", ".") if decimal_comma else text
    plain = plain.replace("\N{MINUS SIGN}", "-")
    try:
        # Python alone would take 1_00 for 100, and digits of other scripts.
        value = float(plain) if plain.isascii() and "_" not in plain else float("x")
    except ValueError:
        mend = "write a plain number"
        if not decimal_comma and "," in text:
            mend = "write a decimal point, or part the fields with semicolons"
        raise InputError(place, f"'{text[:40]}' is not a number", mend) from None
    if not math.isfinite(value):
        raise InputError(place, f"'{text[:40]}' is not finite", "leave the row out, or correct it")
    return value
