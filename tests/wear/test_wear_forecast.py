"""Forecasts from an electrode's state against simulation and exact integration."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.wear_worlds import draw_world, run_shop
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gammainc

from pitwise.trade import base_sheet
from pitwise.wear import forecast as fc
from pitwise.wear import state as wear_state
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.forecast import (
    Components,
    chances,
    components,
    depth_cdf,
    depth_moments,
    depth_quantiles,
    reading_cdf,
    remaining_starts,
)
from pitwise.wear.hazard import fit_losses
from pitwise.wear.history import History, Step, pack
from pitwise.wear.posterior import Problem
from pitwise.wear.prior import GAMMA, KAPPA, OMEGA, PHI, RATE, SIGMA, TAU, Floats, GrowthPrior, age
from pitwise.wear.state import (
    ElectrodeState,
    known_electrode,
    move,
    new_electrode,
    observe,
    use,
)

PRIOR = GrowthPrior.of(base_sheet())


@pytest.fixture(scope="module")
def shop() -> list[History]:
    rng = np.random.default_rng(4)
    return run_shop(rng, draw_world(rng, "gamma", 3, PRIOR), 24)


@pytest.fixture(scope="module")
def fit(shop: list[History]) -> WearFit:
    return fit_wear(shop, PRIOR)


@pytest.fixture(scope="module")
def worn(fit: WearFit) -> ElectrodeState:
    state = observe(use(new_electrode(fit, "process 1"), 120, 90), 0.22)
    return observe(use(state, 260, 200), 0.41)


@pytest.fixture(scope="module")
def parts(worn: ElectrodeState) -> Components:
    return components(worn)


def simulated(parts: Components, starts: float, minutes: float, seed: int) -> tuple[Floats, Floats]:
    """Depths after a job and the chance each had to come through it, many times over."""
    rng = np.random.default_rng(seed)
    k = np.resize(np.arange(len(parts)), 200_000)
    depth = parts.mean[k] + np.sqrt(parts.variance[k]) * rng.standard_normal(len(k))
    now = age(parts.starts, parts.arc_minutes, parts.kappa, parts.gamma)
    then = age(parts.starts + starts, parts.arc_minutes + minutes, parts.kappa, parts.gamma)
    grown = (parts.rate * (then - now))[k]
    phi = parts.phi[k]
    after = np.maximum(depth, 0) + phi * rng.standard_gamma(grown / phi)
    at = np.linspace(0, 1, 41)[:, None]
    along = np.maximum(parts.mean, 0) + at * parts.rate * (then - now)
    risk = starts * parts.loss * np.exp(parts.slope * along)
    return after, np.exp(-np.trapezoid(risk, at[:, 0], axis=0))[k]


@given(
    st.floats(0, 2000), st.floats(0, 3000), st.floats(0.05, 3.0), st.floats(1, 500), st.floats(0, 1)
)
@settings(max_examples=40)
def test_the_three_ends_add_to_one_and_go_the_right_way(
    parts: Components, starts: float, minutes: float, limit: float, more: float, deeper: float
) -> None:
    base = chances(parts, starts, minutes, limit)
    assert base.finish + base.limit + base.lost == pytest.approx(1, abs=1e-12)
    assert min(base.finish, base.limit, base.lost) >= 0
    longer = chances(parts, starts + more, minutes + more, limit)
    # In its far tail (here e.g. 1e-7) the sum over five nodes is no finer: 3,000 random jobs rose
    # by 2.6e-9 at most where a job of nothing, exact, met one of a single start.
    assert longer.finish <= base.finish + 1e-8
    assert longer.lost >= base.lost - 1e-12
    assert chances(parts, starts, minutes, limit + deeper).finish >= base.finish - 1e-12


def test_no_job_ends_where_it_stands(parts: Components) -> None:
    none = chances(parts, 0, 0, 3.0)
    assert none.finish == pytest.approx(1)
    assert none.lost == pytest.approx(0)


@pytest.mark.parametrize(("starts", "minutes"), [(40, 30), (300, 200), (900, 100)])
def test_a_forecast_agrees_with_simulation(
    parts: Components, starts: float, minutes: float
) -> None:
    depth, kept = simulated(parts, starts, minutes, 1)
    for limit in np.quantile(depth, [0.05, 0.3, 0.7, 0.95]):
        got = chances(parts, starts, minutes, float(limit))
        # 200,000 draws: SE 0.001; five normal points of a smooth function, some more.
        assert got.finish == pytest.approx(float(np.mean((depth < limit) * kept)), abs=0.006)
        assert got.lost == pytest.approx(float(np.mean(1 - kept)), abs=0.004)
    depths = depth_quantiles(parts, [starts], [minutes])[:, 0]
    wanted = np.quantile(depth, [0.05, 0.5, 0.95])
    assert depths == pytest.approx(wanted, abs=0.02 * float(depth.std()) + 0.003)
    mean, sd = depth_moments(parts, starts, minutes)
    assert (mean, sd) == pytest.approx((depth.mean(), depth.std()), rel=0.02)


def test_quantiles_turn_the_distribution_round(parts: Components) -> None:
    levels = (0.01, 0.2, 0.5, 0.8, 0.99)
    depth = depth_quantiles(parts, [250], [190], levels)[:, 0]
    assert depth_cdf(parts, 250, 190, depth) == pytest.approx(levels, abs=1e-5)
    reading = depth_quantiles(parts, [250], [190], levels, of_reading=True)[:, 0]
    assert reading_cdf(parts, 250, 190, reading) == pytest.approx(levels, abs=1e-5)
    assert reading[0] < depth[0]
    assert reading[-1] > depth[-1]


def test_starts_left_are_where_the_limit_is_met(parts: Components) -> None:
    left = remaining_starts(parts, 1.0, 0.77)
    assert np.all(np.diff(left) > 0)
    met = [1 - depth_cdf(parts, s, 0.77 * s, 1.0) for s in left]
    assert met == pytest.approx([0.05, 0.5, 0.95], abs=1e-3)
    assert np.all(remaining_starts(parts, 0.01, 0.77) == 0)


@pytest.mark.parametrize("count", [fc.FLEET_COMPONENTS, fc.COMPONENTS])
def test_thinning_keeps_the_forecast(worn: ElectrodeState, count: int) -> None:
    few = components(worn, count)
    weight = np.exp(worn.log_weight).ravel()
    draw = np.arange(weight.size) // worn.rate.shape[1]
    theta, losses = worn.theta[draw], worn.losses[draw]
    every = replace(
        few,
        rate=worn.rate.ravel(),
        mean=worn.mean.ravel(),
        variance=worn.variance.ravel(),
        kappa=np.exp(theta[:, KAPPA]),
        gamma=theta[:, GAMMA],
        phi=np.exp(theta[:, PHI]),
        sigma=np.exp(theta[:, SIGMA]),
        loss=np.exp(losses[:, 0]),
        slope=np.exp(losses[:, 1]),
    )
    grown = fc._gained(every, 300, 220)
    for limit in (0.7, 0.9, 1.1):
        below = fc._below(every, grown, np.array(limit))
        wanted = float(weight @ below) / float(weight.sum())
        got = float(depth_cdf(few, 300, 220, limit))
        assert got == pytest.approx(wanted, abs=0.02 if count < 100 else 0.01)


def test_updating_is_filtering_again(fit: WearFit) -> None:
    steps = (Step(80, 60, 0.1, "process 0"), Step(180, 130, None, "process 0"))
    online = use(observe(use(new_electrode(fit, "process 0"), 80, 60), 0.1), 180, 130)
    online = observe(use(online, 240, 170), 0.37, 0.05)
    again = known_electrode(
        fit,
        History("x", (*steps, Step(240, 170, 0.37, "process 0", 0.05))),
        in_fit=False,
    )
    assert online.mean == pytest.approx(again.mean, rel=1e-12)
    assert online.log_weight == pytest.approx(again.log_weight, rel=1e-12, abs=1e-12)
    assert (online.readings, online.starts) == (again.readings, again.starts) == (2, 240)


def test_the_state_is_the_exact_posterior_of_one_draw(fit: WearFit) -> None:
    """Rate and depth of one electrode by brute force over the rate, readings as one vector."""
    one = replace(
        fit,
        draws=replace(
            fit.draws,
            theta=fit.draws.theta[:1],
            rate_mean=fit.draws.rate_mean[:1],
            rate_sd=fit.draws.rate_sd[:1],
            losses=fit.draws.losses[:1],
        ),
    )
    state = observe(use(new_electrode(one, "process 1"), 120, 90), 0.22)
    state = observe(use(state, 260, 200), 0.41)
    w = np.exp(state.log_weight)
    got = float((w * state.mean).sum()), float((w * np.log(state.rate)).sum())
    theta = one.draws.theta[0]
    phi, sigma2 = math.exp(theta[PHI]), math.exp(2 * theta[SIGMA])
    at = age([120, 260], [90, 200], math.exp(theta[KAPPA]), theta[GAMMA])
    mean, spread = (
        one.draws.rate_mean[0, 1],
        math.hypot(math.exp(theta[TAU]), one.draws.rate_sd[0, 1]),
    )
    log_rate = np.linspace(mean - 6 * spread, mean + 6 * spread, 3001)
    log_p, depth = -0.5 * ((log_rate - mean) / spread) ** 2, np.zeros_like(log_rate)
    for k, r in enumerate(np.exp(log_rate)):
        of_depth = phi * r * np.minimum.outer(at, at)
        of_reading = of_depth + sigma2 * np.eye(2)
        miss = np.array([0.22, 0.41]) - r * at
        solved = np.linalg.solve(of_reading, miss)
        log_p[k] -= 0.5 * (miss @ solved + np.linalg.slogdet(of_reading)[1])
        depth[k] = r * at[1] + of_depth[1] @ solved
    p = np.exp(log_p - log_p.max())
    p /= p.sum()
    assert got == pytest.approx((float(p @ depth), float(p @ log_rate)), abs=2e-5)


def test_an_electrode_in_the_fit_is_not_counted_twice(shop: list[History], fit: WearFit) -> None:
    """The belief in a process' rate less one electrode, against integrating the others alone."""
    history = next(h for h in shop if h.readings >= 3)
    g = fit.processes.index(history.steps[0].process)
    others = Problem(pack([h for h in shop if h is not history]), PRIOR)
    mean, sd = wear_state._without_own(
        fit, history, fit.draws.rate_mean[:, g], fit.draws.rate_sd[:, g]
    )
    name = list(others.packed.processes).index(history.steps[0].process)
    off, ratio = [], []
    for k in range(0, len(fit.draws.theta), 4):
        others.likelihood(fit.draws.theta[k], gradient=False)
        wanted = others.found[name]
        off.append((mean[k] - wanted.mean) / wanted.sd)
        ratio.append(sd[k] / wanted.sd)
    # Matched by a normal factor: near, not exact. Left in, its readings would narrow the sd.
    assert np.abs(off).max() < 0.25
    assert np.mean(ratio) == pytest.approx(1, abs=0.08)


