"""A torn, forged or hostile file is refused with its mend, and nothing is written."""

from __future__ import annotations

import contextlib
import hashlib
import json
import random
import shutil
import sqlite3
import struct
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text

from book_fixture import KINDS, empty_url, fill, open_shop
from pitwise.records import schema
from pitwise.records.database import Database
from pitwise.records.faults import BookError
from pitwise.services import people
from pitwise.services.book import backup_book, export_book, restore_book, verify_book
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError

Files = dict[str, bytes]


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """An export and a SQLite copy of one filled book."""
    folder = tmp_path_factory.mktemp("kept")
    with empty_url("sqlite", folder) as url, open_shop(url) as opened:
        fill(opened)
        one = export_book(opened, people.SYSTEM, folder / "good.zip").path
        two = backup_book(opened, people.SYSTEM, folder / "good.db").path
    return one, two


def read(path: Path) -> Files:
    with zipfile.ZipFile(path) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def write(path: Path, files: Files, *, mend_manifest: bool = True) -> Path:
    """Write files as an export; with the manifest made to fit them, as a forger would."""
    manifest = json.loads(files["manifest.json"])
    if mend_manifest:
        for name, data in files.items():
            if name != "manifest.json":
                rows = len(data.splitlines()) if name.endswith("jsonl") else 1
                manifest["files"][name] = {
                    "sha256": hashlib.sha256(data).hexdigest(),
                    "bytes": len(data),
                    "rows": rows,
                }
        for name in list(manifest["files"]):
            if name not in files:
                del manifest["files"][name]
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            body = json.dumps(manifest).encode() if name == "manifest.json" else data
            archive.writestr(name, body)
    return path


def refused(path: Path, folder: Path, match: str | None = None) -> str:
    """Restoring is refused; no file is left where the book would have been."""
    target = folder / "target.db"
    with pytest.raises(ServiceError, match=match) as caught:
        restore_book(f"sqlite:///{target}", path)
    assert list(folder.glob("target.db*")) == []
    assert caught.value.mend
    assert str(path) in str(caught.value)
    return str(caught.value)


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(NotFoundError, match="no such file"):
        restore_book(f"sqlite:///{tmp_path / 'x.db'}", tmp_path / "gone.zip")


