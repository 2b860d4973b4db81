"""Do the wear engine's odds come true? Simulated shops, forecasts scored against the truth.

Writes its table into docs/calibration.md. Seeded: the same figures on every run.
"""

from __future__ import annotations

import itertools
import math
import multiprocessing
import os
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from benchmarks.result import Result, Spread
from benchmarks.wear_worlds import (
    Electrode,
    Particles,
    Truth,
    Uses,
    World,
    crps_of_sample,
    draw_world,
    particle_forecast,
    path_forecast,
    run_shop,
)
from pitwise.trade import base_sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.forecast import (
    Components,
    chances,
    components,
    depth_cdf,
    depth_moments,
)
from pitwise.wear.history import History, pack
from pitwise.wear.posterior import Problem
from pitwise.wear.prior import (
    GAMMA,
    KAPPA,
    OMEGA,
    PHI,
    RATE,
    SIGMA,
    TAU,
    Floats,
    GrowthPrior,
)
from pitwise.wear.state import (
    new_electrode,
    observe,
    use,
)

PAGE = Path(__file__).parents[1] / "docs" / "calibration.md"
LIMIT_MM = 1.0
PARTICLES = 3000
SIZES = {4: (1, 20), 30: (3, 40), 150: (5, 20)}
"""Electrodes on record: how many processes, how many replicates."""
TARGETS = 8
MOST_READINGS = 3
SEED = 20251125
FIRST = 1000
"""Number of the first replicate; those below were looked at while the engine was made."""


@dataclass(frozen=True)
class Score:
    """One forecast against what came of it."""

    replicate: int
    truth: Truth
    electrodes: int
    new: bool
    readings: int
    pit: float
    """The forecast's P(depth < the true depth); uniform where odds are honest."""
    crps: float
    known: float
    fitted: float
    particles: float
    claimed: float
    finished: bool


def crps_of_forecast(parts: Components, starts: float, minutes: float, truth: float) -> float:
    """CRPS of a forecast by the trapezoid rule on its distribution function."""
    mean, sd = depth_moments(parts, starts, minutes)
    low = max(0.0, min(mean - 5 * sd, truth - sd))
    high = max(mean + 7 * sd, truth + sd)
    grid = np.unique(np.concatenate([np.linspace(low, high, 90), [truth]]))
    below = depth_cdf(parts, starts, minutes, grid)
    at = int(np.searchsorted(grid, truth))
    left = np.trapezoid(below[: at + 1] ** 2, grid[: at + 1])
    return float(left + np.trapezoid((1 - below[at:]) ** 2, grid[at:]))


def _state(fit: WearFit, process: str, looks: Uses) -> Components:
    state = new_electrode(fit, process)
    for starts, minutes, depth in looks:
        state = observe(use(state, starts, minutes), depth)
    return components(state)


def _own_particles(rng: np.random.Generator, fit: WearFit, process: str) -> Particles:
    """Particles of the engine's own model: its draws, no normal step after them."""
    theta = fit.draws.theta
    pick = np.resize(np.arange(len(theta)), PARTICLES)
    if process in fit.processes:
        g = fit.processes.index(process)
        mean, sd = fit.draws.rate_mean[pick, g], fit.draws.rate_sd[pick, g]
    else:
        mean, sd = theta[pick, RATE], np.exp(theta[pick, OMEGA])
    spread = np.hypot(np.exp(theta[pick, TAU]), sd)
    return Particles(
        mean + spread * rng.standard_normal(PARTICLES),
        np.exp(theta[pick, KAPPA]),
        theta[pick, GAMMA],
        np.exp(theta[pick, PHI]),
        np.exp(theta[pick, SIGMA]),
    )


class _Knower:
    """Forecasts of the true model with all shared unknowns known; rates of processes learnt."""

    def __init__(self, world: World, histories: list[History], prior: GrowthPrior) -> None:
        self.world = world
        packed = pack(histories)
        problem = Problem(packed, prior)
        problem.likelihood(world.theta, gradient=False)
        self.beliefs = dict(zip(packed.processes, problem.found, strict=True))

    def crps(
        self,
        rng: np.random.Generator,
        process: str,
        looks: Uses,
        then: tuple[float, float],
        truth: float,
    ) -> float:
        w = self.world
        mean, sd = math.log(w.rate), w.omega
        if process in self.beliefs:
            mean, sd = self.beliefs[process].mean, self.beliefs[process].sd
        if w.truth == "path":
            return crps_of_sample(*path_forecast(w, mean, sd, looks, then), truth)
        start = mean + math.hypot(w.tau, sd) * rng.standard_normal(PARTICLES)
        known = Particles(start, w.kappa, w.gamma, w.phi, w.sigma)
        return crps_of_sample(particle_forecast(rng, known, looks, then), None, truth)