def test_what_a_forecast_rests_on_is_said(fit: WearFit) -> None:
    assert new_electrode(fit, "process 0").basis == "this-process"
    assert new_electrode(fit, "unheard of").basis == "other-processes"
    assert new_electrode(fit_wear([], PRIOR), "p").basis == "sheet"
    alone = History("only", (Step(100, 80, 0.15, "p"),))
    assert known_electrode(fit_wear([alone], PRIOR), alone, in_fit=True).basis == "sheet"


def test_a_move_keeps_the_electrodes_own_rate(fit: WearFit, worn: ElectrodeState) -> None:
    there = move(fit, worn, "process 2")
    between = fit.draws.rate_mean[:, 2] - fit.draws.rate_mean[:, 1]
    assert np.log(there.rate / worn.rate) == pytest.approx(
        np.broadcast_to(between[:, None], worn.rate.shape)
    )
    back = move(fit, there, "process 1")
    assert back.rate == pytest.approx(worn.rate)
    assert back.mean is worn.mean


def test_a_cold_start_says_what_the_sheet_says() -> None:
    fit = fit_wear([], PRIOR)
    assert fit.loglik == 0
    assert fit.theta == pytest.approx(PRIOR.mean, abs=0.06)
    assert np.delete(fit.theta, PHI) == pytest.approx(np.delete(PRIOR.mean, PHI), abs=1e-6)
    low, _, high = depth_quantiles(components(new_electrode(fit, "p")), [500], [0])[:, 0]
    rate = math.exp(PRIOR.mean[RATE])
    # E[exp(2x)] of the normal log tau and log omega; scatter adds phi/rate.
    omega2, tau2 = (math.exp(2 * PRIOR.mean[k] + 2 * PRIOR.sd[k] ** 2) for k in (OMEGA, TAU))
    spread = math.sqrt(PRIOR.sd[RATE] ** 2 + omega2 + tau2 + 0.01 / rate)
    # 64 draws: a standard deviation to one part in eleven.
    assert math.log(high / low) / 2 / 1.645 == pytest.approx(spread, rel=0.2)


