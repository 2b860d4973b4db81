"""Before and after: exact intervals against scipy, verdicts by their rules, honest coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from pitwise.causes.cure import (
    VERDICT_WORDS,
    Side,
    compare_changes,
    compare_rates,
    rate_ratio_interval,
)


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 40), st.integers(0, 40), st.floats(10, 1e5), st.floats(10, 1e5))
def test_the_interval_is_scipys_exact_binomial(k0: int, k1: int, t0: float, t1: float) -> None:
    low, high = rate_ratio_interval(Side(k0, t0), Side(k1, t1))
    if k0 + k1 == 0:
        assert (low, high) == (0.0, math.inf)
        return
    ci = stats.binomtest(k1, k0 + k1).proportion_ci(0.90, "exact")
    wanted = [p / (1 - p) * t0 / t1 if p < 1 else math.inf for p in (ci.low, ci.high)]
    assert (low, high) == pytest.approx(tuple(wanted), rel=1e-9)


def test_welch_interval_is_scipys() -> None:
    before, after = [0.31, 0.42, 0.37, 0.5], [0.2, 0.24, 0.15]
    got = compare_rates(before, after)
    test = stats.ttest_ind(np.log(after), np.log(before), equal_var=False)
    ci = test.confidence_interval(0.90)
    assert (got.low, got.high) == pytest.approx((math.exp(ci.low), math.exp(ci.high)), rel=1e-9)
    assert got.ratio == pytest.approx(stats.gmean(after) / stats.gmean(before))
    assert got.verdict == "better"


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        (Side(20, 10_000), Side(2, 10_000), "better"),
        (Side(4, 10_000), Side(20, 10_000), "worse"),
        (Side(40, 20_000), Side(40, 20_000), "no-difference"),
        (Side(5, 2_000), Side(3, 2_000), "too-early"),
        (Side(30, 10_000), Side(1, 10_000), "better"),
        (Side(30, 10_000), Side(0, 90_000), "better"),
        (Side(10, 3_000), Side(0, 20_000), "better"),
        (Side(10, 3_000), Side(1, 20_000), "better"),
        (Side(40, 10_000), Side(0, 400), "too-early"),
        (Side(0, 10_000), Side(1, 100), "too-early"),
        (Side(9, 3_000), Side(6, 3_200), "too-early"),
        (Side(16, 9_000), Side(16, 7_000), "too-early"),
        (Side(0, 10_000), Side(3, 100), "worse"),
        (Side(0, 0), Side(0, 0), "too-early"),
        (Side(5, 100), Side(0, 0), "too-early"),
    ],
)
def test_verdicts_on_changes(before: Side, after: Side, verdict: str) -> None:
    got = compare_changes(before, after)
    assert got.verdict == verdict
    assert got.why.endswith(".")
    assert got.verdict in VERDICT_WORDS


@pytest.mark.parametrize(
    ("before", "after", "verdict"),
    [
        ([0.3, 0.31, 0.29], [0.6, 0.61, 0.62], "worse"),
        ([0.3, 0.31, 0.29], [0.1], "too-early"),
        ([0.3], [0.1, 0.11, 0.1], "too-early"),
        ([], [], "too-early"),
        ([0.3, 0.3], [0.1, 0.1], "too-early"),
        ([0.2, 0.9, 0.4], [0.3, 0.8], "too-early"),
        ([0.3, 0.32, 0.28, 0.31, 0.3], [0.31, 0.3, 0.29, 0.3], "no-difference"),
    ],
)
def test_verdicts_on_wear_rates(before: list[float], after: list[float], verdict: str) -> None:
    assert compare_rates(before, after).verdict == verdict


@settings(max_examples=60, deadline=None)
@given(
    st.integers(0, 30),
    st.integers(0, 30),
    st.floats(10, 1e5),
    st.floats(10, 1e5),
)
def test_more_changes_after_never_look_better(k0: int, k1: int, t0: float, t1: float) -> None:
    one = rate_ratio_interval(Side(k0, t0), Side(k1, t1))
    two = rate_ratio_interval(Side(k0, t0), Side(k1 + 1, t1))
    assert two[0] >= one[0]
    assert two[1] >= one[1]


@pytest.mark.parametrize("shape", [1.0, 2.5])
def test_change_intervals_cover(shape: float) -> None:
    """Sets of one torch one after the other, the cure after a fixed number of starts.

    The set running at the end counts as exposure alone. Exponential lives (shape 1) are the
    model; real ones scatter less (shape 2.5), which the interval must cover too.
    """
    rng = np.random.default_rng(20261)
    covered = 0
    runs = 600
    scale = 400.0 / math.gamma(1 + 1 / shape)
    for _ in range(runs):
        sides = []
        for factor, window in ((1.0, 4000.0), (1.6, 3000.0)):
            ends = np.cumsum(factor * scale * rng.weibull(shape, 80))
            sides.append(Side(int((ends <= window).sum()), window))
        low, high = rate_ratio_interval(sides[0], sides[1])
        covered += low <= 1 / 1.6 <= high
    assert covered / runs >= 0.88


def test_wear_rate_intervals_cover() -> None:
    rng = np.random.default_rng(20262)
    runs = 1500
    covered = 0
    for _ in range(runs):
        n0, n1 = rng.integers(2, 9, 2)
        before = np.exp(rng.normal(-1.0, 0.3, n0))
        after = np.exp(rng.normal(-1.5, 0.2, n1))
        got = compare_rates(list(before), list(after))
        covered += got.low <= math.exp(-0.5) <= got.high
    assert covered / runs >= 0.88


def test_numbers_that_are_none_are_refused() -> None:
    with pytest.raises(ValueError, match="no wear rate"):
        compare_rates([0.1, 0.0], [0.1, 0.2])
    with pytest.raises(ValueError, match="above 0"):
        rate_ratio_interval(Side(1, 0), Side(1, 5))


def test_no_difference_leaves_out_a_halving_and_a_doubling() -> None:
    low, high = rate_ratio_interval(Side(14, 3000), Side(8, 3000))
    assert low < 0.5 < high < 4 * low + 1
    for n in range(2, 60):
        got = compare_changes(Side(n, 100.0 * n), Side(n, 125.0 * n))
        if got.verdict == "no-difference":
            assert got.low > 0.5
            assert got.high < 2
    assert got.verdict == "no-difference"


def _sides(before: list[float], after: list[float], running: float) -> tuple[Side, Side]:
    return (
        Side(len(before), sum(before), tuple(before)),
        Side(len(after), sum(after) + running, tuple(after), (running,)),
    )


def test_regular_lives_tell_more_than_chance_would() -> None:
    before = [480.0, 520, 500, 530, 470, 510]
    same = [505.0, 490, 525, 480, 515, 500, 495, 520]
    alike = compare_changes(*_sides(before, same, 200.0))
    assert alike.verdict == "no-difference"
    longer = compare_changes(*_sides(before, [x * 1.6 for x in same[:4]], 100.0))
    assert longer.verdict == "better"
    assert longer.low < longer.ratio < longer.high < 1
    assert longer.ratio == pytest.approx(1 / 1.6, rel=0.15)
    one, two = (Side(s.changes, s.starts) for s in _sides(before, same, 200.0))
    crude = compare_changes(one, two)
    assert crude.verdict == "too-early"


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(50, 2000), min_size=3, max_size=6),
    st.lists(st.floats(50, 2000), min_size=1, max_size=8),
    st.floats(0.1, 10),
)
def test_the_interval_of_lives_knows_no_unit_and_turns_with_its_sides(
    before: list[float], after: list[float], factor: float
) -> None:
    one = compare_changes(*_sides(before, after, 300.0))
    scaled = compare_changes(
        *_sides([50 * factor * x for x in before], [50 * factor * x for x in after], 15e3 * factor)
    )
    assert (scaled.low, scaled.high) == pytest.approx((one.low, one.high), rel=1e-9)
    assert one.low < one.ratio < one.high
    first, second = _sides(before, after, 300.0)
    turned = compare_changes(second, first)
    assert (turned.low, turned.high) == pytest.approx((1 / one.high, 1 / one.low), rel=1e-6)


@pytest.mark.parametrize(("shape", "least"), [(1.0, 0.84), (1.5, 0.87), (2.5, 0.9), (4.0, 0.9)])
def test_intervals_of_lives_cover(shape: float, least: float) -> None:
    """Six sets before; after, those that ended within a time, and the one still running."""
    rng = np.random.default_rng(20263)
    covered, runs = 0, 200
    scale = 400.0 / math.gamma(1 + 1 / shape)
    for _ in range(runs):
        before = (scale * rng.weibull(shape, 6)).tolist()
        ends = np.cumsum(1.6 * scale * rng.weibull(shape, 80))
        window = 3000.0 * rng.uniform(0.3, 1)
        gone = np.diff(ends[ends <= window], prepend=0.0).tolist()
        got = compare_changes(*_sides(before, gone, window - sum(gone)))
        covered += got.low <= 1 / 1.6 <= got.high
    assert covered / runs >= least


def test_too_early_says_how_many_sets_are_needed() -> None:
    regular = [480.0, 520, 500, 530]
    early = compare_changes(*_sides(regular, [500.0], 100.0))
    assert early.verdict == "too-early"
    assert "sets worn out since the cure a halving would show." in early.why
    few = compare_changes(Side(3, 900), Side(2, 500))
    assert few.why.endswith("Too few sets came to their end before the cure to show a halving.")
    waiting = compare_changes(*_sides([480.0, 520, 500, 530, 470, 500], [], 900.0))
    assert waiting.high < 1
    assert waiting.verdict == "too-early"
    assert "judged from 1,000 starts on" in waiting.why
    run_on = compare_changes(*_sides([480.0, 520, 500, 530, 470, 500], [], 1100.0))
    assert run_on.verdict == "better"


def test_what_all_electrodes_share_widens_the_interval() -> None:
    before, after = [0.31, 0.42, 0.37, 0.5], [0.2, 0.24, 0.15]
    plain, wide = (compare_rates(before, after, shared_sd=s) for s in (0.0, 0.5))
    assert wide.low < plain.low < plain.high < wide.high
    assert wide.ratio == plain.ratio
