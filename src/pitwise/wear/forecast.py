r"""One electrode's state, updated reading by reading, and what it will do in a job.

The state holds, for every draw of the shared unknowns and every node of the electrode's own
rate, the filtered depth :math:`X \sim N(m, P)` and a weight. A job of `s'` starts and `h'`
arc minutes then ends below `L` with probability

.. math:: \sum w\; E_X\!\left[P\!\left(\frac{r \Delta\Lambda}{\varphi},
          \frac{(L - X)_+}{\varphi}\right)\right],

`P` the regularised lower incomplete gamma function (increments of a gamma process of mean
:math:`r\Delta\Lambda` and variance :math:`\varphi` times that), `X` by 5-point
Gauss-Hermite, clipped at 0. Loss in the cut multiplies the integrand by
:math:`e^{-\int\lambda}`. It starts from the filtered state, never from the raw reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import gammainc, ndtr

from pitwise.wear.fit import WearFit
from pitwise.wear.hazard import growth_factor
from pitwise.wear.history import History
from pitwise.wear.nodes_filter import absorb
from pitwise.wear.prior import GAMMA, KAPPA, OMEGA, PHI, RATE, SIGMA, TAU, Floats, age

_NODES = np.linspace(-4.2, 4.2, 85)
_FEW = np.polynomial.hermite_e.hermegauss(5)
_MANY = np.polynomial.hermite_e.hermegauss(21)
_SAME_ROOM = 300.0
COMPONENTS = 256
FLEET_COMPONENTS = 64
_MOST_STARTS = 1e6

Basis = Literal["sheet", "other-processes", "this-process"]


@dataclass(frozen=True)
class ElectrodeState:
    """What is known of one electrode now.

    Attributes
    ----------
    process : str
    basis : str
        What its expected rate rests on: ``this-process`` readings, ``other-processes`` of
        the shop, or the ``sheet``'s prior alone.
    starts, arc_minutes : float
        Its use since new.
    readings : int
        Its own readings so far.
    theta : float array, shape (draws, 7)
    losses : float array, shape (draws, 2)
        log lambda0 and log eta.
    rate : float array, shape (draws, nodes)
        mm per unit age in the present process.
    mean, variance, log_weight : float array, shape (draws, nodes)
    typical_mix : float
        Minutes per start, where its own use can't tell.
    """

    process: str
    basis: Basis
    starts: float
    arc_minutes: float
    readings: int
    theta: Floats
    losses: Floats
    rate: Floats
    mean: Floats
    variance: Floats
    log_weight: Floats
    typical_mix: float

    @property
    def minutes_per_start(self) -> float:
        """Its own arc minutes per start; the fit's middle one before it has started."""
        return self.arc_minutes / self.starts if self.starts >= 1 else self.typical_mix


def _believed(fit: WearFit, process: str) -> tuple[Floats, Floats, Basis]:
    """Mean and SD of the log rate of a process, for every draw."""
    draws = fit.draws
    if process in fit.processes:
        g = fit.processes.index(process)
        return (
            draws.rate_mean[:, g],
            draws.rate_sd[:, g],
            ("this-process" if fit.readings_of[g] else "other-processes"),
        )
    basis: Basis = "other-processes" if fit.readings else "sheet"
    return draws.theta[:, RATE], np.exp(draws.theta[:, OMEGA]), basis


def new_electrode(fit: WearFit, process: str) -> ElectrodeState:
    """Return the state of an electrode nothing has been read of.

    Parameters
    ----------
    fit : WearFit
    process : str
        One the fit has not met gets what the shop's other processes, or the sheet, suggest;
        the state's ``basis`` says which.
    """
    mean, sd, basis = _believed(fit, process)
    return _fresh(fit, process, mean, sd, basis)


