r"""Fit the wear model to the readings of many electrodes and processes.

Depth of electrode `i` of process `g` grows from 0 with the age
:math:`\Lambda = ((s + \kappa h)/500)^\gamma` of `s` starts and `h` arc minutes, by
independent increments of mean :math:`b_i c_g \Delta\Lambda` and variance
:math:`\varphi` times that mean; a reading adds :math:`N(0, \sigma^2)`;
:math:`\log b_i \sim N(0, \tau^2)`, :math:`\log c_g \sim N(\log c_0, \omega^2)`. That erosion
has a start/stop part and a steady part follows experiments on hafnium cathodes (Peters et
al., J. Phys. D 38 (2005) 1781; from memory). A gamma process with a random rate is the
usual degradation model (Lawless & Crowder, Lifetime Data Anal. 10 (2004) 213).

The seven shared unknowns are estimated at their posterior mode with analytic gradients;
their uncertainty is carried into predictions by draws from the Laplace approximation.
A reading that ended an electrode because it met the limit is ignorable: such electrodes
stay in, as they are (Little & Rubin's sense; the decision depends on observed readings only).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pitwise.wear.hazard import LossFit, fit_losses
from pitwise.wear.history import History, HistoryError, Packed, pack
from pitwise.wear.nodes_filter import node_likelihood
from pitwise.wear.paths import follow
from pitwise.wear.pool import Belief, Plan, PoolResult, integrate, make_plan
from pitwise.wear.prior import (
    GAMMA,
    NAMES,
    OMEGA,
    RATE,
    STARTS_PER_AGE,
    TAU,
    Floats,
    GrowthPrior,
    natural,
)
from pitwise.wear.screen import SetAside, impossible, surprising

_BOX = 5.0
_HESSIAN_STEP = 2e-3
_LEAST_CURVATURE = 0.2
_MOST_REPLANS = 8
_MOST_SHIFT = 2.0
_MOST_TAU_SHIFT = 0.3
_SAMPLE = 300
_IDENTIFIED = 0.8
DRAWS = 64


@dataclass(frozen=True)
class Draws:
    """Draws of the shared unknowns and of each process' rate: what is not known, made plain.

    Attributes
    ----------
    theta : float array, shape (draws, 7)
    rate_mean, rate_sd : float array, shape (draws, processes)
        Normal belief about each process' log rate, given the draw.
    losses : float array, shape (draws, 2)
        log lambda0 and log eta.
    """

    theta: Floats
    rate_mean: Floats
    rate_sd: Floats
    losses: Floats


@dataclass(frozen=True)
class WearFit:
    """What the readings say.

    Attributes
    ----------
    prior : GrowthPrior
        The prior it started from.
    theta, se : float array, shape (7,)
        Posterior mode and standard errors, in the order of `pitwise.wear.prior.NAMES`
        (logs but for gamma).
    loglik : float
        Log marginal likelihood of the readings at the mode; 0 without a reading.
    processes : tuple of str
    rates : tuple of Belief
        Log rate of each process, mm per unit age.
    electrodes_of, readings_of : tuple of int
        Electrodes (main process) and readings of each process.
    electrodes, readings : int
    draws : Draws
    losses : LossFit
    set_aside : tuple of SetAside
        Readings too wild for the model, left out and named.
    minutes_per_start : tuple of float or None
        5 %, 50 % and 95 % points of minutes per start among the steps read.
    """

    prior: GrowthPrior
    theta: Floats
    se: Floats
    loglik: float
    processes: tuple[str, ...]
    rates: tuple[Belief, ...]
    electrodes_of: tuple[int, ...]
    readings_of: tuple[int, ...]
    electrodes: int
    readings: int
    draws: Draws
    losses: LossFit
    set_aside: tuple[SetAside, ...]
    minutes_per_start: tuple[float, float, float] | None

    @property
    def values(self) -> dict[str, float]:
        """The shared unknowns by name, in their own units."""
        return natural(self.theta)

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard errors in the units of `values` (delta method)."""
        scale = np.exp(self.theta)
        scale[GAMMA] = 1.0
        return dict(zip(NAMES, (float(x) for x in scale * self.se), strict=True))

    @property
    def kappa_identified(self) -> bool:
        """Whether the readings tell starts from arc minutes at all.

        They can't when every job has the same minutes per start: then the error of log
        kappa is about the prior's own.
        """
        return bool(self.se[0] < _IDENTIFIED * self.prior.sd[0])


