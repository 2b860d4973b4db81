"""How quick the wear engine is: a fit, an update, a fleet's forecasts, each beside a plain way."""

from __future__ import annotations

import math
import os
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import gammainc

from benchmarks.result import Result, Spread
from benchmarks.wear_worlds import draw_world, run_shop
from pitwise.trade import base_sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.forecast import (
    FLEET_COMPONENTS,
    Components,
    chances,
    components,
)
from pitwise.wear.history import History, Packed, Step, pack
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
    age,
    penalty,
)
from pitwise.wear.state import (
    ElectrodeState,
    known_electrode,
    new_electrode,
    observe,
    use,
)

PRIOR = GrowthPrior.of(base_sheet())
LIMIT_MM = 1.0


def _shop(electrodes: int, processes: int) -> list[History]:
    rng = np.random.default_rng(20251125)
    return run_shop(rng, draw_world(rng, "gamma", processes, PRIOR), electrodes)


def _seconds(what: Callable[[], object]) -> float:
    start = time.perf_counter()
    what()
    return time.perf_counter() - start


def _quicker(ours: list[float], peers: list[float]) -> str:
    return Spread.of([b / a for a, b in zip(ours, peers, strict=True)]).words(",.1f")


def _plain_log_likelihood(packed: Packed, theta: Floats) -> float:
    """Compute the model's log likelihood as one would write it down, on fixed grids."""
    tau, sigma2, phi = math.exp(theta[TAU]), math.exp(2 * theta[SIGMA]), math.exp(theta[PHI])
    omega = math.exp(theta[OMEGA])
    b = np.exp(tau * np.linspace(-4.2, 4.2, 85))
    w_b = np.exp(-0.5 * np.linspace(-4.2, 4.2, 85) ** 2)
    u = theta[RATE] + omega * np.linspace(-4.2, 4.2, 31)
    w_u = np.exp(-0.5 * np.linspace(-4.2, 4.2, 31) ** 2)
    total = 0.0
    for group in packed.packs:
        ages = age(group.starts, group.arc_minutes, math.exp(theta[KAPPA]), theta[GAMMA])
        gained = np.maximum(np.diff(ages, axis=1, prepend=0.0), 0.0)  # past the end: zeros
        of_u = np.zeros(len(u))
        for j, rate in enumerate(np.exp(u)):
            mean = np.zeros((len(ages), len(b)))
            variance, log_p = np.zeros_like(mean), np.zeros_like(mean)
            for k in range(ages.shape[1]):
                mean = mean + gained[:, k, None] * rate * b
                variance = variance + phi * gained[:, k, None] * rate * b
                depth = group.depth_mm[:, k, None]
                read = np.isfinite(depth) & (k < group.counts[:, None])
                spread = variance + sigma2
                miss = np.where(read, depth, 0.0) - mean
                density = -0.5 * (np.log(2 * math.pi * spread) + miss**2 / spread)
                log_p += np.where(read, density, 0.0)
                mean = np.where(read, mean + variance / spread * miss, mean)
                variance = np.where(read, variance * sigma2 / spread, variance)
            top = log_p.max(axis=1)
            p = np.exp(log_p - top[:, None]) @ (w_b / w_b.sum())
            of_u[j] = float((np.log(np.maximum(p, 1e-300)) + top).sum())
        peak = float(of_u.max())
        total += peak + math.log(float(np.exp(of_u - peak) @ (w_u / w_u.sum())))
    return total


def _plain_fit(packed: Packed) -> float:
    """Climb to the mode without a gradient; return the log posterior there."""
    mean, sd = np.array(PRIOR.mean), np.array(PRIOR.sd)

    def objective(z: Floats) -> float:
        return penalty(PRIOR, z)[0] - _plain_log_likelihood(packed, mean + sd * z)

    found = minimize(objective, np.zeros(7), method="L-BFGS-B", bounds=[(-5, 5)] * 7)
    return -float(found.fun)


def _log_posterior(fit: WearFit) -> float:
    z = (fit.theta - np.array(PRIOR.mean)) / np.array(PRIOR.sd)
    return fit.loglik - penalty(PRIOR, z)[0]


def fit(_folder: Path | None = None) -> Result:
    """Fit 40 electrodes beside a plain optimiser, and 10,000 and 100,000 alone."""
    small = _shop(40, 2)
    packed = pack(small)
    ours, peers, reached = [], [], []
    for _ in range(2):
        ours.append(_seconds(lambda: reached.append(_log_posterior(fit_wear(small, PRIOR)))))
        peers.append(_seconds(lambda: reached.append(_plain_fit(packed))))
    large = _shop(10_000, 20)
    worked = time.process_time()
    large_seconds = _seconds(lambda: fit_wear(large, PRIOR))
    worked = time.process_time() - worked
    single = [
        History(h.name, (Step(s.starts, s.arc_minutes, s.depth_mm, s.process),))
        for h in _shop(100_000, 20)
        for s in h.steps[:1]
    ]
    single_seconds = _seconds(lambda: fit_wear(single, PRIOR))
    readings = sum(h.readings for h in large)
    return Result(
        "wear_fit",
        f"fit_wear, all of it, of {len(small)} electrodes, {packed.readings} readings",
        "scipy.optimize.minimize (L-BFGS-B, differences) of the same posterior in plain numpy, "
        "mode alone",
        Spread.of([a / b for a, b in zip(ours, peers, strict=True)]),
        figures={
            "seconds": Spread.of(ours).words(".2f"),
            "peer's seconds": Spread.of(peers).words(".2f"),
            "times as quick": _quicker(ours, peers),
            "log posterior reached": f"{reached[0]:.3f}, the peer's {reached[1]:.3f}",
            f"{len(large):,} electrodes": f"{large_seconds:.1f} s for {readings:,} readings "
            f"(goal: under 20 s: {'met' if large_seconds < 20 else 'NOT met'}), "
            f"{worked:.1f} s of processor time",
            f"{len(single):,} electrodes": f"{single_seconds:.1f} s, one reading each",
        },
        raw={
            "seconds": Spread.of(ours).median,
            "peer_seconds": Spread.of(peers).median,
            "seconds_10000": large_seconds,
            "readings_10000": readings,
            "seconds_100000": single_seconds,
        },
    )


