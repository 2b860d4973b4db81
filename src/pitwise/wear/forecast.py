r"""What an electrode will do in a job: its chances, its depth then, and the starts it has left.

A job of `s'` starts and `h'` arc minutes ends below `L` with probability

.. math:: \sum w\; E_X\!\left[P\!\left(\frac{r \Delta\Lambda}{\varphi},
          \frac{(L - X)_+}{\varphi}\right)\right],

`P` the regularised lower incomplete gamma function (increments of a gamma process of mean
:math:`r\Delta\Lambda` and variance :math:`\varphi` times that), `X` by 5-point
Gauss-Hermite, clipped at 0. Loss in the cut multiplies the integrand by
:math:`e^{-\int\lambda}`. It starts from the filtered state, never from the raw reading.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammainc, ndtr

from pitwise.wear.hazard import growth_factor
from pitwise.wear.prior import GAMMA, KAPPA, PHI, SIGMA, Floats, age
from pitwise.wear.state import ElectrodeState, age_gained

_FEW = np.polynomial.hermite_e.hermegauss(5)
_SAME_ROOM = 300.0
COMPONENTS = 256
FLEET_COMPONENTS = 64
_MOST_STARTS = 1e6
_ROUNDS = 13
_HALVINGS = 4


@dataclass(frozen=True)
class Components:
    """An electrode's state as equally weighted components, for forecasts.

    Each field but the last four is a float array of shape (components,).
    """

    rate: Floats
    mean: Floats
    variance: Floats
    kappa: Floats
    gamma: Floats
    phi: Floats
    sigma: Floats
    loss: Floats
    slope: Floats
    starts: float
    arc_minutes: float
    minutes_per_start: float
    noise_mm: float

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.rate)


def components(state: ElectrodeState, count: int = COMPONENTS) -> Components:
    """Thin a state to equally weighted components.

    Systematic resampling along the depth expected some 300 starts on, so that the spread
    that matters is kept evenly (no random numbers: the strata's middles are taken).
    """
    ahead = state.mean + state.rate * age_gained(
        state, state.starts + _SAME_ROOM, state.arc_minutes + _SAME_ROOM * state.minutes_per_start
    )
    weight = np.exp(state.log_weight).ravel()
    order = np.argsort(ahead, axis=None, kind="stable")
    edges = np.cumsum(weight[order])
    chosen = order[
        np.minimum(
            np.searchsorted(edges, (np.arange(count) + 0.5) / count * edges[-1]), len(order) - 1
        )
    ]
    draw = chosen // state.rate.shape[1]
    theta, losses = state.theta[draw], state.losses[draw]
    return Components(
        state.rate.ravel()[chosen],
        state.mean.ravel()[chosen],
        state.variance.ravel()[chosen],
        np.exp(theta[:, KAPPA]),
        theta[:, GAMMA],
        np.exp(theta[:, PHI]),
        np.exp(theta[:, SIGMA]),
        np.exp(losses[:, 0]),
        np.exp(losses[:, 1]),
        state.starts,
        state.arc_minutes,
        state.minutes_per_start,
        state.noise_mm,
    )


def _gained(parts: Components, starts: npt.ArrayLike, minutes: npt.ArrayLike) -> Floats:
    """Mean growth over a job, shape (jobs, components)."""
    s, h = np.asarray(starts, float)[..., None], np.asarray(minutes, float)[..., None]
    now = age(parts.starts, parts.arc_minutes, parts.kappa, parts.gamma)
    then = age(parts.starts + s, parts.arc_minutes + h, parts.kappa, parts.gamma)
    return parts.rate * np.maximum(then - now, 0.0)


def _below(
    parts: Components,
    grown: Floats,
    level: npt.ArrayLike,
    extra_variance: Floats | float = 0.0,
) -> Floats:
    r"""P(depth after growing < level), shape (jobs, components); `level` shape (jobs,).

    The sum of a normal (the depth now, with a reading's noise where asked) and a gamma (the
    growth). Whichever of the two is narrower is put on five nodes and the other's own
    distribution function is averaged over them: a step summed over nodes is no distribution.
    The normal's nodes are Gauss-Hermite's. The gamma's are the same bent to its skewness,
    :math:`\mu + s z + (\varphi/3)(z^2 - 1)` (Cornish & Fisher, Rev. Inst. Int. Stat. 5
    (1938) 307, from memory).
    """
    x, w = _FEW
    weight = w / w.sum()
    shape = np.broadcast_shapes(grown.shape, parts.mean.shape)
    spread = np.broadcast_to(np.sqrt(parts.variance + extra_variance), shape)
    scatter = np.broadcast_to(np.sqrt(parts.phi * grown), shape)
    mean, phi, grown = (np.broadcast_to(v, shape) for v in (parts.mean, parts.phi, grown))
    limit = np.broadcast_to(np.asarray(level, float)[..., None], shape)
    found = np.empty(shape)
    wide = spread >= scatter
    if wide.any():
        sd = np.maximum(spread[wide], 1e-12)[:, None]
        bend = np.minimum(phi[wide], scatter[wide])[:, None] / 3
        rise = grown[wide, None] + scatter[wide, None] * x + bend * (x * x - 1)
        found[wide] = ndtr((limit[wide, None] - mean[wide, None] - rise) / sd) @ weight
    narrow = ~wide
    if narrow.any():
        depth = mean[narrow, None] + spread[narrow, None] * x
        if not np.any(extra_variance):
            depth = np.maximum(depth, 0.0)
        scale = phi[narrow, None]
        room = np.maximum(limit[narrow, None] - depth, 0.0) / scale
        found[narrow] = gammainc(grown[narrow, None] / scale, room) @ weight
    return found


def _not_lost(parts: Components, grown: Floats, starts: npt.ArrayLike) -> Floats:
    """P(no loss in the cut over a job), shape (jobs, components)."""
    first = np.minimum(parts.slope * np.maximum(parts.mean, 0.0), 50.0)
    rise = np.minimum(parts.slope * grown, 50.0)
    made = np.asarray(starts, float)[..., None]
    hazard = made * parts.loss * np.exp(first) * growth_factor(rise)
    return np.asarray(np.exp(-hazard), float)


@dataclass(frozen=True)
class Chances:
    """How a job may end: finish, limit and lost add to 1. Each has the jobs' shape.

    `past` is the chance that depth reaches the limit by the job's end, would the part be
    lost before or not: what a plan must hold, however likely a loss is to come first.
    """

    finish: Floats
    limit: Floats
    lost: Floats
    past: Floats


def chances(
    parts: Components, starts: npt.ArrayLike, arc_minutes: npt.ArrayLike, limit_mm: float
) -> Chances:
    """Return the chances that jobs end below the limit, at or above it, or in a loss.

    Parameters
    ----------
    parts : Components
    starts, arc_minutes : array_like
        Of each job, counted from now, >= 0.
    limit_mm : float

    Returns
    -------
    Chances
    """
    grown = _gained(parts, starts, arc_minutes)
    below = _below(parts, grown, np.full(np.shape(starts), limit_mm))
    kept = _not_lost(parts, grown, starts)
    return Chances(
        (below * kept).mean(axis=-1),
        ((1 - below) * kept).mean(axis=-1),
        (1 - kept).mean(axis=-1),
        (1 - below).mean(axis=-1),
    )


def mean_depth(parts: Components, starts: npt.ArrayLike, arc_minutes: npt.ArrayLike) -> Floats:
    """Return the mean depth after jobs, mm, of the jobs' shape."""
    return np.asarray((parts.mean + _gained(parts, starts, arc_minutes)).mean(axis=-1), float)


def unused_share(
    parts: Components, starts: npt.ArrayLike, arc_minutes: npt.ArrayLike, limit_mm: float
) -> Floats:
    """Return the mean share of the limit left unused after jobs, E[(1 - X/L)+], jobs' shape."""
    at = parts.mean + _gained(parts, starts, arc_minutes)
    return np.asarray(np.clip(1 - at / limit_mm, 0.0, 1.0).mean(axis=-1), float)


def _solve(low: Floats, high: Floats, excess: Callable[[Floats], Floats]) -> Floats:
    """Find where rising functions cross 0: a few halvings, then false position.

    With Illinois' rule: an end that stays a second time has its value halved (Dowell &
    Jarratt, BIT 11 (1971) 168, from memory). To 1e-7 of the functions' range and better.

    Parameters
    ----------
    low, high : float array
        Where `excess` is below and above 0; an end that is not is its own answer.
    excess : callable
        Of an array of places, the values there.
    """
    below, above = excess(low), excess(high)
    best = np.where(np.abs(below) < np.abs(above), low, high)
    miss = np.minimum(np.abs(below), np.abs(above))
    stayed = np.zeros(np.shape(best))
    for turn in range(_ROUNDS):
        with np.errstate(invalid="ignore", divide="ignore"):
            place = (low * above - high * below) / (above - below)
        good = np.isfinite(place) & (place > low) & (place < high) & (turn >= _HALVINGS)
        place = np.where(good, place, 0.5 * (low + high))
        value = excess(place)
        closer = np.abs(value) < miss
        best, miss = np.where(closer, place, best), np.where(closer, np.abs(value), miss)
        under = value < 0
        above = np.where(under, np.where(stayed < 0, 0.5 * above, above), value)
        below = np.where(under, value, np.where(stayed > 0, 0.5 * below, below))
        stayed = np.where(under, -1.0, 1.0)
        low, high = np.where(under, place, low), np.where(under, high, place)
    return best


def depth_quantiles(
    parts: Components,
    starts: npt.ArrayLike,
    arc_minutes: npt.ArrayLike,
    levels: tuple[float, ...] = (0.05, 0.5, 0.95),
    *,
    of_reading: bool = False,
    sigma_mm: float | None = None,
) -> Floats:
    """Return quantiles of the depth after jobs, or of the reading that will be taken then.

    Parameters
    ----------
    parts : Components
    starts, arc_minutes : array_like, shape (jobs,)
    levels : tuple of float
        Probabilities.
    of_reading : bool
        Add the noise of a reading (`sigma_mm`, or the fit's own).

    Returns
    -------
    float array, shape (levels, jobs)
        mm.
    """
    s, h = np.atleast_1d(np.asarray(starts, float)), np.atleast_1d(np.asarray(arc_minutes, float))
    grown = _gained(parts, s, h)
    extra = _noise2(parts, sigma_mm) if of_reading else 0.0
    spread = np.sqrt(parts.variance + extra + parts.phi * grown)
    low = np.min(parts.mean + grown - 7 * spread, axis=1)
    high = np.max(parts.mean + grown + 9 * spread, axis=1) + 20 * np.max(parts.phi)
    if not of_reading:
        low = np.minimum(np.maximum(low, 0.0), high) - 1e-9

    def quantile(level: float) -> Floats:
        def excess(x: Floats) -> Floats:
            return np.asarray(_below(parts, grown, x, extra).mean(axis=-1) - level, float)

        return _solve(low, high, excess)

    found = [quantile(level) for level in levels]
    return np.maximum(np.array(found), -np.inf if of_reading else 0.0)


def _noise2(parts: Components, sigma_mm: float | None) -> Floats:
    return (parts.sigma * (1.0 if sigma_mm is None else sigma_mm / parts.noise_mm)) ** 2


def reading_cdf(
    parts: Components,
    starts: float,
    arc_minutes: float,
    reading_mm: npt.ArrayLike,
    sigma_mm: float | None = None,
) -> Floats:
    """Return P(the reading taken after a job <= `reading_mm`), of `reading_mm`'s shape."""
    at = np.asarray(reading_mm, float)
    grown = _gained(parts, np.full(at.shape, starts), np.full(at.shape, arc_minutes))
    below = _below(parts, grown, at, _noise2(parts, sigma_mm))
    return np.asarray(below.mean(axis=-1), float)


def depth_cdf(
    parts: Components, starts: float, arc_minutes: float, depth_mm: npt.ArrayLike
) -> Floats:
    """Return P(the true depth after a job < `depth_mm`), of `depth_mm`'s shape."""
    at = np.asarray(depth_mm, float)
    grown = _gained(parts, np.full(at.shape, starts), np.full(at.shape, arc_minutes))
    return np.asarray(_below(parts, grown, at).mean(axis=-1), float)


def crps(
    parts: Components,
    starts: float,
    arc_minutes: float,
    reading_mm: float,
    sigma_mm: float | None = None,
) -> float:
    r"""Return the continuous ranked probability score of a reading taken after a job, mm.

    :math:`\int (F(x) - 1[x \ge d])^2 dx` (Gneiting & Raftery, JASA 102 (2007) 359), by the
    trapezoid rule either side of the reading `d`.
    """
    mean, sd = depth_moments(parts, starts, arc_minutes)
    spread = math.hypot(sd, float(np.sqrt(_noise2(parts, sigma_mm).mean())))
    low = min(reading_mm, mean - 8 * spread)
    high = max(reading_mm, mean + 12 * spread)
    below = np.linspace(low, reading_mm, 81)
    above = np.linspace(reading_mm, high, 81)
    under = reading_cdf(parts, starts, arc_minutes, below, sigma_mm) ** 2
    over = (1 - reading_cdf(parts, starts, arc_minutes, above, sigma_mm)) ** 2
    return float(np.trapezoid(under, below) + np.trapezoid(over, above))


def depth_moments(parts: Components, starts: float, arc_minutes: float) -> tuple[float, float]:
    """Return mean and SD of the true depth after a job, mm."""
    grown = _gained(parts, starts, arc_minutes)
    at = parts.mean + grown
    mean = float(at.mean())
    variance = float((parts.variance + parts.phi * grown + (at - mean) ** 2).mean())
    return mean, math.sqrt(variance)


def remaining_starts(
    parts: Components,
    limit_mm: float,
    minutes_per_start: float,
    levels: tuple[float, ...] = (0.05, 0.5, 0.95),
) -> Floats:
    """Return quantiles of the starts until the pit reaches the limit.

    Parameters
    ----------
    parts : Components
    limit_mm : float
    minutes_per_start : float
        Of the jobs to come.
    levels : tuple of float

    Returns
    -------
    float array, shape (levels,)
        0 where it is reached already; capped at 1e6.
    """

    def reached(starts: Floats) -> Floats:
        grown = _gained(parts, starts, starts * minutes_per_start)
        below = _below(parts, grown, np.full(starts.shape, limit_mm))
        return np.asarray(1 - below.mean(axis=-1), float)

    wanted = np.array(levels)
    grid = np.concatenate([[0.0], np.geomspace(1.0, _MOST_STARTS, 49)])
    past = reached(grid)
    place = np.searchsorted(np.maximum.accumulate(past), wanted)
    low = grid[np.clip(place - 1, 0, len(grid) - 1)]
    high = grid[np.clip(place, 0, len(grid) - 1)]
    found = _solve(low, high, lambda s: reached(s) - wanted)
    return np.where(place == 0, 0.0, np.where(place >= len(grid), _MOST_STARTS, found))
