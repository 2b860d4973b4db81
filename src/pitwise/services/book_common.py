"""What verifying, exporting, backing up and restoring the book have in common."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import secrets
from collections.abc import Callable, Iterator
from pathlib import Path

from sqlalchemy import URL, make_url, select
from sqlalchemy.exc import ArgumentError
from sqlalchemy.orm import Session

from pitwise.records import schema
from pitwise.records.database import Database
from pitwise.records.faults import BookError, BookFullError
from pitwise.records.tables import AuditRow, BookFact
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError

Progress = Callable[[str, int, int], None]
"""Called with the step's name, how much of it is done, and how much it has in all."""

_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}
_NO_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK}
SQLITE_MAGIC = b"SQLite format 3\0"


def quiet(_step: str, _done: int, _total: int) -> None:
    """Report no progress."""


def shown(url: URL) -> str:
    """Return a database's address as it may be shown: no password."""
    return url.render_as_string(hide_password=True)


def open_book(database_url: str) -> Database:
    """Open a book that is there already; a mistyped address makes no new one.

    Raises
    ------
    NotFoundError
        No file there.
    ServiceError
        The file is no book.
    """
    refuse_no_book(database_url)
    return Database(database_url)


def refuse_no_book(database_url: str) -> None:
    """Refuse the address of a SQLite book that is not there, or of a file that is none.

    Raises
    ------
    NotFoundError, ServiceError
    """
    try:
        url = make_url(database_url)
    except ArgumentError as error:
        # Not shown: it may hold a password.
        raise ServiceError(
            "database", "its address can't be read", "write sqlite:////path/to/book.db"
        ) from error
    if url.get_backend_name() == "sqlite" and url.database:
        path = Path(url.database)
        if not path.is_file():
            raise NotFoundError(
                str(path),
                "there is no book",
                "check --database or PITWISE_DATABASE_URL; 'serve' makes one",
            )
        with path.open("rb") as file:
            if file.read(16) != SQLITE_MAGIC:
                raise ServiceError(str(path), "is not a book", "name the book's own file")


def check_revision(database: Database) -> str:
    """Return the book's revision; refuse a book that is not of this version's revision."""
    found, newest = schema.revision(database), schema.newest_revision()
    place = shown(database.url)
    if found is None:
        raise BookError(f"{place}: there is no book here. Mend: check the address.")
    if found != newest:
        raise BookError(
            f"{place}: the book is of revision {found}, this Pitwise works with {newest}. "
            "Mend: start this version on the book once, or install the version that wrote it."
        )
    return found


def audit_head(session: Session) -> tuple[int, str | None]:
    """Return the number and the hash of the last row of the audit trail."""
    row = session.execute(
        select(AuditRow.seq, AuditRow.hash).order_by(AuditRow.seq.desc()).limit(1)
    ).first()
    return (0, None) if row is None else (row[0], row[1])


def book_id(session: Session) -> str | None:
    """Return the book's own id."""
    return session.scalar(select(BookFact.value).where(BookFact.key == "id"))


def file_sha256(path: Path) -> str:
    """Return a file's SHA-256, in hex."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


def _refuse_target(target: Path, *, overwrite: bool) -> None:
    if not target.parent.is_dir():
        raise NotFoundError(
            str(target), "its folder is not there", "make the folder, or choose another"
        )
    if target.is_dir():
        raise ServiceError(str(target), "is a folder", "name a file in it")
    if target.exists() and not overwrite:
        raise ConflictError(
            str(target), "is there already", "choose another name, or say --overwrite"
        )


def _put_in_place(part: Path, target: Path, *, overwrite: bool) -> None:
    descriptor = os.open(part, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
    if overwrite:
        part.replace(target)
    else:
        try:
            # Unlike a rename, a link refuses a name that somebody took meanwhile.
            target.hardlink_to(part)
            part.unlink()
        except OSError as error:
            if error.errno not in _NO_LINKS:
                raise
            _refuse_target(target, overwrite=False)
            part.rename(target)
    folder = os.open(target.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


@contextlib.contextmanager
def whole_file(target: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give a new private file beside `target`, which takes that name only once it is whole.

    Parameters
    ----------
    target : Path
    overwrite : bool
        Whether a file of that name may be replaced.

    Raises
    ------
    ConflictError
        The name is taken.
    BookFullError
        No room on the disk; nothing is left behind.
    BookError
        The file can't be written.
    """
    _refuse_target(target, overwrite=overwrite)
    part = target.with_name(f".{target.name[:150]}.{secrets.token_hex(6)}.part")
    try:
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_RDWR, 0o600))
        yield part
        _put_in_place(part, target, overwrite=overwrite)
    except FileExistsError as error:
        raise ConflictError(
            str(target), "was made by somebody meanwhile", "choose another name"
        ) from error
    except OSError as error:
        if error.errno in _FULL:
            raise BookFullError(
                f"{target}: the disk is full. Nothing was left there; the book is as it was. "
                "Mend: make room on that disk, or write to another."
            ) from error
        raise BookError(
            f"{target}: can't be written ({error.strerror or error}). Nothing was left there. "
            "Mend: check the folder's permissions and the disk."
        ) from error
    finally:
        for ending in ("", "-journal", "-wal", "-shm"):
            part.with_name(part.name + ending).unlink(missing_ok=True)
