"""Ranges of sums of losses: against the law of combined uncertainty, and by simulated shops.

JCGM 100:2008 (GUM): 5.1.2 for independent inputs, 5.2.2 note 1 for a correlation of 1.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from test_unused import life

from pitwise.services.amounts import Amount, Doubt, add, in_currency
from pitwise.services.unused import Left, electrode_left, part_left
from pitwise.services.wear_book import FitInForce
from pitwise.trade import base_sheet
from pitwise.wear.fit import fit_wear
from pitwise.wear.history import History, Step
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.weibull import WeibullFit, fit_weibull
from pitwise.wear.prior import GrowthPrior

Z = 1.6449


def normal(value: float, own: float = 0.0, **shared: float) -> Amount:
    """An estimate of normal doubt."""
    doubt = Doubt(own**2, 0.0, tuple(shared.items()))
    wide = Z * math.sqrt(doubt.variance)
    return Amount("EUR", value, value - wide, value + wide, doubt)


def half(amount: Amount) -> float:
    return (amount.high - amount.low) / 2 / Z


def test_independent_doubts_add_as_squares() -> None:
    (found,) = add([normal(100, 3), normal(50, 4)])
    assert half(found) == pytest.approx(5)
    assert found.value == 150
    (many,) = add([normal(10, 2)] * 100)
    assert half(many) == pytest.approx(20)


def test_doubts_of_one_source_add_end_to_end_and_may_cancel() -> None:
    (found,) = add([normal(100, life=3), normal(50, life=4)])
    assert half(found) == pytest.approx(7)
    (less,) = add([normal(100, life=3), normal(50, life=-4)])
    assert half(less) == pytest.approx(1)
    (apart,) = add([normal(100, life=3), normal(50, other=4)])
    assert half(apart) == pytest.approx(5)
    # JCGM 100, 5.2.2, its example: ten resistors of 1 kΩ, u = 100 mΩ each, all calibrated
    # against one standard: u of the ten in series is 1 Ω, where independent ones have 0.32 Ω.
    (ten,) = add([normal(1000, standard=0.1)] * 10)
    assert half(ten) == pytest.approx(1.0)
    (ten,) = add([normal(1000, 0.1)] * 10)
    assert half(ten) == pytest.approx(0.32, abs=0.005)


def test_sums_of_sums_are_the_sum_of_all() -> None:
    rows = [normal(10 * k, 1.0 + k, life=0.5 * k, wear=1.0) for k in range(1, 7)]
    (whole,) = add(rows)
    (parted,) = add([*add(rows[:2]), *add(rows[2:])])
    assert [parted.low, parted.high] == pytest.approx([whole.low, whole.high])
    assert add(rows) == add(rows[::-1])
    # Sure amounts move it, and no more.
    (moved,) = add([*rows, Amount.sure("EUR", 500.0)])
    assert [moved.low, moved.high] == pytest.approx([whole.low + 500, whole.high + 500])


def test_one_estimate_keeps_its_range_and_an_untold_doubt_adds_end_to_end() -> None:
    one = Amount("EUR", 60, 5, 70, Doubt(400, -9000))
    (found,) = add([one, Amount.sure("EUR", 1000), Amount.sure("SEK", 1)])[:1]
    assert (found.low, found.high) == (1005, 1070)
    (wide,) = add([one, Amount("EUR", 10, 8, 13)])
    assert (wide.low, wide.high) == (13, 83)
    assert wide.doubt is None


@pytest.mark.parametrize("parts", [2, 5, 20, 100])
def test_sums_of_skewed_shares_hold_the_truth_as_often_as_said(parts: int) -> None:
    """Beta(0.7, 2) shares of a price, with a tenth of their spread shared by all."""
    rng = np.random.default_rng(parts)
    sets = 4000
    a, b = 0.7, 2.0
    mean = a / (a + b)
    # Variance and skewness of a beta distribution (any handbook of distributions).
    var = a * b / ((a + b) ** 2 * (a + b + 1))
    skew = 2 * (b - a) * math.sqrt(a + b + 1) / ((a + b + 2) * math.sqrt(a * b)) * var**1.5
    price = rng.uniform(20, 120, parts)
    shared = 0.1 * math.sqrt(var)
    low, high = np.quantile(rng.beta(a, b, 100_000), [0.05, 0.95])
    one = [
        Amount("EUR", p * mean, p * low, p * high, Doubt(var, skew, (("fit", shared),)).times(p))
        for p in price
    ]
    (found,) = add(one)
    true = rng.beta(a, b, (sets, parts)) @ price + rng.normal(0, shared, sets) * price.sum()
    held = np.mean((true >= found.low) & (true <= found.high))
    error = math.sqrt(0.9 * 0.1 / sets)
    # Half a point, and two for sums of two, for what mean, variance and skewness do not tell.
    assert abs(held - 0.9) < 3 * error + (0.02 if parts < 5 else 0.005)
    ends = sum(x.high for x in one) - sum(x.low for x in one)
    assert found.high - found.low < ends


def money(left: Left, price: float = 100.0) -> Amount:
    low, high = left.low, left.high
    assert low is not None
    assert high is not None
    return Amount("EUR", price * left.value, price * low, price * high, left.doubt.times(price))


@pytest.mark.parametrize(("known", "parts"), [(12, 1), (12, 10), (12, 40), (60, 40)])
def test_shops_whose_usual_life_is_fitted_hold_the_truth_as_often_as_said(
    known: int, parts: int
) -> None:
    """What parts changed while good would still have given, by lives the shop does not know.

    Each shop fits its type's life to a few, then changes others early; the truth is one draw of
    what each would have run on. Standard error of the share held: 1.5 to
    2.7 points.
    """
    rng = np.random.default_rng(100 * known + parts)
    shops, inside, alone = (400 if parts <= 10 else 120), 0, 0
    for _ in range(shops):
        shape, scale = math.exp(rng.normal(0.8, 0.2)), 400.0
        lives = scale * rng.weibull(shape, known)
        fit = fit_weibull(Lives.of(lives, lives))
        used = np.maximum(np.round(scale * rng.uniform(0.2, 0.9, parts)), 1)
        ran = scale * ((used / scale) ** shape + rng.exponential(size=parts)) ** (1 / shape)
        true = 100 * float((1 - used / ran).sum())
        told = _told(fit, used)
        found = in_currency(add(told), "EUR")
        inside += found.low <= true <= found.high
        alone += sum(a.low for a in told) <= true <= sum(a.high for a in told)
    error = math.sqrt(0.9 * 0.1 / shops)
    assert abs(inside / shops - 0.9) < 3 * error + 0.02
    if parts > 1:
        # End to end they would nearly always hold, and say little.
        assert alone / shops > 0.96


@pytest.mark.parametrize("read", [True, False])
def test_what_electrodes_share_is_how_they_wear_and_the_rest_is_their_own(read: bool) -> None:
    """A pit that was read is known by its own reading; one that was not, by how others wear."""
    prior = GrowthPrior.of(base_sheet())
    known = [
        History(str(k), (Step(400.0, 200.0, 0.4 + 0.02 * k, "300 A", 0.01),), "replaced")
        for k in range(6)
    ]
    force = FitInForce(None, fit_wear(known, prior), {h.name: 1 for h in known})
    found = electrode_left(force, known[0] if read else None, "300 A", 400.0, 200.0, 1.0)
    assert isinstance(found, Left)
    ((source, shared),) = found.doubt.shared
    assert "wear" in source
    # Deeper than thought for one is deeper for all.
    assert shared < 0
    assert found.doubt.own > 0
    one = money(found)
    assert half(one) == pytest.approx(math.sqrt(one.doubt.variance if one.doubt else 0), rel=0.2)
    (two,) = add([one, one])
    assert math.sqrt(2) * 0.95 < half(two) / half(one) <= 2
    part = shared**2 / found.doubt.variance
    assert part < 0.2 if read else part > 0.05


def _told(fit: WeibullFit, used: np.ndarray) -> list[Amount]:
    found = []
    for k, starts in enumerate(used):
        left = part_left(fit, life(int(starts), "changed", item=k))
        assert isinstance(left, Left)
        found.append(money(left))
    return found