def update(_folder: Path | None = None) -> Result:
    """One reading taken in online, beside fitting everything again."""
    histories = _shop(100, 3)
    known = fit_wear(histories, PRIOR)
    state = observe(use(new_electrode(known, "process 0"), 120, 90), 0.2)
    more = [*histories, History("one more", (Step(120, 90, 0.2, "process 0"),))]
    ours, peers = [], []
    for _ in range(5):
        took = _seconds(
            lambda: [observe(use(state, 240, 180), 0.35 + 0.0001 * k) for k in range(200)]
        )
        ours.append(took / 200)
        peers.append(_seconds(lambda: fit_wear(more, PRIOR)))
    mine = Spread.of(ours)
    return Result(
        "wear_update",
        "use + observe: one electrode's state taken on to its next reading",
        f"fit_wear of all {len(more)} electrodes again",
        Spread.of([a / b for a, b in zip(ours, peers, strict=True)]),
        figures={
            "milliseconds": f"{1e3 * mine.median:.3f} (goal: under 1: "
            f"{'met' if mine.median < 1e-3 else 'NOT met'})",
            "times as quick": _quicker(ours, peers),
            "peer's milliseconds": Spread.of([1e3 * x for x in peers]).words(",.0f"),
        },
        raw={"seconds": mine.median, "peer_seconds": Spread.of(peers).median},
    )


def _plain_finish(state: ElectrodeState, starts: float, minutes: float) -> float:
    """P(finish) of one job over every draw, node and depth point, nothing thinned."""
    theta = state.theta
    kappa, gamma, phi = np.exp(theta[:, KAPPA]), theta[:, GAMMA], np.exp(theta[:, PHI])
    now = age(state.starts, state.arc_minutes, kappa, gamma)
    then = age(state.starts + starts, state.arc_minutes + minutes, kappa, gamma)
    grown = state.rate * (then - now)[:, None]
    x, w = np.polynomial.hermite_e.hermegauss(5)
    below = np.zeros_like(grown)
    for point, weight in zip(x, w / w.sum(), strict=True):
        depth = np.maximum(state.mean + np.sqrt(state.variance) * point, 0)
        room = np.maximum(LIMIT_MM - depth, 0)
        below += weight * gammainc(grown / phi[:, None], room / phi[:, None])
    middle = np.maximum(state.mean, 0) + 0.5 * grown
    loss, slope = np.exp(state.losses).T
    kept = np.exp(-starts * loss[:, None] * np.exp(np.minimum(slope[:, None] * middle, 50)))
    return float((np.exp(state.log_weight) * below * kept).sum())


def fleet(_folder: Path | None = None) -> Result:
    """A thousand torches, ten programs each, beside evaluating every node of a few."""
    histories = _shop(100, 3)
    known = fit_wear(histories, PRIOR)
    states = [known_electrode(known, h, in_fit=False) for h in _shop(1_000, 3)]
    starts = np.linspace(20, 380, 10)
    minutes = 0.7 * starts

    def one(state: ElectrodeState) -> Floats:
        parts: Components = components(state, FLEET_COMPONENTS)
        return chances(parts, starts, minutes, LIMIT_MM).finish

    def all_of_them() -> list[Floats]:
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            return list(pool.map(one, states))

    few = states[:10]
    ours, peers, off = [], [], 0.0
    worked = 0.0
    for _ in range(5):
        begun = time.process_time()
        ours.append(_seconds(all_of_them) / (len(states) * len(starts)))
        worked += (time.process_time() - begun) / 5
        start = time.perf_counter()
        plain = [
            [_plain_finish(s, a, h) for a, h in zip(starts, minutes, strict=True)] for s in few
        ]
        peers.append((time.perf_counter() - start) / (len(few) * len(starts)))
        off = float(np.abs(np.array([one(s) for s in few]) - np.array(plain)).max())
    whole = Spread.of([x * len(states) * len(starts) for x in ours])
    return Result(
        "wear_fleet",
        f"{len(states):,} torches × {len(starts)} programs, {FLEET_COMPONENTS} components, "
        f"{os.cpu_count()} threads; a forecast",
        f"every node of every draw, one job after the other ({len(few)} torches); a forecast",
        Spread.of([a / b for a, b in zip(ours, peers, strict=True)]),
        figures={
            "seconds for all": f"{whole.words('.2f')} (goal: under 1: "
            f"{'met' if whole.median < 1 else 'NOT met'}), "
            f"{worked:.2f} s of processor time",
            "times as quick": _quicker(ours, peers),
            "peer's seconds for all": Spread.of(
                [x * len(states) * len(starts) for x in peers]
            ).words(".0f"),
            "furthest apart": f"{off:.4f} in the chance to finish",
        },
        raw={"seconds": whole.median, "furthest": off},
    )
