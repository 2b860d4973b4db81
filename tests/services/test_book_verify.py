"""Whatever is changed in what was signed, `verify_book` names the row."""

from __future__ import annotations

import contextlib
import random
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from book_fixture import empty_url, fill, open_shop, shop
from pitwise.records.database import Database
from pitwise.records.rows import SIGNED_WITH_INSPECTION
from pitwise.records.tables import Base
from pitwise.services import people
from pitwise.services.book import Verification, verify_book
from pitwise.services.errors import NotAllowedError, ServiceError
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop

__all__ = ["shop"]

SIGNED_TABLES = ("audit", "used_sheet", "inspection", *SIGNED_WITH_INSPECTION)


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A filled SQLite book, closed; tests change copies of it."""
    folder = tmp_path_factory.mktemp("filled")
    with empty_url("sqlite", folder) as url, open_shop(url) as opened:
        fill(opened)
        path = Path(str(opened.database.url.database))
    with contextlib.closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return path


def drop_guards(connection: sqlite3.Connection) -> None:
    # In one transaction: each on its own would wait for the disk.
    connection.execute("BEGIN")
    for kind, name in connection.execute(
        "SELECT type, name FROM sqlite_master WHERE type = 'trigger' OR name LIKE 'uq_%_one_%'"
    ).fetchall():
        connection.execute(f"DROP {kind} {name}")
    connection.commit()
    connection.execute("PRAGMA foreign_keys=OFF")
    connection.execute("PRAGMA ignore_check_constraints=ON")


def verified(path: Path, head: str | None = None) -> Verification:
    with open_plain(path) as opened:
        return verify_book(opened, people.SYSTEM, head=head)


# By the file's address: a closed one opens its file anew and keeps the statements it compiled,
# which takes most of the time of verifying a small book.
_known: dict[Path, Database] = {}


@contextlib.contextmanager
def open_plain(path: Path) -> Iterator[Shop]:
    database = _known.get(path)
    if database is None:
        database = _known[path] = Database(f"sqlite:///{path}")
    try:
        yield Shop(database)
    finally:
        database.close()


def tampered(
    filled: Path, folder: Path, change: Callable[[sqlite3.Connection], Any]
) -> Verification:
    """Change a copy of the book behind its back, and verify that."""
    path = folder / "tampered.db"
    for old in folder.glob("tampered.db*"):
        old.unlink()
    shutil.copy(filled, path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        drop_guards(connection)
        change(connection)
        connection.commit()
    return verified(path)


def named(outcome: Verification) -> list[tuple[str, str]]:
    return [(f.table, f.row) for f in outcome.faults if not f.row.startswith("trigger ")]


def test_a_good_book_holds(shop: Shop) -> None:
    ids = fill(shop)
    steps: list[tuple[str, int, int]] = []
    outcome = verify_book(shop, people.SYSTEM, progress=lambda *a: steps.append(a))
    assert outcome.faults == ()
    assert outcome.holds
    assert outcome.inspections == len(ids)
    assert outcome.head is not None
    assert outcome.head_seq == 45
    assert verify_book(shop, people.SYSTEM, head=outcome.head.upper()).holds
    assert {s for s, _, _ in steps} >= {"audit trail", "signed inspections", "references"}
    assert all(0 <= done <= total for _, done, total in steps)


def test_an_empty_book_holds(shop: Shop) -> None:
    outcome = verify_book(shop, people.SYSTEM)
    assert (outcome.holds, outcome.head, outcome.inspections) == (True, None, 0)


def test_verifying_changes_nothing(shop: Shop) -> None:
    fill(shop)
    first = verify_book(shop, people.SYSTEM)
    assert verify_book(shop, people.SYSTEM) == first


def test_a_technician_may_not(shop: Shop) -> None:
    with pytest.raises(NotAllowedError, match="admin or lead"):
        verify_book(shop, Actor(1, "Tom Reed", "technician"))


def test_a_head_that_is_no_hash_is_refused(shop: Shop) -> None:
    with pytest.raises(ServiceError, match="64 letters and digits"):
        verify_book(shop, people.SYSTEM, head="17")


def _cells(path: Path) -> list[tuple[str, int, str, str, Any]]:
    """Every cell of every signed row: table, rowid, column, row's name, value."""
    out = []
    with contextlib.closing(sqlite3.connect(path)) as connection:
        for name in SIGNED_TABLES:
            table = Base.metadata.tables[name]
            where = {
                "inspection": "state = 'signed'",
                "audit": "1",
                "used_sheet": "1",
            }.get(name, "inspection_id IN (SELECT id FROM inspection WHERE state = 'signed')")
            rows = connection.execute(f"SELECT rowid, * FROM {name} WHERE {where}").fetchall()
            for rowid, *values in rows:
                row = dict(zip((c.name for c in table.columns), values, strict=True))
                key = ", ".join(f"{c.name} {row[c.name]}" for c in table.primary_key)
                out += [(name, rowid, c, key, v) for c, v in row.items()]
    return out


