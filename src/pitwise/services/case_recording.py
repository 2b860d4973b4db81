"""Record what a case comes to know: findings, checks, readings, answers, remedies tried; undo.

Each is kept as a fact of the case: the newest of a thing holds, and an undo is a further
fact. Every touch carries a key made on the tablet: the same key is one touch.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy.orm import Session

from pitwise.records.case_tables import CaseFact, CauseCase
from pitwise.services.case_gate import finding_gate, reading_gate
from pitwise.services.case_items import active_facts
from pitwise.services.case_touch import (
    Touch,
    add_fact,
    check_done_by,
    fact_of_key,
    is_again,
    key_used,
    known_id,
    open_row,
    refuse_stale,
)
from pitwise.services.case_view import CaseView
from pitwise.services.cases import read_case
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text, signed_number
from pitwise.services.permissions import Actor, require
from pitwise.services.ranges import reading_kind, sheet_at
from pitwise.services.shopfloor import Shop
from pitwise.trade.cause_rows import Check, Symptom
from pitwise.trade.model import Sheet
from pitwise.trade.units import UnitError


def record_finding(
    shop: Shop,
    actor: Actor,
    case_id: int,
    symptom: str,
    state: str,
    *,
    key: str,
    done_by: str = "",
    revision: int | None = None,
) -> CaseView:
    """Record one finding: seen, absent, slight, much, or none (not looked at after all).

    `done_by`: name and qualification, for what only an electrician may find out.
    """
    require(actor, "causes")
    check_key(key)
    done_by = clean_text("done by", done_by, longest=120, empty_ok=True)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        sheet = sheet_at(shop, session, row.torch.station_id)
        own = _check_state(sheet, symptom, state)
        if state != "none":
            gate = finding_gate(sheet, (symptom,))
            check_done_by(gate.who, actor, done_by, f"to find out '{own.text}'")
        touch = Touch("finding", symptom, frozenset({symptom}), state=state, done_by=done_by)
        if not is_again(session, row, key, touch):
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
    return read_case(shop, actor, case_id)


def _check_state(sheet: Sheet, symptom: str, state: str) -> Symptom:
    known = {s.id: s for s in sheet.symptoms}
    row = known[known_id("finding", symptom, known, "finding")]
    graded = row.kind == "graded"
    allowed = ("seen", "absent", *(("slight", "much") if graded else ()), "none")
    if state not in allowed:
        raise ServiceError(
            "state", f"'{state[:20]}' does not fit this finding", f"use {', '.join(allowed)}"
        )
    return row


def record_check(
    shop: Shop,
    actor: Actor,
    case_id: int,
    check: str,
    *,
    key: str,
    results: Mapping[str, str] | None = None,
    clear: bool = False,
    shown: Sequence[str] | None = None,
    done_by: str = "",
    revision: int | None = None,
) -> CaseView:
    """Record a check in one touch.

    Parameters
    ----------
    shop, actor
    case_id : int
    check : str
    key : str
    results : mapping of str to str or None
        Finding to seen, absent, slight, much or none, of those the check reveals.
    clear : bool
        All it reveals that is not in `results` was looked at and is absent.
    shown : sequence of str or None
        The findings the screen showed unanswered: "clear" counts for these alone.
    done_by : str
        Name and qualification; needed for checks that are for an electrician.
    revision : int or None
        The case's revision on the screen.
    """
    require(actor, "causes")
    check_key(key)
    done_by = clean_text("done by", done_by, longest=120, empty_ok=True)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        sheet = sheet_at(shop, session, row.torch.station_id)
        known = {c.id: c for c in sheet.checks}
        own = known[known_id("check", check, known, "check")]
        check_done_by(own.who, actor, done_by, f"'{own.name}'")
        told = _rest(own, shown) if clear else {}
        for symptom, state in (results or {}).items():
            known_id("finding", symptom, own.reveals, f"finding of '{own.name}'")
            _check_state(sheet, symptom, state)
            told[symptom] = state
        if not told:
            raise ServiceError(
                own.name, "no result is given", "say what was seen, or that all is clear"
            )
        touch = Touch("check", own.id, frozenset(told), results=told, done_by=done_by)
        if not is_again(session, row, key, touch):
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
    return read_case(shop, actor, case_id)


def _rest(check: Check, shown: Sequence[str] | None) -> dict[str, str]:
    if shown is None:
        return dict.fromkeys(check.reveals, "absent")
    for symptom in shown:
        known_id("finding", symptom, check.reveals, f"finding of '{check.name}'")
    return {s: "absent" for s in check.reveals if s in set(shown)}


def record_reading(
    shop: Shop,
    actor: Actor,
    case_id: int,
    reading: str,
    value: str,
    unit: str,
    *,
    key: str,
    done_by: str = "",
    revision: int | None = None,
) -> CaseView:
    """Record a reading as typed, with its unit (empty: the sheet's own unit).

    `done_by`: name and qualification, for what only an electrician may measure.
    """
    require(actor, "causes")
    check_key(key)
    done_by = clean_text("done by", done_by, longest=120, empty_ok=True)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        sheet = sheet_at(shop, session, row.torch.station_id)
        kind = reading_kind(sheet, reading)
        check_done_by(reading_gate(sheet, kind.id).who, actor, done_by, f"'{kind.name}'")
        number = signed_number(kind.name, value)
        if number is None:
            raise ServiceError(kind.name, "is empty", "type the number that was read")
        unit = clean_text("unit", unit, longest=20, empty_ok=True) or kind.unit
        try:
            kind.canonical(number, unit)
        except UnitError as error:
            raise ServiceError(kind.name, error.problem, error.mend) from error
        touch = Touch(
            "reading",
            kind.id,
            frozenset(f.symptom for f in kind.feeds),
            text=f"{number:.10g}",
            value=number,
            unit=unit,
            done_by=done_by,
        )
        if not is_again(session, row, key, touch):
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
    return read_case(shop, actor, case_id)


def answer_conflict(
    shop: Shop,
    actor: Actor,
    case_id: int,
    conflict: str,
    answer: str,
    *,
    key: str,
    revision: int | None = None,
) -> CaseView:
    """Answer a contradiction in words; it is not asked again while its facts stand."""
    require(actor, "causes")
    check_key(key)
    answer = clean_text("answer", answer, longest=400, lines=True)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        sheet = sheet_at(shop, session, row.torch.station_id)
        known_id("question", conflict, [c.id for c in sheet.conflicts], "question")
        touch = Touch("answer", conflict, frozenset({conflict}), text=answer)
        if not is_again(session, row, key, touch):
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
    return read_case(shop, actor, case_id)


def record_context(
    shop: Shop,
    actor: Actor,
    case_id: int,
    name: str,
    value: str,
    *,
    key: str,
    revision: int | None = None,
) -> CaseView:
    """Record a word about the torch that contradictions ask for, such as its gas supply."""
    require(actor, "causes")
    check_key(key)
    value = clean_text(name[:40] or "context", value, longest=60)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        sheet = sheet_at(shop, session, row.torch.station_id)
        known_id("context", name, sheet.context_keys, "word of context")
        touch = Touch("context", name, frozenset({name}), text=value)
        if not is_again(session, row, key, touch):
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
    return read_case(shop, actor, case_id)


def record_tried(
    shop: Shop,
    actor: Actor,
    case_id: int,
    remedy: str,
    *,
    key: str,
    done_by: str = "",
    note: str = "",
    revision: int | None = None,
) -> CaseView:
    """Record that a remedy was done and the trouble stayed.

    The cause's next remedy is tried then; with all of them tried the cause is ruled out.
    """
    require(actor, "causes")
    check_key(key)
    done_by = clean_text("done by", done_by, longest=120, empty_ok=True)
    note = clean_text("note", note, longest=400, empty_ok=True, lines=True)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        sheet = sheet_at(shop, session, row.torch.station_id)
        known = {r.id: r for r in sheet.remedies}
        own = known[known_id("remedy", remedy, known, "remedy")]
        check_done_by(own.who, actor, done_by, "this remedy")
        touch = Touch(
            "tried", own.id, frozenset({own.id}), text=note or "did not help", done_by=done_by
        )
        if not is_again(session, row, key, touch):
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
    return read_case(shop, actor, case_id)


def undo(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    key: str,
    fact_id: int | None = None,
    revision: int | None = None,
) -> CaseView:
    """Take back a fact of the case (None: the newest); what was held before holds again.

    Raises
    ------
    ConflictError
        Taken back already, or "the newest" is another by now.
    NotFoundError
        No such fact in this case, or none at all.
    """
    require(actor, "causes")
    check_key(key)
    with shop.database.write() as session:
        row = open_row(session, case_id)
        same = fact_of_key(session, row, key)
        if same is None:
            fact = _to_undo(session, row, fact_id, revision)
            touch = Touch("undo", fact.subject, frozenset(), undoes=fact.id)
            sheet = sheet_at(shop, session, row.torch.station_id)
            add_fact(shop, session, actor, row, sheet, key, touch, revision)
        elif same.kind != "undo" or fact_id not in (None, same.undoes):
            raise key_used("it told something else before")
    return read_case(shop, actor, case_id)


def _to_undo(
    session: Session, row: CauseCase, fact_id: int | None, revision: int | None
) -> CaseFact:
    facts = active_facts(session, row.id)
    if fact_id is None:
        refuse_stale(row, revision)
        if not facts:
            raise NotFoundError("undo", "nothing was recorded in this case", "nothing to do")
        return facts[-1]
    for fact in facts:
        if fact.id == fact_id:
            return fact
    there = session.get(CaseFact, fact_id)
    if there is None or there.case_id != row.id or there.kind == "undo":
        raise NotFoundError("undo", f"this case has no fact {fact_id}", "reload the page")
    raise ConflictError("undo", "it was taken back already", "look at what holds now")
