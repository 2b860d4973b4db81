"""Torches as the forecast of demand takes them: what is in them, their work, their looks."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.measure.conformity import limit_in
from pitwise.records.tables import Fitting, InspectionRow, Torch
from pitwise.services.fittings import lives_of
from pitwise.services.periods import midnight, today
from pitwise.services.planned_model import BaseLoad, PlannedLine, ahead_of
from pitwise.services.planned_work import last_read, stretches_of
from pitwise.services.setup import selector
from pitwise.services.shelf_lives import EARLY_BEFOREHAND, NOZZLE, DemandLives, life_of_type
from pitwise.services.shopfloor import Shop
from pitwise.services.use_files import current_use
from pitwise.services.wear_book import FitInForce, carried, histories, state_of
from pitwise.shelf.torch_load import DailyWork, OwnLife, TorchLoad, WearingSet
from pitwise.shelf.usual import usual_work
from pitwise.wear.words import basis_words

_GAPS = 20
# Of a torch never looked at twice, or never used (our own choice, no source).
_USUAL_GAP_DAYS = 5.0
_USUAL_STARTS_PER_DAY = 100.0
# Counters not read for longer than this: the torch may be standing, so no more is carried on.
_MOST_UNREAD_DAYS = 14.0


def torch_load(
    shop: Shop,
    session: Session,
    force: FitInForce,
    torch: Torch,
    inside: Mapping[str, Fitting],
    work: BaseLoad,
    plans: Sequence[PlannedLine],
    day: dt.date,
    lives: DemandLives,
) -> tuple[TorchLoad, dict[str, str]]:
    """Return a torch as the simulation takes it, and by part what that rests on.

    Parameters
    ----------
    shop, session
    force : FitInForce
    torch : Torch
    inside : mapping of str to Fitting
        What is in it, by part.
    work : BaseLoad
        Its usual work.
    plans : sequence of PlannedLine
        Planned on it.
    day : date
        Today.
    lives : DemandLives
    """
    now = current_use(session, torch.id)
    behind = lives_of(session, [r.part_item_id for r in inside.values()], now)
    rounds = _rounds(session, torch, day, work)
    unread = min(_unread_days(session, torch.id, midnight(day)), _MOST_UNREAD_DAYS)
    more = unread * work.starts_per_day
    said: dict[str, str] = {}
    sets = None
    electrode, nozzle = inside.get(PIT_PART), inside.get(NOZZLE)
    sheet = shop.sheet(session)
    limit = sheet.limit_for(PIT_PART, "pit-depth", selector(torch.process))
    if electrode is not None and limit is not None:
        item = electrode.part_item_id
        history = histories(session, [item]).of.get(item)
        state = state_of(force, history, torch.process.name)
        life = behind[item]
        state = carried(state, life.starts + more, life.arc_minutes + more * work.minutes_per_start)
        pair = [electrode, *([nozzle] if nozzle is not None else [])]
        types = [r.item.part_type_id for r in pair]
        sets = WearingSet(
            keys=tuple(str(t) for t in types),
            state=state,
            limit_mm=float(limit_in(limit, "mm")),
            u_mm=torch.gauge.u_mm,
            risk=float(sheet.constant("accepted-risk")),
            early=lives.early.get(types[0], EARLY_BEFOREHAND),
            alone=tuple((str(t), lives.alone[t]) for t in types if t in lives.alone),
        )
        words = basis_words(state.basis, torch.process.name, state.readings)
        for row in pair:
            said[row.part] = words
    parts = []
    for part, row in inside.items():
        if sets is not None and part in (PIT_PART, NOZZLE):
            continue
        ident = row.item.part_type_id
        told, said[part] = life_of_type(lives.of_type.get(ident, ()))
        parts.append(OwnLife(str(ident), behind[row.part_item_id].starts + more, told))
    load = TorchLoad(
        torch.name,
        _work(work, plans, day),
        rounds.gaps_days,
        rounds.since_days,
        sets,
        tuple(parts),
        rounds.starts_per_day,
    )
    return load, said


def _work(work: BaseLoad, plans: Sequence[PlannedLine], day: dt.date) -> DailyWork:
    """Return a torch's work as the simulation takes it."""
    ahead = ahead_of(plans, day)
    return DailyWork(
        work.starts_per_day,
        work.minutes_per_start,
        work.level_se,
        work.level_df,
        work.sd,
        ahead.starts,
        ahead.arc_minutes,
        on_top=work.of == "shop",
    )


def work_words(name: str, work: BaseLoad | None, plans: Sequence[PlannedLine], day: dt.date) -> str:
    """Return what work is counted on; `work` None: its usual work is not known."""
    if work is None:
        words = f"{name}: its usual work is not known, so only what is planned counts"
    elif work.of == "counters":
        words = (
            f"{name}: {work.starts_per_day:.0f} starts a day by its counters of "
            f"{work.days_seen:.0f} days"
        )
    else:
        words = f"{name}: {work.starts_per_day:.0f} starts a day as the shop set it"
    counted = [p for p in plans if p.counted]
    plates = sum(p.plates_from(day) for p in counted)
    if counted:
        starts = sum(ahead_of(counted, day).starts)
        words += (
            f"; planned: {plates:.0f} plate{'' if round(plates) == 1 else 's'}, "
            f"{starts:.0f} starts, "
        )
        words += (
            "all of it"
            if work is None
            else "on top of it"
            if work.of == "shop"
            else "part of it: each week the larger of the two counts"
        )
    missing = len(plans) - len(counted)
    if missing:
        words += f"; {missing} plan{'' if missing == 1 else 's'} not counted, see planned work"
    return words + "."


@dataclass(frozen=True)
class _Rounds:
    """When a torch is looked at: days between, days since the last, starts a day meanwhile."""

    gaps_days: tuple[float, ...]
    since_days: float
    starts_per_day: float


def _rounds(session: Session, torch: Torch, day: dt.date, work: BaseLoad) -> _Rounds:
    """Return how a torch's inspections came.

    A correction is no new round: the first of its chain says when it was.
    """
    when = session.scalars(
        select(InspectionRow.opened_at)
        .where(
            InspectionRow.torch_id == torch.id,
            InspectionRow.state == "signed",
            InspectionRow.supersedes.is_(None),
        )
        .order_by(InspectionRow.opened_at.desc())
        .limit(_GAPS + 1)
    ).all()
    days = [today(at) for at in when]
    gaps = [float((a - b).days) for a, b in itertools.pairwise(days)]
    gaps = [g for g in gaps if g >= 1]
    since = float(max(0, (day - days[0]).days)) if days else 0.0
    # The work those gaps came at is the counters', also where the shop set what is to come.
    usual = usual_work(stretches_of(session, torch.id)) if work.of == "shop" else None
    per_day = usual.starts_per_day if usual is not None else work.starts_per_day
    if gaps:
        return _Rounds(tuple(gaps), since, per_day or _USUAL_STARTS_PER_DAY)
    if torch.due_starts:
        # Never looked at twice: after the starts the shop set.
        each = max(1.0, torch.due_starts / per_day) if per_day > 0 else 1.0
        return _Rounds((each,), since, torch.due_starts / each)
    return _Rounds((_USUAL_GAP_DAYS,), since, per_day or _USUAL_STARTS_PER_DAY)


def _unread_days(session: Session, torch_id: int, now: dt.datetime) -> float:
    """Return the days from when a torch's counters were last read until `now`."""
    last = last_read(session, torch_id)
    return max(0.0, (now - last).total_seconds() / 86400) if last is not None else 0.0
