"""Ranges by the likelihood, over lives of every kind drawn at random: a range, or a reason.

The same check has been run over thousands of sets; these are the first of them, small ones, and
those at which the search once went wrong.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable

import numpy as np
import pytest

from pitwise.wear.life.intervals import SHARES, Range, deviate, hazard_exponent, wald
from pitwise.wear.life.likelihood import Likelihood
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.profile import ProfileNotDoneError, profile
from pitwise.wear.life.weibull import NotConvergedError, WeibullFit, fit_weibull
from pitwise.wear.refusal import FitRefusedError

INF = math.inf
LEVELS = (0.8, 0.9, 0.95, 0.99, 0.999)
KINDS = [
    *("exact", "right", "left", "between", "mixed", "once", "ties"),
    *("one-failed", "all-but-one", "wide", "adjacent"),
]


def drawn(rng: np.random.Generator, kind: str) -> Lives:
    """Lives of a kind, 1 to 60 of them, in any unit, some counted by weights far apart."""
    n = round(math.exp(rng.uniform(0, math.log(60))))
    shape = math.exp(rng.uniform(math.log(0.2), math.log(12)))
    if rng.random() < 0.1:
        shape = math.exp(rng.uniform(math.log(0.03), math.log(2000)))
    t = rng.weibull(shape, n).clip(1e-30, 1e30)
    low, high = t.copy(), t.copy()
    stop = rng.weibull(max(shape, 0.5), n).clip(1e-30) * rng.choice([0.3, 1, 3])
    if kind == "right":
        low, high = np.minimum(t, stop), np.where(t <= stop, t, INF)
    elif kind == "left":
        low = np.where(rng.random(n) < rng.random(), 0, t)
    elif kind == "between":
        wide = math.exp(rng.uniform(math.log(1e-4), math.log(3)))
        low = np.floor(t / wide) * wide
        high = low + wide
    elif kind == "mixed":
        k, apart = rng.integers(0, 4, n), 1 + rng.exponential(0.5, n)
        low = np.choose(k, [t, t, 0 * t, t / apart])
        high = np.choose(k, [t, INF + t, t, t * apart])
    elif kind == "once":
        low, high = np.where(t <= stop, 0, stop), np.where(t <= stop, stop, INF)
    elif kind == "ties":
        low = np.maximum(np.round(t * rng.choice([2, 5, 20])), 1.0)
        high = np.where(rng.random(n) < rng.choice([0, 0.3, 0.8]), INF, low)
    elif kind == "one-failed":
        high = np.full(n, INF)
        which = int(rng.integers(n))
        high[which] = low[which]
    elif kind == "all-but-one":
        low = np.full(n, t[0])
        low[-1] *= 1 + rng.choice([1e-12, 1e-6, 1e-3, 0.5, -0.5, -1e-3, 10, 1e6])
        high = low.copy()
        if rng.random() < 0.4:
            high[-1] = INF
    elif kind == "wide":
        low = np.exp(rng.uniform(-40, 40, n))
        high = np.where(rng.random(n) < 0.4, INF, low)
    elif kind == "adjacent":
        high = np.maximum(t * (1 + rng.choice([1e-15, 1e-12, 1e-8], n)), np.nextafter(t, INF))
    count = np.exp(rng.uniform(-1, 1, n) * rng.choice([1, 5, 20])) if rng.random() < 0.3 else None
    unit = 10.0 ** rng.choice([-9, -6, -3, 0, 3, 6, 9, 12])
    return Lives.of(low * unit, high * unit, count)


def highest(at: Callable[[float], tuple[float, float]], start: float) -> float:
    """The highest value along a way on which values rise, then fall: by halving its slope."""

    def rises(x: float) -> bool:
        value, slope = at(x)
        return math.isfinite(value) and slope > 0

    low = high = start
    step = 1.0
    while rises(high) and step < 1e12:
        low, high, step = high, high + step, 2 * step
    step = 1.0
    while not rises(low) and step < 1e12:
        low, high, step = low - step, low, 2 * step
    best = -INF
    for _ in range(100):
        middle = 0.5 * (low + high)
        value = at(middle)[0]
        best = max(best, value) if math.isfinite(value) else best
        if rises(middle):
            low = middle
        else:
            high = middle
    return best


def best_with(ready: Likelihood, fit: WeibullFit, name: str, value: float) -> float:
    """The best log-likelihood of a life with one of the fit's figures held."""
    if name == "shape":
        z = -fit.shape * math.log(fit.scale / ready.unit)

        def shifted(z: float) -> tuple[float, float]:
            p = ready.at(-z / value, math.log(value))
            return p.value, p.shift

        return highest(shifted, z)
    k = 0.0 if name == "scale" else hazard_exponent(SHARES[name])
    log_life = math.log(value / ready.unit)

    def stretched(log_shape: float) -> tuple[float, float]:
        log_shape = min(max(log_shape, -600.0), 600.0)
        p = ready.at(log_life - k / math.exp(log_shape), log_shape)
        return p.value, p.stretch - k * p.shift

    return highest(stretched, math.log(fit.shape))


