"""Points from CSV text, header ``x,y``."""

from __future__ import annotations

import io

import numpy as np

from pitwise.trade.given import InputError

from .circle_model import Floats
from .table import Table, columns, number, read_table

_HEADER = ("x", "y")
_FEWEST = 3
# A coordinate beyond this is a slip, and its square would not be finite.
_LARGEST = 1e100


def read_points(text: str) -> Floats:
    """Return points of CSV text as an (n, 2) array.

    Parameters
    ----------
    text : str
        Header ``x,y`` (either order), then a point a line. Commas, semicolons or tabs between;
        with the latter two a comma is a decimal sign.

    Raises
    ------
    InputError
        Naming the line and the mend: header, number of fields, no number, not finite, fewer
        than three points.
    """
    table = read_table(text, ",".join(_HEADER))
    order = columns(table, _HEADER)
    points = _quick(table)
    if points is None:
        # Row by row: slower, and names the line.
        found = []
        for line, fields in table.rows():
            found.append(
                [
                    number(
                        fields[k],
                        f"line {line}, {name}",
                        decimal_comma=table.decimal_comma,
                    )
                    for k, name in enumerate(table.header)
                ]
            )
        points = np.array(found, dtype=float).reshape(-1, 2)
    large = np.abs(points).max(axis=1, initial=0.0) > _LARGEST
    if large.any():
        raise InputError(
            f"point {int(np.argmax(large)) + 1}", "is larger than can be", "correct it"
        )
    if len(points) < _FEWEST:
        raise InputError("", f"has {len(points)} points", "a circle needs three or more points")
    out: Floats = points[:, order]
    return out


def _quick(table: Table) -> Floats | None:
    """Return the rows by numpy's reader; None where anything is out of the ordinary."""
    body = table.body.replace(",", ".") if table.decimal_comma else table.body
    if not body.strip():
        return np.empty((0, 2))
    if not body.isascii() or "_" in body:
        return None
    try:
        points = np.loadtxt(
            io.StringIO(body), delimiter=table.separator, ndmin=2, comments=None, dtype=float
        )
    except ValueError:
        return None
    return points if points.shape[1:] == (2,) and np.isfinite(points).all() else None
