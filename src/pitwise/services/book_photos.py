"""Check that every photo is what was taken in, and that every measure's photos are there."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.photo_tables import HoleMeasure, Photo, PhotoBlob
from pitwise.records.rows import Row, count_rows, read_rows
from pitwise.records.tables import AuditRow
from pitwise.services.book_common import Progress
from pitwise.services.book_faults import Fault

_BLOB = ALL_TABLES.tables[PhotoBlob.__tablename__]
_PHOTO = ALL_TABLES.tables[Photo.__tablename__]
_MEASURE = ALL_TABLES.tables[HoleMeasure.__tablename__]
_SUBJECT = re.compile(r"photo ([1-9][0-9]{0,17})")


def photo_faults(session: Session, tell: Progress) -> list[Fault]:
    """Hash every kept picture anew; compare photos with the trail, measures with photos."""
    total, faults = count_rows(session, _BLOB), []
    for done, row in enumerate(read_rows(session, _BLOB), start=1):
        problem = _blob_problem(row)
        if problem:
            faults.append(Fault("photo_blob", f"sha256 {row['sha256']}", problem))
        tell("photos", done, total)
    photos = {r["id"]: r for r in read_rows(session, _PHOTO)}
    faults += _untold(session, photos)
    for row in read_rows(session, _MEASURE):
        faults += _measure_faults(row, photos)
    return faults


def _blob_problem(row: Row) -> str:
    if not isinstance(row["content"], str):
        return "has been changed: 'content' can't be read"
    try:
        data = base64.b64decode(row["content"], validate=True)
    except ValueError:
        return "has been changed: 'content' can't be read"
    if hashlib.sha256(data).hexdigest() != row["sha256"]:
        return "has been changed: 'content' does not hash to its key"
    if len(data) != row["bytes"]:
        return "has been changed: 'bytes' is not its length"
    return ""


def _untold(session: Session, photos: dict[int, Row]) -> list[Fault]:
    """Name the photos the trail tells of that are gone, or show another picture now."""
    faults = []
    query = (
        select(AuditRow.seq, AuditRow.subject, AuditRow.detail)
        .where(AuditRow.action == "photo-taken-in")
        .order_by(AuditRow.seq)
    )
    for seq, subject, detail in session.execute(query):
        named = _SUBJECT.fullmatch(subject)
        try:
            told: Any = json.loads(detail)
        except (ValueError, RecursionError):
            # The chain of the trail names the row that was changed.
            continue
        if named is None or not isinstance(told, dict):
            continue
        row = photos.get(int(named[1]))
        if row is None:
            problem = f"is in the audit trail (seq {seq}), but gone from the book"
        elif row["blob_sha256"] != told.get("sha256"):
            problem = f"'blob_sha256' is not the one in the audit trail (seq {seq})"
        else:
            continue
        faults.append(Fault("photo", f"id {named[1]}", problem))
    return faults


def _measure_faults(row: Row, photos: dict[int, Row]) -> list[Fault]:
    key = f"id {row['id']}"
    try:
        ids = json.loads(row["photo_ids"])
    except (ValueError, TypeError, RecursionError):
        ids = None
    if not isinstance(ids, list) or not all(type(i) is int for i in ids):
        return [Fault("hole_measure", key, "'photo_ids' is no list of photos")]
    gone = [i for i in ids if i not in photos]
    return [
        Fault("hole_measure", key, f"was measured on photo {i}, which is not there") for i in gone
    ]
