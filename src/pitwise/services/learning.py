"""The shop's own numbers out of its verified cases, beside the trade sheet's.

Only cases closed as verified teach, by what inspections, checks, readings and the book had told
when they were closed. A lead may freeze the numbers as they stand, let learning go on, or begin
anew: a reset forgets the cases closed before it and ends a freeze. Events are never changed.
"""

from __future__ import annotations

import datetime as dt
import json
import math
import threading
from collections import OrderedDict
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.causes.learn import Case, Estimate, Learnt, learn
from pitwise.records.audit import canonical
from pitwise.records.case_tables import CaseCause, CauseCase, LearningEvent
from pitwise.records.tables import Person
from pitwise.services.book_cases import row_digest
from pitwise.services.case_touch import person
from pitwise.services.errors import ConflictError
from pitwise.services.fields import clean_text
from pitwise.services.learning_view import LearningLine, LearningView, LearntLine
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import Sheet

_MOST_KEPT = 8
_learnt: OrderedDict[tuple[str, str], Learnt] = OrderedDict()
_lock = threading.Lock()


@dataclass(frozen=True)
class Taught:
    """The cases in force, as plain rows, and what decided that.

    Attributes
    ----------
    rows : tuple of dict
        Each with `case`, `closing`, `causes` and `looked` (finding to seen or not).
    waiting : int
        Verified cases a freeze keeps out: closed, or amended, since.
    reopened : int
        Of a freeze's cases, those that don't stand any more as they were: reopened, or
        amended, since. A freeze goes on teaching from them.
    frozen, since : LearningEvent or None
    newest : int
        Id of the newest event, 0 for none.
    """

    rows: tuple[dict[str, object], ...]
    waiting: int
    reopened: int
    frozen: LearningEvent | None
    since: LearningEvent | None
    newest: int

    @property
    def text(self) -> str:
        """The rows as canonical JSON."""
        return canonical(list(self.rows))


def _events(session: Session) -> list[LearningEvent]:
    return list(session.scalars(select(LearningEvent).order_by(LearningEvent.id)))


def _verified(session: Session, after: dt.datetime | None) -> list[dict[str, object]]:
    query = (
        select(CauseCase.id, CauseCase.closed_at, CauseCase.amended_at, CauseCase.held)
        .where(CauseCase.state == "closed", CauseCase.certainty == "verified")
        .order_by(CauseCase.id)
    )
    if after is not None:
        query = query.where(CauseCase.cured_at > after)
    causes: dict[int, list[str]] = {}
    for case_id, cause in session.execute(
        select(CaseCause.case_id, CaseCause.cause).order_by(CaseCause.case_id, CaseCause.cause)
    ):
        causes.setdefault(case_id, []).append(cause)
    return [
        {
            "case": ident,
            "closing": [_moment(closed), _moment(amended)],
            "causes": causes.get(ident, []),
            "looked": json.loads(held or "{}")["looked"],
        }
        for ident, closed, amended, held in session.execute(query)
        if causes.get(ident)
    ]


def _moment(at: dt.datetime | None) -> str | None:
    return at.astimezone(dt.UTC).isoformat() if at is not None else None


def taught(session: Session) -> Taught:
    """Return the cases that teach now."""
    frozen: LearningEvent | None = None
    since: LearningEvent | None = None
    newest = 0
    for event in _events(session):
        newest = event.id
        if event.action == "freeze":
            frozen = event
        elif event.action == "unfreeze":
            frozen = None
        else:
            frozen, since = None, event
    now = _verified(session, since.at if since is not None else None)
    if frozen is None:
        return Taught(tuple(now), 0, 0, None, since, newest)
    kept = tuple(json.loads(frozen.body))
    there, stands = {_closing(row) for row in kept}, {_closing(row) for row in now}
    return Taught(kept, len(stands - there), len(there - stands), frozen, since, newest)


def _closing(row: dict[str, object]) -> tuple[object, str]:
    """Return which case, and which closing of it, a row stands for."""
    return row["case"], canonical(row["closing"])


def learnt_in_force(session: Session, sheet: Sheet) -> Learnt | None:
    """Return the learnt numbers in force; None while no case teaches.

    Parameters
    ----------
    session : Session
    sheet : Sheet
        Whose numbers are the prior. The same sheet and cases are learnt from once.
    """
    rows = taught(session)
    return _learn(sheet, rows) if rows.rows else None


