"""Revision 0005: the shelf's tables, on both databases."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from alembic import command
from sqlalchemy import inspect, select, text
from sqlalchemy.exc import DBAPIError, IntegrityError

from book_fixture import KINDS, empty_url
from kit import Floor
from pitwise.records import schema
from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.database import Database
from pitwise.records.rows import kept_tables
from pitwise.records.shelf_tables import (
    APPEND_ONLY,
    BaseLoad,
    ItemTerms,
    KitLine,
    Movement,
    ShelfItem,
    ShelfOrder,
    ShelfOrderLine,
    StockRule,
    Supplier,
)
from pitwise.records.tables import Station
from pitwise.services import shelf_rules, shelf_suppliers, shelf_terms
from pitwise.services.book_verify import verify_book
from shelf_kit import Shelf, shelf_on

NEW = {
    "shelf_item",
    "kit_line",
    "supplier",
    "item_terms",
    "stock_rule",
    "shelf_order",
    "shelf_order_line",
    "movement",
    "planned_work",
    "base_load",
}


@pytest.mark.parametrize("kind", KINDS)
def test_an_older_book_is_brought_up_to_this_revision(kind: str, tmp_path: Path) -> None:
    with empty_url(kind, tmp_path) as url:
        database = Database(url)
        try:
            writer = database.engine.execution_options(pitwise_write=True)
            with writer.begin() as connection:
                command.upgrade(schema._config(connection), "0004")
            with database.write() as session:
                session.add(Station(name="Old table"))
            assert not set(inspect(database.engine).get_table_names()) & NEW
            schema.upgrade(database)
            assert schema.drift(database) == []
            with database.read() as session:
                assert session.scalar(select(Station.name)) == "Old table"
        finally:
            database.close()


def test_all_of_it_is_carried_by_an_export() -> None:
    names = [t.name for t in kept_tables()]
    assert set(names) >= NEW
    assert names.index("shelf_item") < names.index("movement")
    assert names.index("shelf_order_line") < names.index("movement")
    assert set(APPEND_ONLY) <= set(ALL_TABLES.tables)


def filled(floor: Floor) -> Shelf:
    """Fill every table whose rows never change."""
    shelf = shelf_on(floor)
    shelf.undo(shelf.goods_in(shelf.nozzle, 3, "A"))
    supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name="Spares 1")
    shelf_terms.set_terms(
        floor.shop,
        floor.lead,
        shelf.nozzle,
        supplier_id=supplier,
        price="20",
        currency="EUR",
        lead_days="7",
    )
    shelf_rules.set_rule(
        floor.shop, floor.lead, None, service="0.95", order_cost="30", hold_rate="0.2"
    )
    with floor.shop.database.write() as session:
        session.add(
            BaseLoad(torch_id=floor.torch, reason="own", by=floor.lead.person_id, at=floor.clock())
        )
    return shelf


def test_the_ledger_terms_rules_and_loads_are_append_only(floor: Floor) -> None:
    filled(floor)
    for table in APPEND_ONLY:
        for statement in ("UPDATE {} SET at = at", "DELETE FROM {}"):
            with (
                pytest.raises(DBAPIError, match="never changed"),
                floor.shop.database.write() as session,
            ):
                session.execute(text(statement.format(table)))


def test_no_row_that_never_changes_is_replaced(lite: Floor) -> None:
    """SQLite's REPLACE drops a row without asking the triggers on DELETE."""
    filled(lite)
    for table in APPEND_ONLY:
        with lite.shop.database.read() as session:
            before = session.execute(text(f"SELECT * FROM {table}")).all()
        assert before
        with (
            pytest.raises(DBAPIError, match="never changed"),
            lite.shop.database.write() as session,
        ):
            session.execute(text(f"REPLACE INTO {table} SELECT * FROM {table} LIMIT 1"))
        with lite.shop.database.read() as session:
            assert session.execute(text(f"SELECT * FROM {table}")).all() == before


