"""Two tablets at one form of the shelf: nobody writes over what they have not seen."""

from __future__ import annotations

import dataclasses
import threading
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import func, select

from kit import Floor
from pitwise.records.tables import AuditRow
from pitwise.services import shelf_items, shelf_rules, shelf_suppliers, shelf_terms
from pitwise.services.book import verify_book
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.people import SYSTEM
from pitwise.services.shelf_model import ItemFields, Rule, Terms
from pitwise.services.shelf_shown import Said, StaleError, settle
from shelf_kit import Shelf, shelf_on

SAID = {"a": Said("one"), "b": Said("other"), "c": Said("third", of=("a",))}
FORM = st.fixed_dictionaries({name: st.sampled_from(["", "x", "y"]) for name in SAID})


@given(FORM, FORM, FORM)
def test_what_was_not_seen_is_never_written_over(
    sent: dict[str, str], shown: dict[str, str], stands: dict[str, str]
) -> None:
    after: dict[str, str] | None = None
    try:
        after = settle(SAID, sent, shown, stands)
    except StaleError as error:
        refusal = error
    if after is None:
        # Something of it was changed here, and something elsewhere.
        assert sent not in (shown, stands)
        assert stands != shown
        assert "by now; this page showed" in refusal.problem
        return
    for name in SAID:
        assert after[name] in (sent[name], stands[name])
        if after[name] != stands[name]:
            assert shown[name] == stands[name]
        # Nothing that was changed here is dropped in silence either.
        if sent[name] != shown[name]:
            assert after[name] == sent[name]
    # What belongs together was changed by one of the two alone.
    for one, other in (("a", "c"), ("c", "a")):
        if after[one] != stands[one]:
            assert stands[other] in (shown[other], sent[other])


def trail_rows(floor: Floor) -> int:
    with floor.shop.database.read() as session:
        return session.scalar(select(func.count()).select_from(AuditRow)) or 0


def fields_of(shelf: Shelf, item: int) -> ItemFields:
    line = shelf.line(item)
    return ItemFields(line.name, line.code, line.place, line.active)


def terms_of(shelf: Shelf) -> Terms:
    terms = shelf.line(shelf.nozzle).terms
    assert terms is not None
    return terms


def rule_of(floor: Floor, item: int | None) -> Rule:
    with floor.shop.database.read() as session:
        return shelf_rules.rule_of(session, item)


