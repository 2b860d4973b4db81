"""How many pieces of each shelf item will go: the wear model run forward on the book.

What it rests on is read once and kept until the book, or the day, moves on: the stamp of all
rows that bear on it is asked first, which costs a few milliseconds.
"""

from __future__ import annotations

import datetime as dt
import itertools
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from pitwise.bench.decide import PIT_PART
from pitwise.measure.conformity import limit_in
from pitwise.records.shelf_tables import BaseLoad as BaseLoadRow
from pitwise.records.shelf_tables import KitLine, Movement, PlannedWork, ShelfItem
from pitwise.records.tables import (
    Counter,
    Fitting,
    Gauge,
    InspectionRow,
    ShopLimit,
    Torch,
)
from pitwise.records.wear_tables import Program, StationSetting, UseReport, WearFit
from pitwise.services.fittings import fitted, lives_of
from pitwise.services.life_book import part_lives
from pitwise.services.periods import midnight, today
from pitwise.services.planned_model import BaseLoad, NoLoad, PlannedLine, ahead_of
from pitwise.services.planned_work import base_load, last_read, planned, stretches_of, today_of
from pitwise.services.setup import selector
from pitwise.services.shelf_lives import (
    EARLY_BEFOREHAND,
    NOZZLE,
    DemandLives,
    demand_lives,
    life_of_type,
)
from pitwise.services.shopfloor import Shop
from pitwise.services.use_files import current_use
from pitwise.services.wear_book import FitInForce, carried, fit_in_force, histories, state_of
from pitwise.shelf.advice import CantTell
from pitwise.shelf.demand import (
    DailyWork,
    OwnLife,
    TorchLoad,
    WearingSet,
    simulate_changes,
)
from pitwise.shelf.paths import DemandPaths, takings
from pitwise.shelf.usual import usual_work
from pitwise.wear.words import basis_words

DAYS = 90
PATHS = 2000
_SEED = 20
_GAPS = 20
# Of a torch never looked at twice, or never used (our own choice, no source).
_USUAL_GAP_DAYS = 5.0
_USUAL_STARTS_PER_DAY = 100.0
# Counters not read for longer than this: the torch may be standing, so no more is carried on.
_MOST_UNREAD_DAYS = 14.0
_TAKINGS_DAYS = 365.0
_ENOUGH_TAKINGS = 3


@dataclass(frozen=True, eq=False)
class ItemDemand:
    """What will go of one item.

    Attributes
    ----------
    paths : DemandPaths or CantTell
    basis : tuple of str
        What it rests on, one sentence each.
    torches : tuple of str
        That use it.
    left_out : tuple of str
        Torches with one in them whose usual work is not counted, and why.
    """

    paths: DemandPaths | CantTell
    basis: tuple[str, ...]
    torches: tuple[str, ...]
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class ShopDemand:
    """What will go of every item, from a day on; of kits only what is taken whole, by hand.

    Attributes
    ----------
    day : date
    days : int
    of : dict of int to ItemDemand
        By shelf item.
    left_out : tuple of str
        Torches whose demand can't be told, and why.
    stamp : tuple
        Of the rows it rests on: the same stamp is the same demand.
    """

    day: dt.date
    days: int
    of: dict[int, ItemDemand]
    left_out: tuple[str, ...]
    stamp: tuple[Any, ...]


_kept: WeakKeyDictionary[Shop, dict[int, ShopDemand]] = WeakKeyDictionary()
_lock = threading.Lock()


def demand_of_shop(shop: Shop, session: Session, days: int = DAYS) -> ShopDemand:
    """Return what will go of every item that is no kit.

    Parameters
    ----------
    shop, session
    days : int
        To look ahead.
    """
    day = today_of(shop)
    stamp = (day, *_stamp(session))
    # One at a time: two pages asking at once would do the same work twice.
    with _lock:
        kept = _kept.setdefault(shop, {})
        known = kept.get(days)
        if known is None or known.stamp != stamp:
            known = kept[days] = _reckon(shop, session, day, days, stamp)
        return known


