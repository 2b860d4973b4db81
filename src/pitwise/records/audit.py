"""The audit trail: append-only, each row chained by hash to the one before."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import AuditRow

GENESIS = "0" * 64


def canonical(data: object) -> str:
    """Return canonical JSON: sorted keys, no spaces, no NaN."""
    return json.dumps(
        data, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )


def row_hash(row: AuditRow) -> str:
    """Return the SHA-256 over all fields of a row and the hash of the row before."""
    fields = [
        row.seq,
        row.at,
        row.person_id,
        row.actor,
        row.action,
        row.subject,
        row.detail,
        row.prev_hash,
    ]
    return hashlib.sha256(canonical(fields).encode()).hexdigest()


def append(
    session: Session,
    *,
    at: dt.datetime,
    person_id: int | None,
    actor: str,
    action: str,
    subject: str,
    detail: Mapping[str, Any],
) -> AuditRow:
    """Append one row; the caller's unit of work commits it with what it tells of."""
    last = session.scalars(select(AuditRow).order_by(AuditRow.seq.desc()).limit(1)).first()
    row = AuditRow(
        seq=1 if last is None else last.seq + 1,
        at=at.astimezone(dt.UTC).isoformat(timespec="milliseconds"),
        person_id=person_id,
        actor=actor,
        action=action,
        subject=subject[:120],
        detail=canonical(detail),
        prev_hash=GENESIS if last is None else last.hash,
    )
    row.hash = row_hash(row)
    session.add(row)
    session.flush()
    return row


@dataclass(frozen=True)
class ChainFault:
    """A row of the trail that does not hold."""

    seq: int
    problem: str


def chain_faults(rows: Iterable[AuditRow]) -> list[ChainFault]:
    """Check a trail in order; returns every row that does not hold.

    Notes
    -----
    A changed row shows by its own hash; a row taken out or put in shows by the number or
    the previous hash of the next one. A trail cut off at its end shows only against a
    later signed record or a head hash written down elsewhere.
    """
    faults = []
    expected_seq, prev = 1, GENESIS
    for row in rows:
        if row.seq != expected_seq:
            faults.append(ChainFault(row.seq, f"row {expected_seq} is missing before it"))
        elif row.prev_hash != prev:
            faults.append(ChainFault(row.seq, "does not follow from the row before it"))
        if row.hash != row_hash(row):
            faults.append(ChainFault(row.seq, "has been changed: its hash does not fit"))
        expected_seq, prev = row.seq + 1, row.hash
    return faults