def test_at_one_items_name_code_and_place(floor: Floor) -> None:
    shelf = shelf_on(floor)
    item = shelf.items["shield"]
    shown = first = fields_of(shelf, item)

    def edit(*, shown: ItemFields | None = shown, **typed: Any) -> None:
        fields: dict[str, Any] = dataclasses.asdict(first) | typed
        shelf_items.edit_item(floor.shop, floor.lead, item, shown=shown, **fields)

    edit(place="Rack 1")
    # The other tablet shows no place still: its name does not take the place back.
    edit(name="Shield, 300 A")
    edit(active=False)
    stands = ItemFields("Shield, 300 A", first.code, "Rack 1", active=False)
    assert fields_of(shelf, item) == stands
    with pytest.raises(StaleError, match="the place is 'Rack 1' by now; this page showed empty"):
        edit(place="Rack 2", code="N-300")
    with pytest.raises(StaleError, match="name is 'Shield, 300 A'.*; the place is 'Rack 1' by now"):
        edit(name="N 300", place="Rack 2")
    assert fields_of(shelf, item) == stands
    # Somebody wrote just so already, or the form came twice: no quarrel, no row.
    before = trail_rows(floor)
    edit(name="Shield, 300 A", place="Rack 1", active=False)
    assert trail_rows(floor) == before
    # Once it has been seen, it may be written over; a code is free or refused as ever.
    edit(shown=stands, name=stands.name, place="Rack 2")
    other = shelf.line(shelf.electrode)
    with pytest.raises(ConflictError, match="is the code of") as refusal:
        edit(code=other.code.lower())
    assert not isinstance(refusal.value, StaleError)
    with pytest.raises(ConflictError, match="there is an item"):
        edit(name=other.name, shown=fields_of(shelf, item))
    with pytest.raises(ServiceError, match="code: is empty"):
        edit(code=" ")
    # Who does not say what they saw means all of it.
    edit(shown=None, place="Rack 3")
    assert fields_of(shelf, item) == ItemFields(first.name, first.code, "Rack 3", active=True)
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_at_one_items_terms(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shop, lead = floor.shop, floor.lead
    one = shelf_suppliers.add_supplier(shop, lead, name="Spares 1")
    two = shelf_suppliers.add_supplier(shop, lead, name="Spares 2")

    def put(shown: dict[str, str] | None, **typed: Any) -> int:
        base = shown or {}
        fields: dict[str, Any] = base | typed
        fields["supplier_id"] = int(fields["supplier_id"])
        return shelf_terms.set_terms(shop, lead, shelf.nozzle, shown=shown, **fields)

    nothing = {"supplier_id": "", "price": "", "currency": "", "pack": "1", "least": "1"}
    nothing |= {"lead_days": "", "lead_days_sd": "0"}
    first = {"supplier_id": one, "price": "11.505", "currency": "eur", "lead_days": "7.5"}
    number = put(nothing, **first, pack="10")
    # Both enter the first terms: the same are the same, others are refused.
    assert put(nothing, **first) == number
    with pytest.raises(StaleError, match=r"price is 11\.505 by now; this page showed empty\. Mend"):
        put(nothing, **(first | {"price": "12"}))
    told = "the supplier is 'Spares 1' by now; this page showed empty; the price"
    with pytest.raises(StaleError, match=told):
        put(nothing, **(first | {"supplier_id": two, "price": "9"}))

    shown = terms_of(shelf).typed
    assert (shown["price"], shown["pack"], shown["lead_days"]) == ("11.505", "10", "7.5")
    assert put(shown) == number
    put(shown, price="12,5", reason="their list")
    # It says nothing of the price, so the new one stays; so does a note of its own.
    put(shown, lead_days="9", reason="by phone")
    terms = terms_of(shelf)
    assert (terms.price, terms.pack, terms.lead_days, terms.reason) == (12.5, 10, 9.0, "by phone")
    told = r"^price: the price is 12\.50 by now; this page showed 11\.505"
    with pytest.raises(StaleError, match=told):
        put(shown, price="13", least="20")
    told = r"price is 12\.50 .*; the lead time in days is 9 by now; this page showed 7\.5"
    with pytest.raises(StaleError, match=told):
        put(shown, price="13", lead_days="10")
    # Each alone would do, together they are no lead time.
    with pytest.raises(ServiceError, match="10 days either way is more than the 9 days"):
        put(shown, lead_days_sd="10")
    # A figure is one supplier's: who tells of the one has not seen the other.
    with pytest.raises(StaleError, match="price is .*lead time"):
        put(shown, supplier_id=two)
    seen = terms_of(shelf).typed
    put(seen, supplier_id=two, price="10")
    with pytest.raises(StaleError, match="supplier is 'Spares 2' by now; this page showed 'Spar"):
        put(seen, lead_days="8")
    # A price is in one currency; packs are the same in any.
    seen = terms_of(shelf).typed
    put(seen, currency="USD")
    with pytest.raises(StaleError, match="^currency: the currency is 'USD' by now.* 'EUR'"):
        put(seen, price="10.80")
    put(seen, pack="5")
    put(terms_of(shelf).typed, price="10.80")
    terms = terms_of(shelf)
    assert (terms.supplier, terms.price, terms.currency, terms.pack) == ("Spares 2", 10.8, "USD", 5)
    # The same with another reason is news; without a word about what was seen, all is meant.
    known = len(history(floor, shelf.nozzle))
    assert put(terms.typed) == terms.id
    assert put(terms.typed, reason="asked again") > terms.id
    put(None, **(terms_of(shelf).typed | {"supplier_id": two}))
    assert len(history(floor, shelf.nozzle)) == known + 2
    with pytest.raises(StaleError):
        put({}, **(first | {"supplier_id": one}))
    with pytest.raises(ServiceError, match="shown price: 'x' is not a number"):
        put(terms.typed | {"price": "x"}, **first)
    assert verify_book(shop, SYSTEM).faults == ()


def history(floor: Floor, item: int) -> list[Terms]:
    with floor.shop.database.read() as session:
        return shelf_terms.all_terms(session, item)


def test_at_one_rule(floor: Floor) -> None:
    shelf = shelf_on(floor)
    item = shelf.nozzle

    def put(of: int | None, shown: dict[str, str], **typed: str) -> int:
        def shares(fields: dict[str, str]) -> dict[str, str]:
            return fields | {n: f"{fields[n]} %" for n in ("service", "hold_rate")}

        return shelf_rules.set_rule(
            floor.shop, floor.lead, of, shown=shares(shown), **shares(shown | typed)
        )

    assumed = rule_of(floor, None).typed
    # Set as it was assumed, it is assumed no longer; once more changes nothing.
    number = put(None, assumed)
    assert rule_of(floor, None).of == "shop"
    assert put(None, assumed) == number
    shops = rule_of(floor, item).typed
    put(None, shops, service="97", order_cost="12345.678")
    # An item's own rule takes from the shop's what was not touched, as it is by now.
    put(item, shops, keep_least="2")
    own = rule_of(floor, item)
    assert (own.of, own.service, own.order_cost, own.keep_least) == ("item", 0.97, 12345.678, 2)
    with pytest.raises(StaleError, match="^service: the share to be met is 97 % by now.* 95 %"):
        put(None, shops, service="99")
    told = "share to be met is 97 %.*; the cost of an order is 12345.678 by now.*showed 30;"
    with pytest.raises(StaleError, match=told):
        put(item, shops, service="99", order_cost="40", keep_least="3")
    assert rule_of(floor, item) == own
    seen = own.typed
    put(item, seen, shortage_cost="300")
    with pytest.raises(StaleError, match="one short is 300 by now; this page showed empty"):
        put(item, seen, shortage_cost="250")
    put(item, seen, hold_rate="57")
    # 57 % as it was reckoned and as it is shown are one.
    seen = rule_of(floor, item).typed
    assert seen["hold_rate"] == "57"
    put(item, seen, service="99.5", order_cost="40")
    own = rule_of(floor, item)
    assert (own.service, own.order_cost, own.shortage_cost) == (0.995, 40.0, 300.0)
    assert own.hold_rate == pytest.approx(0.57)
    before = trail_rows(floor)
    put(item, own.typed)
    assert trail_rows(floor) == before
    assert verify_book(floor.shop, SYSTEM).faults == ()


class Moment:
    """Something that two may do at one moment, what stands after it, and who is told what."""

    def __init__(self, floor: Floor) -> None:
        self.floor, self.shelf = floor, shelf_on(floor)


class ItemMoment(Moment):
    told = "the place is '{}' by now"

    def __init__(self, floor: Floor) -> None:
        super().__init__(floor)
        self.shown = fields_of(self.shelf, self.shelf.nozzle)

    def do(self, typed: str) -> None:
        shelf_items.edit_item(
            self.floor.shop,
            self.floor.lead,
            self.shelf.nozzle,
            name=self.shown.name,
            code=self.shown.code,
            place=typed,
            active=True,
            shown=self.shown,
        )

    def stands(self) -> str:
        return self.shelf.line(self.shelf.nozzle).place


class TermsMoment(Moment):
    told = "the price is {}.00 by now"

    def __init__(self, floor: Floor) -> None:
        super().__init__(floor)
        self.supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name="Spares 1")
        self.shown: dict[str, str] | None = None
        self.do("1")
        self.shown = terms_of(self.shelf).typed

    def do(self, typed: str) -> None:
        shelf_terms.set_terms(
            self.floor.shop,
            self.floor.lead,
            self.shelf.nozzle,
            supplier_id=self.supplier,
            price=typed,
            currency="EUR",
            lead_days="7",
            shown=self.shown,
        )

    def stands(self) -> str:
        return f"{terms_of(self.shelf).price:g}"


