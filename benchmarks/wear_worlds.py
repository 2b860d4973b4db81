"""Simulated shops: electrodes whose truth is known, and the forecasts of one who knows the rules.

Two truths. *path*: an electrode wears at a steady rate of its own, log-normal about its
process' rate, and nothing scatters but the reading. *gamma*: depth grows by a gamma process
whose rate is the electrode's own. The shared unknowns vary from shop to shop.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pitwise.wear.history import Ended, History, Step
from pitwise.wear.prior import Floats, GrowthPrior, age

Truth = Literal["path", "gamma"]
_SUBSTEPS = 10


@dataclass(frozen=True)
class World:
    """One shop: the shared unknowns, and the rate of each of its processes."""

    truth: Truth
    kappa: float
    gamma: float
    tau: float
    sigma: float
    phi: float
    rate: float
    omega: float
    loss: float
    slope: float
    rates: Floats

    @property
    def theta(self) -> Floats:
        """In the engine's order; the path truth's phi is as good as none."""
        phi = self.phi if self.truth == "gamma" else 1e-7
        logs = np.log([self.tau, self.sigma, phi, self.rate, self.omega])
        return np.array([math.log(self.kappa), self.gamma, *logs])


def draw_world(rng: np.random.Generator, truth: Truth, processes: int, prior: GrowthPrior) -> World:
    """Draw a shop: kappa, gamma, tau and c0 vary by half the SD the engine's prior gives them."""
    mean, sd = np.array(prior.mean), 0.5 * np.array(prior.sd)
    z = rng.standard_normal(7)
    rate, omega = math.exp(mean[5] + sd[5] * z[5]), math.exp(mean[6])
    return World(
        truth,
        math.exp(mean[0] + sd[0] * z[0]),
        mean[1] + sd[1] * float(np.clip(z[1], -2.5, 2.5)),
        math.exp(mean[2] + sd[2] * z[2]),
        math.exp(mean[3]),
        math.exp(mean[4]),
        rate,
        omega,
        math.exp(prior.loss_mean[0]),
        math.exp(prior.loss_mean[1]),
        rate * np.exp(omega * rng.standard_normal(processes)),
    )


class Electrode:
    """One that is really there: its depth is known to the simulation alone."""

    def __init__(self, rng: np.random.Generator, world: World, process_rate: float) -> None:
        self.rng, self.world = rng, world
        self.rate = process_rate * math.exp(world.tau * rng.standard_normal())
        self.minutes_per_start = float(rng.uniform(0.2, 1.5))
        self.starts = self.arc_minutes = self.depth = 0.0
        self.lost = False
        self._to_loss = float(rng.exponential())

    def work(self, starts: int, minutes: float) -> None:
        """Do a job; the arc may destroy it on the way."""
        part = np.linspace(0, 1, _SUBSTEPS + 1)
        w = self.world
        ages = age(self.starts + starts * part, self.arc_minutes + minutes * part, w.kappa, w.gamma)
        mean = self.rate * np.diff(ages)
        grown = self.rng.gamma(mean / w.phi, w.phi) if w.truth == "gamma" else mean
        depth = self.depth + np.concatenate([[0.0], np.cumsum(grown)])
        hazard = w.loss * np.exp(w.slope * depth)
        risk = starts / _SUBSTEPS * np.cumsum(0.5 * (hazard[1:] + hazard[:-1]))
        self.lost = bool(risk[-1] >= self._to_loss)
        if self.lost:
            done = float(np.searchsorted(risk, self._to_loss) + 0.5) / _SUBSTEPS
            starts, minutes = max(1, int(starts * done)), minutes * done
        self._to_loss -= float(risk[-1])
        self.starts += starts
        self.arc_minutes += minutes
        self.depth = float(depth[-1])

    def read(self) -> float:
        """Gauge it, with the gauge's error."""
        return self.depth + self.world.sigma * self.rng.standard_normal()


