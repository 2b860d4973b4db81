"""Advice on demand whose law is known, and its words."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from kit_demand import pair, state_of, torch
from pitwise.shelf.advice import (
    Advice,
    Band,
    Buying,
    CantTell,
    Keeping,
    advise,
    days_left,
    realised,
)
from pitwise.shelf.demand import DailyWork, DemandPaths, simulate_changes
from pitwise.shelf.words import advice_words, band_words, day_words, percent_words

MONDAY = dt.date(2026, 11, 30)
BUYING = Buying(20.0, 5, 5, 12.0, 3.0)
KEEPING = Keeping(0.95, 30.0, 0.2)


def steady(per_day: float, *, days: int = 120, paths: int = 1500, seed: int = 1) -> DemandPaths:
    return DemandPaths(np.random.default_rng(seed).poisson(per_day, (paths, days)))


def told(found: Advice | CantTell) -> Advice:
    assert isinstance(found, Advice)
    return found


def kept_for_years(
    per_day: float, advice: Advice, lead: float, sd: float, review: int, days: int, seed: int
) -> tuple[float, float]:
    """Keep a shelf by the rule, piece by piece in plain Python; share met, and its SE."""
    random = Random(seed)
    numbers = np.random.default_rng(seed).poisson(per_day, days)
    shelf, coming = advice.order_up_to, [(0, 0)]
    blocks: list[float] = []
    met = asked = 0
    for day, wanted in enumerate(numbers):
        shelf += sum(n for at, n in coming if at == day)
        coming = [(at, n) for at, n in coming if at > day]
        given = min(max(shelf, 0), int(wanted))
        met, asked, shelf = met + given, asked + int(wanted), shelf - int(wanted)
        position = shelf + sum(n for _, n in coming)
        if day % max(1, review) == 0 and position <= advice.reorder_point:
            times = -(-(advice.reorder_point + 1 - position) // advice.order_size)
            wait = random.gammavariate((lead / sd) ** 2, sd**2 / lead) if sd else lead
            arrives = day + math.floor(wait + random.random()) + 1
            coming.append((arrives, times * advice.order_size))
        if day % (days // 50) == days // 50 - 1:
            blocks.append(met / max(asked, 1))
            met = asked = 0
    return float(np.mean(blocks)), float(np.std(blocks, ddof=1) / math.sqrt(len(blocks)))


@pytest.mark.parametrize(
    ("per_day", "service", "lead", "sd", "review"),
    [(4.0, 0.95, 10.0, 0.0, 0), (4.0, 0.9, 10.0, 3.0, 0), (3.0, 0.98, 14.0, 2.0, 7)],
)
def test_the_rule_meets_the_share_it_was_asked_for(
    per_day: float, service: float, lead: float, sd: float, review: int
) -> None:
    advice = told(
        advise(
            steady(per_day),
            on_shelf=10,
            on_order=[],
            buying=Buying(20.0, 5, 5, lead, sd),
            keeping=Keeping(service, 30.0, 0.2, None, review),
        )
    )
    share, se = kept_for_years(per_day, advice, lead, sd, review, 20_000, 3)
    assert se < 0.005
    assert abs(share - service) < 0.02 + 2 * se
    assert abs(advice.service_expected - service) < 0.02


def test_the_rule_holds_on_wear_it_has_not_seen() -> None:
    def demand(seed: int) -> DemandPaths:
        loads = [
            torch(
                f"T{k}",
                work=DailyWork(300.0, 0.5, 10.0, 20.0, 100.0),
                gap=2.0,
                sets=replace(
                    pair(state_of(0.45, tau=0.25, phi=0.02, sigma=0.02, loss=2e-6)), u_mm=0.02
                ),
            )
            for k in range(10)
        ]
        return simulate_changes(loads, days=150, paths=400, seed=seed)["nozzle"]

    seen = demand(1)
    advice = told(
        advise(
            seen,
            on_shelf=5,
            on_order=[],
            buying=Buying(20.0, 1, 1, 12.0, 2.0),
            keeping=KEEPING,
        )
    )
    # So many pieces that chance moves the share by far less than a point.
    assert demand(2).pieces.sum() > 100_000
    share = realised(
        demand(2),
        advice.reorder_point,
        advice.order_size,
        Buying(20.0, 1, 1, 12.0, 2.0),
        seed=9,
    )
    assert abs(share - KEEPING.service) < 0.02
    assert abs(share - advice.service_expected) < 0.02


def test_a_lower_point_would_not_do() -> None:
    advice = told(advise(steady(4.0), on_shelf=10, on_order=[], buying=BUYING, keeping=KEEPING))
    lower = replace(
        advice,
        reorder_point=advice.reorder_point - 3,
        order_up_to=advice.order_up_to - 3,
    )
    share, se = kept_for_years(4.0, lower, 12.0, 3.0, 0, 20_000, 4)
    assert share < KEEPING.service + 2 * se


def test_the_chance_of_running_short_is_that_of_the_law() -> None:
    demand = steady(0.6, paths=8000)
    for there in (4, 7, 11):
        advice = told(
            advise(
                demand,
                on_shelf=there,
                on_order=[],
                buying=Buying(20.0, 1, 1, 12.0, 0.0),
                keeping=KEEPING,
            )
        )
        p = float(poisson.sf(there, 7.2))
        assert advice.shortage_chance == pytest.approx(p, abs=4 * math.sqrt(p * (1 - p) / 8000))
        assert (advice.lead_demand.p05, advice.lead_demand.median, advice.lead_demand.p95) == (
            tuple(poisson.ppf((0.05, 0.5, 0.95), 7.2))
        )


def test_days_left_on_a_clockwork() -> None:
    daily = DemandPaths(np.ones((3, 30), np.int64))
    assert days_left(daily, 6) == Band(6, 6, 6)
    assert days_left(daily, -2) == Band(0, 0, 0)
    # Four more on day 3; on day 9 they come too late to mend day 6.
    assert days_left(daily, 6, [(4, 3)]) == Band(10, 10, 10)
    assert days_left(daily, 6, [(4, 9)]) == Band(6, 6, 6)
    assert math.isinf(days_left(daily, 40).p05)


def test_a_late_order_comes_tomorrow_at_the_soonest() -> None:
    daily = DemandPaths(np.ones((3, 30), np.int64))
    assert days_left(daily, 0, [(5, -9)]) == Band(0, 0, 0)
    assert days_left(daily, 1, [(5, -9)]) == Band(6, 6, 6)


def test_nothing_asked_for_needs_no_order() -> None:
    idle = DemandPaths.none(50, 90)
    advice = told(advise(idle, on_shelf=1, on_order=[], buying=BUYING, keeping=KEEPING))
    assert (advice.order_now, advice.service_expected) == (0, 1.0)
    assert "none is likely to go" in advice_words(advice, "rings", "ring", MONDAY)[0]


def test_an_order_longer_than_the_look_cannot_be_told() -> None:
    found = advise(
        steady(1.0, days=30),
        on_shelf=1,
        on_order=[],
        buying=Buying(1, 1, 1, 40, 0),
        keeping=KEEPING,
    )
    assert isinstance(found, CantTell)
    assert not found
    assert "40 days" in found.reason


def test_pieces_that_are_to_stay_are_not_planned_with() -> None:
    demand = steady(0.5)
    plain = told(advise(demand, on_shelf=20, on_order=[], buying=BUYING, keeping=KEEPING))
    kept = told(
        advise(
            demand,
            on_shelf=20,
            on_order=[],
            buying=BUYING,
            keeping=replace(KEEPING, keep_least=4),
        )
    )
    assert kept.reorder_point == plain.reorder_point + 4
    # What there is to stand with is there all the same.
    assert kept.shortage_chance == plain.shortage_chance


def test_a_known_cost_of_being_short_raises_the_share() -> None:
    demand = steady(2.0)
    dear = told(
        advise(
            demand,
            on_shelf=5,
            on_order=[],
            buying=BUYING,
            keeping=replace(KEEPING, service=0.5, shortage_cost=400.0),
        )
    )
    # 1 − hQ/(pλ): 4 a year for a piece kept, 400 for one short, 730 a year.
    per_year = float(demand.pieces.mean()) * 365
    assert dear.service_asked == pytest.approx(1 - 4 * dear.order_size / (400 * per_year))


@settings(max_examples=40)
@given(
    st.floats(0.0, 3.0),
    st.integers(0, 60),
    st.integers(1, 12),
    st.integers(1, 30),
    st.floats(0.0, 30.0),
    st.floats(0.5, 0.99),
)
def test_any_advice_can_be_ordered(
    per_day: float, there: int, pack: int, least: int, lead: float, service: float
) -> None:
    demand = steady(per_day, days=70, paths=120)
    buying = Buying(15.0, pack, least, lead, lead / 4)
    keeping = Keeping(service, 25.0, 0.2)
    less, more = (
        told(advise(demand, on_shelf=n, on_order=[], buying=buying, keeping=keeping))
        for n in (there, there + 5)
    )
    for advice in (less, more):
        assert advice.order_now % pack == 0
        assert advice.order_now == 0 or advice.order_now >= least
        assert advice.reorder_point >= 0
        assert advice.order_size >= 1
        assert 0 <= advice.shortage_chance <= 1
        assert advice.days_left.p05 <= advice.days_left.median <= advice.days_left.p95
        assert all(advice_words(advice, "nozzles", "nozzle", MONDAY))
    assert more.order_now <= less.order_now
    assert more.shortage_chance <= less.shortage_chance
    assert more.days_left.median >= less.days_left.median


ADVICE = Advice(
    "rq", 8, 20, 28, 20, 3.0, Band(2, 3, 5), 0.95, 0.962, 0.1, 0.84, Band(4, 7, 11),
    Band(5, 9, 14), 12.0, 3.0, 6, 0, 90,
)  # fmt: skip


def test_the_words() -> None:
    first, chance, rule = advice_words(ADVICE, "nozzles", "nozzle", MONDAY)
    assert first == (
        "Order 20 nozzles by Thursday: there are 6, about 9 go in the 12 days an order takes "
        "(5 to 14)."
    )
    assert chance == "Chance of standing without before an order of today could come: 84 %."
    assert rule == (
        "Order when shelf and orders are down to 8, 20 at a time: by the forecast that meets 96 % "
        "of the demand at once (asked: 95 %). Chance of standing without while an order is on its "
        "way: 10 %."
    )
    now = replace(ADVICE, by_day=0.0, on_shelf=1, on_order=5, order_now=1)
    assert advice_words(now, "nozzles", "nozzle", MONDAY)[0].startswith(
        "Order 1 nozzle today: there is 1 and 5 on order, about 9 go"
    )
    none = replace(ADVICE, order_now=0, on_shelf=30, order_day=Band(14, 20, math.inf))
    words = advice_words(none, "nozzles", "nozzle", MONDAY, assumed=True)
    assert words[0].startswith("No order yet: there are 30 nozzles, about 9 go")
    assert words[1] == (
        "The next order is likely due on 20 December (14 December to after 90 days)."
    )
    assert "assumed" in words[-1]
    assert "Keep 28: order one for each that goes" in " ".join(
        advice_words(replace(ADVICE, method="newsvendor"), "kits", "kit", MONDAY)
    )


def test_small_words() -> None:
    assert [day_words(n, MONDAY) for n in (0, 1, 2, 7, 400)] == [
        "today",
        "tomorrow",
        "Wednesday",
        "7 December",
        "4 January 2028",
    ]
    assert [percent_words(x) for x in (0, 0.004, 0.5, 0.999, 1)] == [
        "under 1 %",
        "under 1 %",
        "50 %",
        "over 99 %",
        "over 99 %",
    ]
    assert band_words(Band(18, 24, 31), 90) == "24 days (18 to 31)"
    assert band_words(Band(18, 24, math.inf), 90) == "24 days (18 to over 90)"
    assert band_words(Band(math.inf, math.inf, math.inf), 90) == "more than 90 days"
    assert band_words(Band(80, math.inf, math.inf), 90).startswith(
        "more than 90 days (1 in 20: 80 "
    )
