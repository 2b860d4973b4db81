"""The bore's wall as a narrow lit ring just inside of the hole's edge.

Seen from near, or a little tilted, the wall shows as a crescent or ring of a pixel or three that
no lens parts from the edge: left alone it pulls the edge inward by as much as its width times its
light. What one direction cannot tell, all together can: the far end of a bore is the front edge
drawn smaller and shifted, so the ring's width is a + b cos(θ − c); its light changes slowly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from pitwise.measure.photo.edge import Sectors, middle
from pitwise.measure.photo.shelf import shelf

Array = NDArray[np.float64]

_ROOT_2PI = math.sqrt(2 * math.pi)
_GROUPS = 48
# The width's lower end is rounded over so many pixels.
_SOFT_END = 0.25
_WINDOW = (7.0, 2.8)
_HUBER = 2.5
_TO_SD = 1.4826
# Bore's depth over its diameter and what it may differ by (common practice, no source).
_DEPTH, _DEPTH_SD = 1.4, 1.0
_MOST_LIGHT = 0.9
# By how much of the face's light the wall may differ from its law in one direction.
_UNEVEN = 0.05
# Pixels share texture: the priors weigh so much more.
_CORRELATED = 4.0
_STRAIGHT_PX, _LEAST_LEAN = 5.0, 0.35


@dataclass(frozen=True)
class Wall:
    """The ring: its width, px, and its light at the front as a share of the face's beside it.

    Attributes
    ----------
    width, light : (n,) arrays
        At the sectors' angles.
    dark : float
        Light behind the ring.
    sigma : float
        Blur that goes with it, px.
    chi : float
        What is left over, against the same fit without a ring (1: no better).
    """

    width: Array
    light: Array
    dark: float
    sigma: float
    chi: float


def _widths(q: Array, cos: Array, sin: Array) -> tuple[Array, Array]:
    """Return the ring's width and its derivative by the unrounded one."""
    raw = q[0] + q[1] * cos + q[2] * sin
    width = _SOFT_END * np.logaddexp(0.0, raw / _SOFT_END)
    return np.maximum(width, 0.02), expit(raw / _SOFT_END)


