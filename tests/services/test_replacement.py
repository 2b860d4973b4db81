"""When to change, from the book: habit, costs, advice, and what can't be told."""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Iterator
from pathlib import Path

import pytest

from kit import Floor
from kit_replacement_book import look, open_worn, run_electrodes
from pitwise.services import (
    limits,
    replacement_simulated,
    setup,
    shelf_items,
    shelf_suppliers,
    shelf_terms,
    station_settings,
)
from pitwise.services.errors import NotFoundError
from pitwise.services.forecasts import keep_up
from pitwise.services.life_book import part_lives
from pitwise.services.metres import NoMetres
from pitwise.services.replacement import replacement_view
from pitwise.services.replacement_costs import ASSUMED_LOOK_MINUTES
from pitwise.services.replacement_habit import booked_use
from pitwise.services.replacement_model import DepthAdvice, ReplacementView, RuleLine
from pitwise.services.replacement_simulated import grid_of, on_steps
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.replacement.depth import DepthPolicy
from pitwise.wear.replacement.gaps import UsualGaps
from pitwise.wear.replacement.outcome import rule_cost
from pitwise.wear.replacement.paths import LifePaths
from pitwise.wear.replacement.rule import ChangeCosts, Rule, RuleCost


@pytest.fixture
def worn(tmp_path: Path, session_folder: Path) -> Iterator[Floor]:
    with open_worn(tmp_path, session_folder) as floor:
        yield floor


def advice(view: ReplacementView) -> DepthAdvice:
    assert isinstance(view.depth, DepthAdvice)
    return view.depth


def test_an_empty_book_says_what_is_missing(lite: Floor) -> None:
    view = replacement_view(lite.shop, lite.tech)
    assert view.process == "300 A mild steel"
    assert isinstance(view.depth, CantTell)
    assert "No use is on record" in view.depth.reason
    assert view.depth.mend
    assert [a.part for a in view.ages] == ["electrode"]
    assert isinstance(view.ages[0].found, CantTell)
    with pytest.raises(NotFoundError, match="choose from the list"):
        replacement_view(lite.shop, lite.tech, 4711)


def test_the_habit_is_read_from_the_looks_and_costed_beside_the_advice(worn: Floor) -> None:
    view = replacement_view(worn.shop, worn.tech)
    found, use = advice(view), view.use
    assert use is not None
    assert (use.ended, use.lost, use.by_pit, use.other) == (6, 1, 5, 0)
    assert use.depth_at_change_mm is not None
    assert 1.5 <= use.depth_at_change_mm < 2.0
    assert isinstance(use.gaps, UsualGaps)
    assert 100 <= use.gaps.mean <= 140
    habit = found.habit
    assert isinstance(habit, RuleLine)
    assert 1.2 < habit.cost.rule.depth_mm <= 1.6
    laid = habit.cost.rule.gaps
    assert len(laid) == len(use.gaps.starts)
    assert sum(laid) / len(laid) == pytest.approx(use.gaps.mean, abs=5)
    best = found.best
    assert isinstance(best, DepthPolicy)
    assert best.depth_mm <= 1.5
    assert best.best.past_share <= view.accepted_risk == 0.05
    assert habit.cost.past_share > 0.3
    names = [line.name for line in found.lines]
    assert names[0] == "The habit now"
    assert len(names) >= 3
    for line in found.lines[1:]:
        assert line.saving is not None
        assert line.saving.per_start == pytest.approx(
            habit.cost.per_start - line.cost.per_start, rel=1e-9
        )
    text = " ".join(found.words)
    assert "knows only 1 loss in the cut, all that are on record" in text
    assert "rests on the trade sheet’s prior" in text
    assert "Held against the book" in text
    assert "1 was" in text


