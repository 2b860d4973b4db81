"""The fit's likelihood, gradient and mode against slow and certain ways to the same."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.wear_worlds import draw_world, run_shop
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate as quadrature
from scipy.stats import norm

from pitwise.trade import base_sheet
from pitwise.wear import pool
from pitwise.wear.fit import fit_wear
from pitwise.wear.history import History, HistoryError, Step, pack
from pitwise.wear.nodes_filter import node_likelihood
from pitwise.wear.posterior import Problem, find_mode, start_of
from pitwise.wear.prior import (
    GAMMA,
    KAPPA,
    OMEGA,
    PHI,
    RATE,
    SIGMA,
    TAU,
    Floats,
    GrowthPrior,
    age,
    penalty,
)

PRIOR = GrowthPrior.of(base_sheet())


def shop(seed: int, electrodes: int, processes: int = 2, *, moves: bool = False) -> list[History]:
    """A simulated shop; with `moves`, every third electrode changes process on the way."""
    rng = np.random.default_rng(seed)
    found = run_shop(rng, draw_world(rng, "gamma", processes, PRIOR), electrodes)
    if not moves:
        return found
    other = [f"process {(i + 1) % processes}" for i in range(electrodes)]
    return [
        replace(h, steps=(*h.steps[:-1], replace(h.steps[-1], process=other[i])))
        if i % 3 == 0
        else h
        for i, h in enumerate(found)
    ]


def dense(history: History, theta: Floats, rate: float) -> float:
    """Log density of an electrode's readings as one normal vector."""
    read = [s for s in history.steps if s.depth_mm is not None]
    at = age(
        [s.starts for s in read],
        [s.arc_minutes for s in read],
        math.exp(theta[KAPPA]),
        theta[GAMMA],
    )
    phi, sigma = math.exp(theta[PHI]), math.exp(theta[SIGMA])
    if not read:
        return 0.0
    covariance = phi * rate * np.minimum.outer(at, at) + sigma**2 * np.eye(len(at))
    miss = np.array([s.depth_mm or 0.0 for s in read]) - rate * at
    _, log_det = np.linalg.slogdet(2 * math.pi * covariance)
    return float(-0.5 * (log_det + miss @ np.linalg.solve(covariance, miss)))


@given(st.integers(0, 10_000), st.integers(1, 12), st.integers(1, 3), st.booleans())
@settings(max_examples=15)
def test_the_gradient_is_that_of_the_value(
    seed: int, electrodes: int, processes: int, moves: bool
) -> None:
    problem = Problem(pack(shop(seed, electrodes, processes, moves=moves)), PRIOR)
    z = np.random.default_rng(seed).uniform(-0.8, 0.8, 7)
    problem(z)  # settles the grids
    _, slope = problem(z)
    step = 1e-5
    for k in range(7):
        ends = []
        for sign in (1, -1):
            at = z.copy()
            at[k] += sign * step
            ends.append(problem(at)[0])
        assert slope[k] == pytest.approx((ends[0] - ends[1]) / (2 * step), rel=2e-4, abs=2e-4)


@given(st.integers(0, 10_000))
@settings(max_examples=20)
def test_the_filter_is_the_density_of_a_normal_vector(seed: int) -> None:
    histories = shop(seed, 4, 1)
    theta = np.array(PRIOR.mean) + 0.3 * np.random.default_rng(seed).standard_normal(7)
    packed = pack(histories)
    log_rates = np.log([0.2, 0.6, 1.4])
    got = node_likelihood(packed.packs[0], theta, log_rates, np.zeros(1), gradient=False).value
    for row, i in enumerate(packed.packs[0].index):
        wanted = [dense(histories[i], theta, math.exp(r)) for r in log_rates]
        assert got[row] == pytest.approx(wanted, rel=1e-9, abs=1e-9)


def test_the_marginal_likelihood_is_the_double_integral() -> None:
    histories = [
        History("a", (Step(90, 60, 0.11, "p"), Step(230, 150, 0.34, "p"))),
        History("b", (Step(150, 200, 0.42, "p"),)),
    ]
    theta = np.array(PRIOR.mean)
    tau, omega = math.exp(theta[TAU]), math.exp(theta[OMEGA])

    log_rate = np.linspace(-5, 4, 6001)
    of_rate = [np.exp([dense(h, theta, math.exp(r)) for r in log_rate]) for h in histories]

    def inner(u: float) -> float:
        return math.prod(
            float(quadrature.simpson(norm.pdf(log_rate, u, tau) * f, x=log_rate)) for f in of_rate
        )

    whole = quadrature.quad(
        lambda u: norm.pdf(u, theta[RATE], omega) * inner(u),
        theta[RATE] - 8 * omega,
        theta[RATE] + 8 * omega,
        epsabs=0,
        epsrel=1e-9,
        limit=200,
    )[0]
    value, _ = Problem(pack(histories), PRIOR).likelihood(theta, gradient=False)
    assert value == pytest.approx(math.log(whole), abs=1e-7)


def test_finer_and_wider_grids_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    packed = pack(shop(3, 12))
    theta = np.array(PRIOR.mean)
    usual, _ = Problem(packed, PRIOR).likelihood(theta, gradient=False)
    monkeypatch.setattr(pool, "_STEP_TAU", 0.05)
    monkeypatch.setattr(pool, "_STEP_U", 0.2)
    monkeypatch.setattr(pool, "_HALF_WIDTH_U", 9.0)
    monkeypatch.setattr(pool, "MOST_NODES", 5000)
    fine, _ = Problem(packed, PRIOR).likelihood(theta, gradient=False)
    assert usual == pytest.approx(fine, abs=1e-6)


