"""What to order and by when: a rule of stock on the demand that the wear will make.

The demand during an order's time is taken from today's paths, so that the reorder point
follows the wear: it rises when worn sets are about to come due together. The rule itself:
`pitwise.shelf.rule`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pitwise.shelf.paths import DemandPaths, lead_times
from pitwise.shelf.rule import YEAR, stock_rule
from pitwise.shelf.stock_left import Band, band, first_day, gone_within, shelf_ahead
from pitwise.shelf.terms import Buying, Keeping, in_packs
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.prior import Floats

Method = Literal["rq", "ss", "newsvendor"]
Why = Literal["chance", "floor", "none"]
# An order list is written about once a week.
SOON_DAYS = 7.0


@dataclass(frozen=True)
class Advice:
    """What to do about one item.

    Attributes
    ----------
    method : {"rq", "ss", "newsvendor"}
        Watched always; looked at now and then; piece for piece.
    reorder_point, order_size, order_up_to : int
        Order when shelf and open orders together are down to `reorder_point`.
    order_now : int
        Pieces to order within a week (`SOON_DAYS`), by `by_day`; 0: none yet.
    by_day : float
        Days from today by which to order: the last on which the chance that it comes too late
        is no more than the asked share leaves (what no order can mend any more does not
        count); 0 is today, and with nothing left; inf not within the days looked ahead.
    order_day : Band
        Days until the reorder point is reached.
    service_asked, service_expected : float
        Share of demand met at once: asked, and what the rule gives on the forecast demand.
    point_chance : float
        Chance of running short while an order is on its way, each time the rule orders.
    shortage_chance : float
        Chance that the shelf, with what is on order, runs short before an order of today
        could come.
    days_left : Band
        Days until the first piece is missing, with what is on order and no new one.
    lead_demand : Band
        Pieces that go while an order takes its time.
    lead_days, lead_days_sd : float
    on_shelf, on_order : int
        What it was reckoned from.
    horizon_days : int
    why : {"chance", "floor", "none"}
        What asks for the order by `by_day`: the chance that it comes too late, pieces always
        to be kept, or that none is there.
    order_demand : Band
        Pieces that go until an order of `by_day` (of today, where that is inf) has come.
    lasts_days : float
        Days that `order_now` pieces last at the forecast's mean pace; inf: nothing goes.
    keep_least : int
        Pieces always to be kept.
    by_cost : bool
        The asked share is the one that the cost of being short asks for.
    """

    method: Method
    reorder_point: int
    order_size: int
    order_up_to: int
    order_now: int
    by_day: float
    order_day: Band
    service_asked: float
    service_expected: float
    point_chance: float
    shortage_chance: float
    days_left: Band
    lead_demand: Band
    lead_days: float
    lead_days_sd: float
    on_shelf: int
    on_order: int
    horizon_days: int
    why: Why
    order_demand: Band
    lasts_days: float
    keep_least: int = 0
    by_cost: bool = False


def advise(
    demand: DemandPaths,
    *,
    on_shelf: int,
    on_order: Sequence[tuple[int, float]],
    buying: Buying,
    keeping: Keeping,
    seed: int = 0,
) -> Advice | CantTell:
    """Say what to order, and by when.

    Parameters
    ----------
    demand : DemandPaths
        Of the item, from today on.
    on_shelf : int
        Pieces there; a book's figure below zero counts as none.
    on_order : sequence of (int, float)
        Pieces to come, and in how many days; what is late comes tomorrow at the soonest.
    buying : Buying
    keeping : Keeping
    seed : int
        Of the lead times.

    Returns
    -------
    Advice or CantTell
        Can't tell when the order takes longer than the demand looks ahead.
    """
    wait = buying.lead_days + keeping.review_days
    if wait + 2 * buying.lead_days_sd > demand.days:
        return CantTell(
            f"an order takes {wait:g} days and the forecast reaches {demand.days}",
            "look at its lead time",
        )
    free = max(0, on_shelf) - keeping.keep_least
    random = np.random.default_rng([seed, 3])
    leads = lead_times(buying.lead_days, buying.lead_days_sd, demand.paths, random)
    short = shelf_ahead(demand, max(0, on_shelf), on_order) < 0
    first_short = first_day(short)
    per_year = float(demand.pieces.mean()) * YEAR
    during = gone_within(demand, leads + keeping.review_days, random)
    rule = stock_rule(demand, during, per_year, buying, keeping, seed)
    point, size, asked = rule.reorder_point, rule.order_size, rule.asked
    position = free + sum(pieces for pieces, _ in on_order)
    reached = np.where(position <= point, 0.0, first_day(position - demand.running() <= point))
    by = 0.0 if position <= 0 else _latest(short, leads, on_order, 1 - asked)
    now = 0
    if by <= SOON_DAYS:
        now = in_packs(max(1, math.ceil((point + 1 - position) / size)) * size, buying)
    one_by_one = rule.seldom and size == 1
    why: Why = "chance" if position > 0 else "floor" if keeping.keep_least else "none"
    arrives = leads + (by if math.isfinite(by) else 0.0)
    return Advice(
        method="ss" if keeping.review_days > 0 else "newsvendor" if one_by_one else "rq",
        reorder_point=point + keeping.keep_least,
        order_size=size,
        order_up_to=point + size + keeping.keep_least,
        order_now=now,
        by_day=by,
        order_day=band(reached),
        service_asked=asked,
        service_expected=rule.served.share,
        point_chance=1 - rule.served.whole_orders,
        shortage_chance=float(np.mean(first_short < leads)),
        days_left=band(first_short),
        lead_demand=band(gone_within(demand, leads, random)),
        lead_days=buying.lead_days,
        lead_days_sd=buying.lead_days_sd,
        on_shelf=on_shelf,
        on_order=sum(pieces for pieces, _ in on_order),
        horizon_days=demand.days,
        why=why,
        order_demand=band(gone_within(demand, arrives, random)),
        lasts_days=now / per_year * YEAR if per_year > 0 else math.inf,
        keep_least=keeping.keep_least,
        by_cost=asked > keeping.service,
    )


def _latest(
    short: npt.NDArray[np.bool_],
    leads: Floats,
    on_order: Sequence[tuple[int, float]],
    accepted: float,
) -> float:
    """Return the last day to order on, its chance of coming too late still accepted.

    An order of day d comes on day d + lead, too late when something is missing before. What
    is missing before an order of today could come, or before what is on order has come, no
    order can mend any more: it does not count.
    """
    days = short.shape[1]
    mended = np.maximum(leads, max((day for _, day in on_order), default=0.0))
    still = short & (np.arange(days) >= np.floor(mended)[:, None])
    slack = np.sort(first_day(still) - leads)
    late = float(slack[min(int(accepted * len(slack)), len(slack) - 1)])
    return max(0.0, float(np.floor(late)))
