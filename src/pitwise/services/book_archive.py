"""Export the whole book into one file, and make an online copy of it.

The export is a zip:

``manifest.json``
    Form, book, revision, the head of the audit trail, and the SHA-256 and row count of
    every other file.
``data/<table>.jsonl``
    One JSON object per row, exact. These are what a restore reads.
``records/<number>.json``
    The canonical text of each signed inspection's record.
``csv/<table>.csv``
    The same rows for spreadsheets (UTF-8 with a byte order mark, RFC 4180), for reading
    only. A text cell that a spreadsheet would take for a formula, and one that begins
    with an apostrophe, has one apostrophe put before it: take exactly one leading
    apostrophe off and the text is as it was. An empty cell stands for nothing and for an
    empty text alike; `data/` tells them apart.

Left out are sessions and failed sign-ins, the counts of programs, which are counted again
from the imported files, and the small pictures, which are made again from the photos. The
content of files is in ``data/import_file.jsonl`` (gzip, base64) and of photos in
``data/photo_blob.jsonl`` (base64), not in the CSV. Password hashes are in ``data/person.jsonl``
(not in the CSV), only because a restored book has to be identical and people have to be
able to sign in to it: keep an export as safe as the book itself. The file's mode is 0600.
"""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import hashlib
import io
import json
import sqlite3
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from sqlalchemy import Table, func, select
from sqlalchemy.orm import Session

from pitwise import __version__
from pitwise.records.audit import canonical
from pitwise.records.faults import BookError, BookFullError
from pitwise.records.rows import INSPECTION, NOT_KEPT, count_rows, kept_tables, key_of, read_rows
from pitwise.services.book_common import (
    Progress,
    audit_head,
    book_id,
    check_revision,
    file_sha256,
    quiet,
    whole_file,
)
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop

EXPORT_FORMAT = "pitwise-export/1"
CSV_NOTE = (
    "for reading only, data/ is exact: a text that begins with one of = + - @ TAB CR LF or an "
    "apostrophe (or a full-width = + - @) has one apostrophe put before it; an empty cell is "
    "nothing or an empty text; password hashes, the content of imported files, of photos and of "
    "trade sheets, and what was held at a case's closing, are left out"
)
_FORMULA = tuple("=+-@\t\r\n'＝＋－＠")
# Password hashes are nobody's to read; a file packed into one cell is no use to anybody.
_NOT_IN_CSV = {
    ("person", "password_hash"),
    ("import_file", "content"),
    ("photo_blob", "content"),
    ("used_sheet", "content"),
    ("cause_case", "held"),
    ("cause_case", "diagnosis"),
    ("learning_event", "body"),
}
# No moment of its own: the same book gives the same bytes.
_ZIP_MOMENT = (1980, 1, 1, 0, 0, 0)
_COPY_PAGES = 256


@dataclass(frozen=True)
class ExportReport:
    """What an export holds.

    Attributes
    ----------
    path : Path
    sha256 : str
        Of the whole file.
    bytes : int
    rows : dict of str to int
        By table.
    records : int
        Signed records.
    head : str or None
        Hash of the audit trail's last row, None for an empty trail.
    head_seq : int
    kind : {"export", "sqlite"}
        What sort of file it is.
    """

    path: Path
    sha256: str
    bytes: int
    rows: dict[str, int]
    records: int
    head: str | None
    head_seq: int
    kind: str = "export"

    def plain(self) -> dict[str, Any]:
        """Return the report as plain data."""
        return {
            "file": str(self.path),
            "kind": self.kind,
            "sha256": self.sha256,
            "bytes": self.bytes,
            "rows": self.rows,
            "records": self.records,
            "head": self.head,
            "head_seq": self.head_seq,
        }


class _Member:
    """One file in the zip, hashed while it is written."""

    def __init__(self, out: IO[bytes]) -> None:
        self._out, self._digest, self.bytes, self.rows = out, hashlib.sha256(), 0, 0

    def write(self, data: bytes) -> None:
        self._out.write(data)
        self._digest.update(data)
        self.bytes += len(data)

    def facts(self) -> dict[str, Any]:
        return {"sha256": self._digest.hexdigest(), "bytes": self.bytes, "rows": self.rows}


