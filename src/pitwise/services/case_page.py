"""A case as its page shows it: what it holds, what the rules make of it, what can be done."""

from __future__ import annotations

import hashlib
import json
import threading
from collections import OrderedDict
from dataclasses import replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.causes.diagnose import diagnose
from pitwise.causes.diagnosis import Diagnosis, Flag, Step
from pitwise.causes.learn import Learnt
from pitwise.causes.network import NetworkError
from pitwise.causes.observe import Observations
from pitwise.causes.remedy import first_remedy, plainly_absent
from pitwise.records.audit import canonical
from pitwise.records.case_tables import CaseCause, CauseCase
from pitwise.records.tables import Person, UsedSheet
from pitwise.services.case_evidence import CaseHeld, gather
from pitwise.services.case_gate import finding_gate, reading_gate
from pitwise.services.case_lines import (
    Ask,
    CheckFinding,
    CheckForm,
    ContextField,
    FactState,
    ReadingField,
    RemedyLine,
)
from pitwise.services.case_view import CaseView, Closing, LastClosing
from pitwise.services.cure_view import ClosedCause
from pitwise.services.cures import cure_of
from pitwise.services.learning import learnt_in_force, taught
from pitwise.services.permissions import Actor, may
from pitwise.services.plain_rows import from_plain, to_plain
from pitwise.services.ranges import newest_ranges, reading_field, sheet_at
from pitwise.services.shopfloor import Shop
from pitwise.trade.cause_rows import Remedy
from pitwise.trade.model import Sheet

_MOST_KEPT = 64
_made: OrderedDict[str, Diagnosis] = OrderedDict()
_lock = threading.Lock()


def diagnosis_of(session: Session, sheet: Sheet, observations: Observations) -> Diagnosis:
    """Diagnose with the learnt numbers in force; the same again is not reckoned again."""
    rows = taught(session)
    told = canonical([sheet.sha256, to_plain(observations), rows.text])
    key = hashlib.sha256(told.encode()).hexdigest()
    with _lock:
        if key in _made:
            _made.move_to_end(key)
            return _made[key]
    made = _diagnosed(sheet, observations, learnt_in_force(session, sheet))
    with _lock:
        _made[key] = made
        while len(_made) > _MOST_KEPT:
            _made.popitem(last=False)
    return made


def _diagnosed(sheet: Sheet, observed: Observations, learnt: Learnt | None) -> Diagnosis:
    """Diagnose; what can't be ranked is said, beside the usual rates alone."""
    try:
        return diagnose(sheet, observed, learnt=learnt)
    except NetworkError as error:
        mend = error.mend[:1].upper() + error.mend[1:]
        words = f"No ranking: {error.problem}. Below are the usual rates alone. {mend}."
    bare_of = Observations(context=observed.context, done=observed.done)
    bare = diagnose(sheet, bare_of, learnt=learnt)
    known = {*observed.findings, *observed.log_ratios}
    known |= {f.symptom for r in observed.readings for f in sheet.reading(r).feeds}
    return replace(
        bare,
        step=Step("none", "", "", words),
        flags=(Flag("no-ranking", words),),
        looked=tuple(s.id for s in sheet.symptoms if s.id in known),
        not_looked=tuple(s.id for s in sheet.symptoms if s.id not in known),
    )


def held_and_diagnosis(
    shop: Shop, session: Session, case: CauseCase
) -> tuple[Sheet, CaseHeld, Diagnosis, int]:
    """Return what a case stands on: as kept when it was closed or discarded, else as it is now.

    Returns
    -------
    sheet : Sheet
        In force at the station now.
    held : CaseHeld
    diagnosis : Diagnosis
    learnt_from : int
    """
    sheet = sheet_at(shop, session, case.torch.station_id)
    if case.state != "open" and case.held is not None and case.diagnosis is not None:
        kept = json.loads(case.held)
        return (
            sheet,
            from_plain(CaseHeld, kept["case"]),
            from_plain(Diagnosis, json.loads(case.diagnosis)),
            int(kept["learnt_from"]),
        )
    held = gather(session, sheet, case)
    diagnosis = diagnosis_of(session, sheet, held.observations)
    diagnosis = _next_remedy(sheet, held.case, diagnosis)
    return sheet, held.case, diagnosis, len(taught(session).rows)


