"""Demand run forward, against cases whose answer is known."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import chisquare, poisson

from kit_demand import EVEN, pair, state_of, torch
from pitwise.shelf.demand import simulate_changes
from pitwise.shelf.paths import DemandPaths, kits_needed, lead_times, takings
from pitwise.shelf.torch_load import Counted, DailyWork, LifeBelief, OwnLife


def test_steady_wear_is_a_clockwork() -> None:
    # 100 starts and 50 arc minutes a day age it by 125/500 = 0.25: at 0.4 mm per unit age it
    # deepens by 0.1 mm a day and reaches 1 mm on day 10 (index 9). Looked at every 4 days, on
    # days 4, 8, 12, …, it is changed on day 12 and every 12 days from then.
    found = simulate_changes([torch(sets=pair(state_of(0.4)))], days=40, paths=50, seed=1)
    wanted = np.zeros(40, int)
    wanted[[11, 23, 35]] = 1
    for key in ("electrode", "nozzle"):
        assert (found[key].pieces == wanted).all()
        assert found[key].total(0, 12).tolist() == [1] * 50
        assert found[key].quantiles(40) == (3.0, 3.0, 3.0)
        np.testing.assert_array_equal(found[key].probabilities(11), [1.0])


def test_what_is_behind_it_counts() -> None:
    worn = replace(state_of(0.4), mean=np.full((1, 85), 0.65))
    # 0.35 mm left are passed on the fourth day, and the last look was three days ago.
    found = simulate_changes([torch(sets=pair(worn), since=3.0)], days=9, paths=20, seed=1)
    # Looks on days 1, 5, 9: 1.15 mm on day 5.
    assert found["electrode"].pieces[0].tolist() == [0, 0, 0, 0, 1, 0, 0, 0, 0]


def test_a_loss_is_changed_on_its_day_and_as_often_as_the_hazard_says() -> None:
    # No slope: a Poisson process of 100 starts × 0.001 a day, and a wear too slow to matter.
    state = state_of(1e-6, loss=1e-3)
    state = replace(state, losses=np.array([[math.log(1e-3), -40.0]]))
    found = simulate_changes([torch(sets=pair(state))], days=60, paths=4000, seed=3)
    total = found["electrode"].total(0, 60)
    # At most one loss a day: each day's chance is 1 − e^−0.1.
    p = 1 - math.exp(-0.1)
    assert total.mean() == pytest.approx(60 * p, abs=4 * math.sqrt(60 * p * (1 - p) / 4000))
    assert total.var() == pytest.approx(60 * p * (1 - p), rel=0.1)


def test_counted_ends_of_several_torches_are_one_poisson() -> None:
    # A rate known well (many ends over many starts) on two torches of 100 and 50 starts a day:
    # 40 days of 150 starts at 1/1000 are a Poisson of mean 6.
    known = Counted(1e7, 1e10)
    loads = [
        torch("A", parts=(OwnLife("shield", 0, known),)),
        torch("B", work=DailyWork(50.0, 0.5), parts=(OwnLife("shield", 0, known),)),
    ]
    total = simulate_changes(loads, days=40, paths=6000, seed=5)["shield"].total(0, 40)
    seen = np.bincount(np.minimum(total, 13), minlength=14)
    expected = poisson.pmf(np.arange(14), 6.0)
    expected[13] += poisson.sf(13, 6.0)
    assert chisquare(seen, expected * 6000).pvalue > 0.01


def test_a_rate_in_doubt_is_shared_by_its_torches() -> None:
    # Gamma(4) over 4000 starts: mean 1/1000, SD half of that; 20 torches share the doubt, so
    # the total's SD stays near half its mean instead of shrinking by √20.
    few = Counted(4.0, 4000.0)
    loads = [torch(f"T{k}", parts=(OwnLife("shield", 0, few),)) for k in range(20)]
    total = simulate_changes(loads, days=30, paths=4000, seed=5)["shield"].total(0, 30)
    assert total.mean() == pytest.approx(60, rel=0.05)
    assert total.std() == pytest.approx(math.hypot(30, math.sqrt(60)), rel=0.06)


def test_weibull_of_shape_one_forgets_its_age() -> None:
    life = LifeBelief(1000.0, 1.0)
    for behind in (0.0, 5000.0):
        load = torch(parts=(OwnLife("ring", behind, life),))
        total = simulate_changes([load], days=50, paths=4000, seed=2)["ring"].total(0, 50)
        assert total.mean() == pytest.approx(5.0, abs=4 * math.sqrt(5 / 4000))
        assert total.var() == pytest.approx(5.0, rel=0.1)


def test_weibull_of_great_shape_is_a_clockwork_from_its_age_on() -> None:
    load = torch(parts=(OwnLife("ring", 450.0, LifeBelief(1000.0, 50.0)),))
    pieces = simulate_changes([load], days=30, paths=200, seed=2)["ring"].pieces
    # 550 starts left at 100 a day: about day 6, 16 and 26 (SD of a life: 2.6 %).
    assert (pieces[:, 4:8].sum(axis=1) == 1).all()
    assert (pieces[:, 12:20].sum(axis=1) == 1).all()
    assert pieces[:, :4].sum() == pieces[:, 8:12].sum() == 0


def test_renewals_match_the_long_run() -> None:
    # Elementary renewal theorem: starts over mean life; mean of Weibull(1000, 2) = 886.2.
    load = torch(parts=(OwnLife("ring", 0.0, LifeBelief(1000.0, 2.0)),))
    found = simulate_changes([load], days=365, paths=500, seed=4)["ring"]
    late = found.total(100, 365)
    assert late.mean() == pytest.approx(26500 / 886.23, rel=0.01)


def test_planned_work_is_part_of_the_usual_unless_the_shop_set_that_beside_it() -> None:
    life = OwnLife("ring", 0.0, LifeBelief(100.0, 50.0))

    def gone(work: DailyWork) -> float:
        found = simulate_changes([torch(work=work, parts=(life,))], days=20, paths=50, seed=1)
        return float(found["ring"].total(0, 20).mean())

    plan = ((80.0,) * 10, (40.0,) * 10)
    usual = gone(EVEN)
    assert gone(DailyWork(100, 0.5, 0, math.inf, 0, *plan)) == usual
    more = gone(DailyWork(100, 0.5, 0, math.inf, 0, (300.0,) * 14, (150.0,) * 14))
    assert more == pytest.approx(usual * 2.4, rel=0.05)
    assert gone(DailyWork(100, 0.5, 0, math.inf, 0, *plan, on_top=True)) == pytest.approx(
        usual * 1.4, rel=0.05
    )


def test_twice_the_work_takes_twice_the_sets() -> None:
    # 62 starts a day are usual, looked at every 3 days, so after about 186 starts; a plan of
    # several times that is looked at after as many starts, not as many days. A set lasts about
    # 500 starts: the age exponent is 1, so starts and arc minutes add up evenly.
    state = state_of(0.8, tau=0.1, phi=0.01, sigma=0.01)

    def gone(per_day: float, *, on_top: bool = False, days: int = 28) -> float:
        beside = 0.0 if on_top else 62.0
        work = DailyWork(
            beside, 0.5, 0.0, math.inf, 0.0, (per_day,) * days, (per_day / 2,) * days, on_top
        )
        load = replace(
            torch(work=work, gap=3.0, sets=replace(pair(state), u_mm=0.02)),
            gap_starts_per_day=62.0,
        )
        found = simulate_changes([load], days=days, paths=300, seed=7)["electrode"]
        return float(found.total(0, days).mean())

    # Long runs, so that the part of a set begun and not finished does not blur the ratio.
    usual = gone(62.0, days=176)
    for times in (2, 4, 8):
        assert gone(62.0 * times, days=176 // times) == pytest.approx(usual, abs=0.6)
    assert gone(496.0) / gone(248.0) == pytest.approx(2.0, rel=0.06)
    # More than a set a day, which can't be with one look a day.
    assert gone(992.0) / gone(496.0) == pytest.approx(2.0, rel=0.06)
    assert gone(992.0) > 28
    assert gone(496.0, on_top=True) == gone(496.0)


@pytest.mark.parametrize("day_sd", [0.0, 60.0, 100.0])
@pytest.mark.parametrize("today", [0, 4])
@pytest.mark.parametrize(
    ("a_week", "wanted"), [(0.0, 700), (350.0, 700), (700.0, 700), (1050.0, 1050)]
)
def test_uneven_days_and_weekends_add_nothing_to_a_plan(
    day_sd: float, today: int, a_week: float, wanted: float
) -> None:
    # Usual are 100 starts a day; four weeks are planned Monday to Friday. The larger of the two
    # is cut each week, however unevenly the days come and whatever weekday it is today.
    each = tuple(a_week / 5 if (today + k) % 7 < 5 else 0.0 for k in range(28))
    work = DailyWork(100.0, 0.5, 0.0, math.inf, day_sd, each, tuple(0.5 * x for x in each))
    known = Counted(1e9, 1e11)
    load = torch(work=work, parts=(OwnLife("ring", 0.0, known),))
    total = simulate_changes([load], days=28, paths=4000, seed=3)["ring"].total(0, 28)
    # One ring in 100 starts: a Poisson of 4 weeks' work, and the work's own spread.
    mean = 4 * wanted / 100
    se = math.sqrt((mean + 28 * (day_sd / 100) ** 2) / 4000)
    assert total.mean() == pytest.approx(mean, abs=4 * se)


def test_a_week_planned_full_takes_nothing_from_the_weeks_about_it() -> None:
    # Nothing on days 0 to 4, twice the usual from day 5 to 9, nothing after.
    plan = (0.0,) * 5 + (280.0,) * 5
    work = DailyWork(100.0, 0.5, 0.0, math.inf, 0.0, plan, tuple(0.5 * x for x in plan))
    load = torch(work=work, parts=(OwnLife("ring", 0.0, LifeBelief(10.0, 50.0)),))
    pieces = simulate_changes([load], days=14, paths=20, seed=3)["ring"].pieces.mean(axis=0)
    for first, last, starts in ((0, 5, 500), (5, 12, 1400), (12, 14, 200)):
        assert pieces[first:last].sum() == pytest.approx(starts / 9.9, rel=0.03)


def test_kits_are_opened_when_the_loose_are_gone() -> None:
    electrodes = DemandPaths(np.array([[1, 0, 1, 0, 1, 1]]))
    nozzles = DemandPaths(np.array([[1, 1, 1, 0, 1, 1]]))
    kits = kits_needed({1: electrodes, 2: nozzles}, {1: 5, 2: 2}, {1: 1, 2: 1, 3: 4})
    # Nozzles short from the third on: 3 kits by the end; what else is in a kit asks for none.
    assert kits.pieces.tolist() == [[0, 0, 1, 0, 1, 1]]
    with pytest.raises(ValueError, match="no piece"):
        kits_needed({}, {}, {1: 1})


def test_takings_go_as_often_and_as_many_at_a_time() -> None:
    demand = takings(60, 365.0, (1, 1, 4), days=100, paths=3000, seed=2)
    total = demand.total(0, 100)
    assert total.mean() == pytest.approx(60.5 / 365 * 100 * 2, rel=0.03)
    assert set(np.unique(takings(1, 365, (3,), days=9, paths=200, seed=1).pieces)) <= {0, 3, 6}


def test_lead_times_have_their_mean_and_spread() -> None:
    drawn = lead_times(12.0, 3.0, 20000, np.random.default_rng(1))
    assert drawn.min() > 0
    assert drawn.mean() == pytest.approx(12, abs=0.1)
    assert drawn.std() == pytest.approx(3, abs=0.1)
    assert lead_times(0, 3, 2, np.random.default_rng(1)).tolist() == [0, 0]


@settings(max_examples=40)
@given(
    st.floats(0.0, 400.0),
    st.floats(0.05, 2.0),
    st.integers(1, 40),
    st.integers(1, 30),
    st.integers(0, 2**31),
)
def test_any_torch_gives_whole_pieces_and_the_same_twice(
    starts: float, rate: float, days: int, gap: int, seed: int
) -> None:
    state = state_of(rate, tau=0.2, phi=0.02, sigma=0.02, loss=1e-6)
    load = torch(
        work=DailyWork(starts, 0.5, 0.1 * starts, 5.0, 0.4 * starts),
        gap=gap,
        sets=replace(pair(state), early=Counted(0.5, 5000), u_mm=0.02),
        parts=(OwnLife("ring", 30.0, LifeBelief(800.0, 1.4, np.diag([0.04, 0.04]))),),
    )
    one, two = (simulate_changes([load], days=days, paths=20, seed=seed) for _ in range(2))
    for key, demand in one.items():
        assert demand.pieces.shape == (20, days)
        assert demand.pieces.min() >= 0
        np.testing.assert_array_equal(demand.pieces, two[key].pieces)
        np.testing.assert_array_equal(demand.running()[:, -1], demand.total(0, days))
        assert demand.probabilities(days).sum() == pytest.approx(1)
    assert one["electrode"].pieces.max() <= 1
    if starts == 0:
        assert one["ring"].pieces.sum() == 0


def test_nothing_to_look_at_is_refused() -> None:
    with pytest.raises(ValueError, match="at least"):
        simulate_changes([], days=0, seed=1)
