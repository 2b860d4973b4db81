"""Advice on demand whose law is known, and its words."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import replace
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import poisson

from kit_demand import pair, state_of, torch
from pitwise.shelf.advice import Advice, advise
from pitwise.shelf.demand import simulate_changes
from pitwise.shelf.floor import advise_by_floor
from pitwise.shelf.paths import DemandPaths, lead_times
from pitwise.shelf.realised import realised
from pitwise.shelf.stock_left import Band, days_left
from pitwise.shelf.terms import Buying, Keeping
from pitwise.shelf.torch_load import Counted, DailyWork, OwnLife
from pitwise.shelf.words import (
    advice_words,
    band_words,
    day_words,
    first_words,
    floor_words,
    percent_words,
    span_words,
)
from pitwise.wear.cant_tell import CantTell

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
) -> tuple[float, float, float]:
    """Keep a shelf by the rule, piece by piece in plain Python.

    Share of demand met, share of orders before which nothing was missing, and its SE.
    """
    random = Random(seed)
    numbers = np.random.default_rng(seed).poisson(per_day, days)
    shelf, coming = advice.order_up_to, [(0, 0)]
    whole: list[bool] = []
    met = asked = 0
    for day, wanted in enumerate(numbers):
        if any(at == day for at, n in coming if n):
            whole.append(shelf >= 0)
        shelf += sum(n for at, n in coming if at == day)
        coming = [(at, n) for at, n in coming if at > day]
        met, asked = met + min(max(shelf, 0), int(wanted)), asked + int(wanted)
        shelf -= int(wanted)
        position = shelf + sum(n for _, n in coming)
        if day % max(1, review) == 0 and position <= advice.reorder_point:
            times = -(-(advice.reorder_point + 1 - position) // advice.order_size)
            wait = random.gammavariate((lead / sd) ** 2, sd**2 / lead) if sd else lead
            arrives = day + math.floor(wait + random.random()) + 1
            coming.append((arrives, times * advice.order_size))
    share = sum(whole) / len(whole)
    return met / asked, share, math.sqrt(share * (1 - share) / len(whole))


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
    met, whole, se = kept_for_years(per_day, advice, lead, sd, review, 40_000, 3)
    assert se < 0.01
    # One piece more or less moves the share of whole orders by a point and a half.
    assert abs(whole - service) < 0.02 + 2 * se
    assert met > service
    assert advice.service_expected == pytest.approx(met, abs=0.02)
    assert 1 - advice.point_chance == pytest.approx(whole, abs=0.02 + 2 * se)


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
    assert share.whole_orders > KEEPING.service - 0.02
    assert share.whole_orders == pytest.approx(1 - advice.point_chance, abs=0.02)
    assert share.share == pytest.approx(advice.service_expected, abs=0.02)


def test_a_lower_point_would_not_do() -> None:
    advice = told(advise(steady(4.0), on_shelf=10, on_order=[], buying=BUYING, keeping=KEEPING))
    lower = replace(
        advice,
        reorder_point=advice.reorder_point - 3,
        order_up_to=advice.order_up_to - 3,
    )
    _, whole, se = kept_for_years(4.0, lower, 12.0, 3.0, 0, 40_000, 4)
    assert whole < KEEPING.service - 2 * se


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


def test_the_day_to_order_by_is_the_last_that_does() -> None:
    # One goes every day and an order takes 5 days: of 12, the last is gone by day 12, so an
    # order of day 7 is just in time.
    daily = DemandPaths(np.ones((3, 60), np.int64))
    buying = Buying(20.0, 1, 1, 5.0, 0.0)
    for there, day in ((12, 7), (15, 10), (5, 0), (2, 0), (0, 0)):
        found = told(advise(daily, on_shelf=there, on_order=[], buying=buying, keeping=KEEPING))
        assert found.by_day == day
        assert (found.order_now > 0) == (day <= 7)
        assert found.shortage_chance == (1.0 if there < 5 else 0.0)


def test_what_is_on_order_is_not_ordered_again() -> None:
    demand = steady(0.5)
    first = told(advise(demand, on_shelf=1, on_order=[], buying=BUYING, keeping=KEEPING))
    assert first.order_now > 0
    again = told(
        advise(
            demand,
            on_shelf=1,
            on_order=[(first.order_now, 12.0)],
            buying=BUYING,
            keeping=KEEPING,
        )
    )
    # It will run short before that comes, and no order can mend that any more.
    assert again.shortage_chance == pytest.approx(first.shortage_chance, abs=0.02)
    assert again.shortage_chance > 0.5
    assert again.order_now == 0


def test_ordering_by_that_day_is_late_as_often_as_is_accepted() -> None:
    # What was forecast on some futures, tried on others.
    seen, unseen = steady(1.0, paths=4000), steady(1.0, paths=4000, seed=2)
    buying = Buying(20.0, 1, 1, 12.0, 3.0)
    advice = told(advise(seen, on_shelf=40, on_order=[], buying=buying, keeping=KEEPING))
    gone = (unseen.running() > 40).argmax(axis=1)
    come = advice.by_day + lead_times(12.0, 3.0, 4000, np.random.default_rng(8))
    late = float(np.mean(gone < come))
    assert 0.05 - 0.02 < late < 0.05 + 0.015


def test_what_never_failed_is_kept_once_and_ordered_when_it_is_gone() -> None:
    # Half an end believed in 30 000 starts, 100 a day: a chance of 3 % in 18 days.
    load = torch(parts=(OwnLife("head", 0.0, Counted(0.5, 30_000.0)),))
    demand = simulate_changes([load], days=90, paths=2000, seed=1)["head"]
    buying = Buying(900.0, 1, 1, 18.0, 3.0)
    one, none = (
        told(advise(demand, on_shelf=n, on_order=[], buying=buying, keeping=KEEPING))
        for n in (1, 0)
    )
    assert (one.method, one.order_up_to, one.order_now) == ("newsvendor", 1, 0)
    assert (none.order_now, none.by_day) == (1, 0)


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
    assert "probably none goes" in advice_words(advice, "rings", "ring", MONDAY)[0]


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
    Band(5, 9, 14), 12.0, 3.0, 6, 0, 90, "chance", Band(6, 11, 17), 26.4,
)  # fmt: skip


def test_the_words() -> None:
    first, chance, rule = advice_words(ADVICE, "nozzles", "nozzle", MONDAY)
    # On order day and lead together, 15 days on; 26 days are four weeks.
    assert first == (
        "Order 20 nozzles by Thursday: there are 6, about 11 go by 15 December (6 to 17), when an "
        "order of that day is likely there; ordered later, a nozzle is missing before it comes "
        "more often than accepted (5 %). 20 last about 4 weeks."
    )
    assert chance == "Chance of standing without before an order of today could come: 84 %."
    assert rule == (
        "In general order when shelf and orders are down to 8, 20 at a time: by the forecast 90 % "
        "of the orders then come before anything is missing (asked: 95 %), and 96 % of the "
        "demand is met at once."
    )
    now = replace(ADVICE, by_day=0.0, on_shelf=1, on_order=5, order_now=1, lasts_days=1.2)
    assert advice_words(now, "nozzles", "nozzle", MONDAY)[0] == (
        "Order 1 nozzle today: there is 1 and 5 on order, about 11 go by 12 December (6 to 17), "
        "when an order of today is likely there; a nozzle is missing before that with a chance of "
        "84 % (accepted: 5 %). 1 lasts about 1 day."
    )
    none = replace(ADVICE, order_now=0, on_shelf=30, by_day=20.0)
    words = advice_words(none, "nozzles", "nozzle", MONDAY, assumed=True)
    assert words[0].startswith("No order yet: there are 30 nozzles, about 9 go in the 12 days")
    assert words[1] == "By today's forecast the next order is due by 20 December."
    never = replace(none, by_day=math.inf)
    assert "no order is due within 90 days" in advice_words(never, "x", "y", MONDAY)[1]
    assert "assumed" in words[-1]
    assert "Keep 28, and order one for each that goes" in " ".join(
        advice_words(replace(ADVICE, method="newsvendor"), "kits", "kit", MONDAY)
    )


def test_an_order_says_what_really_asks_for_it() -> None:
    def said(in_kits: int = 0, **other: Any) -> str:
        return first_words(
            replace(ADVICE, **other), "electrodes", "electrode", MONDAY, in_kits=in_kits
        )

    seldom = Band(0, 0, 1)
    kits = said(2, on_shelf=2, order_demand=seldom, lasts_days=243.0)
    assert ": there are 2 (0 loose, 2 in kits), up to 1 may go by 15 December, when" in kits
    assert "; ordered later, an electrode is missing before it comes more often than" in kits
    assert kits.endswith(". 20 last about 8 months.")
    assert "likely to go" not in kits
    floor = said(on_shelf=5, why="floor", keep_least=5, by_day=0.0, shortage_chance=0.01)
    assert floor.split("; ")[1] == "5 are always to be kept. 20 last about 4 weeks."
    both = said(on_shelf=5, why="floor", keep_least=1, by_day=0.0)
    assert "; 1 is always to be kept, and an electrode is missing before that with a" in both
    none = said(
        on_shelf=0, why="none", by_day=0.0, shortage_chance=0.03, order_demand=Band(0, 0, 0)
    )
    assert ": there is none, probably none goes by 12 December" in none
    assert "; with none there the next one wanted is missing (chance before that: 3 %)" in none
    dear = said(service_asked=0.99, by_cost=True)
    assert "(1 %, by the cost of being short)" in dear
    same_day = said(lead_days=0.0)
    assert "an order is there the same day" in same_day


def test_the_reason_is_the_one_that_was_reckoned() -> None:
    demand = steady(0.5)
    for there, keep, why in ((8, 0, "chance"), (4, 4, "floor"), (0, 0, "none")):
        advice = told(
            advise(
                demand,
                on_shelf=there,
                on_order=[],
                buying=BUYING,
                keeping=replace(KEEPING, keep_least=keep),
            )
        )
        assert (advice.why, advice.keep_least, advice.order_now > 0) == (why, keep, True)
        assert advice.lasts_days == pytest.approx(advice.order_now / demand.pieces.mean())
        if advice.by_day == 0:
            assert advice.order_demand.median == pytest.approx(6, abs=1)
    # Until order day and its time are over: 0.5 a day for `by_day` and 12 days.
    later = told(advise(demand, on_shelf=13, on_order=[], buying=BUYING, keeping=KEEPING))
    assert 0 < later.by_day <= 7
    assert later.order_demand.median == pytest.approx(0.5 * (12 + later.by_day), abs=1)
    assert later.order_demand.p95 <= 13


def test_pieces_always_to_be_kept_need_no_forecast() -> None:
    why = CantTell("it was never taken", "book what is taken")
    for there, coming, order in ((0, 0, 5), (2, 0, 5), (-3, 0, 5), (2, 2, 5), (5, 0, 0), (2, 3, 0)):
        found = advise_by_floor(why, on_shelf=there, on_order=coming, buying=BUYING, keep_least=5)
        assert (found.order_now, found.by_day) == (order, 0.0 if order else math.inf)
    packed = advise_by_floor(why, on_shelf=0, on_order=0, buying=BUYING, keep_least=6)
    assert packed.order_now == 10
    first, forecast = floor_words(packed, "pieces", "piece")
    assert first == "Order 10 pieces today: there is none; 6 are always to be kept."
    assert forecast == "No forecast can be made: it was never taken. Mend: book what is taken."


def test_how_long_pieces_last_is_said_roughly() -> None:
    assert [span_words(d) for d in (0.2, 1, 9, 14, 40, 61, 243, 730, 1825, 1826, math.inf)] == [
        "less than a day",
        "1 day",
        "9 days",
        "2 weeks",
        "6 weeks",
        "2 months",
        "8 months",
        "2 years",
        "5 years",
        "more than 5 years",
        "more than 5 years",
    ]


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
    assert band_words(Band(80, math.inf, math.inf), 90) == (
        "more than 90 days, but 1 time in 20 at most 80"
    )
