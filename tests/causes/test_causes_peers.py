"""Noisy-OR networks converted and held against two libraries for Bayesian networks."""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from causes_reference import pick, random_network
from pitwise.causes.evidence import Evidence, Soft
from pitwise.causes.network import Floats, Network
from pitwise.causes.posterior import posteriors

CASES = range(8)


@pytest.fixture
def _quiet() -> Iterator[None]:
    # What the libraries say on being imported, and of zeros in their tables, is theirs.
    level = logging.getLogger("pgmpy").level
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        logging.getLogger("pgmpy").setLevel(logging.ERROR)
        yield
    logging.getLogger("pgmpy").setLevel(level)


def _problem(start: int) -> tuple[Network, Evidence]:
    rng = np.random.default_rng(start)
    n, m = int(rng.integers(2, 9)), int(rng.integers(5, 11))
    network = random_network(rng, n, m, 4)
    hard = pick(rng, m - 2, int(rng.integers(1, m - 3)), 1)
    if start == 0:
        # Links and leaks at their ends.
        network = Network.of([0.5, 0.1], [0, 1e-9, 0.2, 0.3], [[1, 0, 1e-9, 1], [1e-9, 0.9, 1, 0]])
        return network, Evidence(frozenset([0]), frozenset([1]), (Soft(2, 3.0, 0.5),))
    told = (Soft(m - 2, 0.9, 0.2), Soft(m - 1, 0.1, 0.8))
    return network, Evidence(hard.seen, hard.absent, told)


def _miss(network: Network, finding: int) -> tuple[list[int], Floats]:
    parents = np.flatnonzero(network.link[:, finding]).tolist()
    sets = np.arange(1 << len(parents))[:, None] >> np.arange(len(parents))[::-1] & 1
    links = network.link[parents, finding]
    miss = (1 - network.leak[finding]) * np.prod(np.where(sets, 1 - links, 1.0), axis=1)
    return parents, miss


@pytest.mark.usefixtures("_quiet")
@pytest.mark.parametrize("start", CASES)
def test_pgmpy(start: int) -> None:
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    network, evidence = _problem(start)
    net: Any = DiscreteBayesianNetwork()
    names = [f"c{i}" for i in range(len(network.prior))]
    net.add_nodes_from(names)
    for name, p in zip(names, network.prior.tolist(), strict=True):
        net.add_cpds(TabularCPD(name, 2, [[1 - p], [p]]))
    for j in sorted(evidence.looked_at()):
        parents, miss = _miss(network, j)
        net.add_node(f"f{j}")
        net.add_edges_from((names[i], f"f{j}") for i in parents)
        table = [miss.tolist(), (1 - miss).tolist()]
        net.add_cpds(TabularCPD(f"f{j}", 2, table, [names[i] for i in parents], [2] * len(parents)))
    told = {f"f{j}": 1 for j in evidence.seen} | {f"f{j}": 0 for j in evidence.absent}
    likely = []
    for s in evidence.soft:
        total = s.if_absent + s.if_present
        likely.append(
            TabularCPD(f"f{s.finding}", 2, [[s.if_absent / total], [s.if_present / total]])
        )
    engine: Any = VariableElimination(net)
    got = [
        engine.query([c], evidence=told, virtual_evidence=likely, show_progress=False).values[1]
        for c in names
    ]
    np.testing.assert_allclose(posteriors(network, evidence).p, got, rtol=0, atol=1e-9)


@pytest.mark.usefixtures("_quiet")
@pytest.mark.parametrize("start", CASES)
def test_pyagrum(start: int) -> None:
    import pyagrum

    gum: Any = pyagrum
    network, evidence = _problem(start)
    net = gum.BayesNet()
    causes = [net.add(gum.LabelizedVariable(f"c{i}", "", 2)) for i in range(len(network.prior))]
    for node, p in zip(causes, network.prior.tolist(), strict=True):
        net.cpt(node).fillWith([1 - p, p])
    for j in sorted(evidence.looked_at()):
        node = net.addNoisyORNet(gum.LabelizedVariable(f"f{j}", "", 2), float(network.leak[j]))
        for i in np.flatnonzero(network.link[:, j]).tolist():
            net.addWeightedArc(causes[i], node, float(network.link[i, j]))
    told: dict[str, Any] = {f"f{j}": 1 for j in evidence.seen}
    told |= {f"f{j}": 0 for j in evidence.absent}
    told |= {f"f{s.finding}": [s.if_absent, s.if_present] for s in evidence.soft}
    engine = gum.LazyPropagation(net)
    engine.setEvidence(told)
    engine.makeInference()
    got = [engine.posterior(node)[1] for node in causes]
    np.testing.assert_allclose(posteriors(network, evidence).p, got, rtol=0, atol=1e-9)
