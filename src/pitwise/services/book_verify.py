"""Prove that nothing in the book was changed behind its back, or name what was."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import select
from sqlalchemy.exc import DatabaseError
from sqlalchemy.orm import Session

from pitwise.records.audit import GENESIS, chain_faults
from pitwise.records.rows import (
    INSPECTION,
    SIGNED_WITH_INSPECTION,
    USED_SHEET,
    Row,
    count_rows,
    read_rows,
)
from pitwise.records.tables import AuditRow, Base, Counter, Fitting, PartItem, Process
from pitwise.services.book_cases import case_faults
from pitwise.services.book_common import Progress, check_revision, quiet, shown
from pitwise.services.book_faults import Fault
from pitwise.services.book_imports import import_faults
from pitwise.services.book_links import file_faults, guard_faults, link_faults
from pitwise.services.book_photos import photo_faults
from pitwise.services.book_shelf import shelf_faults
from pitwise.services.book_signed import check_signed
from pitwise.services.book_studies import study_faults
from pitwise.services.errors import ServiceError
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop

_AUDIT = Base.metadata.tables[AuditRow.__tablename__]
_COUNTER = Base.metadata.tables[Counter.__tablename__]
_FITTING = Base.metadata.tables[Fitting.__tablename__]
_ITEM = Base.metadata.tables[PartItem.__tablename__]
_SUBJECT = re.compile(r"inspection ([1-9][0-9]{0,17})")
_BATCH = 100


@dataclass(frozen=True)
class Verification:
    """What verifying the book gave.

    Attributes
    ----------
    rows : int
        Rows checked: the audit trail, the used sheets, and all that was signed.
    inspections : int
        Signed inspections checked.
    faults : tuple of Fault
        Empty when everything holds.
    head : str or None
        Hash of the trail's last row; written down elsewhere, it shows later whether the
        trail's end was cut off. None for an empty trail.
    head_seq : int
        Number of that row.
    """

    rows: int
    inspections: int
    faults: tuple[Fault, ...]
    head: str | None
    head_seq: int

    @property
    def holds(self) -> bool:
        """Whether no fault was found."""
        return not self.faults

    def plain(self) -> dict[str, Any]:
        """Return the outcome as plain data."""
        return {
            "holds": self.holds,
            "rows": self.rows,
            "inspections": self.inspections,
            "head": self.head,
            "head_seq": self.head_seq,
            "faults": [
                {"table": f.table, "row": f.row, "problem": f.problem, "mend": f.mend}
                for f in self.faults
            ],
        }


@dataclass
class _Trail:
    """What the pass over the audit trail leaves: one small entry per signed inspection."""

    rows: int = 0
    seq: int = 0
    head: str | None = None
    head_met: bool = False
    signed: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)


@dataclass
class _Counts:
    rows: int = 0
    inspections: int = 0


def verify_book(
    shop: Shop, actor: Actor, *, progress: Progress | None = None, head: str | None = None
) -> Verification:
    """Check the whole book on one snapshot; nothing is changed.

    Checked are the chain of the audit trail; every signed inspection against its record
    (all its rows, cell by cell, and the counter reading and fittings it made), the record
    against its hash and the trail; every signing the trail tells of; the sheets that
    decided; corrections; what is fitted; imported files; photos and their measures; cases,
    learning, ranges, finished studies and the shelf against the trail; that the shelf's
    ledger adds up; references between tables; the triggers that guard all this; and, on
    SQLite, the file itself.

    Parameters
    ----------
    shop, actor
    progress : callable or None
    head : str or None
        A hash of the trail's last row, as written down earlier. A trail that was cut off
        at its end and an inspection that went with it show only by this.

    Returns
    -------
    Verification

    Raises
    ------
    ServiceError
        `head` is no hash.
    BookError
        No book there, or one of another revision.
    """
    require(actor, "check-book")
    if head is not None:
        head = head.strip().lower()
        if not re.fullmatch(r"[0-9a-f]{64}", head):
            raise ServiceError("head", "is not a hash", "give the 64 letters and digits noted")
    tell = progress or quiet
    trail = _Trail(head_met=head is None or head == GENESIS)
    faults: list[Fault] = []
    counts = _Counts()
    try:
        check_revision(shop.database)
        with shop.database.read() as session:
            _check_all(session, trail, head, tell, faults, counts)
    except DatabaseError as error:
        if not shop.database.is_sqlite:
            raise
        # A torn file stops the reading: that is a finding, and the rest stays unknown.
        faults.append(
            Fault(
                "(file)",
                shown(shop.database.url),
                f"can't be read any further: {error.orig}",
                "restore the newest backup that verifies, and check the disk",
            )
        )
    if not trail.head_met:
        faults.append(
            Fault(
                "audit",
                f"seq {trail.seq + 1}",
                f"the head {head} is not in the trail: its end was cut off, or this is another "
                "book",
            )
        )
    return Verification(counts.rows, counts.inspections, tuple(faults), trail.head, trail.seq)


def _check_all(
    session: Session,
    trail: _Trail,
    head: str | None,
    tell: Progress,
    faults: list[Fault],
    counts: _Counts,
) -> None:
    """Run every check; what was found before a torn page stopped it stays in `faults`."""
    faults += file_faults(session, tell)
    faults += guard_faults(session)
    _walk_trail(session, trail, head, tell)
    faults += trail.faults
    sheets, sheet_faults = _sheets(session, tell)
    faults += sheet_faults
    counts.rows = trail.rows + len(sheets)
    for found, compared in _signed(session, trail, sheets, tell):
        faults += found
        counts.rows += compared
        counts.inspections += 1
    faults += _not_found(session, trail)
    faults += link_faults(session, tell)
    faults += import_faults(session, tell)
    faults += case_faults(session, tell)
    faults += photo_faults(session, tell)
    faults += study_faults(session, tell)
    faults += shelf_faults(session, tell)


def _walk_trail(session: Session, trail: _Trail, head: str | None, tell: Progress) -> None:
    total = count_rows(session, _AUDIT)

    def stream() -> Iterator[AuditRow]:
        for row in read_rows(session, _AUDIT):
            trail.rows += 1
            trail.seq, trail.head = row["seq"], row["hash"]
            trail.head_met = trail.head_met or row["hash"] == head
            if row["action"] == "inspection-signed":
                _note_signing(trail, row)
            if trail.rows % 500 == 0 or trail.rows == total:
                tell("audit trail", trail.rows, total)
            yield AuditRow(**row)

    trail.faults += [Fault("audit", f"seq {f.seq}", f.problem) for f in chain_faults(stream())]


def _note_signing(trail: _Trail, row: Row) -> None:
    named = _SUBJECT.fullmatch(str(row["subject"]))
    try:
        digest = json.loads(row["detail"])["record_sha256"]
    except (ValueError, KeyError, TypeError, RecursionError):
        digest = None
    if named is None or not isinstance(digest, str):
        problem = "tells of a signing, but not of which"
        trail.faults.append(Fault("audit", f"seq {row['seq']}", problem))
        return
    trail.signed.setdefault(int(named[1]), []).append((row["seq"], digest))


def _sheets(session: Session, tell: Progress) -> tuple[dict[str, Row], list[Fault]]:
    total, faults, sheets = count_rows(session, USED_SHEET), [], {}
    for row in read_rows(session, USED_SHEET, batch=5):
        content = row.pop("content")
        digest = hashlib.sha256(str(content).encode(errors="surrogatepass")).hexdigest()
        if digest != row["sha256"]:
            problem = "has been changed: 'content' does not hash to its key"
            faults.append(Fault("used_sheet", f"sha256 {row['sha256']}", problem))
        sheets[row["sha256"]] = row
        tell("trade sheets", len(sheets), total)
    return sheets, faults


def _signed(
    session: Session, trail: _Trail, sheets: dict[str, Row], tell: Progress
) -> Iterator[tuple[list[Fault], int]]:
    ids = session.scalars(
        select(INSPECTION.c.id).where(INSPECTION.c.state == "signed").order_by(INSPECTION.c.id)
    ).all()
    processes = {r.id: r.name for r in session.execute(select(Process.id, Process.name))}
    superseded = set(
        session.scalars(
            select(INSPECTION.c.supersedes).where(
                INSPECTION.c.state == "signed", INSPECTION.c.supersedes.is_not(None)
            )
        )
    )
    for start in range(0, len(ids), _BATCH):
        batch = ids[start : start + _BATCH]
        wanted = set(batch)
        low, high = batch[0], batch[-1]
        children: dict[int, dict[str, list[Row]]] = {i: {} for i in batch}
        for name in SIGNED_WITH_INSPECTION:
            table = Base.metadata.tables[name]
            for row in read_rows(session, table, table.c.inspection_id.between(low, high)):
                if row["inspection_id"] in wanted:
                    children[row["inspection_id"]].setdefault(name, []).append(row)
        _add_done(session, children, low, high)
        for row in read_rows(
            session, INSPECTION, INSPECTION.c.id.between(low, high), INSPECTION.c.state == "signed"
        ):
            yield check_signed(
                row,
                children[row["id"]],
                sheets.get(row["sheet_sha256"]),
                processes.get(row["process_id"]),
                trail.signed.get(row["id"], ()),
                superseded=row["id"] in superseded,
            )
        tell("signed inspections", start + len(batch), len(ids))


def _add_done(
    session: Session, children: dict[int, dict[str, list[Row]]], low: int, high: int
) -> None:
    """Add the counter readings and fittings that inspections made, as `book_used` takes them."""
    for row in read_rows(session, _COUNTER, _COUNTER.c.inspection_id.between(low, high)):
        if row["inspection_id"] in children:
            children[row["inspection_id"]].setdefault("counter", []).append(row)
    for name, column in (
        ("fitted", _FITTING.c.fitted_by_inspection),
        ("removed", _FITTING.c.removed_by_inspection),
    ):
        tags = {
            r.id: r.tag
            for r in session.execute(
                select(_FITTING.c.id, _ITEM.c.tag)
                .join(_ITEM, _ITEM.c.id == _FITTING.c.part_item_id)
                .where(column.between(low, high))
            )
        }
        for row in read_rows(session, _FITTING, column.between(low, high)):
            if row[column.name] in children:
                row["tag"] = tags.get(row["id"])
                children[row[column.name]].setdefault(name, []).append(row)


def _not_found(session: Session, trail: _Trail) -> list[Fault]:
    """Name the inspections that the trail says were signed, but which are not."""
    rows = session.execute(select(INSPECTION.c.id, INSPECTION.c.state))
    states = {ident: state for ident, state in rows if ident in trail.signed}
    faults = []
    for ident, told in sorted(trail.signed.items()):
        state = states.get(ident)
        if state != "signed":
            problem = "is gone" if state is None else f"is '{state}' now"
            faults.append(
                Fault(
                    "inspection",
                    f"id {ident}",
                    f"{problem}, but the audit trail (seq {told[0][0]}) tells that it was signed",
                )
            )
    return faults