def test_the_saving_says_in_one_breath_what_it_leans_on(
    worn: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    costed: list[tuple[ChangeCosts, RuleCost]] = []

    def spy(paths: LifePaths, rule: Rule, limit_mm: float, costs: ChangeCosts) -> RuleCost:
        costed.append((costs, rule_cost(paths, rule, limit_mm, costs)))
        return costed[-1][1]

    monkeypatch.setattr(replacement_simulated, "rule_cost", spy)
    monkeypatch.setattr(replacement_simulated, "_cache", OrderedDict())
    view = replacement_view(worn.shop, worn.tech)
    found = advice(view)
    first = found.words[0]
    assert first.startswith(
        "Against the habit, by partly assumed costs and the trade sheet’s chance of a loss, it "
    )
    assert "a torch lost in the cut (1\u202f500 cost units) and a plate scrapped (400 cost" in first
    said = re.search(r"At 0 the same advice would (save|cost more, by) ([\d.\u202f]+)", first)
    assert said is not None
    # The habit and the advised rule, by what a loss takes without the assumed torch and plate.
    bare = {c.rule: c.per_start for costs, c in costed if costs.loss == pytest.approx(80 + 20)}
    assert found.advised is not None
    assert isinstance(found.habit, RuleLine)
    assert view.use is not None
    each = bare[found.habit.cost.rule] - bare[found.advised.cost.rule]
    value = float(said[2].replace("\u202f", "")) * (1 if said[1] == "save" else -1)
    assert value == pytest.approx(each * view.use.starts_a_year, rel=0.006)
    # Where the shop sets both itself, there is nothing of the kind to say.
    station_settings.save_settings(
        worn.shop, worn.lead, 1, {"lost_torch_cost": "900", "scrapped_plate_cost": "200"}, "ours"
    )
    again = advice(replacement_view(worn.shop, worn.tech))
    assert "At 0 the same" not in " ".join(again.words)


def test_losses_since_the_fit_are_told_apart_from_those_it_knew(worn: Floor) -> None:
    # A loss signed since the fit: the book counts it, the fit does not know it yet.
    look(worn, (100_000, 50_000.0), 0.3, lost=True)
    view = replacement_view(worn.shop, worn.tech)
    assert (view.losses.by_fit, view.losses.now) == (1, 2)
    text = " ".join(advice(view).words)
    assert "knew 1 loss in the cut; 2 are on record now" in text
    assert "Only 1" not in text


def test_money_is_told_per_start_arc_hour_and_year(worn: Floor) -> None:
    view = replacement_view(worn.shop, worn.tech)
    use, line = view.use, advice(view).lines[0]
    assert use is not None
    mix = use.arc_minutes / use.starts
    money = line.money
    assert not isinstance(money.per_arc_hour, CantTell)
    assert money.per_arc_hour.value == pytest.approx(money.per_start.value * 60 / mix)
    assert money.per_year.value == pytest.approx(money.per_start.value * use.starts_a_year)
    # No program is in this book: metres can't be told, and are not shown as nothing.
    assert isinstance(money.per_metre, NoMetres)
    assert "no cut program" in money.per_metre.reason


def test_costs_come_from_the_clock_the_settings_and_the_shelf(worn: Floor) -> None:
    money = replacement_view(worn.shop, worn.tech).money
    assert money is not None
    lines = {line.name: line for line in money.lines}
    assert lines["minutes of a look"].value == pytest.approx(8.0)
    assert "inspections that changed nothing" in lines["minutes of a look"].origin
    assert lines["electrode and nozzle"].assumed
    assert "no price" in " ".join(money.notes)
    assert money.costs.look == pytest.approx(8 / 60 * 120)
    assert money.costs.change == pytest.approx(80 + 2 / 60 * 120)
    assert money.costs.loss == pytest.approx(80 + 1500 + 400 + 20)
    station_settings.save_settings(
        worn.shop, worn.lead, 1, {"stop_cost_per_hour": "60", "currency": "EUR"}, "ours"
    )
    price(worn, "EUR")
    money = replacement_view(worn.shop, worn.tech).money
    assert money is not None
    assert money.parts == pytest.approx(55.0)
    assert money.costs.look == pytest.approx(8.0)
    assert "electrode and nozzle" not in money.assumed
    assert "an hour of standstill" not in money.assumed


def price(floor: Floor, currency: str) -> None:
    with floor.shop.database.read() as session:
        kinds = {p.part: p.part_type_id for p in part_lives(session)}
    supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name=f"Supplier {currency}")
    for part, each in (("electrode", "30"), ("nozzle", "25")):
        item = shelf_items.add_item(floor.shop, floor.lead, kind="part", part_type_id=kinds[part])
        shelf_terms.set_terms(
            floor.shop,
            floor.lead,
            item,
            supplier_id=supplier,
            price=each,
            currency=currency,
            lead_days="5",
        )


def test_moneys_that_differ_are_not_added(worn: Floor) -> None:
    station_settings.save_settings(
        worn.shop, worn.lead, 1, {"set_value": "70", "currency": "EUR"}, "ours"
    )
    price(worn, "crowns")
    money = replacement_view(worn.shop, worn.tech).money
    assert money is not None
    assert (money.parts, money.currency) == (70.0, "EUR")
    assert "can’t be added" in " ".join(money.notes)


def test_a_limit_of_the_shop_is_never_passed(worn: Floor) -> None:
    limits.add_limit(
        worn.shop,
        worn.lead,
        depth="0.8 mm",
        compare=">=",
        process_id=1,
        source="test",
        since=worn.shop.clock().date().isoformat(),
        reason="edges went rough",
    )
    view = replacement_view(worn.shop, worn.tech)
    assert view.limit_mm == 0.8
    found = advice(view)
    for policy in (found.best, found.same_looks):
        if isinstance(policy, DepthPolicy):
            assert max(policy.depths_mm) <= 0.8
            assert policy.best.past_share <= view.accepted_risk
    assert any("pass the limit of 0.8 mm" in x for x in (found.verdict, *found.words))


