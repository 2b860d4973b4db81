"""The lives of the book's parts: how long each one ran, how it ended, and where.

A part keeps its life when it moves: its use is added up over all its fittings. Ends compete:
for the asked end every other one only says that the part had lasted until then.

References
----------
.. [1] W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data, Wiley 1998,
   chapters 2 and 7 (censored lives; from memory).
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.case_tables import CauseCase
from pitwise.records.tables import (
    DecisionRow,
    Fitting,
    InspectionRow,
    PartItem,
    PartType,
    Process,
    Torch,
)
from pitwise.services.life_model import (
    GROUPS,
    LOST_IN_THE_CUT,
    NOT_RECORDED,
    AskedEnd,
    Cure,
    End,
    Group,
    Measure,
    PartLife,
    grouped,
    interval_of,
)
from pitwise.services.life_reasons import TAKEN_OUT, Why, why_replaced
from pitwise.services.life_use import Boundary, Counters, Use, counters_of
from pitwise.services.usual_process import UsualProcesses, usual_processes
from pitwise.services.zone import named_zone
from pitwise.wear.life.lives import Lives

__all__ = [
    "GROUPS",
    "NOT_RECORDED",
    "AskedEnd",
    "Cure",
    "End",
    "Group",
    "Measure",
    "PartLife",
    "cures_of",
    "grouped",
    "interval_of",
    "lives_for",
    "part_lives",
    "shift_of",
]

# Shifts by the hour they end at (our own choice, no source).
_SHIFTS = ((6, "night"), (14, "early"), (22, "late"), (24, "night"))


def shift_of(at: dt.datetime) -> str:
    """Return the shift of a moment: early from 6, late from 14, night from 22 o'clock.

    By PITWISE_TIMEZONE, else by this machine's own zone.
    """
    hour = at.astimezone(named_zone()).hour
    return next(name for until, name in _SHIFTS if hour < until)


@dataclass(frozen=True)
class _Looked:
    """What inspections said of one part, all of them that stand."""

    processes: tuple[int, ...]
    good_starts: int
    good_minutes: float


def part_lives(session: Session, *, part: str | None = None) -> list[PartLife]:
    """Return every part of the book that was ever fitted, in the order of first fitting.

    Void fittings (of inspections that were corrected) are left out; a part taken out and
    fitted again, here or elsewhere, goes on.

    Parameters
    ----------
    session : Session
    part : str or None
        Only parts of this place.
    """
    query = (
        select(
            Fitting.part_item_id,
            Fitting.part,
            Fitting.torch_id,
            Fitting.fitted_at,
            Fitting.fitted_by_inspection,
            Fitting.starts_at_fit,
            Fitting.minutes_at_fit,
            Fitting.removed_at,
            Fitting.removed_by_inspection,
            Fitting.starts_at_removal,
            Fitting.minutes_at_removal,
            Fitting.end,
            PartItem.tag,
            PartItem.lot,
            PartItem.part_type_id,
            PartType.name.label("part_type"),
        )
        .join(PartItem, PartItem.id == Fitting.part_item_id)
        .join(PartType, PartType.id == PartItem.part_type_id)
        .where(Fitting.void.is_(False))
        .order_by(Fitting.fitted_at, Fitting.id)
    )
    if part is not None:
        query = query.where(Fitting.part == part)
    fittings: dict[int, list[_FittingRow]] = {}
    for row in session.execute(query):
        fittings.setdefault(row.part_item_id, []).append(_FittingRow(*tuple(row)))
    if not fittings:
        return []
    counters = counters_of(session)
    looked = _looked(session, part)
    torches = {t.id: t for t in session.scalars(select(Torch))}
    processes = {p.id: p.name for p in session.scalars(select(Process))}
    ended_by = [rows[-1].removed_by_inspection for rows in fittings.values()]
    whys = why_replaced(session, [i for i in ended_by if i is not None])
    on = _processes_of(session, ended_by)
    usual: UsualProcesses | None = None
    out = []
    for item, rows in fittings.items():
        last = rows[-1]
        torch = torches[last.torch_id]
        seen = looked.get(item, _Looked((), 0, 0.0))
        # One that is in a torch goes on with what that torch cuts with now.
        process_id = torch.process_id
        if last.removed_by_inspection in on:
            process_id = on[last.removed_by_inspection]
        elif last.removed_at is not None and seen.processes:
            process_id = seen.processes[-1]
        elif last.removed_at is not None:
            # Rare: taken out before anybody looked at it.
            usual = usual or usual_processes(session)
            process_id = usual.at(torch.id, last.removed_at)
        out.append(_life(rows, counters, seen, whys, torch, process_id, processes[process_id]))
    return out


@dataclass(frozen=True)
class _FittingRow:
    item: int
    part: str
    torch_id: int
    fitted_at: dt.datetime
    fitted_by: int | None
    starts_at_fit: int
    minutes_at_fit: float
    removed_at: dt.datetime | None
    removed_by_inspection: int | None
    starts_at_removal: int | None
    minutes_at_removal: float | None
    end: str | None
    tag: str
    lot: str | None
    part_type_id: int
    part_type: str

    @property
    def fit(self) -> Boundary:
        return Boundary(self.fitted_at, self.starts_at_fit, self.minutes_at_fit, self.fitted_by)

    @property
    def out(self) -> Boundary | None:
        if self.removed_at is None:
            return None
        return Boundary(
            self.removed_at,
            self.starts_at_removal or 0,
            self.minutes_at_removal or 0.0,
            self.removed_by_inspection,
        )


def _life(
    rows: Sequence[_FittingRow],
    counters: Counters,
    seen: _Looked,
    whys: Mapping[tuple[int, str], Why],
    torch: Torch,
    process_id: int,
    process: str,
) -> PartLife:
    starts, minutes = Use(0.0), Use(0.0)
    for row in rows:
        more_starts, more_minutes = counters.use(row.torch_id, row.fit, row.out)
        starts, minutes = starts + more_starts, minutes + more_minutes
    first, last = rows[0], rows[-1]
    end, reasons, own = how_ended(
        last.part, last.removed_at, last.removed_by_inspection, last.end, whys
    )
    return PartLife(
        item_id=last.item,
        tag=last.tag,
        part=last.part,
        part_type_id=last.part_type_id,
        part_type=last.part_type,
        lot=last.lot,
        torch_id=torch.id,
        torch=torch.name,
        station=torch.station.name,
        coolant=torch.station.coolant,
        process_id=process_id,
        process=process,
        shift=shift_of(first.fitted_at),
        fitted_at=first.fitted_at,
        ended_at=last.removed_at,
        end=end,
        starts=round(starts.recorded),
        arc_minutes=minutes.recorded,
        good_starts=min(seen.good_starts, round(starts.recorded)),
        good_minutes=min(seen.good_minutes, minutes.recorded),
        reasons=reasons,
        own_reason=own,
        inspection_id=last.removed_by_inspection,
        fewer_starts=starts.fewer,
        more_starts=starts.more,
        fewer_minutes=minutes.fewer,
        more_minutes=minutes.more,
        first_set=counters.first_set(first.torch_id, first.fit),
        processes=max(1, len({*seen.processes, process_id})),
    )


def how_ended(
    part: str,
    removed_at: dt.datetime | None,
    removed_by: int | None,
    end: str | None,
    whys: Mapping[tuple[int, str], Why],
) -> tuple[End, tuple[str, ...], bool]:
    """Return how a fitting ended, the reasons, and whether they were the part's own."""
    if removed_at is None:
        return "running", (), True
    if removed_by is None or end == "taken-out":
        return "changed", (TAKEN_OUT,), False
    why = whys.get((removed_by, part), Why((), (), False))
    if end == "lost":
        return "lost", (LOST_IN_THE_CUT, *why.reasons), True
    return "worn" if why.own else "changed", why.reasons, bool(why.own)


