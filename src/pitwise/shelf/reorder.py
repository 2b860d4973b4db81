"""When to reorder and how much, watching the shelf all the time: (r, Q).

The position is what is on the shelf and on order, less what is owed. When it falls to the
reorder point r, an order of Q pieces is placed (of as many times Q as lift it above r, where
several pieces are taken at once). Who is not served waits for the next delivery.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .demand_pmf import MOST_PIECES, Floats, Pmf
from .refusal import (
    NoDemandError,
    OutOfRangeError,
    TooLargeError,
    above_zero,
    share,
    whole,
    zero_or_more,
)
from .service import Measure, Service, service_of

__all__ = [
    "Measure",
    "ReorderRule",
    "Service",
    "cheapest",
    "cheapest_for_service",
    "cheapest_point",
    "judge",
    "least_base_stock",
    "least_reorder_point",
    "service_of",
]

Ints = npt.NDArray[np.int64]

# Sums of doubles differ by so much where they should be the same.
_SAME = 1e-12


@dataclass(frozen=True)
class ReorderRule:
    """A reorder point and order size, and what they do in the long run.

    Attributes
    ----------
    reorder_point : int
        r: the order is placed when the position falls to it.
    order_size : int
        Q, pieces.
    cost : float
        Per unit of time: ordering, keeping stock, owing. The price of the pieces is not in it.
    ordering_cost, holding_cost, shortage_cost : float
        Its three parts.
    on_shelf, owed : float
        Mean pieces on the shelf and owed, over time.
    service : Service
    """

    reorder_point: int
    order_size: int
    cost: float
    ordering_cost: float
    holding_cost: float
    shortage_cost: float
    on_shelf: float
    owed: float
    service: Service

    @property
    def base_stock(self) -> int:
        """r + Q: the highest position; with Q = 1 the base stock S."""
        return self.reorder_point + self.order_size


def judge(
    demand: Pmf,
    rate: float,
    reorder_point: int,
    order_size: int,
    *,
    fixed: float,
    holding: float,
    stockout: float = 0.0,
) -> ReorderRule:
    r"""Return what a given (r, Q) costs and how it serves, one piece taken at a time.

    Parameters
    ----------
    demand : Pmf
        Pieces asked for during the lead time.
    rate : float
        Pieces λ asked for per unit of time, > 0.
    reorder_point, order_size : int
        r (may be below zero) and Q ≥ 1.
    fixed : float
        Cost K of an order, ≥ 0.
    holding : float
        Cost h of a piece on the shelf per unit of time, > 0.
    stockout : float, optional
        Cost p of a piece owed per unit of time, ≥ 0.

    Notes
    -----
    [Kλ + Σ_{y=r+1}^{r+Q} G(y)]/Q, G(y) = h·E(y − D)⁺ + p·E(D − y)⁺ [1]_.

    References
    ----------
    .. [1] A. Federgruen, Y.-S. Zheng, Operations Research 40 (1992) 808; Snyder & Shen,
       Fundamentals of Supply Chain Theory, 2nd ed. (2019), §5.6 (equation 5.48; the number from
       the docstrings of stockpyl, the rest from memory).
    """
    fixed, holding = zero_or_more(fixed, "fixed"), above_zero(holding, "holding")
    stockout, rate = zero_or_more(stockout, "stockout"), _rate(rate)
    r, q = int(reorder_point), whole(order_size, "size", 1)
    if q > MOST_PIECES:
        raise _too_large()
    y = np.arange(r + 1, r + q + 1)
    on_shelf, owed = float(demand.left(y).mean()), float(demand.short(y).mean())
    parts = fixed * rate / q, holding * on_shelf, stockout * owed
    cost = sum(parts)
    if not math.isfinite(cost):
        raise OutOfRangeError("fixed", "the cost is beyond all numbers", "check the costs")
    return ReorderRule(r, q, cost, *parts, on_shelf, owed, service_of(demand, r, q))


def cheapest(
    demand: Pmf,
    rate: float,
    *,
    fixed: float,
    holding: float,
    stockout: float,
    pack: int = 1,
    least: float = 0,
) -> ReorderRule:
    r"""Return the (r, Q) of least cost, exactly.

    Parameters
    ----------
    demand, rate, fixed, holding, stockout
        As for `judge`; stockout > 0.
    pack : int, optional
        Q is a multiple of it, ≥ 1.
    least : float, optional
        Smallest order that is taken, pieces.

    Notes
    -----
    G is convex, so the best Q positions for any Q are those where G is least, and the cost is
    quasi-convex in Q: one more position pays while its G is below the cost so far [1]_. Of
    rules that cost the same, the one with the smaller Q, then the smaller r.

    References
    ----------
    .. [1] A. Federgruen, Y.-S. Zheng, An efficient algorithm for computing an optimal (r,Q)
       policy in continuous review stochastic inventory systems, Operations Research 40 (1992)
       808.
    """
    fixed, holding = zero_or_more(fixed, "fixed"), above_zero(holding, "holding")
    stockout, rate = above_zero(stockout, "stockout"), _rate(rate)
    smallest, pack = _smallest(pack, least), whole(pack, "pack", 1)
    best = demand.least(stockout / (holding + stockout), holding / (holding + stockout))
    # About the order size of a steady demand, to begin with.
    steady = _steady(fixed, rate, holding) * math.sqrt(1 + holding / stockout)
    wide = int(min(max(smallest, steady, 1.0) + 4 * demand.sd + 2 * pack, MOST_PIECES))
    while True:
        y = np.arange(best - wide, best + wide + 1)
        g = np.sort(holding * demand.left(y) + stockout * demand.short(y))
        q = np.arange(smallest, g.size + 1, pack)
        cost = (fixed * rate + np.cumsum(g)[q - 1]) / q
        if not np.isfinite(cost).all():
            raise _beyond()
        k = int(np.argmin(cost))
        edge = holding * demand.left(y[[0, -1]]) + stockout * demand.short(y[[0, -1]])
        # Outside, positions cost more than any that was used, and more than the mean so far.
        if edge.min() > max(cost[k], g[q[k] - 1]) and k < q.size - 1:
            break
        wide *= 2
        if wide > MOST_PIECES:
            raise _too_large()
    size = int(q[k])
    r = int(_cheapest_points(demand, np.array([size]), holding, stockout)[0])
    return judge(demand, rate, r, size, fixed=fixed, holding=holding, stockout=stockout)


def cheapest_point(demand: Pmf, order_size: int, *, holding: float, stockout: float) -> int:
    """Return the least r that is cheapest for a settled order size.

    Parameters
    ----------
    demand, holding, stockout
        As for `cheapest`.
    order_size : int
        Q ≥ 1.

    Notes
    -----
    The least r with G(r + Q + 1) ≥ G(r + 1): one step up would trade the second position for
    the first.
    """
    holding, stockout = above_zero(holding, "holding"), above_zero(stockout, "stockout")
    q = np.array([whole(order_size, "size", 1)])
    return int(_cheapest_points(demand, q, holding, stockout)[0])


def least_reorder_point(
    demand: Pmf, order_size: int, service: float, measure: Measure = "fill"
) -> int:
    """Return the least r whose service is at least the asked share, one piece taken at a time.

    Parameters
    ----------
    demand : Pmf
        Pieces asked for during the lead time.
    order_size : int
        Q ≥ 1.
    service : float
        Asked share, above 0 and below 1.
    measure : {"fill", "ready", "cycle"}
        Which service; the first two are the same number here.

    Notes
    -----
    Service rises with r. r may be below zero: then an order is placed only when somebody waits
    already.
    """
    q, asked = whole(order_size, "size", 1), share(service, "service")
    if measure == "cycle":
        return demand.least(asked, 1 - asked)
    return int(_least_points(demand, np.array([q]), asked)[0])


def least_base_stock(demand: Pmf, service: float, measure: Measure = "fill") -> int:
    """Return the least base stock of a slow item that is reordered piece by piece.

    Parameters
    ----------
    demand, service, measure
        As for `least_reorder_point`.

    Notes
    -----
    On the shelf and on order there are always S = r + 1 pieces less what is owed: (r, Q) with
    Q = 1. With Poisson demand the fill rate is P(D ≤ S − 1).
    """
    return least_reorder_point(demand, 1, service, measure) + 1


def cheapest_for_service(
    demand: Pmf,
    rate: float,
    *,
    fixed: float,
    holding: float,
    service: float,
    stockout: float = 0.0,
    measure: Measure = "fill",
    pack: int = 1,
    least: float = 0,
    lowest_point: int | None = None,
) -> ReorderRule:
    r"""Return the (r, Q) that reaches a service at least cost, exactly.

    Parameters
    ----------
    demand, rate, fixed, holding, stockout, pack, least
        As for `cheapest`; stockout ≥ 0: without a cost of owing, the asked service alone holds
        the stock up.
    service, measure
        As for `least_reorder_point`.
    lowest_point : int, optional
        r is not below it, such as 0: order before somebody waits.

    Notes
    -----
    For each Q the cost is convex in r: the best r is the larger of the least one that serves
    and the cheapest one. Q is tried up to where no larger one can be cheaper: the service
    needs PQ positions above zero, so the mean on the shelf is at least (PQ − E D)₊²/(2Q), which
    rises with Q. (The bound is our own.)
    """
    fixed, holding = zero_or_more(fixed, "fixed"), above_zero(holding, "holding")
    stockout, rate = zero_or_more(stockout, "stockout"), _rate(rate)
    smallest, pack = _smallest(pack, least), whole(pack, "pack", 1)
    asked = share(service, "service")
    floor = -MOST_PIECES if lowest_point is None else int(lowest_point)
    _steady(fixed, rate, holding)
    found: tuple[float, int, int] | None = None
    start, many = smallest, 64
    while True:
        q = np.arange(start, start + many * pack, pack)
        if measure == "cycle":
            r = np.full(q.size, demand.least(asked, 1 - asked))
        else:
            r = _least_points(demand, q, asked)
        r = np.maximum(r, floor)
        if stockout > 0:
            r = np.maximum(r, _cheapest_points(demand, q, holding, stockout))
        cost = fixed * rate / q + _window_cost(demand, r, q, holding, stockout)
        k = int(np.argmin(cost))
        if found is None or cost[k] < found[0]:
            found = float(cost[k]), int(r[k]), int(q[k])
        if not math.isfinite(found[0]):
            raise _beyond()
        over = max(asked * float(q[-1]) - demand.mean, 0.0)
        if holding * over**2 / (2 * float(q[-1])) > found[0]:
            break
        start, many = int(q[-1]) + pack, 2 * many
        if start > MOST_PIECES:
            raise _too_large()
    _, point, size = found
    return judge(demand, rate, point, size, fixed=fixed, holding=holding, stockout=stockout)


def _least_points(demand: Pmf, q: Ints, asked: float) -> Ints:
    """Return the least r of each Q with the asked ready rate."""
    most = (1 - asked) * q * (1 + _SAME)
    return _first(
        lambda r: demand.short(r) - demand.short(r + q) <= most,
        -q,
        np.full(q.size, demand.largest + 1),
    )


def _cheapest_points(demand: Pmf, q: Ints, holding: float, stockout: float) -> Ints:
    """Return the least r of each Q at which the cost of its positions is least."""
    best = demand.least(stockout / (holding + stockout), holding / (holding + stockout))

    def g(y: Ints) -> Floats:
        return holding * demand.left(y) + stockout * demand.short(y)

    # One step up trades position r + 1 for r + Q + 1.
    return _first(
        lambda r: g(r + q + 1) >= g(r + 1), best - q - 1, np.full(q.size, best, dtype=np.int64)
    )


def _first(holds: Callable[[Ints], npt.NDArray[np.bool_]], low: Ints, high: Ints) -> Ints:
    """Return the least number of low … high from which on a condition holds; it holds at high."""
    low, high = low.copy(), high.copy()
    while np.any(low < high):
        middle = (low + high) // 2
        yes = holds(middle)
        high = np.where(yes, middle, high)
        low = np.where(yes, low, middle + 1)
    return high


def _window_cost(demand: Pmf, r: Ints, q: Ints, holding: float, stockout: float) -> Floats:
    """Return the mean cost of the positions r+1 … r+Q, for each."""
    lowest = int(r.min()) + 1
    y = np.arange(lowest, int((r + q).max()) + 1)
    g = holding * demand.left(y) + stockout * demand.short(y)
    sums = np.concatenate([[0.0], np.cumsum(g)])
    out: Floats = (sums[r + q + 1 - lowest] - sums[r + 1 - lowest]) / q
    return out


def _steady(fixed: float, rate: float, holding: float) -> float:
    """Return the order size of a steady demand; refuses one that could not be reckoned."""
    if not math.isfinite(fixed * rate):
        raise _beyond()
    size = math.sqrt(2 * fixed * rate) / math.sqrt(holding)
    if size > MOST_PIECES:
        raise _too_large()
    return size


def _smallest(pack: float, least: float) -> int:
    """Return the smallest order: a whole number of packs, one or more, at least `least`."""
    pieces = whole(pack, "pack", 1)
    smallest = pieces * max(1, math.ceil(zero_or_more(least, "least") / pieces))
    if smallest > MOST_PIECES:
        raise _too_large()
    return smallest


def _rate(rate: float) -> float:
    if rate == 0:
        raise NoDemandError("demand", "nothing is asked for", "give the pieces per unit of time")
    return above_zero(rate, "demand")


def _beyond() -> OutOfRangeError:
    return OutOfRangeError("fixed", "the cost is beyond all numbers", "check the costs")


def _too_large() -> TooLargeError:
    return TooLargeError(
        "size",
        f"the order comes to more than {MOST_PIECES:,} pieces",
        "check the costs, or count in packs or boxes instead of pieces",
    )