def _next_remedy(sheet: Sheet, held: CaseHeld, diagnosis: Diagnosis) -> Diagnosis:
    """Have the step try the cause's next remedy where its first was tried in vain."""
    step = diagnosis.step
    tried = {t.remedy for t in held.tried}
    if step.do != "try" or step.id not in tried:
        return diagnosis
    looked = {e.symptom: e for e in held.evidence}
    absent = plainly_absent(
        {k: e.state for k, e in looked.items() if e.log_ratio is None and e.state != "none"},
        {k: e.log_ratio for k, e in looked.items() if e.log_ratio is not None},
    )
    left = first_remedy(sheet, step.cause, absent, tried)
    if left is None:
        return diagnosis
    who = "" if left.who == "technician" else f" For the {left.who}."
    why = f"{step.why} What was tried first did not help: now this.{who}"
    return replace(diagnosis, step=replace(step, id=left.id, why=why))


def case_view(shop: Shop, session: Session, actor: Actor, case: CauseCase) -> CaseView:
    """Return a case for its page."""
    sheet, held, diagnosis, learnt_from = held_and_diagnosis(shop, session, case)
    names = {p.id: p.name for p in session.scalars(select(Person))}
    own = newest_ranges(session, case.torch.station_id)
    readings = tuple(
        reading_field(k, own.get(k.id), held.readings.get(k.id, ""), reading_gate(sheet, k.id))
        for k in sheet.readings
    )
    closing = _closing(session, sheet, case, names)
    cure = cure_of(shop, session, case.id) if closing else None
    used = session.get(UsedSheet, case.sheet_sha256) if case.sheet_sha256 else None
    return CaseView(
        id=case.id,
        revision=case.revision,
        state=case.state,  # type: ignore[arg-type]  # held to the three by the table
        torch_id=case.torch_id,
        torch=case.torch.name,
        station_id=case.torch.station_id,
        station=case.torch.station.name,
        process=case.process.name,
        coolant=case.torch.station.coolant or "",
        context=held.context,
        complaint=case.complaint,
        note=case.note,
        opened_by=names.get(case.opened_by, "?"),
        opened_at=case.opened_at,
        after_inspection=case.after_inspection,
        inspections=held.inspections,
        evidence=held.evidence,
        not_looked=held.not_looked,
        diagnosis=diagnosis,
        asks=_asks(sheet, held, diagnosis),
        checks=check_forms(sheet, held, diagnosis, readings),
        recorded=held.recorded,
        readings=readings,
        remedies=_remedies(sheet, diagnosis),
        tried=held.tried,
        context_fields=_context_fields(sheet, held, case),
        last_fact_id=held.last_fact_id if case.state == "open" else None,
        closing=closing,
        did_not_hold=cure.did_not_hold if cure is not None else "",
        may_close=may(actor, "close-cause") and case.state == "open",
        may_touch=may(actor, "causes") and case.state == "open",
        sheet_version=used.version if used is not None else sheet.version,
        sheet_sha256=case.sheet_sha256 or sheet.sha256,
        learnt_from=learnt_from,
        cure=cure,
        last_closing=from_plain(LastClosing, json.loads(case.last_closing))
        if case.state == "open" and case.last_closing is not None
        else None,
    )


def _asks(sheet: Sheet, held: CaseHeld, diagnosis: Diagnosis) -> tuple[Ask, ...]:
    """Return what is still to answer, then the answers that stand and still are about something."""
    open_ = [
        Ask(f.code, f.text, f.ask, f.symptoms, caution=finding_gate(sheet, f.symptoms).caution)
        for f in diagnosis.flags
        if f.ask and not f.answered
    ]
    return (*open_, *held.asks)


