"""(s, S): against the chain of positions, and against every other rule."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from kit_shelf import stationary_positions

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.newsvendor import newsvendor
from pitwise.shelf.periodic import (
    ReviewMeasure,
    cheapest_review,
    cheapest_review_for_service,
    judge_review,
)
from pitwise.shelf.refusal import NoDemandError, OutOfRangeError, StockError, TooLargeError

# Some demand is not zero.
weights = st.lists(st.integers(0, 50), min_size=2, max_size=7).filter(lambda w: any(w[1:]))
price = st.floats(0.1, 30)
MEASURES: tuple[ReviewMeasure, ...] = ("fill", "ready", "period")


def pmf_of(counts: list[int]) -> Pmf:
    return Pmf(np.array(counts) / sum(counts))


@given(weights, st.integers(0, 3), st.integers(-3, 8), st.integers(1, 12), price, price, price)
def test_cost_and_service_from_the_chain(
    counts: list[int], periods: int, s: int, span: int, k: float, h: float, p: float
) -> None:
    d = pmf_of(counts)
    lead = d.times(periods)
    over = lead.plus(d)
    top = s + span
    pi = stationary_positions(s, top, d)
    y = np.arange(s + 1, top + 1)
    amount, before = np.arange(over.p.size), np.arange(lead.p.size)
    shelf = np.array([float(np.maximum(v - amount, 0) @ over.p) for v in y])
    owed = np.array([float(np.maximum(amount - v, 0) @ over.p) for v in y])
    # A review orders where the period before took the position to s or below.
    orders = float(sum(pi[i] * d.p[j] for i in range(span) for j in range(d.p.size) if i - j < 0))
    got = judge_review(d, s, top, fixed=k, holding=h, stockout=p, lead=lead)
    assert got.orders_per_review == pytest.approx(orders, abs=1e-9)
    assert got.on_shelf == pytest.approx(float(pi @ shelf), abs=1e-8)
    assert got.owed == pytest.approx(float(pi @ owed), abs=1e-8)
    assert got.cost == pytest.approx(k * orders + float(pi @ (h * shelf + p * owed)), rel=1e-8)
    served = 0.0
    for v, weight in zip(y, pi, strict=True):
        there = np.maximum(v - before, 0)
        served += weight * float(
            sum(lead.p[a] * d.p @ np.minimum(np.arange(d.p.size), there[a]) for a in before)
        )
    assert got.service.fill_rate == pytest.approx(served / d.mean, abs=1e-8)
    ready = sum(w * float(over.p[amount < v].sum()) for v, w in zip(y, pi, strict=True))
    none = sum(w * float(over.p[amount <= v].sum()) for v, w in zip(y, pi, strict=True))
    assert got.service.ready_rate == pytest.approx(ready, abs=1e-8)
    assert got.service.period_service == pytest.approx(none, abs=1e-8)


@settings(max_examples=40)
@given(weights, st.integers(0, 2), st.floats(0, 60), price, price)
def test_no_rule_is_cheaper(counts: list[int], periods: int, k: float, h: float, p: float) -> None:
    d = pmf_of(counts)
    lead = d.times(periods)
    numbers = {"fixed": k, "holding": h, "stockout": p}
    found = cheapest_review(d, **numbers, lead=lead)
    top = found.order_up_to
    for s in range(found.order_at - 4, found.order_at + 5):
        for other in range(max(s + 1, top - 8), top + 9):
            cost = judge_review(d, s, other, **numbers, lead=lead).cost
            assert cost >= found.cost * (1 - 1e-11)


@given(weights, price, price)
def test_without_a_cost_of_ordering_it_is_the_base_stock(
    counts: list[int], h: float, p: float
) -> None:
    d = pmf_of(counts)
    found = cheapest_review(d, fixed=0, holding=h, stockout=p)
    stock = newsvendor(d, h, p)
    assert found.cost == pytest.approx(stock.cost, rel=1e-11)
    assert found.order_up_to == stock.pieces


@settings(max_examples=30)
@given(
    weights,
    st.integers(0, 2),
    st.floats(0, 40),
    price,
    st.sampled_from([0.0, 20.0]),
    st.floats(0.5, 0.99),
    st.sampled_from(MEASURES),
)
def test_the_cheapest_rule_that_serves(
    counts: list[int],
    periods: int,
    k: float,
    h: float,
    p: float,
    asked: float,
    measure: ReviewMeasure,
) -> None:
    d = pmf_of(counts)
    lead = d.times(periods)
    numbers = {"fixed": k, "holding": h, "stockout": p}
    found = cheapest_review_for_service(d, **numbers, service=asked, measure=measure, lead=lead)
    assert found.service.of(measure) >= asked - 1e-9
    size = found.order_up_to - found.order_at
    for span in range(1, 2 * size + 12):
        for top in range(max(0, found.order_up_to - 6), found.order_up_to + 7):
            other = judge_review(d, top - span, top, **numbers, lead=lead)
            if other.service.of(measure) >= asked:
                assert other.cost >= found.cost * (1 - 1e-11)


def test_demand_in_pairs_and_demand_that_is_rare() -> None:
    pairs = Pmf(np.array([0.4, 0, 0.6]))
    found = cheapest_review(pairs, fixed=10, holding=1, stockout=5)
    assert found.cost <= min(
        judge_review(pairs, s, t, fixed=10, holding=1, stockout=5).cost
        for s in range(-8, 8)
        for t in range(s + 1, 24)
    ) * (1 + 1e-12)
    rare = Pmf(np.array([1 - 1e-9, 1e-9]))
    seldom = cheapest_review(rare, fixed=10, holding=1, stockout=5)
    # Keeping a piece costs more than owing one for good: nothing is ever worth ordering soon.
    assert seldom.order_up_to <= 0
    assert seldom.orders_per_review <= 1e-9


def test_demand_that_is_always_the_same() -> None:
    d = Pmf.fixed(3)
    found = cheapest_review(d, fixed=9, holding=1, stockout=50)
    # Orders every n periods for 3n pieces: 9/n + 3(n − 1)/2, least at n = 2 or 3.
    assert found.cost == pytest.approx(min(9 / n + 3 * (n - 1) / 2 for n in range(1, 9)))
    assert found.service.fill_rate == 1


@pytest.mark.parametrize(
    ("given", "place"),
    [
        ({"fixed": -1.0}, "fixed"),
        ({"holding": 0.0}, "holding"),
        ({"holding": math.nan}, "holding"),
        ({"stockout": 0.0}, "stockout"),
        ({"fixed": 1e308, "holding": 1e-300}, "fixed"),
    ],
)
def test_refusals_name_the_number(given: dict[str, float], place: str) -> None:
    numbers = {"fixed": 5.0, "holding": 1.0, "stockout": 9.0} | given
    with pytest.raises(StockError) as refused:
        cheapest_review(Pmf.poisson(2), **numbers, lead=None)
    assert refused.value.place == place
    assert refused.value.mend


def test_other_refusals() -> None:
    d, nothing = Pmf.poisson(2), Pmf.fixed(0)
    with pytest.raises(NoDemandError):
        cheapest_review(nothing, fixed=1, holding=1, stockout=1)
    with pytest.raises(NoDemandError):
        judge_review(nothing, 1, 2, fixed=1, holding=1)
    with pytest.raises(TooLargeError):
        cheapest_review(d, fixed=1, holding=1e-12, stockout=3)
    with pytest.raises(OutOfRangeError):
        judge_review(d, 3, 3, fixed=1, holding=1)
    with pytest.raises(OutOfRangeError):
        cheapest_review_for_service(d, fixed=1, holding=1, service=1)