def _other(value: Any, rng: random.Random) -> Any:
    """Give another value a tamperer might put in the cell."""
    if value is None:
        return rng.choice([1, "x", 0.5])
    if isinstance(value, int):
        return 1 - value if value in (0, 1) else value + rng.choice([1000, 2000])
    if isinstance(value, float):
        return rng.choice([value + 1e-9, value * 2 + 1, -value - 1])
    assert isinstance(value, str)
    choices = [value + "x", "", value[:-1] + chr(ord(value[-1]) ^ 1) if value else "y", b"\xff"]
    if value[:4] == "2031":
        choices.append(value.replace("2031", "2030", 1))
    return rng.choice([c for c in choices if c != value])


def test_any_change_to_any_signed_cell_is_found_and_named(filled: Path, tmp_path: Path) -> None:
    """Every column of every table that is signed, and 15 more cells by chance."""
    rng = random.Random(20310303)
    cells = _cells(filled)
    rng.shuffle(cells)
    first: dict[tuple[str, str], tuple[str, int, str, str, Any]] = {}
    for cell in cells:
        first.setdefault((cell[0], cell[2]), cell)
    columns = {(t, c.name) for t in SIGNED_TABLES for c in Base.metadata.tables[t].columns}
    assert first.keys() == columns
    for name, rowid, column, key, value in [*first.values(), *cells[:15]]:
        new = _other(value, rng)
        if column == "state" and name == "mark":
            new = "absent" if value == "seen" else "seen"
        if column == "state" and name == "inspection":
            new = "draft"

        def change(
            c: sqlite3.Connection,
            q: str = f'UPDATE "{name}" SET "{column}" = ? WHERE rowid = ?',
            v: tuple[Any, int] = (new, rowid),
        ) -> None:
            c.execute(q, v)

        outcome = tampered(filled, tmp_path, change)
        where = named(outcome)
        # A row whose key was changed is missing under the old key, or next to the new one.
        is_key = column in {c.name for c in Base.metadata.tables[name].primary_key}
        hit = (name, key) in where or (
            name == "audit" and is_key and any(t == name for t, _ in where)
        )
        assert hit, f"{name}.{column} of {key}: {value!r} -> {new!r} gave {where}"


def test_any_row_taken_out_or_put_in_is_found_and_named(filled: Path, tmp_path: Path) -> None:
    rows = sorted({(t, rowid, key) for t, rowid, _c, key, _v in _cells(filled)})
    rng = random.Random(7)
    chosen = rng.sample(rows, 37) + [next(r for r in rows if r[0] == t) for t in SIGNED_TABLES]
    for name, rowid, key in chosen:

        def take_out(
            c: sqlite3.Connection,
            q: str = f'DELETE FROM "{name}" WHERE rowid = ?',
            r: int = rowid,
        ) -> None:
            c.execute(q, (r,))

        outcome = tampered(filled, tmp_path, take_out)
        if name == "audit":
            seq = int(key.removeprefix("seq "))
            tail = seq == 45
            problems = [f.problem for f in outcome.faults if f.table == "audit"]
            signing = any("no signing" in f.problem for f in outcome.faults)
            assert tail or signing or f"row {seq} is missing before it" in problems
        else:
            assert (name, key) in named(outcome)


