"""Order sizes for a steady demand: the least of all that are allowed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.shelf.eoq import economic_order, flat_range, order_cost
from pitwise.shelf.refusal import NoDemandError, OutOfRangeError, StockError

costs = st.floats(1e-3, 1e4)


@given(costs, costs, costs)
def test_no_other_size_is_cheaper(fixed: float, holding: float, demand: float) -> None:
    found = economic_order(fixed, holding, demand)
    assert found.cost == pytest.approx(found.free_cost, rel=1e-12)
    assert found.bound == "none"
    for factor in (0.3, 0.9, 0.999, 1.001, 1.2, 5):
        assert order_cost(found.pieces * factor, fixed, holding, demand) > found.cost
    assert found.every == pytest.approx(found.pieces / demand)


@given(costs, costs, costs, st.integers(1, 40), st.floats(0, 300))
def test_packs_and_least_order_against_every_allowed_size(
    fixed: float, holding: float, demand: float, pack: int, least: float
) -> None:
    found = economic_order(fixed, holding, demand, pack=pack, least=least)
    assert found.pieces % pack == 0
    assert found.pieces >= least
    n = np.arange(1, int(max(found.free_pieces, least) / pack) + 4) * pack
    allowed = n[n >= least]
    every = [order_cost(float(q), fixed, holding, demand) for q in allowed]
    assert found.cost <= min(every) * (1 + 1e-12)
    assert found.cost >= found.free_cost * (1 - 1e-12)


def test_what_binds() -> None:
    assert economic_order(8, 0.225, 1300, least=400).bound == "least"
    assert economic_order(8, 0.225, 1300, least=400).pieces == 400
    assert economic_order(8, 0.225, 1300, least=300).bound == "none"
    packed = economic_order(8, 0.225, 1300, pack=50)
    assert (packed.pieces, packed.bound) == (300, "pack")
    both = economic_order(8, 0.225, 1300, pack=50, least=310)
    assert (both.pieces, both.bound) == (350, "least")
    assert economic_order(0, 1, 10, pack=6).pieces == 6


@given(costs, costs, costs, st.sampled_from([1e-9, 1e-3, 7.0, 1e12]))
def test_money_may_be_counted_in_any_unit(k: float, h: float, d: float, unit: float) -> None:
    one, other = economic_order(k, h, d), economic_order(k * unit, h * unit, d)
    assert other.pieces == pytest.approx(one.pieces, rel=1e-12)
    assert other.cost == pytest.approx(one.cost * unit, rel=1e-12)


def test_the_flat_range_costs_what_it_says() -> None:
    free = economic_order(8, 0.225, 1300)
    for end in flat_range(free.free_pieces, 0.01):
        assert order_cost(end, 8, 0.225, 1300) == pytest.approx(1.01 * free.free_cost, rel=1e-12)


def test_numbers_whose_product_is_beyond_doubles() -> None:
    assert economic_order(1e200, 1e200, 1e200).pieces == pytest.approx(math.sqrt(2) * 1e100)


@pytest.mark.parametrize(
    ("given", "place"),
    [
        ({"fixed": -1}, "fixed"),
        ({"fixed": math.nan}, "fixed"),
        ({"fixed": 0}, "fixed"),
        ({"holding": 0}, "holding"),
        ({"holding": math.inf}, "holding"),
        ({"demand": -2}, "demand"),
        ({"pack": 0}, "pack"),
        ({"least": -1}, "least"),
        ({"fixed": 1e308, "demand": 1e308, "holding": 1e308}, "fixed"),
    ],
)
def test_refusals_name_the_number(given: dict[str, float], place: str) -> None:
    numbers = {"fixed": 8.0, "holding": 0.2, "demand": 10.0} | given
    pack = numbers.pop("pack", None)
    with pytest.raises(OutOfRangeError) as refused:
        economic_order(**numbers, pack=None if pack is None else int(pack))
    assert refused.value.place == place
    assert isinstance(refused.value, StockError)


def test_no_demand_is_its_own_refusal() -> None:
    with pytest.raises(NoDemandError):
        economic_order(1, 1, 0)
