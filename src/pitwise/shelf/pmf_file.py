"""Probabilities of a demand from CSV text: ``pieces,probability`` or ``pieces,count``."""

from __future__ import annotations

import numpy as np

from pitwise.measure.table import number, read_table
from pitwise.trade.given import InputError

from .demand_pmf import MOST_PIECES, Pmf
from .refusal import BadPmfError

_HEADER = "pieces,probability"
_FIRST = ("pieces", "demand", "k")
_CHANCE = ("probability", "p")
_COUNT = ("count",)


def read_pmf(text: str) -> Pmf:
    """Return the demand of CSV text.

    Parameters
    ----------
    text : str
        Header ``pieces,probability`` (or ``pieces,count``: how often so many were asked for),
        then a line for each number of pieces, in any order. What is left out has probability 0.

    Raises
    ------
    InputError
        Naming the line and the mend.
    """
    table = read_table(text, _HEADER)
    place = f"line {table.first_line}"
    names = [name.casefold() for name in table.header]
    if len(names) != 2 or names[0] not in _FIRST or names[1] not in _CHANCE + _COUNT:
        raise InputError(
            place, f"'{','.join(table.header)[:60]}' is not the header", f"write {_HEADER}"
        )
    what = names[1]
    lines: dict[int, int] = {}
    found: dict[int, float] = {}
    for line, (first, second) in table.rows():
        plain = first.removesuffix(".0")
        if not (plain.isascii() and plain.isdecimal()) or len(plain) > 12:
            raise InputError(
                f"line {line}, {names[0]}", f"'{first[:40]}' is no number of pieces", "write 0, 1 …"
            )
        pieces = int(plain)
        if pieces >= MOST_PIECES:
            raise InputError(
                f"line {line}, {names[0]}",
                f"{pieces:,} pieces are too many to reckon one by one",
                "count in packs or boxes instead of pieces",
            )
        if pieces in lines:
            raise InputError(
                f"line {line}", f"{pieces} pieces stand in line {lines[pieces]} too", "keep one"
            )
        value = number(second, f"line {line}, {what}", decimal_comma=table.decimal_comma)
        if value < 0 or (what in _CHANCE and value > 1):
            most = "from 0 to 1" if what in _CHANCE else "0 or more"
            raise InputError(
                f"line {line}, {what}", f"'{second[:40]}' is no {what}", f"give a number {most}"
            )
        lines[pieces], found[pieces] = line, value
    if not found:
        raise InputError("", "has no rows", f"write a line for each: {_HEADER}")
    p = np.zeros(max(found) + 1)
    p[list(found)] = list(found.values())
    if what in _COUNT:
        total = float(p.sum())
        if not 0 < total < np.inf:
            raise BadPmfError("", "the counts add up to nothing", "count one demand or more")
        p /= total
    try:
        return Pmf(p)
    except BadPmfError as error:
        raise BadPmfError("", error.problem, error.mend) from error
