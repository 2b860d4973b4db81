"""The best age of Weibull lives against a worked example, and against plain quadrature.

The example: a planned change costs 1, a loss 5, lives are Weibull with scale 1000 and shape 2.5
(documentation of the Python package `reliability`, optimal replacement time: 493.19 at a cost
rate of 0.00346; its grid is coarse). The digits here are of scipy's adaptive quadrature with a
bounded search. The equation is Barlow & Hunter's (Oper. Res. 8 (1960) 90; from memory).
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import minimize_scalar

from pitwise.wear.replacement.age import age_cost_rate, best_age

AGE, RATE = 493.0469599, 0.0034620427387821915


def by_quadrature(age: float, shape: float, planned: float, lost: float) -> float:
    """Cost per scale of use at an age in scales, straight from the definition."""
    kept, _ = quad(lambda x: math.exp(-(x**shape)), 0, age, epsabs=0, epsrel=1e-12, limit=200)
    alive = math.exp(-(age**shape))
    return float((planned * alive + lost * (1 - alive)) / kept)


def test_the_worked_example() -> None:
    found = best_age(2.5, 1000.0, 1.0, 5.0)
    assert found.age == pytest.approx(AGE, abs=1e-4)
    assert found.cost_rate == pytest.approx(RATE, rel=1e-9)
    # As the package's page prints it.
    assert found.age == pytest.approx(493.19, abs=0.2)
    assert float(f"{found.cost_rate:.3g}") == 0.00346


@pytest.mark.parametrize("shape", [1.2, 1.72, 2.5, 3.16, 8.0, 40.0])
@pytest.mark.parametrize("lost", [1.5, 5.0, 80.0])
def test_against_quadrature_and_a_bounded_search(shape: float, lost: float) -> None:
    found = best_age(shape, 1.0, 1.0, lost)
    for age in (0.02, 0.3, 1.0, 1.7):
        assert float(age_cost_rate(age, shape, 1.0, 1.0, lost)) == pytest.approx(
            by_quadrature(age, shape, 1.0, lost), rel=1e-10
        )
    searched = minimize_scalar(
        lambda x: by_quadrature(math.exp(x), shape, 1.0, lost),
        bounds=(math.log(0.01), math.log(4.0)),
        method="bounded",
        options={"xatol": 1e-9},
    )
    assert found.cost_rate <= searched.fun * (1 + 1e-9)
    if found.age < 3.0:
        assert found.age == pytest.approx(math.exp(searched.x), rel=1e-4)
        assert found.cost_rate == pytest.approx(searched.fun, rel=1e-9)


def test_running_to_loss_costs_the_loss_over_the_mean_life() -> None:
    # Mean of a Weibull life: scale * gamma(1 + 1/shape) (NIST/SEMATECH e-Handbook 8.1.6.2).
    for shape in (0.7, 1.0, 2.5):
        found = best_age(shape, 300.0, 1.0, 7.0)
        assert found.run_to_loss_rate == pytest.approx(7.0 / (300.0 * math.gamma(1 + 1 / shape)))
    assert np.isinf(best_age(1.0, 300.0, 1.0, 7.0).age)
