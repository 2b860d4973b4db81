r"""The rule of stock, (r, Q): how many an order takes, and how few ask for one.

Q is the economic order in packs, r the least of `pitwise.shelf.reorder` that serves as asked
in both textbook senses: that share of the demand is met at once, and in that share of the
orders nothing is missing before they come. The first alone is not enough here: with a large Q
it lets the shelf run empty before nearly every order, and a torch that wants one nozzle stands
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
from dataclasses import dataclass

import numpy as np

from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.eoq import economic_order
from pitwise.shelf.paths import DemandPaths, Ints
from pitwise.shelf.realised import Served, realised
from pitwise.shelf.reorder import least_reorder_point
from pitwise.shelf.terms import Buying, Keeping, in_packs

YEAR = 365.0
# Fewer pieces than this while an order takes its time: a part that seldom goes.
_SLOW = 0.25
# A piece nobody put a price on still takes room and money: kept as if it cost this much.
_LEAST_HOLDING = 1e-6
_MOST_RAISES = 60
# Enough to tell a share met to a point; the paths' quantiles ask for more.
_RUN_PATHS = 1000
# An item that costs nothing to order is not ordered every day (our own choice, no source).
_LEAST_ORDER_DAYS = 7.0
# What lies longer than this on the shelf has often been changed for another by then.
_MOST_ORDER_DAYS = 365.0


@dataclass(frozen=True)
class StockRule:
    """When to order how much.

    Attributes
    ----------
    reorder_point, order_size : int
        Pieces always to be kept are not in the point.
    asked : float
        Share of demand and of orders it is to serve.
    served : Served
        How the forecast's paths are served by it.
    seldom : bool
        It goes seldom: one is kept for each that goes.
    """

    reorder_point: int
    order_size: int
    asked: float
    served: Served
    seldom: bool


def stock_rule(
    demand: DemandPaths,
    during: Ints,
    per_year: float,
    buying: Buying,
    keeping: Keeping,
    seed: int,
) -> StockRule:
    """Return the rule that serves as asked on the forecast demand.

    Parameters
    ----------
    demand : DemandPaths
    during : int array, shape (paths,)
        Pieces that go while an order takes its time.
    per_year : float
        Pieces that go in a year, >= 0.
    buying : Buying
    keeping : Keeping
    seed : int
    """
    held = max(keeping.hold_rate * buying.price, _LEAST_HOLDING)
    size = _order_size(buying, keeping.order_cost, held, per_year)
    asked = keeping.service
    if keeping.shortage_cost and per_year > 0:
        asked = max(asked, min(1 - held * size / (keeping.shortage_cost * per_year), 0.999))
    seldom = float(during.mean()) < _SLOW
    point, served = (
        _point_of_seldom(during, asked)
        if seldom
        else _point(demand, during, size, asked, buying, keeping, seed)
    )
    return StockRule(point, size, asked, served, seldom)


def _order_size(buying: Buying, order_cost: float, held: float, per_year: float) -> int:
    """Return the order size: the economic one in packs, not for a day and not for ever."""
    if per_year <= 0:
        return in_packs(1, buying)
    most = max(per_year * _MOST_ORDER_DAYS / YEAR, 1.0)
    fewest = per_year * _LEAST_ORDER_DAYS / YEAR
    if order_cost <= 0:
        return in_packs(math.ceil(fewest), buying)
    found = economic_order(
        order_cost, held, per_year, pack=buying.pack, least=float(buying.least)
    ).pieces
    return in_packs(math.floor(min(max(found, fewest), most)), buying)


def _point_of_seldom(during: Ints, asked: float) -> tuple[int, Served]:
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
