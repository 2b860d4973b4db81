"""Boxes of centres, split and thrown out by bounds: what the global searches share."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import numpy.typing as npt

from .circle_model import CircleError, Floats

Whole = npt.NDArray[np.intp]
Flags = npt.NDArray[np.bool_]

#: Crossings tried at once in one box: below this its points are few enough to try all.
MOST_CROSSINGS = 4_000
#: Boxes are not split below this, in units of the points' extent: rounding of distances.
SMALLEST = 2e-15
#: Distances worked out at once, for memory.
_AT_ONCE = 2_000_000
#: Distances of one search; some 30 seconds.
MOST_WORK = 4_000_000_000


def distances(centres: Floats, points: Floats) -> Floats:
    """Return the (m, n) distances of m centres and n points."""
    # Far quicker than hypot; the points' extent is 1, so nothing over- or underflows that counts.
    x = centres[:, :1] - points[:, 0]
    y = centres[:, 1:] - points[:, 1]
    x *= x
    y *= y
    x += y
    return np.sqrt(x, out=x)


def chunks(m: int, n: int) -> Iterator[slice]:
    """Yield slices of m boxes whose distances to n points fit in memory."""
    size = max(1, _AT_ONCE // max(n, 1))
    for first in range(0, m, size):
        yield slice(first, min(first + size, m))


def quarters(centres: Floats, half: float) -> Floats:
    """Return the centres of the four quarters of each box of that half side."""
    q = half / 2
    moves = np.array([[-q, -q], [-q, q], [q, -q], [q, q]])
    out: Floats = (centres[:, None, :] + moves).reshape(-1, 2)
    return out


def pairs(n: int) -> Whole:
    """Return the pairs of n things, (n(n-1)/2, 2)."""
    first, second = np.triu_indices(n, 1)
    return np.column_stack([first, second])


def triples(n: int) -> Whole:
    """Return the triples of n things."""
    return np.array(list(combinations(range(n), 3)), dtype=np.intp).reshape(-1, 3)


def bisectors(points: Floats) -> tuple[Floats, Floats]:
    """Return n, b of the lines ``n·c = b`` of equal distance to each pair of points."""
    ij = pairs(len(points))
    one, two = points[ij[:, 0]], points[ij[:, 1]]
    # About the middle of the two, which loses no digits to their squares.
    away = two - one
    return away, np.einsum("ij,ij->i", away, (one + two) / 2)


def crossings(n1: Floats, b1: Floats, n2: Floats, b2: Floats) -> Floats:
    """Return where each line of one set meets each of another; parallel ones left out."""
    det = n1[:, 0, None] * n2[:, 1] - n1[:, 1, None] * n2[:, 0]
    x = b1[:, None] * n2[:, 1] - n1[:, 1, None] * b2
    y = n1[:, 0, None] * b2 - b1[:, None] * n2[:, 0]
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        c = np.stack([x / det, y / det], axis=-1).reshape(-1, 2)
    out: Floats = c[np.isfinite(c).all(axis=1)]
    return out


def in_box(c: Floats, centre: Floats, half: float) -> Floats:
    """Return the places within a box, a hair beyond its sides included."""
    slack = half * (1 + 1e-9) + 1e-14
    out: Floats = c[(np.abs(c - centre) <= slack).all(axis=1)]
    return out


def too_much() -> CircleError:
    """Return the refusal of a search that takes too long."""
    return CircleError(
        "points", "lie so that the search does not end in time", "measure points round one circle"
    )
