"""Close a case with its cause, amend that, reopen, discard it, or say that it came back."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import delete, or_, select
from sqlalchemy.orm import Session

from pitwise.causes.diagnosis import Diagnosis
from pitwise.records.audit import canonical
from pitwise.records.case_tables import CaseCause, CauseCase
from pitwise.services.book_cases import case_digest
from pitwise.services.case_evidence import CaseHeld
from pitwise.services.case_gate import least
from pitwise.services.case_page import case_view, held_and_diagnosis
from pitwise.services.case_touch import (
    case_row,
    check_done_by,
    key_used,
    known_id,
    open_row,
    person,
    refuse_stale,
)
from pitwise.services.case_view import CaseView
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.plain_rows import to_plain
from pitwise.services.ranges import sheet_at
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import Sheet

_MOST_CAUSES = 5


def _reason(reason: str) -> str:
    reason = clean_text("reason", reason, longest=400, lines=True)
    if len(reason) < 4:
        raise ServiceError("reason", "says too little", "write why, in a few words")
    return reason


def _checked_causes(sheet: Sheet, causes: Sequence[str]) -> list[str]:
    given = list(dict.fromkeys(causes))
    if not given:
        raise ServiceError("cause", "none is named", "choose what it was; discard the case if none")
    if len(given) > _MOST_CAUSES:
        raise ServiceError("cause", f"{len(given)} are named", f"name {_MOST_CAUSES} at most")
    known = [c.id for c in sheet.causes]
    return [known_id("cause", c, known, "cause") for c in given]


def _checked_remedies(
    sheet: Sheet, actor: Actor, causes: list[str], remedies: Sequence[str], done_by: str
) -> list[str]:
    known = {r.id: r for r in sheet.remedies}
    out = [known_id("remedy", r, known, "remedy") for r in dict.fromkeys(remedies)]
    for remedy in out:
        if known[remedy].cause not in causes:
            name = sheet.cause(known[remedy].cause).name
            raise ServiceError(
                "remedy",
                f"it cures '{name}', which is not among the causes named",
                "name that cause too, or take the remedy out",
            )
        check_done_by(known[remedy].who, actor, done_by, "this remedy")
    return out


@dataclass(frozen=True)
class _Given:
    """How a case is to read as closed, tidied; what needs the trade sheet is checked later."""

    causes: tuple[str, ...]
    certainty: str
    remedies: tuple[str, ...]
    remedy_text: str
    note: str
    done_by: str

    @classmethod
    def of(
        cls,
        causes: Sequence[str],
        certainty: str,
        remedies: Sequence[str],
        remedy_text: str,
        note: str,
        done_by: str,
    ) -> _Given:
        given = cls(
            tuple(dict.fromkeys(causes)),
            certainty,
            tuple(dict.fromkeys(remedies)),
            clean_text("remedy", remedy_text, longest=1000, empty_ok=True, lines=True),
            clean_text("note", note, longest=1000, empty_ok=True, lines=True),
            clean_text("done by", done_by, longest=120, empty_ok=True),
        )
        if certainty not in ("verified", "went-away"):
            raise ServiceError(
                "certainty", "is not said", "choose 'verified' or 'only went away after'"
            )
        return given

    def same(self, other: _Given) -> bool:
        """Tell whether both say the same; the order of causes and remedies says nothing."""
        return replace(self, causes=(), remedies=()) == replace(other, causes=(), remedies=()) and (
            set(self.causes),
            set(self.remedies),
        ) == (set(other.causes), set(other.remedies))

    def check(self, sheet: Sheet, actor: Actor) -> None:
        """Refuse what the trade sheet doesn't know, and work without who may do it."""
        causes = _checked_causes(sheet, self.causes)
        done = _checked_remedies(sheet, actor, causes, self.remedies, self.done_by)
        if not done and not self.remedy_text:
            raise ServiceError("remedy", "none is named", "choose or write what was done")
        for cause in causes:
            mildest = least(r.who for r in sheet.remedies_of(cause))
            name = sheet.cause(cause).name
            check_done_by(mildest, actor, self.done_by, f"the cure of '{name}'")

    def write(self, session: Session, row: CauseCase) -> None:
        """Put it into a case's row, and its causes beside it."""
        row.certainty = self.certainty
        row.remedies, row.remedy_text = json.dumps(self.remedies), self.remedy_text
        row.close_note, row.done_by = self.note, self.done_by
        session.execute(delete(CaseCause).where(CaseCause.case_id == row.id))
        session.add_all(
            CaseCause(case_id=row.id, cause=cause, certainty=self.certainty)
            for cause in self.causes
        )
        session.flush()

    def words(self) -> dict[str, Any]:
        """Return it for the trail."""
        return {
            "causes": list(self.causes),
            "certainty": self.certainty,
            "remedies": list(self.remedies),
            "remedy_text": self.remedy_text,
            "note": self.note,
            "done_by": self.done_by,
        }


