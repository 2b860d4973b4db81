"""Outlooks: chances plate by plate, and the cheapest plan against every plan there is."""

from __future__ import annotations

import itertools
import math
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitwise.job.model import Cut
from pitwise.job.outlook import (
    TorchAhead,
    look_ahead,
    share_queue,
)
from pitwise.job.plan import (
    Costs,
    Plate,
)
from pitwise.job.words import change_words, percent, plan_words
from pitwise.trade import base_sheet
from pitwise.wear.fit import fit_wear
from pitwise.wear.forecast import (
    Components,
    chances,
    components,
    unused_share,
)
from pitwise.wear.history import History, Step
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.state import (
    known_electrode,
    new_electrode,
)

LIMIT = 1.0


@cache
def sets() -> tuple[Components, Components]:
    """A set at about 0.6 mm, and a new one, in a shop with a year of readings."""
    random = np.random.default_rng(3)
    histories = []
    for i in range(24):
        rate = 0.55 * math.exp(0.2 * random.standard_normal())
        steps = tuple(
            Step(
                100.0 * k,
                80.0 * k,
                rate * 0.28 * k + 0.02 * float(random.standard_normal()),
                "300 A",
            )
            for k in range(1, 5)
        )
        histories.append(History(f"e{i}", steps, "replaced"))
    own = History("own", (Step(300.0, 240.0, 0.5, "300 A"), Step(360.0, 290.0, 0.6, "300 A")))
    fit = fit_wear([*histories, own], GrowthPrior.of(base_sheet()))
    return (
        components(known_electrode(fit, own, in_fit=True), 64),
        components(new_electrode(fit, "300 A"), 64),
    )


def plates(*starts: float) -> list[Plate]:
    return [Plate(f"plate {k}", s, 0.8 * s) for k, s in enumerate(starts, 1)]


def cost_of_plan(
    order: list[Plate], places: tuple[int, ...], costs: Costs, risk: float
) -> float | None:
    """Cost of a plan by its definition; None where a set passes the limit too likely."""
    current, fresh = sets()
    edges = [0, *places, len(order)]
    total = 0.0
    for number, (a, b) in enumerate(itertools.pairwise(edges)):
        parts = fresh if number else current
        own = order[a:b]
        s, h = sum(p.starts for p in own), sum(p.arc_minutes for p in own)
        end = chances(parts, s, h, LIMIT)
        forced = number > 0 and len(own) == 1
        if own and end.past > risk and not forced:
            return None
        total += float(end.lost) * costs.loss if own else 0.0
        if b < len(order) or (number == 0 and places and places[0] == 0):
            total += costs.stop + costs.set_value * float(unused_share(parts, s, h, LIMIT))
    return total


@settings(deadline=None, max_examples=40)
@given(
    st.lists(st.integers(10, 260), min_size=1, max_size=6),
    st.floats(0, 500),
    st.floats(0, 3000),
    st.sampled_from([0.02, 0.05, 0.2]),
)
def test_no_plan_is_cheaper_than_the_plan(
    starts: list[int], set_value: float, lost: float, risk: float
) -> None:
    order = plates(*starts)
    costs = Costs(set_value, 15.0, 120.0, lost, 300.0)
    current, fresh = sets()
    found = look_ahead(current, fresh, order, LIMIT, costs, risk)
    every = [
        cost
        for n in range(len(order) + 1)
        for places in itertools.combinations(range(len(order)), n)
        if (cost := cost_of_plan(order, places, costs, risk)) is not None
    ]
    assert every
    assert found.expected_cost == pytest.approx(min(every), rel=1e-9, abs=1e-9)
    chosen = cost_of_plan(order, tuple(c.after for c in found.changes), costs, risk)
    assert chosen == pytest.approx(found.expected_cost, rel=1e-9, abs=1e-9)


def test_chances_fall_and_depths_rise_plate_by_plate() -> None:
    found = look_ahead(*sets(), plates(*[40] * 12), LIMIT, Costs())
    finish = [r.p_finish for r in found.plates]
    assert finish == sorted(finish, reverse=True)
    assert all(r.p_finish + r.p_limit + r.p_lost == pytest.approx(1.0) for r in found.plates)
    middles = [r.depth.median for r in found.plates]
    assert middles == sorted(middles)
    assert all(r.depth.p05 < r.depth.median < r.depth.p95 for r in found.plates)
    numbers = [r.set_number for r in found.plates]
    assert numbers == sorted(numbers)
    assert numbers[-1] == len(found.changes) >= 1
    assert all(r.planned_p_finish >= 1 - 0.05 - r.p_lost - 0.02 for r in found.plates)


def test_a_lower_limit_changes_earlier() -> None:
    order = plates(*[30] * 12)
    # Losses free: only the limit calls for a change, and a set thrown away costs.
    costs = Costs(1000.0, 0.0, 0.0, 0.0, 0.0)
    late = look_ahead(*sets(), order, 1.0, costs).changes
    early = look_ahead(*sets(), order, 0.8, costs).changes
    assert early[0].after < late[0].after