def test_the_mode_has_no_slope() -> None:
    packed = pack(shop(5, 20))
    problem = Problem(packed, PRIOR)
    z = find_mode(problem, start_of(shop(5, 20), packed, PRIOR))
    assert np.linalg.norm(problem(z)[1]) < 0.02


def test_the_order_of_electrodes_does_not_matter() -> None:
    histories = shop(7, 25, moves=True)
    one, other = fit_wear(histories, PRIOR), fit_wear(histories[::-1], PRIOR)
    assert one.loglik == pytest.approx(other.loglik, abs=1e-3)
    assert one.theta == pytest.approx(other.theta, abs=5e-3)


def test_the_same_readings_give_the_same_fit_to_the_last_bit() -> None:
    histories = shop(8, 15)
    one, other = fit_wear(histories, PRIOR), fit_wear(histories, PRIOR)
    assert np.array_equal(one.theta, other.theta)
    assert np.array_equal(one.draws.theta, other.draws.theta)
    assert not np.array_equal(one.draws.theta, fit_wear(histories, PRIOR, seed=1).draws.theta)


def test_draws_agree_with_the_posterior_weighted_another_way() -> None:
    """Mean and SD of the draws against weights on a wide, heavy-tailed cloud about them."""
    fit = fit_wear(shop(11, 5, 1), PRIOR, draws=512)
    problem = Problem(pack(shop(11, 5, 1)), PRIOR)
    drawn = (fit.draws.theta - np.array(PRIOR.mean)) / np.array(PRIOR.sd)
    root = 1.2 * np.linalg.cholesky(np.cov(drawn.T))
    rng = np.random.default_rng(0)
    normal = rng.standard_normal((2500, 7))
    spread = normal * np.sqrt(6 / rng.chisquare(6, (2500, 1)))
    cloud = drawn.mean(axis=0) + spread @ root.T
    inside = np.all(np.abs(cloud) <= 5, axis=1)
    log_w = np.array([problem.log_posterior(z) for z in cloud[inside]])
    log_w += 0.5 * (6 + 7) * np.log1p((spread[inside] ** 2).sum(axis=1) / 6)
    w = np.exp(log_w - log_w.max())
    w /= w.sum()
    assert 1 / float(w @ w) > 150  # the weights are worth enough draws to judge by: SE 0.08 SD
    mean = w @ cloud[inside]
    sd = np.sqrt(w @ (cloud[inside] - mean) ** 2)
    assert np.all(np.abs(drawn.mean(axis=0) - mean) < 0.3 * sd)
    ratio = drawn.std(axis=0) / sd
    assert np.delete(ratio, PHI) == pytest.approx(np.ones(6), abs=0.2)
    # Known weakness: the split normal is short in the far lower tail of log phi (0.73 here),
    # where scatter is below what any reading shows and the forecast hardly depends on it.
    assert 0.65 < ratio[PHI] < 1.2


def test_truth_is_found_again_from_many_electrodes() -> None:
    rng = np.random.default_rng(21)
    world = draw_world(rng, "gamma", 6, PRIOR)
    fit = fit_wear(run_shop(rng, world, 600), PRIOR)
    off = (fit.theta - world.theta) / fit.se
    assert np.abs(off).max() < 4
    assert off @ off < 25  # chi-squared of 7: 1 in 1,000 is beyond


def test_kappa_needs_jobs_of_different_minutes_per_start() -> None:
    def with_mix(even: bool) -> list[History]:
        return [
            replace(
                h,
                steps=tuple(
                    replace(s, arc_minutes=0.8 * s.starts if even else s.arc_minutes)
                    for s in h.steps
                ),
            )
            for h in shop(31, 90, 1)
        ]

    alike, mixed = fit_wear(with_mix(True), PRIOR), fit_wear(with_mix(False), PRIOR)
    assert not alike.kappa_identified
    assert alike.minutes_per_start == pytest.approx((0.8, 0.8, 0.8))
    assert mixed.kappa_identified
    assert mixed.se[KAPPA] < 0.5 * alike.se[KAPPA]


def test_a_name_twice_is_refused() -> None:
    one = History("a", (Step(1, 1, 0.1, "p"),))
    with pytest.raises(HistoryError, match="comes twice"):
        fit_wear([one, one], PRIOR)


def test_the_prior_of_scatter_allows_for_hardly_any() -> None:
    """Its density is the mixture's, its gradient that of the density."""
    assert PRIOR.small_phi is not None
    share, mean, sd = PRIOR.small_phi

    def density(x: float) -> float:
        return float(
            (1 - share) * norm.pdf(x, PRIOR.mean[PHI], PRIOR.sd[PHI])
            + share * norm.pdf(x, mean, sd)
        )

    z = np.zeros(7)
    z[TAU] = 0.7
    for at in (-4.0, -1.0, 0.0, 2.0):
        z[PHI] = at
        value, slope = penalty(PRIOR, z)
        x = PRIOR.mean[PHI] + PRIOR.sd[PHI] * at
        wanted = -math.log(density(x) * math.sqrt(2 * math.pi)) + 0.5 * 0.7**2
        assert value == pytest.approx(wanted)
        by_phi = (math.log(density(x - 1e-5)) - math.log(density(x + 1e-5))) / 2e-5
        assert slope[PHI] == pytest.approx(by_phi * PRIOR.sd[PHI], abs=1e-6)
        assert slope[TAU] == pytest.approx(0.7)
    assert penalty(replace(PRIOR, small_phi=None), z)[0] == pytest.approx(0.5 * (2.0**2 + 0.7**2))
