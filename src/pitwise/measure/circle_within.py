"""The largest circle among points."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, Delaunay, cKDTree

from .circle_fit import least_squares
from .circle_model import CircleError, Floats, Inscribed, cloud
from .circle_reach import around, through
from .circle_search import (
    MOST_CROSSINGS,
    SMALLEST,
    Flags,
    Whole,
    chunks,
    distances,
    in_box,
    quarters,
    triples,
)

# A centre this far outside an edge of the hull is on it, for rounding.
_ON_EDGE = 1e-12
# Distances that differ by less than this share are the same but for rounding.
_ROUND = 1e-13
# From so many distances at once a tree of the points is quicker.
_TREE_FROM = 20_000_000
# Distances of the search before the triangles are quicker.
_MOST_WORK = 300_000_000


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
    points can be nearest in is done by trying all such places. Where no circle is known to begin
    with, or the boxes become too many, all empty triangles (Delaunay's) are gone through.
    """
    own = cloud(points)
    p = own.own
    hull = ConvexHull(p)
    walls = np.unique(hull.equations, axis=0)
    normal, offset = walls[:, :2], -walls[:, 2]
    c = None
    starts = _starts(p)
    d = np.hypot(*(p - starts[0]).T)
    if float(np.ptp(d)) <= _ROUND * float(d.max()):
        # All on one circle: whatever three hold is that circle.
        inside = float((normal @ starts[0] - offset).max()) < -_ON_EDGE
        c = starts[0] if inside else None
    else:
        found = [_climb(p, start, normal, offset) for start in starts]
        best = max((f for f in found if f is not None), key=lambda f: f[0], default=None)
        if best is not None:
            c = _search(p, normal, offset, *best)
        if c is None:
            c = _by_triangles(p, normal, offset)
    held = c is not None
    if c is None:
        c = _on_edge(p, p[hull.vertices])
    x, y = own.centre(c)
    return Inscribed(x, y, float(np.hypot(*(p - c).T).min()) * own.scale, held)


def _starts(p: Floats) -> list[Floats]:
    mean: Floats = p.mean(axis=0)
    try:
        fit = least_squares(p)
    except CircleError:
        # No start from there.
        return [mean]
    return [np.array([fit.x, fit.y]), mean]


def _climb(p: Floats, c: Floats, normal: Floats, offset: Floats) -> tuple[float, Floats] | None:
    """Return a circle held by three points, by steps from a centre; None: the steps lead out.

    Points mirrored in a circle about the centre: the least circle about them is, to first
    order, the largest among the points.
    """
    before: set[int] = set()
    best: tuple[float, Floats] | None = None
    for _ in range(12):
        away = p - c
        d = np.hypot(away[:, 0], away[:, 1])
        if not d.min() > 0:
            break
        mirrored = c + away * (2 * float(d.max()) / d - 1)[:, None]
        _, carried = around(mirrored)
        there = through(p[carried]) if len(carried) == 3 else p[carried].mean(axis=0)
        if there is None or float((normal @ there - offset).max()) > -_ON_EDGE:
            break
        d = np.hypot(*(p - there).T)
        r = float(d.min())
        if int((d <= r * (1 + 1e-12)).sum()) >= 3 and (best is None or r > best[0]):
            best = (r, there)
        if set(carried) == before:
            if best is None and len(carried) == 2:
                return _between(p, carried, normal, offset)
            break
        c, before = there, set(carried)
    return best


def _between(
    p: Floats, pair: list[int], normal: Floats, offset: Floats
) -> tuple[float, Floats] | None:
    """Return the larger circle by two opposite points and the first third one to either side.

    Seen from their middle both get further off along the line between them, so two points alone
    hold no circle.
    """
    one, two = p[pair]
    middle, away = (one + two) / 2, two - one
    along = np.array([-away[1], away[0]])
    others = np.delete(p, pair, axis=0)
    to = others - one
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        t = (((others + one) / 2 - middle) * to).sum(axis=1) / (to @ along)
    best: tuple[float, Floats] | None = None
    first = (float(t[t > 0].min(initial=math.inf)), float(t[t < 0].max(initial=-math.inf)))
    for step in (s for s in first if math.isfinite(s)):
        c = middle + step * along
        d = np.hypot(*(p - c).T)
        r = float(d.min())
        inside = float((normal @ c - offset).max()) < -_ON_EDGE
        if inside and float(d[pair].max()) <= r * (1 + 1e-12) and (best is None or r > best[0]):
            best = (r, c)
    return best


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


