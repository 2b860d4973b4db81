"""Turnbull's estimate: conditions of the maximum, plain passes, step curves, lifelines."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter

import pitwise.wear.life.turnbull as module
from pitwise.wear.life.lives import Floats, Lives
from pitwise.wear.life.steps import kaplan_meier
from pitwise.wear.life.turnbull import Turnbull, TurnbullNotDoneError, turnbull

INF = math.inf


def spans(lives: Lives, found: Turnbull) -> Floats:
    """Return which places each life holds, by the definition of the intervals alone."""
    low, high, exact = lives.lower[:, None], lives.upper[:, None], lives.exact[:, None]
    point = (found.from_ == found.to)[None, :]
    inside = (low <= found.from_) & (found.to <= high) & ~(point & (found.from_ <= low))
    at = point & (found.from_ == low)
    found_in: Floats = np.where(exact, at, inside).astype(np.float64)
    return found_in


def held(lives: Lives, found: Turnbull) -> None:
    """Check that the masses are a maximum among those at the places found."""
    a = spans(lives, found)
    p = a @ found.mass
    assert (p > 0).all()
    assert found.mass.sum() == pytest.approx(1, abs=1e-12)
    slope = (lives.count / p) @ a / lives.total
    assert slope == pytest.approx(np.ones(slope.size), abs=1e-6)
    assert found.loglik == pytest.approx(float(lives.count @ np.log(p)), rel=1e-9, abs=1e-9)
    assert found.gap <= 1e-8 * lives.total


def made_up(seed: int, n: int = 60) -> Lives:
    rng = np.random.default_rng(seed)
    t = 100 * rng.weibull(1.7, n)
    if seed % 4 == 0:
        low = np.maximum(t - rng.uniform(0, 30, n), 0)
        high = low + 30.0
    elif seed % 4 == 1:
        low = np.floor(t / 15) * 15
        high = low + 15.0 * rng.integers(1, 4, n)
    elif seed % 4 == 2:
        stop = rng.uniform(20, 180, n)
        low, high = np.where(t > stop, stop, 0), np.where(t > stop, INF, stop)
    else:
        low, high = np.floor(t / 20) * 20, np.floor(t / 20) * 20 + 20
        exact = rng.uniform(size=n) < 0.3
        low[exact] = high[exact] = np.ceil(t[exact])
    high[rng.uniform(size=n) < 0.2] = INF
    keep = (low > 0) | np.isfinite(high)
    return Lives.of(low[keep], high[keep], rng.integers(1, 4, n)[keep])


@pytest.mark.parametrize("seed", range(24))
def test_the_slopes_are_those_of_a_maximum(seed: int) -> None:
    lives = made_up(seed)
    held(lives, turnbull(lives))


def plain_passes(lives: Lives, passes: int) -> float:
    """Return the log-likelihood that Turnbull's own passes reach from even masses."""
    inner = module._innermost(lives)
    every = Turnbull(inner.left, inner.right, np.ones(inner.left.size), 0.0, 0.0)
    a = spans(lives, every)
    mass = np.full(inner.left.size, 1 / inner.left.size)
    for _ in range(passes):
        mass = mass * ((lives.count / (a @ mass)) @ a) / lives.total
    return float(lives.count @ np.log(a @ mass))


