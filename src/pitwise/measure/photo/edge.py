"""Where an edge lies, to a few hundredths of a pixel.

The edge of a plane under a Gaussian blur is an error function *in linear light*. It is fitted to
the pixels themselves (nothing is interpolated), sector by sector along the edge, with a bright
and a dark level for each sector and one blur for all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pitwise.measure.photo.frame import Plane as Values
from pitwise.measure.photo.frame import White
from pitwise.measure.photo.pose import Plane
from pitwise.measure.photo.shelf import shelf

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_ROOT_2PI = math.sqrt(2 * math.pi)
_HUBER = 2.5
_TO_SD = 1.4826
_RAMP_RIDGE = 0.003


@dataclass(frozen=True)
class Sectors:
    """The pixels near an edge, in (n, m) tables: one row a sector, unused places have weight 0.

    Attributes
    ----------
    t : distance from the reference curve along its normal, px on the face, outward positive
    value : stored tone value, 0…1
    used : whether there is a pixel
    white : whether a channel of it is clipped
    """

    t: Array
    value: Array
    used: Flags
    white: Flags

    @property
    def count(self) -> int:
        """Return how many sectors there are."""
        return int(self.t.shape[0])


def collect(
    value: Values,
    white: White,
    plane: Plane,
    centre: Array,
    radius: Array,
    inward: float,
    outward: float,
    count: int,
    strip: float = math.inf,
) -> Sectors:
    """Gather the pixels along a closed curve.

    Parameters
    ----------
    value : (h, w) plane of a photo
        Tone values, 0…1.
    white : (h, w) flags of a photo
    plane : Plane
        Pixels to the face.
    centre : (2,) array
        Of the curve on the face, in face pixels.
    radius : (k,) array
        The curve about it at k equally spaced angles, face pixels.
    inward, outward : float
        How far from the curve, px.
    count : int
        Sectors.
    strip : float
        Of wider sectors only so many pixels along the curve, in their middle.
    """
    h, w = value.shape
    nodes = radius.size
    turns = max(int(2 * math.pi * float(radius.max()) * 1.35), 64)
    angle = np.arange(turns) * (2 * math.pi / turns)
    # Half the strip, as a share of a sector.
    half = 0.5 * strip * count / (2 * math.pi * float(radius.mean()))
    if half < 0.4:
        margin = half + 1.5 * count / turns
        angle = angle[np.abs(angle * (count / (2 * math.pi)) % 1.0 - 0.5) < margin]
    reference = np.interp(
        angle * (nodes / (2 * math.pi)), np.arange(nodes + 1), np.append(radius, radius[0])
    )
    slope = np.gradient(np.append(radius, radius[:2])) * (nodes / (2 * math.pi))
    slope = np.append(slope[-2], slope[1:-2])
    steep = np.sqrt(1 + (slope / radius) ** 2)
    reach = min(float(np.max(steep)), 3.0)
    steps = np.arange(-inward * reach - 1, outward * reach + 1, 0.7)
    r = reference[:, None] + steps
    px = plane.to_px(centre[0] + r * np.cos(angle)[:, None], centre[1] + r * np.sin(angle)[:, None])
    ix, iy = np.rint(px[0]).astype(np.int64), np.rint(px[1]).astype(np.int64)
    inside = (ix >= 0) & (ix < w) & (iy >= 0) & (iy < h) & (r > 0)
    index = np.sort((iy * w + ix)[inside])
    index = index[np.diff(index, prepend=-1) > 0]
    iy, ix = np.divmod(index, w)
    fx, fy = plane.to_face(ix.astype(np.float64), iy.astype(np.float64))
    dx, dy = fx - centre[0], fy - centre[1]
    turn = (np.arctan2(dy, dx) / (2 * math.pi)) % 1.0
    at = turn * nodes
    e0 = np.interp(at, np.arange(nodes + 1), np.append(radius, radius[0]))
    tilt = np.interp(at, np.arange(nodes + 1), np.append(steep, steep[0]))
    t = (np.hypot(dx, dy) - e0) / tilt
    near = (t >= -inward) & (t <= outward)
    if half < 0.4:
        near &= np.abs(turn * count % 1.0 - 0.5) <= half
    index, t, turn = index[near], t[near], turn[near]
    sector = np.minimum((turn * count).astype(np.int64), count - 1)
    order = np.argsort(sector, kind="stable")
    index, t, sector = index[order], t[order], sector[order]
    sizes = np.bincount(sector, minlength=count)
    first = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    place = np.arange(index.size) - first[sector]
    shape = (count, max(int(sizes.max(initial=1)), 1))
    rows, columns = np.divmod(index, w)
    table_t, table_v = np.zeros(shape), np.zeros(shape)
    used, bright = np.zeros(shape, bool), np.zeros(shape, bool)
    table_t[sector, place] = t
    table_v[sector, place] = value[rows, columns]
    used[sector, place] = True
    bright[sector, place] = white[rows, columns]
    return Sectors(table_t, table_v, used, bright)


@dataclass(frozen=True)
class EdgeFit:
    """Edges of all sectors.

    Attributes
    ----------
    e : (n,) array
        Place of the edge, px outward of the reference curve.
    u : (n,) array
        Its standard uncertainty from the misfit, px; infinite where there is no edge.
    bright, dark : (n,) arrays
        Levels outside and inside, linear light.
    sigma : float
        Blur, px.
    misfit : (n,) array
        RMS of the residuals over the sector's contrast.
    noise : float
        Robust standard deviation of the weighted residuals, tone units.
    chi : float
        Sum of the weighted squared residuals.
    slopes : (n, k) array
        Of the ramps fitted.
    """

    e: Array
    u: Array
    bright: Array
    dark: Array
    sigma: float
    misfit: Array
    noise: float
    chi: float
    slopes: Array


def fit_edges(
    s: Sectors,
    light: Array,
    slope: Array,
    *,
    sigma: float = 1.2,
    fixed_sigma: bool = False,
    start: Array | None = None,
    window: tuple[float, float] = (3.0, 3.5),
    passes: int = 10,
    rising: bool = True,
    ramps: str = "",
    held: Array | None = None,
    ring: tuple[Array, Array] | None = None,
) -> EdgeFit:
    """Fit the error function to all sectors.

    Parameters
    ----------
    s : Sectors
    light : (n, m) array
        Linear light of the pixels.
    slope : (n, m) array
        Derivative of light by the stored tone value, by which the noise is weighed.
    sigma : float
        Blur to start from, px.
    start : (n,) array, optional
        Where the edges are looked for, px from the reference.
    window : (inward, outward)
        Pixels used, in multiples of the blur (plus one pixel) from the edge.
    passes : int
    rising : bool
        Only edges that are brighter outside count.
    ramps : str
        "i", "o" or both: levels that change inward or outward of the edge.
    held : (n, len(ramps)) array, optional
        The ramps' slopes, given instead of fitted.
    ring : (width (n,), height (n,)), optional
        A lit ledge just inside of the edge (`shelf`), px and linear light; height 0 for none.

    Returns
    -------
    EdgeFit

    Notes
    -----
    L(t) = d + (b − d) Φ((t − e)/σ) + k Q(t − e), Q being the ramps max(0, −x) and max(0, x)
    blurred alike (xΦ(x/σ) + σφ(x/σ)) where `ramps` asks for them: the bore's wall darkens inward,
    soot fades outward. Gauss–Newton on the place and the levels of each sector and σ of all,
    with Huber's weights; σ's step is that of the full normal equations (Schur complement).
    """
    n = s.count
    e = np.zeros(n) if start is None else start.astype(np.float64).copy()
    base = s.used / slope**2
    stiff = 1.0 / slope
    scale = 0.0
    size = 2 + (len(ramps) if held is None else 0)
    levels = np.zeros((n, size))
    normal = np.zeros((n, 1 + size, 1 + size))
    jac = np.empty((n, 1 + size, light.shape[1]))
    weighed = np.zeros_like(light)
    residual = np.zeros_like(light)
    live = base
    diagonal = np.arange(1 + size)
    for turn in range(passes):
        t = s.t - e[:, None]
        inside = (t >= -(window[0] * sigma + 1)) & (t <= window[1] * sigma + 1)
        live = base * inside
        columns, by_t, by_sigma = _columns(t, sigma, ramps)
        w = live if turn == 0 else live * _huber(weighed, scale)
        own = light if held is None else light - _mixed(held, columns[:, 2:])
        if ring is not None:
            ledge, ledge_t, ledge_s, _ = shelf(t, ring[0][:, None], sigma)
            own = own - ring[1][:, None] * ledge
        jac[:, 1:] = columns[:, :size]
        ridge = _ridge(size, sigma, live)
        levels = _solved(jac[:, 1:], w, own, ridge)
        residual = own - _mixed(levels, jac[:, 1:])
        weighed = np.abs(residual)
        weighed *= stiff
        use = weighed[live > 0]
        scale = _TO_SD * middle(use) if use.size else 0.0
        w = live * _huber(weighed, scale)
        all_levels = levels if held is None else np.hstack([levels, held])
        np.negative(_mixed(all_levels, by_t), out=jac[:, 0])
        by_s = None if fixed_sigma else _mixed(all_levels, by_sigma)
        if ring is not None:
            jac[:, 0] -= ring[1][:, None] * ledge_t
            if by_s is not None:
                by_s = by_s + ring[1][:, None] * ledge_s
        weighted = jac * w[:, None, :]
        normal = weighted @ jac.transpose(0, 2, 1)
        normal[:, diagonal[1:], diagonal[1:]] += ridge
        trace = np.trace(normal, axis1=1, axis2=2)
        normal[:, diagonal, diagonal] += (1e-9 + 1e-8 * trace)[:, None]
        # Right-hand sides: the residuals, and what a change of the blur would do.
        aims = [residual] if by_s is None else [residual, by_s]
        rhs = weighted @ np.stack(aims, -1)
        solved = np.linalg.solve(normal, rhs)
        rise = levels[:, 0] - levels[:, 1]
        good = (rise if rising else np.abs(rise)) > 0
        step, reach = solved[:, 0, 0], 0.7 * sigma
        if by_s is not None and turn > 0 and good.any():
            pull = w * by_s
            c = rhs[..., 1]
            top = np.sum(pull * residual, 1) - np.sum(c * solved[..., 0], 1)
            low = np.sum(pull * by_s, 1) - np.sum(c * solved[..., 1], 1)
            step_s = float(np.sum(top[good]) / max(float(np.sum(low[good])), 1e-12))
            step_s = float(np.clip(step_s, -0.3 * sigma, 0.3 * sigma))
            step = step - solved[:, 0, 1] * step_s
            sigma = float(np.clip(sigma + step_s, 0.35, 12.0))
        e = e + np.where(good, np.clip(step, -reach, reach), 0.0)
        moved = np.abs(step[good])
        if turn > 3 and (not moved.size or middle(moved, 0.95) < 2e-3):
            break
    w = live * _huber(weighed, scale)
    seen = np.maximum(np.count_nonzero(w > 0, 1) - size - 1, 1)
    chi = np.sum(w * residual**2, 1) / seen
    inverse = np.linalg.inv(normal)
    rise = levels[:, 0] - levels[:, 1]
    contrast = rise if rising else np.abs(rise)
    with np.errstate(divide="ignore", invalid="ignore"):
        u = np.where(
            (contrast > 0) & (np.sum(live > 0, 1) > size + 2),
            np.sqrt(np.maximum(inverse[:, 0, 0], 0) * np.maximum(chi, scale**2)),
            np.inf,
        )
        misfit = np.where(
            contrast > 0, np.sqrt(np.sum((w > 0) * residual**2, 1) / seen) / contrast, np.inf
        )
    return EdgeFit(
        e,
        u,
        levels[:, 0],
        levels[:, 1],
        sigma,
        misfit,
        scale,
        float(np.sum(w * residual**2)),
        levels[:, 2:] if held is None else held,
    )


def middle(values: Array, share: float = 0.5) -> float:
    """Return the median of many values (of an even number the upper one), or another quantile."""
    k = min(int(values.size * share), values.size - 1)
    return float(np.partition(values, k)[k])


def _mixed(weights: Array, columns: Array) -> Array:
    """Return the sum of columns (n, k, m) by weights (n, k)."""
    return np.asarray((weights[:, None, :] @ columns)[:, 0])


def _columns(t: Array, sigma: float, ramps: str) -> tuple[Array, Array, Array]:
    """Return the model's columns (n, k, m) and their derivatives by t and by σ."""
    z = t / sigma
    shape = (t.shape[0], 2 + len(ramps), t.shape[1])
    columns, by_t, by_sigma = np.empty(shape), np.empty(shape), np.empty(shape)
    f = ndtr(z)
    p = np.exp(-0.5 * np.minimum(z * z, 60.0)) / (_ROOT_2PI * sigma)
    columns[:, 0], by_t[:, 0] = f, p
    np.subtract(1.0, f, out=columns[:, 1])
    np.negative(p, out=by_t[:, 1])
    np.multiply(z, p, out=by_sigma[:, 1])
    np.negative(by_sigma[:, 1], out=by_sigma[:, 0])
    for k, ramp in enumerate(ramps, start=2):
        bump = sigma * p
        by_sigma[:, k] = bump
        bump *= sigma
        if ramp == "i":
            columns[:, k] = bump - t * columns[:, 1]
            np.negative(columns[:, 1], out=by_t[:, k])
        else:
            columns[:, k] = bump + t * f
            by_t[:, k] = f
    return columns, by_t, by_sigma


def _ridge(size: int, sigma: float, live: Array) -> Array:
    """Return what holds the ramps back a little, (n, size): they must be worth their while."""
    weight = np.zeros((live.shape[0], size))
    if size > 2:
        weight[:, 2:] = (_RAMP_RIDGE * sigma**2 * np.sum(live, 1))[:, None]
    return weight


def _solved(columns: Array, w: Array, light: Array, ridge: Array) -> Array:
    """Return the weighted least-squares levels of each sector, the place being given."""
    weighted = columns * w[:, None, :]
    normal = weighted @ columns.transpose(0, 2, 1)
    k = np.arange(columns.shape[1])
    normal[:, k, k] += ridge
    normal[:, k, k] += (1e-9 + 1e-8 * np.trace(normal, axis1=1, axis2=2))[:, None]
    return np.asarray(np.linalg.solve(normal, weighted @ light[..., None])[..., 0])


def _huber(size: Array, scale: float) -> Array:
    if scale <= 0:
        return np.ones_like(size)
    return np.minimum(1.0, _HUBER * scale / np.maximum(size, 1e-12))
