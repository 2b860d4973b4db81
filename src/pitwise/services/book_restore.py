"""Restore a book, whole or not at all, into an empty one."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy import Table, delete, func, insert, inspect, make_url, select
from sqlalchemy.exc import DataError, IntegrityError, OperationalError
from sqlalchemy.orm import Session

from pitwise.records import schema
from pitwise.records.database import Database
from pitwise.records.faults import BookError
from pitwise.records.rows import Row, batch_of, count_rows, kept_tables, key_of
from pitwise.records.tables import BookFact
from pitwise.services.book_common import SQLITE_MAGIC, Progress, quiet, shown
from pitwise.services.book_sources import Source, open_source
from pitwise.services.book_verify import Verification, verify_book
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop

# What `Shop.prepare` gives a new book; a restored book brings its own.
_OF_A_NEW_BOOK = "book_fact"


@dataclass(frozen=True)
class RestoreReport:
    """What a restore brought.

    Attributes
    ----------
    book : str or None
        The restored book's own id.
    address : str
        Where it is now, without any password.
    rows : dict of str to int
        By table.
    verification : Verification
        Of the restored book. A book that was tampered with before it was exported is
        restored as it was, and its faults are told here.
    """

    book: str | None
    address: str
    rows: dict[str, int]
    verification: Verification

    def plain(self) -> dict[str, Any]:
        """Return the report as plain data."""
        return {
            "book": self.book,
            "address": self.address,
            "rows": self.rows,
            "verification": self.verification.plain(),
        }


def restore_book(
    database_url: str, source: Path, *, progress: Progress | None = None
) -> RestoreReport:
    """Bring a book back from an export, or from a SQLite copy, on either database.

    Everything in the file is checked before anything is written; then all rows go in in
    one unit of work. The restored book is identical: exported again it gives the same
    data files. It is verified at once, against the head of the trail the file tells.

    Parameters
    ----------
    database_url : str
        Of an empty book, or of a place where there is none yet.
    source : Path
    progress : callable or None

    Returns
    -------
    RestoreReport

    Raises
    ------
    ConflictError
        The book there is not empty.
    ServiceError
        The file is no export or copy, damaged, hostile, or of another revision; names
        file, row and mend. Nothing was written.
    BookError
        The rows did not go in; nothing was kept.
    """
    tell = progress or quiet
    with open_source(source) as origin:
        database, fresh = _open_target(database_url, origin, tell)
        try:
            rows = _bring(database, source, origin, tell)
        except BaseException:
            database.close()
            for path in fresh:
                path.unlink(missing_ok=True)
            raise
    try:
        verification = verify_book(Shop(database), SYSTEM, progress=tell, head=origin.head)
    finally:
        database.close()
    return RestoreReport(origin.book, shown(database.url), rows, verification)


def _open_target(
    database_url: str, origin: Source, tell: Progress
) -> tuple[Database, tuple[Path, ...]]:
    """Check the file, then open the place to restore into; tell which files are new there."""
    url = make_url(database_url)
    path = Path(url.database) if url.get_backend_name() == "sqlite" and url.database else None
    new = path is not None and not path.exists()
    if path is not None and not new:
        _refuse_foreign_file(path)
    if not new:
        database = Database(database_url)
        try:
            _refuse_unless_empty(database)
        finally:
            # Checking may take minutes; no connection is held open over them.
            database.close()
    origin.check(tell, postgres=path is None)
    if path is None or not new:
        return Database(database_url), ()
    path.parent.mkdir(parents=True, exist_ok=True)
    # It will hold password hashes.
    os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
    fresh = tuple(path.with_name(path.name + e) for e in ("", "-wal", "-shm", "-journal"))
    return Database(database_url), fresh


def _refuse_foreign_file(path: Path) -> None:
    """Refuse a file that is no book, without opening it for writing as a book is opened."""
    if not path.is_file():
        raise ServiceError(str(path), "is not a file", "name a file for the book with --into")
    with path.open("rb") as file:
        magic = file.read(16)
    if magic and magic != SQLITE_MAGIC:
        raise ConflictError(
            str(path), "is there already and is no book", "name another file with --into"
        )
    address = f"{path.resolve().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(address, uri=True)) as connection:
        try:
            names = {r[0] for r in connection.execute("SELECT name FROM sqlite_master")}
        except sqlite3.Error as error:
            raise ConflictError(
                str(path), f"is there already, and damaged ({error})", "name another with --into"
            ) from error
    if names and "alembic_version" not in names:
        raise ConflictError(
            str(path), "is there already, and is not a book's", "name another file with --into"
        )


def _refuse_unless_empty(database: Database) -> None:
    there = set(inspect(database.engine).get_table_names())
    if not there:
        return
    place = shown(database.url)
    found = schema.revision(database)
    if found is None:
        raise ConflictError(
            place,
            "holds tables that are not a book's",
            "name a database of its own for the book, with --into",
        )
    with database.read() as session:
        _refuse_rows(session, place, there)


def _refuse_rows(session: Session, place: str, there: set[str]) -> None:
    for table in kept_tables():
        if table.name != _OF_A_NEW_BOOK and table.name in there and count_rows(session, table):
            raise ConflictError(
                place,
                f"the book there is not empty ('{table.name}' has rows), and is left as it is",
                "restore into a new place with --into, then use that one",
            )


def _bring(database: Database, path: Path, origin: Source, tell: Progress) -> dict[str, int]:
    tables = kept_tables()
    total = sum(origin.count(t) for t in tables)
    done, rows = 0, {}
    try:
        schema.upgrade(database)
    except OperationalError as error:
        raise BookError(
            f"{shown(database.url)}: an empty book could not be made ({error.orig}). Nothing "
            "was kept. Mend: make room on that disk and check its permissions, or restore "
            "into another place with --into."
        ) from error
    with database.write() as session:
        # Somebody may have begun using the book since it was looked at.
        _refuse_rows(session, shown(database.url), {t.name for t in tables})
        session.execute(delete(BookFact))
        for table in tables:
            rows[table.name] = 0
            for batch in _batches(origin.rows(table), batch_of(table)):
                _insert(session, path, table, batch)
                rows[table.name] += len(batch)
                done += len(batch)
                tell("restoring", done, total)
        if not database.is_sqlite:
            _move_sequences(session, tables)
    return rows


def _batches(rows: Iterator[Row], size: int) -> Iterator[list[Row]]:
    while batch := list(islice(rows, size)):
        yield batch


def _insert(session: Session, path: Path, table: Table, batch: list[Row]) -> None:
    """Insert rows; where some are refused, find the first that is and name it."""
    try:
        with session.begin_nested():
            session.execute(insert(table), batch)
    except (IntegrityError, DataError):
        for row in batch:
            try:
                session.execute(insert(table), [row])
            except (IntegrityError, DataError) as error:
                reason = str(error.orig).strip().splitlines()[0]
                raise ServiceError(
                    f"{path}, {table.name}, {key_of(table, row)}",
                    f"does not fit with the other rows ({reason})",
                    "use an earlier export or copy; nothing of this one was kept",
                ) from error
        raise


def _move_sequences(session: Session, tables: list[Table]) -> None:
    """Have PostgreSQL number new rows from past the highest number brought."""
    for table in tables:
        column = table.autoincrement_column
        if column is None:
            continue
        sequence = session.scalar(select(func.pg_get_serial_sequence(table.name, column.name)))
        highest = session.scalar(select(func.max(column)))
        if sequence is not None and highest is not None:
            session.execute(select(func.setval(sequence, highest)))