class RuleMoment(Moment):
    told = "the cost of an order is {} by now"

    def __init__(self, floor: Floor) -> None:
        super().__init__(floor)
        shown = rule_of(floor, self.shelf.nozzle).typed
        self.shown = shown | {"service": "95 %", "hold_rate": "20 %"}

    def do(self, typed: str) -> None:
        shelf_rules.set_rule(
            self.floor.shop,
            self.floor.lead,
            self.shelf.nozzle,
            shown=self.shown,
            **(self.shown | {"order_cost": typed}),
        )

    def stands(self) -> str:
        return f"{rule_of(self.floor, self.shelf.nozzle).order_cost:g}"


@pytest.mark.parametrize("form", [ItemMoment, TermsMoment, RuleMoment])
def test_of_two_at_one_moment_one_is_refused(
    floor: Floor, form: type[ItemMoment] | type[TermsMoment] | type[RuleMoment]
) -> None:
    moment = form(floor)
    start = threading.Barrier(2)
    went: list[str] = []
    refused: list[str] = []

    def touch(typed: str) -> None:
        start.wait(30)
        try:
            moment.do(typed)
            went.append(typed)
        except StaleError as refusal:
            refused.append(refusal.problem)

    both = [threading.Thread(target=touch, args=(typed,)) for typed in ("41", "42")]
    for each in both:
        each.start()
    for each in both:
        each.join(60)
    assert went == [moment.stands()]
    assert len(refused) == 1
    assert moment.told.format(went[0]) in refused[0]
