"""The least circle about all points, and the largest among them."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, cKDTree

from .circle_fit import least_squares
from .circle_model import Circle, CircleError, Floats, cloud
from .circle_search import (
    MOST_CROSSINGS,
    MOST_WORK,
    SMALLEST,
    Flags,
    bisectors,
    chunks,
    crossings,
    distances,
    in_box,
    pairs,
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
    p = own.own
    first = p[int(np.argmax(np.hypot(*(p - p.mean(axis=0)).T)))]
    second = p[int(np.argmax(np.hypot(*(p - first).T)))]
    carried = np.array([first, second])
    c, r = (first + second) / 2, float(np.hypot(*(first - second))) / 2
    for _ in range(10 * len(p)):
        d = np.hypot(*(p - c).T)
        k = int(np.argmax(d))
        if d[k] <= r * (1 + 2 * _EPS):
            break
        next_c, next_r, next_carried = _least_of_few(np.vstack([carried, p[k]]))
        if next_r <= r:
            # What is left outside is rounding.
            break
        c, r, carried = next_c, next_r, next_carried
    x, y = own.centre(c)
    return Circle(x, y, float(np.hypot(*(p - c).T).max()) * own.scale)


def _least_of_few(p: Floats) -> tuple[Floats, float, Floats]:
    """Return centre, radius and carriers of the least circle of at most four points."""
    best: tuple[Floats, float, Floats] | None = None
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
                best = (c, r, own)
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


def maximum_inscribed(points: npt.ArrayLike) -> Circle:
    """Return the largest circle with no point inside, its centre within the points' hull.

    ISO 12181-1, MICI; without the hull the circle could grow without end outside the points.

    Parameters
    ----------
    points : (n, 2) array-like
        n >= 3, any unit.

    Returns
    -------
    Circle
        Global: no centre of the hull has a nearest point further off, but for rounding.

    Raises
    ------
    CircleError
        Fewer than three points, not finite, on one line; or a cloud too dense to search.

    Notes
    -----
    The distance to the nearest point is greatest at a centre of three nearest points (a corner
    of their Voronoi diagram) within the hull, or where a line of equal distance of two points
    (an edge of the diagram) meets the hull's edge. Boxes of centres are split and thrown out,
    since that distance changes by no more than the centre moves; a box that few points can be
    nearest in is done by trying all such places.
    """
    own = cloud(points)
    p = own.own
    walls = np.unique(ConvexHull(p).equations, axis=0)
    c = _search(p, walls[:, :2], -walls[:, 2])
    x, y = own.centre(c)
    return Circle(x, y, float(np.hypot(*(p - c).T).min()) * own.scale)


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


def _search(p: Floats, normal: Floats, offset: Floats) -> Floats:
    """Return the centre within the walls whose nearest point is furthest off."""
    best, at = 0.0, p[0]
    starts = [p.mean(axis=0)]
    try:
        fit = least_squares(p)
        starts.append(np.array([fit.x, fit.y]))
    except CircleError:
        # No start from there; the search needs none.
        starts.append(np.zeros(2))
    for c in starts:
        if float((normal @ c - offset).max()) <= 0:
            r = float(np.hypot(*(p - c).T).min())
            if r > best:
                best, at = r, c
    boxes, half, near, work = np.zeros((1, 2)), 1.0, p, 0
    while len(boxes):
        rho = half * math.sqrt(2)
        out = _outside(boxes, normal, offset)
        boxes, out = boxes[out <= rho], out[out <= rho]
        if not len(boxes):
            break
        least = _nearest(boxes, near)
        work += len(boxes) * min(len(near), 10_000)
        if work > MOST_WORK:
            raise too_much()
        within = np.where(out <= 0, least, 0.0)
        k = int(np.argmax(within))
        if within[k] > best:
            best, at = float(within[k]), boxes[k]
        keep = least + rho > best + SMALLEST
        if rho <= SMALLEST or not keep.any():
            break
        boxes, least = boxes[keep], least[keep]
        rows, touched = _touching(boxes, near, least + 2 * rho)
        wall = _walls_near(boxes, normal, offset, rho)
        normal, offset = normal[wall], offset[wall]
        split = np.ones(len(boxes), bool)
        for i in np.argsort(-least).tolist():
            row = rows[i]
            if row is None:
                continue
            if least[i] + rho <= best + SMALLEST:
                split[i] = False
                continue
            close = np.abs(normal @ boxes[i] - offset) <= rho
            n, e = len(row), int(close.sum())
            if n * (n - 1) * (n - 2) / 6 + n * (n - 1) / 2 * e > MOST_CROSSINGS:
                continue
            split[i] = False
            places = _places(near[row], normal[close], offset[close])
            places = in_box(places, boxes[i], half)
            if len(places):
                places = places[_outside(places, normal, offset) <= _ON_EDGE]
            if len(places):
                r = distances(places, near[row]).min(axis=1)
                k = int(np.argmax(r))
                if r[k] > best:
                    best, at = float(r[k]), places[k]
        boxes = boxes[split]
        near = near[touched]
        boxes, half = quarters(boxes, half), half / 2
    return at


def _touching(boxes: Floats, near: Floats, reach: Floats) -> tuple[list[Floats | None], Flags]:
    """Return the points that can be nearest in each box (None: too many), and in any."""
    rows: list[Floats | None] = []
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


def _places(near: Floats, normal: Floats, offset: Floats) -> Floats:
    """Return centres of triples, and lines of equal distance of pairs met with walls."""
    out = [np.empty((0, 2))]
    if len(near) >= 3:
        t = triples(len(near))
        n, b = bisectors(near)
        at = {(int(i), int(j)): k for k, (i, j) in enumerate(pairs(len(near)))}
        one = [at[int(i), int(j)] for i, j, _ in t]
        two = [at[int(i), int(j)] for i, _, j in t]
        det = n[one, 0] * n[two, 1] - n[one, 1] * n[two, 0]
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            x = (b[one] * n[two, 1] - n[one, 1] * b[two]) / det
            y = (n[one, 0] * b[two] - b[one] * n[two, 0]) / det
        c = np.column_stack([x, y])
        out.append(c[np.isfinite(c).all(axis=1)])
    if len(near) >= 2 and len(normal):
        out.append(crossings(*bisectors(near), normal, offset))
    return np.vstack(out)
