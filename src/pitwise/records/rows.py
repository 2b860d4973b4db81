"""Rows as plain data, the same from SQLite and PostgreSQL: for hashing, checking and moving.

A row is read past the column types on purpose: a cell that was tampered with may not be
readable as its type, and has to be reported, not to stop the reading.
"""

from __future__ import annotations

import base64
import binascii
import datetime as dt
from collections.abc import Iterator, Mapping
from typing import Any

from sqlalchemy import (
    Boolean,
    Column,
    ColumnElement,
    Date,
    DateTime,
    Float,
    Integer,
    LargeBinary,
    String,
    Table,
    collate,
    func,
    select,
    type_coerce,
)
from sqlalchemy.orm import Session
from sqlalchemy.types import NullType, TypeDecorator, TypeEngine

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.photo_tables import PhotoThumb
from pitwise.records.tables import InspectionRow, UsedSheet
from pitwise.records.wear_tables import ProgramCountRow

Row = dict[str, Any]

# Sessions and failed sign-ins are of the moment: an old copy must not bring back a session
# that was revoked since. Counts of programs are counted again from the files, which are kept,
# and small pictures are made again from the photos.
NOT_KEPT = frozenset(
    {"sign_in", "failed_sign_in", ProgramCountRow.__tablename__, PhotoThumb.__tablename__}
)
# A record signed before there were photos holds none of these.
SIGNED_SINCE_PHOTOS = ("photo", "hole_measure", "decision_measure")
# Rows that belong to an inspection and are part of what was signed.
SIGNED_WITH_INSPECTION = (
    "look",
    "mark",
    "pit_reading",
    "answer",
    "overrule",
    "decision",
    *SIGNED_SINCE_PHOTOS,
)
# The record can't hold itself; a row in another state than 'signed' has no record.
_NOT_IN_RECORD = frozenset({"record", "record_sha256", "state"})

INSPECTION: Table = ALL_TABLES.tables[InspectionRow.__tablename__]
USED_SHEET: Table = ALL_TABLES.tables[UsedSheet.__tablename__]


def kept_tables() -> list[Table]:
    """Return the tables that an export, a backup and a restore carry, parents first."""
    return [t for t in ALL_TABLES.sorted_tables if t.name not in NOT_KEPT]


def batch_of(table: Table) -> int:
    """Return how many rows of a table to hold at a time: few where a row may hold a file."""
    return 2 if any(isinstance(c.type, LargeBinary) for c in table.columns) else 500


def _kind(column: Column[Any]) -> TypeEngine[Any]:
    kind = column.type
    return kind.impl_instance if isinstance(kind, TypeDecorator) else kind


def plain(column: Column[Any], value: Any) -> Any:
    """Return a cell as JSON holds it; what does not fit its column comes back as a text saying so.

    Parameters
    ----------
    column : Column
    value : object
        As the database's driver gave it.

    Returns
    -------
    None, bool, int, float or str
        Moments in ISO 8601, in UTC.
    """
    if value is None:
        return None
    kind = _kind(column)
    if isinstance(value, bytes | memoryview):
        raw = bytes(value)
        if isinstance(kind, LargeBinary):
            return base64.b64encode(raw).decode()
        return f"unreadable bytes {raw[:40].hex()}"
    if isinstance(kind, DateTime):
        return _moment(value)
    if isinstance(kind, Date):
        return value.isoformat() if isinstance(value, dt.date) else value
    if isinstance(kind, Boolean):
        return bool(value) if isinstance(value, int) and value in (0, 1) else value
    if isinstance(kind, Float) and isinstance(value, int):
        return float(value)
    return value


def _moment(value: Any) -> str:
    if isinstance(value, str):
        try:
            value = dt.datetime.fromisoformat(value)
        except ValueError:
            return f"unreadable moment {value[:40]!r}"
    if not isinstance(value, dt.datetime):
        return f"unreadable moment {value!r}"
    # SQLite keeps no zone: what it holds is UTC.
    aware = value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)
    return aware.isoformat()


