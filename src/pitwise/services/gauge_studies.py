"""Gauge studies: people measure numbered parts in turn, and nobody sees a value until the end.

While a study is open its values are shown to nobody: who has seen one reading of a part reads
the next one like it. Every submission carries a key; the same key is one reading.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Iterable, Sequence
from decimal import Decimal

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.measure.depth import MM_PER_UNIT, Depth, ReadingError, parse_depth
from pitwise.records.photo_tables import GaugeStudyReading, GaugeStudyRow
from pitwise.records.tables import Gauge, Person
from pitwise.services.case_touch import key_used, person
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.gauge_study_view import (
    Doubt,
    GaugeNow,
    GaugeStudyView,
    LastTaken,
    PersonDone,
    StudyLine,
)
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shopfloor import Shop
from pitwise.services.study_order import Slot, next_slot, slots_of

MOST_PARTS, MOST_PEOPLE, MOST_TRIALS = 50, 8, 10
# A reading this many times beyond everything else read is asked about.
_FAR = 4


def study_row(session: Session, study_id: int) -> GaugeStudyRow:
    """Return a study's row."""
    row = session.get(GaugeStudyRow, study_id)
    if row is None:
        raise NotFoundError("study", f"there is no gauge study {study_id}", "choose from the list")
    return row


def open_study(session: Session, study_id: int) -> GaugeStudyRow:
    """Return the row of a study that still runs; refuse one that is over."""
    row = study_row(session, study_id)
    if row.state != "open":
        raise ConflictError("study", f"it is {row.state} already", "open its page again")
    return row


def people_of(row: GaugeStudyRow) -> tuple[str, ...]:
    """Return the names of those who measure, in the study's order."""
    return tuple(str(name) for name in json.loads(row.people))


def readings_of(session: Session, study_id: int) -> list[GaugeStudyReading]:
    """Return the readings that count, oldest first."""
    return list(
        session.scalars(
            select(GaugeStudyReading)
            .where(GaugeStudyReading.study_id == study_id, ~GaugeStudyReading.taken_out)
            .order_by(GaugeStudyReading.id)
        )
    )


def slot_of(reading: GaugeStudyReading) -> Slot:
    """Return which reading of the study it is."""
    return Slot(reading.person, reading.part, reading.trial)


def depth_of(reading: GaugeStudyReading) -> Depth:
    """Return a reading exactly as typed."""
    return parse_depth(reading.text, reading.unit)


def names_of(session: Session) -> dict[int, str]:
    """Return people's names by id."""
    return {p.id: p.name for p in session.scalars(select(Person))}


def gauge_now(session: Session, gauge_id: int | None) -> GaugeNow | None:
    """Return a gauge as it stands; None for a study without one."""
    gauge = session.get(Gauge, gauge_id) if gauge_id is not None else None
    if gauge is None:
        return None
    return GaugeNow(gauge.id, gauge.name, gauge.unit, gauge.u_mm, gauge.source)


def _size(place: str, number: int | None, low: int, high: int) -> int:
    if number is None or not low <= number <= high:
        raise ServiceError(place, f"{number} is out of range", f"give {low} to {high}")
    return number


def _people(names: Sequence[str]) -> list[str]:
    people = [clean_text("people", n, longest=60) for n in names if n.strip()]
    if not 1 <= len(people) <= MOST_PEOPLE:
        raise ServiceError(
            "people", f"{len(people)} are named", f"name 1 to {MOST_PEOPLE} who measure"
        )
    folded = [p.casefold() for p in people]
    twice = next((p for p in people if folded.count(p.casefold()) > 1), None)
    if twice is not None:
        raise ServiceError("people", f"'{twice}' is named twice", "tell the two apart by name")
    return people


