"""The least circle about all points."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from .circle_model import Circle, CircleError, Floats, cloud

# So many of the furthest points are looked at together.
_FEW = 64
_EPS = float(np.finfo(float).eps)


def minimum_circumscribed(points: npt.ArrayLike) -> Circle:
    """Return the least circle that holds all points (ISO 12181-1, MCCI); exact but for rounding.

    Parameters
    ----------
    points : (n, 2) array-like
        n >= 3, any unit.

    Returns
    -------
    Circle

    Raises
    ------
    CircleError
        Fewer than three points, not finite, on one line.

    Notes
    -----
    Two or three points carry it. From any circle so carried, the point furthest outside joins,
    and the least circle of those at most four points carries on: the radius grows each time,
    so it ends (the pivoting of Gärtner 1999 on Welzl's problem of 1991; from memory).
    """
    own = cloud(points, distinct=False)
    c = _around_many(own.own)
    x, y = own.centre(c)
    return Circle(x, y, float(np.hypot(*(own.own - c).T).max()) * own.scale)


def _around_many(p: Floats) -> Floats:
    """Return the centre of the least circle: of the furthest points, until it holds all."""
    c: Floats = p.mean(axis=0)
    chosen, r = np.empty(0, dtype=np.intp), 0.0
    for _ in range(len(p)):
        x, y = p[:, 0] - c[0], p[:, 1] - c[1]
        square = x * x + y * y
        if float(square.max()) <= (r * (1 + 2 * _EPS)) ** 2:
            break
        far = np.argpartition(square, -_FEW)[-_FEW:] if len(p) > _FEW else np.arange(len(p))
        chosen = np.unique(np.concatenate([chosen, far]))
        c, carried = around(p[chosen])
        chosen = chosen[carried]
        reach = float(np.hypot(*(p[chosen] - c).T).max())
        if reach <= r:
            # What is left outside is rounding.
            break
        r = reach
    return c


def around(p: Floats) -> tuple[Floats, list[int]]:
    """Return the centre of the least circle about points, and which carry it."""
    first = int(np.argmax(np.hypot(*(p - p.mean(axis=0)).T)))
    second = int(np.argmax(np.hypot(*(p - p[first]).T)))
    carried = [first, second]
    c, r = (p[first] + p[second]) / 2, float(np.hypot(*(p[first] - p[second]))) / 2
    for _ in range(10 * len(p)):
        d = np.hypot(*(p - c).T)
        k = int(np.argmax(d))
        if d[k] <= r * (1 + 2 * _EPS):
            break
        few = [*carried, k]
        next_c, next_r, chosen = _least_of_few(p[few])
        if next_r <= r:
            # What is left outside is rounding.
            break
        c, r, carried = next_c, next_r, [few[i] for i in chosen]
    return c, carried


def _least_of_few(p: Floats) -> tuple[Floats, float, list[int]]:
    """Return centre, radius and carriers of the least circle of at most four points."""
    best: tuple[Floats, float, list[int]] | None = None
    for size in (2, 3):
        for chosen in combinations(range(len(p)), size):
            own = p[list(chosen)]
            c = own.mean(axis=0) if size == 2 else through(own)
            if c is None:
                continue
            # As far as rounding: the carriers' own distances differ by it.
            r = float(np.hypot(*(own - c).T).max())
            if float(np.hypot(*(p - c).T).max()) <= r * (1 + 1e-14) and (
                best is None or r < best[1]
            ):
                best = (c, r, list(chosen))
    if best is None:
        raise CircleError("points", "lie too near a line", "measure points round the circle")
    return best


def through(p: Floats) -> Floats | None:
    """Return the centre of the circle through three points; None on a line."""
    one, two = p[1] - p[0], p[2] - p[0]
    det = 2 * (one[0] * two[1] - one[1] * two[0])
    if det == 0:
        return None
    a, b = float(one @ one), float(two @ two)
    move = np.array([two[1] * a - one[1] * b, one[0] * b - two[0] * a]) / det
    out: Floats = p[0] + move
    return out if np.isfinite(out).all() else None