def test_cut_off_anywhere(kept: tuple[Path, Path], tmp_path: Path) -> None:
    rng = random.Random(1)
    data = kept[0].read_bytes()
    for size in [0, 1, 22, len(data) // 2, len(data) - 1, *rng.sample(range(len(data)), 20)]:
        path = tmp_path / "cut.zip"
        path.write_bytes(data[:size])
        refused(path, tmp_path)


def test_any_flipped_bit_is_refused_or_harmless(kept: tuple[Path, Path], tmp_path: Path) -> None:
    """A bit the zip does not use may flip; what is restored is then still the same."""
    rng = random.Random(2)
    data = kept[0].read_bytes()
    wanted = read(kept[0])
    refusals = 0
    for spot in rng.sample(range(len(data)), 120):
        torn = bytearray(data)
        torn[spot] ^= 1 << rng.randrange(8)
        path = tmp_path / "torn.zip"
        path.write_bytes(bytes(torn))
        target = tmp_path / "target.db"
        try:
            restore_book(f"sqlite:///{target}", path)
        except ServiceError:
            refusals += 1
            assert list(tmp_path.glob("target.db*")) == []
        else:
            assert read(path) == wanted
            for old in tmp_path.glob("target.db*"):
                old.unlink()
    assert refusals > 90


@pytest.mark.parametrize(
    "name",
    [
        "../../etc/cron.d/x",
        "/etc/passwd",
        "data/../../x",
        "data\\..\\x",
        "records/1.json/../../x",
        "records/01.json",
        "data/person.jsonl ",
        "data/sign_in.jsonl",
        "data/",
        "notes.txt",
    ],
)
def test_other_names_are_refused(kept: tuple[Path, Path], tmp_path: Path, name: str) -> None:
    before = set(tmp_path.parent.iterdir())
    files = read(kept[0]) | {name: b"{}\n"}
    refused(write(tmp_path / "bad.zip", files), tmp_path, "no export holds a file of this name")
    assert set(tmp_path.parent.iterdir()) == before


def _with_manifest(**changes: Any) -> Callable[[Files], None]:
    def change(files: Files) -> None:
        files["manifest.json"] = json.dumps(json.loads(files["manifest.json"]) | changes).encode()

    return change


def _row(table: str, number: int, **changes: Any) -> Callable[[Files], None]:
    def change(files: Files) -> None:
        name = f"data/{table}.jsonl"
        lines = files[name].decode().splitlines()
        row = json.loads(lines[number]) | changes
        lines[number] = json.dumps(row, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        files[name] = ("\n".join(lines) + "\n").encode(errors="surrogatepass")

    return change


def _raw(name: str, data: bytes) -> Callable[[Files], None]:
    def change(files: Files) -> None:
        files[name] = data

    return change


def _drop(name: str) -> Callable[[Files], None]:
    def change(files: Files) -> None:
        del files[name]

    return change


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (_with_manifest(format="other/1"), "manifest.json: the form is 'other/1'"),
        (_with_manifest(revision="9999"), "is of revision '9999'"),
        (_with_manifest(revision={"a": 1}), "is of revision"),
        (_with_manifest(audit={"head": "x"}), "lacks what a manifest holds"),
        (_with_manifest(book=7), "lacks what a manifest holds"),
        (_drop("data/torch.jsonl"), "data/torch.jsonl: is missing"),
        (_drop("records/2.json"), "records/2.json: is not the record"),
        (_raw("records/77.json", b"{}"), "1 records of no inspection"),
        (_raw("records/2.json", b"{}"), "records/2.json: is not the record"),
        (_raw("data/torch.jsonl", b"[1]\n"), "data/torch.jsonl, row 1: is not a JSON object"),
        (_raw("data/torch.jsonl", b'{"id": NaN}\n'), "row 1: is not JSON"),
        (_raw("data/torch.jsonl", b'{"id":' + b"[" * 99999 + b"}\n"), "row 1: is not JSON"),
        (_raw("data/torch.jsonl", b'{"id":' + b"9" * 9999 + b"}\n"), "row 1: is not JSON"),
        (_raw("data/torch.jsonl", b"\xff\xfe\n"), "row 1: is not JSON"),
        (_raw("data/torch.jsonl", b"{}\n"), "row 1: its columns are not those of 'torch'"),
        (_row("torch", 1, extra=1), "row 2: its columns are not those of 'torch': 'extra'"),
        (_row("torch", 1, name=5), "row 2: 'name' is not a text"),
        (_row("torch", 1, name=None), "row 2: 'name' is empty"),
        (_row("torch", 1, name="x" * 81), "row 2: 'name' is longer than 80"),
        (_row("torch", 1, name="a\0b"), "row 2: 'name' holds a character"),
        (_row("torch", 1, id="1"), "row 2: 'id' is not a whole number"),
        (_row("torch", 1, id=True), "row 2: 'id' is not a whole number"),
        (_row("torch", 1, id=2**70), "row 2: 'id' is not a whole number"),
        (_row("gauge", 0, u_mm=1), "row 1: 'u_mm' is not a decimal number"),
        (_row("person", 0, active=1), "row 1: 'active' is not true or false"),
        (_row("person", 0, created_at="2031-03-03"), "row 1: 'created_at'"),
        (_row("person", 0, created_at="2031-03-03T01:00:00+01:00"), "'created_at' is not a moment"),
        (_row("torch", 1, id=1), "torch, id 1: does not fit with the other rows"),
        (_row("torch", 1, station_id=9), "torch, id 2: does not fit with the other rows"),
        (_row("mark", 1, state="maybe"), "mark, .*: does not fit with the other rows"),
        (_row("inspection", 0, supersedes=3), "inspection, id 1: does not fit with the other"),
        (_row("person", 0, role="owner"), "person, id 1: does not fit with the other rows"),
    ],
)
@pytest.mark.parametrize("kind", KINDS)
def test_forged_files_are_refused_and_name_the_row(
    kept: tuple[Path, Path], tmp_path: Path, kind: str, change: Callable[[Files], None], words: str
) -> None:
    files = read(kept[0])
    change(files)
    path = write(tmp_path / "forged.zip", files)
    if kind == "sqlite":
        refused(path, tmp_path, words)
        return
    with empty_url(kind, tmp_path) as url:
        with pytest.raises(ServiceError, match=words):
            restore_book(url, path)
        with open_shop(url) as opened:
            assert verify_book(opened, people.SYSTEM).head is None


