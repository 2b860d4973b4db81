"""The special case without noise: gradients, closed forms, recovery, edges."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import gamma as gamma_law
from scipy.stats import norm

from pitwise.wear.exact import Model, fit_exact, increments
from pitwise.wear.exact_likelihood import (
    gamma_loglik,
    lognormal_loglik,
    random_scale_loglik,
    random_scale_quadrature,
)
from pitwise.wear.refusal import (
    BadShapeError,
    FitRefusedError,
    NoNoiseError,
    NotFiniteError,
    NotGrowingError,
    TooFewError,
)

Floats = npt.NDArray[np.float64]
Readings = tuple[Floats, Floats, npt.NDArray[np.int64]]
MODELS: tuple[Model, ...] = ("same", "lognormal", "random-scale")


def made(
    seed: int,
    units: int = 12,
    *,
    rate: float = 0.3,
    phi: float = 0.01,
    tau: float = 0.25,
    power: float = 1.0,
    scale_spread: float = 0.0,
) -> Readings:
    """Exact readings of units at uneven ages."""
    rng = np.random.default_rng(seed)
    age, depth, unit = [], [], []
    for i in range(units):
        ages = np.cumsum(rng.uniform(0.3, 1.2, rng.integers(2, 9)))
        step = np.diff(np.append(0.0, ages) ** power)
        b = math.exp(tau * rng.normal())
        w = rng.gamma(scale_spread**-2, scale_spread**2) if scale_spread else 1.0
        age.append(ages)
        depth.append(np.cumsum(rng.gamma(b * rate * step / phi, phi / w)))
        unit.append(np.full(ages.size, i))
    return np.concatenate(age), np.concatenate(depth), np.concatenate(unit)


Law = Callable[..., tuple[float, Floats]]


@pytest.mark.parametrize(
    ("law", "point", "logs"),
    [
        (gamma_loglik, [0.31, 0.012, 1.1], [True, True, True]),
        (lognormal_loglik, [0.31, 0.012, 0.3, 0.9], [True, True, False, True]),
        (lognormal_loglik, [0.31, 0.012, -0.2, 1.0], [True, True, False, True]),
        (random_scale_loglik, [31.0, 95.0, 0.3, 1.2], [True, True, False, True]),
        (random_scale_loglik, [31.0, 95.0, 0.01, 1.2], [True, True, False, True]),
        (random_scale_loglik, [31.0, 95.0, 0.001, 1.0], [True, True, False, True]),
        (random_scale_quadrature, [31.0, 95.0, 0.3, 1.2], [True, True, False, True]),
    ],
)
def test_gradients_against_differences(law: Law, point: list[float], logs: list[bool]) -> None:
    data = increments(*made(1))

    def natural(working: Floats) -> list[float]:
        return [math.exp(w) if log else w for w, log in zip(working, logs, strict=True)]

    working = np.array([math.log(x) if log else x for x, log in zip(point, logs, strict=True)])
    step = 1e-6
    rough = np.array(
        [
            (law(data, *natural(working + e))[0] - law(data, *natural(working - e))[0]) / (2 * step)
            for e in step * np.eye(working.size)
        ]
    )
    exact = law(data, *natural(working))[1]
    assert exact == pytest.approx(rough, rel=2e-6, abs=2e-5)


def test_same_rate_is_the_gamma_distribution_of_scipy() -> None:
    age, depth, unit = made(2)
    data = increments(age, depth, unit)
    a = 0.3 * (data.after**1.2 - data.before**1.2) / 0.02
    expected = gamma_law.logpdf(data.growth, a, scale=0.02).sum()
    assert gamma_loglik(data, 0.3, 0.02, 1.2)[0] == pytest.approx(expected, rel=1e-12)


def test_same_rate_with_equal_steps_is_a_gamma_sample() -> None:
    # Equal steps make the increments one sample, whose fit scipy has too.
    rng = np.random.default_rng(3)
    growth = rng.gamma(5.0, 0.02, (6, 10))
    age = np.tile(np.arange(1.0, 11.0), 6)
    found = fit_exact(age, np.cumsum(growth, axis=1).ravel(), np.repeat(np.arange(6), 10))
    shape, _, scale = gamma_law.fit(growth.ravel(), floc=0)
    assert found.estimates["shape_per_age"] == pytest.approx(shape, rel=1e-6)
    assert found.estimates["phi"] == pytest.approx(scale, rel=1e-6)
    # Fisher information of a gamma's mean: sd / sqrt(n), for the rate is the mean here.
    assert found.standard_errors["rate"] == pytest.approx(scale * math.sqrt(shape / 60), rel=1e-4)


def _by_quad(data: Any, unit_density: Callable[[float, Floats], float], spots: Floats) -> float:
    total = 0.0
    for first, last in zip(data.starts, [*data.starts[1:], data.growth.size], strict=True):
        rows = np.arange(first, last)
        values = [unit_density(s, rows) for s in spots]
        peak = max(values)
        whole = quad(
            lambda s, rows=rows, peak=peak: math.exp(unit_density(s, rows) - peak),
            spots[0], spots[-1], limit=400, epsabs=0, epsrel=1e-11,
            points=[spots[int(np.argmax(values))]],
        )[0]  # fmt: skip
        total += peak + math.log(whole)
    return total


def test_lognormal_against_adaptive_quadrature() -> None:
    data = increments(*made(4, units=5))
    step = data.after - data.before

    def density(u: float, rows: Floats) -> float:
        a = math.exp(u) * 0.3 * step[rows] / 0.01
        own = gamma_law.logpdf(data.growth[rows], a, scale=0.01).sum()
        return float(own + norm.logpdf(u, scale=0.25))

    exact = _by_quad(data, density, np.linspace(-2, 2, 101))
    # The grid leaves out what lies beyond 4.2 standard deviations of the prior: 3e-5.
    assert lognormal_loglik(data, 0.3, 0.01, 0.25, 1.0)[0] == pytest.approx(exact, abs=5 * 4e-5)


@pytest.mark.parametrize("spread", [0.1, 0.4, 1.0])
def test_random_scale_closed_form_quadrature_and_integral_agree(spread: float) -> None:
    data = increments(*made(5, units=5, tau=0.0, scale_spread=0.3))
    closed, slope = random_scale_loglik(data, 30.0, 100.0, spread, 1.1)
    nodes, node_slope = random_scale_quadrature(data, 30.0, 100.0, spread, 1.1)
    assert nodes == pytest.approx(closed, rel=1e-9)
    assert node_slope == pytest.approx(slope, rel=1e-7, abs=1e-6)
    step = data.after**1.1 - data.before**1.1

    def density(u: float, rows: Floats) -> float:
        w = 100.0 * math.exp(u)
        own = gamma_law.logpdf(data.growth[rows], 30.0 * step[rows], scale=1 / w).sum()
        return float(own + gamma_law.logpdf(w, spread**-2, scale=100.0 * spread**2) + math.log(w))

    assert _by_quad(data, density, np.linspace(-4, 3, 141)) == pytest.approx(closed, rel=1e-8)


def test_random_scale_goes_over_into_the_same_rate() -> None:
    data = increments(*made(6, tau=0.0))
    plain = gamma_loglik(data, 0.3, 0.01, 1.0)[0]
    for spread in (0.0, 1e-6, 1e-5):
        assert random_scale_loglik(data, 30.0, 100.0, spread, 1.0)[0] == pytest.approx(
            plain, abs=1e-6
        )


@pytest.mark.parametrize("model", MODELS)
def test_recovery_within_standard_errors(model: Model) -> None:
    spread = {"scale_spread": 0.3, "tau": 0.0} if model == "random-scale" else {}
    if model == "same":
        spread = {"tau": 0.0}
    found = fit_exact(*made(7, 300, power=1.15, **spread), model=model, power=None)
    assert found.converged
    truth = {
        "rate": 0.3, "phi": 0.01, "power": 1.15, "tau": 0.25, "eta": 30.0, "delta": 0.3**-2,
        "gamma": 0.01 * 0.3**-2, "shape_per_age": 30.0, "inverse_scale": 100.0,
    }  # fmt: skip
    for name, value in found.estimates.items():
        assert 0 < found.standard_errors[name] < 0.3 * value
        assert abs(value - truth[name]) < 4 * found.standard_errors[name]


@pytest.mark.parametrize("model", ["lognormal", "random-scale"])
def test_no_spread_between_units(model: Model) -> None:
    # Each unit repeats the same growth.
    step = np.array([0.31, 0.28, 0.35, 0.30, 0.26])
    age = np.tile(np.arange(1.0, 6.0), 8)
    depth = np.tile(np.cumsum(step), 8)
    unit = np.repeat(np.arange(8), 5)
    plain = fit_exact(age, depth, unit)
    found = fit_exact(age, depth, unit, model=model)
    assert found.converged
    assert found.no_spread
    assert found.loglik == pytest.approx(plain.loglik, abs=1e-6)
    assert not plain.no_spread


@settings(max_examples=20)
@given(seed=st.integers(0, 1000), stretch=st.floats(1e-3, 1e3), model=st.sampled_from(MODELS))
def test_rescaled_depth_and_reordered_rows(seed: int, stretch: float, model: Model) -> None:
    age, depth, unit = made(seed, scale_spread=0.2)
    plain = fit_exact(age, depth, unit, model=model)
    order = np.random.default_rng(seed).permutation(age.size)
    words = [f"unit {u}" for u in unit[order]]
    other = fit_exact(age[order], depth[order] * stretch, words, model=model)
    assert other.loglik == pytest.approx(plain.loglik - age.size * math.log(stretch), abs=1e-6)
    if not plain.no_spread:
        for name in {"rate", "phi", "gamma"} & set(plain.estimates):
            assert other.estimates[name] / stretch == pytest.approx(plain.estimates[name], rel=2e-4)


def test_rows_at_age_nought_count_for_nothing() -> None:
    age, depth, unit = made(8)
    labels = np.unique(unit)
    more = fit_exact(
        np.append(age, 0 * labels), np.append(depth, 0 * labels), np.append(unit, labels)
    )
    assert more == fit_exact(age, depth, unit)


AGE, DEPTH, UNIT = made(9)
ROWS = np.arange(AGE.size)


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        ({"model": "other"}, BadShapeError, "no model is called 'other'"),
        ({"power": 0.0}, BadShapeError, "power of 0"),
        ({"power": math.nan}, BadShapeError, "power of nan"),
        ({"quadrature": True}, BadShapeError, "random-scale only"),
        ({"unit": UNIT[1:]}, BadShapeError, "give each its label"),
        ({"depth": DEPTH[1:]}, BadShapeError, "for every reading"),
        ({"age": np.where(ROWS == 3, np.nan, AGE)}, NotFiniteError, "age in row 3"),
        ({"depth": np.where(ROWS == 2, np.inf, DEPTH)}, NotFiniteError, "depth in row 2"),
        ({"age": AGE - AGE[0] - 1}, NotGrowingError, "when the part was new"),
        ({"age": AGE * (ROWS > 0)}, NotGrowingError, "depth 0"),
        ({"depth": np.where(ROWS == 1, DEPTH[0], DEPTH)}, NotGrowingError, "with noise"),
        ({"depth": np.where(ROWS == 1, DEPTH[0] / 2, DEPTH)}, NotGrowingError, "unit 0"),
        ({"age": np.where(ROWS == 1, AGE[0], AGE)}, NotGrowingError, "two readings at age"),
        ({"age": [0.0], "depth": [0.0], "unit": [1]}, TooFewError, "after age 0"),
        ({"age": [1.0], "depth": [1.0], "unit": [1]}, TooFewError, "1 increments"),
        (
            {"age": [1.0, 2, 3], "depth": [1.0, 2.2, 3], "unit": [1, 1, 1], "model": "lognormal"},
            TooFewError,
            "two units or more",
        ),
        (
            {"age": [1.0, 2, 3], "depth": [1.0, 2.2, 3], "unit": [1, 2, 3], "model": "lognormal"},
            TooFewError,
            "two readings or more",
        ),
        (
            {"age": [2.0] * 3, "depth": [1.0, 2.2, 3], "unit": [1, 2, 3], "power": None},
            TooFewError,
            "same two ages",
        ),
        ({"depth": AGE * 0.3}, NoNoiseError, "without scatter"),
        ({"depth": AGE * (1 + UNIT % 3), "model": "lognormal"}, NoNoiseError, "without scatter"),
    ],
)
def test_refusals(change: dict[str, Any], error: type[FitRefusedError], words: str) -> None:
    with pytest.raises(error) as refused:
        fit_exact(**{"age": AGE, "depth": DEPTH, "unit": UNIT, **change})
    assert words in str(refused.value)
    assert refused.value.mend


def test_growth_along_an_exact_power_has_no_scatter_to_fit() -> None:
    for model in MODELS:
        with pytest.raises(NoNoiseError):
            fit_exact(AGE, 0.3 * AGE**1.3, UNIT, model=model, power=None)
    with pytest.raises(NoNoiseError):
        fit_exact(AGE, 0.3 * AGE**1.3, UNIT, power=1.3)