def path_prior(prior: GrowthPrior) -> GrowthPrior:
    """The same prior with growth held free of scatter: the path model, to be fitted."""
    mean, sd = list(prior.mean), list(prior.sd)
    mean[PHI], sd[PHI] = math.log(1e-6), 0.01
    return GrowthPrior(
        prior.quantity,
        tuple(mean),
        tuple(sd),
        prior.loss_mean,
        prior.loss_sd,
        prior.deepest_mm,
    )


def replicate(
    truth: Truth, electrodes: int, processes: int, number: int, targets: int, *, peers: bool = True
) -> list[Score]:
    """Simulate a shop, fit it, forecast electrodes it has not seen, and score."""
    rng = np.random.default_rng([SEED, truth == "gamma", electrodes, number])
    prior = GrowthPrior.of(base_sheet())
    world = draw_world(rng, truth, processes, prior)
    histories = run_shop(rng, world, electrodes)
    fit = fit_wear(histories, prior)
    path_fit = fit_wear(histories, path_prior(prior)) if peers and truth == "path" else None
    knower = _Knower(world, histories, prior) if peers else None
    scores = []
    for new in (False, True):
        for readings in range(MOST_READINGS + 1):
            done = 0
            while done < targets:
                g = int(rng.integers(processes))
                log_rate = math.log(world.rates[g])
                if new:
                    log_rate = math.log(world.rate) + world.omega * rng.standard_normal()
                process = "new process" if new else f"process {g}"
                one = Electrode(rng, world, math.exp(log_rate))
                looks: Uses = []
                for _ in range(readings):
                    starts = int(rng.integers(60, 150))
                    one.work(starts, starts * one.minutes_per_start)
                    looks.append((one.starts, one.arc_minutes, one.read()))
                if one.lost:
                    continue
                job = int(rng.integers(100, 400))
                minutes = job * one.minutes_per_start
                then = (one.starts + job, one.arc_minutes + minutes)
                parts = _state(fit, process, looks)
                claimed = float(chances(parts, job, minutes, LIMIT_MM).finish)
                one.work(job, minutes)
                done += 1
                finished = not one.lost and one.depth < LIMIT_MM
                known = fitted = alike = math.nan
                # A loss cuts the job short; the depth it would have come to is scored all the same.
                pit = float(depth_cdf(parts, job, minutes, one.depth))
                crps = crps_of_forecast(parts, job, minutes, one.depth)
                if knower is not None:
                    known = knower.crps(rng, process, looks, then, one.depth)
                    own = _own_particles(rng, fit, process)
                    alike = crps_of_sample(
                        particle_forecast(rng, own, looks, then), None, one.depth
                    )
                    fitted = alike
                    if path_fit is not None:
                        alone = _state(path_fit, process, looks)
                        fitted = crps_of_forecast(alone, job, minutes, one.depth)
                scores.append(
                    Score(
                        number,
                        truth,
                        electrodes,
                        new,
                        readings,
                        pit,
                        crps,
                        known,
                        fitted,
                        alike,
                        claimed,
                        finished,
                    )
                )
    return scores


def _one(job: tuple[Truth, int, int, int, int]) -> list[Score]:
    return replicate(*job)


def simulate(scale: float = 1.0, first: int = FIRST, workers: int = 2) -> list[Score]:
    """Run all replicates on some processes, one thread each.

    `scale` shrinks their number; `first` is the first one's, for seeds not looked at before.
    """
    jobs = [
        (truth, electrodes, processes, first + n, TARGETS)
        for electrodes, (processes, count) in SIZES.items()
        for n in range(max(2, round(scale * count)))
        for truth in ("path", "gamma")
    ]
    before = os.environ.get("OPENBLAS_NUM_THREADS")
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    try:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, mp_context=context) as pool:
            return [s for scores in pool.map(_one, jobs, chunksize=1) for s in scores]
    finally:
        if before is None:
            del os.environ["OPENBLAS_NUM_THREADS"]
        else:
            os.environ["OPENBLAS_NUM_THREADS"] = before


def share(values: Iterable[bool], replicates: Iterable[int]) -> tuple[float, float]:
    """Return a share and its standard error, forecasts of one shop not taken as independent."""
    x = np.array(list(values), float)
    return ratio(x, np.ones_like(x), np.array(list(replicates)))


def ratio(above: Floats, below: Floats, replicates: Floats) -> tuple[float, float]:
    """Return sum(above)/sum(below) and its standard error by the linearised cluster rule."""
    value = float(above.sum() / below.sum())
    _, cluster = np.unique(replicates, return_inverse=True)
    residual = np.bincount(cluster, above - value * below)
    n = len(residual)
    return value, math.sqrt(n / max(n - 1, 1) * float(residual @ residual)) / float(below.sum())


