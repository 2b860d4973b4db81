"""The least circle about all points, and the largest among them."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, cKDTree

from .circle_fit import least_squares
from .circle_model import Circle, CircleError, Floats, Inscribed, cloud
from .circle_search import (
    MOST_CROSSINGS,
    MOST_WORK,
    SMALLEST,
    Flags,
    Whole,
    bisectors,
    chunks,
    crossings,
    distances,
    in_box,
    quarters,
    too_much,
    triples,
)

_EPS = float(np.finfo(float).eps)
# A centre this far outside an edge of the hull is on it, for rounding.
_ON_EDGE = 1e-12
# From so many distances at once a tree of the points is quicker.
_TREE_FROM = 20_000_000


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
    own = cloud(points)
    c, _ = _around(own.own)
    x, y = own.centre(c)
    return Circle(x, y, float(np.hypot(*(own.own - c).T).max()) * own.scale)


def _around(p: Floats) -> tuple[Floats, list[int]]:
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
            c = own.mean(axis=0) if size == 2 else _through(own)
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


def _through(p: Floats) -> Floats | None:
    """Return the centre of the circle through three points; None on a line."""
    one, two = p[1] - p[0], p[2] - p[0]
    det = 2 * (one[0] * two[1] - one[1] * two[0])
    if det == 0:
        return None
    a, b = float(one @ one), float(two @ two)
    move = np.array([two[1] * a - one[1] * b, one[0] * b - two[0] * a]) / det
    out: Floats = p[0] + move
    return out if np.isfinite(out).all() else None


def maximum_inscribed(points: npt.ArrayLike) -> Inscribed:
    """Return the largest circle that the points hold: none inside, its centre within their hull.

    ISO 12181-1, MICI. Without the hull it could grow without end outside the points.

    Parameters
    ----------
    points : (n, 2) array-like
        n >= 3, any unit.

    Returns
    -------
    Inscribed
        Global: of all circles through three of the points, with none inside and the centre
        strictly within the hull, the largest. Points along less than half a circle may hold
        none: then the largest that has its centre on the hull's edge, with two of them on it
        (`held` is False: it could grow if the centre might leave the hull).

    Raises
    ------
    CircleError
        Fewer than three points, not finite, on one line; or a cloud too dense to search.

    Notes
    -----
    Centres of three nearest points are the corners of the points' Voronoi diagram; the others
    are where its edges meet the hull. Boxes of centres are split and thrown out, since the
    distance to the nearest point changes by no more than the centre moves; a box that few
    points can be nearest in is done by trying all such places.
    """
    own = cloud(points)
    p = own.own
    walls = np.unique(ConvexHull(p).equations, axis=0)
    normal, offset = walls[:, :2], -walls[:, 2]
    c = _search(p, normal, offset, held=True)
    held = c is not None
    if c is None:
        c = _search(p, normal, offset, held=False)
    if c is None:
        raise CircleError("points", "hold no circle", "measure points further round the circle")
    x, y = own.centre(c)
    return Inscribed(x, y, float(np.hypot(*(p - c).T).min()) * own.scale, held)


def _climb(p: Floats, c: Floats, normal: Floats, offset: Floats) -> tuple[float, Floats] | None:
    """Return a circle held by three points, by steps from a centre; None: the steps lead out.

    Points mirrored in a circle about the centre: the least circle about them is, to first
    order, the largest among the points.
    """
    before: set[int] = set()
    for _ in range(12):
        away = p - c
        d = np.hypot(away[:, 0], away[:, 1])
        if not d.min() > 0:
            return None
        mirrored = c + away * (2 * float(d.max()) / d - 1)[:, None]
        _, carried = _around(mirrored)
        there = _through(p[carried]) if len(carried) == 3 else None
        if there is None or float((normal @ there - offset).max()) > -_ON_EDGE:
            return None
        if set(carried) == before:
            d = np.hypot(*(p - there).T)
            r = float(d.min())
            return (r, there) if float(d[carried].max()) <= r * (1 + 1e-12) else None
        c, before = there, set(carried)
    return None


def _nearest(boxes: Floats, near: Floats) -> Floats:
    if len(boxes) * len(near) > _TREE_FROM:
        found, _ = cKDTree(near).query(boxes)
        return np.asarray(found, dtype=float)
    out = np.empty(len(boxes))
    for part in chunks(len(boxes), len(near)):
        out[part] = distances(boxes[part], near).min(axis=1)
    return out


def _outside(boxes: Floats, normal: Floats, offset: Floats) -> Floats:
    """Return how far each place is outside the walls, negative within all."""
    out = np.full(len(boxes), -math.inf)
    if len(normal):
        for part in chunks(len(boxes), len(normal)):
            out[part] = (boxes[part] @ normal.T - offset).max(axis=1)
    return out


def _search(p: Floats, normal: Floats, offset: Floats, *, held: bool) -> Floats | None:
    """Return the best centre: three points' within the walls, or (not held) on a wall."""
    best, at = 0.0, None
    starts = [p.mean(axis=0)]
    try:
        fit = least_squares(p)
        starts.append(np.array([fit.x, fit.y]))
    except CircleError:
        # No start from there; the search needs none.
        starts.append(np.zeros(2))
    normal_all, offset_all = normal, offset
    boxes, half, near, work = np.zeros((1, 2)), 1.0, p, 0
    while len(boxes):
        for c in starts if held else []:
            found = _climb(p, c, normal_all, offset_all)
            if found is not None and found[0] > best:
                best, at = found
        rho = half * math.sqrt(2)
        out = _outside(boxes, normal, offset)
        boxes = boxes[out <= rho]
        if not len(boxes):
            break
        least = _nearest(boxes, near)
        work += len(boxes) * min(len(near), 10_000)
        if work > MOST_WORK:
            raise too_much()
        keep = least + rho > best + SMALLEST
        boxes, least = boxes[keep], least[keep]
        if not len(boxes):
            break
        if rho <= SMALLEST:
            # Many points at one distance, as near as rounding tells.
            at = boxes[int(np.argmax(least))]
            break
        rows, touched = _touching(boxes, near, least + 2 * rho)
        wall = _walls_near(boxes, normal, offset, rho)
        normal, offset = normal[wall], offset[wall]
        split = np.ones(len(boxes), bool)
        order = np.argsort(-least)
        # Where no climb has led to a circle yet, the emptiest box is the next start.
        starts = [] if best > 0 else [boxes[order[0]]]
        for i in order.tolist():
            row = rows[i]
            if row is None:
                continue
            if least[i] + rho <= best + SMALLEST:
                split[i] = False
                continue
            close = np.abs(normal @ boxes[i] - offset) <= rho
            n, e = len(row), int(close.sum())
            if (n * (n - 1) * (n - 2) / 6 if held else n * (n - 1) / 2 * e) > MOST_CROSSINGS:
                continue
            split[i] = False
            if held:
                places = _corners(near[row])
            else:
                places = crossings(*bisectors(near[row]), normal[close], offset[close])
            places = in_box(places, boxes[i], half)
            if len(places):
                beyond = _outside(places, normal, offset)
                places = places[beyond < -_ON_EDGE if held else beyond <= _ON_EDGE]
            if len(places):
                r = distances(places, near[row]).min(axis=1)
                k = int(np.argmax(r))
                if r[k] > best:
                    best, at = float(r[k]), places[k]
        boxes = boxes[split]
        near = near[touched]
        boxes, half = quarters(boxes, half), half / 2
    return at