def lives(seed: int, count: int, base: float, eta: float) -> tuple[list[Floats], Floats]:
    """Segments (starts, from, to) of simulated lives, and the depth at each loss."""
    rng = np.random.default_rng(seed)
    segments, lost = [], []
    for _ in range(count):
        rate, depth, to_loss = (
            0.0012 * math.exp(0.25 * rng.standard_normal()),
            0.0,
            rng.exponential(),
        )
        for _ in range(10):
            at = depth + rate * np.arange(101)
            risk = np.cumsum(base * np.exp(eta * 0.5 * (at[1:] + at[:-1])))
            gone = int(np.searchsorted(risk, to_loss))
            done = min(gone + 1, 100)
            segments.append(np.array([done, depth, depth + rate * done]))
            depth += rate * done
            if gone < 100:
                lost.append(depth)
                break
            to_loss -= risk[-1]
    return segments, np.array(lost)


def test_the_hazard_of_loss_is_found_again() -> None:
    segments, lost = lives(1, 900, 4e-5, 3.5)
    made, start, end = np.array(segments).T
    found = fit_losses(PRIOR, made, start, end, lost)
    assert found.losses == len(lost) > 100
    off = (found.mean - np.log([4e-5, 3.5])) / np.sqrt(np.diag(found.covariance))
    assert np.abs(off).max() < 3