def check_forms(
    sheet: Sheet, held: CaseHeld, diagnosis: Diagnosis, readings: tuple[ReadingField, ...]
) -> tuple[CheckForm, ...]:
    """Return every check: next ones first, the rest in the sheet's order."""
    states: dict[str, FactState] = {e.symptom: e.state for e in held.evidence}
    told = {e.symptom: e.words for e in held.evidence if e.log_ratio is not None}
    done = set(held.done)
    by_next = {n.check: n for n in diagnosis.next}
    names = {c.id: c.name for c in sheet.checks}
    forms = {}
    for check in sheet.checks:
        findings = tuple(
            CheckFinding(
                s.id,
                s.where,
                s.text,
                s.kind,
                states.get(s.id, "none"),
                told.get(s.id, ""),
                (gate := finding_gate(sheet, (s.id,))).who,
                gate.caution,
            )
            for s in map(sheet.symptom, check.reveals)
        )
        tells = set(check.reveals)
        nxt = by_next.get(check.id)
        forms[check.id] = CheckForm(
            check.id,
            check.name,
            check.minutes,
            check.isolated,
            check.who,
            check.caution,
            nxt.gain_bits if nxt is not None else None,
            findings,
            tuple(r for r in readings if tells & set(r.feeds)),
            tuple(names[i] for i in check.after if i not in done),
            check.id in done,
            check.bench,
        )
    first = [n.check for n in diagnosis.next if n.check in forms]
    return tuple(forms[i] for i in (*first, *(i for i in forms if i not in by_next)))


def remedy_line(sheet: Sheet, row: Remedy) -> RemedyLine:
    """Return a remedy as it is shown."""
    return RemedyLine(
        row.id,
        row.cause,
        sheet.cause(row.cause).name,
        row.text,
        row.minutes,
        row.isolated,
        row.who,
        row.caution,
        tuple(row.parts),
        sheet.remedies_of(row.cause)[0].id == row.id,
    )


def _remedies(sheet: Sheet, diagnosis: Diagnosis) -> tuple[RemedyLine, ...]:
    place = {c.id: k for k, c in enumerate(diagnosis.causes)}
    rows = sorted(sheet.remedies, key=lambda r: place.get(r.cause, len(place)))
    return tuple(remedy_line(sheet, r) for r in rows)


def _context_fields(sheet: Sheet, held: CaseHeld, case: CauseCase) -> tuple[ContextField, ...]:
    values: dict[str, dict[str, None]] = {}
    for conflict in sheet.conflicts:
        for term in conflict.terms:
            if term.key is not None:
                values.setdefault(term.key, {})[str(term.value)] = None
    book = {
        "coolant": case.torch.station.coolant,
        "material": case.process.material,
        "plasma_gas": case.process.plasma_gas,
        "shield_gas": case.process.shield_gas,
    }
    return tuple(
        ContextField(k, tuple(values[k]), held.context.get(k, ""), bool(book.get(k)))
        for k in sheet.context_keys
    )


def _closing(
    session: Session, sheet: Sheet, case: CauseCase, names: dict[int, str]
) -> Closing | None:
    if case.state != "closed" or case.closed_at is None:
        return None
    causes = {c.id: c.name for c in sheet.causes}
    rows = session.scalars(
        select(CaseCause).where(CaseCause.case_id == case.id).order_by(CaseCause.cause)
    )
    known = {r.id: r for r in sheet.remedies}
    return Closing(
        tuple(
            ClosedCause(r.cause, causes.get(r.cause, r.cause), r.certainty)  # type: ignore[arg-type]  # held by the table
            for r in rows
        ),
        case.certainty,  # type: ignore[arg-type]  # held by the table
        tuple(remedy_line(sheet, known[r]) for r in json.loads(case.remedies) if r in known),
        case.remedy_text,
        case.close_note,
        names.get(case.closed_by or 0, "?"),
        case.closed_at,
        case.done_by,
        case.came_back_at,
        names.get(case.came_back_by or 0, "") if case.came_back_by else "",
        case.came_back_note,
        case.cured_at,
        case.amended_at,
        names.get(case.amended_by or 0, "") if case.amended_by else "",
        case.amend_reason,
    )
