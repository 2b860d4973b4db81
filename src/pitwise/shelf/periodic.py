"""When to reorder and how much, looking at the shelf at set times: (s, S).

At each review the position (on the shelf and on order, less what is owed) is read; at s or
below, as much is ordered as lifts it to S. Who is not served waits.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from .demand_pmf import MOST_PIECES, Floats, Pmf
from .refusal import (
    NoDemandError,
    OutOfRangeError,
    TooLargeError,
    above_zero,
    share,
    zero_or_more,
)

ReviewMeasure = Literal["fill", "ready", "period"]

# Sums of doubles differ by so much where they should be the same.
_SAME = 1e-12
# The renewal sums take the square of it.
_MOST_SPAN = 20_000
# Spans S − s are tried until the cost is so many times the best (our own choice).
_FAR = 2.0


@dataclass(frozen=True)
class ReviewService:
    """How well a rule with reviews serves.

    Attributes
    ----------
    fill_rate : float
        Share of the pieces asked for that are there at once (β).
    ready_rate : float
        Share of review periods that end with at least one piece on the shelf.
    period_service : float
        Share of review periods that end with nothing owed (type 1, per period).
    """

    fill_rate: float
    ready_rate: float
    period_service: float

    def of(self, measure: ReviewMeasure) -> float:
        """Return one of them."""
        own = {"fill": self.fill_rate, "ready": self.ready_rate, "period": self.period_service}
        return own[measure]


@dataclass(frozen=True)
class ReviewRule:
    """A rule (s, S) and what it does in the long run.

    Attributes
    ----------
    order_at : int
        s: at a position of s or less an order is placed.
    order_up_to : int
        S > s.
    cost : float
        Per review period: ordering, keeping stock, owing. The price of the pieces is not in it.
    ordering_cost, holding_cost, shortage_cost : float
        Its three parts.
    orders_per_review : float
        Share of reviews at which an order is placed.
    on_shelf, owed : float
        Mean pieces on the shelf and owed at the end of a period.
    service : ReviewService
    """

    order_at: int
    order_up_to: int
    cost: float
    ordering_cost: float
    holding_cost: float
    shortage_cost: float
    orders_per_review: float
    on_shelf: float
    owed: float
    service: ReviewService


class _Renewals:
    """m(j) and M(j): how often the position stands j below S in a cycle, and for how long."""

    def __init__(self, demand: Pmf) -> None:
        if demand.largest == 0:
            raise NoDemandError("demand", "nothing is ever asked for", "no rule is needed")
        # Zero pieces keep the position; above[0] is exact where p[0] is close to one.
        self._step = demand.p[1:] / demand.above[0]
        self.m: Floats = np.array([1 / demand.above[0]])
        self.sums: Floats = np.array([0.0, self.m[0]])

    def reach(self, span: int) -> None:
        """Have m(0) … m(span−1) and M(0) … M(span)."""
        if span > _MOST_SPAN:
            raise _too_large()
        have = self.m.size
        if span <= have:
            return
        size = max(span, min(2 * have, _MOST_SPAN))
        m = np.zeros(size)
        m[:have] = self.m
        step = self._step
        for j in range(have, size):
            k = min(j, step.size)
            # m(j) = Σ_{l=1}^{j} p(l)/(1 − p(0)) · m(j − l).
            m[j] = step[:k] @ m[j - k : j][::-1]
        self.m, self.sums = m, np.concatenate([[0.0], np.cumsum(m)])


class _Along:
    """A function of the position, kept where it was asked for: rules share their positions."""

    def __init__(self, of: Callable[[npt.ArrayLike], Floats]) -> None:
        self._of = of
        self._low = 0
        self._kept = of(np.arange(1))

    def down(self, top: int, span: int) -> Floats:
        """Return its values at top, top − 1 … top − span + 1."""
        low, high = top - span + 1, top + 1
        if low < self._low or high > self._low + self._kept.size:
            more = self._kept.size + span
            start = self._low if low >= self._low else low - more
            end = max(self._low + self._kept.size, high)
            end += more if end == high else 0
            self._low, self._kept = start, self._of(np.arange(start, end))
        return self._kept[low - self._low : high - self._low][::-1]


class _Costs:
    """The cost of a period that begins at a position, and of rules."""

    def __init__(
        self, demand: Pmf, lead: Pmf, fixed: float, holding: float, stockout: float
    ) -> None:
        self.renewals = _Renewals(demand)
        self.demand, self.lead, self.over = demand, lead, lead.plus(demand)
        self.fixed, self.holding, self.stockout = fixed, holding, stockout
        self.kept = _Along(self.g)

    def g(self, y: npt.ArrayLike) -> Floats:
        """h·E(y − D)⁺ + p·E(D − y)⁺, D the demand of lead time and period."""
        return self.holding * self.over.left(y) + self.stockout * self.over.short(y)

    def all_below(self, top: int, spans: int) -> Floats:
        """Return the costs of (top − 1, top), (top − 2, top) … (top − spans, top)."""
        self.renewals.reach(spans)
        m, sums = self.renewals.m[:spans], self.renewals.sums[1 : spans + 1]
        return (self.fixed + np.cumsum(m * self.kept.down(top, spans))) / sums

    def of(self, s: int, top: int) -> float:
        """Return the cost of one rule."""
        span = top - s
        self.renewals.reach(span)
        m = self.renewals.m[:span]
        costs = self.fixed + float(m @ self.kept.down(top, span))
        return costs / float(self.renewals.sums[span])

    def judge(self, s: int, top: int) -> ReviewRule:
        """Return what a rule does."""
        span = top - s
        self.renewals.reach(span)
        cycle = float(self.renewals.sums[span])
        y = top - np.arange(span)
        share_of = self.renewals.m[:span] / cycle
        on_shelf = float(share_of @ self.over.left(y))
        owed = float(share_of @ self.over.short(y))
        parts = self.fixed / cycle, self.holding * on_shelf, self.stockout * owed
        if not math.isfinite(sum(parts)):
            raise OutOfRangeError("fixed", "the cost is beyond all numbers", "check the costs")
        missed = float(share_of @ (self.over.short(y) - self.lead.short(y)))
        service = ReviewService(
            min(max(1 - missed / self.demand.mean, 0.0), 1.0),
            float(share_of @ self.over.cdf(y - 1)),
            float(share_of @ self.over.cdf(y)),
        )
        return ReviewRule(s, top, sum(parts), *parts, 1 / cycle, on_shelf, owed, service)


def judge_review(
    demand: Pmf,
    order_at: int,
    order_up_to: int,
    *,
    fixed: float,
    holding: float,
    stockout: float = 0.0,
    lead: Pmf | None = None,
) -> ReviewRule:
    r"""Return what a given (s, S) costs per review period and how it serves.

    Parameters
    ----------
    demand : Pmf
        Pieces asked for from one review to the next; the periods don't bear on each other.
    order_at, order_up_to : int
        s (may be below zero) and S > s.
    fixed : float
        Cost K of an order, ≥ 0.
    holding, stockout : float
        Cost h > 0 of a piece on the shelf and p ≥ 0 of a piece owed at the end of a period.
    lead : Pmf, optional
        Pieces asked for during the lead time, before the period that is charged. None: what is
        ordered is there at once.

    Raises
    ------
    NoDemandError, OutOfRangeError, TooLargeError

    Notes
    -----
    c(s, S) = [K + Σ_{j=0}^{S−s−1} m(j) G(S − j)]/M(S − s) with m(0) = 1/(1 − p(0)),
    m(j) = Σ_{l=1}^{j} p(l) m(j − l)/(1 − p(0)), M(j) = Σ_{i<j} m(i), and
    G(y) = h·E(y − D)⁺ + p·E(D − y)⁺, D over the lead time and one period [1]_. In the long run
    the position after a review is S − j with probability π(j) = m(j)/M(S − s). So

    * fill rate: 1 − Σ_j π(j)[E(D − y)⁺ − E(D_lead − y)⁺]/E D_period, y = S − j;
    * ready rate: Σ_j π(j) P(D < y); period service: Σ_j π(j) P(D ≤ y).

    References
    ----------
    .. [1] Y.-S. Zheng, A. Federgruen, Finding optimal (s, S) policies is about as simple as
       evaluating a single policy, Operations Research 39 (1991) 654; Snyder & Shen,
       Fundamentals of Supply Chain Theory, 2nd ed. (2019), §4.4 (equations 4.71 to 4.75; the
       numbers from the docstrings of stockpyl). The service measures: from memory, after
       P. H. Zipkin, Foundations of Inventory Management (2000), §9.4.
    """
    costs = _costs(demand, lead, fixed, holding, zero_or_more(stockout, "stockout"))
    s, top = int(order_at), int(order_up_to)
    if top <= s:
        raise OutOfRangeError(
            "order_up_to", f"{top} is not above the order point {s}", "order up to more than that"
        )
    return costs.judge(s, top)


def cheapest_review(
    demand: Pmf, *, fixed: float, holding: float, stockout: float, lead: Pmf | None = None
) -> ReviewRule:
    r"""Return the (s, S) of least cost, exactly.

    Parameters
    ----------
    demand, fixed, holding, stockout, lead
        As for `judge_review`; stockout > 0.

    Notes
    -----
    Zheng and Federgruen's algorithm [1]_: from S at the least of G, s goes down until
    c(s, S) ≤ G(s). Then S goes up while G(S) is at most the best cost; an S that is cheaper at
    the same s is kept, and s goes up while c(s, S) ≤ G(s + 1). No other stationary rule is
    cheaper.

    References
    ----------
    .. [1] Y.-S. Zheng, A. Federgruen, Operations Research 39 (1991) 654.
    """
    costs = _costs(demand, lead, fixed, holding, above_zero(stockout, "stockout"))
    whole_cost = holding + stockout
    top = costs.over.least(stockout / whole_cost, holding / whole_cost)
    spans = 64
    while True:
        found = costs.all_below(top, spans)
        if not np.isfinite(found).all():
            raise OutOfRangeError("fixed", "the cost is beyond all numbers", "check the costs")
        stops = np.flatnonzero(found <= costs.g(top - 1 - np.arange(spans)))
        if stops.size:
            break
        spans *= 2
    best = float(found[stops[0]])
    s, kept = top - 1 - int(stops[0]), top
    while float(costs.kept.down(top + 1, 1)[0]) <= best:
        top += 1
        if top - s > _MOST_SPAN:
            raise _too_large()
        if costs.of(s, top) < best:
            kept = top
            while s + 1 < kept and costs.of(s, kept) <= float(costs.kept.down(s + 1, 1)[0]):
                s += 1
            best = costs.of(s, kept)
    return costs.judge(s, kept)


def cheapest_review_for_service(
    demand: Pmf,
    *,
    fixed: float,
    holding: float,
    service: float,
    stockout: float = 0.0,
    measure: ReviewMeasure = "fill",
    lead: Pmf | None = None,
) -> ReviewRule:
    r"""Return the cheapest (s, S) found that reaches an asked service.

    Parameters
    ----------
    demand, fixed, holding, lead
        As for `judge_review`.
    service : float
        Asked share, above 0 and below 1.
    stockout : float, optional
        Cost of a piece owed, ≥ 0.
    measure : {"fill", "ready", "period"}

    Notes
    -----
    For each span S − s the least S that serves is exact: service rises with S, and the S asked
    for rises with the span, since π moves away from S. With a cost of owing S is raised further
    while that is cheaper. Spans are tried from 1 up, until the cost is twice the best.
    """
    costs = _costs(demand, lead, fixed, holding, zero_or_more(stockout, "stockout"))
    asked = share(service, "service")
    over, before = costs.over, costs.lead

    def unserved(y: npt.ArrayLike) -> Floats:
        if measure == "fill":
            return (over.short(y) - before.short(y)) / demand.mean
        return over.tail(np.asarray(y) - 1 if measure == "ready" else y)

    missing = _Along(unserved)
    # At a span of 1 and lower still nothing is served.
    top, span = 0, 1
    best: tuple[float, int, int] | None = None
    while True:
        top = _least_top(costs, missing, top, span, asked)
        own = top
        cost = costs.of(own - span, own)
        while costs.stockout > 0 and (higher := costs.of(own + 1 - span, own + 1)) < cost:
            own, cost = own + 1, higher
        if not math.isfinite(cost):
            raise OutOfRangeError("fixed", "the cost is beyond all numbers", "check the costs")
        if best is None or cost < best[0]:
            best = cost, own - span, own
        if cost > _FAR * best[0]:
            return costs.judge(best[1], best[2])
        span += 1


def _least_top(costs: _Costs, missing: _Along, low: int, span: int, asked: float) -> int:
    """Return the least S ≥ low at which a rule of this span serves."""
    costs.renewals.reach(span)
    share_of = costs.renewals.m[:span] / costs.renewals.sums[span]
    most = (1 - asked) * (1 + _SAME)

    def serves(top: int) -> bool:
        return float(share_of @ missing.down(top, span)) <= most

    step = 1
    while not serves(low + step - 1):
        step *= 2
    # It holds at low + step − 1 and, past the first try, not at half the step.
    below, at = low + step // 2 - 1, low + step - 1
    while at - below > 1:
        middle = (below + at) // 2
        if serves(middle):
            at = middle
        else:
            below = middle
    return at


def _too_large() -> TooLargeError:
    return TooLargeError(
        "fixed",
        f"the best order comes to more than {_MOST_SPAN:,} pieces",
        "check the costs, or count in packs or boxes instead of pieces",
    )


def _costs(demand: Pmf, lead: Pmf | None, fixed: float, holding: float, stockout: float) -> _Costs:
    fixed, holding = zero_or_more(fixed, "fixed"), above_zero(holding, "holding")
    nothing = Pmf.fixed(0)
    if demand.largest + (lead.largest if lead else 0) > MOST_PIECES:
        raise TooLargeError("demand", "too many pieces", "count in packs or boxes")
    return _Costs(demand, lead or nothing, fixed, holding, stockout)