def _stands(session: Session, row: CauseCase) -> _Given:
    """Return how a case reads as closed now."""
    causes = session.scalars(
        select(CaseCause.cause).where(CaseCause.case_id == row.id).order_by(CaseCause.cause)
    )
    return _Given(
        tuple(causes),
        row.certainty or "",
        tuple(json.loads(row.remedies)),
        row.remedy_text,
        row.close_note,
        row.done_by,
    )


def _refuse_used(session: Session, key: str) -> None:
    """Refuse a key that closed or amended a case before; it was not this act."""
    used = session.scalar(
        select(CauseCase.id).where(or_(CauseCase.close_key == key, CauseCase.amend_key == key))
    )
    if used is not None:
        raise key_used(f"it was used on case {used}")


def _keep(
    shop: Shop,
    session: Session,
    row: CauseCase,
    stood: tuple[Sheet, CaseHeld, Diagnosis, int],
) -> None:
    """Keep with a case what it stood on."""
    sheet, held, diagnosis, learnt_from = stood
    shop.keep_sheet(session, sheet)
    row.sheet_sha256 = sheet.sha256
    row.held = canonical(
        {"case": to_plain(held), "looked": dict(held.looked), "learnt_from": learnt_from}
    )
    row.diagnosis = canonical(to_plain(diagnosis))


def _reckon_ahead(shop: Shop, case_id: int) -> None:
    """Reckon a case before the writer's lock is taken.

    What was reckoned is kept: within the lock it is looked up, unless something was told
    in between.
    """
    with shop.database.read() as session:
        row = case_row(session, case_id)
        if row.state == "open":
            held_and_diagnosis(shop, session, row)


def close_case(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    key: str,
    causes: Sequence[str],
    certainty: str,
    remedies: Sequence[str] = (),
    remedy_text: str = "",
    note: str = "",
    done_by: str = "",
    revision: int | None = None,
) -> CaseView:
    """Close a case with its cause or causes, how sure that is, and what was done.

    What is held of every finding, and the diagnosis, are kept as they stand now.

    Parameters
    ----------
    shop, actor
    case_id : int
    key : str
        Made on the tablet; the same key again closes nothing twice.
    causes : sequence of str
        One to five causes of the trade sheet.
    certainty : {"verified", "went-away"}
        "verified": the cause was seen to be so; only these cases teach. "went-away": the
        trouble went away after the remedy, no more.
    remedies : sequence of str
        Remedies of these causes that were done.
    remedy_text : str
        What else was done; needed where no remedy is chosen.
    note : str
    done_by : str
        Name and qualification of who did a remedy that is for an electrician; asked for
        wherever a cause has no remedy that anybody may do.
    revision : int or None
        The case's revision the person looked at.

    Raises
    ------
    ConflictError
        Not open, touched on another tablet since, or the key was used for something else.
    ServiceError
        No cause, no remedy, or a cure for an electrician without who did it.
    """
    require(actor, "close-cause")
    check_key(key)
    given = _Given.of(causes, certainty, remedies, remedy_text, note, done_by)
    _reckon_ahead(shop, case_id)
    with shop.database.write() as session:
        row = case_row(session, case_id)
        if row.close_key == key:
            if not given.same(_stands(session, row)):
                raise key_used("it closed this case otherwise")
            return case_view(shop, session, actor, row)
        _refuse_used(session, key)
        row = open_row(session, case_id)
        refuse_stale(row, revision)
        stood = held_and_diagnosis(shop, session, row)
        given.check(stood[0], actor)
        _keep(shop, session, row, stood)
        row.state, row.close_key, row.certainty = "closed", key, certainty
        row.closed_by, row.closed_at = person(actor), shop.clock()
        row.cured_at = row.cured_at or row.closed_at
        row.last_closing = None
        row.revision += 1
        given.write(session, row)
        shop.note(
            session,
            actor,
            "case-closed",
            f"case {row.id}",
            before={"state": "open"},
            after={"state": "closed"} | given.words(),
            cured_at=row.cured_at.isoformat(),
            sheet_sha256=row.sheet_sha256,
            sha256=case_digest(session, row.id),
        )
        session.flush()
        return case_view(shop, session, actor, row)


def amend_case(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    key: str,
    causes: Sequence[str],
    certainty: str,
    remedies: Sequence[str] = (),
    remedy_text: str = "",
    note: str = "",
    done_by: str = "",
    reason: str,
    revision: int | None = None,
) -> CaseView:
    """Put a closed case's causes, certainty, remedies or note right; it stays closed.

    What was held, the diagnosis and when it was closed stay as they are.

    Parameters
    ----------
    shop, actor
    case_id : int
    key, causes, certainty, remedies, remedy_text, note, done_by
        As of `close_case`: how the closing reads from now on, whole.
    reason : str
        Why; kept in the trail with what it was before.
    revision : int or None

    Raises
    ------
    ConflictError
        Not closed, or touched on another tablet since.
    """
    require(actor, "close-cause")
    check_key(key)
    reason = _reason(reason)
    given = _Given.of(causes, certainty, remedies, remedy_text, note, done_by)
    with shop.database.write() as session:
        row = case_row(session, case_id)
        stands = _stands(session, row)
        if row.amend_key == key:
            if not given.same(stands) or row.amend_reason != reason:
                raise key_used("it amended this case otherwise")
            return case_view(shop, session, actor, row)
        _refuse_used(session, key)
        if row.state != "closed":
            raise ConflictError("case", f"it is {row.state}", "close it with its cause first")
        refuse_stale(row, revision)
        if given.same(stands):
            raise ServiceError("case", "nothing is changed", "change what is wrong, or leave it")
        given.check(sheet_at(shop, session, row.torch.station_id), actor)
        row.amend_key, row.amend_reason = key, reason
        row.amended_by, row.amended_at = person(actor), shop.clock()
        row.revision += 1
        given.write(session, row)
        shop.note(
            session,
            actor,
            "case-amended",
            f"case {row.id}",
            before=stands.words(),
            after=given.words(),
            reason=reason,
            sha256=case_digest(session, row.id),
        )
        session.flush()
        return case_view(shop, session, actor, row)


