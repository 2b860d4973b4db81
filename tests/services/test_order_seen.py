"""An order is written down only where what the page showed still stands."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from kit import KINDS, Floor, open_floor
from pitwise.records.tables import AuditRow
from pitwise.services import (
    order_list,
    shelf_orders,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
)
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.order_seen import Seen, read_seen
from shelf_kit import Shelf, shelf_on

TERMS = {"currency": "EUR", "lead_days": "3"}


def listed(floor: Floor) -> tuple[Shelf, int]:
    """A nozzle of which forty are always to be kept, and two are there."""
    shelf = shelf_on(floor)
    supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name="Spares 1")
    priced(shelf, supplier, price="0.125")
    rule: Any = {"service": "95", "order_cost": "30", "hold_rate": "20"}
    shelf_rules.set_rule(floor.shop, floor.lead, shelf.nozzle, keep_least="40", **rule)
    shelf.goods_in(shelf.nozzle, 2)
    return shelf, supplier


def priced(shelf: Shelf, supplier: int, **more: str) -> None:
    given: Any = TERMS | more
    shelf_terms.set_terms(
        shelf.floor.shop, shelf.floor.lead, shelf.nozzle, supplier_id=supplier, **given
    )


def row_of(floor: Floor) -> order_list.OrderRow:
    (supplier,) = order_list.order_list(floor.shop, floor.lead).suppliers
    (row,) = supplier.rows
    return row


def place(floor: Floor, supplier: int, row: order_list.OrderRow, key: str = "") -> int:
    return order_list.place_listed(
        floor.shop,
        floor.lead,
        supplier_id=supplier,
        pieces={row.item_id: str(row.pieces)},
        seen={row.item_id: row.seen},
        key=key or floor.key(),
    )


def codes(floor: Floor) -> list[str]:
    return [o.code for o in shelf_orders.orders(floor.shop, floor.lead)]


def test_two_leads_on_one_list_order_once(floor: Floor) -> None:
    _, supplier = listed(floor)
    row, key = row_of(floor), floor.key()
    order = place(floor, supplier, row, key)
    with pytest.raises(ConflictError, match="38 on order by now, this page showed 0") as caught:
        place(floor, supplier, row)
    assert (caught.value.place, caught.value.status) == ("order", 409)
    # The first touch again is no second order and no refusal.
    assert place(floor, supplier, row, key) == order
    assert codes(floor) == ["O-0001"]
    with floor.shop.database.read() as session:
        noted = session.scalars(select(AuditRow.action)).all()
    assert noted.count("shelf-order-placed") == 1


@pytest.mark.parametrize("kind", KINDS)
def test_two_leads_at_the_same_moment_order_once(
    kind: str, tmp_path: Path, session_folder: Path
) -> None:
    with open_floor(kind, tmp_path, session_folder) as floor:
        _, supplier = listed(floor)
        row = row_of(floor)
        refused: list[ServiceError] = []
        gate = threading.Barrier(4)

        def order(key: str) -> None:
            gate.wait()
            try:
                place(floor, supplier, row, key)
            except ServiceError as error:
                refused.append(error)

        leads = [threading.Thread(target=order, args=(floor.key(),)) for _ in range(4)]
        for lead in leads:
            lead.start()
        for lead in leads:
            lead.join()
        assert codes(floor) == ["O-0001"]
        assert [(e.status, e.place) for e in refused] == [(409, "order")] * 3


def test_what_moved_since_is_named_and_nothing_is_written(lite: Floor) -> None:
    shelf, supplier = listed(lite)
    row = row_of(lite)
    shelf.goods_in(shelf.nozzle, 5)
    with pytest.raises(ConflictError, match="'nozzle 300': 7 on the shelf by now.* showed 2"):
        place(lite, supplier, row)
    row = row_of(lite)
    priced(shelf, supplier, price="500", currency="USD")
    said = r"500\.00 USD each by now, this page showed 0\.125 EUR"
    with pytest.raises(ConflictError, match=said):
        place(lite, supplier, row)
    row = row_of(lite)
    other = shelf_suppliers.add_supplier(lite.shop, lite.lead, name="Spares 2")
    priced(shelf, other, price="500", currency="USD")
    with pytest.raises(ConflictError, match="bought from Spares 2 by now"):
        place(lite, supplier, row)
    assert codes(lite) == []
    # New days alone change nothing about what was shown.
    row = row_of(lite)
    priced(shelf, other, price="500", currency="USD", lead_days="9")
    place(lite, other, row)
    assert codes(lite) == ["O-0001"]


def test_a_line_of_which_nothing_was_shown_is_not_ordered(lite: Floor) -> None:
    shelf, supplier = listed(lite)
    with pytest.raises(ServiceError, match="does not say what it showed"):
        order_list.place_listed(
            lite.shop,
            lite.lead,
            supplier_id=supplier,
            pieces={shelf.nozzle: "38"},
            seen={},
            key=lite.key(),
        )
    assert codes(lite) == []


def test_what_a_form_sends_along_is_what_was_shown() -> None:
    for seen in (Seen(0, 2, 0.125, "EUR"), Seen(38, -1, 1234.5, "EUR"), Seen(3)):
        assert read_seen(seen.text, seen.currency) == seen
    for text in ("", "1:2", "1:2:nan", "1:2:inf", "x:2:1", "1:2:3:4"):
        with pytest.raises(ServiceError, match="open the page again"):
            read_seen(text)
