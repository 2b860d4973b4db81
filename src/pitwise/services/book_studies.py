"""Check finished studies against the audit trail: a gauge's u may rest on one."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Table, or_, select
from sqlalchemy.orm import Session

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.audit import canonical
from pitwise.records.photo_tables import (
    AgreementJudgement,
    AgreementStudyRow,
    GaugeStudyReading,
    GaugeStudyRow,
)
from pitwise.records.rows import Row, read_rows
from pitwise.records.tables import AuditRow
from pitwise.services.book_common import Progress
from pitwise.services.book_faults import Fault


@dataclass(frozen=True)
class _Kind:
    words: str
    study: Table
    row: Table


GAUGE, AGREEMENT = "gauge study", "agreement study"
_KINDS = {
    words: _Kind(words, ALL_TABLES.tables[study], ALL_TABLES.tables[row])
    for words, study, row in (
        (GAUGE, GaugeStudyRow.__tablename__, GaugeStudyReading.__tablename__),
        (AGREEMENT, AgreementStudyRow.__tablename__, AgreementJudgement.__tablename__),
    )
}
_SUBJECT = re.compile(r"(gauge study|agreement study) ([1-9][0-9]{0,17})")


def study_digest(session: Session, words: str, ident: int) -> str:
    """Return the SHA-256 of a study as it stands: its row and all that was read or judged."""
    kind = _KINDS[words]
    (study,) = read_rows(session, kind.study, kind.study.c.id == ident)
    return _digest(study, read_rows(session, kind.row, kind.row.c.study_id == ident))


def _digest(study: Row, rows: Iterable[Row]) -> str:
    own = sorted(rows, key=lambda r: int(r["id"]))
    return hashlib.sha256(canonical([study, own]).encode(errors="surrogatepass")).hexdigest()


def _told(session: Session) -> dict[tuple[str, int], str]:
    """Return the newest hash the trail keeps of each study that is over."""
    rows = session.execute(
        select(AuditRow.subject, AuditRow.detail)
        .where(
            or_(
                AuditRow.action.startswith("gauge-study-"),
                AuditRow.action.startswith("agreement-study-"),
            )
        )
        .order_by(AuditRow.seq)
    )
    out = {}
    for subject, detail in rows:
        named = _SUBJECT.fullmatch(subject)
        try:
            kept = json.loads(detail)
        except (ValueError, RecursionError):
            # The chain of the trail names the row that was changed.
            continue
        if named and isinstance(kept, dict) and "sha256" in kept:
            out[named[1], int(named[2])] = str(kept["sha256"])
    return out


def study_faults(session: Session, tell: Progress) -> list[Fault]:
    """Compare every study that is over with the newest hash in the audit trail."""
    told = _told(session)
    faults = []
    for number, kind in enumerate(_KINDS.values(), start=1):
        there = set()
        for study in read_rows(session, kind.study):
            ident = int(study["id"])
            there.add(ident)
            kept = told.get((kind.words, ident))
            problem = ""
            if kept is None and study["state"] != "open":
                problem = "is over, and the audit trail does not tell of it"
            elif kept is not None and kept != study_digest(session, kind.words, ident):
                problem = "has been changed: it does not hash to the trail's"
            if problem:
                faults.append(Fault(kind.study.name, f"id {ident}", problem))
        faults += [
            Fault(kind.study.name, f"id {i}", "is in the audit trail, but gone from the book")
            for words, i in sorted(told)
            if words == kind.words and i not in there
        ]
        tell("studies", number, len(_KINDS))
    return faults