def figures(fit: WeibullFit) -> dict[str, float]:
    own = {name: float(fit.quantile(share)) for name, share in SHARES.items()}
    return {"shape": fit.shape, "scale": fit.scale} | own


def hold(lives: Lives, level: float) -> bool:
    """Check the ranges of lives; False where there are none, with a reason."""
    try:
        fit = fit_weibull(lives)
        ranges = profile(lives, fit, level)
    except FitRefusedError as refused:
        why = refused
    else:
        check(lives, fit, ranges, level)
        return True
    assert why.reason
    assert why.mend
    # Where the search gave up, counts are far apart or lives differ by their last digits.
    if isinstance(why, ProfileNotDoneError | NotConvergedError):
        close = isinstance(why, ProfileNotDoneError) and fit.shape > 1e8
        assert close or lives.count.max() > 1e9 * lives.count.min()
    return False


def check(lives: Lives, fit: WeibullFit, ranges: dict[str, Range], level: float) -> None:
    """The estimate lies inside, the likelihood fell as asked, another unit changes nothing."""
    for name, curved in wald(fit, level).items():
        assert curved.low <= figures(fit)[name] * (1 + 1e-9)
        assert curved.high >= figures(fit)[name] * (1 - 1e-9)
    ready = Likelihood.of(lives)
    place = math.log(fit.scale / ready.unit), math.log(fit.shape)
    top, wanted = ready.at(*place).value, deviate(level) ** 2
    for name, value in figures(fit).items():
        found = ranges[name]
        assert found.low <= value <= found.high
        for end in (found.low, found.high):
            if 0 < end < INF:
                fall = 2 * ready.total * (top - best_with(ready, fit, name, end))
                # What the rounding of the sums alone may move.
                slack = 1e-5 * wanted + 1e-13 * ready.total * (1 + abs(top))
                assert fall == pytest.approx(wanted, abs=slack)
    for factor in (2.0**-30, 2.0**40):
        moved = Lives.of(lives.lower * factor, lives.upper * factor, lives.count)
        other = fit_weibull(moved)
        assert [other.shape, other.scale] == pytest.approx(
            [fit.shape, fit.scale * factor], rel=1e-10
        )
        for name, there in profile(moved, other, level).items():
            unit = 1.0 if name == "shape" else factor
            for own, its in ((ranges[name].low, there.low), (ranges[name].high, there.high)):
                assert its == own * unit or its == pytest.approx(own * unit, rel=1e-10)


@pytest.mark.parametrize("kind", KINDS)
def test_any_lives_have_ranges_or_a_reason(kind: str) -> None:
    rng = np.random.default_rng(KINDS.index(kind))
    done = 0
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        for _ in range(16):
            done += hold(drawn(rng, kind), float(rng.choice(LEVELS)))
    assert done >= 4


@pytest.mark.parametrize(
    ("low", "high", "count"),
    [
        # Hazards beyond numbers were once taken for the top, and the bound lay 60 times too far.
        (
            [112176.57894495, 0.0],
            [168264.86841743, 56088.28947248],
            [7.82857927e-07, 1.45609935e-04],
        ),
        # The best shape that goes with a bound is nearly 0: once a division by it.
        (
            [4.15631085e-05, 0, 1.23930517e-03, 9.64047896e-04, 2.58723181e-04],
            [INF, 0.00016245, INF, INF, INF],
            [3.08341167e08, 7.20526482e-05, 1.66303959e-03, 1.32516427e01, 5.31462999e02],
        ),
        # Some counts bend nothing that a number shows: once a division by zero.
        (
            [0.0, 755046.9, 742036.2, 877485.6, 641308.1, 504887.9, 553311.1],
            [683341.5, INF, 1403605.0, INF, INF, 1415281.6, 1399678.5],
            [5.0e04, 1.93e08, 0.78, 5.6e-06, 572.8, 117.8, 8.2e-06],
        ),
        ([1.0] * 17 + [1 + 1e-12], [1.0] * 17 + [1 + 1e-12], None),
        ([5.0, 5.0, 5.0 * (1 + 1e-15)], [5.0, 5.0, INF], None),
    ],
)
def test_where_the_search_once_went_wrong(
    low: list[float], high: list[float], count: list[float] | None
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        hold(Lives.of(low, high, count), 0.9)