def _fresh(fit: WearFit, process: str, mean: Floats, sd: Floats, basis: Basis) -> ElectrodeState:
    theta = fit.draws.theta
    spread = np.hypot(np.exp(theta[:, TAU]), sd)
    rate = np.exp(mean[:, None] + spread[:, None] * _NODES)
    log_w = np.tile(-0.5 * _NODES**2, (len(theta), 1))
    log_w -= np.log(np.exp(log_w).sum())
    mix = fit.minutes_per_start[1] if fit.minutes_per_start else 1.0
    zeros = np.zeros_like(rate)
    return ElectrodeState(
        process, basis, 0.0, 0.0, 0, theta, fit.draws.losses, rate, zeros, zeros, log_w, mix
    )


def _grown(state: ElectrodeState, starts: float, arc_minutes: float) -> Floats:
    """Age gained from now to a use, for every draw, shape (draws, 1)."""
    kappa, gamma = np.exp(state.theta[:, KAPPA, None]), state.theta[:, GAMMA, None]
    return age(starts, arc_minutes, kappa, gamma) - age(
        state.starts, state.arc_minutes, kappa, gamma
    )


def use(state: ElectrodeState, starts: float, arc_minutes: float) -> ElectrodeState:
    """Carry an electrode on to a use (since new) without a reading.

    Raises
    ------
    ValueError
        Use that falls.
    """
    if starts < state.starts or arc_minutes < state.arc_minutes - 1e-9:
        raise ValueError("use since new can't fall")
    grown = state.rate * _grown(state, starts, arc_minutes)
    return replace(
        state,
        starts=float(starts),
        arc_minutes=float(arc_minutes),
        mean=state.mean + grown,
        variance=state.variance + np.exp(state.theta[:, PHI, None]) * grown,
    )


def observe(
    state: ElectrodeState, depth_mm: float, sigma_mm: float | None = None
) -> ElectrodeState:
    """Update an electrode by a reading at its present use: history is not touched.

    Parameters
    ----------
    state : ElectrodeState
        Carried on by `use` to the use at the reading.
    depth_mm : float
        Any finite number; noise may put it below zero.
    sigma_mm : float or None
        Its standard uncertainty; None: the fit's own sigma.
    """
    if not math.isfinite(depth_mm):
        raise ValueError("a depth is a finite number")
    noise2 = np.exp(2 * state.theta[:, SIGMA, None]) if sigma_mm is None else sigma_mm**2
    mean, variance, density = absorb(state.mean, state.variance, depth_mm, noise2)
    log_w = state.log_weight + density
    top = float(log_w.max())
    log_w = log_w - (top + math.log(float(np.exp(log_w - top).sum())))
    return replace(
        state, mean=mean, variance=variance, log_weight=log_w, readings=state.readings + 1
    )


def move(fit: WearFit, state: ElectrodeState, process: str) -> ElectrodeState:
    """Put an electrode to another process: it keeps its own rate over the process' rate."""
    if process == state.process:
        return state
    there, _, basis = _believed(fit, process)
    here, _, _ = _believed(fit, state.process)
    return replace(
        state, process=process, basis=basis, rate=state.rate * np.exp(there - here)[:, None]
    )


def known_electrode(fit: WearFit, history: History, *, in_fit: bool) -> ElectrodeState:
    """Return the state of an electrode with all its steps behind it.

    Parameters
    ----------
    fit : WearFit
    history : History
    in_fit : bool
        Its readings are among those fitted: what they said of the process' rate is taken
        out of the belief first, so that no reading counts twice, and those the fit set
        aside as too wild stay out here too.
    """
    if in_fit:
        history = _as_fitted(fit, history)
    process = history.steps[0].process
    mean, sd, basis = _believed(fit, process)
    if in_fit and history.readings and process in fit.processes:
        mean, sd = _without_own(fit, history, mean, sd)
        g = fit.processes.index(process)
        if fit.readings_of[g] <= history.readings:
            basis = "other-processes" if fit.readings > history.readings else "sheet"
    state = _fresh(fit, process, mean, sd, basis)
    for step in history.steps:
        state = use(move(fit, state, step.process), step.starts, step.arc_minutes)
        if step.depth_mm is not None:
            state = observe(state, step.depth_mm, step.sigma_mm)
            if in_fit:
                # The draws have seen these readings already: keep their weights even.
                even = state.log_weight - _log_total(state.log_weight)
                state = replace(state, log_weight=even - math.log(len(even)))
    return state


