"""Check that every imported file is what was imported."""

from __future__ import annotations

import base64
import hashlib
import zlib
from typing import Any

from sqlalchemy.orm import Session

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.rows import count_rows, read_rows
from pitwise.records.wear_tables import ImportFile
from pitwise.services.book_common import Progress
from pitwise.services.book_faults import Fault

_FILES = ALL_TABLES.tables[ImportFile.__tablename__]


def import_faults(session: Session, tell: Progress) -> list[Fault]:
    """Unpack every imported file and compare it with the size and hash it was kept under."""
    total, faults = count_rows(session, _FILES), []
    for done, row in enumerate(read_rows(session, _FILES), start=1):
        problem = _problem(row)
        if problem:
            faults.append(Fault("import_file", f"id {row['id']}", problem))
        tell("imported files", done, total)
    return faults


def _problem(row: dict[str, Any]) -> str:
    if not isinstance(row["content"], str) or not isinstance(row["bytes"], int):
        return "has been changed: 'content' or 'bytes' can't be read"
    unpack = zlib.decompressobj(31)
    try:
        # One byte more than it should have is enough to tell, however far it would unpack.
        data = unpack.decompress(base64.b64decode(row["content"]), max(row["bytes"], 0) + 1)
    except (ValueError, zlib.error, OverflowError) as error:
        return f"has been changed: 'content' does not unpack ({error})"
    if len(data) != row["bytes"] or not unpack.eof or unpack.unused_data:
        return f"has been changed: 'content' does not unpack to its {row['bytes']} bytes"
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        return "has been changed: 'content' does not hash to 'sha256'"
    return ""
