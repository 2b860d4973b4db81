"""Close a case with its cause, open it again, discard it, or say that the trouble came back."""

from __future__ import annotations

import json
from collections.abc import Sequence

from sqlalchemy import delete, select

from pitwise.records.audit import canonical
from pitwise.records.case_tables import CaseCause, CauseCase
from pitwise.services.book_cases import CLOSED, REOPENED, closing_digest
from pitwise.services.case_page import case_view, held_and_diagnosis
from pitwise.services.case_touch import (
    case_row,
    check_done_by,
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
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import Sheet

_MOST_CAUSES = 5


def _reason(reason: str) -> str:
    reason = clean_text("reason", reason, longest=400)
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
        Name and qualification of who did a remedy that is for an electrician.
    revision : int or None
        The case's revision the person looked at.

    Raises
    ------
    ConflictError
        Not open, or touched on another tablet since.
    ServiceError
        No cause, no remedy, or one for an electrician without who did it.
    """
    require(actor, "close-cause")
    check_key(key)
    remedy_text = clean_text("remedy", remedy_text, longest=1000, empty_ok=True)
    note = clean_text("note", note, longest=1000, empty_ok=True)
    done_by = clean_text("done by", done_by, longest=120, empty_ok=True)
    if certainty not in ("verified", "went-away"):
        raise ServiceError(
            "certainty", "is not said", "choose 'verified' or 'only went away after'"
        )
    with shop.database.write() as session:
        row = case_row(session, case_id)
        if row.close_key == key:
            return case_view(shop, session, actor, row)
        row = open_row(session, case_id)
        refuse_stale(row, revision)
        sheet, held, diagnosis, learnt_from = held_and_diagnosis(shop, session, row)
        named = _checked_causes(sheet, causes)
        done = _checked_remedies(sheet, actor, named, remedies, done_by)
        if not done and not remedy_text:
            raise ServiceError("remedy", "none is named", "choose or write what was done")
        shop.keep_sheet(session, sheet)
        row.state, row.close_key, row.certainty = "closed", key, certainty
        row.closed_by, row.closed_at = person(actor), shop.clock()
        row.remedies, row.remedy_text = json.dumps(done), remedy_text
        row.close_note, row.done_by = note, done_by
        row.sheet_sha256 = sheet.sha256
        row.held = canonical(
            {"case": to_plain(held), "looked": dict(held.looked), "learnt_from": learnt_from}
        )
        row.diagnosis = canonical(to_plain(diagnosis))
        row.revision += 1
        session.add_all(
            CaseCause(case_id=row.id, cause=cause, certainty=certainty) for cause in named
        )
        session.flush()
        shop.note(
            session,
            actor,
            CLOSED,
            f"case {row.id}",
            before={"state": "open"},
            after={"state": "closed", "causes": named, "certainty": certainty},
            remedies=done,
            remedy_text=remedy_text,
            done_by=done_by or None,
            sheet_sha256=sheet.sha256,
            sha256=closing_digest(session, row.id),
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
    raise NotImplementedError


def reopen_case(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    reason: str,
    go_on: bool = False,
    revision: int | None = None,
) -> CaseView:
    """Open a closed or discarded case again; what it was closed with stays in the trail."""
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
        causes = session.scalars(
            select(CaseCause.cause).where(CaseCause.case_id == row.id).order_by(CaseCause.cause)
        ).all()
        before = {
            "state": row.state,
            "causes": list(causes),
            "certainty": row.certainty,
            "remedies": json.loads(row.remedies),
            "remedy_text": row.remedy_text,
            "note": row.close_note,
            "came_back": row.came_back_note if row.came_back_at is not None else None,
        }
        session.execute(delete(CaseCause).where(CaseCause.case_id == row.id))
        row.state, row.close_key, row.certainty = "open", None, None
        row.closed_by = row.closed_at = row.sheet_sha256 = row.held = row.diagnosis = None
        row.remedies, row.remedy_text, row.close_note, row.done_by = "[]", "", "", ""
        row.came_back_at = row.came_back_by = None
        row.came_back_note = ""
        row.revision += 1
        session.flush()
        shop.note(
            session,
            actor,
            REOPENED,
            f"case {row.id}",
            before=before,
            after={"state": "open"},
            reason=reason,
        )
    with shop.database.read() as session:
        return case_view(shop, session, actor, case_row(session, case_id))


def discard_case(
    shop: Shop, actor: Actor, case_id: int, *, reason: str, revision: int | None = None
) -> None:
    """Give a case up; it stays in the book as discarded."""
    require(actor, "close-cause")
    reason = _reason(reason)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        refuse_stale(row, revision)
        row.state = "discarded"
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
        )


def mark_came_back(
    shop: Shop, actor: Actor, case_id: int, *, note: str, revision: int | None = None
) -> CaseView:
    """Say that the trouble of a closed case came back: its cure did not hold."""
    require(actor, "close-cause")
    note = clean_text("what came back", note, longest=400)
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
        )
    with shop.database.read() as session:
        return case_view(shop, session, actor, case_row(session, case_id))
