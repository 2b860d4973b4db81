"""What a shop's readings may look like at their worst."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.wear_worlds import draw_world, run_shop
from hypothesis import given, settings
from hypothesis import strategies as st

from pitwise.trade import base_sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.forecast import (
    chances,
    components,
    depth_quantiles,
)
from pitwise.wear.history import History, HistoryError, Step
from pitwise.wear.prior import KAPPA, PHI, SIGMA, TAU, GrowthPrior
from pitwise.wear.state import (
    known_electrode,
    new_electrode,
    observe,
    use,
)

PRIOR = GrowthPrior.of(base_sheet())


@pytest.fixture(scope="module")
def shop() -> list[History]:
    rng = np.random.default_rng(6)
    return run_shop(rng, draw_world(rng, "gamma", 2, PRIOR), 40)


@pytest.fixture(scope="module")
def fit(shop: list[History]) -> WearFit:
    return fit_wear(shop, PRIOR)


def changed(shop: list[History], which: int, at: int, depth: float) -> list[History]:
    steps = list(shop[which].steps)
    steps[at] = replace(steps[at], depth_mm=depth)
    return [*shop[:which], replace(shop[which], steps=tuple(steps)), *shop[which + 1 :]]


def sound(fit: WearFit) -> None:
    """Every number of a fit, and of a forecast by it, is one."""
    assert np.all(np.isfinite(fit.theta))
    assert np.all(np.isfinite(fit.se))
    assert np.all(fit.se > 0)
    assert math.isfinite(fit.loglik)
    assert np.all(np.isfinite(fit.draws.theta))
    assert np.all(fit.draws.rate_sd > 0)
    for process in (*fit.processes[:1], "another"):
        parts = components(use(new_electrode(fit, process), 10, 10))
        got = chances(parts, 200, 150, 1.0)
        assert got.finish + got.limit + got.lost == pytest.approx(1)
        low, middle, high = depth_quantiles(parts, [200], [150])[:, 0]
        assert 0 <= low <= middle <= high < math.inf


def long_lived(shop: list[History]) -> int:
    return next(i for i, h in enumerate(shop) if h.readings >= 4)


def test_one_wild_reading_is_named_and_hardly_moves_the_rest(
    shop: list[History], fit: WearFit
) -> None:
    which = long_lived(shop)
    wild = fit_wear(changed(shop, which, 1, 1.45), PRIOR)
    assert [(x.electrode, x.step, x.depth_mm) for x in wild.set_aside] == [
        (shop[which].name, 1, 1.45)
    ]
    assert "to be expected" in wild.set_aside[0].text
    assert wild.readings == fit.readings - 1
    assert np.all(np.abs(wild.theta - fit.theta) < 0.5 * fit.se)


def test_a_wild_reading_stays_out_of_its_electrodes_forecast(
    shop: list[History], fit: WearFit
) -> None:
    which = long_lived(shop)
    slipped = changed(shop, which, 2, 24.0)
    again = fit_wear(slipped, PRIOR)
    sane = components(known_electrode(fit, shop[which], in_fit=True))
    mended = components(known_electrode(again, slipped[which], in_fit=True))
    assert len(again.set_aside) == 1
    depths = [depth_quantiles(p, [100], [70])[:, 0] for p in (sane, mended)]
    assert depths[1] == pytest.approx(depths[0], abs=0.1)


def test_thou_in_a_column_of_mm_are_named(shop: list[History], fit: WearFit) -> None:
    which = long_lived(shop)
    slipped = fit_wear(changed(shop, which, 2, 24.0), PRIOR)
    assert slipped.set_aside[0].electrode == shop[which].name
    assert "24 thou would be 0.61 mm" in slipped.set_aside[0].text
    assert np.all(np.abs(slipped.theta - fit.theta) < 0.5 * fit.se)


def test_a_lost_sign_is_named(shop: list[History]) -> None:
    aside = fit_wear(changed(shop, long_lived(shop), 1, -0.5), PRIOR).set_aside
    assert len(aside) == 1
    assert "is the sign right?" in aside[0].text


def test_noise_below_zero_stays(shop: list[History]) -> None:
    kept = fit_wear([*shop, History("young", (Step(3, 2, -0.04, "process 0"),))], PRIOR)
    assert kept.set_aside == ()
    sound(kept)


def test_nothing_and_next_to_nothing() -> None:
    sound(fit_wear([], PRIOR))
    unread = fit_wear([History("a", (Step(100, 80, None, "p"),))], PRIOR)
    assert unread.readings == 0
    assert unread.loglik == pytest.approx(0, abs=1e-9)
    sound(unread)
    one = fit_wear([History("a", (Step(100, 80, 0.3, "p"),))], PRIOR)
    assert one.readings == 1
    sound(one)
    # One reading twice as deep as expected: the process is believed quicker, not certain.
    assert 0.1 < one.rates[0].mean - PRIOR.mean[5] < 1.2


def test_all_readings_equal() -> None:
    same = [
        History(f"e{i}", tuple(Step(100.0 * k, 60.0 * k, 0.5, "p") for k in (1, 2, 3)))
        for i in range(12)
    ]
    sound(fit_wear(same, PRIOR))


def test_equal_electrodes() -> None:
    one = tuple(Step(100.0 * k, 60.0 * k, 0.12 * k, "p") for k in (1, 2, 3))
    fit = fit_wear([History(f"e{i}", one) for i in range(25)], PRIOR)
    sound(fit)
    assert fit.values["tau"] < 0.25


def test_no_starts_or_no_minutes() -> None:
    idle = [History(f"e{i}", (Step(0, 0, 0.01 * i - 0.02, "p"),)) for i in range(4)]
    sound(fit_wear(idle, PRIOR))
    arc_only = [History(f"e{i}", (Step(0, 200, 0.1 + 0.02 * i, "p"),)) for i in range(4)]
    sound(fit_wear(arc_only, PRIOR))
    no_arc = [History(f"e{i}", (Step(200, 0, 0.2 + 0.02 * i, "p"),)) for i in range(4)]
    fit = fit_wear(no_arc, PRIOR)
    sound(fit)
    assert not fit.kappa_identified
    assert fit.theta[KAPPA] == pytest.approx(PRIOR.mean[KAPPA], abs=0.05)


@pytest.mark.parametrize("scale", [1e-6, 1e-3, 1e6])
def test_tiny_and_huge_use(scale: float) -> None:
    odd = [
        History(f"e{i}", (Step(100 * scale, 80 * scale, 0.2 + 0.01 * i, "p"),)) for i in range(5)
    ]
    sound(fit_wear(odd, PRIOR))


@pytest.mark.parametrize("sigma", [1e-4, 0.5])
def test_very_good_and_very_bad_gauges(shop: list[History], sigma: float) -> None:
    gauged = [
        replace(h, steps=tuple(replace(s, sigma_mm=sigma) for s in h.steps)) for h in shop[:12]
    ]
    sound(fit_wear(gauged, PRIOR))


@pytest.mark.parametrize(
    "step",
    [
        Step(math.nan, 1, 0.1, "p"),
        Step(1, math.inf, 0.1, "p"),
        Step(1, 1, math.nan, "p"),
        Step(1, 1, math.inf, "p"),
        Step(-1, 1, 0.1, "p"),
        Step(1, 1, 0.1, "p", 0.0),
        Step(1, 1, 0.1, "p", math.nan),
    ],
)
def test_what_cannot_be_is_refused(step: Step) -> None:
    with pytest.raises(HistoryError, match="electrode x: .*Mend:"):
        History("x", (step,))


def test_use_that_falls_is_refused(fit: WearFit) -> None:
    with pytest.raises(HistoryError, match="use falls"):
        History("x", (Step(10, 5, None, "p"), Step(9, 6, None, "p")))
    with pytest.raises(HistoryError, match="no step"):
        History("x", ())
    state = use(new_electrode(fit, "process 0"), 10, 5)
    with pytest.raises(ValueError, match="can't fall"):
        use(state, 9, 5)
    with pytest.raises(ValueError, match="finite"):
        observe(state, math.nan)


@given(
    st.lists(
        st.lists(
            st.tuples(
                st.floats(0, 5000),
                st.floats(0, 5000),
                st.none() | st.floats(-0.3, 4),
                st.booleans(),
            ),
            min_size=1,
            max_size=4,
        ),
        max_size=4,
    )
)
@settings(max_examples=12)
def test_any_readings_give_a_sound_fit(
    rows: list[list[tuple[float, float, float | None, bool]]],
) -> None:
    histories = []
    for i, row in enumerate(rows):
        s = h = 0.0
        steps = []
        for more, minutes, depth, other in row:
            s, h = s + more, h + minutes
            steps.append(Step(s, h, depth, "q" if other else "p"))
        histories.append(History(f"e{i}", tuple(steps)))
    fit = fit_wear(histories, PRIOR)
    sound(fit)
    for history in histories:
        parts = components(known_electrode(fit, history, in_fit=True))
        got = chances(parts, 100, 80, 1.0)
        assert got.finish + got.limit + got.lost == pytest.approx(1)


def test_many_electrodes_of_one_reading_each() -> None:
    """A hundred thousand are in `benchmarks/wear.py`."""
    rng = np.random.default_rng(9)
    mix = rng.uniform(0.2, 1.5, 4000)
    starts = rng.integers(50, 400, 4000)
    rate = 0.5 * np.exp(0.3 * rng.standard_normal(4000))
    depth = rate * starts * (1 + 0.5 * mix) / 500 + 0.03 * rng.standard_normal(4000)
    histories = [
        History(f"e{i}", (Step(float(s), float(s * m), float(d), "p"),))
        for i, (s, m, d) in enumerate(zip(starts, mix, depth, strict=True))
    ]
    fit = fit_wear(histories, PRIOR)
    sound(fit)
    assert fit.values["kappa"] == pytest.approx(0.5, rel=0.25)
    assert math.exp(fit.rates[0].mean) == pytest.approx(0.5, rel=0.1)
    # One reading each can't tell electrodes that differ from growth that scatters.
    assert fit.se[PHI] > 0
    assert fit.theta[SIGMA] == pytest.approx(PRIOR.mean[SIGMA], abs=0.9)
    assert 0.1 < math.exp(fit.theta[TAU]) < 0.5
