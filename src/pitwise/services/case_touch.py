"""How a case is touched: one fact a key, stale touches noticed, each told in the trail."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.case_tables import CaseFact, CauseCase
from pitwise.services.book_cases import row_digest
from pitwise.services.case_items import active_facts
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ServiceError,
)
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import Sheet


@dataclass(frozen=True)
class Touch:
    """A fact to be: what `CaseFact` holds, and the findings it is about."""

    kind: str
    subject: str
    about: frozenset[str]
    state: str | None = None
    text: str = ""
    value: float | None = None
    unit: str | None = None
    results: Mapping[str, str] | None = None
    done_by: str = ""
    undoes: int | None = None


def person(actor: Actor) -> int:
    """Return who it is; refuse nobody."""
    if actor.person_id is None:
        raise NotAllowedError("person", "nobody is signed in", "sign in first")
    return actor.person_id


def case_row(session: Session, case_id: int) -> CauseCase:
    """Return a case's row."""
    row = session.get(CauseCase, case_id)
    if row is None:
        raise NotFoundError("case", f"there is no case {case_id}", "choose from the list")
    return row


def open_row(session: Session, case_id: int) -> CauseCase:
    """Return the row of a case that can be touched; refuse a closed or discarded one."""
    row = case_row(session, case_id)
    if row.state != "open":
        raise ConflictError(
            "case", f"it has been {row.state} already", "reopen it, or open another"
        )
    return row


def refuse_stale(row: CauseCase, revision: int | None) -> None:
    """Refuse an act on the whole case by somebody who has not seen its last touch."""
    if revision is not None and revision != row.revision:
        raise ConflictError(
            "case", "it was touched on another tablet since", "look it over, then do it again"
        )


def known_id(place: str, given: str, known: Iterable[str], what: str) -> str:
    """Return an id of the sheet; refuse an unknown one and name the nearest."""
    there = list(known)
    if given in there:
        return given
    near = difflib.get_close_matches(given, there, 1)
    raise NotFoundError(
        place,
        f"'{given[:40]}' is no {what} of the trade sheet",
        f"did you mean '{near[0]}'" if near else "reload the page",
    )


def key_used(problem: str) -> ConflictError:
    """Return the refusal of a key that stands for something else."""
    return ConflictError("key", problem, "reload the page, do it again")


def fact_of_key(session: Session, row: CauseCase, key: str) -> CaseFact | None:
    """Return the fact a key made in a case; refuse one of another case."""
    same = session.scalar(select(CaseFact).where(CaseFact.key == key))
    if same is not None and same.case_id != row.id:
        raise key_used("it was used on another case")
    return same


def is_again(session: Session, row: CauseCase, key: str, touch: Touch) -> bool:
    """Tell whether a touch was taken before; refuse its key if it said something else."""
    same = fact_of_key(session, row, key)
    if same is None:
        return False
    kept = (
        same.kind,
        same.subject,
        same.state,
        same.text,
        same.value,
        same.unit,
        json.loads(same.results) if same.results else None,
        same.done_by,
    )
    now = (
        touch.kind,
        touch.subject,
        touch.state,
        touch.text,
        touch.value,
        touch.unit,
        dict(touch.results) if touch.results else None,
        touch.done_by,
    )
    if kept != now:
        raise key_used("it told something else before")
    return True


def _about(sheet: Sheet, fact: CaseFact) -> frozenset[str]:
    if fact.kind == "check":
        return frozenset(json.loads(fact.results or "{}"))
    if fact.kind == "reading":
        feeds = {r.id: r.feeds for r in sheet.readings}.get(fact.subject, ())
        return frozenset(f.symptom for f in feeds)
    return frozenset({fact.subject})


def _told_since(
    session: Session, sheet: Sheet, row: CauseCase, revision: int
) -> list[frozenset[str]]:
    """Return what each touch since a revision was about; an undo is about what it took back."""
    facts = {f.id: f for f in session.scalars(select(CaseFact).where(CaseFact.case_id == row.id))}
    return [
        _about(sheet, facts[f.undoes] if f.undoes is not None else f)
        for f in facts.values()
        if f.revision > revision
    ]


def add_fact(
    shop: Shop,
    session: Session,
    actor: Actor,
    row: CauseCase,
    sheet: Sheet,
    key: str,
    touch: Touch,
    revision: int | None,
) -> CaseFact:
    """Keep a touch.

    One made on a screen that had not seen the last touches is merged, unless one of those
    was about the same thing: then it is refused.

    Raises
    ------
    ConflictError
        Somebody told of the same since.
    """
    facts = active_facts(session, row.id)
    if revision is not None and revision < row.revision:
        for about in _told_since(session, sheet, row, revision):
            if touch.about & about:
                raise ConflictError(
                    "case",
                    "another tablet told of the same since",
                    "look at what was told there, then say it again if it differs",
                )
    before = _before(facts, touch)
    row.revision += 1
    fact = CaseFact(
        case_id=row.id,
        key=key,
        revision=row.revision,
        kind=touch.kind,
        subject=touch.subject,
        state=touch.state,
        text=touch.text,
        value=touch.value,
        unit=touch.unit,
        results=json.dumps(touch.results, separators=(",", ":")) if touch.results else None,
        done_by=touch.done_by,
        undoes=touch.undoes,
        by=person(actor),
        at=shop.clock(),
    )
    session.add(fact)
    session.flush()
    shop.note(
        session,
        actor,
        f"case-{touch.kind}",
        f"case {row.id}",
        of=touch.subject,
        before=before,
        after=_words(fact),
        done_by=touch.done_by or None,
        table=CaseFact.__tablename__,
        row=fact.id,
        sha256=row_digest(session, CaseFact.__tablename__, fact.id),
    )
    return fact


def _words(fact: CaseFact) -> Any:
    if fact.kind == "check":
        return json.loads(fact.results or "{}")
    if fact.kind == "reading":
        return f"{fact.text} {fact.unit}"
    if fact.kind == "undo":
        return None
    return fact.state or fact.text


def _before(facts: list[CaseFact], touch: Touch) -> Any:
    """Return what the case itself held of the same before."""
    if touch.undoes is not None:
        return next((_words(f) for f in facts if f.id == touch.undoes), None)
    same = [f for f in facts if f.kind == touch.kind and f.subject == touch.subject]
    return _words(same[-1]) if same else None


def check_done_by(who: str, actor: Actor, done_by: str, what: str) -> None:
    """Refuse work for an electrician, or for a lead, without the name of who did it.

    Of an electrician name and qualification are asked: two words, each of two letters at least.
    """
    words = [w for w in done_by.split() if sum(c.isalpha() for c in w) > 1]
    if who == "electrician" and len(words) < 2:
        raise ServiceError(
            "done by",
            f"{what} is for a qualified electrician",
            "type the name and the qualification of who did it",
        )
    if who == "lead" and actor.role == "technician" and not words:
        raise ServiceError("done by", f"{what} is for a lead", "type the name of who did it")