def _log_total(log_weight: Floats) -> Floats:
    """Log of each draw's summed weights, safe where all are tiny; shape (draws, 1)."""
    top = log_weight.max(axis=1, keepdims=True)
    return np.asarray(top + np.log(np.exp(log_weight - top).sum(axis=1, keepdims=True)), float)


def _as_fitted(fit: WearFit, history: History) -> History:
    """Leave out the readings the fit has set aside as too wild."""
    wild = {(x.step, x.depth_mm) for x in fit.set_aside if x.electrode == history.name}
    steps = tuple(
        replace(step, depth_mm=None) if (k, step.depth_mm) in wild else step
        for k, step in enumerate(history.steps)
    )
    return replace(history, steps=steps)


def _without_own(fit: WearFit, history: History, mean: Floats, sd: Floats) -> tuple[Floats, Floats]:
    """Divide an electrode's own likelihood out of the normal belief in its process' rate.

    The likelihood, as a function of the process' log rate, is matched by a normal factor
    through its value at the belief's mean and one SD either side.
    """
    theta = fit.draws.theta
    log_a = []
    for shift in (-1.0, 0.0, 1.0):
        state = _fresh(fit, history.steps[0].process, mean + shift * sd, 0 * sd, "this-process")
        # Every draw by itself: how likely are the readings at this process rate?
        total = np.zeros(len(theta))
        for step in history.steps:
            state = use(move(fit, state, step.process), step.starts, step.arc_minutes)
            if step.depth_mm is None:
                continue
            noise2 = (
                np.exp(2 * theta[:, SIGMA, None]) if step.sigma_mm is None else step.sigma_mm**2
            )
            m, p, density = absorb(state.mean, state.variance, step.depth_mm, noise2)
            joint = state.log_weight + density
            norm = _log_total(joint)
            total += (norm - _log_total(state.log_weight))[:, 0]
            state = replace(state, mean=m, variance=p, log_weight=joint - norm)
        log_a.append(total)
    slope = (log_a[2] - log_a[0]) / (2 * sd)
    bend = (log_a[2] - 2 * log_a[1] + log_a[0]) / sd**2
    widest = np.exp(theta[:, OMEGA])
    precision = np.maximum(1 / sd**2 + np.minimum(bend, 0.0), 1 / widest**2)
    pulled = mean - slope / precision
    return np.clip(pulled, mean - 3 * widest, mean + 3 * widest), 1 / np.sqrt(precision)