@pytest.mark.parametrize(
    "picked",
    [
        "key, 'goods-in', 9, NULL, item_id, FALSE, 'other', at FROM movement "
        "WHERE reverses IS NULL",
        "'another', 'undone', 9, reverses, item_id, FALSE, 'other', at FROM movement "
        "WHERE reverses IS NOT NULL",
    ],
)
def test_a_line_is_not_replaced_by_its_key_or_what_it_undoes(lite: Floor, picked: str) -> None:
    filled(lite)
    columns = "key, kind, pieces, reverses, item_id, below_zero, note, at"
    with pytest.raises(DBAPIError, match="never changed"), lite.shop.database.write() as session:
        session.execute(text(f"REPLACE INTO movement ({columns}) SELECT {picked}"))


def test_a_book_without_that_guard_is_told_of(lite: Floor) -> None:
    with lite.shop.database.write() as session:
        session.execute(text("DROP TRIGGER movement_no_delete"))
        session.execute(text("DROP TRIGGER item_terms_no_replace"))
    told = str(verify_book(lite.shop, lite.lead).faults)
    assert "movement_no_delete" in told
    assert "item_terms_no_replace" in told


def test_the_tables_themselves_refuse_what_cannot_be(floor: Floor) -> None:
    shelf = filled(floor)
    now = floor.clock()
    with floor.shop.database.read() as session:
        first = session.scalars(select(Movement).order_by(Movement.id)).first()
    assert first is not None

    def line(**more: object) -> Movement:
        given: dict[str, object] = {
            "key": floor.key(),
            "item_id": shelf.nozzle,
            "kind": "goods-in",
            "pieces": 1,
            "below_zero": False,
            "note": "",
            "at": now,
        }
        return Movement(**(given | more))

    def rule(**more: object) -> StockRule:
        given: dict[str, object] = {
            "service": 0.9,
            "order_cost": 1.0,
            "hold_rate": 0.2,
            "review_days": 0.0,
            "keep_least": 0,
            "reason": "",
            "at": now,
        }
        return StockRule(**(given | more))

    def terms(**more: object) -> ItemTerms:
        given: dict[str, object] = {
            "item_id": shelf.nozzle,
            "supplier_id": 1,
            "price": 1.0,
            "currency": "EUR",
            "pack": 1,
            "least": 1,
            "lead_days": 1.0,
            "lead_days_sd": 0.0,
            "reason": "",
            "at": now,
        }
        return ItemTerms(**(given | more))

    def item(**more: object) -> ShelfItem:
        given: dict[str, object] = {
            "kind": "other",
            "name": "Grease",
            "code": "G",
            "place": "",
            "created_at": now,
        }
        return ShelfItem(**(given | more))

    order: dict[str, object] = {"key": "order-0001", "supplier_id": 1, "ordered_at": now}
    refused = [
        line(key=first.key),
        line(kind="lost"),
        line(pieces=-1),
        line(kind="fitted"),
        line(kind="undone"),
        line(kind="undone", reverses=first.id, pieces=-3),
        line(reverses=first.id + 1),
        line(kind="counted"),
        line(counted=3),
        line(kind="counted", counted=-1),
        line(unit_price=-1.0),
        line(item_id=999),
        line(part_item_id=999),
        rule(service=1.0),
        rule(service=0.0),
        rule(order_cost=-1.0),
        rule(shortage_cost=-1.0),
        rule(review_days=-1.0),
        terms(price=-1.0),
        terms(pack=0),
        terms(least=0),
        terms(lead_days_sd=-1.0),
        item(kind="box"),
        item(kind="part"),
        item(part_type_id=1),
        item(name="nozzle 300"),
        KitLine(kit_id=shelf.kit, item_id=shelf.kit, pieces=1),
        KitLine(kit_id=shelf.kit, item_id=shelf.items["shield"], pieces=0),
        Supplier(name="Spares 1", note=""),
        ShelfOrder(state="sent", note="", **order),
        ShelfOrder(state="closed", note="", **order),
        ShelfOrder(state="open", note="", closed_at=now, **order),
        ShelfOrderLine(order_id=1, item_id=shelf.nozzle, pieces=0),
        BaseLoad(torch_id=floor.torch, starts_per_day=4.0, reason="", at=now),
    ]
    for row in refused:
        with pytest.raises(IntegrityError), floor.shop.database.write() as session:
            session.add(row)
            session.flush()
    with floor.shop.database.write() as session:
        session.add(line(at=now + dt.timedelta(days=1)))
