"""The monthly sheet: sentences against a small book reckoned by hand, empty months, changes."""

from __future__ import annotations

import datetime as dt

import pytest

from case_kit import close, opened
from kit import Floor
from money_kit import lose, price, small_book
from pitwise.services import shelf_items, shelf_ledger, shelf_orders, shelf_undo, signing
from pitwise.services.errors import NotYetError, ServiceError
from pitwise.services.month import MonthSheet, month_sheet, months, until_words
from pitwise.services.month_paper import month_paper, month_picture
from pitwise.services.periods import Month, asked_month
from pitwise.services.shelf_alerts import alerts
from pitwise.services.shelf_rules import set_rule
from pitwise.services.shelf_suppliers import suppliers
from pitwise.services.shelf_terms import set_terms
from pitwise.services.station_settings import save_settings


@pytest.fixture(autouse=True)
def _zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITWISE_TIMEZONE", "UTC")


def said(sheet: MonthSheet, slug: str) -> str:
    return " | ".join(
        s.text for part in sheet.sections if part.slug == slug for s in part.sentences
    )


def told(sheet: MonthSheet, slug: str) -> list[str]:
    return [s.told for part in sheet.sections if part.slug == slug for s in part.sentences]


def test_the_small_book_in_sentences(floor: Floor) -> None:
    small_book(floor)
    sheet = month_sheet(floor.shop, floor.tech, "2031-03")
    assert not sheet.empty
    assert not sheet.whole
    assert "so far, up to 6 March 2031" in until_words(sheet)
    lives = said(sheet, "lives")
    assert "All torches together: 300 starts, 2.50 arc hours; no starts are on record" in lives
    # The first ended after 200 starts on the counters, the second after 100.
    assert "Electrodes and nozzles on Torch A: 2 of each came to an end, after 200 and 100" in lives
    assert "Too few to tell what is typical: 3 are needed." in lives
    losses = said(sheet, "losses")
    assert losses.startswith(
        "1 loss in the cut in 300 starts: 3.33 in 1\u202f000 (0.0844 to 18.6)."
    )
    assert "3 parts of 4 that came to their end did so before their worth was used" in losses
    assert "2 parts of them not told in money" in losses
    assert "partly assumed, not set by the shop, at Table 1" in losses
    cost = said(sheet, "cost")
    assert cost.startswith("Consumables cost at least 200 EUR (12 parts fitted without a known")
    assert "0.667 EUR a start" in cost
    assert "80.0 EUR an arc hour, 1.33 EUR a metre of cut." in cost
    assert "It can’t be set against February 2031 while prices are missing." in cost
    assert told(sheet, "cost")[0] == "too-few"
    changes = said(sheet, "changes")
    assert "Terms were entered for electrode 300 and nozzle 300." in changes
    assert "Tom Reed joined as technician." in changes


