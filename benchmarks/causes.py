"""The network of causes against two libraries for Bayesian networks, in the same run.

30 causes, 80 findings, about 12 links a cause. The peers get the network with the findings nobody
looked at removed (they are barren), already built; their engine is made, told the evidence, run
and read in the time. Ours is timed from the numbers: compiling, order (never remembered) and sums.
"""

from __future__ import annotations

import logging
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.result import Result, Spread
from pitwise.causes.evidence import Evidence
from pitwise.causes.gains import gains
from pitwise.causes.network import Floats, Network
from pitwise.causes.order import plan
from pitwise.causes.posterior import posteriors

CAUSES, FINDINGS, LINKS = 30, 80, 12
ROUNDS = 12
# The best of so many, on both sides.
TRIES = 5
# As many findings as the sheet's checks show, in order of size.
CHECKS = [29, 21, 8, 7, 6, 5, 4, 3, 3, 3, 2, 2, 1, 1, 1, 1, 1, 1, 1, 1]


def world(start: int, seen: int, absent: int) -> tuple[Network, Evidence]:
    """Return a random network and evidence."""
    rng = np.random.default_rng(start)
    linked = rng.random((CAUSES, FINDINGS)) < LINKS / FINDINGS
    network = Network.of(
        rng.uniform(0.01, 0.3, CAUSES),
        rng.uniform(0.005, 0.05, FINDINGS),
        np.where(linked, rng.uniform(0.05, 0.98, linked.shape), 0.0),
    )
    order = rng.permutation(FINDINGS).tolist()
    return network, Evidence(frozenset(order[:seen]), frozenset(order[seen : seen + absent]))


def lazy(network: Network, evidence: Evidence) -> Callable[[], Floats]:
    """Return pyAgrum's lazy propagation on the pruned network."""
    import pyagrum

    gum: Any = pyagrum
    net = gum.BayesNet()
    causes = [net.add(gum.LabelizedVariable(f"c{i}", "", 2)) for i in range(len(network.prior))]
    for node, p in zip(causes, network.prior.tolist(), strict=True):
        net.cpt(node).fillWith([1 - p, p])
    told = {}
    for j in sorted(evidence.looked_at()):
        node = net.addNoisyORNet(gum.LabelizedVariable(f"f{j}", "", 2), float(network.leak[j]))
        for i in np.flatnonzero(network.link[:, j]).tolist():
            net.addWeightedArc(causes[i], node, float(network.link[i, j]))
        told[f"f{j}"] = int(j in evidence.seen)

    def ask() -> Floats:
        engine = gum.LazyPropagation(net)
        engine.setEvidence(told)
        engine.makeInference()
        return np.array([engine.posterior(node)[1] for node in causes])

    return ask


def elimination(network: Network, evidence: Evidence) -> Callable[[], Floats]:
    """Return pgmpy's variable elimination on the pruned network, one query a cause."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    net: Any = DiscreteBayesianNetwork()
    names = [f"c{i}" for i in range(len(network.prior))]
    net.add_nodes_from(names)
    for name, p in zip(names, network.prior.tolist(), strict=True):
        net.add_cpds(TabularCPD(name, 2, [[1 - p], [p]]))
    told = {}
    for j in sorted(evidence.looked_at()):
        parents = np.flatnonzero(network.link[:, j]).tolist()
        net.add_node(f"f{j}")
        net.add_edges_from((names[i], f"f{j}") for i in parents)
        sets = np.arange(1 << len(parents))[:, None] >> np.arange(len(parents))[::-1] & 1
        miss = (1 - network.leak[j]) * np.prod(
            np.where(sets, 1 - network.link[parents, j], 1.0), axis=1
        )
        table = [miss.tolist(), (1 - miss).tolist()]
        net.add_cpds(TabularCPD(f"f{j}", 2, table, [names[i] for i in parents], [2] * len(parents)))
        told[f"f{j}"] = int(j in evidence.seen)

    def ask() -> Floats:
        engine = VariableElimination(net)
        return np.array(
            [engine.query([name], evidence=told, show_progress=False).values[1] for name in names]
        )

    return ask


def _timed(work: Callable[[], Any]) -> tuple[float, Any]:
    start = time.perf_counter()
    out = work()
    return time.perf_counter() - start, out


def _ours(network: Network, evidence: Evidence) -> Floats:
    plan.cache_clear()
    return posteriors(network, evidence).p


def _best_of(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the shortest time of some runs one after the other, and the answer."""
    times, out = zip(*(_timed(work) for _ in range(TRIES)), strict=True)
    return min(times), out[0]


