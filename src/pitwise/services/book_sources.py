"""What a book is restored from: an export or a SQLite copy, checked whole before use.

Neither is trusted. Nothing of an export is ever unpacked to the disk: its files are read
by names from a fixed list, with bounded sizes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import re
import sqlite3
import struct
import zipfile
import zlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO, Any, Never, Protocol

from sqlalchemy import Table, create_engine
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session
from sqlalchemy.pool import StaticPool

from pitwise.records import schema
from pitwise.records.audit import canonical
from pitwise.records.rows import Row, count_rows, kept_tables, key_of, read_rows, typed
from pitwise.services.book_archive import EXPORT_FORMAT
from pitwise.services.book_common import SQLITE_MAGIC, Progress, audit_head
from pitwise.services.errors import NotFoundError, ServiceError

_LONGEST_LINE = 64 << 20
_LARGEST_MANIFEST = 128 << 20
_MOST_FILES = 1_000_000
# Books pack some 5 to 40 to 1; what packs far better is a bomb.
_MOST_UNPACKED = 200
_ALWAYS_FINE = 64 << 20
_RECORD = re.compile(r"records/([1-9][0-9]{0,17})\.json")
_HASH = re.compile(r"[0-9a-f]{64}")
_DAMAGED = "fetch the file again from where it was kept, or use an earlier one"


class Source(Protocol):
    """Where the rows of a restore come from."""

    book: str | None
    revision: str
    head: str | None

    def check(self, tell: Progress, *, postgres: bool) -> None:
        """Check all of it; raises ServiceError and leaves everything as it was."""

    def count(self, table: Table) -> int:
        """Return how many rows a table has."""

    def rows(self, table: Table) -> Iterator[Row]:
        """Give a table's rows, typed as their columns take them."""


def _refuse(path: Path, place: str, problem: str, mend: str = _DAMAGED) -> Never:
    raise ServiceError(f"{path}, {place}" if place else str(path), problem, mend)


def check_revision_of(path: Path, found: object, software: object = None) -> str:
    """Return the revision of a file; refuse one that this version can't read."""
    newest = schema.newest_revision()
    if found == newest:
        return newest
    by = f" (written by Pitwise {str(software)[:20]})" if software else ""
    raise ServiceError(
        str(path),
        f"is of revision {str(found)[:40]!r}{by}; this Pitwise reads {newest!r}",
        "restore it with the version that wrote it, start this version on that book, and "
        "export it again",
    )


def typed_row(path: Path, place: str, table: Table, row: Mapping[str, Any], postgres: bool) -> Row:
    """Return a plain row typed; refuse one that is not a row of this table."""
    names = [c.name for c in table.columns]
    if row.keys() != set(names):
        odd = sorted(set(names) ^ row.keys())
        _refuse(path, place, f"its columns are not those of '{table.name}': {odd[0][:60]!r}")
    out = {}
    for column in table.columns:
        value = row[column.name]
        try:
            out[column.name] = typed(column, value)
        except ValueError as error:
            _refuse(path, place, f"'{column.name}' {str(error)[:100]}")
        if postgres and isinstance(value, int) and abs(value) >= 2**31:
            _refuse(path, place, f"'{column.name}' is too large a number for PostgreSQL")
    return out


