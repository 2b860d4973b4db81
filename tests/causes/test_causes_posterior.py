"""Posteriors against exact fractions and full enumeration, and what must hold of any network."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import product

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from causes_reference import by_enumeration, by_fractions, marginals, pick, random_network
from pitwise.causes import cutset, recursion, small
from pitwise.causes.evidence import Evidence, Grade, Item, Soft, compile_evidence
from pitwise.causes.network import Network, NetworkError
from pitwise.causes.posterior import leave_one_out, posterior_draws, posteriors, solve
from pitwise.causes.recursion import forward, structure

EXTREME = st.sampled_from([0.0, 1e-9, 0.05, 0.5, 0.97, 1 - 1e-9, 1.0])


@st.composite
def problems(draw: st.DrawFn) -> tuple[Network, Evidence]:
    n, m = draw(st.integers(1, 5)), draw(st.integers(1, 5))
    numbers = [draw(st.lists(EXTREME, min_size=size, max_size=size)) for size in (n, m, n * m)]
    network = Network.of(numbers[0], numbers[1], np.reshape(numbers[2], (n, m)))
    states = draw(st.lists(st.sampled_from("sa-"), min_size=m, max_size=m))
    seen, absent = (frozenset(j for j, s in enumerate(states) if s == k) for k in "sa")
    return network, Evidence(seen, absent)


@pytest.mark.parametrize(
    ("n", "m", "per_cause", "seen", "absent"),
    [(6, 8, 3, 4, 3), (10, 20, 5, 7, 6), (30, 80, 12, 6, 12)],
)
def test_exact_fractions(n: int, m: int, per_cause: float, seen: int, absent: int) -> None:
    for start in range(3):
        rng = np.random.default_rng(start)
        network = random_network(rng, n, m, per_cause)
        evidence = pick(rng, m, seen, absent)
        total, want = by_fractions(network, evidence)
        out = posteriors(network, evidence)
        np.testing.assert_allclose(out.p, [float(x) for x in want], rtol=1e-12)
        log = math.log(total.numerator) - math.log(total.denominator)
        assert out.log_evidence == pytest.approx(log, rel=1e-12)


@pytest.mark.parametrize("seen", [16, 20])
def test_many_seen_against_fractions(seen: int) -> None:
    # Coarse numbers keep the fractions short.
    rng = np.random.default_rng(seen)
    n, m = 7, 24
    links = rng.random((n, m)) < 0.4
    network = Network.of(
        rng.integers(1, 8, n) / 16,
        rng.integers(1, 3, m) / 16,
        np.where(links, rng.integers(1, 16, (n, m)) / 16, 0.0),
    )
    evidence = pick(rng, m, seen, 3)
    joint = _whole_sets(network, evidence)
    total = sum(joint.values())
    out = posteriors(network, evidence)
    want = [float(sum(w for s, w in joint.items() if i in s) / total) for i in range(n)]
    np.testing.assert_allclose(out.p, want, rtol=1e-12)


def _whole_sets(network: Network, evidence: Evidence) -> dict[frozenset[int], Fraction]:
    """Return exact fractions of P(set, evidence): sums over sets of causes, no signs at all."""
    prior = [Fraction(x) for x in network.prior.tolist()]
    leak = [1 - Fraction(x) for x in network.leak.tolist()]
    miss = [[1 - Fraction(x) for x in row] for row in network.link.tolist()]
    out = {}
    for on in product((0, 1), repeat=len(prior)):
        weight = Fraction(1)
        for x, p in zip(on, prior, strict=True):
            weight *= p if x else 1 - p
        for j in evidence.seen | evidence.absent:
            quiet = leak[j]
            for i, x in enumerate(on):
                if x:
                    quiet *= miss[i][j]
            weight *= quiet if j in evidence.absent else 1 - quiet
        out[frozenset(i for i, x in enumerate(on) if x)] = weight
    return out


@pytest.mark.parametrize("start", range(25))
def test_readings_and_grades_against_enumeration(start: int) -> None:
    rng = np.random.default_rng(start)
    n, m = int(rng.integers(1, 8)), int(rng.integers(3, 9))
    network = random_network(rng, n, m, 4)
    cum = np.sort(rng.random((n, 3)), axis=1)
    cum[:, 2] = 1
    evidence = Evidence(
        frozenset([0]),
        frozenset([1]),
        tuple(Soft(j, *rng.random(2)) for j in range(3, m)),
        (Grade(2, int(rng.integers(0, 3)), cum, np.array([0.9, 0.97, 1.0])),),
    )
    out = posteriors(network, evidence)
    np.testing.assert_allclose(
        out.p, marginals(by_enumeration(network, evidence), n), rtol=1e-11, atol=1e-15
    )
    items, shifts = leave_one_out(network, evidence)
    for item, shift in zip(items, shifts, strict=True):
        gone = set(item.findings)
        less = Evidence(
            evidence.seen - gone,
            evidence.absent - gone,
            tuple(s for s in evidence.soft if s.finding not in gone),
            tuple(g for g in evidence.grades if g.finding not in gone),
        )
        want = out.log_odds - posteriors(network, less).log_odds
        np.testing.assert_allclose(shift, want, atol=1e-10)


def test_draws_are_one_problem_each() -> None:
    rng = np.random.default_rng(2)
    network = random_network(rng, 9, 15, 5)
    evidence = pick(rng, 15, 5, 4)
    prior, leak = rng.uniform(0.01, 0.3, (7, 9)), rng.uniform(0, 0.1, (7, 15))
    link = np.where(network.link > 0, rng.uniform(0.1, 0.9, (7, 9, 15)), 0.0)
    out = posterior_draws(network, evidence, prior, leak, link)
    for b in range(7):
        one = posteriors(Network.of(prior[b], leak[b], link[b]), evidence)
        np.testing.assert_allclose(out.p[b], one.p, rtol=1e-12)
        assert out.log_evidence[b] == pytest.approx(one.log_evidence, rel=1e-12)


@settings(max_examples=150, deadline=None)
@given(problems())
def test_extremes_stay_probabilities(problem: tuple[Network, Evidence]) -> None:
    network, evidence = problem
    joint = by_enumeration(network, evidence)
    if math.fsum(joint.values()) == 0:
        with pytest.raises(NetworkError, match="the evidence is impossible") as caught:
            posteriors(network, evidence)
        assert any(network.findings[j] in str(caught.value) for j in evidence.looked_at())
        return
    out = posteriors(network, evidence)
    assert ((out.p >= 0) & (out.p <= 1)).all()
    np.testing.assert_allclose(out.p, marginals(joint, len(out.p)), rtol=1e-6, atol=1e-12)


@settings(max_examples=60, deadline=None)
@given(problems(), st.integers(0, 2**32 - 1))
def test_order_of_rows_does_not_matter(problem: tuple[Network, Evidence], seed: int) -> None:
    network, evidence = problem
    try:
        out = posteriors(network, evidence)
    except NetworkError:
        assume(False)
    rng = np.random.default_rng(seed)
    rows, cols = rng.permutation(len(network.prior)), rng.permutation(len(network.leak))
    turned = Network.of(network.prior[rows], network.leak[cols], network.link[rows][:, cols])
    place = np.argsort(cols)
    moved = Evidence(
        frozenset(place[list(evidence.seen)].tolist()),
        frozenset(place[list(evidence.absent)].tolist()),
    )
    np.testing.assert_allclose(posteriors(turned, moved).p, out.p[rows], rtol=1e-11, atol=1e-300)


@settings(max_examples=60, deadline=None)
@given(problems())
def test_an_unlinked_cause_changes_nothing(problem: tuple[Network, Evidence]) -> None:
    network, evidence = problem
    try:
        out = posteriors(network, evidence)
    except NetworkError:
        assume(False)
    more = Network.of(
        np.append(network.prior, 0.3),
        network.leak,
        np.vstack([network.link, np.zeros(len(network.leak))]),
    )
    again = posteriors(more, evidence)
    assert again.p[:-1].tolist() == out.p.tolist()
    assert again.p[-1] == pytest.approx(0.3, rel=1e-15)


def test_unseen_is_not_absent() -> None:
    network = Network.of([0.2], [0.01, 0.01], [[0.7, 0.9]])
    unseen = posteriors(network, Evidence(frozenset([0]))).p[0]
    absent = posteriors(network, Evidence(frozenset([0]), frozenset([1]))).p[0]
    alone = posteriors(Network.of([0.2], [0.01], [[0.7]]), Evidence(frozenset([0]))).p[0]
    assert unseen == alone
    assert absent < 0.7 * unseen


def test_a_finding_no_cause_explains_moves_nothing_but_the_evidence() -> None:
    network = Network.of([0.2, 0.1], [0.02, 0.03], [[0.7, 0], [0.4, 0]])
    without = posteriors(network, Evidence(frozenset([0])))
    out = posteriors(network, Evidence(frozenset([0, 1])))
    assert out.p.tolist() == without.p.tolist()
    assert out.log_evidence - without.log_evidence == pytest.approx(math.log(0.03), rel=1e-12)


def test_hundreds_absent_and_links_next_to_one() -> None:
    m = 700
    network = Network.of([0.5, 0.01], np.r_[1e-9, np.full(m - 1, 0.3)], np.full((2, m), 0.999))
    out = posteriors(network, Evidence(frozenset([0]), frozenset(range(1, m))))
    assert out.p == pytest.approx([0, 0], abs=1e-100)
    assert out.log_evidence == pytest.approx(
        math.log(0.5 * 0.99 * 1e-9) + (m - 1) * math.log(0.7), rel=1e-12
    )
    # Without a leak one of them made it; which one, doubles cannot tell.
    sure = Network.of([0.5, 0.01], np.r_[0.0, np.full(m - 1, 0.3)], np.full((2, m), 0.999))
    with pytest.raises(NetworkError, match="double precision"):
        posteriors(sure, Evidence(frozenset([0]), frozenset(range(1, m))))
    some = posteriors(sure, Evidence(frozenset([0]), frozenset(range(1, 40))))
    assert some.p == pytest.approx([0.99, 0.01], rel=1e-9)


def test_impossible_evidence_names_the_findings() -> None:
    network = Network.of(
        [0.2, 0.2], [0, 0, 0.1], [[1, 1, 0.5], [0, 0, 0.5]], findings=["pit", "bore", "soot"]
    )
    with pytest.raises(NetworkError, match="impossible") as caught:
        posteriors(network, Evidence(frozenset([0, 2]), frozenset([1])))
    words = str(caught.value)
    assert "'pit' seen" in words
    assert "'bore' absent" in words
    assert "soot" not in words
    with pytest.raises(NetworkError, match="both seen and absent"):
        posteriors(network, Evidence(frozenset([0]), frozenset([0])))


def test_a_group_is_one_fact() -> None:
    network = Network.of([0.1, 0.2], [0.01, 0.03], [[0.8, 0.5], [0.1, 0.6]])
    one = Network.of([0.1, 0.2], [0.03], [[0.8], [0.6]])
    group = (frozenset([0, 1]),)
    seen = posteriors(network, Evidence(frozenset([0, 1]), groups=group))
    np.testing.assert_array_equal(seen.p, posteriors(one, Evidence(frozenset([0]))).p)
    absent = posteriors(network, Evidence(absent=frozenset([0, 1]), groups=group))
    want = posteriors(one, Evidence(absent=frozenset([0]))).p
    np.testing.assert_allclose(absent.p, want, rtol=1e-15)
    items, _ = leave_one_out(network, Evidence(frozenset([0, 1]), groups=group))
    assert items == (Item("seen", (0, 1)),)


@pytest.mark.parametrize("start", range(8))
def test_setting_causes_both_ways_is_the_same(start: int) -> None:
    rng = np.random.default_rng(start)
    network = random_network(rng, 9, 12, 5)
    compiled = compile_evidence(network, pick(rng, 12, 7, 3))
    whole = solve(compiled)
    each = solve(cutset.parts(compiled, [1, 4, 5]))
    weight = np.exp(each.log_evidence - whole.log_evidence)
    assert weight.sum() == pytest.approx(1, rel=1e-12)
    np.testing.assert_allclose(weight @ each.p, whole.p[0], rtol=1e-12)


def test_dense_and_wide_goes_by_its_causes() -> None:
    rng = np.random.default_rng(5)
    network = Network.of(
        rng.uniform(0.05, 0.3, 9), rng.uniform(0, 0.05, 30), rng.uniform(0.1, 0.9, (9, 30))
    )
    evidence = Evidence(frozenset(range(28)))
    assert cutset.cut(structure(compile_evidence(network, evidence))).causes
    out = posteriors(network, evidence)
    np.testing.assert_allclose(out.p, marginals(by_enumeration(network, evidence), 9), rtol=1e-10)


def test_too_wide_is_refused_before_memory_runs_out() -> None:
    rng = np.random.default_rng(5)
    network = Network.of(np.full(60, 0.1), np.full(60, 0.01), rng.uniform(0.1, 0.9, (60, 60)))
    with pytest.raises(NetworkError, match="60 seen findings hang together.*leave out"):
        posteriors(network, Evidence(frozenset(range(60))))


def test_batches_go_in_parts_when_memory_is_short(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    network = random_network(rng, 12, 20, 8)
    compiled = compile_evidence(network, pick(rng, 20, 8, 2))
    batch = replace(compiled, weight_on=compiled.weight_on * rng.random((5, 12)))
    whole = solve(batch)
    monkeypatch.setattr("pitwise.causes.posterior.MOST_NUMBERS", 1)
    np.testing.assert_allclose(solve(batch).p, whole.p, rtol=1e-13)


@pytest.mark.parametrize("start", range(12))
def test_plain_floats_and_arrays_are_the_same(start: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(start)
    network = random_network(rng, 30, 80, 12)
    hard = pick(rng, 76, 5 + start % 3, 12)
    evidence = Evidence(hard.seen, hard.absent, tuple(Soft(j, *rng.random(2)) for j in (76, 78)))
    compiled = compile_evidence(network, evidence)
    sums = forward(compiled)
    plain = solve(compiled, sums)
    monkeypatch.setattr(recursion, "NARROW", -1)
    arrays = forward(compiled)
    other = solve(compiled, arrays)
    assert sums.narrow == (sums.plan.width <= small.WIDEST)
    assert not arrays.narrow
    np.testing.assert_allclose(plain.p, other.p, rtol=1e-14, atol=1e-14)
    np.testing.assert_allclose(plain.log_odds, other.log_odds, rtol=1e-12, atol=1e-12)
    np.testing.assert_allclose(plain.log_evidence, other.log_evidence, rtol=1e-14)


def test_some_problems_are_narrow() -> None:
    rng = np.random.default_rng(1)
    network = random_network(rng, 30, 80, 12)
    assert forward(compile_evidence(network, pick(rng, 80, 7, 10))).narrow


@pytest.mark.parametrize("arrays", [False, True])
def test_tiny_chances_do_not_round_to_nothing(
    arrays: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if arrays:
        monkeypatch.setattr(recursion, "NARROW", -1)
    # A chain of facts, each shared by two causes: narrow, and as unlikely as 1e-600.
    n = 61
    link = np.zeros((n, n - 1))
    for j in range(n - 1):
        link[j : j + 2, j] = 1e-10
    network = Network.of(np.full(n, 0.5), np.zeros(n - 1), link)
    out = posteriors(network, Evidence(frozenset(range(n - 1))))
    assert -1500 < out.log_evidence < -1300
    np.testing.assert_allclose(out.p, out.p[::-1], rtol=1e-12)
    assert ((out.p > 0.5) & (out.p < 1)).all()


def test_many_wide_problems_at_once_are_refused() -> None:
    rng = np.random.default_rng(5)
    network = Network.of(np.full(14, 0.1), np.full(40, 0.01), rng.uniform(0.1, 0.9, (14, 40)))
    evidence = Evidence(frozenset(range(40)))
    posteriors(network, evidence)
    with pytest.raises(NetworkError, match="hang together.*leave out"):
        posterior_draws(
            network,
            evidence,
            np.tile(network.prior, (4000, 1)),
            network.leak[None],
            network.link[None],
        )


def test_evidence_too_unlikely_for_doubles_is_refused_not_guessed() -> None:
    # The second cause is as likely as not; raised weights once made the first one sure.
    network = Network.of([1e-300, 0.5], [1e-300, 1e-200], [[0.0, 1.0], [0.0, 1e-300]])
    with pytest.raises(NetworkError, match="double precision"):
        posteriors(network, Evidence(frozenset([0, 1])))
    likely = Network.of([1e-300, 0.5], [0.1, 0.2], [[0.0, 1.0], [0.0, 0.5]])
    out = posteriors(likely, Evidence(frozenset([0, 1])))
    assert out.p[1] == pytest.approx(0.6 / 0.8, rel=1e-12)


def test_work_is_refused_before_it_is_done() -> None:
    rng = np.random.default_rng(3)
    network = random_network(rng, 12, 12, 12)
    evidence = Evidence(frozenset(range(12)))
    with pytest.raises(NetworkError, match="times the work"):
        posteriors(network, evidence, 1000)
    assert posteriors(network, evidence, 10**7).log_evidence < 0