def _looked(session: Session, part: str | None) -> dict[int, _Looked]:
    """Return what all inspections that stand said of each part, in one query."""
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    query = (
        select(
            DecisionRow.part_item_id,
            InspectionRow.process_id,
            DecisionRow.action,
            DecisionRow.computed,
            DecisionRow.life_starts,
            DecisionRow.life_minutes,
        )
        .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
        .where(
            DecisionRow.part_item_id.is_not(None),
            InspectionRow.state == "signed",
            InspectionRow.id.not_in(superseded),
        )
        .order_by(InspectionRow.signed_at, InspectionRow.id)
    )
    if part is not None:
        query = query.where(DecisionRow.part == part)
    out: dict[int, _Looked] = {}
    none = _Looked((), 0, 0.0)
    for item, process, action, computed, starts, minutes in session.execute(query):
        before = out.get(item or 0, none)
        processes = before.processes
        if not processes or processes[-1] != process:
            processes = (*processes, process)
        good_starts, good_minutes = before.good_starts, before.good_minutes
        # Kept against the rules, it was found past use then: only the rules' own word counts.
        if action in ("keep", "clean") and computed in ("keep", "clean"):
            good_starts, good_minutes = starts or good_starts, minutes or good_minutes
        out[item or 0] = _Looked(processes, good_starts, good_minutes)
    return out


def _processes_of(session: Session, inspections: Iterable[int | None]) -> dict[int, int]:
    wanted = {i for i in inspections if i is not None}
    rows = session.execute(select(InspectionRow.id, InspectionRow.process_id))
    return {ident: process for ident, process in rows if ident in wanted}


def lives_for(parts: Sequence[PartLife], end: AskedEnd, measure: Measure) -> Lives:
    """Return the lives as statistics take them: the asked end ends, every other is censored.

    Parts without use on record are left out; see `interval_of`.

    Raises
    ------
    FitRefusedError
        No part has any use on record.
    """
    between = [x for x in (interval_of(p, end, measure) for p in parts) if x is not None]
    return Lives.of([low for low, _ in between], [high for _, high in between])


def cures_of(session: Session, names: Mapping[str, str] | None = None) -> list[Cure]:
    """Return the cures of closed cases, newest first.

    Parameters
    ----------
    session : Session
    names : mapping of str to str or None
        Words of the sheet's remedies, by their ids.
    """
    called = names or {}
    rows = session.scalars(
        select(CauseCase)
        .where(CauseCase.state != "discarded")
        .order_by(CauseCase.opened_at, CauseCase.id)
    ).all()
    out = []
    for row in rows:
        if row.state != "closed":
            continue
        at = row.cured_at or row.opened_at
        later = [
            x.opened_at
            for x in rows
            if x.torch_id == row.torch_id and x.id != row.id and x.opened_at >= at
        ]
        done = [called.get(r, r) for r in json.loads(row.remedies)]
        words = "; ".join([*done, *([row.remedy_text] if row.remedy_text else [])])
        out.append(
            Cure(
                row.id,
                row.torch_id,
                row.torch.name,
                row.process_id,
                row.process.name,
                words,
                at,
                min(later, default=None),
            )
        )
    return sorted(out, key=lambda c: (c.at, c.case_id), reverse=True)
