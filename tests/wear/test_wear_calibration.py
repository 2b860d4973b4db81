"""A small run of `benchmarks/calibration.py`: the odds come true as far as so few can show."""

from __future__ import annotations

import numpy as np
import pytest
from benchmarks.calibration import Score, crps_of_forecast, ratio, replicate, share
from benchmarks.wear_worlds import (
    Particles,
    Truth,
    World,
    crps_of_sample,
    particle_forecast,
    path_forecast,
)

from pitwise.trade import base_sheet
from pitwise.wear.fit import fit_wear
from pitwise.wear.forecast import (
    components,
    depth_moments,
    depth_quantiles,
)
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.state import (
    new_electrode,
)

REPLICATES = 5


@pytest.fixture(scope="module", params=["gamma", "path"])
def scores(request: pytest.FixtureRequest) -> list[Score]:
    truth: Truth = request.param
    return [s for n in range(REPLICATES) for s in replicate(truth, 16, 2, 5000 + n, 4, peers=False)]


def test_nine_in_ten_fall_in_the_nine_in_ten_range(scores: list[Score]) -> None:
    pit = np.array([s.pit for s in scores])
    covered, se = share((pit >= 0.05) & (pit <= 0.95), [s.replicate for s in scores])
    # Band of the page, widened by what 160 forecasts in 5 shops can't tell.
    assert 0.86 - 3 * se < covered < 0.96 + 3 * se
    assert se < 0.06


def test_forecasts_lean_neither_way(scores: list[Score]) -> None:
    pit = np.array([s.pit for s in scores])
    number = np.array([s.replicate for s in scores])
    mean, se = ratio(pit, np.ones_like(pit), number)
    assert mean == pytest.approx(0.5, abs=3 * se + 0.02)


def test_as_many_jobs_finish_as_were_claimed_to(scores: list[Score]) -> None:
    claimed = np.array([s.claimed for s in scores])
    finished = np.array([s.finished for s in scores], float)
    number = np.array([s.replicate for s in scores])
    off, se = ratio(finished - claimed, np.ones_like(claimed), number)
    assert off == pytest.approx(0, abs=3 * se + 0.01)
    sure = claimed > 0.95
    assert finished[sure].mean() > 0.9


def test_the_two_ways_to_score_agree() -> None:
    fit = fit_wear([], GrowthPrior.of(base_sheet()))
    parts = components(new_electrode(fit, "p"), 64)
    levels = tuple((np.arange(200) + 0.5) / 200)
    sample = depth_quantiles(parts, [300], [200], levels)[:, 0]
    even = np.full(200, 1 / 200)
    for truth in (0.1, 0.5, 1.3):
        got = crps_of_forecast(parts, 300, 200, truth)
        # The trapezoid rule on 90 points errs upward, by most in a forecast as wide as this.
        assert got == pytest.approx(crps_of_sample(sample, even, truth), rel=0.03)
    assert depth_moments(parts, 300, 200)[0] == pytest.approx(float(sample.mean()), rel=0.02)


def test_the_fair_score_of_a_sample_does_not_depend_on_its_size() -> None:
    rng = np.random.default_rng(0)
    small = np.mean([crps_of_sample(rng.standard_normal(5), None, 0.3) for _ in range(4000)])
    large = crps_of_sample(rng.standard_normal(40_000), None, 0.3)
    assert small == pytest.approx(large, abs=0.02)


def test_the_matched_models_agree_where_growth_hardly_scatters() -> None:
    rates = np.array([0.6])
    world = World("path", 0.5, 1.0, 0.25, 0.03, 0.02, 0.6, 0.35, 1e-5, 3.0, rates)
    looks = [(100.0, 80.0, 0.17), (220.0, 180.0, 0.38)]
    depth, weight = path_forecast(world, float(np.log(0.6)), 0.1, looks, (400.0, 330.0))
    rng = np.random.default_rng(1)
    start = np.log(0.6) + np.hypot(0.25, 0.1) * rng.standard_normal(20_000)
    even = particle_forecast(rng, Particles(start, 0.5, 1.0, 1e-5, 0.03), looks, (400.0, 330.0))
    assert even.mean() == pytest.approx(float(weight @ depth), abs=0.003)
    spread = float(weight @ (depth - weight @ depth) ** 2) ** 0.5
    assert even.std() == pytest.approx(spread, rel=0.06)