def _search(p: Floats, normal: Floats, offset: Floats, best: float, at: Floats) -> Floats | None:
    """Return the best centre of three points, `best` known; None: too much work this way."""
    boxes, half, near, work = np.zeros((1, 2)), 1.0, p, 0
    while len(boxes):
        rho = half * math.sqrt(2)
        out = _outside(boxes, normal, offset)
        work += len(boxes) * (min(len(near), 10_000) + len(normal))
        if work > _MOST_WORK:
            return None
        boxes = boxes[out <= rho]
        if not len(boxes):
            break
        least = _nearest(boxes, near)
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
        for i in np.argsort(-least).tolist():
            row = rows[i]
            if least[i] + rho <= best + SMALLEST:
                split[i] = False
                continue
            if row is None or len(row) * (len(row) - 1) * (len(row) - 2) > 6 * MOST_CROSSINGS:
                continue
            split[i] = False
            places = in_box(_corners(near[row]), boxes[i], half)
            if len(places):
                places = places[_outside(places, normal, offset) < -_ON_EDGE]
            if len(places):
                r = distances(places, near[row]).min(axis=1)
                k = int(np.argmax(r))
                if r[k] > best:
                    best, at = float(r[k]), places[k]
        boxes = boxes[split]
        near = near[touched]
        boxes, half = quarters(boxes, half), half / 2
    return at


def _by_triangles(p: Floats, normal: Floats, offset: Floats) -> Floats | None:
    """Return the best centre of three points out of all empty triangles; None: there is none."""
    t = p[Delaunay(p).simplices]
    c, r = _centres(t)
    within = np.flatnonzero(np.isfinite(r))
    within = within[_outside(c[within], normal, offset) < -_ON_EDGE]
    tree = cKDTree(p)
    for k in within[np.argsort(-r[within])].tolist():
        # Triangles of points nearly on a line, or nearly on one circle, may be all rounding.
        if float(tree.query(c[k])[0]) >= r[k] * (1 - 1e-9):
            out: Floats = c[k]
            return out
    return None


def _on_edge(p: Floats, corners: Floats) -> Floats:
    """Return the place on the hull's edge whose nearest point is furthest off."""
    tree = cKDTree(p)
    ends = np.roll(corners, -1, axis=0)
    middle, arm = (corners + ends) / 2, (ends - corners) / 2
    best, at = 0.0, corners[0]
    while len(middle):
        reach = np.hypot(arm[:, 0], arm[:, 1])
        least = np.asarray(tree.query(middle)[0], dtype=float)
        k = int(np.argmax(least))
        if least[k] > best:
            best, at = float(least[k]), middle[k]
        keep = (least + reach > best + SMALLEST) & (reach > SMALLEST)
        middle, arm = middle[keep], arm[keep] / 2
        middle, arm = np.vstack([middle - arm, middle + arm]), np.vstack([arm, arm])
    out: Floats = at
    return out


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


def _centres(t: Floats) -> tuple[Floats, Floats]:
    """Return centres and radii of the circles through (k, 3, 2) points; not finite on a line."""
    one, two = t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]
    det = 2 * (one[:, 0] * two[:, 1] - one[:, 1] * two[:, 0])
    a, b = (one**2).sum(axis=1), (two**2).sum(axis=1)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        x = (two[:, 1] * a - one[:, 1] * b) / det
        y = (one[:, 0] * b - two[:, 0] * a) / det
        r = np.hypot(x, y)
    return t[:, 0] + np.column_stack([x, y]), r


def _corners(near: Floats) -> Floats:
    """Return the centres of the empty circles through three of few points."""
    if len(near) < 3:
        return np.empty((0, 2))
    c, r = _centres(near[triples(len(near))])
    fine = np.isfinite(r)
    c, r = c[fine], r[fine]
    out: Floats = c[distances(c, near).min(axis=1) >= r * (1 - 1e-9)]
    return out
