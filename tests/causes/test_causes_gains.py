"""What a check tells, against full enumeration."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import pytest

from causes_reference import by_enumeration, pick, random_network
from pitwise.causes import gains as module
from pitwise.causes.cutset import Cut
from pitwise.causes.draws import draw_sets
from pitwise.causes.evidence import Evidence, Grade, Soft, compile_evidence
from pitwise.causes.gains import gains
from pitwise.causes.network import Network, NetworkError
from pitwise.causes.order import plan
from pitwise.causes.recursion import forward
from pitwise.causes.worth import worth


def _brute(network: Network, evidence: Evidence, shown: Sequence[int]) -> float:
    joint = by_enumeration(network, evidence)
    total = math.fsum(joint.values())
    whole, given = np.zeros(1 << len(shown)), 0.0
    for chosen, weight in joint.items():
        table = np.ones(1)
        for j in shown:
            miss = (1 - network.leak[j]) * np.prod(1 - network.link[list(chosen), j])
            table = np.concatenate([table * miss, table * (1 - miss)])
        whole += weight / total * table
        some = table[table > 0]
        given -= weight / total * float(some @ np.log2(some))
    whole = whole[whole > 0]
    return -float(whole @ np.log2(whole)) - given


def _problem(start: int) -> tuple[Network, Evidence, list[int]]:
    rng = np.random.default_rng(start)
    network = random_network(rng, 9, 14, 3.5)
    evidence = pick(rng, 14, 3, 3)
    return network, evidence, [j for j in range(14) if j not in evidence.looked_at()]


@pytest.mark.parametrize("start", range(6))
def test_few_findings_exactly(start: int) -> None:
    network, evidence, left = _problem(start)
    checks = [[j] for j in left] + [left[:2]]
    want = [_brute(network, evidence, c) for c in checks]
    np.testing.assert_allclose(gains(network, evidence, checks, 1), want, atol=1e-11)


@pytest.mark.parametrize("start", range(6))
def test_many_findings_nearly(start: int) -> None:
    network, evidence, left = _problem(start)
    got = gains(network, evidence, [left, left[:5]], 1)
    want = [_brute(network, evidence, left), _brute(network, evidence, left[:5])]
    # Four times the error stated in the docstring.
    np.testing.assert_allclose(got, want, atol=0.08)


@pytest.mark.parametrize("start", range(3))
def test_drawn_gains_of_few_findings(start: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "_EXACT_BUDGET", 0)
    network, evidence, left = _problem(start)
    checks = [[j] for j in left]
    want = [_brute(network, evidence, c) for c in checks]
    np.testing.assert_allclose(gains(network, evidence, checks, 1), want, atol=0.03)


def test_draws_follow_the_posterior_of_whole_sets() -> None:
    rng = np.random.default_rng(3)
    network = random_network(rng, 8, 12, 5)
    hard = pick(rng, 10, 5, 2)
    evidence = Evidence(hard.seen, hard.absent, (Soft(10, 3, 0.5), Soft(11, 0.2, 1)))
    joint = by_enumeration(network, evidence)
    total = math.fsum(joint.values())
    drawn = draw_sets(forward(compile_evidence(network, evidence)), list(range(8)), 5, 200_000)
    share = np.bincount(drawn @ (1 << np.arange(8)), minlength=256) / len(drawn)
    for chosen, weight in joint.items():
        assert share[sum(1 << i for i in chosen)] == pytest.approx(weight / total, abs=0.006)


def test_nothing_new_is_worth_nothing() -> None:
    network = Network.of([0.2, 0.3], [0.1, 0.1, 0.1, 0.1], [[0.5, 0.6, 0, 0], [0, 0.5, 0.4, 0]])
    evidence = Evidence(frozenset([0]), groups=(frozenset([0, 2]),))
    got = gains(network, evidence, [[], [3], [0], [2], [0, 1], [1]], 1)
    assert got[:4].tolist() == [0, 0, 0, 0]
    assert got[4] == got[5] > 0
    # Two open findings of one group are one fact, with the greater link.
    one = gains(network, Evidence(groups=(frozenset([0, 1]),)), [[0, 1]], 1)[0]
    merged = Network.of([0.2, 0.3], [0.1], [[0.6], [0.5]])
    assert one == pytest.approx(gains(merged, Evidence(), [[0]], 1)[0], rel=1e-12)


def test_the_seed_alone_decides_and_gains_are_not_negative() -> None:
    rng = np.random.default_rng(1)
    network = random_network(rng, 30, 80, 12)
    evidence = pick(rng, 80, 8, 15)
    checks = [rng.permutation(80)[:size].tolist() for size in (21, 9, 5, 3, 1)]
    got = gains(network, evidence, checks, 4)
    assert got.tolist() == gains(network, evidence, checks, 4).tolist()
    assert (got >= 0).all()


def test_an_unlinked_cause_changes_no_gain() -> None:
    rng = np.random.default_rng(1)
    network = random_network(rng, 20, 40, 6)
    evidence = pick(rng, 40, 6, 5)
    more = Network.of(
        np.insert(network.prior, 3, 0.4), network.leak, np.insert(network.link, 3, 0.0, axis=0)
    )
    checks = [list(range(21)), [25, 26, 27, 28], [30]]
    np.testing.assert_allclose(
        gains(more, evidence, checks, 2), gains(network, evidence, checks, 2), atol=1e-6
    )


def test_unknown_finding() -> None:
    network = Network.of([0.1], [0.1], [[0.5]])
    with pytest.raises(NetworkError, match=r"reveals\[0\]: no finding 4"):
        gains(network, Evidence(), [[4]], 0)


def test_an_absent_member_leaves_its_group_open() -> None:
    network = Network.of([0.2, 0.3], [0.05, 0.01, 0.02], [[0.2, 0.9, 0.4], [0.1, 0, 0.3]])
    group = (frozenset([0, 1, 2]),)
    weak = Evidence(absent=frozenset([0]), groups=group)
    alone = Evidence(absent=frozenset([0]))
    got = gains(network, weak, [[1], [0]], 1)
    assert got[0] == pytest.approx(gains(network, alone, [[1]], 1)[0], rel=1e-12)
    assert got[0] > 0.05
    assert got[1] == 0
    cum = np.array([[0.8, 0.9, 1.0], [0.9, 0.95, 1.0]])
    for settled in (
        Evidence(frozenset([0]), groups=group),
        Evidence(soft=(Soft(0, 2, 1),), groups=group),
        Evidence(grades=(Grade(0, 1, cum, np.array([0.9, 0.95, 1.0])),), groups=group),
    ):
        assert settled.settled() == {0, 1, 2}
        assert gains(network, settled, [[1], [1, 2]], 1).tolist() == [0, 0]
    minutes = np.array([20.0, 9.0])
    seen = Evidence(absent=frozenset([0]), groups=group)
    assert worth(network, seen, [[1]], minutes, frozenset(), 0).saved_minutes[0] > 0


@pytest.mark.parametrize("start", range(3))
def test_wide_problems_are_drawn_by_their_cutset(
    start: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    network, evidence, left = _problem(start)
    want = gains(network, evidence, [left, left[:2], left[:1]], 1)
    brute = [_brute(network, evidence, c) for c in (left, left[:2], left[:1])]
    monkeypatch.setattr(
        "pitwise.causes.sampling.cut",
        lambda facts: Cut((0, 3), plan(tuple(f & ~0b1001 for f in facts))),
    )
    got = gains(network, evidence, [left, left[:2], left[:1]], 1)
    np.testing.assert_allclose(got, brute, atol=0.08)
    np.testing.assert_allclose(got, want, atol=0.08)


def test_gains_where_posteriors_need_the_cutset() -> None:
    rng = np.random.default_rng(5)
    network = Network.of(
        rng.uniform(0.05, 0.3, 9), rng.uniform(0, 0.05, 30), rng.uniform(0.1, 0.9, (9, 30))
    )
    evidence = Evidence(frozenset(range(28)))
    got = gains(network, evidence, [[28], [28, 29]], 1)
    want = [_brute(network, evidence, c) for c in ([28], [28, 29])]
    np.testing.assert_allclose(got, want, atol=0.02)