def _touching(boxes: Floats, near: Floats, reach: Floats) -> tuple[list[Whole | None], Flags]:
    """Return the points that can be nearest in each box (None: too many), and in any."""
    rows: list[Whole | None] = []
    touched = np.zeros(len(near), bool)
    most = 40
    if len(boxes) * len(near) > _TREE_FROM:
        for row in cKDTree(near).query_ball_point(boxes, reach):
            touched[row] = True
            rows.append(np.array(row) if len(row) <= most else None)
        return rows, touched
    for part in chunks(len(boxes), len(near)):
        a = distances(boxes[part], near) <= reach[part, None]
        touched |= a.any(axis=0)
        few = a.sum(axis=1) <= most
        rows += [np.flatnonzero(r) if f else None for r, f in zip(a, few, strict=True)]
    return rows, touched


def _walls_near(boxes: Floats, normal: Floats, offset: Floats, rho: float) -> Flags:
    """Return which walls any box reaches: the others hold for all of them."""
    out = np.zeros(len(normal), bool)
    if len(normal):
        for part in chunks(len(boxes), len(normal)):
            out |= (boxes[part] @ normal.T - offset >= -rho).any(axis=0)
    return out


def _corners(near: Floats) -> Floats:
    """Return the centres of the circles through three of few points."""
    if len(near) < 3:
        return np.empty((0, 2))
    t = triples(len(near))
    one, two = near[t[:, 1]] - near[t[:, 0]], near[t[:, 2]] - near[t[:, 0]]
    det = 2 * (one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    a, b = (one**2).sum(axis=1), (two**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        x = (two[:, 1] * a - one[:, 1] * b) / det
        y = (one[:, 0] * b - two[:, 0] * a) / det
    c = near[t[:, 0]] + np.column_stack([x, y])
    # The circle must be empty: three points about others are no corner.
    c = c[np.isfinite(c).all(axis=1)]
    own = near[t[:, 0]][np.isfinite(x) & np.isfinite(y)]
    r = np.hypot(*(c - own).T)
    out: Floats = c[distances(c, near).min(axis=1) >= r * (1 - 1e-9)]
    return out
