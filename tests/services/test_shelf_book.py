"""The shelf in the book: carried whole by an export, and what is changed behind it is named."""

from __future__ import annotations

import contextlib
import sqlite3
import zipfile
from pathlib import Path

import pytest
from sqlalchemy import text

from book_fixture import empty_url
from kit import Floor, open_floor
from pitwise.records.database import Database
from pitwise.records.rows import kept_tables
from pitwise.services import (
    fittings,
    planned_work,
    shelf_items,
    shelf_ledger,
    shelf_orders,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
)
from pitwise.services.book import export_book, restore_book, verify_book
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop
from shelf_kit import WORN, shelf_on


def fill(floor: Floor) -> None:
    """Do a little of everything to the shelf.

    Items are 1 to 8 in the order of the parts (nozzle 4, electrode 6), the kit is 9.
    """
    shelf = shelf_on(floor)
    shop, lead = floor.shop, floor.lead
    supplier = shelf_suppliers.add_supplier(shop, lead, name="Spares 1", note="=made up")
    shelf_terms.set_terms(
        shop,
        lead,
        shelf.nozzle,
        supplier_id=supplier,
        price="20",
        currency="EUR",
        lead_days="7",
    )
    shelf_rules.set_rule(shop, lead, None, service="95", order_cost="30", hold_rate="20 %")
    order = shelf_orders.place_order(
        shop, lead, supplier_id=supplier, lines=[(shelf.nozzle, 6)], key=floor.key()
    )
    line = shelf_orders.order_view(shop, lead, order).lines[0]
    shelf.goods_in(shelf.nozzle, 4, "A", order_line_id=line.id)  # 1
    shelf.undo(shelf.goods_in(shelf.nozzle, 40, "B"))  # 2, 3
    shelf.goods_in(shelf.kit, 2, "K")  # 4
    shelf.open_kits(1)  # 5, 6, 7
    first = floor.inspect(seen=WORN)  # 8, 9: one electrode of the kit, one nozzle
    shelf.count(shelf.nozzle, 4)  # 10
    floor.inspect(seen=WORN, torch=floor.other)  # 11 to 15: the other kit
    shelf.correct(first, worn=False)
    with shop.database.read() as session:
        kind = fittings.fitted(session, floor.torch)["shield"].item.part_type_id
    fittings.fit_part(shop, floor.tech, floor.torch, part_type_id=kind)


