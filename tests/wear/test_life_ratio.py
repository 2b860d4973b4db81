"""How many times as long: held against lifelines' regression, and by what must hold."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pandas as pd
import pytest
from lifelines import WeibullAFTFitter
from scipy.optimize import minimize_scalar

from pitwise.wear.life.lives import Lives
from pitwise.wear.life.ratio import LifeRatio, _fall, _luck, life_ratio
from pitwise.wear.life.tell import TooFewToTell, joined
from pitwise.wear.life.weibull import fit_weibull


def drawn(seed: int, n: int, scale: float, shape: float, kind: str) -> Lives:
    """Draw lives, some still running; "looks": known to lie between looks every 90."""
    random = np.random.default_rng(seed)
    true = scale * random.weibull(shape, n)
    stop = random.uniform(0.5 * scale, 2.5 * scale, n)
    if kind == "exact":
        return Lives.of(np.minimum(true, stop), np.where(true <= stop, true, np.inf))
    lower = np.floor(np.minimum(true, stop) / 90) * 90
    upper = np.where(true <= stop, lower + 90, np.inf)
    kept = (lower > 0) | np.isfinite(upper)
    return Lives.of(lower[kept], upper[kept])


def told(one: Lives, other: Lives) -> LifeRatio:
    found = life_ratio(one, other)
    assert isinstance(found, LifeRatio)
    return found


@pytest.mark.parametrize("kind", ["exact", "looks"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_ratio_is_that_of_the_reference(kind: str, seed: int) -> None:
    """lifelines 0.30's Weibull regression of log life on a two-valued variable."""
    one, other = drawn(seed, 25, 300, 2.2, kind), drawn(seed + 50, 40, 520, 2.2, kind)
    table = pd.DataFrame(
        {
            "lower": np.concatenate([one.lower, other.lower]),
            "upper": np.concatenate([one.upper, other.upper]),
            "one": [1.0] * one.lower.size + [0.0] * other.lower.size,
        }
    )
    # Its start divides by a life of 0 where a part was found failed at its first look.
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        peer = WeibullAFTFitter().fit_interval_censoring(table, "lower", "upper")
    ours = told(one, other)
    assert ours.loglik >= peer.log_likelihood_ - 1e-8 * abs(peer.log_likelihood_)
    assert math.log(ours.ratio) == pytest.approx(float(peer.params_[("lambda_", "one")]), abs=2e-3)
    assert ours.shape == pytest.approx(
        math.exp(float(peer.params_[("rho_", "Intercept")])), rel=5e-3
    )
    # Its range is by curvature, ours by the likelihood: near, not equal.
    half = 1.96 * float(peer.standard_errors_[("lambda_", "one")])
    assert math.log(ours.range.high / ours.range.low) == pytest.approx(2 * half, rel=0.15)


def test_the_other_way_round_it_is_the_inverse() -> None:
    one, other = drawn(5, 20, 300, 2.0, "looks"), drawn(6, 30, 500, 2.0, "looks")
    a, b = told(one, other), told(other, one)
    assert a.ratio * b.ratio == pytest.approx(1, rel=1e-4)
    assert a.range.low * b.range.high == pytest.approx(1, rel=1e-4)
    assert a.test.p == pytest.approx(b.test.p, rel=1e-4)


def test_the_unit_does_not_matter() -> None:
    one, other = drawn(7, 20, 300, 2.0, "exact"), drawn(8, 30, 500, 2.0, "exact")
    a = told(one, other)
    b = told(*(Lives.of(1e6 * x.lower, 1e6 * x.upper) for x in (one, other)))
    assert b.ratio == pytest.approx(a.ratio, rel=1e-5)
    assert b.test.chi2 == pytest.approx(a.test.chi2, rel=1e-6)


def test_a_lot_found_failed_at_every_first_look_is_worse_without_a_lower_bound() -> None:
    bad = Lives.of([0.0] * 7, [180, 200, 150, 190, 220, 170, 160])
    ours = told(bad, drawn(9, 40, 520, 2.2, "looks"))
    assert ours.range.low == 0
    assert ours.range.high < 1
    assert ours.test.p < 0.01


def test_a_lot_of_which_none_ended_is_better_without_an_upper_bound() -> None:
    good = Lives.of([900.0] * 8, [math.inf] * 8)
    ours = told(good, drawn(9, 40, 520, 2.2, "looks"))
    assert math.isinf(ours.range.high)
    assert ours.range.low > 1
    assert ours.test.p < 0.01


def test_its_range_holds_the_truth_as_often_as_said() -> None:
    """40 small pairs of a true ratio of 0.6; standard error of the share 0.034."""
    held = 0
    for seed in range(40):
        one = drawn(1000 + seed, 12, 300, 2.2, "looks")
        other = drawn(2000 + seed, 25, 500, 2.2, "looks")
        ours = told(one, other)
        held += ours.range.low <= 0.6 <= ours.range.high
    assert abs(held / 40 - 0.95) < 3 * 0.034


@pytest.mark.parametrize("ends", [5, 15])
def test_few_ends_a_group_hold_the_truth_as_often_as_said(ends: int) -> None:
    """χ² held it in 90 of 100 at 5 ends a group, where 95 were said.

    What the range holds is asked of the fall itself, without searching for its ends.
    """
    random = np.random.default_rng(ends)
    sets = 400
    inside = {0.9: 0, 0.95: 0}
    for _ in range(sets):
        # Of one shape any scale and shape give the same fall: exact ends, and none running.
        one, other = (Lives.of(t, t) for t in random.weibull(2.0, (2, ends)))
        both = joined([other, one])
        top = -minimize_scalar(
            lambda x, one=one, other=other: -height(one, other, x),
            bounds=(-3, 3),
            method="bounded",
        ).fun
        fall = 2 * (top - fit_weibull(both).loglik)
        for level in inside:
            inside[level] += fall < _fall(both.ends, level)
    for level, held in inside.items():
        # Three standard errors, and a point for what a Weibull is not a normal.
        error = math.sqrt(level * (1 - level) / sets)
        assert abs(held / sets - level) < 3 * error + 0.01


def height(one: Lives, other: Lives, log_ratio: float) -> float:
    by = math.exp(log_ratio)
    scaled = Lives.of(one.lower / by, one.upper / by)
    return fit_weibull(joined([other, scaled])).loglik - one.lower.size * log_ratio


def test_the_range_and_the_chance_of_luck_go_by_one_law() -> None:
    """At the fall that a 95 % range stops at, luck is 5 %; with many ends it is χ²'s."""
    for ends in (3.0, 10.0, 24.5, 400.0):
        for level in (0.8, 0.95, 0.999):
            assert _luck(ends, _fall(ends, level)) == pytest.approx(1 - level, rel=1e-9)
    assert _fall(1e7, 0.95) == pytest.approx(3.841458821, abs=1e-5)
    # Student's t of 8 degrees of freedom at 95 %, from any table: 2.306.
    assert _fall(10, 0.95) == pytest.approx(10 * math.log(1 + 2.306**2 / 8), abs=1e-3)
    assert _luck(5.0, 1e6) == pytest.approx(0, abs=1e-12)


def test_too_few_say_so() -> None:
    one, other = Lives.of([100.0, 80], [100.0, math.inf]), Lives.of([90.0], [math.inf])
    found = life_ratio(one, other)
    assert isinstance(found, TooFewToTell)
    assert found.ends == 1
    assert found.mend