@contextlib.contextmanager
def _member(archive: zipfile.ZipFile, name: str) -> Iterator[_Member]:
    info = zipfile.ZipInfo(name, _ZIP_MOMENT)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.create_system = 3
    info.external_attr = 0o100600 << 16
    with archive.open(info, "w", force_zip64=True) as out:
        yield _Member(out)


def _exact(table: Table, row: dict[str, Any]) -> bytes:
    try:
        return (canonical(row) + "\n").encode()
    except ValueError as error:
        raise BookError(
            f"{table.name}, {key_of(table, row)}: can't be written as JSON ({error}). "
            "Mend: run 'pitwise book verify'; restore the newest backup that verifies."
        ) from error


def _cell(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str) and value.startswith(_FORMULA):
        return "'" + value
    return str(value)


def _write_csv(session: Session, table: Table, out: _Member) -> None:
    names = [c.name for c in table.columns if (table.name, c.name) not in _NOT_IN_CSV]
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    out.write(b"\xef\xbb\xbf")
    writer.writerow(names)
    for row in read_rows(session, table):
        writer.writerow([_cell(row[n]) for n in names])
        out.rows += 1
        out.write(buffer.getvalue().encode(errors="surrogatepass"))
        buffer.seek(0)
        buffer.truncate()
    out.write(buffer.getvalue().encode())


def _write_tables(
    session: Session, archive: zipfile.ZipFile, files: dict[str, Any], tell: Progress
) -> dict[str, int]:
    tables = kept_tables()
    total = sum(count_rows(session, t) for t in tables)
    done, rows = 0, {}
    for table in tables:
        with _member(archive, f"data/{table.name}.jsonl") as out:
            for row in read_rows(session, table):
                out.write(_exact(table, row))
                out.rows += 1
                done += 1
                if done % 200 == 0 or done == total:
                    tell("rows", done, total)
        files[f"data/{table.name}.jsonl"] = out.facts()
        rows[table.name] = out.rows
        with _member(archive, f"csv/{table.name}.csv") as out:
            _write_csv(session, table, out)
        files[f"csv/{table.name}.csv"] = out.facts()
    return rows


def _write_records(
    session: Session, archive: zipfile.ZipFile, files: dict[str, Any], tell: Progress
) -> int:
    query = (
        select(INSPECTION.c.id, INSPECTION.c.record)
        .where(INSPECTION.c.record.is_not(None))
        .order_by(INSPECTION.c.id)
        .execution_options(yield_per=100)
    )
    total = session.scalar(
        select(func.count()).select_from(INSPECTION).where(INSPECTION.c.record.is_not(None))
    )
    done = 0
    for ident, record in session.execute(query):
        with _member(archive, f"records/{ident}.json") as out:
            out.write(str(record).encode(errors="surrogatepass"))
            out.rows = 1
        files[f"records/{ident}.json"] = out.facts()
        done += 1
        if done % 50 == 0 or done == total:
            tell("records", done, total or 0)
    return done


