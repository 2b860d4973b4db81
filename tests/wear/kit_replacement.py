"""A fit that knows the truth, and a brute-force simulation that knows nothing of the engine."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from pitwise.trade import base_sheet
from pitwise.wear.fit import Draws, WearFit, fit_wear
from pitwise.wear.hazard import LossFit
from pitwise.wear.history import Ended, History, Step
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.replacement.rule import ChangeCosts, Rule

PRIOR = GrowthPrior.of(base_sheet())


@dataclass(frozen=True)
class Truth:
    """One process whose every number is known."""

    rate: float = 0.6
    kappa: float = 0.5
    gamma: float = 1.0
    tau: float = 0.22
    sigma: float = 0.03
    phi: float = 0.02
    base: float = 1e-6
    slope: float = 4.0
    minutes: float = 0.5
    others: float = 0.0


def known_fit(truth: Truth, draws: int = 24) -> WearFit:
    """A fit whose every draw is the truth."""
    logs = [truth.tau, truth.sigma, truth.phi, truth.rate, 0.3]
    theta = np.array([math.log(truth.kappa), truth.gamma, *np.log(logs)])
    losses = np.log([truth.base, truth.slope])
    return replace(
        fit_wear((), PRIOR),
        theta=theta,
        processes=("p",),
        readings_of=(100,),
        draws=Draws(
            np.tile(theta, (draws, 1)),
            np.full((draws, 1), math.log(truth.rate)),
            np.full((draws, 1), 1e-9),
            np.tile(losses, (draws, 1)),
        ),
        losses=LossFit(losses, np.eye(2) * 1e-9, 30),
    )


@dataclass(frozen=True)
class Counted:
    """What the brute force counted, with standard errors of the cost per start."""

    per_start: float
    se: float
    lost: float
    past: float
    looks: float
    starts: float


def brute_force(
    truth: Truth, rule: Rule, limit_mm: float, costs: ChangeCosts, *, lives: int, seed: int
) -> Counted:
    """Live many electrodes, throwing every loss, in steps of five starts.

    Gaps are those of `rule`, each as likely; every life is one row.
    """
    random = np.random.default_rng(seed)
    step = 5
    rate = truth.rate * np.exp(truth.tau * random.standard_normal(lives))
    depth = np.zeros(lives)
    made, looks, cost = np.zeros(lives), np.zeros(lives), np.zeros(lives)
    passed = np.zeros(lives, bool)
    lost, running = np.zeros(lives, bool), np.ones(lives, bool)
    gaps = np.array(rule.gaps)
    due = gaps[random.integers(len(gaps), size=lives)].astype(float)
    worn_at = 0.0
    for at in range(step, 40_000, step):
        worn = ((at + truth.kappa * truth.minutes * at) / 500.0) ** truth.gamma
        mean = rate[running] * (worn - worn_at)
        worn_at = worn
        before = depth[running]
        after = before + random.gamma(mean / truth.phi, truth.phi)
        hazard = truth.base * np.exp(truth.slope * 0.5 * (before + after))
        gone = random.uniform(size=len(after)) < -np.expm1(-step * hazard)
        other = ~gone & (random.uniform(size=len(after)) < step * truth.others)
        who = np.flatnonzero(running)
        depth[who] = after
        made[who] += np.where(gone | other, step / 2, step)
        passed[who[(after >= limit_mm) & ~gone]] = True
        lost[who[gone]] = True
        cost[who[gone]] += costs.loss
        cost[who[other]] += costs.look + costs.change
        running[who[gone | other]] = False
        looked = who[~(gone | other) & (at >= due[who])]
        read = depth[looked] + truth.sigma * random.standard_normal(len(looked))
        read += rule.scatter_mm * random.standard_normal(len(looked))
        looks[looked] += 1
        cost[looked] += costs.look
        due[looked] += gaps[random.integers(len(gaps), size=len(looked))]
        changed = looked[read >= rule.depth_mm]
        cost[changed] += costs.change
        running[changed] = False
        if not running.any():
            break
    per = float(cost.mean() / made.mean())
    se = float((cost - per * made).std() / math.sqrt(lives) / made.mean())
    return Counted(
        per, se, float(lost.mean()), float(passed.mean()), float(looks.mean()), float(made.mean())
    )


def run_lives(truth: Truth, count: int, *, seed: int, change_at: float = 1.0) -> list[History]:
    """Histories of a shop: gauged every 60 to 120 starts, changed at a depth or lost."""
    random = np.random.default_rng(seed)
    out = []
    for i in range(count):
        rate = truth.rate * math.exp(truth.tau * random.standard_normal())
        steps: list[Step] = []
        starts, minutes, depth, worn_at = 0.0, 0.0, 0.0, 0.0
        ended: Ended = "running"
        while ended == "running":
            gap = 5 * int(random.integers(12, 25))
            mix = truth.minutes * random.uniform(0.6, 1.4)
            for _ in range(gap // 5):
                starts, minutes = starts + 5, minutes + 5 * mix
                worn = ((starts + truth.kappa * minutes) / 500.0) ** truth.gamma
                grown = random.gamma(rate * (worn - worn_at) / truth.phi, truth.phi)
                worn_at = worn
                hazard = truth.base * math.exp(truth.slope * (depth + 0.5 * grown))
                depth += grown
                if random.uniform() < -math.expm1(-5 * hazard):
                    ended = "lost"
                    break
            read = None if ended == "lost" else depth + truth.sigma * random.standard_normal()
            steps.append(Step(starts, minutes, read, "p"))
            if read is not None and read >= change_at:
                ended = "replaced"
        out.append(History(f"e{i}", tuple(steps), ended))
    return out