def test_a_lone_surrogate_is_refused(kept: tuple[Path, Path], tmp_path: Path) -> None:
    files = read(kept[0])
    name = "data/station.jsonl"
    files[name] = files[name].replace(b"Table 1", b"\\ud800")
    refused(write(tmp_path / "bad.zip", files), tmp_path, "holds a character that no text has")


def test_a_manifest_that_does_not_fit_is_refused(kept: tuple[Path, Path], tmp_path: Path) -> None:
    for name in ("data/mark.jsonl", "csv/mark.csv", "records/1.json"):
        files = read(kept[0])
        files[name] = (
            files[name].replace(b"nozzle", b"shield", 1) if b"nozzle" in files[name] else b""
        )
        words = refused(write(tmp_path / "bad.zip", files, mend_manifest=False), tmp_path)
        assert name in words


def test_a_file_twice_is_refused(kept: tuple[Path, Path], tmp_path: Path) -> None:
    path = write(tmp_path / "twice.zip", read(kept[0]))
    with zipfile.ZipFile(path, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr("data/mark.jsonl", b"")
    refused(path, tmp_path, "data/mark.jsonl: stands twice")


def test_a_bomb_is_refused_before_it_goes_off(kept: tuple[Path, Path], tmp_path: Path) -> None:
    files = read(kept[0]) | {"records/99.json": b" " * (100 << 20)}
    refused(write(tmp_path / "bomb.zip", files), tmp_path, "would unpack to")


def test_a_size_that_lies_is_refused(kept: tuple[Path, Path], tmp_path: Path) -> None:
    """The zip says small, the packed stream goes on: nothing past the size said is read."""
    path = write(tmp_path / "lies.zip", read(kept[0]) | {"records/99.json": b" " * (8 << 20)})
    data = bytearray(path.read_bytes())
    said = struct.pack("<I", 8 << 20)
    assert data.count(said) == 2
    path.write_bytes(bytes(data.replace(said, struct.pack("<I", 2))))
    refused(path, tmp_path, r"records/99.json")


def test_an_encrypted_or_oddly_packed_file_is_refused(
    kept: tuple[Path, Path], tmp_path: Path
) -> None:
    path = tmp_path / "odd.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_BZIP2) as archive:
        for name, data in read(kept[0]).items():
            archive.writestr(name, data)
    refused(path, tmp_path, "packed in a way")
    packed = bytearray(write(path, read(kept[0])).read_bytes())
    packed[packed.find(b"PK\x01\x02") + 8] |= 1
    path.write_bytes(bytes(packed))
    refused(path, tmp_path, "encrypted")


@pytest.mark.parametrize("kind", KINDS)
def test_into_a_book_with_rows_is_refused(
    kept: tuple[Path, Path], tmp_path: Path, kind: str
) -> None:
    with empty_url(kind, tmp_path) as url:
        with open_shop(url) as opened:
            fill(opened)
            before = verify_book(opened, people.SYSTEM)
        for path in kept:
            with pytest.raises(ConflictError, match=r"is not empty .* Mend: restore into a new"):
                restore_book(url, path)
        with open_shop(url) as opened:
            assert verify_book(opened, people.SYSTEM) == before


def test_into_something_else_is_refused(kept: tuple[Path, Path], tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE recipes (id INTEGER)")
        connection.commit()
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear Ada")
    for path in (other, letter):
        before = path.read_bytes()
        with pytest.raises(ConflictError, match="name another"):
            restore_book(f"sqlite:///{path}", kept[0])
        assert path.read_bytes() == before
    with pytest.raises(ServiceError, match="is not a file"):
        restore_book(f"sqlite:///{tmp_path}", kept[0])


def test_a_torn_or_foreign_copy_is_refused(kept: tuple[Path, Path], tmp_path: Path) -> None:
    data = bytearray(kept[1].read_bytes())
    rng = random.Random(5)
    for start in range(4096, len(data), 4096):
        data[start : start + 64] = rng.randbytes(64)
    torn = tmp_path / "torn.db"
    torn.write_bytes(bytes(data))
    refused(torn, tmp_path)
    torn.write_bytes(kept[1].read_bytes()[: len(data) // 2])
    refused(torn, tmp_path)
    other = tmp_path / "other.db"
    with contextlib.closing(sqlite3.connect(other)) as connection:
        connection.execute("CREATE TABLE recipes (id INTEGER)")
        connection.commit()
    refused(other, tmp_path, "this is no book")


def test_a_copy_with_a_view_for_a_table_or_a_bad_cell_is_refused(
    kept: tuple[Path, Path], tmp_path: Path
) -> None:
    for change, words in (
        ("ALTER TABLE mark RENAME TO m; CREATE VIEW mark AS SELECT * FROM m", "no such table"),
        ("UPDATE torch SET due_starts = 'many' WHERE id = 2", "id 2: 'due_starts' is not a whole"),
        ("UPDATE person SET created_at = 'x' WHERE id = 2", "id 2: 'created_at'"),
        ("UPDATE alembic_version SET version_num = '0000'", "is of revision '0000'"),
    ):
        path = tmp_path / "odd.db"
        shutil.copy(kept[1], path)
        with contextlib.closing(sqlite3.connect(path)) as connection:
            connection.executescript(change)
        refused(path, tmp_path, words)


def test_a_tampered_book_is_restored_as_it_was_and_told_of(
    kept: tuple[Path, Path], tmp_path: Path
) -> None:
    files = read(kept[0])
    _row("decision", 0, action="clean")(files)
    path = write(tmp_path / "tampered.zip", files)
    outcome = restore_book(f"sqlite:///{tmp_path / 'new.db'}", path).verification
    assert [(f.table, f.row) for f in outcome.faults] == [
        ("decision", "inspection_id 1, part coolant-tube")
    ]


def test_a_shortened_trail_is_told_of(kept: tuple[Path, Path], tmp_path: Path) -> None:
    files = read(kept[0])
    name = "data/audit.jsonl"
    files[name] = b"".join(files[name].splitlines(keepends=True)[:-1])
    outcome = restore_book(
        f"sqlite:///{tmp_path / 'new.db'}", write(tmp_path / "short.zip", files)
    ).verification
    assert any("cut off" in f.problem for f in outcome.faults)


def test_a_book_of_another_revision_is_not_read(tmp_path: Path) -> None:
    with empty_url("sqlite", tmp_path) as url, open_shop(url) as opened:
        with opened.database.write() as session:
            session.execute(text("UPDATE alembic_version SET version_num = '0000'"))
        for work in (export_book, backup_book):
            with pytest.raises(BookError, match="revision 0000"):
                work(opened, people.SYSTEM, tmp_path / "x.zip")
        with pytest.raises(BookError, match="revision 0000"):
            verify_book(opened, people.SYSTEM)


def test_a_place_without_a_book_is_said(tmp_path: Path) -> None:
    with empty_url("sqlite", tmp_path) as url:
        database = Database(url)
        try:
            assert schema.revision(database) is None
        finally:
            database.close()
