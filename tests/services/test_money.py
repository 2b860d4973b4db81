"""What consumables cost and what was lost too early, on a small book reckoned by hand."""

from __future__ import annotations

import csv
import datetime as dt
import io

import pytest
from sqlalchemy import select

from case_kit import close, opened
from kit import Floor
from money_kit import SLOW, lose, price, small_book
from pitwise.records.tables import PartType
from pitwise.services import fittings, imports, shelf_items
from pitwise.services.amounts import Amount, in_currency
from pitwise.services.errors import ServiceError
from pitwise.services.fitted_parts import FIRST_SET, TAKEN_OUT
from pitwise.services.life_page import Asked, life_page
from pitwise.services.life_said import reconciled_words
from pitwise.services.loss_list import loss_list
from pitwise.services.metres import NoMetres, Ranged
from pitwise.services.money import GROUPINGS, money_view
from pitwise.services.money_page import (
    by_first_words,
    currencies_of,
    fitted_csv,
    headline,
    loss_bars,
    loss_notes,
    losses_csv,
    plain_money,
    reconciled,
)
from pitwise.services.periods import asked_period, days_between
from pitwise.services.shelf_prices import price_book
from pitwise.services.shelf_suppliers import add_supplier, suppliers
from pitwise.services.shelf_terms import set_terms
from pitwise.services.station_settings import save_settings
from pitwise.services.use_between import use_between
from pitwise.wear.cant_tell import CantTell

ALL = {"first": "2031-03-01", "last": "2031-03-31"}


@pytest.fixture(autouse=True)
def _zone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITWISE_TIMEZONE", "UTC")


def test_the_small_book_by_hand(floor: Floor) -> None:
    small_book(floor)
    view = money_view(floor.shop, floor.tech, **ALL)
    # 16 parts of the first sets, two on day 1, two on day 2.
    assert view.total.parts == 20
    # Of the first sets only electrodes and nozzles have a price: 4 of 16.
    assert view.total.unpriced == 12
    (per,) = view.total.per
    # Four electrodes at 20 and four nozzles at 30.
    assert (per.currency, per.cost) == ("EUR", 200.0)
    assert per.per_part == pytest.approx(25.0)
    # The counters went from 100 to 400 starts, and from 50 to 200 minutes.
    assert view.total.use.starts == pytest.approx(300)
    assert per.per_start == pytest.approx(200 / 300)
    assert per.per_arc_hour == pytest.approx(200 * 60 / 150)
    # One metre a minute: 150 m; one program has no range.
    assert per.per_metre is not None
    assert per.per_metre.value == pytest.approx(200 / 150)
    assert per.per_metre.low is None
    lines = {line.name: line for line in view.lines}
    assert lines["Torch A"].parts == 12
    assert lines["Torch A"].per[0].cost == pytest.approx(150)
    assert lines["Torch B"].per[0].per_start is None
    assert "shield 300" in view.unpriced_types


def test_every_grouping_adds_up_to_all(lite: Floor) -> None:
    small_book(lite)
    names = {}
    for by in GROUPINGS:
        view = money_view(lite.shop, lite.tech, by=by, **ALL)
        assert sum(line.parts for line in view.lines) == view.total.parts
        assert sum(line.unpriced for line in view.lines) == view.total.unpriced
        cost = sum(p.cost for line in view.lines for p in line.per)
        assert cost == pytest.approx(view.total.per[0].cost)
        names[by] = {line.name for line in view.lines}
    assert names["process"] == {"300 A mild steel"}
    assert names["part"] > {"Electrode", "Nozzle"}
    assert names["cause"] == {
        FIRST_SET,
        "Worn out by use",
        "Changed along with the worn electrode",
        "Electrode: emitter blown or face melted",
    }


def test_use_between_two_readings_is_spread_over_the_time(lite: Floor) -> None:
    start = lite.clock()
    lite.inspect("0.10 mm", starts="0", minutes="0")
    lite.clock.forward(days=9)
    lite.inspect("0.30 mm", starts="1000", minutes="500")
    with lite.shop.database.read() as session:
        some = use_between(session, start + dt.timedelta(days=2), start + dt.timedelta(days=7))
        later = use_between(session, start + dt.timedelta(days=11), start + dt.timedelta(days=20))
    assert some.total().starts == pytest.approx(500)
    assert some.total(torch=lite.torch).arc_minutes == pytest.approx(250)
    assert not later.total()
    assert later.read_until == start + dt.timedelta(days=10)


