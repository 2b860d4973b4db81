"""Open the book: engine, settings per database, and the unit of work."""

from __future__ import annotations

import os
import sqlite3
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, make_url, text
from sqlalchemy.exc import DBAPIError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from sqlalchemy.orm import Session

from pitwise.records.faults import BookBusyError, BookError, BookFullError

# Any fixed number: serialises writers on PostgreSQL as BEGIN IMMEDIATE does on SQLite.
_WRITER_LOCK = 0x7069_7477
# A writer waits this long for its turn: for another process, and for a thread of this one.
BUSY_SECONDS = 15.0
_BUSY = "The book is busy with another writer. Nothing was saved; do it again."


def default_url() -> str:
    """Return the book's URL from the environment, else a file in the user's data folder.

    ``PITWISE_DATABASE_URL`` wins; ``PITWISE_HOME`` moves the default folder.
    """
    url = os.environ.get("PITWISE_DATABASE_URL")
    if url:
        return url
    home = os.environ.get("PITWISE_HOME")
    folder = (
        Path(home)
        if home
        else Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share") / "pitwise"
    )
    return f"sqlite:///{folder / 'book.db'}"


def _translated(error: DBAPIError) -> BookError | None:
    words = str(error.orig).lower()
    if "disk is full" in words or "no space left" in words or "could not extend file" in words:
        return BookFullError(
            "The disk that holds the book is full. What was saved before is safe; this was not "
            "saved. Make room on that disk, then do it again."
        )
    if "database is locked" in words or "due to lock timeout" in words:
        return BookBusyError(_BUSY)
    if "disk i/o error" in words or "readonly database" in words or "unable to open" in words:
        return _unwritable(error.orig)
    server = isinstance(error, OperationalError) and not isinstance(error.orig, sqlite3.Error)
    if server or error.connection_invalidated:
        reason = str(error.orig).strip().partition("\n")[0]
        return BookError(
            f"The book's database did not do it ({reason}). Nothing was saved; check that it "
            "runs, then do it again."
        )
    return None


def _unwritable(reason: object) -> BookError:
    return BookError(
        f"The book can't be written ({reason}). Nothing was saved; check the "
        "disk and the permissions of the file and its folder."
    )


def _tune_sqlite(engine: Engine, durable: bool) -> None:
    @event.listens_for(engine, "connect")
    def _on_connect(connection: Any, _record: Any) -> None:
        # SQLAlchemy's own BEGIN below; the driver must not add another.
        connection.isolation_level = None
        for pragma in (
            "journal_mode=WAL",
            f"synchronous={'FULL' if durable else 'OFF'}",
            "foreign_keys=ON",
            f"busy_timeout={BUSY_SECONDS * 1000:.0f}",
            "trusted_schema=OFF",
        ):
            try:
                connection.execute(f"PRAGMA {pragma}")
            except sqlite3.OperationalError as error:
                # Here the first thing is written; a damaged file is another error, left as it is.
                connection.close()
                if "readonly" in str(error) or "unable to open" in str(error):
                    raise _unwritable(error) from error
                raise

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        write = connection.get_execution_options().get("pitwise_write", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if write else "BEGIN")


class Database:
    """The book's database.

    Parameters
    ----------
    url : str
        SQLAlchemy URL; SQLite or PostgreSQL.
    durable : bool
        False lets SQLite skip waiting for the disk: only for a book that is being made
        from nothing and is worthless until it is whole, such as the demo's.
    """

    def __init__(self, url: str, *, durable: bool = True) -> None:
        parsed = make_url(url)
        if parsed.drivername in ("postgres", "postgresql"):
            parsed = parsed.set(drivername="postgresql+psycopg")
        if parsed.get_backend_name() not in ("sqlite", "postgresql"):
            raise BookError(
                f"'{parsed.get_backend_name()}' is not supported: use a sqlite:/// or "
                "postgresql:// address in PITWISE_DATABASE_URL"
            )
        self.url = parsed
        self.is_sqlite = parsed.get_backend_name() == "sqlite"
        if self.is_sqlite:
            if not parsed.database:
                raise BookError("the book needs a file: write sqlite:////path/to/book.db")
            file = Path(parsed.database)
            try:
                file.parent.mkdir(parents=True, exist_ok=True)
                if not file.exists():
                    # It will hold password hashes: for its owner alone, whatever the umask.
                    file.touch(mode=0o600)
            except OSError as error:
                raise BookError(
                    f"The book can't be made at {file} ({error.strerror}): check the "
                    "permissions of its folder, or give another place."
                ) from error
        self.engine = create_engine(
            parsed, pool_pre_ping=not self.is_sqlite, pool_size=10, max_overflow=20
        )
        if self.is_sqlite:
            _tune_sqlite(self.engine, durable)
        self._writer = self.engine.execution_options(pitwise_write=True)
        # SQLite's own waiting sleeps between tries, so a busy writer can starve another;
        # threads of one process queue here instead.
        self._turn = threading.Lock()

    @contextmanager
    def read(self) -> Iterator[Session]:
        """Give a session on one consistent snapshot; nothing it changes is kept."""
        with self._session(self.engine) as session:
            if not self.is_sqlite:
                session.connection(execution_options={"isolation_level": "REPEATABLE READ"})
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """Give a session that commits at the end, or leaves no trace when anything fails.

        Writers take turns on both databases, so what a writer reads can't change under it.
        """
        with self._my_turn(), self._session(self._writer) as session:
            if not self.is_sqlite:
                session.execute(text(f"SET LOCAL lock_timeout = {BUSY_SECONDS * 1000:.0f}"))
                session.execute(text("SELECT pg_advisory_xact_lock(:key)"), {"key": _WRITER_LOCK})
            yield session
            session.commit()

    @contextmanager
    def _my_turn(self) -> Iterator[None]:
        """Wait for the other writers of this process; PostgreSQL queues them itself."""
        if not self.is_sqlite:
            yield
            return
        if not self._turn.acquire(timeout=BUSY_SECONDS):
            raise BookBusyError(_BUSY)
        try:
            yield
        finally:
            self._turn.release()

    @contextmanager
    def _session(self, engine: Engine) -> Iterator[Session]:
        try:
            with Session(engine, expire_on_commit=False) as session:
                yield session
        except DBAPIError as error:
            known = _translated(error)
            if known is not None:
                raise known from error
            raise
        except PoolTimeoutError as error:
            raise BookBusyError(_BUSY) from error

    @contextmanager
    def migrating(self) -> Iterator[Connection]:
        """Give a writing connection for work on the tables themselves, committed at the end."""
        try:
            with self._writer.begin() as connection:
                yield connection
        except DBAPIError as error:
            known = _translated(error)
            if known is not None:
                raise known from error
            raise

    def close(self) -> None:
        """Close every connection."""
        self.engine.dispose()
