"""The page of planned work: what is planned on each torch, its usual work, what that takes."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import Torch
from pitwise.records.wear_tables import ImportFile, Program
from pitwise.services.permissions import Actor, require
from pitwise.services.planned_model import BaseLoad, NoLoad, PlannedLine, ahead_of
from pitwise.services.planned_work import base_load, planned, today_of
from pitwise.services.shelf_advice import all_advice, item_advice
from pitwise.services.shelf_advice_model import ItemAdvice
from pitwise.services.shopfloor import Shop

# A list to choose from is no list any more beyond this; the newest are offered.
MOST_PROGRAMS = 300


@dataclass(frozen=True)
class TorchWork:
    """A torch with what is usual and what is planned.

    Attributes
    ----------
    torch : Torch
    load : BaseLoad or NoLoad
    plans : tuple of PlannedLine
    planned_starts : float
        Starts of what is planned from today on, as far as it can be counted.
    days : int
        Days from today on with counted work planned on them.
    most : float
        Planned starts of the fullest of them.
    over : int
        Days on which more than the usual work is planned; 0 where the usual is not known.
    uncounted : int
        Plans whose starts can't be counted: they are in no figure.
    """

    torch: Torch
    load: BaseLoad | NoLoad
    plans: tuple[PlannedLine, ...]
    planned_starts: float
    days: int
    most: float
    over: int
    uncounted: int

    @property
    def per_day(self) -> float:
        """Planned starts a day, over the days with work planned on them."""
        return self.planned_starts / self.days if self.days else 0.0


@dataclass(frozen=True)
class PlanView:
    """What the page shows.

    Attributes
    ----------
    today : date
    torches : tuple of TorchWork
    programs : tuple of (int, str)
        In use, newest first.
    goes : tuple of ItemAdvice
        Items of which something goes in four weeks, most first.
    kept : int
        Items on the shelf.
    withdrawn : tuple of PlannedLine
        Taken off the plan and not over yet: they can be brought back.
    """

    today: dt.date
    torches: tuple[TorchWork, ...]
    programs: tuple[tuple[int, str], ...]
    goes: tuple[ItemAdvice, ...]
    kept: int
    withdrawn: tuple[PlannedLine, ...]


def plan_view(shop: Shop, actor: Actor) -> PlanView:
    """Return the page of planned work."""
    require(actor, "view")
    today = today_of(shop)
    advised = all_advice(shop, actor)
    with shop.database.read() as session:
        plans = planned(session, today)
        torches = tuple(
            _work(session, torch, plans, today, shop.clock())
            for torch in session.scalars(select(Torch).order_by(Torch.name))
        )
        programs = session.execute(
            select(Program.id, Program.name)
            .join(ImportFile, ImportFile.id == Program.file_id)
            .where(Program.withdrawn_at.is_(None))
            .order_by(ImportFile.imported_at.desc(), Program.ordinal)
            .limit(MOST_PROGRAMS)
        )
        goes = [a for a in advised if a.month is not None and a.month.p95 > 0]
        goes.sort(key=lambda a: (-(a.month.median if a.month else 0), a.item.name))
        return PlanView(
            today,
            torches,
            tuple((ident, name) for ident, name in programs),
            tuple(goes),
            len(advised),
            tuple(planned(session, today, withdrawn=True)),
        )


def _work(
    session: Session,
    torch: Torch,
    plans: list[PlannedLine],
    today: dt.date,
    now: dt.datetime,
) -> TorchWork:
    own = tuple(p for p in plans if p.torch_id == torch.id)
    load = base_load(session, torch.id, now)
    starts = [x for x in ahead_of(own, today).starts if x > 0]
    usual = load.starts_per_day if isinstance(load, BaseLoad) else math.inf
    return TorchWork(
        torch,
        load,
        own,
        sum(starts),
        len(starts),
        max(starts, default=0.0),
        sum(x > usual for x in starts),
        sum(not p.counted for p in own),
    )


def ahead_of_item(shop: Shop, actor: Actor, item_id: int) -> ItemAdvice:
    """Return what goes of one item, for its page of the weeks ahead.

    Raises
    ------
    NotFoundError
    """
    require(actor, "view")
    with shop.database.read() as session:
        return item_advice(shop, session, item_id)
