"""Lives from CSV text: ``lower,upper[,count][,group]``."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pitwise.measure.table import Table, columns, number, read_table
from pitwise.trade.given import InputError, nearest

from .lives import Lives, first_refused

_NEEDED, _MAY_BE = ("lower", "upper"), ("count", "group")
_EXAMPLE = ",".join(_NEEDED + _MAY_BE)
_LONGEST = 100
_MOST = 2_000_000


@dataclass(frozen=True, eq=False)
class ReadLives:
    """Lives of a file.

    Attributes
    ----------
    lives : Lives
        All of them.
    groups : dict of str to Lives
        By name, in order of first appearance; empty without a column of groups.
    """

    lives: Lives
    groups: dict[str, Lives]


def read_lives(text: str) -> ReadLives:
    """Read lives: a row each, columns in any order.

    Parameters
    ----------
    text : str
        ``upper`` empty: still running. ``lower`` equal to ``upper``: ended there. ``lower`` 0:
        found failed by ``upper``. ``count`` is 1 where the column is left out.

    Raises
    ------
    InputError
        Naming the line and the mend.
    """
    table = read_table(text, _EXAMPLE)
    place = dict(zip(_wanted(table), columns(table, _wanted(table)), strict=True))
    comma = table.decimal_comma
    rows: list[tuple[float, float, float]] = []
    names: list[str] = []
    lines: list[int] = []
    for line, fields in table.rows():
        low, high = fields[place["lower"]], fields[place["upper"]]
        where = f"line {line}"
        if not low:
            mend = "write 0 where nobody looked before it was found failed"
            raise InputError(f"{where}, lower", "is empty", mend)
        if high.lstrip("+").casefold() in ("inf", "infinity", "∞"):
            raise InputError(f"{where}, upper", f"'{high}' is not finite", "leave upper empty")
        row = [
            number(low, f"{where}, lower", decimal_comma=comma),
            number(high, f"{where}, upper", decimal_comma=comma) if high else math.inf,
            1.0,
        ]
        if "count" in place:
            row[2] = number(fields[place["count"]], f"{where}, count", decimal_comma=comma)
        if "group" in place:
            name = fields[place["group"]]
            if not name or len(name) > _LONGEST:
                problem = f"is longer than {_LONGEST} characters" if name else "is empty"
                raise InputError(f"{where}, group", problem, "name the group")
            names.append(name)
        if len(rows) == _MOST:
            raise InputError(where, f"is beyond {_MOST:,} rows", "put like lives together by count")
        rows.append((row[0], row[1], row[2]))
        lines.append(line)
    if not rows:
        raise InputError("", "holds no life", f"write a row under {_EXAMPLE}")
    low_, high_, count = np.array(rows).T.copy()
    refused = first_refused(low_, high_, count)
    if refused:
        k, why = refused
        raise InputError(f"line {lines[k]}", why.reason, why.mend)
    lives = Lives.of(low_, high_, count)
    return ReadLives(lives, _grouped(lives, names))


def _wanted(table: Table) -> list[str]:
    """Return the columns that are there or must be; an unknown one gets the nearest name."""
    there = [name.casefold() for name in table.header]
    for name in there:
        if name not in _NEEDED + _MAY_BE:
            left = [known for known in _NEEDED + _MAY_BE if known not in there]
            found = nearest(name, left) if left else None
            raise InputError(
                f"line {table.first_line}",
                f"'{name[:40]}' is no column that is known here",
                f"did you mean '{found}'" if found else f"write {_EXAMPLE}",
            )
    return [*_NEEDED, *(name for name in _MAY_BE if name in there)]


def _grouped(lives: Lives, names: list[str]) -> dict[str, Lives]:
    if not names:
        return {}
    kinds = list(dict.fromkeys(names))
    number_of = {name: k for k, name in enumerate(kinds)}
    of = np.array([number_of[name] for name in names])
    found = {}
    for k, name in enumerate(kinds):
        own = of == k
        found[name] = Lives.of(lives.lower[own], lives.upper[own], lives.count[own])
    return found
