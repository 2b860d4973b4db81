"""Weibull fits and Turnbull's estimate against named peers, in the same run.

Made-up lives of shape 2; the peers get the arrays in the form they take, made beforehand. Both
sides take turns and run as often, and the median of a round's runs counts: three, or one for
Turnbull's estimate, which takes the peer minutes. A peer that is not done after `MOST_SECONDS` is
stopped, and its ratio is then a lower bound.
"""

from __future__ import annotations

import math
import signal
import statistics
import time
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import lifelines
import numpy as np
import numpy.typing as npt
import surpyval
from lifelines.fitters import npmle
from surpyval.univariate.parametric.distributions.weibull import Weibull

from benchmarks.result import Result, Spread
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.turnbull import turnbull
from pitwise.wear.life.weibull import fit_weibull

Floats = npt.NDArray[np.float64]

ROUNDS, RUNS = 5, 3
MOST_SECONDS = 120
SHAPE, SCALE = 2.0, 1000.0


def between(n: int, seed: int) -> tuple[Floats, Floats]:
    """Return looks around lives: about a quarter of the scale apart, none at the same places."""
    rng = np.random.default_rng(seed)
    t = SCALE * rng.weibull(SHAPE, n)
    low = t - rng.uniform(0, 0.25 * SCALE, n)
    return np.maximum(low, 1e-3 * t), low + 0.25 * SCALE


def running(n: int, seed: int) -> tuple[Floats, Floats]:
    """Return lives of which about half still run."""
    rng = np.random.default_rng(seed)
    t = SCALE * rng.weibull(SHAPE, n)
    stop = SCALE * rng.uniform(0.2, 1.6, n)
    return np.minimum(t, stop), np.where(t > stop, np.inf, t)


def _lifelines_between(low: Floats, high: Floats) -> float:
    fitter = lifelines.WeibullFitter().fit_interval_censoring(low, high)
    return float(fitter.log_likelihood_)


def _surpyval_between(pairs: Floats, kinds: Floats) -> float:
    return -float(Weibull.fit(x=pairs, c=kinds).neg_ll())


def _ours(low: Floats, high: Floats) -> float:
    return fit_weibull(Lives.of(low, high)).loglik


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        start = time.perf_counter()
        out = work()
        return time.perf_counter() - start, out


class _TooLong(Exception):
    """A peer was stopped."""


@contextmanager
def _stopped_in_time() -> Iterator[None]:
    def stop(_number: int, _frame: object) -> None:
        raise _TooLong

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(MOST_SECONDS)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def _timed_peer(work: Callable[[], float]) -> tuple[float, float]:
    """Return seconds and log-likelihood; not a number where the peer had to be stopped."""
    try:
        with _stopped_in_time():
            return _timed(work)
    except _TooLong:
        return float(MOST_SECONDS), math.nan


def _against(
    name: str,
    words: str,
    peer: str,
    goal: float,
    make: Callable[[int], tuple[Callable[[], float], Callable[[], float]]],
    rounds: int = ROUNDS,
    runs: int = RUNS,
) -> Result:
    """Take turns; larger is better: how many times slower the peer is."""
    ratios, mine, theirs, short = [], [], [], []
    for seed in range(rounds):
        own, other = make(seed)
        pairs = [(_timed(own), _timed_peer(other)) for _ in range(runs)]
        seconds = statistics.median(own_run[0] for own_run, _ in pairs)
        peers = statistics.median(peer_run[0] for _, peer_run in pairs)
        value, there = pairs[0][0][1], pairs[0][1][1]
        mine.append(seconds)
        theirs.append(peers)
        ratios.append(peers / seconds)
        if not math.isnan(there):
            short.append((value - there) / abs(value))
    if short and min(short) < -1e-10:
        raise RuntimeError(f"{name}: the peer's log-likelihood is higher by {-min(short):.1e}")
    stopped = len(ratios) - len(short)
    figures = {"runs of each side in a round": f"{runs}, their median counts"}
    if short:
        figures["peer's log-likelihood lower by"] = f"{max(short):.1e} of it at most"
    if stopped:
        figures[f"peer stopped after {MOST_SECONDS} s"] = f"{stopped} of {len(ratios)} rounds: "
        figures[f"peer stopped after {MOST_SECONDS} s"] += "the ratio is a lower bound"
    return Result(
        name,
        f"{words}: {Spread.of(mine).median * 1000:.3g} ms",
        f"{peer}: {Spread.of(theirs).median * 1000:.4g} ms (slower × below)",
        Spread.of(ratios),
        goal=goal,
        at_least=True,
        figures=figures,
        raw={
            "seconds": Spread.of(mine).median,
            "peer_seconds": Spread.of(theirs).median,
            "stopped": stopped,
        },
    )