def _stamp(session: Session) -> tuple[Any, ...]:
    """Return what moves when anything moves that a demand rests on."""
    signed = InspectionRow.state == "signed"
    asked = [
        select(func.max(WearFit.id)),
        select(func.count()).select_from(InspectionRow).where(signed),
        select(func.max(InspectionRow.id)).where(signed),
        select(func.max(Counter.id)),
        select(func.count()).select_from(Counter).where(Counter.void.is_(True)),
        select(func.max(UseReport.id)),
        select(func.max(Fitting.id)),
        select(func.count()).select_from(Fitting).where(Fitting.removed_at.is_not(None)),
        select(func.count()).select_from(Fitting).where(Fitting.void.is_(True)),
        select(func.max(PlannedWork.id)),
        select(func.count()).where(PlannedWork.withdrawn_at.is_not(None)),
        select(func.max(BaseLoadRow.id)),
        # Of the ledger only what was taken by hand bears on it, and the undoing of that.
        select(func.max(Movement.id)).where(Movement.kind.in_(("taken", "scrapped", "undone"))),
        select(func.count()).select_from(ShelfItem).where(ShelfItem.active.is_(True)),
        select(func.max(ShelfItem.id)),
        select(func.count()).select_from(KitLine),
        select(func.sum(Torch.process_id * 1009 + Torch.gauge_id)),
        select(func.sum(Torch.due_starts)),
        select(func.count()).select_from(Torch),
        select(func.sum(Gauge.u_mm)),
        select(func.max(StationSetting.id)),
        select(func.max(ShopLimit.id)),
        select(func.count()).where(ShopLimit.withdrawn_at.is_not(None)),
        select(func.count()).where(Program.withdrawn_at.is_not(None)),
    ]
    return tuple(session.execute(select(*(q.scalar_subquery() for q in asked))).one())


def _reckon(
    shop: Shop, session: Session, day: dt.date, days: int, stamp: tuple[Any, ...]
) -> ShopDemand:
    lives = demand_lives(part_lives(session))
    force = fit_in_force(shop, session)
    plans = planned(session, day)
    torches = session.scalars(select(Torch).order_by(Torch.id)).all()
    loads: list[TorchLoad] = []
    basis: dict[int, list[str]] = {}
    used: dict[int, list[str]] = {}
    left_out: list[str] = []
    unknown: dict[int, dict[str, NoLoad]] = {}
    for torch in torches:
        inside = fitted(session, torch.id)
        types = {part: row.item.part_type_id for part, row in inside.items()}
        work = base_load(session, torch.id, shop.clock())
        own = [p for p in plans if p.torch_id == torch.id]
        known = isinstance(work, BaseLoad)
        if not isinstance(work, BaseLoad):
            for ident in dict.fromkeys(types.values()):
                unknown.setdefault(ident, {})[torch.name] = work
            if not own:
                left_out.append(f"{torch.name}: {work.reason}; {work.mend}.")
                continue
            work = BaseLoad(0.0, 0.0, 0.0, 0.0, float("inf"), 0.0, "shop")
        load, said = _load(shop, session, force, torch, inside, work, own, day, lives)
        loads.append(load)
        words = _work_words(torch.name, work if known else None, own, day)
        for part, ident in types.items():
            basis.setdefault(ident, []).extend(
                x for x in (words, said.get(part, "")) if x and x not in basis.get(ident, [])
            )
            used.setdefault(ident, []).append(torch.name)
    found = simulate_changes(loads, days=days, paths=PATHS, seed=_SEED) if loads else {}
    by_hand = _by_hand(session, day)
    of = {}
    items = session.scalars(select(ShelfItem).where(ShelfItem.kind != "kit")).all()
    for item in items:
        kind = item.part_type_id
        paths = found.get(str(kind)) if kind is not None else None
        notes = list(basis.get(kind, [])) if kind is not None else []
        taken = by_hand.get(item.id)
        if taken is not None and len(taken.sizes) >= _ENOUGH_TAKINGS:
            more = takings(
                len(taken.sizes),
                taken.days,
                taken.sizes,
                days=days,
                paths=PATHS,
                seed=_SEED + item.id,
            )
            paths = more if paths is None else paths + more
            notes.append(
                f"{sum(taken.sizes)} taken or scrapped by hand in the last {taken.days:.0f} days."
            )
        elif taken is not None:
            times = len(taken.sizes)
            notes.append(
                f"{sum(taken.sizes)} taken or scrapped by hand, {times} time"
                f"{'' if times == 1 else 's'} in a year: too few to say how often, left out."
            )
        torch_names = tuple(used.get(kind, ())) if kind is not None else ()
        out = unknown.get(kind, {}) if kind is not None else {}
        told = paths if paths is not None else _no_demand(item, taken, out)
        uncounted = tuple(
            f"Usual work of {name} is not counted: {no.reason}." for name, no in out.items()
        )
        of[item.id] = ItemDemand(told, tuple(notes), torch_names, uncounted)
    for kit in session.scalars(select(ShelfItem).where(ShelfItem.kind == "kit")):
        # Whole kits taken by hand; what their pieces are needed for is added where it is known.
        taken = by_hand.get(kit.id)
        if taken is not None and len(taken.sizes) >= _ENOUGH_TAKINGS:
            whole = takings(
                len(taken.sizes),
                taken.days,
                taken.sizes,
                days=days,
                paths=PATHS,
                seed=_SEED + kit.id,
            )
            by_kit = f"{sum(taken.sizes)} kits taken by hand in the last {taken.days:.0f} days."
            of[kit.id] = ItemDemand(whole, (by_kit,), ())
    return ShopDemand(day, days, of, tuple(left_out), stamp)


