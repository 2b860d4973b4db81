"""What a case holds: looks of signed inspections, facts out of the book, and its own touches.

Of every finding the newest holds. Inspections count from the one the case was opened after;
where one was corrected, the correction counts in its place, at its time.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.causes.observe import Observations
from pitwise.causes.readings import Reading
from pitwise.records.case_tables import CaseFact, CauseCase
from pitwise.records.tables import Person
from pitwise.services.case_book import PLAIN, book_tells
from pitwise.services.case_gate import finding_gate
from pitwise.services.case_items import (
    Gathered,
    Item,
    active_facts,
    fittings_of,
    from_bench,
    from_book,
    from_facts,
    inspections_of,
)
from pitwise.services.case_lines import Ask, EvidenceLine, NotLooked, RecordedCheck, TriedLine
from pitwise.trade.model import PART_SLUGS, Sheet

_CAPS = ("shield-cap", "retaining-cap")


@dataclass(frozen=True)
class CaseHeld:
    """All a case holds, as it is shown and as it is kept at closing.

    Attributes
    ----------
    evidence : tuple of EvidenceLine
    not_looked : tuple of NotLooked
    asks : tuple of Ask
        Answered contradictions; open ones come out of the diagnosis.
    recorded : tuple of RecordedCheck
    readings : mapping of str to str
        The newest reading of each kind, as typed.
    context : mapping of str to str
    inspections : tuple of int
    looked : mapping of str to bool
        What it would teach: findings looked at by an inspection or a check, or told by a reading
        or the book, and whether they were seen.
    done : tuple of str
        Checks done, the bench's own among them.
    tried : tuple of TriedLine
        Remedies tried that did not help, newest first.
    last_fact_id : int or None
    """

    evidence: tuple[EvidenceLine, ...]
    not_looked: tuple[NotLooked, ...]
    asks: tuple[Ask, ...]
    recorded: tuple[RecordedCheck, ...]
    readings: Mapping[str, str]
    context: Mapping[str, str]
    inspections: tuple[int, ...]
    looked: Mapping[str, bool]
    done: tuple[str, ...]
    tried: tuple[TriedLine, ...]
    last_fact_id: int | None


@dataclass(frozen=True)
class Held:
    """What a case holds, with what the rules make of it."""

    case: CaseHeld
    observations: Observations


def gather(session: Session, sheet: Sheet, case: CauseCase) -> Held:
    """Put together all that a case holds.

    Parameters
    ----------
    session : Session
    sheet : Sheet
        In force at the torch's station.
    case : CauseCase

    Returns
    -------
    Held
    """
    names = {p.id: p.name for p in session.scalars(select(Person))}
    facts = active_facts(session, case.id)
    inspections = inspections_of(session, case)
    tells = book_tells(session, sheet, inspections)
    all_told = Gathered(sheet, names, case.opened_at, fittings_of(session, case.torch_id))
    looked_parts, told_nothing = from_bench(session, all_told, inspections)
    from_book(session, all_told, tells, inspections)
    from_facts(all_told, facts)
    winners = all_told.newest()
    done = _done(sheet, facts, looked_parts)
    tried = _tried(sheet, facts, names)
    context = _context(sheet, case, facts)
    answers = _answers(sheet, facts, winners, names)
    readings = _newest_readings(sheet, facts)
    evidence = tuple(winners[s.id].line for s in sheet.symptoms if s.id in winners)
    missing = tuple(
        NotLooked(
            s.id,
            s.where,
            s.text,
            tells.missing.get(s.id, ""),
            (gate := finding_gate(sheet, (s.id,))).who,
            gate.caution,
        )
        for s in sheet.symptoms
        if s.id not in winners
    )
    held = CaseHeld(
        evidence,
        missing,
        answers,
        _recorded(sheet, facts, names),
        {k: f"{f.text} {f.unit}" for k, f in readings.items()},
        context,
        tuple(r.id for r in inspections),
        _looked(evidence),
        done,
        tried,
        facts[-1].id if facts else None,
    )
    return Held(held, _observations(sheet, held, winners, readings, told_nothing))


def _newest_readings(sheet: Sheet, facts: list[CaseFact]) -> dict[str, CaseFact]:
    known = {r.id for r in sheet.readings}
    return {f.subject: f for f in facts if f.kind == "reading" and f.subject in known}


def _recorded(
    sheet: Sheet, facts: list[CaseFact], names: dict[int, str]
) -> tuple[RecordedCheck, ...]:
    checks = {c.id: c.name for c in sheet.checks}
    texts = {s.id: s.text for s in sheet.symptoms}
    return tuple(
        RecordedCheck(
            f.id,
            f.subject,
            checks.get(f.subject, f.subject),
            tuple((texts.get(k, k), v) for k, v in json.loads(f.results or "{}").items()),
            names.get(f.by, "?"),
            f.done_by,
            f.at,
        )
        for f in reversed(facts)
        if f.kind == "check"
    )


def _tried(sheet: Sheet, facts: list[CaseFact], names: dict[int, str]) -> tuple[TriedLine, ...]:
    remedies = {r.id: r for r in sheet.remedies}
    causes = {c.id: c.name for c in sheet.causes}
    out = []
    for fact in reversed(facts):
        if fact.kind == "tried" and fact.subject in remedies:
            row = remedies[fact.subject]
            out.append(
                TriedLine(
                    fact.id,
                    row.id,
                    row.text,
                    row.cause,
                    causes[row.cause],
                    names.get(fact.by, "?"),
                    fact.done_by,
                    fact.at,
                )
            )
    return tuple(out)


def _place_parts(where: str) -> frozenset[str] | None:
    """Return the parts a bench look at a place needs; None: the bench can't look there."""
    if where == "caps":
        return frozenset(_CAPS)
    if where == "o-rings":
        return frozenset(PART_SLUGS)
    return frozenset({where}) if where in PART_SLUGS else None