@pytest.mark.parametrize("seed", range(8))
def test_no_lower_than_plain_passes(seed: int) -> None:
    lives = made_up(seed)
    found = turnbull(lives)
    there = plain_passes(lives, 3000)
    assert found.loglik >= there - 1e-9
    assert found.loglik == pytest.approx(there, abs=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_passes_of_many_places_come_to_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    lives = made_up(seed)
    whole = turnbull(lives)
    monkeypatch.setattr(module, "_DENSE", 1)
    other = turnbull(lives)
    assert other.loglik == pytest.approx(whole.loglik, abs=1e-7)
    assert other.gap <= 1e-8 * lives.total


def test_step_curves_are_a_special_case() -> None:
    rng = np.random.default_rng(2)
    t = np.ceil(50 * rng.weibull(1.5, 80))
    stop = np.ceil(rng.uniform(5, 90, 80))
    lives = Lives.of(np.minimum(t, stop), np.where(t > stop, INF, t))
    steps, found = kaplan_meier(lives), turnbull(lives)
    held(lives, found)
    for time, survival in zip(steps.time, steps.survival, strict=True):
        low, high = found.failed(float(time))
        assert low == pytest.approx(1 - survival, abs=1e-12)
        assert high == pytest.approx(low, abs=1e-12)
    # One life between two looks that no other life divides changes nothing but the method.
    last = float(np.max(lives.lower)) + 5
    more = Lives.of(
        np.append(lives.lower, last), np.append(lives.upper, last + 1), np.append(lives.count, 1e-9)
    )
    assert turnbull(more).failed(30)[0] == pytest.approx(found.failed(30)[0], abs=1e-7)


def test_lifelines_is_never_higher() -> None:
    for seed in range(0, 12):
        lives = made_up(seed)
        if lives.exact.any():
            # lifelines takes intervals as closed: an exact life at a look's end differs.
            continue
        peer = KaplanMeierFitter().fit_interval_censoring(
            lives.lower, lives.upper, weights=lives.count
        )
        curve = peer.survival_function_.iloc[:, 0]
        found = turnbull(lives)

        def outlived(t: Floats, curve: object = curve) -> Floats:
            times = np.asarray(curve.index)  # type: ignore[attr-defined]  # a pandas Series
            values = np.append(1.0, np.asarray(curve))
            at: Floats = values[np.searchsorted(times, t, side="right")]
            return np.where(np.isinf(t), 0.0, at)

        p = outlived(lives.lower) - outlived(lives.upper)
        if (p <= 0).any():
            continue
        there = float(lives.count @ np.log(p))
        assert found.loglik >= there - 1e-6


def test_the_ends_of_intervals_are_kept_apart() -> None:
    # (1, 2] and exactly 2 meet in 2; (2, 3] does not hold 2.
    found = turnbull(Lives.of([1, 2, 2], [2, 2, 3]))
    assert list(zip(found.from_, found.to, strict=True)) == [(2, 2), (2, 3)]
    assert found.mass == pytest.approx([2 / 3, 1 / 3])
    assert found.failed(1.9) == (0.0, 0.0)
    assert found.failed(2.0) == pytest.approx((2 / 3, 2 / 3))
    assert found.failed(2.5) == pytest.approx((2 / 3, 1.0))
    assert found.failed(3.0) == pytest.approx((1.0, 1.0))


def test_all_still_running() -> None:
    found = turnbull(Lives.of([3, 5], [INF, INF]))
    assert (found.from_.tolist(), found.to.tolist(), found.mass.tolist()) == ([5], [INF], [1])
    assert found.loglik == 0
    assert found.failed(10) == (0.0, 1.0)


@pytest.mark.parametrize("factor", [1e-12, 1e12])
def test_another_unit(factor: float) -> None:
    lives = made_up(1)
    found = turnbull(lives)
    other = turnbull(Lives.of(lives.lower * factor, lives.upper * factor, lives.count))
    assert other.mass == pytest.approx(found.mass, abs=1e-10)
    assert other.loglik == pytest.approx(found.loglik, rel=1e-12)


@given(
    st.lists(
        st.tuples(st.integers(0, 9), st.integers(0, 5), st.integers(0, 4), st.integers(1, 3)),
        min_size=1,
        max_size=25,
    )
)
def test_any_lives(rows: list[tuple[int, int, int, int]]) -> None:
    low = [float(a) if b or a else 1.0 for a, b, _, _ in rows]
    high = [INF if kind == 0 else x + b for x, (_, b, kind, _) in zip(low, rows, strict=True)]
    lives = Lives.of(low, high, [c for *_, c in rows])
    found = turnbull(lives)
    held(lives, found)
    shares = [found.failed(t) for t in np.linspace(0, 20, 21)]
    assert all(a <= b + 1e-12 for a, b in shares)
    assert all(x[0] <= y[0] + 1e-12 for x, y in pairwise(shares))


def test_ten_thousand_settle() -> None:
    rng = np.random.default_rng(0)
    t = 1000 * rng.weibull(2.0, 10_000)
    low = np.maximum(t - rng.uniform(0, 200, t.size), 0)
    found = turnbull(Lives.of(low, low + 200))
    assert found.gap < 1e-8 * t.size
    assert (
        np.mean(
            np.abs(
                [
                    np.mean(found.failed(x)) - 1 + math.exp(-((x / 1e3) ** 2))
                    for x in (300.0, 700.0, 1200.0, 1800.0)
                ]
            )
        )
        < 0.03
    )


def test_counts_beyond_each_other_are_refused_without_a_warning() -> None:
    lives = Lives.of([10.0, 30.0, 25.0], [20.0, math.inf, 25.0], [1e90, 1e90, 1.0])
    with pytest.raises(TurnbullNotDoneError, match="so far apart"):
        turnbull(lives)