class ExportSource:
    """A zip written by `export_book`."""

    def __init__(self, path: Path, archive: zipfile.ZipFile) -> None:
        self.path, self._zip = path, archive
        self._postgres = False
        names = {f"data/{t.name}.jsonl" for t in kept_tables()}
        self._fixed = names | {f"csv/{t.name}.csv" for t in kept_tables()} | {"manifest.json"}
        self._check_names()
        manifest = self._manifest()
        self.revision = check_revision_of(path, manifest["revision"], manifest.get("software"))
        self.book: str | None = manifest.get("book")
        audit = manifest["audit"]
        self.head: str | None = audit["head"]
        self._files: dict[str, dict[str, Any]] = manifest["files"]
        self._check_files()

    def _check_names(self) -> None:
        entries = self._zip.infolist()
        if len(entries) > _MOST_FILES:
            _refuse(self.path, "", f"holds {len(entries)} files, more than an export can")
        seen = set()
        for entry in entries:
            name = entry.filename
            if name not in self._fixed and not _RECORD.fullmatch(name):
                _refuse(self.path, repr(name[:80]), "no export holds a file of this name")
            if name in seen:
                _refuse(self.path, name, "stands twice in the file")
            seen.add(name)
            if entry.flag_bits & 0x1:
                _refuse(self.path, name, "is encrypted", "give the export without a password")
            if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
                _refuse(self.path, name, "is packed in a way that no export is")
        missing = sorted(self._fixed - seen)
        if missing:
            _refuse(self.path, missing[0], "is missing: this is no export, or not a whole one")
        size = self.path.stat().st_size
        unpacked = sum(e.file_size for e in entries)
        if unpacked > max(_ALWAYS_FINE, _MOST_UNPACKED * size):
            _refuse(
                self.path,
                "",
                f"would unpack to {unpacked >> 20} MB, far more than an export of its size",
            )

    def _manifest(self) -> dict[str, Any]:
        name = "manifest.json"
        if self._zip.getinfo(name).file_size > _LARGEST_MANIFEST:
            _refuse(self.path, name, "is larger than any manifest")
        with self._open(name) as file:
            text = file.read(_LARGEST_MANIFEST + 1)
        data = self._json(name, text)
        if data.get("format") != EXPORT_FORMAT:
            found = str(data.get("format"))[:40]
            _refuse(
                self.path,
                name,
                f"the form is {found!r}, not {EXPORT_FORMAT!r}",
                "use the version of Pitwise that wrote it",
            )
        audit, files = data.get("audit"), data.get("files")
        if (
            not isinstance(audit, dict)
            or not isinstance(files, dict)
            or "revision" not in data
            or not isinstance(data.get("book"), str | None)
            or not _is_head(audit.get("head"))
        ):
            _refuse(self.path, name, "lacks what a manifest holds")
        return data

    def _check_files(self) -> None:
        there = {e.filename: e.file_size for e in self._zip.infolist()} | {}
        del there["manifest.json"]
        odd = sorted(there.keys() ^ self._files.keys())
        if odd:
            _refuse(self.path, odd[0][:80], "stands in the manifest or in the zip, but not in both")
        for name, facts in self._files.items():
            if (
                not isinstance(facts, dict)
                or not isinstance(facts.get("sha256"), str)
                or not _HASH.fullmatch(facts["sha256"])
                or type(facts.get("rows")) is not int
                or type(facts.get("bytes")) is not int
            ):
                _refuse(self.path, "manifest.json", f"says nothing useful about {name}")
            if facts["bytes"] != there[name]:
                _refuse(
                    self.path,
                    name,
                    f"is {there[name]} bytes long, the manifest says {facts['bytes']}",
                )

    @contextlib.contextmanager
    def _open(self, name: str) -> Iterator[IO[bytes]]:
        try:
            with self._zip.open(name) as file:
                yield file
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, struct.error) as e:
            _refuse(self.path, name, f"is damaged ({e})")

    def _json(self, place: str, text: bytes) -> dict[str, Any]:
        def no_number(word: str) -> Never:
            raise ValueError(f"{word} is no number")

        try:
            data = json.loads(text.decode(), parse_constant=no_number)
        except (ValueError, RecursionError) as error:
            _refuse(self.path, place, f"is not JSON ({str(error)[:80]})")
        if not isinstance(data, dict):
            _refuse(self.path, place, "is not a JSON object")
        return data

    def check(self, tell: Progress, *, postgres: bool) -> None:
        """Check every file's hash, and every row's form, before anything is written."""
        self._postgres = postgres
        records: dict[int, str] = {}
        names = sorted(self._files)
        for number, name in enumerate(names, start=1):
            if not name.startswith("data/"):
                self._check_hash(name)
            if number % 50 == 0 or number == len(names):
                tell("files", number, len(names))
        for table in kept_tables():
            for row in self.rows(table):
                if table.name == "inspection" and row["record"] is not None:
                    digest = hashlib.sha256(row["record"].encode())
                    records[row["id"]] = digest.hexdigest()
        for ident, digest_hex in records.items():
            name = f"records/{ident}.json"
            if self._files.get(name, {}).get("sha256") != digest_hex:
                _refuse(self.path, name, "is not the record in data/inspection.jsonl")
        extra = sum(name.startswith("records/") for name in names) - len(records)
        if extra:
            _refuse(self.path, "records/", f"holds {extra} records of no inspection")

    def _check_hash(self, name: str) -> None:
        digest = hashlib.sha256()
        with self._open(name) as file:
            while block := file.read(1 << 20):
                digest.update(block)
        if digest.hexdigest() != self._files[name]["sha256"]:
            _refuse(self.path, name, "is not what the manifest says: its hash does not fit")

    def count(self, table: Table) -> int:
        """Return how many rows the manifest tells of."""
        return int(self._files[f"data/{table.name}.jsonl"]["rows"])

    def rows(self, table: Table) -> Iterator[Row]:
        """Give the rows; the hash is checked again, for the file may change meanwhile."""
        name = f"data/{table.name}.jsonl"
        digest = hashlib.sha256()
        number = 0
        with self._open(name) as file:
            while line := file.readline(_LONGEST_LINE + 1):
                number += 1
                place = f"{name}, row {number}"
                if len(line) > _LONGEST_LINE:
                    _refuse(self.path, place, "is longer than any row")
                digest.update(line)
                data = self._json(place, line)
                row = typed_row(self.path, place, table, data, self._postgres)
                # Written another way it would not come back out the same.
                if (canonical(data) + "\n").encode() != line:
                    _refuse(self.path, place, "is not in the form an export writes")
                yield row
        if number != self.count(table):
            told = self.count(table)
            _refuse(self.path, name, f"holds {number} rows, the manifest says {told}")
        if digest.hexdigest() != self._files[name]["sha256"]:
            _refuse(self.path, name, "is not what the manifest says: its hash does not fit")


