"""Node grids and the mixture they carry, and the search that both special cases use."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy.integrate import quad
from scipy.stats import binom, norm

from pitwise.wear.newton import minimise
from pitwise.wear.nodes import log_mixture, node_grid
from pitwise.wear.refusal import BadShapeError

Floats = npt.NDArray[np.float64]


@pytest.mark.parametrize("sd", [0.0, 0.05, 0.3, 2.0])
def test_grid_is_a_normal_distribution(sd: float) -> None:
    nodes, log_weights = node_grid(sd)
    weights = np.exp(log_weights)
    assert nodes.shape == log_weights.shape == (85,)
    assert weights.sum() == pytest.approx(1, abs=1e-14)
    assert weights @ nodes == pytest.approx(0, abs=1e-15)
    # What lies beyond 4.2 standard deviations is left out: some 5e-4 of the variance.
    assert weights @ nodes**2 == pytest.approx(sd**2, rel=6e-4)
    wide = node_grid(sd, half_width=9, count=201)
    assert np.exp(wide[1]) @ np.exp(wide[0]) == pytest.approx(math.exp(sd**2 / 2), rel=1e-11)


@pytest.mark.parametrize("successes", [0, 3, 60])
def test_mixture_against_adaptive_quadrature(successes: int) -> None:
    sd, trials = 0.7, 60
    nodes, log_weights = node_grid(sd, half_width=8, count=201)
    loglik = binom.logpmf(successes, trials, 1 / (1 + np.exp(-nodes)))[None, :]
    mixed, posterior = log_mixture(loglik, log_weights)

    def integrand(u: float, power: int) -> float:
        chance = binom.pmf(successes, trials, 1 / (1 + math.exp(-u)))
        return float(u**power * chance * norm.pdf(u, scale=sd))

    whole = quad(integrand, -6, 6, args=(0,), epsabs=0, epsrel=1e-12, limit=200)[0]
    first = quad(integrand, -6, 6, args=(1,), epsabs=1e-16, epsrel=1e-12, limit=200)[0]
    assert mixed[0] == pytest.approx(math.log(whole), rel=1e-10)
    assert posterior[0] @ nodes == pytest.approx(first / whole, abs=1e-9)


def test_mixture_of_far_off_likelihoods() -> None:
    nodes, log_weights = node_grid(0.3)
    loglik = np.vstack([-1e5 - nodes**2, np.full(85, -np.inf), np.full(85, 800.0)])
    loglik[0, ::2] = -np.inf
    mixed, posterior = log_mixture(loglik, log_weights)
    assert -1e5 - 2 < mixed[0] < -1e5
    assert mixed[1] == -np.inf
    assert mixed[2] == pytest.approx(800.0, rel=1e-14)
    assert posterior.sum(axis=1) == pytest.approx(1.0, abs=1e-14)
    assert posterior[1] == pytest.approx(np.exp(log_weights), rel=1e-12)
    assert (posterior[0, ::2] == 0).all()


@pytest.mark.parametrize(
    ("sd", "half_width", "count"),
    [(-1.0, 4.2, 85), (math.nan, 4.2, 85), (1.0, 0.0, 85), (1.0, math.inf, 85), (1.0, 4.2, 2)],
)
def test_grids_refused(sd: float, half_width: float, count: int) -> None:
    with pytest.raises(BadShapeError):
        node_grid(sd, half_width, count)


def test_mixture_refused() -> None:
    _, log_weights = node_grid(1.0)
    for loglik in (np.zeros(85), np.zeros((2, 84))):
        with pytest.raises(BadShapeError, match="one weight"):
            log_mixture(loglik, log_weights)


def test_search_in_a_curved_valley() -> None:
    def rosenbrock(x: Floats) -> tuple[float, Floats]:
        a, b = 1 - x[0], x[1] - x[0] ** 2
        return float(a * a + 100 * b * b), np.array([-2 * a - 400 * x[0] * b, 200 * b])

    found = minimise(rosenbrock, np.array([-1.2, 1.0]))
    assert found.converged
    assert found.point == pytest.approx([1, 1], rel=1e-8)
    assert found.hessian == pytest.approx(np.array([[802, -400], [-400, 200]]), rel=1e-4)


def test_search_leaves_a_saddle() -> None:
    def double_well(x: Floats) -> tuple[float, Floats]:
        value = float((x[0] ** 2 - 1) ** 2 + x[1] ** 2)
        return value, np.array([4 * x[0] * (x[0] ** 2 - 1), 2 * x[1]])

    found = minimise(double_well, np.array([0.0, 0.0]))
    assert found.converged
    assert abs(found.point[0]) == pytest.approx(1, rel=1e-8)


def test_search_steps_back_from_what_is_not_finite_and_says_when_it_has_no_end() -> None:
    def barrier(x: Floats) -> tuple[float, Floats]:
        if x[0] <= 0:
            return math.inf, np.array([math.nan])
        return float(x[0] - math.log(x[0])), np.array([1 - 1 / x[0]])

    found = minimise(barrier, np.array([8.0]), longest_step=20)
    assert found.converged
    assert found.point[0] == pytest.approx(1, rel=1e-8)
    falling = minimise(lambda x: (float(-x[0]), np.array([-1.0])), np.array([0.0]), max_steps=20)
    assert not falling.converged