class _Problem:
    """The negative log posterior in prior-scaled coordinates, with its grids."""

    def __init__(self, packed: Packed, prior: GrowthPrior) -> None:
        self.packed, self.prior = packed, prior
        self.mean, self.sd = np.array(prior.mean), np.array(prior.sd)
        unread = Belief(
            self.mean[RATE], math.hypot(math.exp(prior.mean[OMEGA]), float(self.sd[RATE]))
        )
        self.beliefs = [unread] * len(packed.processes)
        self.plans: list[Plan | None] = [None] * len(packed.processes)
        self.planned: list[tuple[Belief, float] | None] = [None] * len(packed.processes)
        self.found: list[Belief] = list(self.beliefs)

    def theta(self, z: Floats) -> Floats:
        return self.mean + self.sd * z

    def likelihood(self, theta: Floats, *, gradient: bool) -> tuple[float, Floats]:
        """Log likelihood; as by-product, beliefs about the processes' rates."""
        value, slope = 0.0, np.zeros(7)
        for g, pack_ in enumerate(self.packed.packs):
            if not len(pack_.counts):
                self.beliefs[g] = Belief(theta[RATE], float(np.exp(theta[OMEGA])))
                continue
            found = self._integrate(g, theta, gradient=gradient)
            if not self._holds(g, theta, found.belief):
                self._replan(g, theta, found.belief)
                found = self._integrate(g, theta, gradient=gradient)
            value += found.value
            if found.gradient is not None:
                slope += found.gradient
            self.found[g] = found.belief
        return value, slope

    def _integrate(self, g: int, theta: Floats, *, gradient: bool) -> PoolResult:
        pack_, plan = self.packed.packs[g], self.plans[g]
        if plan is None:
            belief = self.beliefs[g]
            plan = make_plan(pack_, theta, belief)
            self.plans[g], self.planned[g] = plan, (belief, float(theta[TAU]))
        offsets = np.array([b.mean for b in self.beliefs])
        nodes = node_likelihood(
            pack_, theta, plan.log_rates, offsets - offsets[g], gradient=gradient
        )
        return integrate(nodes, theta, plan)

    def _replan(self, g: int, theta: Floats, found: Belief) -> None:
        """Close in on the rate's belief at `theta`; the grid in use was laid for another."""
        for _ in range(_MOST_REPLANS):
            # A grid far too coarse sees a single point: close in step by step.
            self.beliefs[g] = Belief(found.mean, max(found.sd, 0.25 * self.beliefs[g].sd))
            self.plans[g] = None
            found = self._integrate(g, theta, gradient=False).belief
            if self._holds(g, theta, found):
                return

    def _holds(self, g: int, theta: Floats, found: Belief) -> bool:
        planned = self.planned[g]
        if planned is None:
            return False
        belief, log_tau = planned
        return (
            abs(found.mean - belief.mean) < _MOST_SHIFT * belief.sd
            and 0.55 < found.sd / belief.sd < 1.25
            and abs(theta[TAU] - log_tau) < _MOST_TAU_SHIFT
        )

    def __call__(self, z: Floats) -> tuple[float, Floats]:
        self.found = list(self.beliefs)
        value, slope = self.likelihood(self.theta(z), gradient=True)
        return -value + 0.5 * float(z @ z), -slope * self.sd + z