def _is_head(value: object) -> bool:
    return value is None or (isinstance(value, str) and _HASH.fullmatch(value) is not None)


class SqliteSource:
    """A SQLite copy made by `backup_book`, opened for reading only."""

    def __init__(self, path: Path, session: Session) -> None:
        self.path, self._session = path, session
        self._postgres = False
        with self._reading("the file"):
            connection = session.connection()
            kinds = {
                str(r[0]): str(r[1])
                for r in connection.exec_driver_sql("SELECT name, type FROM sqlite_master")
            }
            for name in ("alembic_version", *(t.name for t in kept_tables())):
                if kinds.get(name) != "table":
                    _refuse(path, name, "there is no such table: this is no book")
            found = connection.exec_driver_sql("SELECT version_num FROM alembic_version").scalar()
            self.revision = check_revision_of(path, found)
            for table in kept_tables():
                info = connection.exec_driver_sql(f'PRAGMA table_info("{table.name}")')
                there = {str(r[1]) for r in info}
                missing = sorted({c.name for c in table.columns} - there)
                if missing:
                    _refuse(path, table.name, f"lacks the column '{missing[0]}'")
            facts = {str(r["key"]): str(r["value"]) for r in self._plain("book_fact")}
            self.book: str | None = facts.get("id")
            self.head: str | None = audit_head(session)[1]

    @contextlib.contextmanager
    def _reading(self, place: str) -> Iterator[None]:
        try:
            yield
        except (DatabaseError, sqlite3.Error) as error:
            _refuse(self.path, place, f"can't be read ({getattr(error, 'orig', error)})")

    def _plain(self, name: str) -> Iterator[Row]:
        table = next(t for t in kept_tables() if t.name == name)
        return read_rows(self._session, table)

    def check(self, tell: Progress, *, postgres: bool) -> None:
        """Check the file's pages, and every row's form, before anything is written."""
        self._postgres = postgres
        tell("file", 0, 1)
        with self._reading("the file"):
            found = self._session.connection().exec_driver_sql("PRAGMA integrity_check(1)").scalar()
        if found != "ok":
            _refuse(self.path, "", f"is damaged ({str(found)[:100]})")
        tell("file", 1, 1)
        for table in kept_tables():
            for _row in self.rows(table):
                pass

    def count(self, table: Table) -> int:
        """Return how many rows the table has."""
        with self._reading(table.name):
            return count_rows(self._session, table)

    def rows(self, table: Table) -> Iterator[Row]:
        """Give the rows of a table."""
        with self._reading(table.name):
            for row in read_rows(self._session, table):
                place = f"{table.name}, {key_of(table, row)}"
                yield typed_row(self.path, place, table, row, self._postgres)


@contextlib.contextmanager
def open_source(path: Path) -> Iterator[Source]:
    """Open what a book is to be restored from.

    Raises
    ------
    ServiceError
        It is neither an export nor a copy, or not a whole one.
    """
    if not path.is_file():
        raise NotFoundError(str(path), "there is no such file", "check the name")
    try:
        with path.open("rb") as file:
            magic = file.read(16)
    except OSError as error:
        _refuse(path, "", f"can't be read ({error.strerror})", "check the file's permissions")
    if magic == SQLITE_MAGIC:
        address = f"{path.resolve().as_uri()}?mode=ro"

        def connect() -> sqlite3.Connection:
            connection = sqlite3.connect(address, uri=True, isolation_level=None)
            for pragma in ("query_only=ON", "trusted_schema=OFF", "cell_size_check=ON"):
                connection.execute(f"PRAGMA {pragma}")
            connection.execute("BEGIN")
            return connection

        engine = create_engine("sqlite://", creator=connect, poolclass=StaticPool)
        try:
            with Session(engine) as session:
                yield SqliteSource(path, session)
        finally:
            engine.dispose()
        return
    try:
        archive = zipfile.ZipFile(path)
    except (zipfile.BadZipFile, zlib.error, EOFError, ValueError, struct.error, OSError) as error:
        _refuse(
            path,
            "",
            f"is not an export, or not a whole one ({error})",
            "name a file that 'pitwise book export' or 'pitwise book backup' wrote; if it is "
            "one, fetch it again from where it was kept",
        )
    with archive:
        yield ExportSource(path, archive)