def _learn(sheet: Sheet, rows: Taught) -> Learnt:
    key = (sheet.sha256, rows.text)
    with _lock:
        if key in _learnt:
            _learnt.move_to_end(key)
            return _learnt[key]
    made = learn(
        sheet,
        [
            Case(frozenset(row["causes"]), dict(row["looked"]))  # type: ignore[call-overload]  # plain JSON
            for row in rows.rows
        ],
    )
    with _lock:
        _learnt[key] = made
        while len(_learnt) > _MOST_KEPT:
            _learnt.popitem(last=False)
    return made


def learning_view(shop: Shop, actor: Actor) -> LearningView:
    """Return the numbers in force beside the sheet's, and who froze or reset them."""
    require(actor, "view")
    with shop.database.read() as session:
        sheet = shop.sheet(session)
        rows = taught(session)
        names = {p.id: p.name for p in session.scalars(select(Person))}

        def line(event: LearningEvent) -> LearningLine:
            return LearningLine(
                event.action,  # type: ignore[arg-type]  # held to the three by the table
                event.reason,
                names.get(event.by, "?"),
                event.at,
            )

        return LearningView(
            _lines(sheet, _learn(sheet, rows)) if rows.rows else (),
            len(rows.rows),
            rows.waiting,
            rows.reopened,
            line(rows.frozen) if rows.frozen is not None else None,
            line(rows.since) if rows.since is not None else None,
            tuple(line(e) for e in reversed(_events(session))),
            rows.newest,
            may(actor, "learning"),
            sheet.version,
        )


def _lines(sheet: Sheet, numbers: Learnt) -> tuple[LearntLine, ...]:
    causes = {c.id: c for c in sheet.causes}
    symptoms = {s.id: s for s in sheet.symptoms}
    out: list[LearntLine] = []

    def add(kind: str, cause: str, symptom: str, own: float, now: Estimate) -> None:
        if now.cases:
            out.append(
                LearntLine(
                    kind,  # type: ignore[arg-type]  # one of three literals below
                    cause,
                    causes[cause].name if cause else "",
                    symptom,
                    symptoms[symptom].text if symptom else "",
                    own,
                    now.mean,
                    now.low,
                    now.high,
                    now.cases,
                )
            )

    for row in sheet.causes:
        add("base", row.id, "", row.base_rate, numbers.base[row.id])
    for arrow in sheet.links:
        add("link", arrow.cause, arrow.symptom, arrow.p, numbers.link[arrow.cause, arrow.symptom])
    for symptom in sheet.symptoms:
        add("leak", "", symptom.id, symptom.leak, numbers.leak[symptom.id])
    out.sort(key=lambda x: -abs(_log_odds(x.shop) - _log_odds(x.sheet)))
    return tuple(out)


def _log_odds(p: float) -> float:
    p = min(max(p, 1e-9), 1 - 1e-9)
    return math.log(p / (1 - p))


def freeze_learning(shop: Shop, actor: Actor, *, reason: str, based_on: int | None = None) -> None:
    """Keep the learnt numbers as they stand: later cases wait until learning goes on."""
    _act(shop, actor, "freeze", reason, based_on)


def unfreeze_learning(
    shop: Shop, actor: Actor, *, reason: str, based_on: int | None = None
) -> None:
    """Let learning go on; the cases that waited teach from now on."""
    _act(shop, actor, "unfreeze", reason, based_on)


def reset_learning(shop: Shop, actor: Actor, *, reason: str, based_on: int | None = None) -> None:
    """Begin anew: forget what was learnt from the cases closed up to now, and end a freeze."""
    _act(shop, actor, "reset", reason, based_on)


def _act(shop: Shop, actor: Actor, action: str, reason: str, based_on: int | None) -> None:
    require(actor, "learning")
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        now = taught(session)
        if based_on is not None and based_on != now.newest:
            raise ConflictError(
                "learning",
                "somebody froze, let go on or reset it since this page was opened",
                "open it again and look",
            )
        if action == "freeze" and now.frozen is not None:
            raise ConflictError("learning", "it is frozen already", "nothing to do")
        if action == "unfreeze" and now.frozen is None:
            raise ConflictError("learning", "it is not frozen", "nothing to do")
        if action == "reset" and not now.rows and not now.waiting:
            raise ConflictError("learning", "no case has taught anything yet", "nothing to forget")
        row = LearningEvent(
            action=action,
            reason=reason,
            body=now.text if action == "freeze" else "[]",
            by=person(actor),
            at=shop.clock(),
        )
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            f"learning-{action}",
            "learning",
            before={"cases": [r["case"] for r in now.rows], "frozen": now.frozen is not None},
            after={
                "cases": [] if action == "reset" else [r["case"] for r in taught(session).rows],
                "frozen": action == "freeze",
            },
            reason=reason,
            table=LearningEvent.__tablename__,
            row=row.id,
            sha256=row_digest(session, LearningEvent.__tablename__, row.id),
        )