def _between_surpyval(n: int, seed: int) -> tuple[Callable[[], float], Callable[[], float]]:
    low, high = between(n, seed)
    pairs, kinds = np.column_stack([low, high]), np.full(n, 2)
    return partial(_ours, low, high), partial(_surpyval_between, pairs, kinds)


def _between_lifelines(n: int, seed: int) -> tuple[Callable[[], float], Callable[[], float]]:
    low, high = between(n, seed)
    return partial(_ours, low, high), partial(_lifelines_between, low, high)


def _running_surpyval(n: int, seed: int) -> tuple[Callable[[], float], Callable[[], float]]:
    low, high = running(n, seed)
    return partial(_ours, low, high), partial(_surpyval_between, low, np.isinf(high).astype(int))


def _masses(low: Floats, high: Floats, edges: Floats, mass: Floats) -> float:
    """Return the log-likelihood of the peer's masses, each put at the right end of its place."""
    run = np.concatenate([[0.0], np.cumsum(mass)])
    share = run[np.searchsorted(edges, high, "right")] - run[np.searchsorted(edges, low, "right")]
    return float(np.log(share).sum())


def _turnbull_lifelines(n: int, seed: int) -> tuple[Callable[[], float], Callable[[], float]]:
    low, high = between(n, seed)

    def own() -> float:
        found = turnbull(Lives.of(low, high))
        if found.gap > 1e-8 * n:
            raise RuntimeError(f"not converged: {found.gap:g}")
        return found.loglik

    def other() -> float:
        mass, places = npmle.npmle(low, high, verbose=False, fit_method="em")
        edges = np.array([p[1] for p in places])
        return _masses(low, high, edges, np.asarray(mass))

    return own, other


def _named(kind: str, n: int, peer: str, goal: float) -> Callable[[Path], Result]:
    make = {
        ("between", "surpyval"): _between_surpyval,
        ("between", "lifelines"): _between_lifelines,
        ("running", "surpyval"): _running_surpyval,
        ("turnbull", "lifelines"): _turnbull_lifelines,
    }[kind, peer]
    words = {
        "between": f"Weibull fit of {n:,} lives between two looks",
        "running": f"Weibull fit of {n:,} lives, half still running",
        "turnbull": f"Turnbull's estimate of {n:,} lives between two looks",
    }[kind]
    version = {"surpyval": surpyval, "lifelines": lifelines}[peer].__version__
    rounds, runs = (2, 1) if kind == "turnbull" else (ROUNDS, RUNS)

    def run(folder: Path) -> Result:  # noqa: ARG001
        name = f"life_{kind}_{peer}_{n}"
        return _against(name, words, f"{peer} {version}", goal, partial(make, n), rounds, runs)

    return run


BENCHMARKS: dict[str, Callable[[Path], Result]] = {
    f"life_{kind}_{peer}_{n}": _named(kind, n, peer, goal)
    for kind, peer, n, goal in (
        ("between", "surpyval", 1_000, 20),
        ("between", "surpyval", 10_000, 20),
        ("between", "surpyval", 100_000, 20),
        ("between", "lifelines", 1_000, 50),
        ("between", "lifelines", 10_000, 50),
        ("between", "lifelines", 100_000, 50),
        ("running", "surpyval", 1_000, 20),
        ("running", "surpyval", 10_000, 20),
        ("running", "surpyval", 100_000, 5),
        ("turnbull", "lifelines", 1_000, 20),
        ("turnbull", "lifelines", 10_000, 20),
    )
}
