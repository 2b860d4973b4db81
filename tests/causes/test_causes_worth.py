"""Minutes a check saves, held against going through every set of causes and every outcome."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pitwise.causes.evidence import Evidence
from pitwise.causes.network import Network
from pitwise.causes.worth import worth


def _network(rng: np.random.Generator, n: int = 5, m: int = 6) -> Network:
    link = rng.uniform(0.1, 0.9, (n, m)) * (rng.random((n, m)) < 0.6)
    return Network.of(rng.uniform(0.1, 0.4, n), rng.uniform(0.02, 0.2, m), link)


def _by_hand(
    net: Network,
    seen: list[int],
    absent: list[int],
    shown: list[int],
    minutes: np.ndarray,
    tried: set[int],
) -> tuple[float, float]:
    n = len(net.prior)
    live = [i for i in range(n) if i not in tried]

    def weight(on: tuple[int, ...], there: list[int], away: list[int]) -> float:
        x = np.array(on, float)
        w = float(np.prod(np.where(x > 0, net.prior, 1 - net.prior)))
        quiet = (1 - net.leak) * np.prod(1 - net.link * x[:, None], axis=0)
        return w * float(np.prod(1 - quiet[there])) * float(np.prod(quiet[away]))

    def repairs(there: list[int], away: list[int]) -> tuple[float, float]:
        sets = [s for s in itertools.product((0, 1), repeat=n) if any(s[i] for i in live)]
        w = np.array([weight(s, there, away) for s in sets])
        total = w.sum()
        p = {i: sum(x for x, s in zip(w, sets, strict=True) if s[i]) / total for i in live}
        order = sorted(live, key=lambda i: -p[i] / minutes[i])
        cost = 0.0
        for x, s in zip(w / total, sets, strict=True):
            last = max(order.index(i) for i in live if s[i])
            cost += x * float(sum(minutes[i] for i in order[: last + 1]))
        return cost, float(total)

    now, whole = repairs(seen, absent)
    after = 0.0
    for out in itertools.product((True, False), repeat=len(shown)):
        there = seen + [f for f, o in zip(shown, out, strict=True) if o]
        away = absent + [f for f, o in zip(shown, out, strict=True) if not o]
        cost, chance = repairs(there, away)
        after += cost * chance / whole
    return now, now - after


@pytest.mark.parametrize("number", range(8))
def test_against_enumeration(number: int) -> None:
    rng = np.random.default_rng(number)
    net = _network(rng)
    minutes = rng.uniform(5, 40, 5)
    tried = {1} if number % 2 else set()
    got = worth(
        net,
        Evidence(frozenset({0}), frozenset({1})),
        [[2], [3, 4], [0, 5]],
        minutes,
        frozenset(tried),
        0,
    )
    for k, shown in enumerate([[2], [3, 4], [5]]):
        now, saved = _by_hand(net, [0], [1], shown, minutes, tried)
        assert got.repairs_minutes == pytest.approx(now, rel=0.05)
        assert got.saved_minutes[k] == pytest.approx(saved, abs=0.05 * now)


@pytest.mark.parametrize("number", range(4))
def test_evidence_believed_in_part_against_enumeration(number: int) -> None:
    net = _network(np.random.default_rng(20 + number))
    minutes = np.random.default_rng(number).uniform(5, 40, 5)
    share = 0.6
    sets = np.array(list(itertools.product((0, 1), repeat=5))[1:], dtype=float)

    def quiet(finding: int) -> np.ndarray:
        return np.asarray(
            (1 - net.leak[finding]) * np.prod(1 - net.link[:, finding] * sets, axis=1)
        )

    prior = np.prod(np.where(sets > 0, net.prior, 1 - net.prior), axis=1)
    held = prior * ((1 - quiet(0)) * quiet(1)) ** share

    def cost(w: np.ndarray) -> float:
        w = w / w.sum()
        order = np.argsort(-(sets.T @ w) / minutes)
        until = np.empty(5)
        until[order] = np.cumsum(minutes[order])
        return float(w @ (sets * until).max(axis=1))

    now = cost(held)
    seen = float(held @ (1 - quiet(2)) / held.sum())
    after = seen * cost(held * (1 - quiet(2))) + (1 - seen) * cost(held * quiet(2))
    evidence = Evidence(frozenset({0}), frozenset({1}))
    got = worth(net, evidence, [[2]], minutes, frozenset(), 0, share=share)
    assert got.repairs_minutes == pytest.approx(now, rel=0.05)
    assert got.saved_minutes[0] == pytest.approx(now - after, abs=0.05 * now)


def test_a_check_of_what_is_known_or_of_what_nothing_makes_saves_nothing() -> None:
    net = Network.of([0.2, 0.3], [0.1, 0.1], [[0.8, 0.0], [0.3, 0.0]])
    got = worth(net, Evidence(frozenset({0})), [[0], [1]], np.array([5.0, 9.0]), frozenset(), 0)
    assert got.saved_minutes == pytest.approx([0, 0], abs=1e-9)


def test_with_every_cause_tried_there_is_no_first() -> None:
    net = Network.of([0.2], [0.1], [[0.8]])
    got = worth(net, Evidence(frozenset({0})), [[0]], np.array([5.0]), frozenset({0}), 0)
    assert (got.first, got.repairs_minutes) == (-1, 0.0)


def test_the_same_seed_gives_the_same_answer() -> None:
    net = _network(np.random.default_rng(3))
    args = (net, Evidence(frozenset({0, 2})), [[1, 3, 4, 5]], np.full(5, 9.0), frozenset({2}))
    first, again = worth(*args, 7), worth(*args, 7)
    assert first.saved_minutes.tolist() == again.saved_minutes.tolist()
