"""How demand is served when a rule is kept: run on the paths, day by day."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pitwise.shelf.paths import DemandPaths, lead_times
from pitwise.shelf.terms import Buying


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
