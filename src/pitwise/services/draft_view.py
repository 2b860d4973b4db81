"""A draft as it stands: everything touched, and what it decides."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from decimal import Decimal

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import (
    PIT_PART,
    Decision,
    Inspection,
    Overrule,
    PartAction,
    PartLook,
    decide,
)
from pitwise.measure.conformity import Expected
from pitwise.measure.depth import Depth
from pitwise.records.photo_tables import PartFace, Photo
from pitwise.records.tables import (
    Answer,
    DecisionRow,
    Fitting,
    InspectionRow,
    Look,
    Mark,
    OverruleRow,
    Person,
    PitReading,
)
from pitwise.services.errors import NotFoundError
from pitwise.services.fittings import Life, fitted, last_counter, lives_of
from pitwise.services.hole_view import Measure, Together, measures_of, together, unmeasured_of
from pitwise.services.part_faces import current_faces
from pitwise.services.record_chain import looked_at
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.services.use_files import current_use
from pitwise.services.wear_book import expected_pit
from pitwise.trade.model import PART_SLUGS, Sheet
from pitwise.wear.use import CounterReading, UseSlip, advance, use_slips


@dataclass(frozen=True)
class Draft:
    """A draft as the bench shows it: what was touched, and what it decides now.

    `computed` is what the rules say; `decision` is the same with people's overrules.
    """

    row: InspectionRow
    sheet: Sheet
    coolant: str | None
    marks: dict[str, dict[str, Mark]]
    looks: dict[str, Look]
    readings: list[PitReading]
    answers: dict[str, Answer]
    overrules: dict[str, OverruleRow]
    fitted: dict[str, Fitting]
    lives: dict[str, Life]
    last_pit: Depth | None
    last_counter: CounterReading | None
    use_slips: tuple[UseSlip, ...]
    computed: Decision
    decision: Decision
    names: dict[int, str]
    holes: dict[str, list[Measure]]
    faces: dict[str, PartFace]
    photos: dict[str, Together]
    unmeasured: dict[str, list[Photo]]

    @property
    def next_part(self) -> str | None:
        """The first part, in removal order, that still wants a look or a reading."""
        for part in self.sheet.parts:
            if self.wants(part.id):
                return part.id
        return None

    def wants(self, slug: str) -> bool:
        """Tell whether a part still wants a look or a reading."""
        if self.decision.parts[slug].action == "replace":
            return False
        look = self.looks.get(slug)
        unlooked = look is None or not look.looked
        return unlooked or (slug == PIT_PART and not self.readings)

    def obstacles(self) -> list[str]:
        """What stands between this draft and a signature, in words; empty when nothing."""
        out = []
        if self.row.cautions_at is None:
            out.append("The cautions have not been confirmed.")
        for part in self.sheet.parts:
            if self.wants(part.id):
                look = self.looks.get(part.id)
                gauged = look is not None and look.looked
                out.append(
                    f"{part.name}: the pit has not been gauged."
                    if gauged
                    else f"{part.name}: not looked over."
                )
            elif self.decision.parts[part.id].action == "recheck":
                photo = any(
                    r.action == "recheck" and r.rule.startswith("hole-")
                    for r in self.decision.parts[part.id].because
                )
                out.append(f"{part.name}: {'take another photo' if photo else 'gauge again'}.")
        out += [f"To answer: {f.text}" for f in self.decision.open_questions()]
        out += [f"To answer: {s.text}" for s in self.use_slips if s.code not in self.answers]
        return out


def last_pit_of(
    session: Session, fitting: Fitting | None, without: int | None = None
) -> Depth | None:
    """Return the last signed pit reading of the electrode that is fitted."""
    if fitting is None:
        return None
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    row = session.execute(
        select(DecisionRow.pit_mm)
        .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
        .where(
            DecisionRow.part_item_id == fitting.part_item_id,
            DecisionRow.part == PIT_PART,
            DecisionRow.pit_mm.is_not(None),
            InspectionRow.state == "signed",
            InspectionRow.id.not_in(superseded),
            InspectionRow.id.is_distinct_from(without),
        )
        .order_by(InspectionRow.signed_at.desc())
        .limit(1)
    ).first()
    if row is None:
        return None
    value = Decimal(f"{row[0]:.3f}").normalize()
    value = value.quantize(Decimal("0.01")) if value == round(value, 2) else value
    return Depth(value, "mm", f"{value} mm")


def depth_of(row: PitReading) -> Depth:
    """Return a stored reading as a depth."""
    return Depth(Decimal(row.value), row.unit, row.text, row.bare)


def overrule_of(row: OverruleRow) -> Overrule:
    """Return a stored overrule as the bench takes it."""
    action: PartAction = row.action  # type: ignore[assignment]  # held to the three by `set_overrule`
    return Overrule(row.part, action, frozenset(json.loads(row.over_rules)))


def _expected(
    session: Session,
    row: InspectionRow,
    item: int,
    life: Life,
    counter: tuple[CounterReading, dt.datetime] | None,
) -> Expected | None:
    """Forecast the pit at the use the draft's counters tell; None while nothing tells the use."""
    before = (counter[0].total_starts, counter[0].total_minutes) if counter else (0, 0.0)
    if row.starts is None and row.arc_minutes is None:
        # Counters are often typed last: till then only a use report tells what it did since.
        now = current_use(session, row.torch_id)
        if now[0] <= before[0] and now[1] <= before[1]:
            return None
    else:
        try:
            read = advance(
                counter[0] if counter else None,
                row.starts,
                row.arc_minutes,
                reset=row.counter_reset,
            )
        except ValueError:
            # A counter that runs backwards is questioned by `use_slips`; till then no use is known.
            return None
        now = (read.total_starts, read.total_minutes)
    starts = life.starts + now[0] - before[0]
    minutes = life.arc_minutes + now[1] - before[1]
    return expected_pit(session, item, row.process.name, starts, minutes, row.supersedes)