def test_without_prices_nothing_is_counted_as_nothing(lite: Floor) -> None:
    lite.inspect("0.40 mm", starts="100", minutes="50")
    lite.inspect("1.60 mm", starts="300", minutes="150")
    view = money_view(lite.shop, lite.tech, **ALL)
    assert view.total.parts == view.total.unpriced == 18
    assert view.total.per == ()
    assert isinstance(view.metres, NoMetres)
    (dragged,) = view.losses.parts
    assert isinstance(dragged.worth, CantTell)
    assert view.losses.money == ()
    assert "can’t be told" in headline(view.losses, "")
    assert plain_money(view)["total"]["at_least"] is True


def test_two_currencies_stand_beside_one_another(lite: Floor) -> None:
    price(lite, "electrode", "20", "EUR")
    price(lite, "nozzle", "300", "SEK")
    lite.inspect("0.40 mm", starts="100", minutes="50")
    lite.inspect("1.60 mm", starts="300", minutes="150")
    view = money_view(lite.shop, lite.tech, **ALL)
    assert {p.currency: p.cost for p in view.total.per} == {"EUR": 60.0, "SEK": 900.0}
    assert {a.currency for a in view.total.cost} == {"EUR", "SEK"}


def test_a_worn_electrode_is_no_loss_and_a_lost_one_takes_what_the_settings_say(
    lite: Floor,
) -> None:
    small_book(lite)
    save_settings(
        lite.shop,
        lite.lead,
        1,
        {
            "currency": "EUR",
            "lost_torch_cost": "1000",
            "scrapped_plate_cost": "200",
            "stop_minutes": "30",
            "stop_cost_per_hour": "100",
        },
        "ours",
    )
    view = money_view(lite.shop, lite.tech, **ALL)
    losses = view.losses
    # Day 1: the electrode wore out, its nozzle came along. Day 2: both again, one of them lost.
    assert losses.ended == 4
    assert [(p.life.part, p.kind) for p in losses.parts].count(("electrode", "lost")) == 1
    assert len(losses.parts) == 3
    lost = next(p for p in losses.parts if p.kind == "lost")
    assert lost.took == (Amount.sure("EUR", 1000 + 200 + 50),)
    assert lost.why.words == "Electrode: emitter blown or face melted"
    assert isinstance(lost.unused, Ranged)
    assert 0 < lost.unused.value < 1
    assert isinstance(lost.worth, Amount)
    assert lost.worth.value == pytest.approx(20 * lost.unused.value)
    # Nozzles: none came to an end of its own, so what was left of them nobody knows.
    nozzles = [p for p in losses.parts if p.life.part == "nozzle"]
    assert {p.why.words for p in nozzles} == {
        "Changed along with the worn electrode",
        "Electrode: emitter blown or face melted",
    }
    assert all(isinstance(p.worth, CantTell) for p in nozzles)
    assert losses.untold == 2
    # The page of lives counts the same parts by the same definition.
    assert (losses.worn_out, losses.count("damaged")) == (1, 0)
    assert (losses.count("good"), losses.count("lost")) == (2, 1)
    lives = life_page(lite.shop, lite.tech, Asked())
    assert sum(r.counts.worn - r.damaged for r in lives.rows) == losses.worn_out
    assert sum(r.damaged for r in lives.rows) == losses.count("damaged")
    assert sum(r.counts.changed - r.by_hand for r in lives.rows) == losses.count("good")
    assert sum(r.counts.lost for r in lives.rows) == losses.count("lost")
    assert reconciled(losses).startswith(
        "Of 4 that came to their end: 1 worn out by use (no loss), 0 damaged, 2 changed while "
        "good, 1 lost in the cut."
    )
    assert "ended before their worth was used: 3 in the whole book." in reconciled_words(lives)
    assert losses.assumed == ()
    assert losses.rows[0].why.words == "Electrode: emitter blown or face melted"
    assert losses.rows[0].lost_parts == 1
    assert in_currency(losses.money, "EUR").value == pytest.approx(1250 + lost.worth.value)
    assert headline(losses, "EUR").startswith(
        "“Electrode: emitter blown or face melted” took 100 % of what parts cost"
    )
    assert "The worth of 2 parts can’t be told: too few to tell" in " ".join(loss_notes(losses))


def test_losses_in_the_stations_own_currency_are_not_added_to_prices(lite: Floor) -> None:
    small_book(lite)
    losses = money_view(lite.shop, lite.tech, **ALL).losses
    assert {a.currency for a in losses.money} == {"EUR", "cost units"}
    assert losses.assumed == ("Table 1",)
    assert set(currencies_of(losses)) == {"EUR", "cost units"}
    bars = {c: loss_bars(losses, c) for c in currencies_of(losses)}
    assert sum(b.money for b in bars["cost units"]) == pytest.approx(1920)
    assert "partly assumed" in " ".join(loss_notes(losses))
    assert "never added" in " ".join(loss_notes(losses))