def _done(sheet: Sheet, facts: list[CaseFact], looked: list[frozenset[str]]) -> tuple[str, ...]:
    """Return the checks done: recorded, or done by an inspection that looked at all their parts."""
    by_hand = {f.subject for f in facts if f.kind == "check"}
    out = []
    for check in sheet.checks:
        if check.id in by_hand:
            out.append(check.id)
        elif check.bench:
            places = [_place_parts(sheet.symptom(s).where) for s in check.reveals]
            wanted = frozenset().union(*(p for p in places if p is not None))
            if None not in places and any(wanted <= parts for parts in looked):
                out.append(check.id)
    return tuple(out)


def _context(sheet: Sheet, case: CauseCase, facts: list[CaseFact]) -> dict[str, str]:
    """Return what is known of the torch beside findings; typed words go before the book's."""
    coolant = case.torch.station.coolant
    known = sheet.coolant(coolant) if coolant else None
    words = {
        "coolant": known.id if known is not None else coolant,
        "material": case.process.material,
        "plasma_gas": case.process.plasma_gas,
        "shield_gas": case.process.shield_gas,
    }
    out = {k: v for k, v in words.items() if v}
    out |= {f.subject: f.text for f in facts if f.kind == "context"}
    return out


def _answers(
    sheet: Sheet, facts: list[CaseFact], winners: dict[str, Item], names: dict[int, str]
) -> tuple[Ask, ...]:
    """Return the answers that stand: given after the newest of the facts they are about."""
    conflicts = {c.id: c for c in sheet.conflicts}
    out: dict[str, Ask] = {}
    for fact in facts:
        row = conflicts.get(fact.subject)
        if fact.kind != "answer" or row is None:
            continue
        symptoms = tuple(t.symptom for t in row.terms if t.symptom is not None)
        if any(winners[s].order > (fact.at, fact.id) for s in symptoms if s in winners):
            out.pop(row.id, None)
            continue
        out[row.id] = Ask(
            row.id,
            row.say,
            row.ask,
            symptoms,
            fact.text,
            names.get(fact.by, "?"),
            fact.at,
            fact.id,
            finding_gate(sheet, symptoms).caution,
        )
    return tuple(out.values())


def _looked(evidence: tuple[EvidenceLine, ...]) -> dict[str, bool]:
    """Return the findings that teach: looked at, or told clearly by a reading or a model.

    A finding touched by itself does not: what is complained of is told because it is there, and
    what is not goes untold, so such tellings would teach that every sign is always seen.
    """
    out = {}
    for line in evidence:
        if line.state == "none" or line.origin == "person":
            continue
        if line.log_ratio is None:
            out[line.symptom] = line.state != "absent"
        elif abs(line.log_ratio) >= PLAIN:
            out[line.symptom] = line.log_ratio > 0
    return out


def _observations(
    sheet: Sheet,
    held: CaseHeld,
    winners: dict[str, Item],
    readings: dict[str, CaseFact],
    told_nothing: tuple[str, ...],
) -> Observations:
    findings = {
        k: x.line.state
        for k, x in winners.items()
        if x.line.log_ratio is None and x.line.state != "none"
    }
    ratios = {
        k: x.line.log_ratio
        for k, x in winners.items()
        if x.line.log_ratio is not None and x.reading is None
    }
    given: dict[str, Reading] = {}
    for kind_id, fact in readings.items():
        kind = sheet.reading(kind_id)
        feeds = {
            f.symptom
            for f in kind.feeds
            if (kind.low if f.beyond == "low" else kind.high) is not None
        }
        holds = {s for s in feeds if s in winners and winners[s].reading == fact.id}
        # A finding told by both ends is joined here, where either end is enough.
        if holds == feeds and len({f.symptom for f in kind.feeds}) == len(kind.feeds):
            given[kind_id] = Reading(fact.value or 0.0, fact.unit or kind.unit)
            continue
        # Something newer is known of the other end: what is left of the reading goes alone.
        for symptom in holds:
            ratio = winners[symptom].line.log_ratio
            if ratio is not None:
                ratios[symptom] = ratio
    return Observations(
        findings,
        given,
        ratios,
        held.context,
        frozenset(a.id for a in held.asks),
        frozenset(held.done),
        _ruled_out(sheet, held),
        told_nothing,
    )


def _ruled_out(sheet: Sheet, held: CaseHeld) -> frozenset[str]:
    """Return the causes all of whose remedies were tried in vain; one alone rules out little."""
    tried = {t.remedy for t in held.tried}
    return frozenset(c.id for c in sheet.causes if {r.id for r in sheet.remedies_of(c.id)} <= tried)
