"""What is told of each finding, and by what: looks, the book's numbers, a case's own facts."""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.causes.from_bench import bench_signs, symptoms_from_bench
from pitwise.causes.readings import Reading, reading_log_ratio
from pitwise.records.case_tables import CaseFact, CauseCase
from pitwise.records.tables import DecisionRow, Fitting, InspectionRow, Look, Mark
from pitwise.services.case_book import PLAIN, BookTells, not_superseded
from pitwise.services.case_lines import EvidenceLine, Origin
from pitwise.services.record_chain import looked_at
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


_SEEN = ("seen", "slight", "much")


@dataclass(frozen=True)
class Item:
    """One thing told of one finding; later `order` wins.

    `pieces`: the part items it was told of, by part; empty where that is not known.
    """

    symptom: str
    order: tuple[dt.datetime, int]
    line: EvidenceLine
    reading: int | None = None
    pieces: Mapping[str, int | None] = field(default_factory=dict)

    @property
    def shows(self) -> bool:
        """Whether it says plainly that the finding is there."""
        ratio = self.line.log_ratio
        return self.line.state in _SEEN and (ratio is None or ratio >= PLAIN)

    def of_a_later_part(self, before: Item) -> bool:
        """Tell whether a look found nothing on a part fitted since it was seen on the one before.

        A part that is nearly new says nothing of what ate the one before it.
        """
        if self.line.inspection_id is None or self.shows or not before.shows:
            return False
        return any(
            old is not None and self.pieces.get(part) not in (None, old)
            for part, old in before.pieces.items()
        )


@dataclass
class Gathered:
    """What is gathered of all findings, from all that tells."""

    sheet: Sheet
    names: dict[int, str]
    opened_at: dt.datetime
    fittings: tuple[Fitting, ...] = ()
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
        pieces: Mapping[str, int | None] | None = None,
    ) -> None:
        """Take one thing told of one finding."""
        row = self.sheet.symptom(symptom)
        if pieces is None:
            pieces = {p: self.fitted(p, at) for p in self.parts_of(symptom)}
        if inspection is not None:
            origin_words += age_words(at, self.opened_at)
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
        self.items.append(Item(symptom, (at, fact or 0), line, reading, pieces))

    def parts_of(self, symptom: str) -> tuple[str, ...]:
        """Return the parts a finding is seen on, by the bench's findings that show it."""
        bench = self.sheet.symptom(symptom).bench
        return tuple(dict.fromkeys(name.partition("/")[0] for name in bench))

    def fitted(self, part: str, at: dt.datetime) -> int | None:
        """Return the part item that sat in the torch at a moment."""
        for row in self.fittings:
            if (
                row.part == part
                and row.fitted_at <= at
                and not (row.removed_at is not None and row.removed_at <= at)
            ):
                return row.part_item_id
        return None

    def newest(self) -> dict[str, Item]:
        """Return what holds of each finding, with what it replaced."""
        told: dict[str, list[Item]] = {}
        for item in sorted(self.items, key=lambda x: x.order):
            told.setdefault(item.symptom, []).append(item)
        out = {}
        for symptom, items in told.items():
            last, older = items[0], list[str]()
            for item in items[1:]:
                if item.of_a_later_part(last):
                    words = f"{item.line.words} (on a part fitted since)"
                    older.insert(0, f"{item.line.origin_words}: {words}")
                else:
                    older.insert(0, f"{last.line.origin_words}: {last.line.words}")
                    last = item
            out[symptom] = replace(last, line=replace(last.line, older=tuple(older)))
        return out


def age_words(at: dt.datetime, opened_at: dt.datetime) -> str:
    """Say how old a look was when the case was opened; a day or less goes without saying."""
    days = (opened_at - at).days
    return f", {days} days before the case" if days > 1 else ""


def fittings_of(session: Session, torch_id: int) -> tuple[Fitting, ...]:
    """Return what was fitted in a torch, newest first."""
    query = (
        select(Fitting)
        .where(Fitting.torch_id == torch_id, Fitting.void.is_(False))
        .order_by(Fitting.fitted_at.desc(), Fitting.id.desc())
    )
    return tuple(session.scalars(query))


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
        items = {
            d.part: d.part_item_id
            for d in session.scalars(select(DecisionRow).where(DecisionRow.inspection_id == row.id))
        }
        for symptom, state in symptoms_from_bench(told.sheet, looks).items():
            about = told.parts_of(symptom)
            if state != "absent":
                shown = {p: marks.get(p, (set(), set()))[0] for p in about}
                bench = told.sheet.symptom(symptom).bench
                about = tuple(p for p in about if any(f"{p}/{f}" in bench for f in shown[p]))
            told.add(
                symptom,
                state,
                STATE_WORDS[state],
                "inspection",
                f"Inspection {row.id}",
                at,
                by=told.names.get(row.signed_by or 0, "?"),
                inspection=row.id,
                pieces={p: items.get(p) for p in about},
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
    for fact in tells.facts:
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
            pieces={PIT_PART: fact.item_id},
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
