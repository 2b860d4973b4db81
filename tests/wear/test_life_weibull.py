"""Weibull fits: derivatives, both tails, units and counts, what has no maximum, ranges."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal, localcontext

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize, minimize_scalar
from scipy.special import ndtri

from pitwise.wear.life.intervals import survival_range, wald
from pitwise.wear.life.likelihood import Likelihood
from pitwise.wear.life.lives import BadLifeError, Lives
from pitwise.wear.life.profile import profile
from pitwise.wear.life.weibull import (
    AllFoundFailedError,
    NoEndError,
    NoGrowthError,
    OneLifeError,
    WeibullFit,
    fit_weibull,
)
from pitwise.wear.refusal import BadShapeError, FitRefusedError, NotFiniteError, TooFewError

INF = math.inf


def mixed(seed: int = 3, n: int = 40) -> Lives:
    """Return lives of every kind."""
    rng = np.random.default_rng(seed)
    t = 300 * rng.weibull(1.8, n)
    low, high = np.floor(t / 60) * 60, np.floor(t / 60) * 60 + 60
    low[:8] = high[:8] = t[:8]
    high[8:16] = INF
    low[8:16] = np.maximum(low[8:16], 5)
    low[16:20] = 0
    return Lives.of(low, high, rng.uniform(0.5, 3, n))


@pytest.mark.parametrize("at", [(0.1, 0.5), (-0.8, 1.4), (2.0, -1.0), (0.0, 3.0)])
def test_the_derivatives_are_those_of_the_value(at: tuple[float, float]) -> None:
    ready = Likelihood.of(mixed())
    here = ready.at(*at)
    shape = math.exp(at[1])

    def moved(shift: float, stretch: float) -> tuple[float, float, float]:
        """Along z → (1 + stretch)·z + shift."""
        log_shape = at[1] + math.log1p(stretch)
        point = ready.at(at[0] - shift / math.exp(log_shape), log_shape)
        return point.value, point.shift, point.stretch / (1 + stretch)

    e = 1e-5
    up, down = moved(e, 0), moved(-e, 0)
    size = 1 + abs(here.curve[2])
    assert (up[0] - down[0]) / (2 * e) == pytest.approx(here.shift, abs=1e-8 * size)
    assert (up[1] - down[1]) / (2 * e) == pytest.approx(here.curve[0], abs=1e-8 * size)
    up, down = moved(0, e), moved(0, -e)
    assert (up[0] - down[0]) / (2 * e) == pytest.approx(here.stretch, abs=1e-8 * size)
    assert (up[1] - down[1]) / (2 * e) == pytest.approx(here.curve[1], abs=1e-8 * size)
    # In log scale and log shape: the covariance rests on these.
    plus, minus = ready.at(at[0], at[1] + e), ready.at(at[0], at[1] - e)
    bend = (plus.stretch - minus.stretch) / (2 * e)
    assert bend == pytest.approx(here.log_curve[2], abs=1e-8 * size)
    tilt = ready.at(at[0] - e / shape, at[1]).stretch - ready.at(at[0] + e / shape, at[1]).stretch
    assert tilt / (2 * e) == pytest.approx(here.log_curve[1], abs=1e-8 * size)
    a, b, c = here.curve
    assert a < 0
    assert a * c - b * b > 0


def _exactly(low: float, high: float, shape: float, scale: float) -> float:
    """Return log(S(low) − S(high)) in 80 digits."""
    with localcontext() as context:
        context.prec = 80
        hazards = [(Decimal(t) / Decimal(scale)) ** Decimal(shape) for t in (low, high)]
        return float(((-hazards[0]).exp() - (-hazards[1]).exp()).ln())


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (1000.0, 1000.0000001),
        (1000.0, 1000.0 * (1 + 2**-50)),
        (100.0, 3000.0),
        (4000.0, 4000.001),
        (9000.0, 9001.0),
        (9000.0, 90000.0),
        (1e-9, 2e-9),
        (1e-9, 1.0000000001e-9),
    ],
)
def test_narrow_intervals_far_in_the_tails_keep_their_digits(low: float, high: float) -> None:
    shape, scale = 3.0, 1000.0
    ready = Likelihood.of(Lives.of([low], [high]))
    point = ready.at(math.log(scale / ready.unit), math.log(shape))
    wanted = _exactly(low, high, shape, scale)
    assert point.value == pytest.approx(wanted, rel=3e-14, abs=3e-14)


@pytest.mark.parametrize(("log_scale", "shape"), [(0.0, 2.0), (0.4, 0.6), (-0.2, 3.5)])
def test_the_quick_sums_are_the_careful_ones(log_scale: float, shape: float) -> None:
    rng = np.random.default_rng(2)
    low = rng.uniform(0.01, 1.5, 300)
    ready = Likelihood.of(Lives.of(low, low + rng.choice([1e-9, 1e-6, 0.01, 0.3], 300)))
    assert ready._within(log_scale, shape)
    quick = ready.at(log_scale, math.log(shape))
    careful = replace(ready, reach=None).at(log_scale, math.log(shape))
    assert quick.value == pytest.approx(careful.value, rel=1e-13)
    assert [quick.shift, quick.stretch] == pytest.approx(
        [careful.shift, careful.stretch], abs=1e-12
    )
    assert quick.curve == pytest.approx(careful.curve, rel=1e-10)


def test_very_many_lives_have_the_fit_of_their_few_kinds() -> None:
    """Rows beyond one stretch of the sums, against the same lives by count."""
    lives = mixed()
    low, high = (np.tile(x, 500) for x in (lives.lower, lives.upper))
    many, few = fit_weibull(Lives.of(low, high)), fit_weibull(Lives.of(lives.lower, lives.upper))
    assert [many.shape, many.scale] == pytest.approx([few.shape, few.scale], rel=1e-11)
    assert many.loglik == pytest.approx(500 * few.loglik, rel=1e-12)
    assert many.covariance * 500 == pytest.approx(few.covariance, rel=1e-9)


# Each looked at once, the found failed late and the found running early: the shape has next to
# no upper bound, and on the way there Newton's steps are far too short.
STEEP = Lives.of(
    [0, 145, 61, 63, 0, 54, 0, 92, 391, 61, 0, 0, 0, 57, 204, 0],
    [421, INF, INF, INF, 715, INF, 390, INF, INF, INF, 659, 599, 710, INF, INF, 1032],
)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.999])
def test_a_shape_of_hundreds_still_has_a_range(level: float) -> None:
    fit = fit_weibull(STEEP)
    found = profile(STEEP, fit, level)["shape"]
    ready = Likelihood.of(STEEP)
    top = fit.loglik - float(ndtri(0.5 + level / 2)) ** 2 / 2
    for shape in (found.low, found.high):
        # Only between 390 and 391 does a shape so steep leave any likelihood.
        places = np.linspace(-1, 1, 20_001) * (1.0 if shape < 50 else 0.1)
        places += math.log(fit.scale / ready.unit)
        t = ready.unit * np.exp(places)
        z = shape * (np.log(STEEP.lower[:, None].clip(1e-9)) - np.log(t))
        high = shape * (np.log(STEEP.upper[:, None].clip(None, 1e9)) - np.log(t))
        with np.errstate(over="ignore", divide="ignore", invalid="ignore", under="ignore"):
            own = np.where(STEEP.running[:, None], -np.exp(z), np.log(-np.expm1(-np.exp(high))))
        best = float(np.nanmax(own.sum(axis=0)))
        assert best == pytest.approx(top, abs=2e-3)


@pytest.mark.parametrize("factor", [1e-12, 1e-5, 3.7, 1e12])
def test_another_unit_gives_the_same_answer_in_that_unit(factor: float) -> None:
    lives = mixed()
    fit = fit_weibull(lives)
    other_lives = Lives.of(lives.lower * factor, lives.upper * factor, lives.count)
    other = fit_weibull(other_lives)
    assert other.shape == pytest.approx(fit.shape, rel=1e-12)
    assert other.scale == pytest.approx(fit.scale * factor, rel=1e-12)
    densities = float(lives.count[lives.exact].sum())
    assert other.loglik == pytest.approx(fit.loglik - densities * math.log(factor), rel=1e-12)
    assert other.covariance == pytest.approx(fit.covariance, rel=1e-10)
    for one, two in ((wald(fit), wald(other)), (profile(lives, fit), profile(other_lives, other))):
        for name, own in one.items():
            size = 1.0 if name == "shape" else factor
            assert [two[name].low, two[name].high] == pytest.approx(
                [own.low * size, own.high * size], rel=1e-9
            )


@pytest.mark.parametrize("factor", [1e-30, 1e-6, 1e9, 1e30])
def test_counts_weigh_and_nothing_else(factor: float) -> None:
    lives = mixed()
    fit = fit_weibull(lives)
    other = fit_weibull(Lives.of(lives.lower, lives.upper, lives.count * factor))
    assert [other.shape, other.scale] == pytest.approx([fit.shape, fit.scale], rel=1e-12)
    assert other.loglik == pytest.approx(fit.loglik * factor, rel=1e-12)
    assert other.covariance * factor == pytest.approx(fit.covariance, rel=1e-10)
    twice = fit_weibull(Lives.of(np.tile(lives.lower, 2), np.tile(lives.upper, 2)))
    double = fit_weibull(Lives.of(lives.lower, lives.upper, np.full(lives.lower.size, 2.0)))
    assert twice.loglik == pytest.approx(double.loglik, rel=1e-13)


def test_counts_far_apart() -> None:
    fit = fit_weibull(Lives.of([1.0, 2.0, 3.0], [1.0, 2.0, INF], [1e-9, 1e9, 1.0]))
    assert fit.slope < 1e-12
    plain = fit_weibull(Lives.of([2.0, 1.0], [2.0, 1.0], [1e9, 1e-9]))
    assert plain.shape > fit.shape


def test_the_maximum_is_the_one_a_plain_search_finds() -> None:
    for seed in range(5):
        lives = mixed(seed)

        def minus(x: np.ndarray, lives: Lives = lives) -> float:
            log_s = -((lives.lower / math.exp(x[0])) ** math.exp(x[1]))
            with np.errstate(divide="ignore"):
                upper = np.exp(-((lives.upper / math.exp(x[0])) ** math.exp(x[1])))
                dens = (
                    x[1]
                    - x[0]
                    + (math.exp(x[1]) - 1) * (np.log(np.maximum(lives.lower, 1e-9)) - x[0])
                    + log_s
                )
                term = np.where(lives.exact, dens, np.log(np.exp(log_s) - upper))
            return -float(lives.count @ term)

        fit = fit_weibull(lives)
        found = minimize(minus, [5.5, 0.3], method="Nelder-Mead", options={"fatol": 1e-11})
        assert fit.loglik == pytest.approx(-found.fun, abs=1e-8)
        assert fit.loglik >= -found.fun - 1e-9
        assert math.log(fit.scale) == pytest.approx(found.x[0], abs=1e-4)


@given(
    st.lists(
        st.tuples(
            st.floats(1e-3, 1e3),
            st.floats(1.0, 10.0),
            st.sampled_from(["exact", "run", "found", "two"]),
        ),
        min_size=1,
        max_size=12,
    )
)
def test_any_lives_give_a_maximum_or_a_reason(rows: list[tuple[float, float, str]]) -> None:
    low = [0.0 if kind == "found" else t for t, _, kind in rows]
    high = [{"exact": t, "run": INF, "found": t, "two": t * wide}[kind] for t, wide, kind in rows]
    lives = Lives.of(low, high)
    try:
        fit = fit_weibull(lives)
    except (NoEndError, AllFoundFailedError, OneLifeError, NoGrowthError):
        # That there is none then is shown below.
        return
    assert fit.slope < 1e-9
    assert np.linalg.eigvalsh(fit.covariance).min() > 0
    ready = Likelihood.of(lives)
    place = math.log(fit.scale / ready.unit), math.log(fit.shape)
    top = ready.at(*place).value
    for a, b in ((0.01, 0), (-0.01, 0), (0, 0.01), (0, -0.01), (1, 1), (-1, 1), (1, -1)):
        there = ready.at(place[0] + a / fit.shape, place[1] + b).value
        assert there <= top + 1e-12 * abs(top)


@pytest.mark.parametrize(
    ("low", "high", "error"),
    [
        ([5, 7], [INF, INF], NoEndError),
        ([0, 0], [5, 7], AllFoundFailedError),
        ([5, 5], [5, 5], OneLifeError),
        ([5], [5], OneLifeError),
        ([5, 4, 5], [5, INF, INF], OneLifeError),
        ([0, 2], [5, INF], OneLifeError),
        ([2, 3], [10, 12], OneLifeError),
        ([5, 10], [10, INF], OneLifeError),
        ([0, 0, 8, 20], [5, 9, INF, INF], NoGrowthError),
        ([0, 10, 0, 9], [5, INF, 8, INF], NoGrowthError),
    ],
)
def test_lives_without_a_maximum_are_refused_by_name(
    low: list[float], high: list[float], error: type[FitRefusedError]
) -> None:
    lives = Lives.of(low, high)
    with pytest.raises(error):
        fit_weibull(lives)
    # It is so: along some way the likelihood goes on rising.
    if error is OneLifeError:
        at = math.log(float(lives.lower.max()))
        values = [_value(lives, at, shape) for shape in (5.0, 50.0, 500.0)]
        assert values[0] < values[1] + 1e-12
        assert values[1] < values[2] + 1e-12
    if error is NoGrowthError:
        middle = float(np.log(np.where(lives.exact | (lives.lower > 0), lives.lower, 9)).mean())
        values = [_value(lives, middle, shape) for shape in (1.0, 0.1, 0.01)]
        assert values[0] < values[1] < values[2]


def _value(lives: Lives, log_scale: float, shape: float) -> float:
    ready = Likelihood.of(lives)
    best = minimize_scalar(
        lambda d: -ready.at(log_scale - math.log(ready.unit) + d / shape, math.log(shape)).value,
        bounds=(-6, 6),
        method="bounded",
        options={"xatol": 1e-10},
    )
    return float(-best.fun)


def test_one_end_does_when_another_part_outlived_it() -> None:
    lives = Lives.of([10.0, 30.0], [10.0, INF])
    fit = fit_weibull(lives)
    assert fit.slope < 1e-12
    assert fit.ends == 1
    ranges = profile(lives, fit)
    assert ranges["shape"].low < fit.shape < ranges["shape"].high


@pytest.mark.parametrize(
    ("low", "high", "count", "error"),
    [
        ([], [], None, TooFewError),
        ([1, 2], [1], None, BadShapeError),
        ([[1, 2]], [[1, 2]], None, BadShapeError),
        (["a"], ["b"], None, BadShapeError),
        ([1], [1], [1, 2], BadShapeError),
        ([math.nan], [1], None, NotFiniteError),
        ([1], [math.nan], None, NotFiniteError),
        ([INF], [INF], None, NotFiniteError),
        ([1], [1], [INF], NotFiniteError),
        ([1e200], [1e200], None, NotFiniteError),
        ([1e-200], [1], None, NotFiniteError),
        ([-1], [1], None, BadLifeError),
        ([0], [0], None, BadLifeError),
        ([2], [1], None, BadLifeError),
        ([1], [1], [0], BadLifeError),
        ([1], [1], [-2], BadLifeError),
    ],
)
def test_lives_that_can_not_be_are_refused(
    low: list[float], high: list[float], count: list[float] | None, error: type[FitRefusedError]
) -> None:
    with pytest.raises(error) as raised:
        Lives.of(low, high, count)
    assert raised.value.mend


def test_lives_are_copied_and_can_not_be_written_to() -> None:
    given_ = np.array([1.0, 2.0])
    lives = Lives.of(given_, given_)
    given_[0] = 9
    assert lives.lower[0] == 1
    with pytest.raises(ValueError, match="read-only"):
        lives.lower[0] = 3


def test_what_a_fit_says() -> None:
    fit = WeibullFit(2.0, 1000.0, 0.0, np.eye(2) * 0.01, 10, 5)
    assert float(fit.survival(1000.0)) == pytest.approx(math.exp(-1))
    assert fit.survival([0.0, 1e30]).tolist() == [1.0, 0.0]
    assert float(fit.quantile(0.1)) == pytest.approx(1000 * math.sqrt(-math.log(0.9)))
    assert fit.quantile([0.0, 1.0]).tolist() == [0.0, INF]
    assert fit.mean == pytest.approx(1000 * math.sqrt(math.pi) / 2)
    low, high = survival_range(fit, [500.0, 1000.0])
    assert (low < fit.survival([500.0, 1000.0])).all()
    assert (fit.survival([500.0, 1000.0]) < high).all()


def test_profile_ends_where_the_likelihood_has_fallen_enough() -> None:
    lives = mixed()
    fit = fit_weibull(lives)
    ready = Likelihood.of(lives)
    found = profile(lives, fit, 0.9)
    wanted = fit.loglik - 0.5 * 1.6448536269514722**2
    at_scale = [
        _value_free_shape(ready, math.log(s / ready.unit), 0.0) for s in _ends(found["scale"])
    ]
    k10 = math.log(-math.log(0.9))
    at_b10 = [_value_free_shape(ready, math.log(s / ready.unit), k10) for s in _ends(found["b10"])]
    offset = ready.total * ready.log_sum
    for value in at_scale + at_b10:
        assert ready.total * value - offset == pytest.approx(wanted, abs=1e-6)
    for shape in _ends(found["shape"]):
        best = minimize_scalar(
            lambda a, shape=shape: -ready.at(a, math.log(shape)).value,
            bounds=(-3, 3),
            method="bounded",
            options={"xatol": 1e-10},
        )
        assert -ready.total * best.fun - offset == pytest.approx(wanted, abs=1e-6)


def _ends(range_: object) -> tuple[float, float]:
    return float(getattr(range_, "low")), float(getattr(range_, "high"))  # noqa: B009 - any Range


def _value_free_shape(ready: Likelihood, log_life: float, k: float) -> float:
    best = minimize_scalar(
        lambda b: -ready.at(log_life - k / math.exp(b), b).value,
        bounds=(-3, 4),
        method="bounded",
        options={"xatol": 1e-11},
    )
    return float(-best.fun)


def test_bounds_that_the_lives_do_not_set_are_none() -> None:
    lives = Lives.of([0, 2, 0, 20], [5, INF, 30, INF])
    found = profile(lives, fit_weibull(lives))
    assert found["shape"].low == 0
    assert found["scale"].high == INF
    assert math.isfinite(found["shape"].high)


def test_ranges_by_the_likelihood_hold_the_truth_as_often_as_they_say() -> None:
    rng = np.random.default_rng(11)
    held = dict.fromkeys(("shape", "b10"), 0)
    sets = 400
    for _ in range(sets):
        t = rng.weibull(2.0, 15)
        stop = rng.uniform(0.5, 2.0, 15)
        lives = Lives.of(np.minimum(t, stop), np.where(t > stop, INF, t))
        ranges = profile(lives, fit_weibull(lives), 0.9)
        held["shape"] += ranges["shape"].low <= 2.0 <= ranges["shape"].high
        held["b10"] += ranges["b10"].low <= math.sqrt(-math.log(0.9)) <= ranges["b10"].high
    for count in held.values():
        # Three standard errors of a share of 0.9 in 400 sets, and what so few lives cost.
        assert 0.9 - 0.045 - 0.03 < count / sets < 0.9 + 0.045