def test_the_prior_of_its_slope_fades_by_20_losses() -> None:
    """A prior far off holds while there is no loss and is all but gone with 20."""
    segments, lost = lives(2, 1500, 4e-5, 3.5)
    made, start, end = np.array(segments).T
    far = replace(PRIOR, loss_mean=(PRIOR.loss_mean[0], math.log(1.2)))

    def slope(prior: GrowthPrior, count: int) -> float:
        share = len(lost) / max(count, 1)
        return float(fit_losses(prior, made / share, start, end, lost[:count]).mean[1])

    apart = math.log(3.0) - math.log(1.2)
    assert slope(PRIOR, 1) - slope(far, 1) > 0.6 * apart
    assert abs(slope(PRIOR, 20) - slope(far, 20)) < 0.25 * apart
    assert abs(slope(PRIOR, 120) - slope(far, 120)) < 0.1 * apart


def test_replaced_is_never_lost(shop: list[History], fit: WearFit) -> None:
    alive = [replace(h, ended="replaced" if h.ended != "lost" else "lost") for h in shop]
    assert fit_wear(alive, PRIOR).losses.losses == fit.losses.losses
    none = fit_wear([replace(h, ended="replaced") for h in shop], PRIOR)
    assert none.losses.losses == 0
    assert none.losses.mean[0] < PRIOR.loss_mean[0] + 1e-9
    assert np.array_equal(none.theta, fit.theta)


@pytest.mark.parametrize("spread", [1e-4, 0.01, 0.03, 0.1])
@pytest.mark.parametrize("grown", [0.0, 0.002, 0.02, 0.1, 0.6])
def test_the_sum_of_normal_and_gamma_against_fine_quadrature(spread: float, grown: float) -> None:
    """A depth known to +-spread that grows by a gamma increment, at every ratio of the two."""
    one = np.ones(1)
    phi = 0.02
    parts = fc.Components(
        *(one * 0.6, one * 0.5, one * spread**2, one, one, one * phi, one * 0.03, one, one),
        *(100.0, 80.0, 0.8, 0.03),
    )
    # Not at the mean itself, where a gamma of hardly any shape rises from 0 like a wall.
    places = np.linspace(0.31, 1.6, 27)
    z = np.linspace(-8, 8, 4001)
    weight = np.exp(-0.5 * z * z)
    weight /= weight.sum()
    room = places[:, None] - (0.5 + spread * z)
    exact = (
        (room > 0) if grown == 0 else gammainc(grown / phi, np.maximum(room, 0) / phi)
    ) @ weight
    found = fc._below(parts, np.full((27, 1), grown), places)[:, 0]
    # One component alone is worst, near a gamma of hardly any shape; the mean error counts, for
    # a forecast is a mixture of 64 and more (next test).
    assert found == pytest.approx(exact, abs=0.06)
    assert np.abs(found - exact).mean() < 0.004


@pytest.mark.parametrize("job", [(0.001, 0.001), (5, 4), (20, 15), (50, 40), (250, 190)])
def test_short_and_long_jobs_against_monte_carlo(
    parts: fc.Components, job: tuple[float, float]
) -> None:
    random = np.random.default_rng(5)
    shape = (len(parts), 1500)
    grown = fc._gained(parts, *job)
    depth = parts.mean[:, None] + np.sqrt(parts.variance)[:, None] * random.standard_normal(shape)
    depth = np.maximum(depth, 0.0) + parts.phi[:, None] * random.gamma(
        np.broadcast_to((grown / parts.phi)[:, None], shape)
    )
    reading = depth + parts.sigma[:, None] * random.standard_normal(shape)
    places = np.linspace(0.05, 1.5, 40)
    for drawn, said in (
        (depth, depth_cdf(parts, *job, places)),
        (reading, fc.reading_cdf(parts, *job, places)),
    ):
        counted = np.searchsorted(np.sort(drawn.ravel()), places) / drawn.size
        assert said == pytest.approx(counted, abs=0.006)