def export_book(
    shop: Shop,
    actor: Actor,
    target: Path,
    *,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> ExportReport:
    """Write everything in the book into one zip, from one snapshot.

    The module's docstring tells what is in it, what is left out, and that it holds
    password hashes. The file takes its name only once it is whole and on the disk. The
    same book and moment give the same bytes.

    Parameters
    ----------
    shop, actor
    target : Path
    overwrite : bool
        Whether a file of that name may be replaced.
    progress : callable or None

    Returns
    -------
    ExportReport

    Raises
    ------
    ConflictError
        The file is there already.
    BookFullError
        No room; no half file is left.
    BookError
        A row can't be written; names it.
    """
    # Whoever holds this file holds everybody's password hash: as for changing passwords.
    require(actor, "edit-people")
    tell = progress or quiet
    revision = check_revision(shop.database)
    made_at = shop.clock().astimezone(dt.UTC).isoformat()
    with (
        whole_file(target, overwrite=overwrite) as part,
        zipfile.ZipFile(part, "w", compresslevel=6) as archive,
        shop.database.read() as session,
    ):
        files: dict[str, Any] = {}
        seq, head = audit_head(session)
        rows = _write_tables(session, archive, files, tell)
        records = _write_records(session, archive, files, tell)
        manifest = {
            "format": EXPORT_FORMAT,
            "book": book_id(session),
            "revision": revision,
            "software": __version__,
            "made_at": made_at,
            "audit": {"seq": seq, "head": head},
            "left_out": sorted(NOT_KEPT),
            "csv": CSV_NOTE,
            "files": files,
        }
        with _member(archive, "manifest.json") as out:
            out.write(json.dumps(manifest, ensure_ascii=False, sort_keys=True, indent=1).encode())
    return ExportReport(
        target, file_sha256(target), target.stat().st_size, rows, records, head, seq
    )


def backup_book(
    shop: Shop,
    actor: Actor,
    target: Path,
    *,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> ExportReport:
    """Make a consistent copy of the book while it is in use.

    A SQLite book is copied page by page into one SQLite file, which is then checked; it
    holds password hashes, but no sessions. A PostgreSQL book gives the same zip as
    `export_book`. `restore_book` takes either. Parameters and errors as `export_book`.
    """
    require(actor, "edit-people")
    if not shop.database.is_sqlite:
        return export_book(shop, actor, target, overwrite=overwrite, progress=progress)
    check_revision(shop.database)
    source = Path(str(shop.database.url.database))
    with whole_file(target, overwrite=overwrite) as part:
        try:
            _copy_sqlite(source, part, progress or quiet)
        except sqlite3.Error as error:
            if "full" in str(error):
                raise BookFullError(
                    f"{target}: the disk is full. Nothing was left there; the book is as it "
                    "was. Mend: make room on that disk, or write to another."
                ) from error
            raise BookError(
                f"{target}: the copy could not be made ({error}). Nothing was left there. "
                "Mend: check both disks, then run 'pitwise book verify'."
            ) from error
        rows, records, seq, head = _count_copy(part)
    return ExportReport(
        target, file_sha256(target), target.stat().st_size, rows, records, head, seq, "sqlite"
    )


def _copy_sqlite(source: Path, part: Path, tell: Progress) -> None:
    address = f"{source.resolve().as_uri()}?mode=ro"
    with (
        contextlib.closing(sqlite3.connect(address, uri=True, isolation_level=None)) as book,
        contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy,
    ):
        book.execute("PRAGMA busy_timeout=15000")
        # Reading from within one snapshot keeps writers from making the copy start over.
        book.execute("BEGIN")
        book.execute("SELECT count(*) FROM sqlite_master").fetchone()
        book.backup(
            copy,
            pages=_COPY_PAGES,
            progress=lambda _s, left, total: tell("pages", total - left, total),
        )
        copy.execute("PRAGMA secure_delete=ON")
        for name in sorted(NOT_KEPT):
            copy.execute(f'DELETE FROM "{name}"')  # noqa: S608 -- our own tables' names
        # One file, with nothing beside it, that any SQLite can open for reading only.
        copy.execute("PRAGMA journal_mode=DELETE")
        tell("check", 0, 1)
        words = [r[0] for r in copy.execute("PRAGMA integrity_check(10)")]
        if words != ["ok"]:
            raise sqlite3.DatabaseError(f"the copy is not sound: {'; '.join(words)[:200]}")
        tell("check", 1, 1)


def _count_copy(part: Path) -> tuple[dict[str, int], int, int, str | None]:
    address = f"{part.resolve().as_uri()}?mode=ro"
    with contextlib.closing(sqlite3.connect(address, uri=True)) as copy:

        def number(query: str) -> int:
            return int(copy.execute(query).fetchone()[0])

        rows = {
            t.name: number(f'SELECT count(*) FROM "{t.name}"')  # noqa: S608 -- our own tables' names
            for t in kept_tables()
        }
        records = number("SELECT count(*) FROM inspection WHERE record IS NOT NULL")
        last = copy.execute("SELECT seq, hash FROM audit ORDER BY seq DESC LIMIT 1").fetchone()
    return rows, records, *(last or (0, None))
