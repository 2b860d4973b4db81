r"""What to order and by when: a rule of stock on the demand that the wear will make.

The demand during an order's time is taken from today's paths, so that the reorder point
follows the wear: it rises when worn sets are about to come due together. The rule is (r, Q):
Q the economic order in packs, r the least of `pitwise.shelf.reorder` that serves as asked in
both textbook senses: that share of the demand is met at once, and in that share of the orders
nothing is missing before they come. The first alone is not enough here: with a large Q it
lets the shelf run empty before nearly every order, and a torch that wants one nozzle stands
still however many were there before. r is then raised until the rule, run on the paths day by
day, serves so (several pieces can go at once and the shelf is looked at once a day, which the
formulas do not know).

Where a cost of being short is known, the asked share is at least
:math:`1 - hQ/(p\lambda)`: the share at which one piece more on the shelf costs as much as
the shortage it saves (Hadley & Whitin, Analysis of Inventory Systems, 1963, ch. 4; from
memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.eoq import economic_order
from pitwise.shelf.paths import DemandPaths, Ints, lead_times
from pitwise.shelf.reorder import least_reorder_point
from pitwise.wear.prior import Floats

Method = Literal["rq", "ss", "newsvendor"]
Why = Literal["chance", "floor", "none"]
LEVELS = (0.05, 0.5, 0.95)
# An order list is written about once a week.
SOON_DAYS = 7.0
_YEAR = 365.0
_MOST_RAISES = 60
# Enough to tell a share met to a point; the paths' quantiles ask for more.
_RUN_PATHS = 1000
# Fewer pieces than this while an order takes its time: a part that seldom goes.
_SLOW = 0.25
# A piece nobody put a price on still takes room and money: kept as if it cost this much.
_LEAST_HOLDING = 1e-6
# An item that costs nothing to order is not ordered every day (our own choice, no source).
_LEAST_ORDER_DAYS = 7.0
# What lies longer than this on the shelf has often been changed for another by then.
_MOST_ORDER_DAYS = 365.0


@dataclass(frozen=True)
class Band:
    """5 %, 50 % and 95 % points; inf: not within the days looked ahead."""

    p05: float
    median: float
    p95: float


@dataclass(frozen=True)
class CantTell:
    """No advice can be given; falsy, with why and the mend."""

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Return False: there is no advice."""
        return False


@dataclass(frozen=True)
class Buying:
    """What an order takes.

    Attributes
    ----------
    price : float
        Of a piece, >= 0.
    pack, least : int
        Pieces in a pack; fewest pieces of an order.
    lead_days, lead_days_sd : float
        Days from order to shelf, and their SD.
    """

    price: float
    pack: int
    least: int
    lead_days: float
    lead_days_sd: float


@dataclass(frozen=True)
class Keeping:
    """How the item is to be kept.

    Attributes
    ----------
    service : float
        Share of demand to be met at once, and of orders to come before anything is missing,
        in (0, 1).
    order_cost : float
        Of one order.
    hold_rate : float
        Cost of keeping a piece for a year, as a share of its price.
    shortage_cost : float or None
        Of a piece short.
    review_days : float
        Days between looks at the shelf; 0: every day.
    keep_least : int
        Pieces never to be planned with.
    """

    service: float
    order_cost: float
    hold_rate: float
    shortage_cost: float | None = None
    review_days: float = 0.0
    keep_least: int = 0


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


@dataclass(frozen=True)
class FloorAdvice:
    """What pieces always to be kept ask for, where no forecast can be made.

    Attributes
    ----------
    keep_least : int
        Pieces always to be kept, > 0.
    order_now : int
        Pieces to order today, in whole packs; 0 where enough are there and on order.
    on_shelf, on_order : int
    by_day : float
        0 with something to order; inf else.
    cant_tell : CantTell
        Why there is no forecast.
    """

    keep_least: int
    order_now: int
    on_shelf: int
    on_order: int
    by_day: float
    cant_tell: CantTell


