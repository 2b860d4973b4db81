"""Demand of a shop's book, advice and alerts, on both databases."""

from __future__ import annotations

import datetime as dt
import time
from dataclasses import replace

import pytest

from kit import Floor
from pitwise.services import (
    planned_work,
    shelf_items,
    shelf_ledger,
    shelf_orders,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
)
from pitwise.services.imports import import_file
from pitwise.services.order_list import list_of
from pitwise.services.shelf_advice import all_advice, item_advice
from pitwise.services.shelf_advice_model import ItemAdvice
from pitwise.services.shelf_alerts import alerts, alerts_of
from pitwise.services.shelf_demand import _kept, demand_of_shop
from pitwise.services.shelf_kits import LOOSE, UNEVEN
from pitwise.shelf.advice import Advice
from pitwise.wear.cant_tell import CantTell

PROGRAM = b"G21 G90\nF3000\nG0 X0 Y0\nM3\nG1 X1000\nM5\nG0 X0\nM3\nG1 X1000 Y10\nM5\nM30\n"


def run_for_a_while(floor: Floor, rounds: int = 6) -> None:
    """Use torch A: 90 starts a day, a pit that grows 0.1 mm a round; a new set when worn."""
    starts = 0
    for k in range(rounds):
        floor.inspect(f"{0.15 * (k % 11):.2f} mm", starts=str(starts), minutes=str(starts // 2))
        floor.clock.forward(days=2)
        starts += 270


def stock(floor: Floor) -> dict[str, int]:
    """Keep every part type, with a supplier's terms for electrode and nozzle."""
    with floor.shop.database.read() as session:
        types = [t.id for t in shelf_items.missing_types(session)]
    shelf_items.add_items_for_types(floor.shop, floor.lead, types)
    supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name="Hearth & Vale")
    items = {x.part or x.name: x.id for x in shelf_items.item_lines(floor.shop, floor.lead)}
    for part in ("electrode", "nozzle"):
        set_terms(floor, items[part], supplier)
    items["supplier"] = supplier
    return items


def set_terms(
    floor: Floor,
    item: int,
    supplier: int,
    *,
    price: str = "20",
    pack: str = "5",
    lead: str = "12",
    currency: str = "EUR",
) -> None:
    shelf_terms.set_terms(
        floor.shop,
        floor.lead,
        item,
        supplier_id=supplier,
        price=price,
        currency=currency,
        pack=pack,
        lead_days=lead,
        lead_days_sd="2",
    )


def goods(floor: Floor, item: int, pieces: int) -> None:
    shelf_ledger.goods_in(floor.shop, floor.tech, item_id=item, pieces=str(pieces), key=floor.key())


def advised(floor: Floor) -> dict[int, ItemAdvice]:
    return {a.item.id: a for a in all_advice(floor.shop, floor.tech)}


def test_an_empty_shelf_has_nothing_to_say(floor: Floor) -> None:
    assert all_advice(floor.shop, floor.tech) == []
    assert alerts(floor.shop, floor.tech) == []


def test_a_new_shop_cannot_tell(lite: Floor) -> None:
    items = stock(lite)
    own = advised(lite)[items["nozzle"]]
    assert isinstance(own.advice, CantTell)
    assert "no torch with known use" in own.words[0]
    assert own.days_left is None
    assert own.order_now == 0


def test_advice_follows_the_wear(floor: Floor) -> None:
    run_for_a_while(floor)
    items = stock(floor)
    goods(floor, items["nozzle"], 1)
    goods(floor, items["electrode"], 60)
    mine = advised(floor)
    few, many = mine[items["nozzle"]], mine[items["electrode"]]
    assert isinstance(few.advice, Advice)
    assert isinstance(many.advice, Advice)
    # The same changes take both; what is there makes the difference.
    assert few.advice.lead_demand == many.advice.lead_demand
    assert few.order_now > 0
    assert few.order_now % 5 == 0
    assert few.advice.shortage_chance > many.advice.shortage_chance
    assert many.order_now == 0
    assert few.words[0].startswith(f"Order {few.order_now} nozzles ")
    assert "there is 1, about" in few.words[0]
    assert ", when an order of today is likely there; ordered later, a nozzle is" in few.words[0]
    assert " last about " in few.words[0]
    assert many.words[0].startswith("No order yet: there are 60 electrodes")
    assert few.by_day is not None
    assert any("starts a day by its counters" in x for x in few.basis)
    assert any("assumed" in x for x in few.words)
    assert few.torches == ("Torch A",)
    assert len(few.weeks) == 12
    running = [w.running.median for w in few.weeks]
    assert running == sorted(running)
    found = alerts(floor.shop, floor.tech)
    assert found[0].item_id == items["nozzle"]
    assert found[0].level in ("short", "order-now")
    assert "nozzle 300: order " in found[0].words
    assert {a.level for a in found if a.item_id == items["shield"]} == {"no-terms"}
    with floor.shop.database.read() as session:
        assert item_advice(floor.shop, session, items["nozzle"]) == few


def test_a_torch_nobody_has_read_for_months_asks_for_no_parts(lite: Floor) -> None:
    run_for_a_while(lite)
    items = stock(lite)
    assert advised(lite)[items["nozzle"]].month is not None
    lite.clock.forward(days=270)
    own = advised(lite)[items["nozzle"]]
    assert isinstance(own.advice, CantTell)
    assert own.month is None
    assert "Torch A: its counters were last read" in own.words[0]
    with lite.shop.database.read() as session:
        out = demand_of_shop(lite.shop, session).left_out
    assert any(x.startswith("Torch A: its counters were last read") for x in out)
    # With a plan its plates count, and the page says that the rest is not known.
    import_file(lite.shop, lite.lead, "plate.nc", PROGRAM, way="upload")
    today = planned_work.today_of(lite.shop)
    planned_work.add_planned(
        lite.shop,
        lite.lead,
        torch_id=lite.torch,
        program_id=1,
        plates="3000",
        first_day=today.isoformat(),
        last_day=(today + dt.timedelta(days=20)).isoformat(),
        key=lite.key(),
    )
    planned = advised(lite)[items["nozzle"]]
    assert planned.month is not None
    said = "Usual work of Torch A is not counted: its counters were last read"
    assert any(x.startswith(said) for x in planned.words)


def test_what_is_on_order_counts_from_when_it_comes(lite: Floor) -> None:
    run_for_a_while(lite)
    items = stock(lite)
    goods(lite, items["nozzle"], 1)
    before = advised(lite)[items["nozzle"]]
    shelf_orders.place_order(
        lite.shop,
        lite.lead,
        supplier_id=items["supplier"],
        lines=[(items["nozzle"], 40)],
        key=lite.key(),
    )
    after = advised(lite)[items["nozzle"]]
    assert isinstance(before.advice, Advice)
    assert isinstance(after.advice, Advice)
    assert after.order_now == 0
    assert after.advice.on_order == 40
    assert after.days_left is not None
    assert before.days_left is not None
    assert after.days_left.p95 > before.days_left.p95
    # It can't come before an order of today would: the chance until then stays.
    assert after.advice.shortage_chance == pytest.approx(before.advice.shortage_chance, abs=0.1)


def test_a_kit_is_bought_where_its_pieces_cost_no_less(lite: Floor) -> None:
    run_for_a_while(lite)
    items = stock(lite)
    kit = shelf_items.add_item(
        lite.shop,
        lite.lead,
        kind="kit",
        name="Set 300",
        kit={items["electrode"]: 1, items["nozzle"]: 1},
    )
    set_terms(lite, kit, items["supplier"], price="36", pack="1")
    goods(lite, kit, 2)
    goods(lite, items["nozzle"], 2)
    mine = advised(lite)
    own, nozzle = mine[kit], mine[items["nozzle"]]
    assert isinstance(own.advice, Advice)
    assert isinstance(nozzle.advice, CantTell)
    assert nozzle.covered_by == "Set 300"
    assert nozzle.order_now == 0
    # Two kits hold two of each: an electrode is missing after two changes, a nozzle after four.
    assert nozzle.days_left is not None
    assert own.days_left is not None
    assert own.days_left.median <= nozzle.days_left.median
    # Twenty nozzles more lie loose than electrodes: what is missing is bought by itself.
    goods(lite, items["nozzle"], 20)
    mine = advised(lite)
    assert mine[kit].covered_by == UNEVEN
    assert isinstance(mine[items["electrode"]].advice, Advice)
    set_terms(lite, kit, items["supplier"], price="45", pack="1")
    mine = advised(lite)
    assert mine[kit].covered_by == LOOSE
    assert isinstance(mine[items["nozzle"]].advice, Advice)


def test_kits_taken_whole_by_hand_are_forecast_beside_what_their_pieces_need(lite: Floor) -> None:
    run_for_a_while(lite)
    items = stock(lite)
    holds = {items["electrode"]: 1, items["nozzle"]: 1}
    kit = shelf_items.add_item(lite.shop, lite.lead, kind="kit", name="Set 300", kit=holds)
    goods(lite, kit, 20)
    before = advised(lite)[kit].month
    for _ in range(4):
        take(lite, kit)
    after = advised(lite)[kit]
    assert before is not None
    assert after.month is not None
    # Four went in a month: about four go in the next, beside what is opened.
    assert 2 <= after.month.median - before.median <= 6
    assert any(x.startswith("4 kits taken by hand") for x in after.basis)


def test_a_figure_below_zero_asks_for_a_count(lite: Floor) -> None:
    items = stock(lite)
    lite.inspect("1.60 mm", starts="100", minutes="50")
    found = [a for a in alerts(lite.shop, lite.tech) if a.level == "count-it"]
    assert {a.item_id for a in found} >= {items["nozzle"], items["electrode"]}
    assert "can't be right: more went out than it knew of. Count" in found[0].words


def test_what_may_be_miscounted_is_counted_before_it_is_ordered(lite: Floor) -> None:
    items = stock(lite)
    set_keep(lite, items["nozzle"], "4")
    own = advised(lite)[items["nozzle"]]
    # No wear yet, so the floor alone asks for them; then a set goes that the book never had.
    assert own.words[0] == "Order 5 nozzles today: there is none; 4 are always to be kept."
    lite.inspect("1.60 mm", starts="100", minutes="50")
    advice = all_advice(lite.shop, lite.tech)
    own = next(a for a in advice if a.item.id == items["nozzle"])
    assert own.words[0].startswith("Count it first. The book's figure can't be right")
    assert own.words[1].startswith("After counting, by that figure: Order 5 nozzles today")
    listed = list_of(advice, planned_work.today_of(lite.shop))
    assert listed.suppliers == ()
    (told,) = [x for x in listed.not_listed if x.item_id == items["nozzle"]]
    assert told.reason.startswith("the book's figure can't be right")
    assert "; after counting, by that figure: order 5 nozzles today" in told.mend
    said = [a for a in alerts(lite.shop, lite.tech) if a.item_id == items["nozzle"]]
    assert [a.level for a in said] == ["count-it"]
    assert "After counting, by that figure: order 5 nozzles today" in said[0].words
    # A correction after a count leaves doubt only.
    corrected = replace(own, item=replace(own.item, below_zero=False, count_again=True))
    (doubt,) = alerts_of([corrected])
    assert "the book's figure may not be right: a correction came after a count" in doubt.words


def set_keep(floor: Floor, item: int, keep: str) -> None:
    shelf_rules.set_rule(
        floor.shop,
        floor.lead,
        item,
        service="0.95",
        order_cost="30",
        hold_rate="0.2",
        keep_least=keep,
        reason="we always want some",
    )


def test_pieces_always_to_be_kept_are_ordered_without_a_forecast(floor: Floor) -> None:
    items = stock(floor)
    other = shelf_items.add_item(floor.shop, floor.lead, kind="other", name="O-ring grease")
    set_keep(floor, other, "5")
    (alert,) = [a for a in alerts(floor.shop, floor.tech) if a.item_id == other]
    assert (alert.level, "5 are always to be kept, 0 there" in alert.words) == ("no-terms", True)
    set_terms(floor, other, items["supplier"], pack="3")
    advice = all_advice(floor.shop, floor.tech)
    listed = list_of(advice, planned_work.today_of(floor.shop))
    (row,) = [r for s in listed.suppliers for r in s.rows]
    assert (row.item_id, row.pieces, row.packs) == (other, 6, 2)
    assert row.why == "Order 6 pieces today: there is none; 5 are always to be kept."
    assert other not in {x.item_id for x in listed.not_listed}
    assert ("order-now", other) in {(a.level, a.item_id) for a in alerts(floor.shop, floor.tech)}
    goods(floor, other, 5)
    own = advised(floor)[other]
    assert own.order_now == 0
    assert own.words[0] == "No order yet: there are 5; 5 are always to be kept."


def test_an_order_that_is_late_is_an_alert(lite: Floor) -> None:
    items = stock(lite)
    shelf_orders.place_order(
        lite.shop,
        lite.lead,
        supplier_id=items["supplier"],
        lines=[(items["nozzle"], 10)],
        key=lite.key(),
    )
    lite.clock.forward(days=12)
    assert not [a for a in alerts(lite.shop, lite.tech) if a.level == "late"]
    lite.clock.forward(days=12)
    (late,) = [a for a in alerts(lite.shop, lite.tech) if a.level == "late"]
    assert late.item_id == items["nozzle"]
    assert "10 on order were expected 12 days ago. Ask Hearth & Vale" in late.words


def test_one_taking_by_hand_is_no_forecast(lite: Floor) -> None:
    run_for_a_while(lite, 3)
    items = stock(lite)
    head = items["torch-head"]
    before = advised(lite)[head].month
    goods(lite, head, 4)
    take(lite, head, "4")
    own = advised(lite)[head]
    assert own.month == before
    assert "4 taken or scrapped by hand, 1 time in a year: too few" in own.basis[-1]
    for _ in range(2):
        goods(lite, head, 4)
        take(lite, head, "4")
    own = advised(lite)[head]
    assert own.month is not None
    assert before is not None
    assert own.month.p95 > before.p95
    assert "12 taken or scrapped by hand in the last" in own.basis[-1]


def test_what_is_taken_by_hand_is_forecast_from_the_ledger(lite: Floor) -> None:
    stock(lite)
    item = shelf_items.add_item(lite.shop, lite.lead, kind="other", name="O-ring grease")
    goods(lite, item, 20)
    for _ in range(2):
        lite.clock.forward(days=20)
        take(lite, item)
    assert "2 times" in advised(lite)[item].words[0]
    lite.clock.forward(days=20)
    take(lite, item)
    own = advised(lite)[item]
    assert own.month is not None
    assert 0 < own.month.median <= 6
    assert "no supplier" in own.words[0]


def take(floor: Floor, item: int, pieces: str = "1") -> None:
    shelf_ledger.take(
        floor.shop,
        floor.tech,
        item_id=item,
        pieces=pieces,
        key=floor.key(),
        kind="taken",
        note="for the saw",
    )


def test_planned_work_moves_the_demand_and_withdrawing_it_moves_it_back(lite: Floor) -> None:
    run_for_a_while(lite)
    items = stock(lite)
    outcome = import_file(lite.shop, lite.lead, "plate.nc", PROGRAM, way="upload")
    assert outcome
    before = advised(lite)[items["nozzle"]].month
    today = planned_work.today_of(lite.shop)
    plan = planned_work.add_planned(
        lite.shop,
        lite.lead,
        torch_id=lite.torch,
        program_id=1,
        plates="6000",
        first_day=today.isoformat(),
        last_day=(today + dt.timedelta(days=27)).isoformat(),
        key=lite.key(),
    )
    more = advised(lite)[items["nozzle"]].month
    planned_work.withdraw(lite.shop, lite.lead, plan)
    after = advised(lite)[items["nozzle"]].month
    assert before is not None
    assert more is not None
    # 429 starts a day where 135 are usual: about three times the sets, looked at in time.
    assert more.median > 2 * before.median
    assert after == before


def test_it_is_kept_until_the_book_moves_on(lite: Floor) -> None:
    run_for_a_while(lite)
    items = stock(lite)
    with lite.shop.database.read() as session:
        first = demand_of_shop(lite.shop, session)
        assert demand_of_shop(lite.shop, session) is first
    goods(lite, items["nozzle"], 3)
    with lite.shop.database.read() as session:
        # Goods in move the shelf, not what will go.
        assert demand_of_shop(lite.shop, session) is first
    advised(lite)
    began = time.perf_counter()
    advised(lite)
    assert time.perf_counter() - began < 1.0
    lite.clock.forward(days=1)
    with lite.shop.database.read() as session:
        assert demand_of_shop(lite.shop, session) is not first


def test_what_is_reckoned_is_of_the_day_and_not_of_the_minute(lite: Floor) -> None:
    """The server keeps its reckoning for the day, the command line reckons anew: both the same."""
    run_for_a_while(lite)
    items = stock(lite)
    now = lite.clock.now
    midnight = now.replace(hour=0, minute=0) + dt.timedelta(days=1)
    seen = []
    for moment in (midnight + dt.timedelta(minutes=1), midnight + dt.timedelta(hours=23)):
        lite.clock.now = moment
        _kept.clear()
        with lite.shop.database.read() as session:
            seen.append(item_advice(lite.shop, session, items["electrode"]))
    assert isinstance(seen[0].advice, Advice)
    assert seen[0] == seen[1]
