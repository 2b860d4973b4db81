"""How much to order at a time when demand is steady: the economic order quantity."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from .refusal import NoDemandError, OutOfRangeError, above_zero, whole, zero_or_more


@dataclass(frozen=True)
class OrderSize:
    """How much to order at a time.

    Attributes
    ----------
    pieces : float
        Q; a whole multiple of the pack where there is one.
    cost : float
        Of ordering and keeping stock, per unit of time, at Q. The price of the pieces is not
        in it.
    free_pieces, free_cost : float
        The same without packs and least order.
    every : float
        Time between orders.
    bound : {"none", "pack", "least"}
        What keeps Q from `free_pieces`.
    """

    pieces: float
    cost: float
    free_pieces: float
    free_cost: float
    every: float
    bound: Literal["none", "pack", "least"]


def order_cost(pieces: float, fixed: float, holding: float, demand: float) -> float:
    """Return the cost per unit of time of ordering `pieces` at a time: Kλ/Q + hQ/2."""
    return fixed * (demand / pieces) + holding * pieces / 2


def economic_order(
    fixed: float, holding: float, demand: float, *, pack: int | None = None, least: float = 0
) -> OrderSize:
    r"""Return the cheapest order size for a steady demand.

    Parameters
    ----------
    fixed : float
        Cost K of placing one order, whatever its size; ≥ 0.
    holding : float
        Cost h of keeping one piece for one unit of time; > 0.
    demand : float
        Pieces λ per unit of time; > 0.
    pack : int, optional
        Pieces in a pack, ≥ 1: Q is a whole number of packs. None: any Q.
    least : float, optional
        Smallest order that is taken, pieces, ≥ 0.

    Returns
    -------
    OrderSize

    Raises
    ------
    NoDemandError, OutOfRangeError

    Notes
    -----
    g(Q) = Kλ/Q + hQ/2, least at Q* = √(2Kλ/h), g(Q*) = √(2Kλh) [1]_. g falls before Q* and
    rises after it, so that the best multiple of a pack is one of the two around Q*, and the
    least order binds where Q* is below it.

    References
    ----------
    .. [1] F. W. Harris, Factory, The Magazine of Management 10 (1913) 135; L. V. Snyder,
       Z.-J. M. Shen, Fundamentals of Supply Chain Theory, 2nd ed. (2019), §3.2 (numbers of
       equations: 3.4, 3.5; from the docstrings of stockpyl, not from the book).
    """
    fixed = zero_or_more(fixed, "fixed")
    holding = above_zero(holding, "holding")
    if demand == 0:
        raise NoDemandError("demand", "nothing is asked for", "give the pieces per unit of time")
    demand = above_zero(demand, "demand")
    least = zero_or_more(least, "least")
    # Roots apart: a product of large numbers could leave the range of doubles.
    free = math.sqrt(2) * math.sqrt(fixed) * math.sqrt(demand) / math.sqrt(holding)
    free_cost = math.sqrt(2) * math.sqrt(fixed) * math.sqrt(demand) * math.sqrt(holding)
    pieces = max(free, least)
    if pack is not None:
        pieces = _in_packs(pieces, whole(pack, "pack", 1), least, fixed, holding, demand)
    if pieces == 0:
        raise OutOfRangeError(
            "fixed", "an order that costs nothing is best placed for every piece", "give a pack"
        )
    cost = order_cost(pieces, fixed, holding, demand)
    if not (math.isfinite(cost) and math.isfinite(pieces)):
        raise OutOfRangeError("fixed", "the cost is beyond all numbers", "check the costs")
    bound: Literal["none", "pack", "least"] = "none"
    if pieces != free:
        bound = "least" if least > free and pieces - least < (pack or 1) else "pack"
    return OrderSize(pieces, cost, free, free_cost, pieces / demand, bound)


def _in_packs(
    free: float, pack: int, least: float, fixed: float, holding: float, demand: float
) -> float:
    """Return the cheapest whole number of packs, at least `least` pieces."""
    lowest = max(1, math.ceil(least / pack))
    below = max(math.floor(free / pack), lowest)
    # Of two that cost the same, the smaller.
    return float(
        min(
            (below * pack, (below + 1) * pack),
            key=lambda q: order_cost(q, fixed, holding, demand),
        )
    )


def flat_range(free_pieces: float, extra: float) -> tuple[float, float]:
    """Return the order sizes whose cost is at most (1 + extra) times the least.

    Parameters
    ----------
    free_pieces : float
        Q* > 0 of `OrderSize`.
    extra : float
        > 0, such as 0.01.

    Notes
    -----
    g(Q)/g(Q*) = (Q/Q* + Q*/Q)/2, so with a = 1 + extra the ends are Q*(a ± √(a² − 1)).
    """
    a = 1 + above_zero(extra, "extra")
    far = a + math.sqrt(a * a - 1)
    return free_pieces / far, free_pieces * far
