"""How many pieces of each shelf item will go: the wear model run forward on the book.

What it rests on is read once and kept until the book, or the day, moves on: the stamp of all
rows that bear on it is asked first, which costs a few milliseconds.
"""

from __future__ import annotations

import datetime as dt
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from weakref import WeakKeyDictionary

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import BaseLoad as BaseLoadRow
from pitwise.records.shelf_tables import KitLine, Movement, PlannedWork, ShelfItem
from pitwise.records.tables import Counter, Fitting, Gauge, InspectionRow, ShopLimit, Torch
from pitwise.records.wear_tables import Program, StationSetting, UseReport, WearFit
from pitwise.services.fittings import fitted
from pitwise.services.life_book import part_lives
from pitwise.services.periods import midnight
from pitwise.services.planned_model import BaseLoad, NoLoad
from pitwise.services.planned_work import base_load, planned, today_of
from pitwise.services.shelf_by_hand import Taken, taken_by_hand
from pitwise.services.shelf_lives import demand_lives
from pitwise.services.shopfloor import Shop
from pitwise.services.torch_loads import torch_load, work_words
from pitwise.services.wear_book import fit_in_force
from pitwise.shelf.demand import simulate_changes
from pitwise.shelf.paths import DemandPaths
from pitwise.shelf.torch_load import TorchLoad
from pitwise.wear.cant_tell import CantTell

DAYS = 90
PATHS = 2000
_SEED = 20


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
    # By the day and not by the minute: who asks again sees the same until something moves.
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
        work = base_load(session, torch.id, midnight(day))
        own = [p for p in plans if p.torch_id == torch.id]
        known = isinstance(work, BaseLoad)
        if not isinstance(work, BaseLoad):
            for ident in dict.fromkeys(types.values()):
                unknown.setdefault(ident, {})[torch.name] = work
            if not own:
                left_out.append(f"{torch.name}: {work.reason}; {work.mend}.")
                continue
            work = BaseLoad(0.0, 0.0, 0.0, 0.0, float("inf"), 0.0, "shop")
        load, said = torch_load(shop, session, force, torch, inside, work, own, day, lives)
        loads.append(load)
        words = work_words(torch.name, work if known else None, own, day)
        for part, ident in types.items():
            basis.setdefault(ident, []).extend(
                x for x in (words, said.get(part, "")) if x and x not in basis.get(ident, [])
            )
            used.setdefault(ident, []).append(torch.name)
    found = simulate_changes(loads, days=days, paths=PATHS, seed=_SEED) if loads else {}
    by_hand = taken_by_hand(session, day)
    of = {}
    for item in session.scalars(select(ShelfItem).where(ShelfItem.kind != "kit")):
        kind = item.part_type_id
        paths = found.get(str(kind)) if kind is not None else None
        notes = list(basis.get(kind, [])) if kind is not None else []
        taken = by_hand.get(item.id)
        if taken is not None:
            if taken.enough:
                more = taken.ahead(days, PATHS, _SEED + item.id)
                paths = more if paths is None else paths + more
            notes.append(taken.words("taken or scrapped by hand"))
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
        if taken is not None and taken.enough:
            whole = taken.ahead(days, PATHS, _SEED + kit.id)
            of[kit.id] = ItemDemand(whole, (taken.words("kits taken by hand"),), ())
    return ShopDemand(day, days, of, tuple(left_out), stamp)


def _no_demand(item: ShelfItem, taken: Taken | None, out: Mapping[str, NoLoad]) -> CantTell:
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
