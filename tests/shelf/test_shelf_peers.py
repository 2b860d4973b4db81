"""Order rules held against stockpyl (L. V. Snyder, MIT), 200 made-up problems.

Its conventions are ours: the price of the pieces is not in the cost; (s, S) orders at s or
below; (r, Q) costs are per unit of time. Three things of stockpyl 1.0.2 are gone round: its
`s_s_cost_discrete` leaves the last probability of a given distribution out and reads past the
end of a short one, so distributions are handed over with zeros behind; it refuses a demand of
zero and costs of zero, which ours answers where there is an answer.
"""

from __future__ import annotations

import warnings
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from pitwise.shelf.demand_pmf import Floats, Pmf
from pitwise.shelf.eoq import economic_order
from pitwise.shelf.newsvendor import newsvendor, newsvendor_normal
from pitwise.shelf.periodic import cheapest_review, judge_review
from pitwise.shelf.reorder import cheapest, judge

EACH = 50


@pytest.fixture(scope="module")
def peer() -> Any:
    with warnings.catch_warnings():
        # Its docstrings hold backslashes that newer Pythons warn of.
        warnings.simplefilter("ignore")
        from stockpyl import eoq, newsvendor, rq, ss
    return SimpleNamespace(eoq=eoq, newsvendor=newsvendor, rq=rq, ss=ss)


def _some(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _pmf(rng: np.random.Generator) -> Floats:
    """Return a made-up distribution: gaps, spikes and rare demand among them."""
    p = rng.dirichlet(np.full(int(rng.integers(2, 12)), _some(rng, 0.2, 5)))
    p[rng.random(p.size) < 0.3] = 0
    p[-1] += 0.05
    if rng.random() < 0.2:
        p[0] += 20
    out: Floats = p / p.sum()
    return out


def test_order_sizes(peer: Any) -> None:
    rng = np.random.default_rng(101)
    for _ in range(EACH):
        k, h, d = _some(rng, 1e-3, 1e5), _some(rng, 1e-4, 1e3), _some(rng, 1e-3, 1e6)
        q, cost = peer.eoq.economic_order_quantity(k, h, d)
        found = economic_order(k, h, d)
        assert (found.pieces, found.cost) == pytest.approx((q, cost), rel=1e-12)


def test_newsvendors(peer: Any) -> None:
    rng = np.random.default_rng(102)
    lib = peer.newsvendor
    for i in range(EACH):
        h, p = _some(rng, 0.01, 50), _some(rng, 0.01, 500)
        mean, sd = _some(rng, 0.5, 300), _some(rng, 0.1, 50)
        s, cost = lib.newsvendor_normal(h, p, mean, sd)
        ours = newsvendor_normal(mean, sd, h, p)
        assert (ours.pieces, ours.cost) == pytest.approx((s, cost), rel=1e-9, abs=1e-9)
        other = newsvendor_normal(mean, sd, h, p, stock=s * 1.1)
        cost = lib.newsvendor_normal_cost(s * 1.1, h, p, mean, sd)
        assert other.cost == pytest.approx(cost, rel=1e-7)
        if i % 2:
            s, cost = lib.newsvendor_poisson(h, p, mean)
            whole = newsvendor(Pmf.poisson(mean), h, p)
        else:
            given = _pmf(rng)
            s, cost = lib.newsvendor_discrete(h, p, demand_pmf=dict(enumerate(given)))
            whole = newsvendor(Pmf(given), h, p)
        assert whole.cost == pytest.approx(cost, rel=1e-7, abs=1e-9)
        assert whole.pieces == s


def test_reorder_points(peer: Any) -> None:
    rng = np.random.default_rng(103)
    ties = 0
    for _ in range(EACH):
        h, p, k = _some(rng, 0.05, 30), _some(rng, 0.5, 500), _some(rng, 0.1, 300)
        rate, lead = _some(rng, 0.05, 12), _some(rng, 0.02, 6)
        r, q, cost = peer.rq.r_q_poisson_exact(h, p, k, rate, lead)
        demand = Pmf.poisson(rate * lead)
        found = cheapest(demand, rate, fixed=k, holding=h, stockout=p)
        assert found.cost == pytest.approx(cost, rel=1e-9)
        ties += (found.reorder_point, found.order_size) != (r, q)
        theirs = judge(demand, rate, int(r) + 2, int(q) + 3, fixed=k, holding=h, stockout=p)
        again = peer.rq.r_q_cost_poisson(int(r) + 2, int(q) + 3, h, p, k, rate, lead)
        assert theirs.cost == pytest.approx(again, rel=1e-9)
    assert ties == 0


def test_order_up_to_levels(peer: Any) -> None:
    rng = np.random.default_rng(104)
    ties = 0
    for i in range(EACH):
        h, p, k = _some(rng, 0.1, 10), _some(rng, 0.5, 100), _some(rng, 0.1, 60)
        words: tuple[Any, ...]
        if i % 2:
            mean = _some(rng, 0.1, 12)
            demand, words = Pmf.poisson(mean), (True, mean, None, None)
        else:
            given = _pmf(rng)
            demand, far = Pmf(given), np.zeros(150)
            far[: given.size] = given
            words = (False, None, far.size - 1, list(far))
        s, top, cost = peer.ss.s_s_discrete_exact(h, p, k, *words)
        found = cheapest_review(demand, fixed=k, holding=h, stockout=p)
        # Never dearer; and the peer's own rule costs the same.
        assert found.cost <= cost * (1 + 1e-9)
        same = judge_review(demand, int(s), int(top), fixed=k, holding=h, stockout=p)
        assert same.cost == pytest.approx(cost, rel=1e-7)
        assert found.cost == pytest.approx(cost, rel=1e-7)
        ties += (found.order_at, found.order_up_to) != (s, top)
        again = peer.ss.s_s_cost_discrete(int(s) - 1, int(top) + 2, h, p, k, *words)
        other = judge_review(demand, int(s) - 1, int(top) + 2, fixed=k, holding=h, stockout=p)
        assert other.cost == pytest.approx(again, rel=1e-7)
    # Where demand skips numbers, several rules are the same rule.
    assert ties <= EACH // 4


def test_what_the_peer_leaves_out_is_in_ours(peer: Any) -> None:
    """The last probability of a given distribution counts."""
    p = [0.5, 0.2, 0.3]
    short = peer.ss.s_s_cost_discrete(0, 3, 1, 9, 5, False, None, 2, p)
    padded = [*p, 0.0, 0.0, 0.0]
    right = peer.ss.s_s_cost_discrete(0, 3, 1, 9, 5, False, None, 5, padded)
    assert abs(short - right) > 0.1
    got = judge_review(Pmf(np.array(p)), 0, 3, fixed=5, holding=1, stockout=9)
    assert got.cost == pytest.approx(right, rel=1e-9)
