"""The best age to change at: what holds of any life and any costs."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import cast

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.wear.replacement.age import (
    FLAT,
    BadCostsError,
    FittedLife,
    age_cost_rate,
    best_age,
    best_age_of,
)

shapes = st.floats(0.2, 60.0)
scales = st.floats(-12.0, 12.0).map(lambda e: 10.0**e)
costs = st.floats(0.01, 1000.0)


@given(shape=shapes, scale=scales, planned=costs, lost=costs)
def test_no_age_is_cheaper_than_the_best(
    shape: float, scale: float, planned: float, lost: float
) -> None:
    found = best_age(shape, scale, planned, lost)
    ages = scale * np.append(np.geomspace(1e-3, 5.0, 60), np.inf)
    rates = age_cost_rate(ages, shape, scale, planned, lost)
    assert rates.min() >= found.cost_rate * (1 - 1e-9)
    assert float(age_cost_rate(found.age, shape, scale, planned, lost)) == pytest.approx(
        found.cost_rate, rel=1e-9
    )
    assert found.flat_from <= found.age <= found.flat_to
    assert 0 <= found.saving_share < 1
    assert bool(found.reason) == math.isinf(found.age)


@given(shape=st.floats(1.1, 20.0), scale=scales, planned=costs, more=st.floats(1.1, 100.0))
def test_scale_and_money_only_change_the_units(
    shape: float, scale: float, planned: float, more: float
) -> None:
    one = best_age(shape, 1.0, 1.0, more)
    other = best_age(shape, scale, planned, planned * more)
    if math.isinf(one.age):
        assert math.isinf(other.age)
        return
    # v is found to 1e-12 or so; near shape 1 the age moves a good deal with it.
    assert other.age == pytest.approx(scale * one.age, rel=1e-8)
    assert other.cost_rate == pytest.approx(planned / scale * one.cost_rate, rel=1e-9)


@pytest.mark.parametrize(
    ("shape", "lost", "word"),
    [(0.8, 5.0, "shape 1"), (3.0, 1.0, "no more"), (1.001, 1.1, "slowly")],
)
def test_never_says_why(shape: float, lost: float, word: str) -> None:
    found = best_age(shape, 100.0, 1.0, lost)
    assert math.isinf(found.age)
    assert math.isinf(found.flat_to)
    assert found.cost_rate == found.run_to_loss_rate
    assert found.saving_share == 0
    assert word in found.reason


def test_the_dearer_a_loss_the_earlier_the_change() -> None:
    ages = [best_age(2.5, 1000.0, 1.0, lost).age for lost in (1.5, 2, 5, 20, 100, 1e6)]
    assert ages == sorted(ages, reverse=True)
    assert ages[-1] > 0


def test_the_flat_part_costs_as_much_more_as_it_says() -> None:
    found = best_age(2.5, 1000.0, 1.0, 5.0)
    edges = age_cost_rate([found.flat_from, found.flat_to], 2.5, 1000.0, 1.0, 5.0)
    assert edges / found.cost_rate == pytest.approx([1 + FLAT] * 2, rel=1e-6)


@pytest.mark.parametrize(
    "given_",
    [(0.0, 1, 1, 2), (2, -1, 1, 2), (2, 1, 0, 2), (2, 1, 1, math.nan), (math.inf, 1, 1, 2)],
)
def test_what_cannot_be_is_refused(given_: tuple[float, float, float, float]) -> None:
    with pytest.raises(BadCostsError, match="above 0"):
        best_age(*given_)


def test_no_age_below_zero() -> None:
    with pytest.raises(BadCostsError, match="0 or more"):
        age_cost_rate(-1.0, 2.0, 1.0, 1.0, 2.0)
    assert np.isinf(age_cost_rate(0.0, 2.0, 1.0, 1.0, 2.0))


def fitted(shape: float, scale: float, sd: float) -> FittedLife:
    return cast(FittedLife, SimpleNamespace(shape=shape, scale=scale, covariance=np.eye(2) * sd**2))


def test_the_range_shrinks_to_nothing_without_doubt_and_holds_the_best() -> None:
    sure = best_age_of(fitted(2.5, 1000.0, 1e-7), 1.0, 5.0, draws_seed=1)
    assert sure.age_low == pytest.approx(sure.age_high, rel=1e-5)
    vague = best_age_of(fitted(2.5, 1000.0, 0.2), 1.0, 5.0, draws_seed=1)
    assert vague.age_low < vague.best.age < vague.age_high
    assert vague.rate_low < vague.best.cost_rate < vague.rate_high
    assert vague == best_age_of(fitted(2.5, 1000.0, 0.2), 1.0, 5.0, draws_seed=1)


def test_a_shape_near_one_may_mean_never() -> None:
    found = best_age_of(fitted(1.3, 1000.0, 0.3), 1.0, 5.0, draws_seed=1)
    assert math.isfinite(found.best.age)
    assert math.isinf(found.age_high)
    assert 0.05 < found.never_chance < 0.5
    assert found.saving_low < 0.0 < found.saving_high


def test_a_hundred_lives_cost_within_two_percent_of_the_best() -> None:
    """Fit 100 lives censored as a shop's are, change at the age found, reckon the true cost."""
    random = np.random.default_rng(20)
    shape, scale, planned, lost = 2.5, 1000.0, 1.0, 5.0
    least = best_age(shape, scale, planned, lost).cost_rate
    excess = []
    for _ in range(200):
        life = scale * random.weibull(shape, 100)
        stop = scale * random.uniform(0.3, 1.5, 100)
        at, ended = np.minimum(life, stop), life <= stop
        found = best_age(*by_likelihood(at, ended), planned, lost)
        excess.append(float(age_cost_rate(found.age, shape, scale, planned, lost)) / least - 1)
    mean, se = float(np.mean(excess)), float(np.std(excess) / math.sqrt(len(excess)))
    print(f"cost above the least: {mean:.4f}, standard error {se:.4f}")
    assert 0 <= mean + 3 * se < 0.02
    assert np.quantile(excess, 0.95) < 0.05


def by_likelihood(at: np.ndarray, ended: np.ndarray) -> tuple[float, float]:
    """Shape and scale of right-censored Weibull lives, by bisection of the profile score."""
    logs, deaths = np.log(at), float(ended.sum())

    def score(shape: float) -> float:
        powered = at**shape
        return float(1 / shape + logs[ended].sum() / deaths - (powered @ logs) / powered.sum())

    low, high = 0.05, 50.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if score(middle) > 0 else (low, middle)
    return low, float((np.sum(at**low) / deaths) ** (1 / low))


@pytest.mark.parametrize(
    "figures",
    [(1e308, 1e3, 1, 5), (1e-3, 1e3, 1, 5), (2.5, 1e-300, 1, 5), (2.5, 1e3, 1e300, 5)],
)
def test_figures_that_are_slips_are_refused(figures: tuple[float, float, float, float]) -> None:
    with pytest.raises(BadCostsError, match="can't be reckoned with"):
        best_age(*figures)


def test_costs_far_apart_leave_a_rate_above_nothing() -> None:
    found = best_age(2.5, 1000.0, 1e30, 5.0)
    assert math.isinf(found.age)
    # Run to loss: a loss for each mean life.
    mean = 1000 * math.gamma(1 + 1 / 2.5)
    assert found.run_to_loss_rate == pytest.approx(5 / mean)
    assert found.saving_share == 0