@pytest.mark.parametrize(
    ("insert", "table", "row"),
    [
        (
            "INSERT INTO mark SELECT 1, part, 'made-up', 'seen', \"by\", at FROM mark LIMIT 1",
            "mark",
            "inspection_id 1, part nozzle, finding made-up",
        ),
        (
            'INSERT INTO pit_reading (inspection_id, key, text, value, unit, bare, "by", at) '
            "SELECT 2, 'k', text, value, unit, bare, \"by\", at FROM pit_reading LIMIT 1",
            "pit_reading",
            "id 7",
        ),
        (
            "INSERT INTO answer SELECT 1, 'unit-slip', text, \"by\", at FROM answer LIMIT 1",
            "answer",
            "inspection_id 1, code unit-slip",
        ),
        (
            "INSERT INTO overrule SELECT 1, part, action, reason, over_action, over_rules, "
            '"by", at FROM overrule LIMIT 1',
            "overrule",
            "inspection_id 1, part shield",
        ),
    ],
)
def test_a_row_put_in_is_named(
    filled: Path, tmp_path: Path, insert: str, table: str, row: str
) -> None:
    # The guards refuse changes, not additions: this works even with them in place.
    assert (table, row) in named(tampered(filled, tmp_path, lambda c: c.execute(insert)))


def test_a_forged_inspection_without_a_trail_is_named(filled: Path, tmp_path: Path) -> None:
    columns = [c.name for c in Base.metadata.tables["inspection"].columns]
    other = {"id": "99", "open_key": "'forged-open'", "sign_key": "'forged-sign'"}
    picked = ", ".join(other.get(c, c) for c in columns)
    outcome = tampered(
        filled,
        tmp_path,
        lambda c: c.execute(f"INSERT INTO inspection SELECT {picked} FROM inspection WHERE id = 1"),
    )
    problems = [f.problem for f in outcome.faults if f.row == "id 99"]
    assert any("tells of no signing" in p for p in problems)


def test_a_tail_cut_off_shows_by_the_head(filled: Path, tmp_path: Path) -> None:
    head = verified(filled).head
    path = tmp_path / "cut.db"
    shutil.copy(filled, path)
    with contextlib.closing(sqlite3.connect(path)) as connection:
        drop_guards(connection)
        connection.execute("DELETE FROM audit WHERE seq = 45")
        connection.commit()
    assert [f for f in verified(path).faults if f.table == "audit" and "seq" in f.row] == []
    found = [f for f in verified(path, head).faults if "cut off" in f.problem]
    assert [(f.table, f.row) for f in found] == [("audit", "seq 45")]


def test_a_missing_guard_is_named(filled: Path, tmp_path: Path) -> None:
    outcome = tampered(filled, tmp_path, lambda _c: None)
    assert ("mark", "trigger mark_signed_no_update") in [(f.table, f.row) for f in outcome.faults]
    assert named(outcome) == []