@dataclass(frozen=True)
class Components:
    """An electrode's state as equally weighted components, for forecasts.

    Each field is a float array of shape (components,).
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

    def __len__(self) -> int:
        """Return how many there are."""
        return len(self.rate)


def components(state: ElectrodeState, count: int = COMPONENTS) -> Components:
    """Thin a state to equally weighted components.

    Systematic resampling along the depth expected some 300 starts on, so that the spread
    that matters is kept evenly (no random numbers: the strata's middles are taken).
    """
    ahead = state.mean + state.rate * _grown(
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
    nodes: tuple[Floats, Floats],
    extra_variance: Floats | float = 0.0,
) -> Floats:
    """P(depth after growing < level), shape (jobs, components); `level` shape (jobs,)."""
    x, w = nodes
    spread = np.sqrt(parts.variance + extra_variance)
    depth = parts.mean[:, None] + spread[:, None] * x
    if not np.any(extra_variance):
        depth = np.maximum(depth, 0.0)
    room = np.asarray(level, float)[..., None, None] - depth
    shape = (grown / parts.phi)[..., None]
    # No growth: below or not. (P(0, x) is 1 for x > 0.)
    still = shape <= 0
    safe = np.where(still, 1.0, shape)
    chance = np.where(still, room > 0, gammainc(safe, np.maximum(room, 0.0) / parts.phi[:, None]))
    return np.asarray(chance @ (w / w.sum()), float)


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
    below = _below(parts, grown, np.full(np.shape(starts), limit_mm), _FEW)
    kept = _not_lost(parts, grown, starts)
    return Chances(
        (below * kept).mean(axis=-1),
        ((1 - below) * kept).mean(axis=-1),
        (1 - kept).mean(axis=-1),
        (1 - below).mean(axis=-1),
    )


def unused_share(
    parts: Components, starts: npt.ArrayLike, arc_minutes: npt.ArrayLike, limit_mm: float
) -> Floats:
    """Return the mean share of the limit left unused after jobs, E[(1 - X/L)+], jobs' shape."""
    at = parts.mean + _gained(parts, starts, arc_minutes)
    return np.asarray(np.clip(1 - at / limit_mm, 0.0, 1.0).mean(axis=-1), float)


def _bisect(low: Floats, high: Floats, below: object, rounds: int) -> Floats:
    for _ in range(rounds):
        middle = 0.5 * (low + high)
        under = below(middle)  # type: ignore[operator]
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return 0.5 * (low + high)


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
    nodes = _MANY if of_reading else _FEW
    spread = np.sqrt(parts.variance + extra + parts.phi * grown)
    low = np.min(parts.mean + grown - 7 * spread, axis=1)
    high = np.max(parts.mean + grown + 9 * spread, axis=1) + 20 * np.max(parts.phi)
    if not of_reading:
        low = np.minimum(np.maximum(low, 0.0), high) - 1e-9
    found = [
        _bisect(
            low,
            high,
            lambda x, q=q: _below(parts, grown, x, nodes, extra).mean(axis=-1) < q,
            28,
        )
        for q in levels
    ]
    return np.maximum(np.array(found), -np.inf if of_reading else 0.0)


def _noise2(parts: Components, sigma_mm: float | None) -> Floats:
    return parts.sigma**2 if sigma_mm is None else np.full(len(parts), sigma_mm**2)


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
    if starts <= 0 and arc_minutes <= 0:
        spread = np.sqrt(parts.variance + _noise2(parts, sigma_mm))
        return np.asarray(ndtr((at[..., None] - parts.mean) / spread).mean(axis=-1), float)
    below = _below(parts, grown, at, _MANY, _noise2(parts, sigma_mm))
    return np.asarray(below.mean(axis=-1), float)


def depth_cdf(
    parts: Components, starts: float, arc_minutes: float, depth_mm: npt.ArrayLike
) -> Floats:
    """Return P(the true depth after a job < `depth_mm`), of `depth_mm`'s shape."""
    at = np.asarray(depth_mm, float)
    grown = _gained(parts, np.full(at.shape, starts), np.full(at.shape, arc_minutes))
    return np.asarray(_below(parts, grown, at, _FEW).mean(axis=-1), float)


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
        below = _below(parts, grown, np.full(starts.shape, limit_mm), _FEW)
        return np.asarray(1 - below.mean(axis=-1), float)

    wanted = np.array(levels)
    grid = np.concatenate([[0.0], np.geomspace(1.0, _MOST_STARTS, 49)])
    past = reached(grid)
    place = np.searchsorted(np.maximum.accumulate(past), wanted)
    low = grid[np.clip(place - 1, 0, len(grid) - 1)]
    high = grid[np.clip(place, 0, len(grid) - 1)]
    found = _bisect(low, high, lambda s: reached(s) < wanted, 24)
    return np.where(place == 0, 0.0, np.where(place >= len(grid), _MOST_STARTS, found))