def test_a_confirmed_cause_goes_before_the_finding(lite: Floor) -> None:
    small_book(lite)
    case = opened(lite)
    lose(lite, "500", "250")
    with lite.shop.database.read() as session:
        during = loss_list(lite.shop, session, *_whole())
    words = {p.why.words for p in during.parts}
    assert f"Case {case} is open: cause not known yet" in words
    close(lite, case, "cool_low")
    lite.clock.forward(days=1)
    lose(lite, "600", "300")
    with lite.shop.database.read() as session:
        losses = loss_list(lite.shop, session, *_whole())
    name = next(c.name for c in lite.shop.base.causes if c.id == "cool_low")
    by = {r.why.words: r for r in losses.rows}
    assert by[name].why.case_id == case
    # The inspection that led to the case and the one while it was open, not the one after.
    assert by[name].lost_parts == 2
    assert by["Electrode: emitter blown or face melted"].lost_parts == 1
    assert headline(losses, "cost units").startswith(f"{name} took 67 %")


def _whole() -> tuple[dt.datetime, dt.datetime]:
    period = days_between(dt.date(2031, 3, 1), dt.date(2031, 3, 31))
    return period.since, period.until


def test_a_part_taken_out_by_hand_is_no_loss(lite: Floor) -> None:
    price(lite, "electrode", "20")
    lite.inspect("0.40 mm", starts="100", minutes="50")
    fittings.remove_part(lite.shop, lite.tech, lite.torch, "electrode")
    with lite.shop.database.read() as session:
        assert loss_list(lite.shop, session, *_whole()).ended == 0


def test_part_changed_by_hand_says_so(lite: Floor) -> None:
    price(lite, "electrode", "20")
    lite.inspect("0.40 mm", starts="100", minutes="50")
    with lite.shop.database.read() as session:
        kind = fittings.fitted(session, lite.torch)["electrode"].item.part_type_id
    fittings.fit_part(lite.shop, lite.tech, lite.torch, part_type_id=kind)
    view = money_view(lite.shop, lite.tech, by="cause", **ALL)
    assert {line.name for line in view.lines} == {FIRST_SET, TAKEN_OUT}


def test_what_left_the_place_last_is_what_came_out(floor: Floor) -> None:
    price(floor, "electrode", "20")
    floor.inspect("0.40 mm", starts="100", minutes="50")
    with floor.shop.database.read() as session:
        old = fittings.fitted(session, floor.torch)["electrode"].item
        kind, tag = old.part_type_id, old.tag
    # Taken out, and a new one put in five minutes later.
    fittings.remove_part(floor.shop, floor.tech, floor.torch, "electrode")
    floor.clock.forward(minutes=5)
    fittings.fit_part(floor.shop, floor.tech, floor.torch, part_type_id=kind)

    def causes() -> dict[str, int]:
        view = money_view(floor.shop, floor.tech, by="cause", **ALL)
        return {line.name: line.parts for line in view.lines}

    assert causes() == {FIRST_SET: 16, TAKEN_OUT: 1}
    # The old one goes in again: it is no new part, and the one after it has a part before it.
    floor.clock.forward(minutes=5)
    fittings.fit_part(floor.shop, floor.tech, floor.torch, item_tag=tag)
    assert causes() == {FIRST_SET: 16, TAKEN_OUT: 1}
    floor.clock.forward(days=1)
    floor.inspect("1.60 mm", starts="300", minutes="150")
    # Electrode worn; the nozzle went along with it.
    told = causes()
    assert (told[FIRST_SET], told[TAKEN_OUT], sum(told.values())) == (16, 1, 19)
    # A part that was found worn and goes in again elsewhere was worn here all the same.
    fittings.fit_part(floor.shop, floor.tech, floor.other, item_tag=tag)
    assert causes() == told


def test_csv_holds_every_part_and_no_formula(lite: Floor) -> None:
    small_book(lite)
    view = money_view(lite.shop, lite.tech, **ALL)
    fitted = list(csv.DictReader(io.StringIO(fitted_csv(view))))
    assert len(fitted) == 20
    assert sum(float(r["price"] or 0) for r in fitted) == pytest.approx(200)
    assert sum(not r["price"] for r in fitted) == 12
    lost = list(csv.DictReader(io.StringIO(losses_csv(view))))
    # The lost electrode has two lines: one for each currency.
    assert len(lost) == 4
    assert {r["currency"] for r in lost} == {"EUR", "cost units", ""}
    assert all(r["not_told"] for r in lost if not r["currency"])