def _start(histories: Sequence[History], packed: Packed, prior: GrowthPrior) -> Floats:
    """Start where a sample of the electrodes puts the mode.

    Of few electrodes crude rates put c0, and the rest starts at the prior's mean.
    """
    if len(histories) > 4 * _SAMPLE:
        sample = list(histories[:: len(histories) // _SAMPLE])
        part = pack(sample, packed.sigma_mm)
        return _mode(_Problem(part, prior), _start(sample, part, prior))
    z = np.zeros(7)
    kappa = math.exp(prior.mean[0])
    rates = []
    for group in packed.packs:
        use = (group.starts + kappa * group.arc_minutes) / STARTS_PER_AGE
        with np.errstate(invalid="ignore", divide="ignore"):
            rate = group.depth_mm / use
        good = np.isfinite(rate) & (rate > 0)
        if good.any():
            rates.append(float(np.median(np.log(rate[good]))))
    if rates:
        z[RATE] = np.clip((np.mean(rates) - prior.mean[RATE]) / prior.sd[RATE], -3, 3)
    return z


def _mode(problem: _Problem, z: Floats) -> Floats:
    # Without a scale the first trial step would be as long as the gradient.
    scale = max(1.0, 2 * float(np.linalg.norm(problem(z)[1])))

    def scaled(at: Floats) -> tuple[float, Floats]:
        value, slope = problem(at)
        return value / scale, slope / scale

    found = minimize(
        scaled,
        z,
        jac=True,
        method="L-BFGS-B",
        bounds=[(-_BOX, _BOX)] * 7,
        options={"maxiter": 200, "ftol": 1e-13, "gtol": 1e-4 / scale, "maxcor": 12},
    )
    return np.asarray(found.x, float)


def _curvature(problem: _Problem, z: Floats) -> tuple[Floats, Floats, Floats]:
    """Hessian at the mode by differences of the gradient; rates' beliefs move along."""
    hessian = np.zeros((7, 7))
    count = len(problem.packed.processes)
    mean_by, log_sd_by = np.zeros((count, 7)), np.zeros((count, 7))
    for k in range(7):
        ends = []
        for sign in (1, -1):
            at = z.copy()
            at[k] += sign * _HESSIAN_STEP
            _, slope = problem(at)
            ends.append((slope, list(problem.found)))
        hessian[k] = (ends[0][0] - ends[1][0]) / (2 * _HESSIAN_STEP)
        for g in range(count):
            up, down = ends[0][1][g], ends[1][1][g]
            mean_by[g, k] = (up.mean - down.mean) / (2 * _HESSIAN_STEP)
            log_sd_by[g, k] = math.log(up.sd / down.sd) / (2 * _HESSIAN_STEP)
    return 0.5 * (hessian + hessian.T), mean_by, log_sd_by


def fit_wear(
    histories: Sequence[History], prior: GrowthPrior, *, seed: int = 0, draws: int = DRAWS
) -> WearFit:
    """Fit the wear model.

    Parameters
    ----------
    histories : sequence of History
        Any number, none included (then the prior speaks); names must differ.
    prior : GrowthPrior
        Where readings carry their own sigma, its noise is centred on theirs.
    seed : int
        Of the Laplace draws.
    draws : int
        How many, even.

    Returns
    -------
    WearFit

    Raises
    ------
    HistoryError
        Two electrodes of one name.
    """
    names = {h.name for h in histories}
    if len(names) != len(histories):
        seen: set[str] = set()
        twice = next(h.name for h in histories if h.name in seen or seen.add(h.name))  # type: ignore[func-returns-value]
        raise HistoryError(twice, "comes twice", "give every electrode its own name")
    kept, aside = impossible(tuple(histories), prior)
    for _ in range(3):
        packed = pack(kept)
        centred = prior if packed.sigma_mm is None else prior.with_gauge(packed.sigma_mm)
        problem = _Problem(packed, centred)
        z = _mode(problem, _start(kept, packed, centred))
        value, _ = problem(z)
        beliefs = tuple(problem.found)
        theta = problem.theta(z)
        loglik = -(value - 0.5 * float(z @ z))
        cleaner, more = surprising(kept, packed, theta, beliefs)
        if not more:
            break
        kept, aside = cleaner, aside + more
    hessian, mean_by, log_sd_by = _curvature(problem, z)
    roots, axes = np.linalg.eigh(hessian)
    roots = np.maximum(roots, _LEAST_CURVATURE)
    covariance = (axes / roots) @ axes.T
    random = np.random.default_rng(seed)
    half = random.standard_normal((draws // 2, 7))
    deviation = np.vstack([half, -half]) @ (axes / np.sqrt(roots)).T
    deviation = np.clip(z + deviation, -_BOX, _BOX) - z
    rate_mean = np.array([b.mean for b in beliefs]) + deviation @ mean_by.T
    rate_sd = np.array([b.sd for b in beliefs]) * np.exp(
        np.clip(deviation @ log_sd_by.T, -1.5, 1.5)
    )
    losses = _losses(kept, packed, centred, theta, beliefs)
    half = random.standard_normal((draws // 2, 2)) @ np.linalg.cholesky(losses.covariance).T
    loss_draws = losses.mean + np.vstack([half, -half])
    return WearFit(
        prior=centred,
        theta=theta,
        se=np.sqrt(np.diag(covariance)) * problem.sd,
        loglik=loglik,
        processes=packed.processes,
        rates=_with_shared_error(beliefs, mean_by, covariance),
        electrodes_of=tuple(len(p.counts) for p in packed.packs),
        readings_of=_readings_of(packed),
        electrodes=packed.electrodes,
        readings=packed.readings,
        draws=Draws(problem.theta(z + deviation), rate_mean, rate_sd, loss_draws),
        losses=losses,
        set_aside=aside,
        minutes_per_start=_mix(kept),
    )


def _with_shared_error(
    beliefs: tuple[Belief, ...], mean_by: Floats, covariance: Floats
) -> tuple[Belief, ...]:
    """Widen each process' belief by what is not known of the shared unknowns."""
    return tuple(
        Belief(b.mean, math.sqrt(b.sd**2 + float(by @ covariance @ by)))
        for b, by in zip(beliefs, mean_by, strict=True)
    )


def _losses(
    histories: tuple[History, ...],
    packed: Packed,
    prior: GrowthPrior,
    theta: Floats,
    beliefs: tuple[Belief, ...],
) -> LossFit:
    """Lay every electrode's likely path out in segments and fit the hazard to it."""
    made, start, end, lost = [], [], [], []
    for group in packed.packs:
        if not len(group.counts):
            continue
        paths = follow(group, theta, beliefs)
        used = np.arange(group.starts.shape[1]) < group.counts[:, None]
        made.append(np.diff(group.starts, axis=1, prepend=0.0)[used])
        start.append(np.hstack([np.zeros((len(used), 1)), paths.after_mm[:, :-1]])[used])
        end.append(paths.before_mm[used])
        ended = np.array([histories[i].ended == "lost" for i in group.index])
        lost.append(paths.before_mm[np.arange(len(used)), group.counts - 1][ended])
    parts = [np.concatenate(x) if x else np.zeros(0) for x in (made, start, end, lost)]
    return fit_losses(prior, *parts)


def _readings_of(packed: Packed) -> tuple[int, ...]:
    counts = np.zeros(len(packed.processes), dtype=int)
    for group in packed.packs:
        read = np.isfinite(group.depth_mm)
        counts += np.bincount(group.process[read], minlength=len(counts))
    return tuple(int(c) for c in counts)


def _mix(histories: Sequence[History]) -> tuple[float, float, float] | None:
    ratios = [
        step.arc_minutes / step.starts for h in histories for step in h.steps if step.starts > 0
    ]
    if not ratios:
        return None
    low, middle, high = np.quantile(ratios, [0.05, 0.5, 0.95])
    return float(low), float(middle), float(high)
