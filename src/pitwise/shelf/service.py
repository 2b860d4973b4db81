"""How well a reorder point and order size serve: three measures, kept apart."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .demand_pmf import Pmf
from .refusal import OutOfRangeError, whole

Measure = Literal["fill", "ready", "cycle"]


@dataclass(frozen=True)
class Service:
    """How well a rule serves, three textbook ways.

    Attributes
    ----------
    fill_rate : float
        Share of the pieces asked for that are there at once (β).
    ready_rate : float
        Share of the time with at least one piece on the shelf.
    cycle_service : float
        Chance that nobody has to wait between placing an order and its coming (α).
    """

    fill_rate: float
    ready_rate: float
    cycle_service: float

    def of(self, measure: Measure) -> float:
        """Return one of them."""
        own = {"fill": self.fill_rate, "ready": self.ready_rate, "cycle": self.cycle_service}
        return own[measure]


def service_of(
    demand: Pmf, reorder_point: int, order_size: int, *, taken: Pmf | None = None
) -> Service:
    r"""Return how well (r, Q) serves.

    Parameters
    ----------
    demand : Pmf
        Pieces asked for during the lead time.
    reorder_point : int
        r, may be below zero.
    order_size : int
        Q ≥ 1, pieces.
    taken : Pmf, optional
        Pieces taken at once, none of them zero. None: one at a time.

    Raises
    ------
    OutOfRangeError

    Notes
    -----
    The position is uniform on r+1 … r+Q and does not bear on the demand of the lead time that
    follows [1]_. With F the distribution of that demand:

    * ready rate (1/Q) Σ_{y=r+1}^{r+Q} F(y − 1);
    * fill rate, one at a time: 1 − [E(D − r)⁺ − E(D − r − Q)⁺]/Q, which is the same number;
      X at once: (1/Q) Σ_y E min((y − D)⁺, X) / E X;
    * cycle service: F(r) one at a time; X at once: mean of F(r − u) over the undershoot u,
      P(u) ∝ Σ_{j=1}^{Q} P(X = j + u).

    Exact for Poisson demand, one at a time or X at once (with X and Q free of a common
    divisor). With other demands one at a time, `demand` must be that of a lead time which
    begins at any moment; fill and cycle service then are approximations, ready rate, stock
    and cost still hold.

    References
    ----------
    .. [1] G. Hadley, T. M. Whitin, Analysis of Inventory Systems (1963), ch. 4; P. H. Zipkin,
       Foundations of Inventory Management (2000), §6.2 and §6.6 (from memory); S. Axsäter,
       Inventory Control, 2nd ed. (2006), §5.3 (from memory).
    """
    r, q = int(reorder_point), whole(order_size, "size", 1)
    y = np.arange(r + 1, r + q + 1)
    ready = 1 - float(demand.tail(y - 1).mean())
    if taken is None:
        return Service(_share(ready), _share(ready), float(demand.cdf(r)))
    if taken.p[0] > 0:
        raise OutOfRangeError("taken", "nothing may be taken at once", "start at one piece")
    x = np.arange(1, taken.largest + 1)
    # E min((y − D)⁺, x) = E(y − D)⁺ − E(y − x − D)⁺.
    met = sum(
        float(taken.p[k]) * float((demand.left(y) - demand.left(y - k)).mean())
        for k in x
        if taken.p[k] > 0
    )
    # P(X ≥ u + 1) − P(X ≥ u + Q + 1) = Σ_{j=1}^{Q} P(X = j + u).
    u = np.arange(taken.largest)
    weight = taken.tail(u) - taken.tail(u + q)
    cycle = float(weight @ demand.cdf(r - u) / weight.sum())
    return Service(_share(met / taken.mean), _share(ready), _share(cycle))


def _share(value: float) -> float:
    return min(max(value, 0.0), 1.0)
