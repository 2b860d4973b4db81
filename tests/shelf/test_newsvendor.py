"""Stock that is filled once: against every other stock, and quadrature."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.newsvendor import newsvendor, newsvendor_normal, stock_for_service
from pitwise.shelf.refusal import OutOfRangeError

price = st.floats(0.01, 1e3)
weights = st.lists(st.integers(0, 50), min_size=1, max_size=15).filter(any)


@given(weights, price, price)
def test_no_other_stock_is_cheaper_and_none_smaller_as_cheap(
    counts: list[int], holding: float, stockout: float
) -> None:
    d = Pmf(np.array(counts) / sum(counts))
    found = newsvendor(d, holding, stockout)
    k = np.arange(d.p.size)
    every = [
        holding * float(np.maximum(s - k, 0) @ d.p) + stockout * float(np.maximum(k - s, 0) @ d.p)
        for s in range(d.p.size + 2)
    ]
    assert found.cost == pytest.approx(min(every), rel=1e-11, abs=1e-12)
    assert found.pieces == int(
        np.flatnonzero(np.array(every) <= min(every) * (1 + 1e-13) + 1e-13)[0]
    )
    judged = newsvendor(d, holding, stockout, stock=3)
    assert judged.cost == pytest.approx(
        holding * float(np.maximum(3 - k, 0) @ d.p) + stockout * float(np.maximum(k - 3, 0) @ d.p)
    )
    assert judged.cycle_service == pytest.approx(float(d.p[:4].sum()))
    if d.mean:
        assert judged.fill_rate == pytest.approx(float(np.minimum(k, 3) @ d.p) / d.mean)


@given(weights, st.floats(0.01, 0.999), st.sampled_from(["fill", "cycle"]))
def test_the_least_stock_that_serves(
    counts: list[int], asked: float, measure: Literal["fill", "cycle"]
) -> None:
    d = Pmf(np.array(counts) / sum(counts))
    least = stock_for_service(d, asked, measure)

    def reached(stock: int) -> float:
        found = newsvendor(d, 1, 1, stock=stock)
        return found.fill_rate if measure == "fill" else found.cycle_service

    assert reached(least) >= asked - 1e-9
    assert least == 0 or reached(least - 1) < asked


@pytest.mark.parametrize("z", [-6, -2, 0, 0.7, 3, 4.99, 5.01, 9, 20])
def test_the_normal_loss_against_quadrature(z: float) -> None:
    got = newsvendor_normal(50, 8, 1, 3, stock=50 + 8 * z)
    width = 1 / max(z, 1.0)
    short, _ = integrate.quad(
        lambda u: u * width * math.exp(-((u * width) ** 2) / 2 - z * u * width), 0, 60, epsrel=1e-12
    )
    if z > 0:
        factor = stats.norm.pdf(z) * width
        assert got.short == pytest.approx(8 * short * factor, rel=1e-9)
    # E(S − D)⁺ − E(D − S)⁺ = S − μ.
    assert got.left - got.short == pytest.approx(8 * z, rel=1e-12, abs=1e-12)
    assert got.cost == pytest.approx(got.left + 3 * got.short)


@given(st.floats(0.1, 1e4), st.floats(0.01, 1e3), price, price)
def test_the_normal_optimum_is_flat_and_matches_its_formula(
    mean: float, sd: float, h: float, p: float
) -> None:
    found = newsvendor_normal(mean, sd, h, p)
    z = stats.norm.ppf(p / (h + p))
    assert found.cost == pytest.approx((h + p) * stats.norm.pdf(z) * sd, rel=1e-9)
    for step in (-0.01 * sd, 0.01 * sd):
        assert newsvendor_normal(mean, sd, h, p, stock=found.pieces + step).cost >= found.cost
    assert found.cycle_service == pytest.approx(found.critical_ratio, rel=1e-9)


def test_ratios_close_to_one_are_not_rounded() -> None:
    h = 1e-13
    found = newsvendor_normal(50, 8, h, 1)
    assert (found.pieces - 50) / 8 == pytest.approx(-stats.norm.ppf(h / (1 + h)), rel=1e-12)
    d = Pmf.poisson(6)
    assert newsvendor(d, h, 1).pieces == stats.poisson.isf(h / (1 + h), 6)


def test_demand_that_is_known() -> None:
    found = newsvendor_normal(50, 0, 1, 3)
    assert (found.pieces, found.cost, found.fill_rate) == (50, 0, 1)
    assert newsvendor_normal(50, 0, 1, 3, stock=40).cost == 30
    assert newsvendor_normal(50, 0, 1, 3, stock=60).cost == 10
    none = newsvendor(Pmf.fixed(0), 1, 5)
    assert (none.pieces, none.cost, none.fill_rate) == (0, 0, 1)


def test_a_normal_demand_that_would_be_below_zero_is_told() -> None:
    assert newsvendor_normal(2, 4, 1, 3).below_zero == pytest.approx(stats.norm.cdf(-0.5))


@pytest.mark.parametrize(
    ("given", "place"),
    [
        ({"holding": 0.0}, "holding"),
        ({"stockout": 0.0}, "stockout"),
        ({"stockout": math.inf}, "stockout"),
        ({"mean": 0.0}, "mean"),
        ({"sd": -1.0}, "sd"),
        ({"stock": math.nan}, "stock"),
        ({"stockout": 1e308, "stock": -1e10}, "stockout"),
    ],
)
def test_refusals(given: dict[str, float], place: str) -> None:
    numbers = {"mean": 50.0, "sd": 8.0, "holding": 1.0, "stockout": 3.0} | given
    with pytest.raises(OutOfRangeError) as refused:
        newsvendor_normal(**numbers)
    assert refused.value.place == place
    with pytest.raises(OutOfRangeError):
        newsvendor(Pmf.poisson(3), 1, 1, stock=-1)