def run_shop(rng: np.random.Generator, world: World, electrodes: int) -> list[History]:
    """Run electrodes to replacement (a reading of 1 mm or more), loss or the present day."""
    histories = []
    for i in range(electrodes):
        g = i % len(world.rates)
        one = Electrode(rng, world, float(world.rates[g]))
        steps: list[Step] = []
        ended: Ended = "running"
        for _ in range(int(rng.integers(1, 6))):
            starts = int(rng.integers(60, 200))
            one.work(starts, starts * one.minutes_per_start * rng.uniform(0.7, 1.3))
            depth = None if one.lost else one.read()
            steps.append(Step(one.starts, one.arc_minutes, depth, f"process {g}"))
            if one.lost or (depth is not None and depth >= 1.0):
                ended = "lost" if one.lost else "replaced"
                break
        histories.append(History(f"electrode {i}", tuple(steps), ended))
    return histories


Uses = list[tuple[float, float, float]]
"""Starts, arc minutes and reading of each look at an electrode."""


def path_forecast(
    world: World, mean: float, sd: float, looks: Uses, then: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Depths and weights of one who knows the path model's unknowns: an integral over the rate.

    `mean` and `sd` are of the process' log rate.
    """
    width = math.hypot(world.tau, sd)
    log_rate = np.linspace(mean - 6 * width, mean + 6 * width, 6001)
    log_w = -0.5 * ((log_rate - mean) / width) ** 2
    rate = np.exp(log_rate)
    for starts, minutes, depth in looks:
        grown = rate * age(starts, minutes, world.kappa, world.gamma)
        log_w -= 0.5 * ((depth - grown) / world.sigma) ** 2
    w = np.exp(log_w - log_w.max())
    return rate * age(*then, world.kappa, world.gamma), np.asarray(w / w.sum(), float)


@dataclass(frozen=True)
class Particles:
    """What a particle filter starts from: one particle each, shape (particles,)."""

    log_rate: Floats
    kappa: Floats | float
    gamma: Floats | float
    phi: Floats | float
    sigma: Floats | float


def particle_forecast(
    rng: np.random.Generator, start: Particles, looks: Uses, then: tuple[float, float]
) -> Floats:
    """Depths after a job by a particle filter of the gamma process (Gordon et al. 1993).

    Nothing is taken to be normal, which is what the engine's own filter is checked against.
    """
    fields = [start.kappa, start.gamma, start.phi, start.sigma]
    rate = np.exp(start.log_rate)
    kappa, gamma, phi, sigma = (np.broadcast_to(x, rate.shape) for x in fields)
    depth = np.zeros(len(rate))
    before = np.zeros(len(rate))
    for starts, minutes, reading in [*looks, (*then, math.nan)]:
        now = age(starts, minutes, kappa, gamma)
        depth = depth + phi * rng.standard_gamma(rate * np.maximum(now - before, 0) / phi)
        if math.isnan(reading):
            return np.asarray(depth, float)
        log_w = -np.log(sigma) - 0.5 * ((reading - depth) / sigma) ** 2
        w = np.exp(log_w - log_w.max())
        keep = _systematic(rng, w)
        rate, kappa, gamma, phi, sigma, depth, before = (
            x[keep] for x in (rate, kappa, gamma, phi, sigma, depth, now)
        )
    raise AssertionError("unreachable: the last use has no reading")


def _systematic(rng: np.random.Generator, weights: Floats) -> npt.NDArray[np.intp]:
    edges = np.cumsum(weights)
    points = (rng.uniform() + np.arange(len(weights))) / len(weights) * edges[-1]
    found = np.minimum(np.searchsorted(edges, points), len(weights) - 1)
    return np.asarray(found, np.intp)


def crps_of_sample(values: Floats, weights: Floats | None, truth: float) -> float:
    """CRPS of a weighted sample: the mean distance to the truth less half that between two.

    Without weights they are equal and the estimate is the fair one (Ferro 2014): a sample
    of a distribution is scored as the distribution would be.
    """
    order = np.argsort(values)
    x = values[order]
    n = len(x)
    if weights is None:
        w = np.full(n, 1 / n)
        # The sorted form of the double sum, without the pairs of one with itself.
        between = 2 * float(x @ (2 * np.arange(1, n + 1) - n - 1)) / (n * (n - 1))
    else:
        w = weights[order]
        between = 2 * float((w * x) @ (2 * np.cumsum(w) - w - 1))
    return float(w @ np.abs(x - truth)) - 0.5 * between
