"""Order rules against stockpyl, in the same run, on made-up problems; the answers must agree."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.result import Result, Spread
from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.periodic import cheapest_review
from pitwise.shelf.reorder import cheapest

with warnings.catch_warnings():
    # Its docstrings hold backslashes that newer Pythons warn of.
    warnings.simplefilter("ignore")
    from stockpyl.rq import r_q_poisson_exact
    from stockpyl.ss import s_s_discrete_exact

STOCKPYL = version("stockpyl")
PROBLEMS = 24
# The best of so many, on both sides.
TRIES = 3


def _best_of(work: Callable[[], Any]) -> tuple[float, Any]:
    best, out = np.inf, None
    for _ in range(TRIES):
        start = time.perf_counter()
        out = work()
        best = min(best, time.perf_counter() - start)
    return best, out


def _problems(start: int, low: float, high: float) -> list[tuple[float, float, float, float]]:
    """Return h, p, K and a mean demand of each, spread evenly over orders of magnitude."""
    rng = np.random.default_rng(start)
    means = np.exp(np.linspace(np.log(low), np.log(high), PROBLEMS))
    costs = np.exp(rng.uniform(np.log([0.2, 5, 20]), np.log([5, 200, 200]), (PROBLEMS, 3)))
    return [
        (float(h), float(p), float(k), float(m)) for (h, p, k), m in zip(costs, means, strict=True)
    ]


def _result(
    name: str, what: str, peer: str, mine: list[float], theirs: list[float], apart: float
) -> Result:
    if apart > 1e-8:
        raise RuntimeError(f"the costs differ by {apart:g}: not the same question")
    ratios = [t / m for t, m in zip(theirs, mine, strict=True)]
    return Result(
        name,
        f"{what}: {Spread.of(mine).median * 1000:.2f} ms",
        f"{peer}: {Spread.of(theirs).median * 1000:.1f} ms (slower × below)",
        Spread.of(ratios),
        figures={
            "costs differ by": f"{apart:.0e} of them at most",
            "least and most": f"{min(ratios):.1f} × and {max(ratios):.0f} ×",
        },
        raw={"seconds": Spread.of(mine).median, "peer_seconds": Spread.of(theirs).median},
    )


def reorder(folder: Path) -> Result:  # noqa: ARG001
    """The cheapest (r, Q) of a Poisson demand, its probabilities made anew each time."""
    mine, theirs, apart = [], [], 0.0
    for h, p, k, mean in _problems(1, 0.2, 100):

        def ours(h: float = h, p: float = p, k: float = k, mean: float = mean) -> float:
            return cheapest(Pmf.poisson(mean), mean / 2, fixed=k, holding=h, stockout=p).cost

        def other(h: float = h, p: float = p, k: float = k, mean: float = mean) -> float:
            return float(r_q_poisson_exact(h, p, k, mean / 2, 2.0)[2])

        seconds, cost = _best_of(ours)
        longer, their_cost = _best_of(other)
        mine.append(seconds)
        theirs.append(longer)
        apart = max(apart, abs(their_cost / cost - 1))
    what = f"cheapest (r, Q), {PROBLEMS} problems, demand of a lead time 0.2 to 100"
    return _result("shelf_rq", what, f"stockpyl {STOCKPYL} r_q_poisson_exact", mine, theirs, apart)


def review(folder: Path) -> Result:  # noqa: ARG001
    """The cheapest (s, S) of a Poisson demand, its probabilities made anew each time."""
    mine, theirs, apart = [], [], 0.0
    for h, p, k, mean in _problems(2, 0.2, 40):

        def ours(h: float = h, p: float = p, k: float = k, mean: float = mean) -> float:
            return cheapest_review(Pmf.poisson(mean), fixed=k, holding=h, stockout=p).cost

        def other(h: float = h, p: float = p, k: float = k, mean: float = mean) -> float:
            return float(s_s_discrete_exact(h, p, k, True, mean)[2])

        seconds, cost = _best_of(ours)
        longer, their_cost = _best_of(other)
        mine.append(seconds)
        theirs.append(longer)
        apart = max(apart, abs(their_cost / cost - 1))
    what = f"cheapest (s, S), {PROBLEMS} problems, demand of a period 0.2 to 40"
    return _result("shelf_ss", what, f"stockpyl {STOCKPYL} s_s_discrete_exact", mine, theirs, apart)