def tolerance_of(text: str, unit: str) -> float | None:
    """Return a tolerance as typed in mm, or None for an empty field."""
    if not text.strip():
        return None
    try:
        given = parse_depth(text, unit)
    except ReadingError as error:
        # The depth's own words tell of zeroing a gauge: a width is typed off a sheet.
        said = text.strip()
        shown = f"{said[:20]}…" if len(said) > 20 else said
        if any(said.startswith(sign) for sign in "-−–"):
            problem, mend = f"'{shown}' is below zero", "give upper less lower limit, as 1.0 mm"
        else:
            problem = f"can't read '{shown}' as a width"
            mend = "write one number with its unit, as 1.0 mm or 40 thou"
        raise ServiceError("tolerance", problem, mend) from error
    if given.mm <= 0:
        raise ServiceError("tolerance", "is nothing", "give its width, such as 1.0 mm, or none")
    return float(given.mm)


def add_row(
    shop: Shop,
    session: Session,
    actor: Actor,
    *,
    key: str,
    name: str,
    gauge_id: int | None,
    unit: str,
    tolerance: str,
    parts: int | None,
    people: Sequence[str],
    trials: int | None,
    order_seed: int | None,
) -> GaugeStudyRow:
    """Check a new study's fields and add its row; the caller notes it in the trail."""
    if gauge_id is not None and session.get(Gauge, gauge_id) is None:
        raise NotFoundError("gauge", f"there is no gauge {gauge_id}", "choose from the list")
    if unit not in MM_PER_UNIT:
        raise ServiceError("unit", f"'{unit[:10]}' is not a unit", "use mm, thou or in")
    row = GaugeStudyRow(
        key=key,
        name=clean_text("name", name),
        gauge_id=gauge_id,
        unit=unit,
        tolerance_mm=tolerance_of(tolerance, unit),
        parts=_size("parts", parts, 2, MOST_PARTS),
        trials=_size("rounds", trials, 2, MOST_TRIALS),
        people=json.dumps(_people(people), ensure_ascii=False),
        order_seed=secrets.randbelow(2**31) if order_seed is None else order_seed,
        state="open",
        opened_by=person(actor),
        opened_at=shop.clock(),
    )
    session.add(row)
    session.flush()
    return row


def start(
    shop: Shop,
    actor: Actor,
    *,
    key: str,
    name: str,
    gauge_id: int | None,
    unit: str,
    people: Sequence[str],
    parts: int | None = 10,
    trials: int | None = 3,
    tolerance: str = "",
    order_seed: int | None = None,
) -> int:
    """Start a crossed gauge study.

    Parameters
    ----------
    shop, actor
    key : str
        Made on the tablet; the same key is one study.
    name : str
    gauge_id : int or None
        A gauge of the shop, whose uncertainty the study can set afterwards.
    unit : {"mm", "thou", "in"}
        Of bare numbers.
    people : sequence of str
        Who measures, 1 to 8 names.
    parts, trials : int
        2 to 50 numbered parts, 2 to 10 rounds.
    tolerance : str
        Its width with a unit, or empty.
    order_seed : int or None
        Of the order; None draws one.

    Returns
    -------
    int
        The study's number.
    """
    require(actor, "studies")
    check_key(key)
    with shop.database.write() as session:
        same = session.scalar(select(GaugeStudyRow).where(GaugeStudyRow.key == key))
        if same is not None:
            return same.id
        row = add_row(
            shop,
            session,
            actor,
            key=key,
            name=name,
            gauge_id=gauge_id,
            unit=unit,
            tolerance=tolerance,
            parts=parts,
            people=people,
            trials=trials,
            order_seed=order_seed,
        )
        shop.note(
            session,
            actor,
            "gauge-study-started",
            f"gauge study {row.id}",
            name=row.name,
            gauge=gauge_id,
            unit=unit,
            tolerance_mm=row.tolerance_mm,
            parts=row.parts,
            trials=row.trials,
            people=people_of(row),
            order_seed=row.order_seed,
        )
        return row.id


