"""The likeliest explanations against every set there is."""

from __future__ import annotations

import math

import numpy as np
import pytest
from kit_causes import small_sheet

from causes_reference import by_enumeration, pick, random_network
from pitwise.causes.diagnose import Observations, diagnose
from pitwise.causes.evidence import Evidence, Grade, Soft
from pitwise.causes.explain import explain, explanations
from pitwise.causes.model import build
from pitwise.causes.network import Network, NetworkError
from pitwise.causes.observe import State
from pitwise.trade import base_sheet


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


@pytest.mark.parametrize("tried", [{"flow"}, {"flow", "tube"}, {"flow", "tube", "gas"}])
def test_after_cures_the_sets_have_their_exact_chance(tried: set[str]) -> None:
    sheet = small_sheet()
    seen: dict[str, State] = {"S_blue": "seen", "S_dross": "slight", "S_low": "seen"}
    observed = Observations(findings=seen, excluded=frozenset(tried))
    model = build(sheet).after(observed.excluded)
    network, evidence = model.network, model.evidence(seen, {})
    sets = by_enumeration(network, evidence)
    want: dict[tuple[str, ...], float] = {}
    for causes, weight in sets.items():
        key = tuple(model.causes[i] for i in sorted(causes) if model.open[i])
        want[key] = want.get(key, 0.0) + weight / sum(sets.values())
    got = {e.causes: e.p for e in diagnose(sheet, observed).explanations}
    assert len(got) == min(5, len(want))
    for key, p in got.items():
        assert p == pytest.approx(want[key], rel=1e-12)
    assert list(got.values()) == sorted(got.values(), reverse=True)


def test_with_every_cause_tried_one_set_is_left_and_sure() -> None:
    observed = Observations(
        findings={"E_deep": "seen", "N_blue": "seen"},
        excluded=frozenset(c.id for c in base_sheet().causes),
    )
    (only,) = diagnose(base_sheet(), observed).explanations
    assert only.causes == ()
    assert only.p == pytest.approx(1, abs=1e-12)
