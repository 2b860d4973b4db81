"""The minimum zone: the narrowest ring that holds all points, found globally."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.spatial import ConvexHull, QhullError

from .circle_fit import least_squares
from .circle_model import CircleError, Floats, Zone, cloud, line_like
from .circle_search import (
    MOST_CROSSINGS,
    MOST_WORK,
    SMALLEST,
    bisectors,
    chunks,
    crossings,
    distances,
    in_box,
    quarters,
    too_much,
)

# Centres further off than this many extents: the points are a line to them.
_FARTHEST = 1e5


def hull_of(p: Floats) -> Floats:
    """Return the corners of the convex hull, anticlockwise; all points where it is too flat."""
    try:
        out: Floats = p[ConvexHull(p).vertices]
    except QhullError:
        return p
    return out


def hull_breadth(hull: Floats) -> float:
    """Return the least distance of two parallel lines that hold a convex polygon between them."""
    edges = np.roll(hull, -1, axis=0) - hull
    turn = np.unwrap(np.arctan2(edges[:, 1], edges[:, 0]))
    # The corner furthest from an edge begins the first edge turned by half a turn or more.
    ends = np.searchsorted(np.concatenate([turn, turn + 2 * math.pi]), turn + math.pi) % len(hull)
    normal = np.column_stack([-edges[:, 1], edges[:, 0]])
    normal /= np.hypot(normal[:, 0], normal[:, 1])[:, None]
    reach = np.zeros(len(hull))
    # Its neighbours too: the angle of a very short edge is all rounding.
    for k in (-1, 0, 1):
        other = hull[(ends + k) % len(hull)]
        reach = np.maximum(reach, np.einsum("ij,ij->i", normal, other - hull))
    return float(reach.min())


def minimum_zone(points: npt.ArrayLike) -> Zone:
    r"""Return the ring of least width that holds all points (ISO 12181-1, MZCI), globally.

    Parameters
    ----------
    points : (n, 2) array-like
        n >= 3, any unit.

    Returns
    -------
    Zone
        No centre whatever gives a ring narrower by more than rounding, some 1e-14 of the
        points' extent.

    Raises
    ------
    CircleError
        Fewer than three points, not finite, on one line; or two parallel lines hold the points
        as closely as any ring (the centre would be at infinity).

    Notes
    -----
    The width at a centre c is :math:`f(c) = \max_i |c-p_i| - \min_i |c-p_i|`. It has many
    local minima: successive linear programmes, which refine one centre, stop in the nearest.
    Here boxes of centres are split and thrown out by a bound. Within a box of half diagonal ρ
    f changes by at most Lρ from its centre's, L = min(2, 2R/D): R the radius about the origin
    that holds the points, D the origin's distance from the box, since from there the points are
    seen within that angle. Centres further than D are out of the race where
    :math:`W - R^2 / (2 (D - R))`, W the breadth of the hull, is above the best width found.
    Every minimum of positive width has two outer and two inner points of which the chords
    cross, so it lies where a line of equal distance of two outer points meets one of two inner
    points (H. Ebara et al. 1989; V. B. Le, D. T. Lee, IEEE Trans. PAMI 13 (1991) 1191; from
    memory). With one inner point a step at right angles to it always narrows the ring, by the
    second order. A box that few points can touch from is done by trying all such meetings.
    """
    own = cloud(points)
    p = own.own
    outer = hull_of(p)
    c, breadth = _search(p, outer)
    d = np.hypot(*(p - c).T)
    inner_r, outer_r = float(d.min()), float(d.max())
    width = outer_r - inner_r
    reach = float(np.hypot(*p.T).max())
    if len(outer) > 3 and width > breadth - reach**2 / (2 * (_FARTHEST - reach)):
        raise line_like("ring")
    x, y = own.centre(c)
    return Zone(x, y, width * own.scale, inner_r * own.scale, outer_r * own.scale)


def _starts(p: Floats) -> list[Floats]:
    out = [p.mean(axis=0), np.zeros(2)]
    try:
        fit = least_squares(p)
    except CircleError:
        # No start from there; the search needs none.
        return out
    return [np.array([fit.x, fit.y]), *out]


def _search(p: Floats, outer: Floats) -> tuple[Floats, float]:
    """Return the best centre, and the hull's breadth."""
    best, at = math.inf, np.zeros(2)
    for c in _starts(p):
        d = np.hypot(*(p - c).T)
        if float(d.max() - d.min()) < best:
            best, at = float(d.max() - d.min()), c
    reach = float(np.hypot(*p.T).max())
    breadth = hull_breadth(outer)
    room = breadth - best
    far = _FARTHEST
    if room > 0:
        far = min(far, reach + reach**2 / (2 * room))
    boxes, half, inner, work = np.zeros((1, 2)), far, p, 0
    while len(boxes):
        rho = half * math.sqrt(2)
        least, most = np.empty(len(boxes)), np.empty(len(boxes))
        for part in chunks(len(boxes), max(len(inner), len(outer))):
            most[part] = distances(boxes[part], outer).max(axis=1)
            least[part] = distances(boxes[part], inner).min(axis=1)
        work += len(boxes) * (len(inner) + len(outer))
        if work > MOST_WORK:
            raise too_much()
        here = most - least
        k = int(np.argmin(here))
        if here[k] < best:
            best, at = float(here[k]), boxes[k]
        away = np.maximum(np.hypot(*boxes.T) - rho, 1e-300)
        change = np.minimum(2.0, 2 * reach / away) * rho
        bound = here - change
        distant = away > reach
        bound[distant] = np.maximum(
            bound[distant], breadth - reach**2 / (2 * np.maximum(away[distant] - reach, 1e-300))
        )
        keep = bound < best - SMALLEST
        if rho <= SMALLEST or not keep.any():
            break
        boxes, bound, change = boxes[keep], bound[keep], change[keep]
        high, low = most[keep] - change, least[keep] + change
        touch_out, touch_in = np.zeros(len(outer), bool), np.zeros(len(inner), bool)
        count = np.empty(len(boxes))
        rows_out, rows_in = [], []
        for part in chunks(len(boxes), max(len(inner), len(outer))):
            a = distances(boxes[part], outer) >= high[part, None]
            b = distances(boxes[part], inner) <= low[part, None]
            touch_out |= a.any(axis=0)
            touch_in |= b.any(axis=0)
            n_a, n_b = a.sum(axis=1).astype(float), b.sum(axis=1).astype(float)
            count[part] = n_a * (n_a - 1) * n_b * (n_b - 1) / 4
            few = count[part] <= MOST_CROSSINGS
            rows_out += [np.flatnonzero(r) if f else None for r, f in zip(a, few, strict=True)]
            rows_in += [np.flatnonzero(r) if f else None for r, f in zip(b, few, strict=True)]
        for i in np.argsort(bound).tolist():
            o, n = rows_out[i], rows_in[i]
            if o is None or n is None or count[i] == 0 or bound[i] >= best - SMALLEST:
                continue
            found = _try_all(boxes[i], half, outer[o], inner[n])
            if found is not None and found[0] < best:
                best, at = found
        boxes = boxes[(count > MOST_CROSSINGS) & (bound < best - SMALLEST)]
        outer, inner = outer[touch_out], inner[touch_in]
        boxes, half = quarters(boxes, half), half / 2
    return at, breadth


def _try_all(
    centre: Floats, half: float, outer: Floats, inner: Floats
) -> tuple[float, Floats] | None:
    """Return the narrowest ring of a box that only these points can touch."""
    c = in_box(crossings(*bisectors(outer), *bisectors(inner)), centre, half)
    if not len(c):
        return None
    width = distances(c, outer).max(axis=1) - distances(c, inner).min(axis=1)
    k = int(np.argmin(width))
    return float(width[k]), c[k]