def typed(column: Column[Any], value: Any) -> Any:
    """Return a JSON value as its column takes it; the inverse of `plain`.

    Raises
    ------
    ValueError
        It is no value of this column, or not in the form `plain` writes.
    """
    if value is None:
        if not column.nullable:
            raise ValueError("is empty, but must have a value")
        return None
    kind = _kind(column)
    if isinstance(kind, Boolean):
        if not isinstance(value, bool):
            raise ValueError("is not true or false")
        return value
    if isinstance(kind, Integer):
        if isinstance(value, bool) or not isinstance(value, int) or abs(value) >= 2**63:
            raise ValueError("is not a whole number")
        return value
    if isinstance(kind, Float):
        if not isinstance(value, float):
            raise ValueError("is not a decimal number")
        return value
    if not isinstance(value, str):
        raise ValueError("is not a text")
    return _typed_text(kind, value)


def _typed_text(kind: TypeEngine[Any], value: str) -> Any:
    if isinstance(kind, DateTime):
        moment = dt.datetime.fromisoformat(value)
        if moment.tzinfo is None or _moment(moment) != value:
            raise ValueError("is not a moment in UTC")
        return moment
    if isinstance(kind, Date):
        return dt.date.fromisoformat(value)
    if isinstance(kind, LargeBinary):
        try:
            return base64.b64decode(value, validate=True)
        except binascii.Error as error:
            raise ValueError("is not base64") from error
    if isinstance(kind, String):
        if kind.length is not None and len(value) > kind.length:
            raise ValueError(f"is longer than {kind.length} characters")
        # A lone surrogate is no text in any encoding; PostgreSQL holds no NUL.
        if "\0" in value or any("\ud800" <= c <= "\udfff" for c in value):
            raise ValueError("holds a character that no text has")
        return value
    raise ValueError(f"is of a kind ({kind}) that can't be carried")


def read_rows(
    session: Session, table: Table, *where: ColumnElement[bool], batch: int | None = None
) -> Iterator[Row]:
    """Give a table's rows as plain data, in the order of their key, without holding them all.

    The order is the same on SQLite and PostgreSQL, whatever collation the latter has.
    """
    postgres = session.get_bind().dialect.name == "postgresql"
    order = [
        collate(c, "C") if postgres and isinstance(_kind(c), String) else c
        for c in table.primary_key.columns
    ]
    columns = list(table.columns)
    query = select(*(type_coerce(c, NullType()).label(c.name) for c in columns))
    query = (
        query.where(*where).order_by(*order).execution_options(yield_per=batch or batch_of(table))
    )
    for values in session.execute(query):
        yield {c.name: plain(c, v) for c, v in zip(columns, values, strict=True)}


def count_rows(session: Session, table: Table) -> int:
    """Return how many rows a table has."""
    return session.scalar(select(func.count()).select_from(table)) or 0


def key_of(table: Table, row: Mapping[str, Any]) -> str:
    """Name a row by its key, such as ``inspection_id 3, part nozzle, finding crack``."""
    return ", ".join(f"{c.name} {row.get(c.name)}" for c in table.primary_key.columns)


def inspection_part(row: Mapping[str, Any]) -> Row:
    """Return the columns of an inspection's row that its record holds."""
    return {k: v for k, v in row.items() if k not in _NOT_IN_RECORD}


def child_part(row: Mapping[str, Any]) -> Row:
    """Return a row that belongs to an inspection without the inspection's number."""
    return {k: v for k, v in row.items() if k != "inspection_id"}


def sheet_part(row: Mapping[str, Any]) -> Row:
    """Return what the record holds of the sheet's row; its content is held by its hash."""
    return {k: row[k] for k in ("sha256", "version", "first_used_at")}


def signed_rows(session: Session, inspection_id: int, sheet_sha256: str) -> Row:
    """Return every row that is signed with an inspection, as the record holds them.

    With these in the record, and the record's hash in the audit trail, a change to any
    cell of them shows, and shows where.
    """
    session.flush()
    out: Row = {}
    for own in read_rows(session, INSPECTION, INSPECTION.c.id == inspection_id):
        out["inspection"] = inspection_part(own)
    for name in SIGNED_WITH_INSPECTION:
        table = ALL_TABLES.tables[name]
        rows = read_rows(session, table, table.c.inspection_id == inspection_id)
        out[name] = [child_part(r) for r in rows]
    for sheet in read_rows(session, USED_SHEET, USED_SHEET.c.sha256 == sheet_sha256):
        out["used_sheet"] = sheet_part(sheet)
    return out