def _no_demand(item: ShelfItem, taken: _Taken | None, out: Mapping[str, NoLoad]) -> CantTell:
    if item.part_type_id is None:
        had = len(taken.sizes) if taken is not None else 0
        return CantTell(
            f"it was taken {had} time{'' if had == 1 else 's'} in a year: too few to tell",
            "book what is taken; from three on a forecast is made",
        )
    for name, no in out.items():
        return CantTell(
            f"no torch with known use has one of these in it; {name}: {no.reason}", no.mend
        )
    return CantTell(
        "no torch with known use has one of these in it",
        "fit it into a torch, and sign inspections with the counters read",
    )


def _load(
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
    """Return a torch as the simulation takes it, and by part what that rests on."""
    now = current_use(session, torch.id)
    behind = lives_of(session, [r.part_item_id for r in inside.values()], now)
    rounds = _rounds(session, torch, day, work)
    unread = min(_unread_days(session, torch.id, shop.clock()), _MOST_UNREAD_DAYS)
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


def _work_words(
    name: str, work: BaseLoad | None, plans: Sequence[PlannedLine], day: dt.date
) -> str:
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
    """Return the days since a torch's counters were last read."""
    last = last_read(session, torch_id)
    return max(0.0, (now - last).total_seconds() / 86400) if last is not None else 0.0


@dataclass(frozen=True)
class _Taken:
    """Pieces taken or scrapped by hand, a number for each time."""

    sizes: tuple[int, ...]
    days: float


def _by_hand(session: Session, day: dt.date) -> dict[int, _Taken]:
    """Return what was taken by hand in the last year, undone ones left out, by item."""
    undone = aliased(Movement)
    start = midnight(day - dt.timedelta(days=_TAKINGS_DAYS))
    rows = session.execute(
        select(Movement.item_id, Movement.pieces)
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(Movement.kind.in_(("taken", "scrapped")), Movement.at >= start, undone.id.is_(None))
    ).all()
    first: dict[int, dt.datetime] = {}
    for item, at in session.execute(
        select(Movement.item_id, func.min(Movement.at)).group_by(Movement.item_id)
    ):
        first[item] = at
    sizes: dict[int, list[int]] = {}
    for item, pieces in rows:
        sizes.setdefault(item, []).append(-pieces)
    out = {}
    for item, own in sizes.items():
        seen = (day - today(max(first[item], start))).days
        # A month at least: three takings on the first day are not a thousand a year.
        out[item] = _Taken(tuple(own), float(max(seen, 28)))
    return out
