"""The likeliest explanations against every set there is."""

from __future__ import annotations

import math

import numpy as np
import pytest

from causes_reference import by_enumeration, pick, random_network
from pitwise.causes.evidence import Evidence, Grade, Soft
from pitwise.causes.explain import explain, explanations
from pitwise.causes.network import Network, NetworkError


@pytest.mark.parametrize("leak", [0.0, 1e-9, 0.05])
@pytest.mark.parametrize("start", range(20))
def test_five_likeliest_of_all_sets(start: int, leak: float) -> None:
    rng = np.random.default_rng(start)
    n, m = int(rng.integers(1, 11 if start % 5 else 13)), int(rng.integers(3, 11))
    network = random_network(rng, n, m, float(rng.uniform(0.5, 6)), leak)
    hard = pick(rng, m, int(rng.integers(0, m - 1)), 1)
    left = [j for j in range(m) if j not in hard.looked_at()]
    cum = np.sort(rng.random((n, 3)), axis=1)
    cum[:, 2] = 1
    evidence = Evidence(
        hard.seen,
        hard.absent,
        tuple(Soft(j, *rng.random(2)) for j in left[1:]),
        tuple(Grade(j, int(rng.integers(0, 3)), cum, np.array([0.9, 0.97, 1])) for j in left[:1]),
    )
    joint = by_enumeration(network, evidence)
    total = math.fsum(joint.values())
    if total == 0:
        with pytest.raises(NetworkError, match="impossible"):
            explanations(network, evidence)
        return
    want = sorted((w / total for w in joint.values() if w > 0), reverse=True)[:5]
    got = explanations(network, evidence)
    np.testing.assert_allclose([p for _, p in got], want, rtol=1e-9, atol=1e-15)
    for chosen, p in got:
        assert joint[chosen] / total == pytest.approx(p, rel=1e-9)
    assert len({chosen for chosen, _ in got}) == len(got)


def test_the_search_says_when_it_stopped() -> None:
    rng = np.random.default_rng(0)
    network = random_network(rng, 30, 80, 12)
    evidence = pick(rng, 80, 12, 5)
    whole = explain(network, evidence)
    assert whole.complete
    part = explain(network, evidence, most_sets=3)
    assert not part.complete
    assert len(part.found) < 5
    assert part.found == whole.found[: len(part.found)]
    assert part.rest_at_most >= whole.found[len(part.found)][1]
    assert whole.rest_at_most <= whole.found[-1][1] * (1 + 1e-9)


def test_certain_causes() -> None:
    network = Network.of([1.0, 0.0, 0.5], [0.0], [[0.5], [0.5], [0.0]])
    got = explanations(network, Evidence(frozenset([0])))
    assert {chosen for chosen, _ in got} == {frozenset([0]), frozenset([0, 2])}
    assert [p for _, p in got] == pytest.approx([0.5, 0.5])
