"""An export and a backup are whole or not there at all; a restored book is identical."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import json
import signal
import sqlite3
import stat
import subprocess
import sys
import threading
import zipfile
from pathlib import Path

import pytest
from sqlalchemy import select, text

from book_fixture import KINDS, START, Clock, empty_url, fill, inspect, open_shop, shop
from pitwise.records.rows import kept_tables
from pitwise.records.tables import InspectionRow, Person
from pitwise.services import people, setup
from pitwise.services.book import backup_book, export_book, restore_book, verify_book
from pitwise.services.book_archive import _FORMULA, _cell
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop

__all__ = ["shop"]


def data_files(path: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(path) as archive:
        return {n: archive.read(n) for n in archive.namelist() if n != "manifest.json"}


def test_an_export_holds_everything(shop: Shop, tmp_path: Path) -> None:
    ids = fill(shop)
    token = "aaaa" * 16
    with shop.database.write() as session:
        session.execute(
            text(
                "INSERT INTO sign_in (token_sha256, person_id, started_at, expires_at, address) "
                "VALUES (:t, 1, :a, :a, '127.0.0.1')"
            ),
            {"t": token, "a": "2031-03-03 00:00:00+00:00"},
        )
    steps: list[tuple[str, int, int]] = []
    report = export_book(
        shop, people.SYSTEM, tmp_path / "out.zip", progress=lambda *a: steps.append(a)
    )
    assert stat.S_IMODE(report.path.stat().st_mode) == 0o600
    assert report.sha256 == hashlib.sha256(report.path.read_bytes()).hexdigest()
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".")] == []
    assert report.records == len(ids)
    with zipfile.ZipFile(report.path) as archive:
        manifest = json.loads(archive.read("manifest.json"))
        everything = b"".join(archive.read(n) for n in archive.namelist())
        assert token.encode() not in everything
        names = set(archive.namelist())
        assert names == {
            "manifest.json",
            *(f"data/{t.name}.jsonl" for t in kept_tables()),
            *(f"csv/{t.name}.csv" for t in kept_tables()),
            *(f"records/{i}.json" for i in ids),
        }
        assert manifest["files"].keys() == names - {"manifest.json"}
        for name, facts in manifest["files"].items():
            data = archive.read(name)
            assert facts["sha256"] == hashlib.sha256(data).hexdigest()
            assert facts["bytes"] == len(data)
        assert manifest["format"] == "pitwise-export/1"
        assert manifest["audit"] == {"seq": report.head_seq, "head": report.head}
        with shop.database.read() as session:
            for row in session.scalars(
                select(InspectionRow).where(InspectionRow.state == "signed")
            ):
                assert archive.read(f"records/{row.id}.json").decode() == row.record
                assert manifest["files"][f"records/{row.id}.json"]["sha256"] == row.record_sha256
        assert b"password_hash" not in archive.read("csv/person.csv")
        assert b"password_hash" in archive.read("data/person.jsonl")
    assert {s for s, _, _ in steps} == {"rows", "records"}


def test_csv_is_safe_in_a_spreadsheet_and_reversible(shop: Shop, tmp_path: Path) -> None:
    fill(shop)
    path = export_book(shop, people.SYSTEM, tmp_path / "out.zip").path
    with zipfile.ZipFile(path) as archive:
        for table in kept_tables():
            exact = [json.loads(x) for x in archive.read(f"data/{table.name}.jsonl").splitlines()]
            sheet = archive.read(f"csv/{table.name}.csv").decode("utf-8-sig")
            rows = list(csv.DictReader(io.StringIO(sheet, newline="")))
            assert len(rows) == len(exact)
            for row, wanted in zip(rows, exact, strict=True):
                for name, cell in row.items():
                    value = wanted[name]
                    assert not cell.startswith(tuple(x for x in _FORMULA if x != "'")) or (
                        isinstance(value, int | float)
                    )
                    if isinstance(value, str):
                        assert cell.removeprefix("'") == value
    assert _cell("=1+1") == "'=1+1"
    assert _cell("'quoted") == "''quoted"
    assert _cell(-1.5) == "-1.5"


def test_the_same_book_and_moment_give_the_same_bytes(shop: Shop, tmp_path: Path) -> None:
    fill(shop)
    shop.clock = lambda: START
    one = export_book(shop, people.SYSTEM, tmp_path / "one.zip")
    two = export_book(shop, people.SYSTEM, tmp_path / "two.zip")
    assert one.sha256 == two.sha256


def test_a_file_that_is_there_is_not_overwritten(shop: Shop, tmp_path: Path) -> None:
    target = tmp_path / "out.zip"
    target.write_text("precious")
    for work in (export_book, backup_book):
        with pytest.raises(ConflictError, match="--overwrite"):
            work(shop, people.SYSTEM, target)
        assert target.read_text() == "precious"
    export_book(shop, people.SYSTEM, target, overwrite=True)
    assert zipfile.is_zipfile(target)
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []
    with pytest.raises(NotFoundError, match="folder"):
        export_book(shop, people.SYSTEM, tmp_path / "no" / "out.zip")


def test_only_who_may_change_passwords_may_take_their_hashes_out(
    shop: Shop, tmp_path: Path
) -> None:
    for work in (export_book, backup_book):
        with pytest.raises(NotAllowedError):
            work(shop, Actor(2, "Lin", "lead"), tmp_path / "out.zip")
    assert not (tmp_path / "out.zip").exists()


@pytest.mark.parametrize("into", KINDS)
@pytest.mark.parametrize("origin", KINDS)
@pytest.mark.parametrize("work", [export_book, backup_book])
def test_a_restored_book_is_identical(origin: str, into: str, work: object, tmp_path: Path) -> None:
    assert callable(work)
    with empty_url(origin, tmp_path) as url, open_shop(url) as first:
        fill(first)
        file = work(first, people.SYSTEM, tmp_path / "kept.file").path
        wanted = data_files(export_book(first, people.SYSTEM, tmp_path / "first.zip").path)
    with empty_url(into, tmp_path) as url:
        report = restore_book(url, file)
        assert report.verification.faults == ()
        assert report.verification.inspections == 4
        with open_shop(url) as second:
            again = export_book(second, people.SYSTEM, tmp_path / "second.zip").path
            assert data_files(again) == wanted
            _goes_on(second)
        with pytest.raises(ConflictError, match="not empty"):
            restore_book(url, file)


def _goes_on(shop: Shop) -> None:
    """The restored book takes new rows: numbering goes on past what was brought."""
    with shop.database.read() as session:
        rows = session.scalars(select(Person).order_by(Person.id)).all()
    admin, tech = (Actor(r.id, r.name, r.role) for r in (rows[0], rows[2]))  # type: ignore[arg-type]
    setup.add_station(shop, admin, name="Table 2")
    shop.clock = Clock()
    shop.clock.now = START.replace(month=6)
    assert inspect(shop, tech, 2, pit=("0.95 mm",), starts=90, minutes=30) == 6
    assert verify_book(shop, people.SYSTEM).faults == ()


def test_an_empty_book_goes_round(shop: Shop, tmp_path: Path) -> None:
    file = export_book(shop, people.SYSTEM, tmp_path / "empty.zip").path
    with empty_url("sqlite", tmp_path) as url, open_shop(url):
        # Into a book that was begun, but has nobody in it yet.
        assert restore_book(url, file).verification.head is None
        with open_shop(url) as second:
            again = export_book(second, people.SYSTEM, tmp_path / "again.zip").path
    assert data_files(again) == data_files(file)


def test_a_backup_is_one_sound_private_file_without_sessions(tmp_path: Path) -> None:
    with empty_url("sqlite", tmp_path) as url, open_shop(url) as opened:
        fill(opened)
        with opened.database.write() as session:
            session.execute(
                text(
                    "INSERT INTO sign_in VALUES ('feedc0de', 1, '2031-01-01 00:00:00.000000', "
                    "'2031-01-01 00:00:00.000000', NULL, '127.0.0.1')"
                )
            )
        report = backup_book(opened, people.SYSTEM, tmp_path / "copy.db")
    assert report.kind == "sqlite"
    assert stat.S_IMODE(report.path.stat().st_mode) == 0o600
    assert sorted(p.name for p in tmp_path.glob("*copy.db*")) == ["copy.db"]
    assert b"feedc0de" not in report.path.read_bytes()
    with contextlib.closing(sqlite3.connect(report.path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert connection.execute("SELECT count(*) FROM sign_in").fetchone() == (0,)


def test_a_backup_under_way_is_one_moment(tmp_path: Path) -> None:
    """Someone writes all the while: the copy still verifies, with the head it tells."""
    with empty_url("sqlite", tmp_path) as url, open_shop(url) as opened:
        fill(opened)
        admin = Actor(1, "Ada Quill", "admin")
        stop = threading.Event()

        def write() -> None:
            number = 0
            while not stop.is_set():
                number += 1
                setup.add_station(opened, admin, name=f"Busy {number}")

        thread = threading.Thread(target=write)
        thread.start()
        try:
            reports = [
                backup_book(opened, people.SYSTEM, tmp_path / f"copy-{i}.db") for i in range(5)
            ]
            exported = export_book(opened, people.SYSTEM, tmp_path / "busy.zip")
        finally:
            stop.set()
            thread.join()
    for number, report in enumerate([*reports, exported]):
        with empty_url("sqlite", tmp_path) as into:
            outcome = restore_book(into, report.path).verification
            assert outcome.faults == (), number
            assert outcome.head == report.head


_EXPORTER = """
import sys, time
from pathlib import Path
from pitwise.records.database import Database
from pitwise.services import people, book
from pitwise.services.shopfloor import Shop