def _against(
    name: str,
    peer: str,
    build: Callable[[Network, Evidence], Callable[[], Floats]],
    goal: float,
    absent: int,
    rounds: int,
) -> Result:
    ratios, mine, theirs, worst = [], [], [], 0.0
    with warnings.catch_warnings():
        # What the peers say of their own dependencies on being imported is not ours to mend.
        warnings.simplefilter("ignore")
        logging.getLogger("pgmpy").setLevel(logging.ERROR)
        for start in range(rounds):
            network, evidence = world(start, 8, absent)
            ask = build(network, evidence)
            seconds, p = _best_of(partial(_ours, network, evidence))
            other, q = _best_of(ask)
            worst = max(worst, float(np.abs(q - p).max()))
            mine.append(seconds)
            theirs.append(other)
            ratios.append(other / seconds)
    if worst > 1e-9:
        raise RuntimeError(f"{peer} differs by {worst:g}: the two do not answer the same question")
    return Result(
        name,
        f"all posteriors, 8 seen, {absent} absent: {Spread.of(mine).median * 1000:.2f} ms",
        f"{peer}: {Spread.of(theirs).median * 1000:.1f} ms (slower × below)",
        Spread.of(ratios),
        goal,
        at_least=True,
        figures={"largest difference": f"{worst:.1e}"},
        raw={"seconds": Spread.of(mine).median, "peer_seconds": Spread.of(theirs).median},
    )


def against_lazy(folder: Path) -> Result:  # noqa: ARG001
    """8 seen, nothing absent: the least work for the peer."""
    name = "pyAgrum LazyPropagation, pruned"
    return _against("causes_lazy", name, lazy, 20, 0, ROUNDS)


def against_lazy_absent(folder: Path) -> Result:  # noqa: ARG001
    """8 seen and 15 looked for and absent, as an inspection leaves them."""
    name = "pyAgrum LazyPropagation, pruned"
    return _against("causes_lazy_absent", name, lazy, 20, 15, ROUNDS)


def against_elimination(folder: Path) -> Result:  # noqa: ARG001
    """8 seen, nothing absent."""
    return _against("causes_elimination", "pgmpy VariableElimination", elimination, 300, 0, 5)


def _limit(name: str, what: str, limit: float, works: list[Callable[[], Any]]) -> Result:
    times = []
    for work in works:
        best = float("inf")
        for _ in range(TRIES):
            plan.cache_clear()
            best = min(best, _timed(work)[0])
        times.append(best)
    spread = Spread.of(times)
    return Result(
        name,
        f"{what}: {spread.median * 1000:.1f} ms, worst {max(times) * 1000:.1f} ms",
        f"the limit, {limit * 1000:.0f} ms",
        Spread.of([t / limit for t in times]),
        1.0,
        raw={"seconds": spread.median, "worst_seconds": max(times)},
    )


def twenty(folder: Path) -> Result:  # noqa: ARG001
    """20 seen."""

    def work(start: int) -> Callable[[], Any]:
        network, evidence = world(start, 20, 15)
        return lambda: posteriors(network, evidence)

    return _limit(
        "causes_20", "all posteriors, 20 seen, 15 absent", 0.05, [work(s) for s in range(40)]
    )


def all_gains(folder: Path) -> Result:  # noqa: ARG001
    """Twenty checks at 8 seen."""

    def work(start: int) -> Callable[[], Any]:
        network, evidence = world(start, 8, 15)
        order = np.random.default_rng(start).permutation(FINDINGS)
        at = np.cumsum([0, *CHECKS[:-1]])
        checks = [
            [int(order[(first + x) % FINDINGS]) for x in range(size)]
            for first, size in zip(at, CHECKS, strict=True)
        ]
        return lambda: gains(network, evidence, checks, 1)

    return _limit(
        "causes_gains", "gains of 20 checks, 8 seen, 15 absent", 0.01, [work(s) for s in range(20)]
    )