def data_files(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {n: archive.read(n) for n in archive.namelist() if n != "manifest.json"}


@pytest.mark.parametrize(("kind", "into"), [("sqlite", "postgres"), ("postgres", "sqlite")])
def test_a_restored_shelf_is_identical_and_goes_on(
    kind: str, into: str, tmp_path: Path, session_folder: Path
) -> None:
    with open_floor(kind, tmp_path, session_folder) as floor:
        fill(floor)
        assert verify_book(floor.shop, SYSTEM).faults == ()
        there = shelf_items.item_lines(floor.shop, SYSTEM)
        export_book(floor.shop, SYSTEM, tmp_path / "out.zip")
        lead, clock = floor.lead, floor.clock
    folder = tmp_path / "other"
    folder.mkdir()
    with empty_url(into, folder) as url:
        report = restore_book(url, tmp_path / "out.zip")
        assert report.verification.faults == ()
        assert report.rows["movement"] == 18
        database = Database(url)
        try:
            shop = Shop(database, clock)
            assert shelf_items.item_lines(shop, SYSTEM) == there
            export_book(shop, SYSTEM, tmp_path / "again.zip")
            assert data_files(tmp_path / "out.zip") == data_files(tmp_path / "again.zip")
            # New lines are numbered past the ones brought.
            shelf_ledger.goods_in(shop, lead, item_id=4, pieces="2", key="after-restore")
            assert verify_book(shop, SYSTEM).faults == ()
        finally:
            database.close()


@pytest.fixture(scope="module")
def filled(
    tmp_path_factory: pytest.TempPathFactory, session_folder: Path
) -> tuple[Path, dict[str, int]]:
    """A book with a filled shelf, closed; and how many rows its tables have."""
    folder = tmp_path_factory.mktemp("shelf")
    with open_floor("sqlite", folder, session_folder) as floor:
        fill(floor)
        with floor.shop.database.read() as session:
            counts = {
                t.name: session.execute(text(f"SELECT count(*) FROM {t.name}")).scalar_one()
                for t in kept_tables()
            }
        path = Path(str(floor.shop.database.url.database))
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path, counts


def faults_after(path: Path, folder: Path, changes: list[str]) -> list[tuple[str, str, str]]:
    """Change a copy of the book behind its back; give the faults found, guards left out."""
    copy = folder / "tampered.db"
    copy.write_bytes(path.read_bytes())
    with contextlib.closing(sqlite3.connect(copy)) as connection:
        for (name,) in connection.execute(
            "SELECT name FROM sqlite_master WHERE type = 'trigger'"
        ).fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("PRAGMA foreign_keys=OFF")
        connection.execute("PRAGMA ignore_check_constraints=ON")
        for change in changes:
            assert connection.execute(change).rowcount > 0, change
        connection.commit()
    database = Database(f"sqlite:///{copy}")
    try:
        found = verify_book(Shop(database), SYSTEM).faults
    finally:
        database.close()
    return [(f.table, f.row, f.problem) for f in found if not f.row.startswith("trigger ")]


CHANGED, PUT_IN, GONE = "has been changed", "was put in", "gone from the book"


# Changes that do not stand in each other's way are made together: each must be named.
@pytest.mark.parametrize(
    "changes",
    [
        # What the trail tells.
        [
            ("UPDATE movement SET lot = 'Z' WHERE id = 1", "movement", "id 1", CHANGED),
            ("UPDATE movement SET note = 'other' WHERE id = 3", "movement", "id 3", CHANGED),
            ("UPDATE movement SET unit_price = 9e999 WHERE id = 4", "movement", "id 4", CHANGED),
            (
                "INSERT INTO movement (id, key, item_id, kind, pieces, below_zero, note, at) "
                "VALUES (99, 'forged-1', 4, 'goods-in', 3, 0, '', '2031-03-03 06:00:00')",
                "movement",
                "id 99",
                PUT_IN,
            ),
            ("UPDATE item_terms SET price = 2", "item_terms", "id 1", CHANGED),
            ("UPDATE stock_rule SET service = 0.5", "stock_rule", "id 1", CHANGED),
            ("UPDATE shelf_item SET name = 'x' WHERE id = 3", "shelf_item", "id 3", CHANGED),
            ("DELETE FROM kit_line WHERE item_id = 4", "shelf_item", "id 9", CHANGED),
            ("UPDATE supplier SET note = ''", "supplier", "id 1", CHANGED),
            (
                "INSERT INTO supplier (name, note, active) VALUES ('Ghost', '', 1)",
                "supplier",
                "id 2",
                PUT_IN,
            ),
            ("UPDATE shelf_order_line SET pieces = 60", "shelf_order", "id 1", CHANGED),
        ],
        [
            ("DELETE FROM movement WHERE id = 4", "movement", "id 4", GONE),
            ("DELETE FROM shelf_order", "shelf_order", "id 1", GONE),
            ("DELETE FROM item_terms", "item_terms", "id 1", GONE),
            ("UPDATE kit_line SET pieces = 2 WHERE item_id = 4", "shelf_item", "id 9", CHANGED),
            ("UPDATE movement SET pieces = 'many' WHERE id = 1", "movement", "id 1", "no number"),
        ],
        [("UPDATE shelf_order SET note = 'x'", "shelf_order", "id 1", CHANGED)],
        # What the sums themselves tell, whatever the trail says.
        [
            ("UPDATE movement SET pieces = -39 WHERE id = 3", "movement", "id 3", "not cancel"),
            (
                "UPDATE movement SET counted = 7 WHERE id = 10",
                "movement",
                "id 10",
                "7 were counted",
            ),
            ("UPDATE movement SET pieces = -2 WHERE id = 5", "movement", "id 5", "what the kit"),
            (
                "UPDATE movement SET inspection_id = 2 WHERE id = 8",
                "movement",
                "id 8",
                "torch then",
            ),
            ("UPDATE shelf_order_line SET item_id = 6", "movement", "id 1", "of another item"),
        ],
        [
            ("UPDATE movement SET reverses = 1 WHERE id = 3", "movement", "id 3", "not cancel"),
            ("UPDATE movement SET below_zero = 1 WHERE id = 9", "movement", "id 9", "below zero"),
            ("UPDATE movement SET pieces = -2 WHERE id = 8", "movement", "id 8", "for one part"),
            ("UPDATE kit_line SET pieces = 2", "movement", "id 5", "what the kit"),
        ],
        [
            ("UPDATE movement SET reverses = 900 WHERE id = 3", "movement", "id 3", "not there"),
            ("UPDATE movement SET pieces = 3 WHERE id = 1", "movement", "id 10", "4 were counted"),
            (
                "UPDATE movement SET part_item_id = 1 WHERE id = 8",
                "movement",
                "id 8",
                "another kind",
            ),
        ],
        [("DELETE FROM movement WHERE reverses = 8", "movement", "id 8", "was corrected")],
    ],
)
def test_what_is_changed_behind_the_book_is_named(
    filled: tuple[Path, dict[str, int]],
    tmp_path: Path,
    changes: list[tuple[str, str, str, str]],
) -> None:
    found = faults_after(filled[0], tmp_path, [change for change, *_ in changes])
    for change, table, row, words in changes:
        assert any(t == table and r == row and words in p for t, r, p in found), (change, found)


def test_the_scene_holds_all_that_is_tampered_with(filled: tuple[Path, dict[str, int]]) -> None:
    _, counts = filled
    assert counts["movement"] == 18
    assert counts["kit_line"] == 2
    with contextlib.closing(sqlite3.connect(filled[0])) as connection:
        kinds = {k for (k,) in connection.execute("SELECT DISTINCT kind FROM movement")}
    assert kinds == {"goods-in", "undone", "kit-opened", "fitted", "counted"}


def test_usual_work_that_was_set_is_held_against_the_trail(
    tmp_path: Path, session_folder: Path
) -> None:
    with open_floor("sqlite", tmp_path, session_folder) as floor:
        planned_work.set_base_load(
            floor.shop,
            floor.lead,
            floor.torch,
            starts_per_day="40",
            minutes_per_start="0.5",
            reason="as agreed",
        )
        assert verify_book(floor.shop, SYSTEM).faults == ()
        path = Path(str(floor.shop.database.url.database))
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    found = faults_after(path, tmp_path, ["UPDATE base_load SET starts_per_day = 4"])
    assert [(table, row) for table, row, _ in found] == [("base_load", "id 1")]
    assert CHANGED in found[0][2]
    found = faults_after(path, tmp_path, ["DELETE FROM base_load"])
    assert [(table, row) for table, row, _ in found] == [("base_load", "id 1")]
