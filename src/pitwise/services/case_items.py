"""What is told of each finding, and by what: looks, the book's numbers, a case's own facts."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.causes.from_bench import bench_signs, symptoms_from_bench
from pitwise.causes.readings import Reading, reading_log_ratio
from pitwise.records.case_tables import CaseFact, CauseCase
from pitwise.records.tables import InspectionRow, Look, Mark
from pitwise.services.case_book import BookTells, looked_at, not_superseded
from pitwise.services.case_view import EvidenceLine, Origin
from pitwise.trade.cause_rows import ReadingKind
from pitwise.trade.model import Sheet
from pitwise.trade.units import UnitError

STATE_WORDS = {
    "seen": "seen",
    "absent": "looked for, not there",
    "slight": "seen, slight",
    "much": "seen, much",
    "none": "not looked at after all",
}


@dataclass(frozen=True)
class Item:
    """One thing told of one finding; later `order` wins."""

    symptom: str
    order: tuple[dt.datetime, int]
    line: EvidenceLine
    reading: int | None = None


@dataclass
class Gathered:
    """What is gathered of all findings, from all that tells."""

    sheet: Sheet
    names: dict[int, str]
    items: list[Item] = field(default_factory=list)

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
        """Take one thing told of one finding."""
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
        self.items.append(Item(symptom, (at, fact or 0), line, reading))

    def newest(self) -> dict[str, Item]:
        """Return what holds of each finding, with what it replaced."""
        told: dict[str, list[Item]] = {}
        for item in sorted(self.items, key=lambda x: x.order):
            told.setdefault(item.symptom, []).append(item)
        out = {}
        for symptom, items in told.items():
            *old, last = items
            older = tuple(f"{x.line.origin_words}: {x.line.words}" for x in reversed(old))
            values = {**last.line.__dict__, "older": older}
            out[symptom] = Item(symptom, last.order, EvidenceLine(**values), last.reading)
        return out


def active_facts(session: Session, case_id: int) -> list[CaseFact]:
    """Return the facts of a case that were not taken back, oldest first."""
    rows = session.scalars(
        select(CaseFact).where(CaseFact.case_id == case_id).order_by(CaseFact.id)
    ).all()
    undone = {r.undoes for r in rows}
    return [r for r in rows if r.kind != "undo" and r.id not in undone]


def inspections_of(session: Session, case: CauseCase) -> list[InspectionRow]:
    """Return the inspections a case goes by, newest first: those since, and the one before.

    A case that was reopened for what was known goes by no later one than it did.
    """
    out = []
    for row in not_superseded(session, case.torch_id):
        at = looked_at(session, row)
        if case.looks_until is not None and at > case.looks_until:
            continue
        out.append(row)
        if at < case.opened_at:
            break
    return out


def from_bench(
    session: Session, told: Gathered, inspections: list[InspectionRow]
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


def from_book(
    session: Session, told: Gathered, tells: BookTells, inspections: list[InspectionRow]
) -> None:
    """Add what the book's numbers tell."""
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


def from_facts(told: Gathered, facts: list[CaseFact]) -> None:
    """Add what was told in the case itself."""
    sheet = told.sheet
    symptoms = {s.id for s in sheet.symptoms}
    kinds = {r.id: r for r in sheet.readings}
    checks = {c.id: c.name for c in sheet.checks}
    for fact in facts:
        by = fact.done_by or told.names.get(fact.by, "?")
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
                        by=by,
                        fact=fact.id,
                    )
        elif fact.kind == "reading" and fact.subject in kinds:
            _from_reading(told, kinds[fact.subject], fact, by)


def _from_reading(told: Gathered, kind: ReadingKind, fact: CaseFact, by: str) -> None:
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
