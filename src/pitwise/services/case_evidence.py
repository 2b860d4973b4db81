"""What a case holds: looks of signed inspections, facts out of the book, and its own touches.

Of every finding the newest holds. Inspections count from the one the case was opened after;
where one was corrected, the correction counts in its place, at its time.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.causes.from_bench import bench_signs, symptoms_from_bench
from pitwise.causes.observe import Observations
from pitwise.causes.readings import Reading, reading_log_ratio
from pitwise.records.case_tables import CaseFact, CauseCase
from pitwise.records.tables import InspectionRow, Look, Mark, Person
from pitwise.services.case_book import BookTells, book_tells, looked_at, not_superseded
from pitwise.services.case_view import (
    Ask,
    EvidenceLine,
    NotLooked,
    Origin,
    RecordedCheck,
    TriedLine,
)
from pitwise.trade.cause_rows import ReadingKind
from pitwise.trade.model import PART_SLUGS, Sheet
from pitwise.trade.units import UnitError

STATE_WORDS = {
    "seen": "seen",
    "absent": "looked for, not there",
    "slight": "seen, slight",
    "much": "seen, much",
    "none": "not looked at after all",
}
# A reading or a forecast teaches only where it is decisive (our own choice, no source).
_TEACHES = math.log(4.0)
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
        What it would teach: findings looked at, and whether they were seen.
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


@dataclass(frozen=True)
class _Item:
    """One thing told of one finding; later `order` wins."""

    symptom: str
    order: tuple[dt.datetime, int]
    line: EvidenceLine
    reading: int | None = None


@dataclass
class _Gathered:
    sheet: Sheet
    names: dict[int, str]
    items: list[_Item] = field(default_factory=list)

    def add(
        self,
        symptom: str,
        state: str,
        words: str,
        origin: Origin,
        origin_words: str,
        at: dt.datetime,
        *,
        by: str = "",
        inspection: int | None = None,
        fact: int | None = None,
        log_ratio: float | None = None,
    ) -> None:
        row = self.sheet.symptom(symptom)
        line = EvidenceLine(
            symptom,
            row.where,
            row.text,
            state,  # type: ignore[arg-type]  # one of the five, by the tables and the rules
            words,
            origin,
            origin_words,
            inspection,
            by,
            at,
            fact,
            (),
            log_ratio,
        )
        reading = fact if origin == "reading" else None
        self.items.append(_Item(symptom, (at, fact or 0), line, reading))

    def newest(self) -> dict[str, _Item]:
        """Return what holds of each finding, with what it replaced."""
        told: dict[str, list[_Item]] = {}
        for item in sorted(self.items, key=lambda x: x.order):
            told.setdefault(item.symptom, []).append(item)
        out = {}
        for symptom, items in told.items():
            *old, last = items
            older = tuple(f"{x.line.origin_words}: {x.line.words}" for x in reversed(old))
            values = {**last.line.__dict__, "older": older}
            out[symptom] = _Item(symptom, last.order, EvidenceLine(**values), last.reading)
        return out


def active_facts(session: Session, case_id: int) -> list[CaseFact]:
    """Return the facts of a case that were not taken back, oldest first."""
    rows = session.scalars(
        select(CaseFact).where(CaseFact.case_id == case_id).order_by(CaseFact.id)
    ).all()
    undone = {r.undoes for r in rows}
    return [r for r in rows if r.kind != "undo" and r.id not in undone]


def inspections_of(session: Session, case: CauseCase) -> list[InspectionRow]:
    """Return the inspections a case goes by, newest first: those since, and the one before."""
    out = []
    for row in not_superseded(session, case.torch_id):
        out.append(row)
        if looked_at(session, row) < case.opened_at:
            break
    return out


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
    all_told = _Gathered(sheet, names)
    looked_parts, told_nothing = _from_bench(session, all_told, inspections)
    _from_book(session, all_told, tells, inspections)
    _from_facts(all_told, facts)
    winners = all_told.newest()
    done = _done(sheet, facts, looked_parts)
    tried = _tried(sheet, facts, names)
    context = _context(sheet, case, facts)
    answers = _answers(sheet, facts, winners, names)
    readings = _newest_readings(sheet, facts)
    evidence = tuple(winners[s.id].line for s in sheet.symptoms if s.id in winners)
    missing = tuple(
        NotLooked(s.id, s.where, s.text, tells.missing.get(s.id, ""))
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


def _from_bench(
    session: Session, told: _Gathered, inspections: list[InspectionRow]
) -> tuple[list[frozenset[str]], tuple[str, ...]]:
    """Add the looks; return the parts looked at in each, and what the newest saw for nothing."""
    parts: list[frozenset[str]] = []
    nothing: tuple[str, ...] = ()
    signs = bench_signs(told.sheet)
    for number, row in enumerate(inspections):
        marks: dict[str, tuple[set[str], set[str]]] = {}
        seen_for_nothing = []
        for mark in session.scalars(select(Mark).where(Mark.inspection_id == row.id)):
            seen, absent = marks.setdefault(mark.part, (set(), set()))
            (seen if mark.state == "seen" else absent).add(mark.finding)
            if mark.state == "seen" and f"{mark.part}/{mark.finding}" not in signs:
                seen_for_nothing.append(f"{mark.part}/{mark.finding}")
        whole = {
            look.part
            for look in session.scalars(select(Look).where(Look.inspection_id == row.id))
            if look.looked
        }
        looks = {
            part: (*marks.get(part, (set(), set())), part in whole) for part in {*marks, *whole}
        }
        at = looked_at(session, row)
        for symptom, state in symptoms_from_bench(told.sheet, looks).items():
            told.add(
                symptom,
                state,
                STATE_WORDS[state],
                "inspection",
                f"Inspection {row.id}",
                at,
                by=told.names.get(row.signed_by or 0, "?"),
                inspection=row.id,
            )
        parts.append(frozenset(whole))
        if number == 0:
            nothing = tuple(sorted(seen_for_nothing))
    return parts, nothing


def _from_book(
    session: Session, told: _Gathered, tells: BookTells, inspections: list[InspectionRow]
) -> None:
    rows = {r.id: r for r in inspections}
    for fact in tells.facts.values():
        row = rows[fact.inspection_id]
        source = "The wear forecast" if fact.origin == "forecast" else "Lives in the book"
        told.add(
            fact.symptom,
            "seen" if fact.log_ratio > 0 else "absent",
            fact.words,
            fact.origin,
            f"{source}, inspection {row.id}",
            looked_at(session, row),
            by=told.names.get(row.signed_by or 0, "?"),
            inspection=row.id,
            log_ratio=fact.log_ratio,
        )


def range_words(kind: ReadingKind) -> str:
    """Say a range: "range from 3 to 6 l/min"."""
    low = "" if kind.low is None else f" from {kind.low:g}"
    high = "" if kind.high is None else f" to {kind.high:g}"
    return f"range{low}{high} {kind.unit}" if low or high else "no range set"


def _from_facts(told: _Gathered, facts: list[CaseFact]) -> None:
    sheet = told.sheet
    symptoms = {s.id for s in sheet.symptoms}
    kinds = {r.id: r for r in sheet.readings}
    checks = {c.id: c.name for c in sheet.checks}
    for fact in facts:
        by = told.names.get(fact.by, "?")
        if fact.kind == "finding" and fact.subject in symptoms:
            state = fact.state or "none"
            told.add(
                fact.subject,
                state,
                STATE_WORDS[state],
                "person",
                f"Told by {by}",
                fact.at,
                by=by,
                fact=fact.id,
            )
        elif fact.kind == "check":
            name = checks.get(fact.subject, fact.subject)
            for symptom, state in json.loads(fact.results or "{}").items():
                if symptom in symptoms:
                    told.add(
                        symptom,
                        state,
                        STATE_WORDS[state],
                        "check",
                        name,
                        fact.at,
                        by=fact.done_by or by,
                        fact=fact.id,
                    )
        elif fact.kind == "reading" and fact.subject in kinds:
            _from_reading(told, kinds[fact.subject], fact, by)


def _from_reading(told: _Gathered, kind: ReadingKind, fact: CaseFact, by: str) -> None:
    told_by = reading_tells(kind, fact)
    for symptom, ratio in told_by.items():
        told.add(
            symptom,
            "seen" if ratio > 0 else "absent",
            f"{fact.text} {fact.unit}; {range_words(kind)}",
            "reading",
            kind.name,
            fact.at,
            by=by,
            fact=fact.id,
            log_ratio=ratio,
        )


def reading_tells(kind: ReadingKind, fact: CaseFact) -> dict[str, float]:
    """Return what a reading says of each finding whose end of the range is set.

    A finding told by both ends ("speed not as the chart") is there when either is passed.
    """
    reading = Reading(fact.value or 0.0, fact.unit or kind.unit)
    out: dict[str, float] = {}
    for feed in kind.feeds:
        try:
            ratio = reading_log_ratio(kind, reading, feed, math.inf)
        except UnitError:
            # The sheet's unit was changed since; it can't be compared any more.
            continue
        if ratio is not None:
            out[feed.symptom] = max(ratio, out.get(feed.symptom, -math.inf))
    return out


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
    sheet: Sheet, facts: list[CaseFact], winners: dict[str, _Item], names: dict[int, str]
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
        )
    return tuple(out.values())


def _looked(evidence: tuple[EvidenceLine, ...]) -> dict[str, bool]:
    """Return the findings that teach: looked at, or told clearly by a reading or a model."""
    out = {}
    for line in evidence:
        if line.state == "none":
            continue
        if line.log_ratio is None:
            out[line.symptom] = line.state != "absent"
        elif abs(line.log_ratio) >= _TEACHES:
            out[line.symptom] = line.log_ratio > 0
    return out


def _observations(
    sheet: Sheet,
    held: CaseHeld,
    winners: dict[str, _Item],
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
