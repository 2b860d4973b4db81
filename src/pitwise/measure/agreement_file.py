"""Counts of judgements from CSV text: a header of categories, then a row a specimen."""

from __future__ import annotations

import numpy as np

from pitwise.trade.given import InputError

from .agreement import AgreementError, Floats
from .table import read_table

# A first column so called (or without a name) holds the specimens' names.
_NAMES = ("", "specimen")
_LARGEST = 1_000_000


def read_counts(text: str) -> tuple[Floats, tuple[str, ...]]:
    """Return counts, (specimens, categories), and the categories of CSV text.

    Parameters
    ----------
    text : str
        Header of categories; then for each specimen how many people chose each. A first column
        called ``specimen``, or with no name, is passed over.

    Raises
    ------
    InputError
        Naming the line and the mend.
    """
    table = read_table(text, "keep,clean,replace")
    skip = 1 if table.header[0].casefold() in _NAMES else 0
    categories = table.header[skip:]
    place = f"line {table.first_line}"
    if table.header[0].casefold() == "part":
        # The gauge file's word: its numbers would count as people.
        raise AgreementError(place, "the first column is called part", "call it specimen")
    if len(categories) < 2:
        raise AgreementError(place, "has fewer than two categories", "name each in the header")
    for k, name in enumerate(categories):
        if not name or len(name) > 100:
            raise AgreementError(place, f"category {k + 1} has no name", "name it")
        if name.casefold() in (c.casefold() for c in categories[:k]):
            raise AgreementError(place, f"category '{name[:40]}' is there twice", "name each once")
    if all(name.isdecimal() for name in categories):
        # Counts without a header look like this; a header of codes 1, 2, 3 does too.
        codes = [int(name) for name in categories]
        if codes != sorted(set(codes)):
            raise AgreementError(place, "is a row of counts", "begin with a header of categories")
    rows: list[list[int]] = []
    for line, fields in table.rows():
        row = []
        for name, field in zip(categories, fields[skip:], strict=True):
            plain = field.removesuffix(".0")
            if not (plain.isascii() and plain.isdecimal()) or len(plain) > 9:
                raise AgreementError(
                    f"line {line}, {name[:40]}",
                    f"'{field[:40]}' is no count",
                    "write how many people chose it: 0, 1, 2 …",
                )
            row.append(int(plain))
        people = sum(row)
        if people < 2 or people > _LARGEST:
            raise AgreementError(
                f"line {line}", f"was judged by {people}", "two people or more must judge each"
            )
        if rows and people != sum(rows[0]):
            raise AgreementError(
                f"line {line}",
                f"was judged by {people}, the first specimen by {sum(rows[0])}",
                "let the same number of people judge each, or leave that one out",
            )
        rows.append(row)
    if len(rows) < 2:
        raise InputError("", f"has {len(rows)} specimens", "give two or more, better thirty")
    return np.array(rows, dtype=float), categories
