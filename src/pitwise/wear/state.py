r"""One electrode's state, updated reading by reading, without touching its history.

For every draw of the shared unknowns and every node of the electrode's own rate it holds
the filtered depth :math:`X \sim N(m, P)` and a weight. The electrode's own readings told
something of its process' rate too; that share is taken out of the belief in the process
first (`known_electrode`), so that no reading counts twice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pitwise.wear.fit import WearFit
from pitwise.wear.history import History
from pitwise.wear.nodes_filter import absorb
from pitwise.wear.prior import GAMMA, KAPPA, OMEGA, PHI, RATE, SIGMA, TAU, Floats, age

_NODES = np.linspace(-4.2, 4.2, 85)

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
    noise_mm : float
        The noise a reading's own sigma is measured by: readings said to be twice as
        uncertain count as twice as noisy as the fit found the common ones to be.
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
    noise_mm: float

    @property
    def minutes_per_start(self) -> float:
        """Its own arc minutes per start; the fit's middle one before it has started."""
        return self.arc_minutes / self.starts if self.starts >= 1 else self.typical_mix


def believed_rate(fit: WearFit, process: str) -> tuple[Floats, Floats, Basis]:
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
    mean, sd, basis = believed_rate(fit, process)
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
        process,
        basis,
        0.0,
        0.0,
        0,
        theta,
        fit.draws.losses,
        rate,
        zeros,
        zeros,
        log_w,
        mix,
        math.exp(fit.prior.mean[SIGMA]),
    )


def _noise2(state: ElectrodeState, sigma_mm: float | None) -> Floats:
    """Noise variance of a reading, for every draw, shape (draws, 1), mm²."""
    scale = 1.0 if sigma_mm is None else sigma_mm / state.noise_mm
    return np.asarray(np.exp(2 * state.theta[:, SIGMA, None]) * scale**2, float)


def age_gained(state: ElectrodeState, starts: float, arc_minutes: float) -> Floats:
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
    grown = state.rate * age_gained(state, starts, arc_minutes)
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
        Its standard uncertainty; None: the common one. The fit found by what factor the
        stated ones are to be multiplied, and so is this.
    """
    if not math.isfinite(depth_mm):
        raise ValueError("a depth is a finite number")
    mean, variance, density = absorb(state.mean, state.variance, depth_mm, _noise2(state, sigma_mm))
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
    there, _, basis = believed_rate(fit, process)
    here, _, _ = believed_rate(fit, state.process)
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
    mean, sd, basis = believed_rate(fit, process)
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
            noise2 = _noise2(state, step.sigma_mm)
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