def slow(step, done, total):
    print(step, done, flush=True)
    time.sleep(0.05)

shop = Shop(Database(sys.argv[1]))
getattr(book, sys.argv[3])(shop, people.SYSTEM, Path(sys.argv[2]), overwrite=True, progress=slow)
"""


@pytest.mark.parametrize("work", ["export_book", "backup_book"])
@pytest.mark.parametrize("old", [None, "the old file"])
def test_killed_under_way_leaves_no_half_file(tmp_path: Path, work: str, old: str | None) -> None:
    with empty_url("sqlite", tmp_path) as url:
        with open_shop(url) as opened:
            fill(opened)
            before = verify_book(opened, people.SYSTEM)
        target = tmp_path / "out.file"
        if old is not None:
            target.write_text(old)
        child = subprocess.Popen(
            [sys.executable, "-c", _EXPORTER, url, str(target), work], stdout=subprocess.PIPE
        )
        assert child.stdout is not None
        assert child.stdout.readline()
        child.send_signal(signal.SIGKILL)
        child.communicate()
        assert child.returncode == -signal.SIGKILL
        assert (target.read_text() if target.exists() else None) == old
        with open_shop(url) as opened:
            assert verify_book(opened, people.SYSTEM) == before
            # And nothing stands in the way of doing it again.
            export_book(opened, people.SYSTEM, target, overwrite=True)


@pytest.mark.parametrize("work", ["export_book", "backup_book"])
def test_a_full_disk_is_said_and_leaves_nothing(tmp_path: Path, work: str) -> None:
    folder = tmp_path / "out"
    folder.mkdir()
    script = (
        "import resource, sys\n"
        "from pathlib import Path\n"
        "from pitwise.records.database import Database\n"
        "from pitwise.records.faults import BookError\n"
        "from pitwise.services import people, book\n"
        "from pitwise.services.shopfloor import Shop\n"
        "shop = Shop(Database(sys.argv[1]))\n"
        "book.verify_book(shop, people.SYSTEM)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (9000, 9000))\n"
        "try:\n"
        f"    book.{work}(shop, people.SYSTEM, Path(sys.argv[2]))\n"
        "except BookError as error:\n"
        "    print(error)\n"
    )
    with empty_url("sqlite", tmp_path) as url:
        with open_shop(url) as opened:
            fill(opened)
        done = subprocess.run(
            [sys.executable, "-c", script, url, str(folder / "out.file")],
            capture_output=True,
            text=True,
        )
    # The limit shows to SQLite as a failed write, not as a full disk.
    words = "disk is full" if work == "export_book" else "the copy could not be made"
    assert words in done.stdout, done.stderr
    assert "Nothing was left there" in done.stdout
    assert list(folder.iterdir()) == []
