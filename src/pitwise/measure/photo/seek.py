"""Find the rim and the hole by themselves, on a reduced picture.

Edges vote for the centres that their gradients point at (the gradient variant of the circle
transform; Kimme, Ballard & Sklansky 1975, from memory); around the best centres the picture is
unrolled and closed paths are followed through the strongest radial gradients by dynamic
programming, so that an oval, nicked or off-centre hole is followed as well as a round one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.ellipse import EllipseFit, fit_ellipses

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

# Directions and the noise below which an edge tells no direction.
_TURNS = 256
_MOST_EDGES = 14000
_CELL = 3.0
# An edge counts from this gain on; a ring of fewer directions than this share is none.
_CLEAR = 0.3
# Gradients below this are no more than rounding, tone values of 255 per px.
_LEAST_STEP = 0.15
_SEEN = 0.4


@dataclass(frozen=True)
class Gradient:
    """A reduced picture with its gradient; `floor` is where gradients are no more than noise."""

    grey: Grey
    gx: Grey
    gy: Grey
    size: Grey
    floor: float


def gradient_of(
    grey: Grey, sigma: float = 1.2, *, colour: Grey | None = None, least: float = 1e-6
) -> Gradient:
    """Return the gradient of a picture smoothed by a Gaussian of `sigma` px.

    With `colour` (red less blue), that of the two which is stronger at each place. On a ground
    that is exactly even the median gradient is nothing: below `least` none counts.
    """
    own = _gradient(grey, sigma, least)
    if colour is None:
        return own
    other = _gradient(colour, sigma, least)
    wins = other.size / other.floor > own.size / own.floor
    ratio = np.float32(own.floor / other.floor)
    return Gradient(
        own.grey,
        np.where(wins, other.gx * ratio, own.gx),
        np.where(wins, other.gy * ratio, own.gy),
        np.where(wins, other.size * ratio, own.size),
        own.floor,
    )


def _gradient(grey: Grey, sigma: float, least: float) -> Gradient:
    soft = cv2.GaussianBlur(grey, (0, 0), sigma)
    gx = cv2.Scharr(soft, cv2.CV_32F, 1, 0) / 32.0
    gy = cv2.Scharr(soft, cv2.CV_32F, 0, 1) / 32.0
    size = np.hypot(gx, gy)
    return Gradient(
        np.asarray(soft, np.float32),
        np.asarray(gx, np.float32),
        np.asarray(gy, np.float32),
        np.asarray(size, np.float32),
        max(float(np.median(size)) * 1.5, least),
    )


def votes(
    g: Gradient,
    least: float,
    most: float,
    *,
    inward_dark: bool,
    within: NDArray[np.bool_] | None = None,
) -> tuple[Grey, float]:
    """Return how many edges point at each place, on a grid of `_CELL` px, smoothed.

    Parameters
    ----------
    g : Gradient
    least, most : float
        Radii looked for, px.
    inward_dark : bool
        Count only edges with their dark side towards the centre.
    within : (h, w) array of bool, optional
        Edges counted.

    Returns
    -------
    field : (h', w') array
    cell : float
        Size of a cell of it, px.
    """
    h, w = g.grey.shape
    strong = g.size if within is None else np.where(within, g.size, 0).astype(np.float32)
    level = max(g.floor, float(np.partition(strong.ravel(), -_few(strong))[-_few(strong)]))
    # Thin the edges: only where the gradient is at its largest across the edge.
    y, x = np.nonzero((strong >= level) & _crest(g))
    if y.size == 0:
        return np.zeros((2, 2), np.float32), _CELL
    ux, uy = g.gx[y, x] / g.size[y, x], g.gy[y, x] / g.size[y, x]
    radii = np.arange(least, most, _CELL * 0.8, dtype=np.float32)
    rows, cols = int(h / _CELL) + 1, int(w / _CELL) + 1
    field = np.zeros(rows * cols)
    # An edge of a larger circle has more company: weigh by 1/r, so that the share of the
    # circumference counts, tempered so that small specks do not win.
    weight = 1.0 / np.sqrt(radii + 10.0)
    for sign in (-1.0,) if inward_dark else (-1.0, 1.0):
        px = ((x[:, None] + sign * ux[:, None] * radii) / _CELL).astype(np.int32)
        py = ((y[:, None] + sign * uy[:, None] * radii) / _CELL).astype(np.int32)
        inside = (px >= 0) & (px < cols) & (py >= 0) & (py < rows)
        field += np.bincount(
            (py * cols + px)[inside],
            np.broadcast_to(weight, px.shape)[inside],
            rows * cols,
        )
    return np.asarray(
        cv2.GaussianBlur(field.reshape(rows, cols).astype(np.float32), (0, 0), 1.3), np.float32
    ), _CELL


def _few(size: Grey) -> int:
    return min(_MOST_EDGES, max(size.size // 6, 1))


def _crest(g: Gradient) -> NDArray[np.bool_]:
    across = np.abs(g.gx) >= np.abs(g.gy)
    s = g.size
    left, right = np.roll(s, 1, 1), np.roll(s, -1, 1)
    up, down = np.roll(s, 1, 0), np.roll(s, -1, 0)
    crest = np.where(across, (s >= left) & (s > right), (s >= up) & (s > down))
    crest[[0, -1], :] = False
    crest[:, [0, -1]] = False
    return crest


def peaks(field: Grey, cell: float, count: int, apart: float) -> list[tuple[float, float]]:
    """Return the `count` strongest places of a field of votes, at least `apart` px apart."""
    left = field.copy()
    found: list[tuple[float, float]] = []
    reach = max(int(apart / cell), 1)
    for _ in range(count):
        row, col = np.unravel_index(int(np.argmax(left)), left.shape)
        if left[row, col] <= 0:
            break
        found.append(((col + 0.5) * cell, (row + 0.5) * cell))
        left[
            max(row - reach, 0) : row + reach + 1,
            max(col - reach, 0) : col + reach + 1,
        ] = 0
    return found


def unroll(field: Grey, x: float, y: float, radii: Array, turns: int = _TURNS) -> Grey:
    """Return a picture unrolled about a centre: (turns, radii); outside it is NaN.

    Row k lies at the angle 2πk/turns, clockwise on the screen (y down).
    """
    angle = np.arange(turns) * (2 * np.pi / turns)
    mx = (x + np.cos(angle)[:, None] * radii).astype(np.float32)
    my = (y + np.sin(angle)[:, None] * radii).astype(np.float32)
    return np.asarray(
        cv2.remap(
            field,
            mx,
            my,
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        ),
        np.float32,
    )


def radial_gradient(g: Gradient, x: float, y: float, radii: Array, turns: int = _TURNS) -> Grey:
    """Return the gradient along the outward direction, unrolled (turns, radii); outside NaN."""
    angle = np.arange(turns) * (2 * np.pi / turns)
    gx, gy = unroll(g.gx, x, y, radii, turns), unroll(g.gy, x, y, radii, turns)
    return np.asarray(
        gx * np.cos(angle)[:, None] + gy * np.sin(angle)[:, None],
        np.float32,
    )


def closed_path(gain: Array, bend: float, reach: int = 6) -> tuple[NDArray[np.int64], float]:
    """Return the closed path of the largest gain through an unrolled field.

    Parameters
    ----------
    gain : (turns, steps) array
        What the path collects in each direction at each radius.
    bend : float
        Price of each step of radius from one direction to the next.
    reach : int
        Most steps of radius between neighbours.

    Returns
    -------
    path : (turns,) array of int
        Index of the radius in each direction.
    mean : float
        Mean gain along it.

    Notes
    -----
    Viterbi's recursion, run one and a half times around so that the start does not matter.
    """
    paths, means = closed_paths(gain[None], bend, reach)
    return paths[0], float(means[0])


def closed_paths(gain: Array, bend: float, reach: int = 6) -> tuple[NDArray[np.int64], Array]:
    """Return the closed paths through many unrolled fields, (k, turns, steps), and their means.

    All at once, as `closed_path` does one.
    """
    count, turns, steps = gain.shape
    order = np.arange(turns + turns // 2) % turns
    price = (bend * np.abs(np.arange(-reach, reach + 1)))[:, None, None]
    # The best sums so far; what each came from is told again on the way back, where it is asked.
    best = np.full((order.size, count, steps + 2 * reach), -np.inf)
    best[0, :, reach : reach + steps] = gain[:, 0]
    windows = np.lib.stride_tricks.sliding_window_view(best, 2 * reach + 1, axis=2)
    options = np.empty((2 * reach + 1, count, steps))
    for k in range(1, order.size):
        np.subtract(windows[k - 1].transpose(2, 0, 1), price, out=options)
        now = best[k, :, reach : reach + steps]
        np.maximum.reduce(options, axis=0, out=now)
        now += gain[:, order[k]]
    rows = np.arange(count)
    at = best[-1].argmax(1) - reach
    path = np.zeros((count, turns), np.int64)
    for k in range(order.size - 1, -1, -1):
        if turns // 4 <= k < turns // 4 + turns:
            path[:, order[k]] = at
        if k:
            at = at + (windows[k - 1, rows, at] - price[:, 0, 0]).argmax(1) - reach
    along = np.take_along_axis(gain, path[..., None], 2)[..., 0]
    return path, np.asarray(along.mean(1))


def edge_gain(radial: Grey, floor: float) -> Array:
    """Return a gain in 0…1 of a signed radial gradient: rising outward counts, falling does not."""
    g = np.nan_to_num(radial, nan=0.0).astype(np.float64)
    return np.asarray(np.clip(g, 0, None) / (np.abs(g) + 3.0 * floor))


@dataclass(frozen=True)
class Ring:
    """A closed ring found about a centre: ellipse, share of it seen, mean strength 0…1."""

    fit: EllipseFit
    support: float
    strength: float
    rising: float

    @property
    def radius(self) -> float:
        """Return its mean radius, px."""
        a, b = self.fit.axes
        return math.sqrt(a * b)


def rings_about(
    g: Gradient, x: float, y: float, least: float, most: float, *, count: int = 10
) -> list[Ring]:
    """Return the rings about a centre, any polarity, the widest first."""
    radii = np.arange(max(least * 0.8, 3.0), most * 1.15, 1.0)
    if radii.size < 8:
        return []
    signed = radial_gradient(g, x, y, radii)
    flow = np.nan_to_num(signed, copy=False, nan=0.0)
    size = np.abs(flow)
    gain = np.asarray(size / (size + np.float32(4.0 * g.floor)), np.float32)
    tall = gain.copy()
    # A ring about a centre that is a little off, or an oval, wanders in radius: look around.
    for share in (0.01, 0.02, 0.03, 0.045):
        reach = np.maximum((radii * share).astype(int), 1)
        index = np.arange(radii.size)
        for way in (-reach, reach):
            np.maximum(tall, gain[:, np.clip(index + way, 0, radii.size - 1)], out=tall)
    level = tall.mean(0)
    tries: list[float] = []
    taken = np.zeros(radii.size, bool)
    for k in np.argsort(-level):
        if len(tries) >= count or level[k] < 0.3:
            break
        if taken[k]:
            continue
        tries.append(float(radii[k]))
        taken |= np.abs(radii - radii[k]) < max(2.0, 0.02 * radii[k])
    found: list[Ring] = []
    for ring in _rings(gain, flow, radii, x, y, np.array(tries)) if tries else ():
        if ring is None or not least <= ring.radius <= most:
            continue
        if all(abs(r.radius - ring.radius) > 1.0 for r in found):
            found.append(ring)
    return sorted(found, key=lambda r: -r.radius)


def _rings(
    gain: Grey, flow: Grey, radii: Array, x: float, y: float, tries: Array
) -> list[Ring | None]:
    """Fit ellipses to the strongest edges near each of some radii, narrowing the band."""
    turns = gain.shape[0]
    angle = np.arange(turns) * (2 * np.pi / turns)
    cos, sin = np.cos(angle), np.sin(angle)
    rows = np.arange(turns)
    last = radii.size - 1
    first = (rows * radii.size).astype(np.int32)[:, None]
    expected = np.repeat(tries[:, None], turns, 1)
    fits: list[EllipseFit | None] = [None] * len(tries)
    chosen = np.zeros(expected.shape, np.int64)
    gain_at = np.zeros(expected.shape)
    for band in (0.06, 0.03, 0.02):
        reach = np.maximum(band * tries, 2.0)
        exact = expected - radii[0]
        middle = np.rint(exact)
        span = np.arange(-int(reach.max()) - 1, int(reach.max()) + 2)
        column = np.clip(middle.astype(np.int32)[..., None] + span.astype(np.int32), 0, last)
        apart = (middle - exact).astype(np.float32)[..., None] + span.astype(np.float32)
        apart *= (1.0 / reach).astype(np.float32)[:, None, None]
        apart *= apart
        near = np.exp(np.float32(-1.125) * apart)
        near[apart > 1] = 0.0
        near *= gain.take(column + first)
        best = np.argmax(near, 2)
        chosen = np.take_along_axis(column, best[..., None], 2)[..., 0].astype(np.int64)
        seen = np.take_along_axis(near, best[..., None], 2)[..., 0] > 0
        gain_at = np.where(seen, gain[rows, chosen], 0.0)
        clear = gain_at > _CLEAR
        weight = np.where(clear & (clear.mean(1) > _SEEN)[:, None], gain_at, 0.0)
        r = radii[chosen] + _between(gain, chosen)
        fits = fit_ellipses(
            np.stack([x + r * cos, y + r * sin], -1),
            weight,
            start=[None if fit is None else (fit.centre, fit.shape) for fit in fits],
            least_sd=0.5,
            passes=8,
        )
        for k, fit in enumerate(fits):
            if fit is None:
                expected[k] = tries[k]
                continue
            towards = radius_towards(fit.centre, fit.shape, x, y, angle)
            if np.all(np.isfinite(towards)):
                expected[k] = towards
            else:
                fits[k] = None
    out: list[Ring | None] = []
    for k, fit in enumerate(fits):
        if fit is None:
            out.append(None)
            continue
        on = (np.abs(fit.distance) < 2.0) & (gain_at[k] > _CLEAR)
        sign = flow[rows, chosen[k]][on]
        rising = float(np.mean(sign > 0)) if sign.size else 0.0
        out.append(Ring(fit, float(np.mean(on)), float(np.mean(gain_at[k] * on)), rising))
    return out


def _between(gain: Grey, chosen: NDArray[np.int64]) -> Array:
    """Return where between the steps the gain is at its largest (parabola)."""
    rows = np.arange(gain.shape[0])
    k = np.clip(chosen, 1, gain.shape[1] - 2)
    left, mid, right = gain[rows, k - 1], gain[rows, k], gain[rows, k + 1]
    bend = left - 2 * mid + right
    return np.where(
        (bend < -1e-9) & (k == chosen),
        np.clip(0.5 * (left - right) / np.where(bend < -1e-9, bend, -1), -0.5, 0.5),
        0,
    )


def radius_towards(centre: Array, shape: Array, x: float, y: float, angle: Array) -> Array:
    """Return how far an ellipse is from a point in it, in each direction (y down); else NaN."""
    u = np.column_stack([np.cos(angle), np.sin(angle)]) @ shape
    d = shape @ (np.array([x, y]) - centre)
    a = np.sum(u * u, 1)
    b = u @ d
    c = float(d @ d) - 1.0
    inside = b * b - a * c
    with np.errstate(invalid="ignore"):
        return np.asarray((-b + np.sqrt(inside)) / a)


def find_rims(grey: Grey, colour: Grey | None = None, *, count: int = 4) -> list[Ring]:
    """Return rings that may be the rim, the likeliest first.

    Parameters
    ----------
    grey : (h, w) float32 array
        Reduced picture (long side about 500 px), tone values.
    colour : (h, w) float32 array, optional
        Its red less blue.
    """
    g = gradient_of(grey, colour=colour, least=_LEAST_STEP)
    h, w = grey.shape
    least, most = 0.07 * min(h, w), 0.62 * min(h, w)
    field, cell = votes(g, least * 0.5, most, inward_dark=False)
    rings: list[tuple[float, Ring]] = []
    for x, y in peaks(field, cell, count, 0.05 * min(h, w)):
        about = rings_about(g, x, y, least, most)
        for ring in about:
            if ring.support < 0.5:
                continue
            # The rim is the widest of the rings about a centre, if it is as well seen as others.
            rings.append((ring.support * math.sqrt(ring.strength) * ring.radius**0.6, ring))
    rings.sort(key=lambda pair: -pair[0])
    return [ring for _, ring in rings]