@pytest.mark.parametrize(
    ("first", "last", "word"),
    [
        ("2031-13-01", "", "no day"),
        ("", "yesterday", "no day"),
        ("2031-03-05", "2031-03-01", "swap"),
        ("0001-01-01", "", "no book"),
    ],
)
def test_days_that_cannot_be_are_refused(lite: Floor, first: str, last: str, word: str) -> None:
    with pytest.raises(ServiceError, match=word):
        money_view(lite.shop, lite.tech, first=first, last=last)
    with pytest.raises(ServiceError, match="no grouping"):
        money_view(lite.shop, lite.tech, by="colour")


def test_a_period_is_whole_days_of_the_shops_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PITWISE_TIMEZONE", "Europe/Lisbon")
    now = dt.datetime(2031, 7, 1, 23, 30, tzinfo=dt.UTC)
    period = asked_period(now)
    # In July half past eleven UTC is half past midnight there: the next day.
    assert period.last == dt.date(2031, 7, 2)
    assert period.days == 365
    assert period.until == dt.datetime(2031, 7, 2, 23, 0, tzinfo=dt.UTC)


def test_what_was_fitted_before_any_price_counts_by_the_first(lite: Floor) -> None:
    imports.import_file(lite.shop, lite.tech, "slow.nc", SLOW, way="upload")
    lite.inspect("0.40 mm", starts="100", minutes="50")
    lite.inspect("1.60 mm", starts="300", minutes="150")
    before = money_view(lite.shop, lite.tech, **ALL)
    assert before.total.per == ()
    price(lite, "electrode", "20")
    item = price(lite, "nozzle", "30")
    lite.clock.forward(days=1)
    _again(lite, item, "44")
    lose(lite, "400", "200")
    view = money_view(lite.shop, lite.tech, **ALL)
    (per,) = view.total.per
    # Of each three by the first price, and one by that of its day: the nozzle's had gone up.
    assert (per.cost, per.by_first) == (4 * 20 + 3 * 30 + 44, 3 * 20 + 3 * 30)
    assert view.total.by_first == 6
    assert view.total.unpriced == 12
    assert by_first_words(view) == (
        "6 of 20 parts were fitted before a price was in the book and count by their first known "
        "price: 150 EUR of the cost."
    )
    lost = next(p for p in view.losses.parts if p.kind == "lost")
    assert lost.by_first
    assert isinstance(lost.worth, Amount)
    assert isinstance(lost.unused, Ranged)
    assert lost.worth.value == pytest.approx(20 * lost.unused.value)
    assert "1 part is reckoned by its first known price" in " ".join(loss_notes(view.losses))
    rows = list(csv.DictReader(io.StringIO(fitted_csv(view))))
    known = [r["price_known"] for r in rows if r["part"] == "nozzle"]
    assert known == ["then", "first, later", "first, later", "first, later"]
    rows = list(csv.DictReader(io.StringIO(losses_csv(view))))
    assert {r["price_known"] for r in rows if r["end"] == "lost in the cut"} == {"first, later"}
    assert plain_money(view)["total"]["parts_by_first_known_price"] == 6


def test_a_kit_s_first_price_counts_where_its_pieces_never_had_one(lite: Floor) -> None:
    items = {}
    with lite.shop.database.read() as session:
        kinds = {k.part: k.id for k in session.scalars(select(PartType))}
    for part in ("electrode", "nozzle"):
        items[part] = shelf_items.add_item(
            lite.shop, lite.lead, kind="part", part_type_id=kinds[part]
        )
    kit = shelf_items.add_item(
        lite.shop, lite.lead, kind="kit", name="Set", kit=dict.fromkeys(items.values(), 1)
    )
    early = lite.clock() - dt.timedelta(days=30)
    with lite.shop.database.read() as session:
        assert price_book(session).first(kinds["nozzle"]) is None
    _again(lite, kit, "36")
    with lite.shop.database.read() as session:
        book = price_book(session)
    assert book.at(kinds["nozzle"], early) is None
    assert book.first(kinds["nozzle"]) == (18.0, "EUR")


def _again(floor: Floor, item: int, amount: str) -> None:
    with floor.shop.database.read() as session:
        known = suppliers(session)
    who = known[0].id if known else add_supplier(floor.shop, floor.lead, name="Hearth & Vale")
    set_terms(
        floor.shop,
        floor.lead,
        item,
        supplier_id=who,
        price=amount,
        currency="EUR",
        lead_days="7",
    )