def studies(shop: Shop, actor: Actor) -> list[StudyLine]:
    """List gauge studies: open ones first, then the newest."""
    require(actor, "studies")
    with shop.database.read() as session:
        names = names_of(session)
        gauges = {g.id: g.name for g in session.scalars(select(Gauge))}
        counts = session.execute(
            select(GaugeStudyReading.study_id, func.count())
            .where(~GaugeStudyReading.taken_out)
            .group_by(GaugeStudyReading.study_id)
        )
        taken = {row[0]: row[1] for row in counts}
        out = []
        for row in session.scalars(select(GaugeStudyRow).order_by(GaugeStudyRow.id.desc())):
            people = len(people_of(row))
            out.append(
                StudyLine(
                    row.id,
                    row.name,
                    f"{gauges.get(row.gauge_id or 0, 'no gauge of the shop')}, {row.parts} parts "
                    f"× {people} {'person' if people == 1 else 'people'} × {row.trials} rounds",
                    row.state,
                    taken.get(row.id, 0),
                    row.parts * people * row.trials,
                    names.get(row.opened_by, "?"),
                    row.closed_at or row.opened_at,
                )
            )
        return sorted(out, key=lambda line: line.state != "open")


def view(
    shop: Shop,
    actor: Actor,
    study_id: int,
    *,
    who: int | None = None,
    skipped: Iterable[int] = (),
) -> GaugeStudyView:
    """Return a study as its page shows it: how far it is, and what is measured next.

    Parameters
    ----------
    shop, actor
    study_id : int
    who : int or None
        Whose turn this tablet shows; None: whoever is next.
    skipped : iterable of int
        Places in the order that were skipped on this tablet.
    """
    require(actor, "studies")
    with shop.database.read() as session:
        row = study_row(session, study_id)
        people = people_of(row)
        names = names_of(session)
        order = slots_of(row.order_seed, len(people), row.parts, row.trials)
        readings = readings_of(session, row.id)
        taken = frozenset(slot_of(r) for r in readings)
        whose = who if who is not None and 0 <= who < len(people) else None
        again = tuple(k for k in dict.fromkeys(skipped) if 0 <= k < len(order))
        coming = next_slot(order, taken, person=whose, skipped=again)
        mine = [
            LastTaken(r.id, slot_of(r), people[r.person])
            for r in readings
            if r.by == actor.person_id
        ]
        each = row.parts * row.trials
        lead = may(actor, "adopt-study")
        return GaugeStudyView(
            row.id,
            row.name,
            row.unit,
            row.tolerance_mm,
            row.parts,
            row.trials,
            people,
            row.state,
            names.get(row.opened_by, "?"),
            row.opened_at,
            names.get(row.closed_by) if row.closed_by else None,
            row.closed_at,
            gauge_now(session, row.gauge_id),
            tuple(
                PersonDone(name, sum(s.person == k for s in taken), each)
                for k, name in enumerate(people)
            ),
            taken,
            len(order),
            coming[0] if coming else None,
            coming[1] if coming else None,
            tuple(k for k in again if order[k] not in taken),
            mine[-1] if mine else None,
            tuple(mine),
            row.state != "discarded" and (lead or row.opened_by == actor.person_id),
            lead,
        )


def doubt_of(reading: Depth, others: Sequence[Decimal], deepest_mm: Decimal) -> str | None:
    """Question a reading that looks like a slip of the hand or the unit.

    Parameters
    ----------
    reading : Depth
    others : sequence of Decimal
        The study's other readings, mm, of whatever part: asking by those of the same part
        would tell what others have read.
    deepest_mm : Decimal
        Depth no emitter exceeds, mm; it is asked by while there is nothing else.

    Returns
    -------
    str or None
        The question, in words; it names no earlier value.
    """
    low, high = (min(others), max(others)) if others else (Decimal(0), deepest_mm / _FAR)
    if low / _FAR <= reading.mm <= high * _FAR:
        return None
    other = [
        Depth(reading.value, unit, reading.text) for unit in MM_PER_UNIT if unit != reading.unit
    ]
    meant = [d for d in other if low / 2 <= d.mm <= high * 2 and d.mm > 0]
    far = "everything else read in this study" if others else "what a gauge reads in an emitter"
    said = f"{reading.words()} lies far outside {far}."
    unit = f"Was it {meant[0].words()}, or a" if meant else "A"
    return f"{said} {unit} slip of the finger?"