def test_too_few_changes_tell_no_habit_but_still_an_advice(lite: Floor) -> None:
    run_electrodes(lite, 2)
    keep_up(lite.shop)
    view = replacement_view(lite.shop, lite.tech)
    found = advice(view)
    assert isinstance(found.habit, CantTell)
    assert "2 changes because of the pit" in found.habit.reason
    assert all(line.saving is None for line in found.lines)
    assert found.verdict
    money = view.money
    assert money is not None
    assert isinstance(found.best, DepthPolicy | CantTell)


def test_few_timed_looks_leave_the_minutes_assumed(lite: Floor) -> None:
    look(lite, (0, 0.0), 0.0)
    look(lite, (90, 40.0), 0.35)
    money = replacement_view(lite.shop, lite.tech).money
    assert money is not None
    assert "minutes of a look" in money.assumed
    assert money.costs.look == pytest.approx(ASSUMED_LOOK_MINUTES / 60 * 120)


def test_what_was_reckoned_is_kept_until_the_book_moves(worn: Floor) -> None:
    one, again = (advice(replacement_view(worn.shop, worn.tech)) for _ in range(2))
    assert one.best is again.best
    look(worn, (100_000, 50_000.0), 0.3)
    keep_up(worn.shop)
    moved = advice(replacement_view(worn.shop, worn.tech))
    assert moved.best is not one.best


def test_a_loss_cuts_a_gap_short_and_tells_of_no_depth(worn: Floor) -> None:
    with worn.shop.database.read() as session:
        lives = part_lives(session, part="electrode")
        mine = [p for p in lives if p.torch_id == worn.torch]
        lost = next(p for p in mine if p.end == "lost")
        assert lost.inspection_id is not None
        use, looks = booked_use(session, mine, 1, worn.shop.clock(), {lost.inspection_id})
    assert isinstance(use.gaps, UsualGaps)
    assert use.gaps.cut_short == 1
    assert use.looks == use.gaps.whole + 1 + 1  # the first look of all, and the loss
    assert sum(looks.changed) == 5
    assert len(looks.reading_mm) == use.looks - 1
    assert lost.starts > 0


def test_a_lost_nozzle_too_brings_a_look_before_it_is_due(worn: Floor) -> None:
    before = replacement_view(worn.shop, worn.tech).use
    look(worn, (100_000, 50_000.0), 0.3, lost=True, part="nozzle")
    after = replacement_view(worn.shop, worn.tech).use
    assert before is not None
    assert after is not None
    assert isinstance(before.gaps, UsualGaps)
    assert isinstance(after.gaps, UsualGaps)
    assert (after.gaps.cut_short, after.gaps.whole) == (2, before.gaps.whole)
    assert after.lost == before.lost
    # That gap was longer than any: the mean is a least one.
    assert after.gaps.beyond > 0
    assert after.gaps.mean > before.gaps.mean


def test_a_look_on_another_process_ends_a_gap_too(worn: Floor) -> None:
    other = setup.add_process(worn.shop, worn.lead, name="200 A mild steel", amps=200)

    def runs(process: int) -> None:
        setup.change_torch(
            worn.shop, worn.lead, worn.torch, process_id=process, gauge_id=1, due_starts=400
        )

    look(worn, (100_000, 50_000.0), 0.1)
    runs(other)
    look(worn, (100_060, 50_030.0), 0.2)
    runs(1)
    look(worn, (100_110, 50_060.0), 0.3)
    use = replacement_view(worn.shop, worn.tech, 1).use
    assert use is not None
    assert isinstance(use.gaps, UsualGaps)
    # Not 110: somebody looked at 60.
    assert min(use.gaps.starts) == 50


@pytest.mark.parametrize(("typical", "limit_mm"), [(40.0, 1.0), (900.0, 1.5), (30_000.0, 1.016)])
def test_the_grid_reaches_the_limit_and_not_past_it(typical: float, limit_mm: float) -> None:
    step, every, depths = grid_of(typical, limit_mm)
    assert all(n % step == 0 for n in every)
    assert every[0] <= max(typical / 10, 2)
    assert depths[-1] == pytest.approx(limit_mm)
    assert max(depths) <= limit_mm + 1e-9
    assert list(depths) == sorted(set(depths))
    assert 8 <= len(depths) <= 45


def test_gaps_are_laid_on_the_steps_and_never_past_the_end() -> None:
    assert on_steps((97, 97, 3, 1004), 10, 50) == (100, 100, 10, 500)
    assert on_steps((7,), 25, 4) == (25,)


def test_without_arc_minutes_an_hour_is_not_told(lite: Floor) -> None:
    look(lite, (0, 0.0), 0.0)
    look(lite, (97, 0.0), 0.35)
    found = advice(replacement_view(lite.shop, lite.tech))
    assert found.lines
    assert all(isinstance(x.money.per_arc_hour, CantTell) for x in found.lines)
