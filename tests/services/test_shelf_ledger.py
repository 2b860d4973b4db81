"""The ledger: lines are never changed, sums come out even, and nothing below zero is hidden."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from sqlalchemy import select

from kit import Floor
from pitwise.records.shelf_tables import ItemTerms
from pitwise.records.tables import AuditRow
from pitwise.services import (
    shelf_codes,
    shelf_items,
    shelf_ledger,
    shelf_movements,
    shelf_orders,
    shelf_prices,
    shelf_read,
    shelf_suppliers,
    shelf_terms,
    shelf_undo,
)
from pitwise.services.book import verify_book
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    QuestionError,
    ServiceError,
)
from pitwise.services.people import SYSTEM
from shelf_kit import Shelf, shelf_on


def test_lines_run_with_their_figure_and_say_who(floor: Floor) -> None:
    shelf = shelf_on(floor)
    item = shelf.nozzle
    shelf.goods_in(item, 10, "A", unit_price="16,80", currency="EUR", note="first box")
    floor.clock.forward(hours=1)
    shelf.take(item, 2, note="for the trainee")
    shelf.count(item, 7, seen=8)
    lines = shelf.ledger(item)
    assert [(x.kind, x.pieces, x.balance, x.counted) for x in lines] == [
        ("counted", -1, 7, 7),
        ("taken", -2, 8, None),
        ("goods-in", 10, 10, None),
    ]
    assert (lines[2].unit_price, lines[2].currency, lines[2].lot) == (16.8, "EUR", "A")
    assert {x.who for x in lines} == {"Tom Reed"}
    assert lines[1].lot == "A"
    assert shelf.line(item).last_counted_at == floor.clock()
    with floor.shop.database.read() as session:
        balances = shelf_read.balances(session)
        told = session.scalars(
            select(AuditRow.action).where(AuditRow.subject == f"shelf item {item}")
        ).all()
    assert balances == {i: 7 if i == item else 0 for i in (*shelf.items.values(), shelf.kit)}
    assert told == ["shelf-item-added", "shelf-goods-in", "shelf-taken", "shelf-counted"]
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_the_same_key_is_the_same_line_and_a_changed_form_is_refused(floor: Floor) -> None:
    shelf = shelf_on(floor)
    item, other = shelf.nozzle, shelf.electrode
    one, two, three, four, five = (floor.key() for _ in range(5))
    first = shelf.goods_in(item, 5, "A", key=one)
    took = shelf.take(item, 1, key=two)
    counted = shelf.count(item, 3, seen=4, key=three)
    undone = shelf.undo(counted, key=four)
    shelf.goods_in(shelf.kit, 2)
    opened = shelf_ledger.open_kit(floor.shop, floor.tech, kit_id=shelf.kit, kits="1", key=five)
    before = [shelf.ledger(i) for i in (item, other, shelf.kit)]
    assert shelf.goods_in(item, 5, "A", key=one) == first
    assert shelf.take(item, 1, key=two) == took
    # The figure has moved since, but this count went in when it was right.
    assert shelf.count(item, 3, seen=4, key=three) == counted
    assert shelf.undo(counted, key=four) == undone
    again = shelf_ledger.open_kit(floor.shop, floor.tech, kit_id=shelf.kit, kits="1", key=five)
    assert again == opened
    assert len(opened) == 3
    changed: list[Callable[[], object]] = [
        lambda: shelf.goods_in(item, 6, "A", key=one),
        lambda: shelf.goods_in(other, 5, "A", key=one),
        lambda: shelf.take(item, 2, key=two),
        lambda: shelf.take(item, 5, key=one),
        lambda: shelf.count(item, 4, key=three),
        lambda: shelf.undo(took, key=four),
        lambda: shelf.undo(took, key=two),
        lambda: shelf_ledger.open_kit(floor.shop, floor.tech, kit_id=shelf.kit, kits="2", key=five),
    ]
    for do in changed:
        with pytest.raises(ConflictError, match="went in before"):
            do()
    assert [shelf.ledger(i) for i in (item, other, shelf.kit)] == before


@pytest.mark.parametrize(
    ("field", "given", "words"),
    [
        ("pieces", "0", "out of range"),
        ("pieces", "", "is empty"),
        ("pieces", "2.5", "not a whole number"),
        ("pieces", "-3", "not a whole number"),
        ("unit_price", "cheap", "not a number"),
        ("key", "x", "carries no key"),
        ("lot", "L" * 81, "longer than 80"),
        ("item_id", 999, "no item 999"),
        ("order_line_id", 77, "no order line 77"),
    ],
)
def test_what_is_typed_wrong_is_named_and_nothing_is_written(
    lite: Floor, field: str, given: object, words: str
) -> None:
    shelf = shelf_on(lite)
    form: dict[str, object] = {"item_id": shelf.nozzle, "pieces": "4", "key": lite.key()}
    with pytest.raises(ServiceError, match=words):
        shelf_ledger.goods_in(lite.shop, lite.tech, **(form | {field: given}))  # type: ignore[arg-type]  # wrong on purpose
    assert shelf.ledger(shelf.nozzle) == []


def test_a_price_needs_a_currency_and_finds_the_shops(lite: Floor) -> None:
    shelf = shelf_on(lite)
    with pytest.raises(ServiceError, match="currency"):
        shelf.goods_in(shelf.nozzle, 4, unit_price="3")
    supplier = shelf_suppliers.add_supplier(lite.shop, lite.lead, name="Spares 1")
    shelf_terms.set_terms(
        lite.shop,
        lite.lead,
        shelf.electrode,
        supplier_id=supplier,
        price="20",
        currency="kr",
        lead_days="5",
    )
    shelf.goods_in(shelf.nozzle, 4, unit_price="3")
    assert shelf.ledger(shelf.nozzle)[0].currency == "kr"


def _terms(floor: Floor, item: int, supplier: int, price: str, currency: str = "EUR") -> None:
    shelf_terms.set_terms(
        floor.shop,
        floor.lead,
        item,
        supplier_id=supplier,
        price=price,
        currency=currency,
        lead_days="5",
    )


def _priced(shelf: Shelf, item: int) -> tuple[float | None, str | None, str]:
    line = shelf.ledger(item)[0]
    return line.unit_price, line.currency, line.note


def test_without_a_price_goods_come_in_at_the_terms_in_force(floor: Floor) -> None:
    shelf, shop, lead = shelf_on(floor), floor.shop, floor.lead
    one = shelf_suppliers.add_supplier(shop, lead, name="Spares 1")
    two = shelf_suppliers.add_supplier(shop, lead, name="Spares 2")
    item = shelf.electrode
    shelf.goods_in(item, 5)
    assert _priced(shelf, item) == (None, None, "")
    shelf.goods_in(item, 5, unit_price="10", currency="EUR")
    _terms(floor, item, one, "12", "USD")
    floor.clock.forward(days=1)
    shelf.goods_in(item, 5)
    assert _priced(shelf, item) == (12.0, "USD", "price as in the terms of Spares 1")
    with shop.database.read() as session:
        kind = shelf.line(item).part_type_id
        assert kind is not None
        assert shelf_prices.price_at(session, kind, floor.clock.now) == (12.0, "USD")
    # An order's own price; where it has none, the terms of the one who delivers.
    of_one = shelf_orders.place_order(
        shop, lead, supplier_id=one, lines=[(item, 4), (shelf.nozzle, 4)], key=floor.key()
    )
    lines = {x.item_id: x.id for x in shelf_orders.order_view(shop, lead, of_one).lines}
    _terms(floor, item, two, "15")
    _terms(floor, shelf.nozzle, one, "3")
    _terms(floor, shelf.nozzle, two, "4")
    shelf.goods_in(item, 2, order_line_id=lines[item], seen=0)
    assert _priced(shelf, item) == (12.0, "USD", "")
    shelf.goods_in(shelf.nozzle, 2, order_line_id=lines[shelf.nozzle], seen=0, note="By hand.")
    said = "By hand. Price as in the terms of Spares 1"
    assert _priced(shelf, shelf.nozzle) == (3.0, "EUR", said)
    shelf.goods_in(shelf.nozzle, 2)
    assert _priced(shelf, shelf.nozzle) == (4.0, "EUR", "price as in the terms of Spares 2")
    assert verify_book(shop, SYSTEM).faults == ()


def test_a_price_far_from_the_one_in_force_is_asked_about(floor: Floor) -> None:
    shelf = shelf_on(floor)
    supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name="Spares 1")
    item = shelf.nozzle
    # Nothing to hold it against: taken as typed.
    shelf.goods_in(item, 1, unit_price="90", currency="EUR")
    with pytest.raises(QuestionError, match="less than 1/3 of the 90.00 last paid"):
        shelf.goods_in(item, 1, unit_price="29.99", currency="EUR")
    _terms(floor, item, supplier, "12")
    before = shelf.ledger(item)
    for typed, how in (
        ("36.01", "more than 3 times"),
        ("9999999", "more than 3 times"),
        ("3.99", "less than 1/3 of"),
    ):
        with pytest.raises(QuestionError) as caught:
            shelf.goods_in(item, 1, unit_price=typed)
        assert f"for one is {how} the 12.00 in the terms of Spares 1" in caught.value.problem
        assert (caught.value.place, caught.value.answer) == ("unit_price", typed)
        # Said of another price, it is no answer to this one.
        with pytest.raises(QuestionError):
            shelf.goods_in(item, 1, unit_price=typed, sure_price="36.02")
    assert shelf.ledger(item) == before
    for typed, sure in (("36", ""), ("4", ""), ("36.01", "36,01"), ("0.5", "0.5")):
        shelf.goods_in(item, 1, unit_price=typed, sure_price=sure)
        assert _priced(shelf, item) == (float(typed), "EUR", "")
    # In another currency nothing can be told, and nothing is asked.
    shelf.goods_in(item, 1, unit_price="4000", currency="JPY")


def test_0_is_no_price_wherever_one_is_typed(lite: Floor) -> None:
    shelf = shelf_on(lite)
    supplier = shelf_suppliers.add_supplier(lite.shop, lite.lead, name="Spares 1")
    for typed in ("0", "0.00", "0,0"):
        with pytest.raises(ServiceError, match="0 is no price.*leave it empty if there is none"):
            shelf.goods_in(shelf.nozzle, 1, unit_price=typed)
        with pytest.raises(ServiceError, match="0 is no price.*enter no terms"):
            _terms(lite, shelf.nozzle, supplier, typed)
    # A book of before may hold such terms: what was bought so has no known price.
    _terms(lite, shelf.nozzle, supplier, "5")
    with lite.shop.database.write() as session:
        old = session.scalars(select(ItemTerms)).one()
        values = {c.key: getattr(old, c.key) for c in ItemTerms.__table__.columns}
        session.add(
            ItemTerms(**(values | {"id": old.id + 1, "item_id": shelf.electrode, "price": 0}))
        )
    shelf.goods_in(shelf.electrode, 2)
    assert _priced(shelf, shelf.electrode) == (None, None, "")
    with lite.shop.database.read() as session:
        kind = shelf.line(shelf.electrode).part_type_id
        assert kind is not None
        assert shelf_prices.price_at(session, kind, lite.clock.now) is None


def test_more_than_is_there_is_not_taken_and_scrap_needs_a_reason(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 3, "A")
    with pytest.raises(ConflictError, match="has 3 of 'nozzle 300'.*count the shelf first"):
        shelf.take(shelf.nozzle, 4)
    with pytest.raises(ServiceError, match="note: is empty"):
        shelf_ledger.take(
            lite.shop,
            lite.tech,
            item_id=shelf.nozzle,
            pieces="1",
            key=lite.key(),
            kind="scrapped",
            note=" ",
        )
    with pytest.raises(ConflictError, match="lot: the book has 0"):
        shelf_ledger.take(
            lite.shop,
            lite.tech,
            item_id=shelf.nozzle,
            pieces="1",
            key=lite.key(),
            kind="taken",
            lot="B",
        )
    assert shelf.balance(shelf.nozzle) == 3


def test_a_count_of_a_figure_that_moved_is_refused(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shelf.goods_in(shelf.nozzle, 6)
    shelf.take(shelf.nozzle, 1)
    with pytest.raises(ConflictError, match="moved from 6 to 5"):
        shelf.count(shelf.nozzle, 6, seen=6)
    shelf.count(shelf.nozzle, 6, seen=5)
    # Counted right: a line all the same, so that the shelf is known to have been counted.
    shelf.count(shelf.nozzle, 6, seen=6)
    assert [x.pieces for x in shelf.ledger(shelf.nozzle)] == [0, 1, -1, 6]


def test_ones_own_is_undone_within_a_day_and_any_by_a_lead(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shop, item = lite.shop, shelf.nozzle
    mine = shelf.goods_in(item, 50)
    of_lead = shelf.goods_in(item, 5, actor=lite.lead)
    with pytest.raises(NotAllowedError, match="last 24 hours"):
        shelf.undo(of_lead, lite.tech)
    assert [x.may_undo for x in shelf.ledger(item)] == [False, True]
    back = shelf.undo(mine, lite.tech)
    with pytest.raises(ConflictError, match="undone before"):
        shelf.undo(mine)
    with pytest.raises(ConflictError, match="undid another"):
        shelf.undo(back)
    late = shelf.take(item, 2)
    lite.clock.forward(hours=25)
    with pytest.raises(NotAllowedError):
        shelf.undo(late, lite.tech)
    shelf.undo(late)
    lines = shelf.ledger(item)
    assert [(x.kind, x.pieces, x.balance, x.undoes) for x in lines] == [
        ("undone", 2, 5, late),
        ("taken", -2, 3, None),
        ("undone", -50, 5, mine),
        ("goods-in", 5, 55, None),
        ("goods-in", 50, 50, None),
    ]
    assert lines[4].undone_by == back
    assert lines[2].note == "a slip"
    assert shelf.lots(item) == [(None, 5)]
    with pytest.raises(NotFoundError):
        shelf_undo.undo(shop, lite.lead, 999, key=lite.key(), reason="x")


def test_a_count_settles_what_was_before_it(lite: Floor) -> None:
    shelf = shelf_on(lite)
    item = shelf.nozzle
    took = shelf.goods_in(item, 9)
    counted = shelf.count(item, 4)
    assert [x.may_undo for x in shelf.ledger(item)] == [True, False]
    with pytest.raises(ConflictError, match="counted since"):
        shelf.undo(took)
    shelf.undo(counted)
    assert shelf.balance(item) == 9
    assert shelf.line(item).last_counted_at is None
    shelf.undo(took)
    assert shelf.balance(item) == 0


def test_goods_in_that_are_used_by_now_are_undone_and_it_says_below_zero(lite: Floor) -> None:
    shelf = shelf_on(lite)
    item = shelf.nozzle
    came = shelf.goods_in(item, 5)
    shelf.take(item, 3)
    shelf.undo(came)
    top = shelf.ledger(item)[0]
    assert (top.balance, top.below_zero) == (-3, True)
    assert (shelf.line(item).on_shelf, shelf.line(item).below_zero) == (-3, True)
    shelf.goods_in(item, 10, "B")
    # Above zero again, and still not to be trusted; three of the new ones are gone already.
    assert (shelf.line(item).on_shelf, shelf.line(item).below_zero) == (7, True)
    assert shelf.lots(item) == [("B", 7)]
    shelf.count(item, 8)
    line = shelf.line(item)
    assert (line.on_shelf, line.below_zero, line.count_again) == (8, False, False)
    assert shelf.lots(item) == [("B", 7), (None, 1)]
    assert verify_book(lite.shop, SYSTEM).faults == ()


def test_kits_are_opened_packed_and_undone_whole(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.kit, 3, "K1")
    assert (shelf.line(shelf.nozzle).in_kits, shelf.line(shelf.nozzle).on_shelf) == (3, 0)
    opened = shelf.open_kits(2)
    assert [shelf.balance(i) for i in (shelf.kit, shelf.electrode, shelf.nozzle)] == [1, 2, 2]
    assert shelf.lots(shelf.nozzle) == [("K1", 2)]
    with pytest.raises(ConflictError, match="has 1 of"):
        shelf.open_kits(2)
    taken = shelf.take(shelf.nozzle, 1)
    # Undone whole or not at all, from whichever line one asks.
    with pytest.raises(ConflictError, match="used by now"):
        shelf.undo(opened[1])
    assert shelf.ledger(shelf.kit)[0].may_undo is False
    shelf.undo(taken)
    shelf.undo(opened[1])
    assert [shelf.balance(i) for i in (shelf.kit, shelf.electrode, shelf.nozzle)] == [3, 0, 0]
    shelf.goods_in(shelf.electrode, 2, "E")
    shelf.goods_in(shelf.nozzle, 1, "N")
    with pytest.raises(ConflictError, match="has 1 of 'nozzle 300'"):
        shelf.pack_kits(2)
    packed = shelf.pack_kits(1)
    assert [shelf.balance(i) for i in (shelf.kit, shelf.electrode, shelf.nozzle)] == [4, 1, 0]
    assert shelf.lots(shelf.kit) == [("K1", 3), (None, 1)]
    shelf.undo(packed[0])
    assert [shelf.balance(i) for i in (shelf.kit, shelf.electrode, shelf.nozzle)] == [3, 2, 1]
    with pytest.raises(ServiceError, match="is no kit"):
        shelf_ledger.open_kit(
            floor.shop, floor.tech, kit_id=shelf.nozzle, kits="1", key=floor.key()
        )
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_what_is_put_aside_takes_no_goods(lite: Floor) -> None:
    shelf = shelf_on(lite)
    item = shelf_items.add_item(lite.shop, lite.lead, kind="other", name="Depth gauge battery")
    line = shelf.line(item)
    shelf.goods_in(item, 2)

    def edit(active: bool) -> None:
        shelf_items.edit_item(
            lite.shop, lite.lead, item, name=line.name, code=line.code, place="", active=active
        )

    with pytest.raises(ConflictError, match="the book has 2 of it"):
        edit(False)
    shelf.count(item, 0)
    edit(False)
    with pytest.raises(ConflictError, match="put aside"):
        shelf.goods_in(item, 2)
    assert item not in {x.id for x in shelf_items.item_lines(lite.shop, lite.tech)}
    assert item in {x.id for x in shelf_items.item_lines(lite.shop, lite.tech, inactive=True)}
    edit(True)
    shelf.goods_in(item, 1)


def test_a_long_ledger_comes_in_pages(lite: Floor) -> None:
    shelf = shelf_on(lite)
    assert shelf_movements.movement_pages(lite.shop, lite.tech, shelf.nozzle) == 1
    for _ in range(51):
        shelf.goods_in(shelf.nozzle, 1)
    assert shelf_movements.movement_pages(lite.shop, lite.tech, shelf.nozzle) == 2
    (oldest,) = shelf_movements.movements(lite.shop, lite.tech, shelf.nozzle, page=2)
    assert oldest.balance == 1
    assert shelf.ledger(shelf.nozzle)[-1].balance == 2


def test_codes_are_found_whatever_their_capitals(lite: Floor) -> None:
    shelf = shelf_on(lite)
    find = shelf_codes.by_code
    code = shelf.line(shelf.nozzle).code
    assert find(lite.shop, lite.tech, code.lower()).id == shelf.nozzle
    assert find(lite.shop, lite.tech, f" {code} ").name == "nozzle 300"
    part = find(lite.shop, lite.tech, "nz-00007")
    assert (part.kind, part.name) == ("part", "NZ-00007")
    for unknown in ("S-9999", "O-0001", "O-99999999999999999999", "%", "nozzle"):
        with pytest.raises(NotFoundError, match="look the item up"):
            find(lite.shop, lite.tech, unknown)


def _at_once(*work: Callable[[], object]) -> list[object]:
    """Do all of it at the same moment; give what each came to."""
    gate = threading.Barrier(len(work))
    out: list[object] = [None] * len(work)

    def run(place: int, do: Callable[[], object]) -> None:
        gate.wait()
        try:
            out[place] = do()
        except ServiceError as error:
            out[place] = error

    threads = [threading.Thread(target=run, args=x) for x in enumerate(work)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return out


def test_two_tablets_take_the_last_piece_and_one_of_them_gets_it(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 1)
    got = _at_once(*[lambda: shelf.take(shelf.nozzle, 1) for _ in range(4)])
    assert sum(isinstance(x, int) for x in got) == 1
    assert sum(isinstance(x, ConflictError) for x in got) == 3
    assert shelf.balance(shelf.nozzle) == 0
    assert verify_book(floor.shop, SYSTEM).faults == ()


def test_one_form_sent_twice_at_once_is_one_line(floor: Floor) -> None:
    shelf = shelf_on(floor)
    key = floor.key()
    got = _at_once(*[lambda: shelf.goods_in(shelf.nozzle, 5, "A", key=key) for _ in range(4)])
    assert len(set(map(str, got))) == 1
    assert shelf.balance(shelf.nozzle) == 5


def test_two_undo_the_same_line_at_once(floor: Floor) -> None:
    shelf = shelf_on(floor)
    line = shelf.goods_in(shelf.nozzle, 5)
    got = _at_once(*[lambda: shelf.undo(line) for _ in range(3)])
    assert sum(isinstance(x, int) for x in got) == 1
    assert shelf.balance(shelf.nozzle) == 0


def test_two_count_what_both_saw_and_the_second_is_told(floor: Floor) -> None:
    shelf = shelf_on(floor)
    shelf.goods_in(shelf.nozzle, 5)
    got = _at_once(
        lambda: shelf.count(shelf.nozzle, 4, seen=5), lambda: shelf.count(shelf.nozzle, 3, seen=5)
    )
    assert sum(isinstance(x, ConflictError) for x in got) == 1
    assert shelf.balance(shelf.nozzle) in (3, 4)
