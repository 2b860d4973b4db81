"""(r, Q): against every other rule, plain sums, and rules played out."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.newsvendor import newsvendor
from pitwise.shelf.refusal import NoDemandError, OutOfRangeError, StockError, TooLargeError
from pitwise.shelf.reorder import (
    Measure,
    cheapest,
    cheapest_for_service,
    cheapest_point,
    judge,
    least_base_stock,
    least_reorder_point,
    service_of,
)

weights = st.lists(st.integers(0, 50), min_size=1, max_size=9).filter(any)
price = st.floats(0.1, 50)
MEASURES: tuple[Measure, ...] = ("fill", "ready", "cycle")


def pmf_of(counts: list[int]) -> Pmf:
    return Pmf(np.array(counts) / sum(counts))


def plain_cost(
    d: Pmf, rate: float, r: int, q: int, fixed: float, holding: float, stockout: float
) -> float:
    k = np.arange(d.p.size)
    total = fixed * rate
    for y in range(r + 1, r + q + 1):
        total += float((holding * np.maximum(y - k, 0) + stockout * np.maximum(k - y, 0)) @ d.p)
    return total / q


@given(weights, st.floats(0.1, 5), st.integers(-4, 12), st.integers(1, 9), price, price, price)
def test_the_cost_is_the_plain_sum(
    counts: list[int], rate: float, r: int, q: int, k: float, h: float, p: float
) -> None:
    d = pmf_of(counts)
    found = judge(d, rate, r, q, fixed=k, holding=h, stockout=p)
    assert found.cost == pytest.approx(plain_cost(d, rate, r, q, k, h, p), rel=1e-11)
    parts = found.ordering_cost + found.holding_cost + found.shortage_cost
    assert parts == pytest.approx(found.cost)
    # On the shelf less owed is the mean position less the demand of a lead time.
    assert found.on_shelf - found.owed == pytest.approx(r + (q + 1) / 2 - d.mean, abs=1e-9)
    assert found.base_stock == r + q


@settings(max_examples=40)
@given(weights, st.floats(0.1, 5), price, price, price, st.integers(1, 4), st.integers(0, 9))
def test_no_rule_in_packs_is_cheaper(
    counts: list[int], rate: float, k: float, h: float, p: float, pack: int, least: int
) -> None:
    d = pmf_of(counts)
    found = cheapest(d, rate, fixed=k, holding=h, stockout=p, pack=pack, least=least)
    assert found.order_size % pack == 0
    assert found.order_size >= least
    top = found.order_size * 2 + 12
    g = {y: plain_cost(d, 0, y - 1, 1, 0, h, p) for y in range(-top - 2, d.p.size + 2 * top + 2)}
    for q in range(pack * max(1, math.ceil(least / pack)), top + 1, pack):
        for r in range(-q - 1, d.p.size + 1):
            other = (k * rate + sum(g[y] for y in range(r + 1, r + q + 1))) / q
            assert other >= found.cost * (1 - 1e-11)


@given(weights, st.integers(-6, 14), st.integers(1, 9))
def test_service_from_its_definitions(counts: list[int], r: int, q: int) -> None:
    d = pmf_of(counts)
    got = service_of(d, r, q)
    k = np.arange(d.p.size)
    ready = np.mean([float(d.p[k < y].sum()) for y in range(r + 1, r + q + 1)])
    owed_more = float((np.maximum(k - r, 0) - np.maximum(k - r - q, 0)) @ d.p)
    assert got.ready_rate == pytest.approx(ready, abs=1e-12)
    assert got.fill_rate == pytest.approx(1 - owed_more / q, abs=1e-12)
    assert got.cycle_service == pytest.approx(float(d.p[k <= r].sum()), abs=1e-12)


def test_one_piece_at_a_time_is_the_plain_case() -> None:
    d = Pmf.poisson(3)
    one, plain = service_of(d, 3, 5, taken=Pmf.fixed(1)), service_of(d, 3, 5)
    for measure in MEASURES:
        assert one.of(measure) == pytest.approx(plain.of(measure))


@given(weights, st.integers(1, 9), st.floats(0.02, 0.999), st.sampled_from(MEASURES))
def test_the_least_point_serves_and_one_less_does_not(
    counts: list[int], q: int, asked: float, measure: Measure
) -> None:
    d = pmf_of(counts)
    r = least_reorder_point(d, q, asked, measure)
    assert service_of(d, r, q).of(measure) >= asked - 1e-9
    assert service_of(d, r - 1, q).of(measure) < asked


@settings(max_examples=30)
@given(
    st.floats(0.1, 8),
    st.floats(0.2, 3),
    st.floats(0, 60),
    price,
    st.sampled_from([0.0, 2.0, 40.0]),
    st.floats(0.5, 0.995),
    st.sampled_from(MEASURES),
    st.integers(1, 3),
)
def test_the_cheapest_rule_that_serves(
    mean: float,
    rate: float,
    k: float,
    h: float,
    p: float,
    asked: float,
    measure: Measure,
    pack: int,
) -> None:
    d = Pmf.poisson(mean)
    found = cheapest_for_service(
        d, rate, fixed=k, holding=h, stockout=p, service=asked, measure=measure, pack=pack
    )
    assert found.service.of(measure) >= asked - 1e-9
    assert found.order_size % pack == 0
    for q in range(pack, 3 * found.order_size + 20, pack):
        low = least_reorder_point(d, q, asked, measure)
        if p:
            low = max(low, cheapest_point(d, q, holding=h, stockout=p))
        for r in (low, low + 1, low + 3):
            other = judge(d, rate, r, q, fixed=k, holding=h, stockout=p)
            assert other.cost >= found.cost * (1 - 1e-11)


@pytest.mark.parametrize("stockout", [0.0, 3.0])
def test_large_orders_that_serve(stockout: float) -> None:
    d = Pmf.poisson(3)
    found = cheapest_for_service(
        d, 2.0, fixed=5000, holding=0.5, stockout=stockout, service=0.9, measure="ready"
    )
    assert found.order_size > 150
    for q in range(1, 700):
        r = least_reorder_point(d, q, 0.9, "ready")
        if stockout:
            r = max(r, cheapest_point(d, q, holding=0.5, stockout=stockout))
        other = judge(d, 2.0, r, q, fixed=5000, holding=0.5, stockout=stockout)
        assert other.cost >= found.cost * (1 - 1e-11)


@pytest.mark.parametrize("mean", [0.02, 0.4, 3.0])
def test_the_base_stock_of_a_slow_item(mean: float) -> None:
    for asked in (0.5, 0.9, 0.99):
        s = least_base_stock(Pmf.poisson(mean), asked)
        # Somebody is served at once if fewer than S were asked for in the lead time before.
        assert stats.poisson.cdf(s - 1, mean) >= asked
        assert stats.poisson.cdf(s - 2, mean) < asked


def test_a_floor_of_the_order_point() -> None:
    d = Pmf.poisson(0.05)
    free = cheapest_for_service(d, 0.5, fixed=90, holding=1, service=0.6)
    assert free.reorder_point < 0
    floored = cheapest_for_service(d, 0.5, fixed=90, holding=1, service=0.6, lowest_point=0)
    assert floored.reorder_point == 0
    assert floored.cost >= free.cost


@given(st.floats(0.1, 20), price, price)
def test_without_a_cost_of_ordering_it_is_the_base_stock(mean: float, h: float, p: float) -> None:
    d = Pmf.poisson(mean)
    found = cheapest(d, 1.0, fixed=0, holding=h, stockout=p)
    stock = newsvendor(d, h, p)
    assert found.order_size == 1
    assert found.base_stock == stock.pieces
    assert found.cost == pytest.approx(stock.cost)
    assert found.service.fill_rate == pytest.approx(
        float(stats.poisson.cdf(stock.pieces - 1, mean))
    )


def test_a_known_demand_needs_no_safety() -> None:
    # What is ordered is there at once: the order is placed when the first piece is owed.
    found = cheapest(Pmf.fixed(0), 10.0, fixed=20, holding=1, stockout=1e6)
    assert found.reorder_point == -1
    assert found.owed == pytest.approx(0, abs=1e-3)
    steady = cheapest(Pmf.fixed(7), 10.0, fixed=20, holding=1, stockout=1e6)
    assert steady.reorder_point - found.reorder_point == 7
    assert steady.order_size == found.order_size


@given(st.floats(0.2, 10), price, price, price, st.sampled_from([1e-9, 1e-3, 7.0, 1e9]))
def test_money_may_be_counted_in_any_unit(
    mean: float, k: float, h: float, p: float, unit: float
) -> None:
    d = Pmf.poisson(mean)
    one = cheapest(d, 1.0, fixed=k, holding=h, stockout=p)
    other = cheapest(d, 1.0, fixed=k * unit, holding=h * unit, stockout=p * unit)
    assert other.cost == pytest.approx(one.cost * unit, rel=1e-10)


@pytest.mark.parametrize(
    ("given", "place"),
    [
        ({"fixed": -1.0}, "fixed"),
        ({"holding": 0.0}, "holding"),
        ({"stockout": 0.0}, "stockout"),
        ({"stockout": math.nan}, "stockout"),
        ({"rate": -1.0}, "demand"),
        ({"pack": 0}, "pack"),
        ({"least": -1.0}, "least"),
        ({"fixed": 1e308, "rate": 1e10}, "fixed"),
    ],
)
def test_refusals_name_the_number(given: dict[str, float], place: str) -> None:
    numbers = {"rate": 1.0, "fixed": 5.0, "holding": 1.0, "stockout": 9.0, "least": 0.0} | given
    pack, rate = int(numbers.pop("pack", 1)), numbers.pop("rate")
    with pytest.raises(StockError) as refused:
        cheapest(Pmf.poisson(2), rate, **numbers, pack=pack)
    assert refused.value.place == place
    assert refused.value.mend


def test_other_refusals() -> None:
    d = Pmf.poisson(2)
    with pytest.raises(NoDemandError):
        cheapest(d, 0, fixed=1, holding=1, stockout=1)
    with pytest.raises(TooLargeError):
        cheapest(d, 1, fixed=1e15, holding=1e-9, stockout=1)
    with pytest.raises(TooLargeError):
        cheapest_for_service(d, 1, fixed=1e15, holding=1e-9, service=0.9)
    with pytest.raises(TooLargeError):
        cheapest(d, 1, fixed=1, holding=1, stockout=1, pack=10**9)
    for asked in (0.0, 1.0, 1.2, -0.5, math.nan):
        with pytest.raises(OutOfRangeError):
            least_reorder_point(d, 3, asked)
    with pytest.raises(OutOfRangeError):
        judge(d, 1, 3, 0, fixed=1, holding=1)
    with pytest.raises(OutOfRangeError):
        service_of(d, 1, 3, taken=Pmf(np.array([0.5, 0.5])))