@dataclass(frozen=True)
class Cell:
    """One row of the table; figures come with standard errors."""

    truth: Truth
    electrodes: int
    new: bool
    readings: int
    forecasts: int
    coverage: tuple[float, float]
    under: tuple[float, float]
    over: tuple[float, float]
    crps_mm: float
    to_known: tuple[float, float]
    to_fitted: tuple[float, float]
    to_particles: tuple[float, float]


def cells(scores: Sequence[Score]) -> list[Cell]:
    """Gather the scores by cell."""
    groups: dict[tuple[Truth, int, bool, int], list[Score]] = {}
    for s in scores:
        groups.setdefault((s.truth, s.electrodes, s.new, s.readings), []).append(s)
    found = []
    for key, group in sorted(groups.items()):
        number = np.array([s.replicate for s in group])
        pit = np.array([s.pit for s in group])
        ours = np.array([s.crps for s in group])
        peers = [np.array([getattr(s, n) for s in group]) for n in ("known", "fitted", "particles")]
        found.append(
            Cell(
                *key,
                len(group),
                share((pit >= 0.05) & (pit <= 0.95), number),
                share(pit < 0.05, number),
                share(pit > 0.95, number),
                float(ours.mean()),
                *(ratio(ours, p, number) for p in peers),
            )
        )
    return found


BINS = (0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.9, 0.95, 1.0)


@dataclass(frozen=True)
class Bin:
    """Jobs whose claimed chance to finish fell in a range, and how many did."""

    low: float
    high: float
    jobs: int
    claimed: float
    finished: tuple[float, float]


def bins(scores: Sequence[Score]) -> list[Bin]:
    """Gather claims of one truth and size by range."""
    found = []
    for low, high in itertools.pairwise(BINS):
        group = [s for s in scores if low <= s.claimed < high or s.claimed == high == 1.0]
        if group:
            found.append(
                Bin(
                    low,
                    high,
                    len(group),
                    float(np.mean([s.claimed for s in group])),
                    share([s.finished for s in group], [s.replicate for s in group]),
                )
            )
    return found


def _pm(pair: tuple[float, float], form: str = ".3f") -> str:
    return f"{pair[0]:{form}} ± {pair[1]:{form}}"


def tables(scores: Sequence[Score]) -> str:
    """The two Markdown tables."""
    lines = [
        "| truth | on record | process | readings | forecasts | coverage of the 90 % range "
        "| truth below it | truth above it | CRPS, mm | CRPS / unknowns known "
        "| CRPS / matched model, fitted | CRPS / particle filter |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {c.truth} | {c.electrodes} | {'new' if c.new else 'known'} | {c.readings} "
        f"| {c.forecasts} | {_pm(c.coverage)} | {_pm(c.under)} | {_pm(c.over)} "
        f"| {c.crps_mm:.4f} | {_pm(c.to_known)} | {_pm(c.to_fitted)} | {_pm(c.to_particles)} |"
        for c in cells(scores)
    ]
    lines += [
        "",
        "| truth | claimed chance to finish | jobs | mean claim | share that finished |",
        "|---|---|---|---|---|",
    ]
    for truth in ("gamma", "path"):
        lines += [
            f"| {truth} | {100 * b.low:.0f} – {100 * b.high:.0f} % | {b.jobs} "
            f"| {b.claimed:.3f} | {_pm(b.finished)} |"
            for b in bins([s for s in scores if s.truth == truth])
        ]
    return "\n".join(lines)


_MARKS = ("<!-- figures -->", "<!-- end of figures -->")


def _write(text: str) -> None:
    page = PAGE.read_text("utf-8")
    before, rest = page.split(_MARKS[0])
    _, after = rest.split(_MARKS[1])
    PAGE.write_text(f"{before}{_MARKS[0]}\n\n{text}\n\n{_MARKS[1]}{after}", "utf-8")


def run(_folder: Path | None = None) -> Result:
    """Run everything and write the page's tables."""
    scores = simulate()
    _write(tables(scores))
    found = cells(scores)
    coverage = sorted(c.coverage[0] for c in found)
    inside = sum(0.86 <= x <= 0.94 for x in coverage)
    worst = [max(getattr(c, n)[0] for c in found) for n in ("to_known", "to_fitted")]
    return Result(
        "calibration",
        f"CRPS of {len(scores)} forecasts in {len(found)} cells, {inside} of them with coverage "
        "of the 90 % range between .86 and .94",
        "a particle filter of the engine's own model, on the same draws",
        Spread.of([c.to_particles[0] for c in found]),
        goal=1.05,
        figures={
            "coverage, least – most": f"{coverage[0]:.3f} – {coverage[-1]:.3f}",
            "CRPS / unknowns known": f"at most {worst[0]:.3f}",
            "CRPS / matched, fitted": f"at most {worst[1]:.3f}",
            "tables written to": str(PAGE),
        },
        raw={"cells": len(found), "cells_inside": inside},
    )