def reopen_case(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    reason: str,
    go_on: bool = False,
    revision: int | None = None,
) -> CaseView:
    """Open a closed or discarded case again; what it was closed with stays in the trail.

    Parameters
    ----------
    shop, actor
    case_id : int
    reason : str
    go_on : bool
        False: it is judged anew by what was known. Inspections after it was closed don't
        count, and its cure is still told from when it was first closed. True: the trouble
        goes on. Inspections since count, and it is cured when it is closed again.
    revision : int or None

    Raises
    ------
    ConflictError
        Open already, touched since, or another case is open on the torch.
    """
    require(actor, "close-cause")
    reason = _reason(reason)
    with shop.database.write() as session:
        row = case_row(session, case_id)
        if row.state == "open":
            raise ConflictError("case", "it is open", "nothing to do")
        refuse_stale(row, revision)
        other = session.scalar(
            select(CauseCase.id).where(
                CauseCase.torch_id == row.torch_id, CauseCase.state == "open"
            )
        )
        if other is not None:
            raise ConflictError(
                "case", f"case {other} is open on this torch", "close or discard that one first"
            )
        stands = _stands(session, row)
        before = {
            "state": row.state,
            **stands.words(),
            "closed_at": row.closed_at.isoformat() if row.closed_at else None,
            "came_back": row.came_back_note if row.came_back_at is not None else None,
        }
        # Before the row is touched: a query in between would flush it half changed.
        session.execute(delete(CaseCause).where(CaseCause.case_id == row.id))
        row.last_closing = canonical(stands.words()) if row.state == "closed" else None
        if go_on:
            row.cured_at = row.looks_until = None
        else:
            row.looks_until = row.looks_until or row.closed_at
        row.state, row.close_key, row.certainty = "open", None, None
        row.closed_by = row.closed_at = row.sheet_sha256 = row.held = row.diagnosis = None
        row.remedies, row.remedy_text, row.close_note, row.done_by = "[]", "", "", ""
        row.came_back_at = row.came_back_by = None
        row.came_back_note = ""
        row.amended_at = row.amended_by = None
        row.amend_reason = ""
        row.revision += 1
        session.flush()
        shop.note(
            session,
            actor,
            "case-reopened",
            f"case {row.id}",
            before=before,
            after={"state": "open", "go_on": go_on},
            reason=reason,
            sha256=case_digest(session, row.id),
        )
    with shop.database.read() as session:
        return case_view(shop, session, actor, case_row(session, case_id))


def discard_case(
    shop: Shop, actor: Actor, case_id: int, *, reason: str, revision: int | None = None
) -> None:
    """Give a case up; it stays in the book as discarded, with what it stood on."""
    require(actor, "close-cause")
    reason = _reason(reason)
    _reckon_ahead(shop, case_id)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        refuse_stale(row, revision)
        _keep(shop, session, row, held_and_diagnosis(shop, session, row))
        row.state = "discarded"
        row.closed_by, row.closed_at = person(actor), shop.clock()
        row.revision += 1
        session.flush()
        shop.note(
            session,
            actor,
            "case-discarded",
            f"case {row.id}",
            before={"state": "open"},
            after={"state": "discarded"},
            reason=reason,
            sha256=case_digest(session, row.id),
        )


def mark_came_back(
    shop: Shop, actor: Actor, case_id: int, *, note: str, revision: int | None = None
) -> CaseView:
    """Say that the trouble of a closed case came back: its cure did not hold."""
    require(actor, "close-cause")
    note = clean_text("what came back", note, longest=400, lines=True)
    with shop.database.write() as session:
        row = case_row(session, case_id)
        if row.state != "closed":
            raise ConflictError("case", f"it is {row.state}", "close it with its cause first")
        if row.came_back_at is not None:
            raise ConflictError("case", "it was said before that it came back", "nothing to do")
        refuse_stale(row, revision)
        row.came_back_at, row.came_back_by = shop.clock(), person(actor)
        row.came_back_note = note
        row.revision += 1
        session.flush()
        shop.note(
            session,
            actor,
            "case-came-back",
            f"case {row.id}",
            before={"came_back": None},
            after={"came_back": note},
            sha256=case_digest(session, row.id),
        )
    with shop.database.read() as session:
        return case_view(shop, session, actor, case_row(session, case_id))