def test_a_month_against_the_month_before_by_hand(lite: Floor) -> None:
    price(lite, "electrode", "20")
    price(lite, "nozzle", "30")
    lite.inspect("0.10 mm", starts="0", minutes="0")
    starts = 0
    for life in (100, 110, 120):
        starts += life
        lite.inspect("1.60 mm", starts=str(starts), minutes=str(starts // 2))
    lite.clock.now = dt.datetime(2031, 4, 1, 6, 0, tzinfo=dt.UTC)
    lite.inspect("0.10 mm", starts=str(starts), minutes=str(starts // 2))
    for life in (200, 220, 240):
        starts += life
        lite.inspect("1.60 mm", starts=str(starts), minutes=str(starts // 2))
    lite.clock.now = dt.datetime(2031, 5, 2, 6, 0, tzinfo=dt.UTC)
    sheet = month_sheet(lite.shop, lite.tech)
    assert sheet.month == Month(2031, 4)
    assert sheet.whole
    lives = said(sheet, "lives")
    # Geometric means 109.7 and 219.4: each life of April is twice one of March.
    assert "Electrodes and nozzles on Torch A lasted 219 starts (typical; " in lives
    assert "100 % more than in March 2031" in lives
    assert "more than chance makes" in lives
    assert told(sheet, "lives")[1] == "more"
    assert "660 starts, 5.50 arc hours, 100 % more starts than in March 2031" in lives
    cost = said(sheet, "cost")
    assert cost.startswith("Consumables cost 150 EUR: 0.227 EUR a start")
    assert "No part was lost in the cut in 660 starts" in said(sheet, "losses")


def test_months_without_anything_say_so(lite: Floor) -> None:
    lite.inspect("0.10 mm", starts="10", minutes="5")
    lite.clock.now = dt.datetime(2031, 6, 10, 6, 0, tzinfo=dt.UTC)
    nothing = month_sheet(lite.shop, lite.tech, "2031-05")
    assert nothing.empty.startswith("No part was fitted or came to its end in May 2031")
    assert said(nothing, "cost") == "No part was fitted, so nothing was spent."
    before = month_sheet(lite.shop, lite.tech, "2031-02")
    assert before.empty == "The book begins in March 2031: it holds nothing of February 2031."
    assert before.sections == ()
    assert [m.slug for m in months(lite.shop, lite.tech)] == [
        "2031-06",
        "2031-05",
        "2031-04",
        "2031-03",
    ]
    for sheet in (nothing, before):
        assert month_paper(sheet).startswith(b"%PDF")
        assert not month_picture(sheet)
    with pytest.raises(NotYetError, match="July 2031 has not begun"):
        month_sheet(lite.shop, lite.tech, "2031-07")


@pytest.mark.parametrize("text", ["2031", "2031-13", "March", "2031-3", "99999-01", "0000-01"])
def test_a_month_that_is_none_is_refused(text: str) -> None:
    with pytest.raises(ServiceError, match="no month"):
        asked_month(dt.datetime(2031, 6, 1, tzinfo=dt.UTC), text)


def test_months_turn_over_at_the_year() -> None:
    assert Month(2031, 1).before == Month(2030, 12)
    assert Month(2031, 12).after == Month(2032, 1)
    assert Month(2032, 2).period.days == 29


def test_causes_and_cures_of_the_month(lite: Floor) -> None:
    small_book(lite)
    case = opened(lite)
    close(lite, case, "cool_low")
    sheet = month_sheet(lite.shop, lite.tech, "2031-03")
    causes = said(sheet, "causes")
    assert f"Case {case} was opened on Torch A." in causes
    assert f"Case {case} on Torch A was closed with low coolant flow (verified)." in causes
    assert "Of 1 cure until then, as known today: 0 held, 0 did not, 1 can’t be told yet." in causes
    assert "Low coolant flow" in said(sheet, "losses")


def test_stock_of_the_month_by_hand(floor: Floor) -> None:
    electrode = price(floor, "electrode", "20", "EUR")
    nozzle = price(floor, "nozzle", "300", "SEK")
    shelf_ledger.goods_in(
        floor.shop, floor.tech, item_id=electrode, pieces="10", key=floor.key(), unit_price="18"
    )
    slip = shelf_ledger.goods_in(
        floor.shop, floor.tech, item_id=electrode, pieces="99", key=floor.key(), unit_price="18"
    )
    shelf_undo.undo(floor.shop, floor.lead, slip, key=floor.key(), reason="typed twice")
    shelf_ledger.goods_in(floor.shop, floor.tech, item_id=nozzle, pieces="2", key=floor.key())
    shelf_ledger.take(
        floor.shop,
        floor.tech,
        item_id=nozzle,
        pieces="2",
        key=floor.key(),
        kind="scrapped",
        note="dropped",
    )
    shelf_ledger.goods_in(floor.shop, floor.tech, item_id=nozzle, pieces="4", key=floor.key())
    with floor.shop.database.read() as session:
        supplier = next(s for s in suppliers(session) if "electrode" in s.name)
    shelf_orders.place_order(
        floor.shop, floor.lead, supplier_id=supplier.id, lines=[(electrode, 5)], key=floor.key()
    )
    # A kit holds pieces and is none: it is counted as what it is.
    kit = shelf_items.add_item(
        floor.shop, floor.lead, kind="kit", name="Set 300", kit={electrode: 1, nozzle: 1}
    )
    shelf_ledger.goods_in(floor.shop, floor.tech, item_id=kit, pieces="3", key=floor.key())
    floor.inspect("0.40 mm", starts="100", minutes="50")
    sheet = month_sheet(floor.shop, floor.tech, "2031-03")
    stock = said(sheet, "stock")
    # Ten electrodes at 18, as paid; four nozzles at 300, by their terms. March still runs.
    assert "By now 14 pieces and 3 kits lie on the shelf, worth " in stock
    assert "180 EUR and 1\u202f200 SEK" in stock
    assert "16 pieces and 3 kits came in" in stock
    assert "1 order of 5 pieces was placed, for 100 EUR." in stock
    assert "1 item stood at nothing for a time: nozzle 300." in stock
    floor.clock.forward(days=31)
    stock = said(month_sheet(floor.shop, floor.tech, "2031-03"), "stock")
    assert "At the end of the month 14 pieces and 3 kits lay on the shelf, worth " in stock


def test_a_take_that_was_undone_left_nothing_empty(floor: Floor) -> None:
    nozzle = price(floor, "nozzle", "30")
    electrode = price(floor, "electrode", "20")

    def move(item: int, pieces: str) -> int:
        return shelf_ledger.take(
            floor.shop,
            floor.tech,
            item_id=item,
            pieces=pieces,
            key=floor.key(),
            kind="taken",
            note="trial",
        )

    def goods(item: int, pieces: str) -> None:
        shelf_ledger.goods_in(floor.shop, floor.tech, item_id=item, pieces=pieces, key=floor.key())

    goods(nozzle, "3")
    goods(electrode, "1")
    slip = move(nozzle, "3")
    floor.clock.forward(minutes=1)
    shelf_undo.undo(floor.shop, floor.lead, slip, key=floor.key(), reason="wrong item")
    stock = said(month_sheet(floor.shop, floor.tech, "2031-03"), "stock")
    assert "stood at nothing" not in stock
    # The last electrode goes into the torch, five come: a correction since does not fill the gap.
    floor.clock.forward(days=1)
    worn = floor.inspect("1.60 mm", starts="100", minutes="50")
    goods(electrode, "5")
    floor.clock.forward(days=1)
    number = signing.correct(floor.shop, floor.tech, worn, reason="a slip", key=floor.key())
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    stock = said(month_sheet(floor.shop, floor.tech, "2031-03"), "stock")
    assert "1 item stood at nothing for a time: electrode 300." in stock


def test_what_cannot_wait_stands_on_a_new_sheet_only(lite: Floor) -> None:
    price(lite, "shield", "40")
    lite.inspect("0.40 mm", starts="100", minutes="50", seen=(("shield", "crack"),))
    # The book knew of no shield, and one went in.
    urgent = alerts(lite.shop, lite.tech)
    assert urgent
    stock = said(month_sheet(lite.shop, lite.tech, "2031-03"), "stock")
    assert all(f"Today: {a.words}" in stock for a in urgent[:6])
    assert "The book’s figure is below zero for shield 300: count what is there." in stock
    lite.clock.forward(days=70)
    later = said(month_sheet(lite.shop, lite.tech, "2031-03"), "stock")
    assert "Today:" not in later
    assert "below zero for shield 300" in later


def test_what_the_shop_changed(lite: Floor) -> None:
    item = price(lite, "electrode", "20")
    lite.inspect("0.40 mm", starts="100", minutes="50")
    save_settings(lite.shop, lite.lead, 1, {"set_value": "90"}, "dearer now")
    with lite.shop.database.read() as session:
        supplier = suppliers(session)[0].id
    set_terms(
        lite.shop,
        lite.lead,
        item,
        supplier_id=supplier,
        price="22.5",
        currency="EUR",
        lead_days="7",
    )
    set_rule(
        lite.shop,
        lite.lead,
        None,
        service="0.9",
        order_cost="10",
        hold_rate="0.1",
        reason="less on the shelf",
    )
    changes = said(month_sheet(lite.shop, lite.tech, "2031-03"), "changes")
    assert "Lin Ödegård set Table 1 anew: dearer now." in changes
    assert "electrode 300 costs 22.50 EUR, was 20.00 EUR." in changes
    assert "Lin Ödegård set the stock rule of the whole shelf: less on the shelf." in changes


def test_the_paper_is_the_same_for_the_same_moment(lite: Floor) -> None:
    small_book(lite)
    lose(lite, "500", "250")
    sheet = month_sheet(lite.shop, lite.tech, "2031-03")
    assert month_picture(sheet)
    assert month_paper(sheet) == month_paper(sheet)