def find_wall(
    s: Sectors,
    light: Array,
    slope: Array,
    shift: Array,
    clear: NDArray[np.bool_],
    angle: Array,
    sigma: float,
    radius: float,
    tilt: tuple[float, float],
    per_distance: float,
) -> Wall | None:
    """Return the ring that the pixels show, or None where nothing tells.

    Parameters
    ----------
    s : Sectors
    light, slope : (n, m) arrays
        Linear light and its derivative by the stored value.
    shift : (n,) array
        Where the smooth edge lies from the reference, px.
    clear : (n,) array of bool
        Sectors to use: no spatter, glare or nick.
    angle : (n,) array
    sigma : float
        Blur to start from, px.
    radius : float
        Of the hole, px.
    tilt : (sin of the tilt, its direction)
        In the angles' sense; which way is near need not be known.
    per_distance : float
        1 / distance of the camera, 1/px.

    Notes
    -----
    Gauss–Newton on the widths' three numbers, the light's three the blur and the dark, all sectors'
    places and levels eliminated (Schur complement); Huber's weights; weak priors from the tilt
    and from bores as they are.
    """
    n, m = s.t.shape
    size = max(n // _GROUPS, 1)
    groups = n // size
    rows = groups * size
    used = (s.used & clear[:, None] & ~s.white)[:rows].reshape(groups, size * m)
    if np.count_nonzero(used.sum(1) > 12) < 12:
        return None
    t = (s.t - shift[:, None])[:rows].reshape(groups, size * m)
    lum, steep = (v[:rows].reshape(groups, size * m) for v in (light, slope))
    # Only the places that hold a pixel to use.
    order = np.argsort(~used, axis=1, kind="stable")[:, : int(used.sum(1).max())]
    t, lum, steep = (np.take_along_axis(v, order, 1) for v in (t, lum, steep))
    used = np.take_along_axis(used, order, 1)
    mid = np.mean(np.unwrap(angle)[:rows].reshape(groups, size), 1)
    cos, sin = np.cos(mid), np.sin(mid)
    ring = 2 * _DEPTH * radius**2 * per_distance
    lean = 2 * _DEPTH * radius * tilt[0]
    u_lean = 2 * _DEPTH_SD * radius * tilt[0] + 2 * radius * 0.02 * _DEPTH
    dark = float(np.percentile(lum[used & (t < -2 * sigma)], 10))
    best: tuple[float, Array] | None = None
    flat: float | None = None
    # Straight above, the ring may open to any side; leant, it opens along the tilt.
    senses = (None, 0.0, 1.0, -1.0) if lean < _STRAIGHT_PX else (None, 1.0, -1.0)
    for sense in senses:
        if sense is None:
            start = np.array([0.0, 0.0, 0.0, 0.0, 0.0, 0.0, sigma, dark])
        else:
            start = np.array(
                [
                    ring,
                    sense * lean * math.cos(tilt[1]),
                    sense * lean * math.sin(tilt[1]),
                    0.25,
                    0.0,
                    0.0,
                    sigma,
                    dark,
                ]
            )
        prior = (
            np.array([ring, start[1], start[2], 0.3, 0.0, 0.0, sigma, dark]),
            np.array([0.8 * ring + 0.1, u_lean, u_lean, 0.3, 0.15, 0.15, 0.1, 0.3]),
        )
        got = _fitted(t, lum, steep, used, cos, sin, start, prior, sense is None)
        if got is None:
            continue
        if sense is None:
            flat = got[0]
        elif lean >= _STRAIGHT_PX and math.hypot(got[1][1], got[1][2]) < _LEAST_LEAN * lean:
            # Something else beside the edge: soot, lathe marks.
            continue
        elif best is None or got[0] < best[0]:
            best = got
    if best is None or flat is None:
        return None
    q = best[1]
    width, _ = _widths(q, np.cos(angle), np.sin(angle))
    level = np.clip(q[3] + q[4] * np.cos(angle) + q[5] * np.sin(angle), 0.0, _MOST_LIGHT)
    return Wall(width, level, float(q[7]), float(q[6]), best[0] / max(flat, 1e-12))


def _fitted(
    t: Array,
    lum: Array,
    steep: Array,
    used: NDArray[np.bool_],
    cos: Array,
    sin: Array,
    start: Array,
    prior: tuple[Array, Array],
    without: bool,
) -> tuple[float, Array] | None:
    """Return what is left over, and the eight numbers, from one start."""
    q = start.copy()
    groups = t.shape[0]
    e = np.zeros(groups)
    base = used / steep**2
    residual = np.zeros_like(t)
    scale = chi = 0.0
    hold = np.zeros(8)
    lit = np.stack([np.ones_like(cos), cos, sin], -1)
    levels = np.full((groups, 3), 0.3)
    for turn in range(9):
        sigma = float(q[6])
        x = t - e[:, None]
        live = base * (x >= -_WINDOW[0]) * (x <= _WINDOW[1] * sigma + 1)
        width, open_ = _widths(q, cos, sin)
        glow = np.clip(lit @ q[3:6], 0.0, _MOST_LIGHT)
        value, by_t, by_s, by_w = shelf(x, width[:, None], sigma)
        z = x / sigma
        f = ndtr(z)
        p = np.exp(-0.5 * np.minimum(z * z, 60.0)) / (_ROOT_2PI * sigma)
        far = ndtr((x + width[:, None]) / sigma)
        pf = np.exp(-0.5 * np.minimum(((x + width[:, None]) / sigma) ** 2, 60.0)) / (
            _ROOT_2PI * sigma
        )
        g = glow[:, None]
        columns = np.stack([f + g * value, value, x * f + sigma**2 * p], -1)
        behind = q[7] * (1 - far)
        for again in range(2):
            w = live * (1.0 if turn == 0 and again == 0 else _huber(residual / steep, scale))
            # Each direction's wall may be a little lighter or darker than the law.
            own = (max(scale, 1e-3) / (_UNEVEN * max(float(np.median(levels[:, 0])), 0.02))) ** 2
            levels = _solved(columns, w, lum - behind, own)
            residual = lum - behind - (columns @ levels[..., None])[..., 0]
            flags = live > 0
            if not flags.any():
                return None
            scale = _TO_SD * middle(np.abs((residual / steep)[flags]))
        w = live * _huber(residual / steep, scale)
        chi = float(np.sum(w * residual**2))
        b, own_light, k = (levels[:, j][:, None] for j in range(3))
        d = float(q[7])
        lift = b * g + own_light
        by_e = -(b * p + lift * by_t - d * pf + k * f)
        to_w = (lift * by_w - d * pf) * open_[:, None]
        to_l = b * value
        to_s = -b * z * p + lift * by_s + d * (x + width[:, None]) / sigma * pf + k * sigma * p
        outer = np.stack(
            [
                to_w,
                to_w * cos[:, None],
                to_w * sin[:, None],
                to_l,
                to_l * cos[:, None],
                to_l * sin[:, None],
                to_s,
                1 - far,
            ],
            -1,
        )
        inner = np.concatenate([by_e[..., None], columns], -1)
        wi = inner * w[..., None]
        normal = np.swapaxes(wi, 1, 2) @ inner
        normal[:, 2, 2] += own
        trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
        normal += np.eye(4) * (1e-6 * trace + 1e-9)
        cross = np.swapaxes(wi, 1, 2) @ outer
        right = np.swapaxes(wi, 1, 2) @ residual[..., None]
        solved = np.linalg.solve(normal, np.concatenate([cross, right], -1))
        hold = max(scale, 1e-4) ** 2 / prior[1] ** 2 * _CORRELATED
        each = (outer * w[..., None]).reshape(-1, 8)
        top = residual.ravel() @ each
        top += hold * (prior[0] - q) - np.einsum("nij,ni->j", cross, solved[..., -1])
        low = each.T @ outer.reshape(-1, 8)
        low += np.diag(hold) - np.einsum("nik,nij->kj", cross, solved[..., :-1])
        step = np.zeros(8)
        free = slice(6, 8) if without else slice(0, 8)
        part = low[free, free]
        step[free] = np.linalg.solve(part + 1e-9 * np.eye(len(part)) * np.trace(part), top[free])
        step = np.clip(step, -_STEPS, _STEPS)
        inward = solved[..., -1][:, 0] - solved[..., :-1][:, 0] @ step
        e = np.clip(e + np.clip(inward, -0.7, 0.7), -2.5, 2.5)
        q = q + step
        q[6] = float(np.clip(q[6], 0.4, 4.0))
        if turn > 2 and float(np.max(np.abs(step) / _STEPS)) < 2e-3:
            break
    penalty = 0.0 if without else float(np.sum(hold * (prior[0] - q) ** 2))
    return chi + penalty, q


_STEPS = np.array([1.0, 2.0, 2.0, 0.15, 0.15, 0.15, 0.2, 0.05])


def _solved(columns: Array, w: Array, light: Array, own: float) -> Array:
    weighted = columns * w[..., None]
    normal = np.swapaxes(weighted, 1, 2) @ columns
    normal[:, 1, 1] += own
    size = columns.shape[-1]
    trace = np.trace(normal, axis1=1, axis2=2)[:, None, None]
    normal += np.eye(size) * (1e-6 * trace + 1e-9)
    solved = np.linalg.solve(normal, np.swapaxes(weighted, 1, 2) @ light[..., None])
    return np.asarray(solved[..., 0], np.float64)


def _huber(r: Array, scale: float) -> Array:
    if scale <= 0:
        return np.ones_like(r)
    return np.minimum(1.0, _HUBER * scale / np.maximum(np.abs(r), 1e-12))
