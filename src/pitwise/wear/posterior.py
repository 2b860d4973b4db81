r"""The posterior of the wear model's shared unknowns, its mode and its curvature.

Everything here is in prior-scaled coordinates: `z` is the unknowns less their prior means,
in their prior SDs.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from scipy.optimize import minimize

from pitwise.wear.history import History, Packed, pack
from pitwise.wear.nodes_filter import node_likelihood
from pitwise.wear.pool import MOST_NODES, Belief, Plan, PoolResult, integrate, make_plan, rate_step
from pitwise.wear.prior import (
    OMEGA,
    RATE,
    STARTS_PER_AGE,
    TAU,
    Floats,
    GrowthPrior,
    penalty,
)

BOX = 5.0
"""No unknown is believed further than this many prior SDs from its prior mean."""
_HESSIAN_STEP = 2e-3
_MOST_REPLANS = 8
_MOST_CLIMBS = 12
_CLOSE = 1e-4
_MOST_SHIFT = 2.0
_MOST_TAU_SHIFT = 0.3
_SAMPLE = 300


class Problem:
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
        # Rates of processes beside one another, for electrodes that moved: held while climbing,
        # or the likelihood would depend on the way it was reached.
        self.centres = np.full(len(packed.processes), float(self.mean[RATE]))
        self.moved = any(
            bool(np.any((p.process != g) & (np.arange(p.process.shape[1]) < p.counts[:, None])))
            for g, p in enumerate(packed.packs)
        )

    def theta(self, z: Floats) -> Floats:
        """Return the unknowns themselves."""
        return self.mean + self.sd * z

    def likelihood(self, theta: Floats, *, gradient: bool) -> tuple[float, Floats]:
        """Log likelihood; as by-product, beliefs about the processes' rates."""
        value, slope = 0.0, np.zeros(7)
        for g, pack_ in enumerate(self.packed.packs):
            if not len(pack_.counts):
                self.found[g] = Belief(float(theta[RATE]), float(np.exp(theta[OMEGA])))
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
        nodes = node_likelihood(
            pack_, theta, plan.log_rates, self.centres - self.centres[g], gradient=gradient
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
        plan = self.plans[g]
        # 0.75 SD of the narrowest likelihood still leaves nothing of the trapezoid's error.
        dense = plan is not None and (
            plan.step < 1.5 * rate_step(self.packed.packs[g], theta)
            or len(plan.log_rates) >= MOST_NODES
        )
        return dense and (
            abs(found.mean - belief.mean) < _MOST_SHIFT * belief.sd
            and 0.55 < found.sd / belief.sd < 1.25
            and abs(theta[TAU] - log_tau) < _MOST_TAU_SHIFT
        )

    def __call__(self, z: Floats) -> tuple[float, Floats]:
        """Return minus the log posterior density, less a constant, and its gradient."""
        self.found = list(self.beliefs)
        value, slope = self.likelihood(self.theta(z), gradient=True)
        against, pull = penalty(self.prior, z)
        return -value + against, -slope * self.sd + pull

    def log_posterior(self, z: Floats) -> float:
        """Return the log posterior density, less a constant; beliefs follow in `found`."""
        self.found = list(self.beliefs)
        value, _ = self.likelihood(self.theta(z), gradient=False)
        return value - penalty(self.prior, z)[0]


def start_of(histories: Sequence[History], packed: Packed, prior: GrowthPrior) -> Floats:
    """Start where a sample of the electrodes puts the mode.

    Of few electrodes crude rates put c0, and the rest starts at the prior's mean.
    """
    if len(histories) > 4 * _SAMPLE:
        sample = list(histories[:: len(histories) // _SAMPLE])
        part = pack(sample, packed.sigma_mm)
        return find_mode(Problem(part, prior), start_of(sample, part, prior))
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


def find_mode(problem: Problem, z: Floats) -> Floats:
    """Climb from `z` to the posterior's mode.

    Where electrodes moved between processes, climb again with the processes' rates found,
    until these agree with those the climb was made with.
    """
    for _ in range(_MOST_CLIMBS):
        z = _climb(problem, z)
        if not problem.moved:
            break
        problem.log_posterior(z)
        centres = np.array([b.mean for b in problem.found])
        off = float(np.abs(np.diff(centres - problem.centres)).max(initial=0.0))
        problem.centres = centres
        if off < _CLOSE:
            break
    return z


def _climb(problem: Problem, z: Floats) -> Floats:
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
        bounds=[(-BOX, BOX)] * 7,
        options={"maxiter": 200, "ftol": 1e-13, "gtol": 1e-4 / scale, "maxcor": 12},
    )
    return np.asarray(found.x, float)


def curvature(problem: Problem, z: Floats) -> tuple[Floats, Floats, Floats]:
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