def take(
    shop: Shop,
    actor: Actor,
    study_id: int,
    slot: Slot,
    typed: str,
    *,
    key: str,
    sure: bool = False,
) -> Doubt | int:
    """Take one reading.

    Parameters
    ----------
    shop, actor
    study_id : int
    slot : Slot
        Who read which part in which round.
    typed : str
        As read off; a bare number is in the study's unit.
    key : str
        Made on the tablet; the same key is one reading.
    sure : bool
        It was asked about, and it is so.

    Returns
    -------
    int or Doubt
        The reading's id; or, nothing being kept yet, the question about it.

    Raises
    ------
    ConflictError
        The study is over, or another tablet has this reading already.
    """
    require(actor, "studies")
    check_key(key)
    with shop.database.write() as session:
        row = study_row(session, study_id)
        same = session.scalar(select(GaugeStudyReading).where(GaugeStudyReading.key == key))
        if same is not None:
            if (same.study_id, slot_of(same), same.text) != (study_id, slot, typed.strip()):
                raise key_used("it stands for another reading")
            return same.id
        open_study(session, study_id)
        people = people_of(row)
        order = slots_of(row.order_seed, len(people), row.parts, row.trials)
        if slot not in order:
            raise NotFoundError("reading", "it is none of this study", "open the study again")
        before = readings_of(session, row.id)
        if any(slot_of(r) == slot for r in before):
            raise ConflictError(
                f"part {slot.part}",
                f"{people[slot.person]}'s round {slot.trial} of it is in already, from another "
                "tablet; this number was not kept",
                "open the study again for the next part",
            )
        try:
            reading = parse_depth(typed.strip(), row.unit)
        except ReadingError as error:
            problem, _, mend = str(error).partition(": ")
            raise ServiceError("reading", problem, mend or "write it as 1.45") from error
        deepest = Decimal(str(shop.base.constant("emitter-deepest")))
        question = doubt_of(reading, [depth_of(r).mm for r in before], deepest)
        if question is not None and not sure:
            return Doubt(slot, order.index(slot), question, typed.strip())
        kept = GaugeStudyReading(
            key=key,
            study_id=row.id,
            part=slot.part,
            person=slot.person,
            trial=slot.trial,
            text=typed.strip(),
            value=float(reading.value),
            unit=reading.unit,
            by=person(actor),
            at=shop.clock(),
            taken_out=False,
        )
        session.add(kept)
        session.flush()
        shop.note(
            session,
            actor,
            "gauge-study-reading",
            f"gauge study {row.id}",
            reading=kept.id,
            part=slot.part,
            person=people[slot.person],
            trial=slot.trial,
            text=kept.text,
            unit=kept.unit,
            **({"asked": question} if question else {}),
        )
        return kept.id


def take_out(shop: Shop, actor: Actor, study_id: int, reading_id: int) -> Slot:
    """Take one's own reading out while the study runs; it is asked for again.

    It stays in the book as taken out. Done twice it is done once.
    """
    require(actor, "studies")
    with shop.database.write() as session:
        row = open_study(session, study_id)
        reading = session.get(GaugeStudyReading, reading_id)
        if reading is None or reading.study_id != row.id:
            raise NotFoundError("reading", "it is none of this study", "open the study again")
        if reading.by != actor.person_id and not may(actor, "adopt-study"):
            raise ConflictError(
                "reading", "somebody else entered it", "ask them, or a lead, to take it out"
            )
        if not reading.taken_out:
            reading.taken_out = True
            shop.note(
                session,
                actor,
                "gauge-study-reading-out",
                f"gauge study {row.id}",
                reading=reading.id,
                part=reading.part,
                person=people_of(row)[reading.person],
                trial=reading.trial,
            )
        return slot_of(reading)


def tolerances(shop: Shop, actor: Actor) -> list[tuple[str, str]]:
    """Return the pit limits in force as tolerances: what to type, and in words.

    A pit may be anything from nothing to the limit, so the limit is the tolerance's width.
    """
    require(actor, "studies")
    with shop.database.read() as session:
        return [
            (f"{limit.figures[0].value} {limit.figures[0].unit}", f"{limit.quoted()}, {limit.text}")
            for limit in shop.sheet(session).limits
            if limit.quantity == "pit-depth"
        ]
