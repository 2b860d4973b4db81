r"""What to order and by when: a rule of stock on the demand that the wear will make.

The demand during an order's time is taken from today's paths, so that the reorder point
follows the wear: it rises when worn sets are about to come due together. The rule is (r, Q)
of `pitwise.shelf.reorder`, for the asked share of demand met at once; its r is then raised
until the rule, run on the paths day by day, gives that share (several pieces can go at once
and the shelf is looked at once a day, which the formula does not know).

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

from pitwise.shelf.demand import DemandPaths, Ints, lead_times
from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.eoq import economic_order
from pitwise.shelf.reorder import least_reorder_point
from pitwise.wear.prior import Floats

Method = Literal["rq", "ss", "newsvendor"]
LEVELS = (0.05, 0.5, 0.95)
# An order list is written about once a week.
SOON_DAYS = 7.0
_YEAR = 365.0
_MOST_RAISES = 60
# Enough to tell a share met to a point; the paths' quantiles ask for more.
_RUN_PATHS = 1000
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
        Share of demand to be met at once, in (0, 1).
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
        Median of `order_day`: 0 is today, inf not within the days looked ahead.
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
    first_short = _first(_stock(demand, max(0, on_shelf), on_order) < 0)
    per_year = float(demand.pieces.mean()) * _YEAR
    held = max(keeping.hold_rate * buying.price, _LEAST_HOLDING)
    size = _size(buying, keeping.order_cost, held, per_year)
    asked = keeping.service
    if keeping.shortage_cost and per_year > 0:
        asked = max(asked, min(1 - held * size / (keeping.shortage_cost * per_year), 0.999))
    during = _during(demand, leads + keeping.review_days, random)
    point, expected = _point(demand, during, size, asked, buying, keeping, seed)
    position = free + sum(pieces for pieces, _ in on_order)
    reached = np.where(position <= point, 0.0, _first(position - demand.running() <= point))
    order_day = band(reached)
    now = 0
    if order_day.median <= SOON_DAYS:
        now = _packed(max(1, math.ceil((point + 1 - position) / size)) * size, buying)
    slow = size == 1 and float(during.mean()) < 1
    return Advice(
        method="ss" if keeping.review_days > 0 else "newsvendor" if slow else "rq",
        reorder_point=point + keeping.keep_least,
        order_size=size,
        order_up_to=point + size + keeping.keep_least,
        order_now=now,
        by_day=order_day.median,
        order_day=order_day,
        service_asked=asked,
        service_expected=expected,
        point_chance=float(np.mean(during > point)),
        shortage_chance=float(np.mean(first_short < leads)),
        days_left=band(first_short),
        lead_demand=band(_during(demand, leads, random)),
        lead_days=buying.lead_days,
        lead_days_sd=buying.lead_days_sd,
        on_shelf=on_shelf,
        on_order=sum(pieces for pieces, _ in on_order),
        horizon_days=demand.days,
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


def _point(
    demand: DemandPaths,
    during: Ints,
    size: int,
    asked: float,
    buying: Buying,
    keeping: Keeping,
    seed: int,
) -> tuple[int, float]:
    """Return the reorder point, and the share of demand met that it gives on the paths."""
    # A part the torch can't do without is never ordered only once somebody waits for it.
    some = DemandPaths(demand.pieces[:: max(1, demand.paths // _RUN_PATHS)])
    point = max(0, least_reorder_point(Pmf.of_samples(during), size, asked))
    expected = realised(some, point, size, buying, keeping.review_days, seed=seed)
    for _ in range(_MOST_RAISES):
        if expected >= asked:
            break
        point += 1
        expected = realised(some, point, size, buying, keeping.review_days, seed=seed)
    return point, expected


def realised(
    demand: DemandPaths,
    reorder_point: int,
    order_size: int,
    buying: Buying,
    review_days: float = 0.0,
    *,
    seed: int = 0,
) -> float:
    """Return the share of demand met at once when a rule is kept, by running it on the paths.

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
    float
        1 where nothing is asked for.
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
    met = asked = 0
    rows = np.arange(paths)
    for day in range(days):
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
    return met / asked if asked else 1.0
