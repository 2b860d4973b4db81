"""Check cases, learning and ranges against the audit trail: each touch left its hash there."""

from __future__ import annotations

import hashlib
import json
import re
from typing import Any

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.audit import canonical
from pitwise.records.case_tables import APPEND_ONLY, CaseCause, CauseCase
from pitwise.records.rows import Row, read_rows
from pitwise.records.tables import AuditRow
from pitwise.services.book_common import Progress
from pitwise.services.book_faults import Fault

_CASE = ALL_TABLES.tables[CauseCase.__tablename__]
_CAUSE = ALL_TABLES.tables[CaseCause.__tablename__]
# Touches move it, and every touch has its own row in the trail.
_MOVES = frozenset({"revision"})
_SUBJECT = re.compile(r"case ([1-9][0-9]{0,17})")
_OPENED = "case-opened"
# Acts that write the case's own row; each leaves the row's hash in the trail.
_ACTS = frozenset(
    {
        _OPENED,
        "case-texts",
        "case-closed",
        "case-amended",
        "case-reopened",
        "case-discarded",
        "case-came-back",
    }
)


def row_digest(session: Session, table: str, ident: int) -> str:
    """Return the SHA-256 of one row as the trail keeps it."""
    own = ALL_TABLES.tables[table]
    (row,) = read_rows(session, own, own.c.id == ident)
    return _digest(row)


def _digest(data: object) -> str:
    return hashlib.sha256(canonical(data).encode(errors="surrogatepass")).hexdigest()


def case_digest(session: Session, case_id: int) -> str:
    """Return the SHA-256 of a case as it stands: its row and its causes."""
    (row,) = read_rows(session, _CASE, _CASE.c.id == case_id)
    return _of_case(row, list(read_rows(session, _CAUSE, _CAUSE.c.case_id == case_id)))


def _of_case(row: Row, causes: list[Row]) -> str:
    causes = sorted(causes, key=lambda c: str(c["cause"]))
    return _digest([{k: v for k, v in row.items() if k not in _MOVES}, causes])


def _told(session: Session) -> list[tuple[int, str, str, Any]]:
    rows = session.execute(
        select(AuditRow.seq, AuditRow.action, AuditRow.subject, AuditRow.detail)
        .where(
            or_(
                AuditRow.action.startswith("case-"),
                AuditRow.action.startswith("learning-"),
                AuditRow.action == "reading-range-set",
            )
        )
        .order_by(AuditRow.seq)
    )
    out = []
    for seq, action, subject, detail in rows:
        try:
            out.append((seq, action, subject, json.loads(detail)))
        except (ValueError, RecursionError):
            # The chain of the trail names the row that was changed.
            continue
    return out


def case_faults(session: Session, tell: Progress) -> list[Fault]:
    """Compare every append-only row and every case with the newest hash in the audit trail."""
    kept: dict[str, dict[int, str]] = {name: {} for name in APPEND_ONLY}
    cases: dict[int, str] = {}
    for _seq, action, subject, detail in _told(session):
        if not isinstance(detail, dict):
            continue
        table, ident = detail.get("table"), detail.get("row")
        if table in kept and isinstance(ident, int):
            kept[table][ident] = str(detail.get("sha256"))
        named = _SUBJECT.fullmatch(subject)
        if named and action in _ACTS:
            cases[int(named[1])] = str(detail.get("sha256"))
    faults: list[Fault] = []
    for number, (name, told) in enumerate(kept.items(), start=1):
        faults += _rows(session, name, told)
        tell("cases", number, len(kept) + 1)
    faults += _cases(session, cases)
    tell("cases", len(kept) + 1, len(kept) + 1)
    return faults


def _rows(session: Session, name: str, told: dict[int, str]) -> list[Fault]:
    faults, there = [], set()
    for row in read_rows(session, ALL_TABLES.tables[name]):
        there.add(row["id"])
        ident = f"id {row['id']}"
        if row["id"] not in told:
            faults.append(Fault(name, ident, "was put in: the audit trail does not tell of it"))
        elif _digest(row) != told[row["id"]]:
            faults.append(Fault(name, ident, "has been changed: it does not hash to the trail's"))
    faults += [
        Fault(name, f"id {i}", "is in the audit trail, but gone from the book")
        for i in sorted(set(told) - there)
    ]
    return faults


def _cases(session: Session, told: dict[int, str]) -> list[Fault]:
    causes: dict[int, list[Row]] = {}
    for row in read_rows(session, _CAUSE):
        causes.setdefault(row["case_id"], []).append(row)
    faults, there = [], set()
    for row in read_rows(session, _CASE):
        ident = row["id"]
        there.add(ident)
        if ident not in told:
            problem = "was put in: the audit trail does not tell of it"
        elif _of_case(row, causes.get(ident, [])) != told[ident]:
            problem = "has been changed: it does not hash to the trail's"
        else:
            continue
        faults.append(Fault("cause_case", f"id {ident}", problem))
    faults += [
        Fault("cause_case", f"id {i}", "is in the audit trail, but gone from the book")
        for i in sorted(set(told) - there)
    ]
    return faults