def test_dear_sets_change_late_and_dear_losses_early() -> None:
    order = plates(*[12] * 14)
    never = look_ahead(*sets(), order, 3.0, Costs(set_value=500.0, lost_torch_cost=0.0))
    assert not never.changes
    soon = look_ahead(
        *sets(),
        order,
        3.0,
        Costs(0.0, 0.1, 1.0, lost_torch_cost=1e8, scrapped_plate_cost=0.0),
    )
    assert soon.changes


def long_plate(cuts: int) -> Plate:
    return Plate(
        "long",
        float(cuts),
        cuts * 1.0,
        tuple(Cut(10 * k + 7, 500.0, 60.0, 0.5) for k in range(cuts)),
    )


def test_a_plate_that_outlasts_a_new_set_is_parted_at_a_pierce_by_its_line() -> None:
    current, fresh = sets()
    plate = long_plate(900)
    assert float(chances(fresh, 900, 900.0, LIMIT).past) > 0.05
    found = look_ahead(current, fresh, [plate], LIMIT, Costs())
    inside = [c for c in found.changes if c.cut is not None]
    assert inside
    assert not found.too_long
    for change in inside:
        assert change.cut is not None
        assert change.line == plate.cuts[change.cut].line
        assert f"line {change.line}" in change_words(change, found)
    edges = [c.cut or 0 for c in found.changes] + [900]
    for a, b in itertools.pairwise(edges):
        assert float(chances(fresh, b - a, float(b - a), LIMIT).past) <= 0.05
    assert any("only where the plate alone outlasts" in w for w in plan_words(found))


def test_a_plate_a_new_set_can_finish_is_never_parted() -> None:
    found = look_ahead(*sets(), [long_plate(100)] * 6, LIMIT, Costs())
    assert found.changes
    assert all(c.cut is None for c in found.changes)


def test_a_plate_no_set_can_finish_is_said_to_be_so() -> None:
    found = look_ahead(*sets(), plates(3000), LIMIT, Costs())
    assert found.too_long == (1,)
    assert any("part the job" in w for w in plan_words(found))
    one_cut = Plate("slot", 1.0, 4000.0, (Cut(9, 1e6, 240_000.0, 0.5),))
    found = look_ahead(*sets(), [one_cut], LIMIT, Costs())
    assert found.too_long == (1,)


def test_spare_sets_cover_losses_to_the_accepted_risk() -> None:
    found = look_ahead(*sets(), plates(*[60] * 30), LIMIT, Costs(), 0.05)
    assert found.sets_to_have == len(found.changes) + found.spare_sets
    calm = look_ahead(*sets(), plates(5), LIMIT, Costs(), 0.05)
    assert calm.sets_to_have == 0


def test_what_can_not_be_is_refused() -> None:
    for order, limit, risk in (([], 1.0, 0.05), (plates(5), 0.0, 0.05), (plates(5), 1.0, 1.0)):
        with pytest.raises(ValueError, match="."):
            look_ahead(*sets(), order, limit, Costs(), risk)
    with pytest.raises(ValueError, match="set_value"):
        Costs(set_value=-1.0)
    with pytest.raises(ValueError, match="lost_torch_cost"):
        Costs(lost_torch_cost=math.nan)
    with pytest.raises(ValueError, match="no torch"):
        share_queue([], plates(5))


def test_a_queue_is_dealt_whole_and_evenly() -> None:
    current, fresh = sets()
    order = plates(*range(20, 60))
    torches = [TorchAhead(f"t{k}", current, fresh, LIMIT, Costs()) for k in range(3)]
    plans = share_queue(torches, order)
    assert sorted(k for p in plans for k in p.plates) == list(range(1, 41))
    busy = [p.arc_minutes for p in plans]
    assert max(busy) - min(busy) <= max(p.arc_minutes for p in order)
    for plan in plans:
        assert plan.outlook is not None
        alone = look_ahead(current, fresh, [order[k - 1] for k in plan.plates], LIMIT, Costs())
        assert plan.outlook.expected_cost == alone.expected_cost
    idle = share_queue(torches, plates(5))
    assert [p.outlook is None for p in idle] == [False, True, True]


def test_no_chance_is_said_to_be_certain() -> None:
    assert percent(1.0) == "over 99 %"
    assert percent(0.0) == "under 1 %"
    assert percent(0.5) == "50 %"


def test_a_drawing_s_change_inside_a_plate_names_the_cut_for_want_of_a_line() -> None:
    plate = long_plate(900)
    drawn = Plate(
        "nest.dxf",
        plate.starts,
        plate.arc_minutes,
        tuple(Cut(0, c.length_mm, c.seconds, c.pierce_seconds) for c in plate.cuts),
    )
    found = look_ahead(*sets(), [drawn], LIMIT, Costs())
    inside = [c for c in found.changes if c.cut is not None]
    assert inside
    for change in inside:
        assert change.line is None
        words = change_words(change, found)
        assert f"{change.cut} cuts done" in words
        assert "line" not in words