def _faces(session: Session, now_fitted: dict[str, Fitting]) -> dict[str, PartFace]:
    kinds = {slug: f.item.part_type_id for slug, f in now_fitted.items()}
    found = current_faces(session, kinds.values())
    return {slug: found[kind] for slug, kind in kinds.items() if kind in found}


def load_draft(shop: Shop, session: Session, inspection_id: int) -> Draft:
    """Read an inspection's touches and decide on them."""
    row = session.get(InspectionRow, inspection_id)
    if row is None:
        raise NotFoundError(
            "inspection", f"there is no inspection {inspection_id}", "choose a torch again"
        )
    sheet = shop.sheet(session)
    marks: dict[str, dict[str, Mark]] = {}
    for mark in session.scalars(select(Mark).where(Mark.inspection_id == row.id)):
        marks.setdefault(mark.part, {})[mark.finding] = mark
    looks = {x.part: x for x in session.scalars(select(Look).where(Look.inspection_id == row.id))}
    readings = list(
        session.scalars(
            select(PitReading).where(PitReading.inspection_id == row.id).order_by(PitReading.id)
        )
    )
    answers = {
        a.code: a for a in session.scalars(select(Answer).where(Answer.inspection_id == row.id))
    }
    overrules = {
        o.part: o
        for o in session.scalars(select(OverruleRow).where(OverruleRow.inspection_id == row.id))
    }
    # A correction is decided as if the inspection it corrects had not been.
    without = row.supersedes
    now_fitted = fitted(session, row.torch_id, without)
    counter = last_counter(session, row.torch_id, without)
    now = (counter[0].total_starts, counter[0].total_minutes) if counter else (0, 0.0)
    last_pit = last_pit_of(session, now_fitted.get(PIT_PART), without)
    lives = lives_of(session, [f.part_item_id for f in now_fitted.values()], now, without)
    electrode = now_fitted.get(PIT_PART)
    expected = (
        _expected(session, row, electrode.part_item_id, lives[electrode.part_item_id], counter)
        if electrode is not None and readings
        else None
    )
    holes = measures_of(session, row.id)
    faces = _faces(session, now_fitted)
    photos = {slug: together(slug, own, faces.get(slug)) for slug, own in holes.items()}
    parts: dict[str, PartLook] = {}
    for slug in PART_SLUGS:
        of_part = marks.get(slug, {})
        look = looks.get(slug)
        # A sheet may lose a finding while a draft is open; such a mark can't decide.
        known = {m.finding: m.state for m in of_part.values() if sheet.finding(slug, m.finding)}
        is_pit = slug == PIT_PART
        measured = photos[slug].readings if slug in photos else ()
        if known or look or (is_pit and readings) or measured:
            parts[slug] = PartLook(
                frozenset(f for f, s in known.items() if s == "seen"),
                frozenset(f for f, s in known.items() if s == "absent"),
                bool(look and look.looked),
                tuple(depth_of(r) for r in readings) if is_pit else (),
                last_pit if is_pit else None,
                expected if is_pit else None,
                measured,
            )
    case = Inspection(
        parts,
        selector(row.process),
        row.torch.station.coolant,
        row.gauge.u_mm,
        frozenset(answers),
    )
    computed = decide(sheet, case)
    held = [overrule_of(o) for o in overrules.values()]
    read_at = shop.clock() if row.supersedes is None else looked_at(session, row)
    elapsed = (read_at - counter[1]).total_seconds() / 60 if counter else None
    slips = use_slips(
        counter[0] if counter else None,
        row.starts,
        row.arc_minutes,
        reset=row.counter_reset,
        elapsed_minutes=elapsed,
    )
    names = {p.id: p.name for p in session.scalars(select(Person))}
    return Draft(
        row=row,
        sheet=sheet,
        coolant=row.torch.station.coolant,
        marks=marks,
        looks=looks,
        readings=readings,
        answers=answers,
        overrules=overrules,
        fitted=now_fitted,
        lives={slug: lives[f.part_item_id] for slug, f in now_fitted.items()},
        last_pit=last_pit,
        last_counter=counter[0] if counter else None,
        use_slips=slips,
        computed=computed,
        decision=decide(sheet, case, held) if held else computed,
        names=names,
        holes=holes,
        faces=faces,
        photos=photos,
        unmeasured=unmeasured_of(session, row.id),
    )