def advise_by_floor(
    cant_tell: CantTell, *, on_shelf: int, on_order: int, buying: Buying, keep_least: int
) -> FloorAdvice:
    """Say what to order so that the pieces always to be kept are there.

    Parameters
    ----------
    cant_tell : CantTell
        Why there is no forecast.
    on_shelf, on_order : int
        A book's figure below zero counts as none.
    buying : Buying
    keep_least : int
        > 0.
    """
    short = keep_least - max(0, on_shelf) - on_order
    pieces = _packed(short, buying) if short > 0 else 0
    return FloorAdvice(
        keep_least, pieces, on_shelf, on_order, 0.0 if pieces else math.inf, cant_tell
    )


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
    short = _stock(demand, max(0, on_shelf), on_order) < 0
    first_short = _first(short)
    per_year = float(demand.pieces.mean()) * _YEAR
    held = max(keeping.hold_rate * buying.price, _LEAST_HOLDING)
    size = _size(buying, keeping.order_cost, held, per_year)
    asked = keeping.service
    if keeping.shortage_cost and per_year > 0:
        asked = max(asked, min(1 - held * size / (keeping.shortage_cost * per_year), 0.999))
    during = _during(demand, leads + keeping.review_days, random)
    slow = float(during.mean()) < _SLOW
    point, served = (
        _base_point(during, asked)
        if slow
        else _point(demand, during, size, asked, buying, keeping, seed)
    )
    position = free + sum(pieces for pieces, _ in on_order)
    reached = np.where(position <= point, 0.0, _first(position - demand.running() <= point))
    by = 0.0 if position <= 0 else _latest(short, leads, on_order, 1 - asked)
    now = 0
    if by <= SOON_DAYS:
        now = _packed(max(1, math.ceil((point + 1 - position) / size)) * size, buying)
    one_by_one = slow and size == 1
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
        service_expected=served.share,
        point_chance=1 - served.whole_orders,
        shortage_chance=float(np.mean(first_short < leads)),
        days_left=band(first_short),
        lead_demand=band(_during(demand, leads, random)),
        lead_days=buying.lead_days,
        lead_days_sd=buying.lead_days_sd,
        on_shelf=on_shelf,
        on_order=sum(pieces for pieces, _ in on_order),
        horizon_days=demand.days,
        why=why,
        order_demand=band(_during(demand, arrives, random)),
        lasts_days=now / per_year * _YEAR if per_year > 0 else math.inf,
        keep_least=keeping.keep_least,
        by_cost=asked > keeping.service,
    )


def days_left(
    demand: DemandPaths, on_shelf: int, on_order: Sequence[tuple[int, float]] = ()
) -> Band:
    """Return the days until the first piece is missing, with what is on order."""
    return band(_first(_stock(demand, max(0, on_shelf), on_order) < 0))


def band(values: Floats | Ints) -> Band:
    """Return 5 %, 50 % and 95 % points, each a value that was seen."""
    low, middle, high = np.quantile(values, LEVELS, method="inverted_cdf")
    return Band(float(low), float(middle), float(high))


def bands(values: Ints) -> list[Band]:
    """Return the same of every column; `values` of shape (paths, columns)."""
    found = np.quantile(values, LEVELS, axis=0, method="inverted_cdf")
    return [Band(*(float(x) for x in column)) for column in found.T]


def _stock(demand: DemandPaths, free: int, on_order: Sequence[tuple[int, float]]) -> Ints:
    """Return what is on the shelf at each day's end, short counted below zero; (paths, days)."""
    come = np.zeros(demand.days, np.int64)
    for pieces, day in on_order:
        at = max(1, math.ceil(day))
        if at < demand.days:
            come[at] += pieces
    return np.asarray(free + np.cumsum(come) - demand.running(), np.int64)


def _first(which: npt.NDArray[np.bool_]) -> Floats:
    """Return the first day on which something is so, inf for never; shape (paths,)."""
    found = which.argmax(axis=1).astype(float)
    return np.where(which[np.arange(len(which)), found.astype(int)], found, math.inf)


def _during(demand: DemandPaths, waits: Floats, random: np.random.Generator) -> Ints:
    """Return the pieces that go while each path's order takes its time, shape (paths,)."""
    running = np.hstack([np.zeros((demand.paths, 1), np.int64), demand.running()])
    whole = np.minimum(np.floor(waits + random.random(demand.paths)), demand.days).astype(int)
    return np.asarray(running[np.arange(demand.paths), whole], np.int64)


def _packed(pieces: int, buying: Buying) -> int:
    """Round up to whole packs and the least order."""
    return math.ceil(max(pieces, buying.least, 1) / buying.pack) * buying.pack