def test_two_parts_in_one_place_are_named(filled: Path, tmp_path: Path) -> None:
    columns = [c.name for c in Base.metadata.tables["fitting"].columns if c.name != "id"]
    listed = ", ".join(f'"{c}"' for c in columns)
    outcome = tampered(
        filled,
        tmp_path,
        lambda c: c.execute(
            f"INSERT INTO fitting ({listed}) SELECT {listed} FROM fitting "
            "WHERE removed_at IS NULL AND NOT void ORDER BY id LIMIT 1"
        ),
    )
    assert ("fitting", "id 19") in named(outcome)
    assert any("more than one" in f.problem for f in outcome.faults)
    assert any("two places" in f.problem for f in outcome.faults)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ("UPDATE counter SET total_starts = 5 WHERE inspection_id = 2", "counter, id 2: "),
        ("UPDATE counter SET arc_minutes = 5 WHERE inspection_id = 2", "'arc_minutes' is 5.0"),
        ("UPDATE counter SET void = 0 WHERE inspection_id = 3", "'void' is false"),
        (
            "DELETE FROM counter WHERE inspection_id = 2",
            "the counter reading of inspection 2: is in the signed record, but gone",
        ),
        (
            "UPDATE fitting SET starts_at_fit = 0 WHERE fitted_by_inspection = 2 AND part='nozzle'",
            "the nozzle that inspection 2 fitted has been changed: 'starts_at_fit'",
        ),
        (
            "UPDATE fitting SET \"end\" = 'replaced' WHERE removed_by_inspection = 2",
            "the electrode that inspection 2 took out has been changed: 'end'",
        ),
        (
            "UPDATE fitting SET removed_by_inspection = NULL WHERE part = 'nozzle'",
            "the nozzle that inspection 2 took out: is in the signed record, but gone",
        ),
        (
            "UPDATE fitting SET fitted_by_inspection = 1 WHERE part = 'shield' AND torch_id = 1",
            "was put in as the shield that inspection 1 fitted",
        ),
    ],
)
def test_a_life_that_was_changed_is_named(
    filled: Path, tmp_path: Path, change: str, words: str
) -> None:
    outcome = tampered(filled, tmp_path, lambda c: c.execute(change))
    assert any(words in str(f) for f in outcome.faults), outcome.faults


def test_a_dangling_reference_is_named(filled: Path, tmp_path: Path) -> None:
    outcome = tampered(
        filled, tmp_path, lambda c: c.execute("UPDATE torch SET gauge_id = 77 WHERE id = 2")
    )
    assert ("torch", "id 2") in named(outcome)


def test_a_second_correction_is_named(filled: Path, tmp_path: Path) -> None:
    outcome = tampered(
        filled, tmp_path, lambda c: c.execute("UPDATE inspection SET supersedes = 3 WHERE id = 2")
    )
    problems = [f.problem for f in outcome.faults]
    assert any("inspection 3 is corrected by 2 and 4: one at most" in p for p in problems)


def test_a_renamed_process_is_named(filled: Path, tmp_path: Path) -> None:
    outcome = tampered(
        filled, tmp_path, lambda c: c.execute("UPDATE process SET name = '30 A' WHERE id = 1")
    )
    assert ("process", "id 1") in named(outcome)


def test_a_torn_file_is_a_fault_not_a_crash(filled: Path, tmp_path: Path) -> None:
    path = tmp_path / "torn.db"
    data = bytearray(filled.read_bytes())
    rng = random.Random(3)
    for start in range(8192, len(data), 4096):
        data[start : start + 64] = rng.randbytes(64)
    path.write_bytes(bytes(data))
    outcome = verified(path)
    assert not outcome.holds
    assert any(f.table == "(file)" for f in outcome.faults)


def test_tampering_on_postgres_is_named(tmp_path: Path) -> None:
    with empty_url("postgres", tmp_path) as url, open_shop(url) as opened:
        fill(opened)
        with opened.database.engine.begin() as connection:
            connection.execute(text("ALTER TABLE decision DISABLE TRIGGER USER"))
            connection.execute(
                text(
                    "UPDATE decision SET action = 'keep' WHERE inspection_id = 2 AND part='nozzle'"
                )
            )
        outcome = verify_book(opened, people.SYSTEM)
        assert named(outcome) == [("decision", "inspection_id 2, part nozzle")]
        assert [f.row for f in outcome.faults if f.row.startswith("trigger")] == [
            "trigger decision_signed"
        ]