def _size(buying: Buying, order_cost: float, held: float, per_year: float) -> int:
    """Return the order size: the economic one in packs, not for a day and not for ever."""
    if per_year <= 0:
        return _packed(1, buying)
    most = max(per_year * _MOST_ORDER_DAYS / _YEAR, 1.0)
    fewest = per_year * _LEAST_ORDER_DAYS / _YEAR
    if order_cost <= 0:
        return _packed(math.ceil(fewest), buying)
    found = economic_order(
        order_cost, held, per_year, pack=buying.pack, least=float(buying.least)
    ).pieces
    return _packed(math.floor(min(max(found, fewest), most)), buying)


def _base_point(during: Ints, asked: float) -> tuple[int, Served]:
    """Return the reorder point of what seldom goes: one is there in the asked share of times.

    The paths that ask for two are those on which more goes than is believed; to stock for them
    alone would keep two of everything that never failed yet.
    """
    point = max(0, Pmf.of_samples(during).quantile(asked))
    ready = float(np.mean(during <= point))
    return point, Served(ready, ready)


def _point(
    demand: DemandPaths,
    during: Ints,
    size: int,
    asked: float,
    buying: Buying,
    keeping: Keeping,
    seed: int,
) -> tuple[int, Served]:
    """Return the reorder point, and how the paths are served by it."""
    some = DemandPaths(demand.pieces[:: max(1, demand.paths // _RUN_PATHS)])
    pmf = Pmf.of_samples(during)
    # A part the torch can't do without is never ordered only once somebody waits for it.
    point = max(
        0,
        least_reorder_point(pmf, size, asked),
        least_reorder_point(pmf, size, asked, "cycle"),
    )
    for _ in range(_MOST_RAISES):
        found = realised(some, point, size, buying, keeping.review_days, seed=seed)
        if found.share >= asked and found.whole_orders >= asked:
            break
        point += 1
    return point, found


@dataclass(frozen=True)
class Served:
    """How a rule served, when it was run.

    Attributes
    ----------
    share : float
        Of the demand, met at once; 1 where nothing was asked for.
    whole_orders : float
        Share of the orders that came before anything was missing; 1 without an order.
    """

    share: float
    whole_orders: float


def realised(
    demand: DemandPaths,
    reorder_point: int,
    order_size: int,
    buying: Buying,
    review_days: float = 0.0,
    *,
    seed: int = 0,
) -> Served:
    """Return how demand is served when a rule is kept, by running it on the paths.

    Every path begins somewhere between reorder point and order-up-to level, as a shelf under
    the rule does, and is counted from when a first order could have come; all of it where
    that is longer than half the days.

    Parameters
    ----------
    demand : DemandPaths
    reorder_point, order_size : int
    buying : Buying
    review_days : float
    seed : int

    Returns
    -------
    Served
    """
    paths, days = demand.pieces.shape
    random = np.random.default_rng([seed, 9])
    stock = reorder_point + random.integers(1, order_size + 1, paths)
    coming = np.zeros((days + 1, paths), np.int64)
    ordered = np.zeros(paths, np.int64)
    every = max(1, round(review_days))
    turn = random.integers(0, every, paths)
    warm = math.ceil(buying.lead_days + review_days)
    warm = warm if warm <= days // 2 else 0
    met = asked = orders = short = 0
    rows = np.arange(paths)
    for day in range(days):
        come = coming[day] > 0
        orders += int(come.sum())
        short += int((come & (stock < 0)).sum())
        stock = stock + coming[day]
        ordered = ordered - coming[day]
        wanted = demand.pieces[:, day]
        if day >= warm:
            asked += int(wanted.sum())
            met += int(np.minimum(np.maximum(stock, 0), wanted).sum())
        stock = stock - wanted
        low = (stock + ordered <= reorder_point) & ((day + turn) % every == 0)
        if low.any():
            need = reorder_point + 1 - (stock + ordered)[low]
            pieces = -(-need // order_size) * order_size
            ordered[low] += pieces
            # Ordered at a day's end, it comes before the day that follows its time.
            wait = lead_times(buying.lead_days, buying.lead_days_sd, len(pieces), random)
            wait = np.floor(wait + random.random(len(pieces))).astype(int) + 1
            at = np.minimum(day + wait, days)
            np.add.at(coming, (at, rows[low]), pieces)
    return Served(met / asked if asked else 1.0, 1 - short / orders if orders else 1.0)


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
    slack = np.sort(_first(still) - leads)
    late = float(slack[min(int(accepted * len(slack)), len(slack) - 1)])
    return max(0.0, float(np.floor(late)))
