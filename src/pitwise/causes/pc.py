"""In which order to try repairs when nothing more is to be looked at, and what it costs.

Costs are minutes here, but any one unit does. One fault is assumed, as in the sources: where
several causes may hold together the order is a good rule, not a theorem.

References
----------
.. [1] D. Heckerman, J. S. Breese, K. Rommelse, "Decision-theoretic troubleshooting",
   Communications of the ACM 38(3), 1995, 49-57.
.. [2] J. B. Kadane, H. A. Simon, "Optimal strategies for a class of constrained sequential
   problems", Annals of Statistics 5(2), 1977, 237-255.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

# 8 actions have 109,601 orders of some of them; more take too long to try one by one.
MOST_EXHAUSTIVE = 8
_SLACK = 1e-9


@dataclass(frozen=True)
class Plan:
    """An order of actions, by index, and its expected cost.

    Attributes
    ----------
    order : tuple of int
        Actions to take one after the other until the fault is gone.
    cost : float
        Expected cost, that of the service call where the order ends without a cure included.
    """

    order: tuple[int, ...]
    cost: float


@dataclass(frozen=True)
class Repairs:
    """Independent repairs of one fault: each is looked at and, when at fault, mended for good.

    Attributes
    ----------
    p : tuple of float
        Probability that repair i is the one that cures; their sum is at most 1.
    observe, repair : tuple of float
        Cost of finding out whether i is at fault, and of mending it when it is.
    service_call : float or None
        Cost of calling somebody who surely cures it; None: nobody can be called.
    """

    p: tuple[float, ...]
    observe: tuple[float, ...]
    repair: tuple[float, ...]
    service_call: float | None = None

    def __post_init__(self) -> None:
        """Refuse what is no set of repairs."""
        n = len(self.p)
        if len(self.observe) != n or len(self.repair) != n:
            raise ValueError("p, observe and repair differ in length: give one of each per action")
        _probabilities(self.p, "p")
        if math.fsum(self.p) > 1 + 1e-9:
            raise ValueError("p sums to more than 1: one fault has one cure")
        _costs((*self.observe, *self.repair), self.service_call)

    def cost(self, order: Sequence[int]) -> float:
        """Return the expected cost of an order (indices, each at most once).

        Each action costs ``observe`` while the fault is still there and ``repair`` with the
        probability that it is the one; what no action cured costs the service call.
        """
        _each_once(order, len(self.p))
        left, total = 1.0, 0.0
        for i in order:
            total += left * self.observe[i] + self.p[i] * self.repair[i]
            left = max(0.0, left - self.p[i])
        return total + left * (self.service_call or 0.0)

    def pc_order(self) -> tuple[int, ...]:
        """Return all actions by falling p/observe, ties by index.

        For one fault and repairs that surely mend it no order of all of them is cheaper [1]_,
        [2]_; what repairs cost does not change the order, since each is paid once at most.
        """
        return _by_rate(range(len(self.p)), lambda i: (self.p[i], self.observe[i]))

    def plan(self) -> Plan:
        """Return the order by p/observe, cut off where the service call becomes cheaper.

        A repair dearer than the call is left out. Among repairs of like cost the cut-off
        order is the cheapest there is; with unlike costs it is a good rule only
        (`cheapest` tries all).
        """
        call = self.service_call
        order = self.pc_order()
        if call is None:
            return Plan(order, self.cost(order))
        return _best_stop([i for i in order if self.repair[i] < call], self.cost)

    def cheapest(self) -> Plan:
        """Try every order (of every subset, where one can call for service); at most 8 actions."""
        return _exhaust(len(self.p), self.cost, some=self.service_call is not None)


@dataclass(frozen=True)
class Actions:
    """Actions that may cure several causes, or not surely: a failed one tells something.

    Attributes
    ----------
    p_cause : tuple of float
        Probability of each cause; one of them holds.
    p_fix : tuple of tuple of float
        ``p_fix[a][c]``: probability that action a cures cause c.
    cost : tuple of float
        Cost of each action.
    service_call : float
        Cost of the sure cure at the end.
    """

    p_cause: tuple[float, ...]
    p_fix: tuple[tuple[float, ...], ...]
    cost: tuple[float, ...]
    service_call: float

    def __post_init__(self) -> None:
        """Refuse what is no set of actions."""
        if len(self.p_fix) != len(self.cost):
            raise ValueError("p_fix and cost differ in length: give one of each per action")
        if any(len(row) != len(self.p_cause) for row in self.p_fix):
            raise ValueError("a row of p_fix has not one number per cause")
        _probabilities(self.p_cause, "p_cause")
        for row in self.p_fix:
            _probabilities(row, "p_fix")
        _costs(self.cost, self.service_call)

    def left(self, done: Iterable[int]) -> tuple[float, ...]:
        """Return P(cause c and not cured) after the actions done, for each c."""
        taken = tuple(done)
        return tuple(
            p * math.prod(1 - self.p_fix[a][c] for a in taken) for c, p in enumerate(self.p_cause)
        )

    def expected_cost(self, order: Sequence[int]) -> float:
        """Return the expected cost of an order, the service call after the last included."""
        _each_once(order, len(self.cost))
        steps = [math.fsum(self.left(order[:k])) for k in range(len(order) + 1)]
        paid = math.fsum(steps[k] * self.cost[a] for k, a in enumerate(order))
        return paid + steps[-1] * self.service_call

    def updating_order(self) -> tuple[int, ...]:
        """Return all actions, each next the best by p/cost given that those before failed.

        Ties go by index. Not optimal where actions overlap ([1]_ offers it as a rule).
        """
        order: list[int] = []
        while len(order) < len(self.cost):
            left = self.left(order)

            def rate(a: int, left: tuple[float, ...] = left) -> tuple[float, float]:
                return math.fsum(x * f for x, f in zip(left, self.p_fix[a], strict=True)), (
                    self.cost[a]
                )

            order.append(_by_rate((a for a in range(len(self.cost)) if a not in order), rate)[0])
        return tuple(order)

    def plan(self) -> Plan:
        """Return the updating order, cut off where the service call becomes cheaper."""
        return _best_stop(self.updating_order(), self.expected_cost)

    def cheapest(self) -> Plan:
        """Try every order of every subset; at most 8 actions."""
        return _exhaust(len(self.cost), self.expected_cost, some=True)


def _by_rate(indices: Iterable[int], rate: Callable[[int], tuple[float, float]]) -> tuple[int, ...]:
    def key(i: int) -> tuple[float, int]:
        p, cost = rate(i)
        # What costs nothing goes first, if it can cure at all.
        return (-(p / cost if cost > 0 else math.inf * p if p > 0 else 0.0), i)

    return tuple(sorted(indices, key=key))


def _best_stop(order: Sequence[int], cost: Callable[[Sequence[int]], float]) -> Plan:
    plans = [Plan(tuple(order[:k]), cost(order[:k])) for k in range(len(order) + 1)]
    least = min(plan.cost for plan in plans)
    # Of stops that cost alike the first: fewer things taken apart.
    return next(p for p in plans if p.cost <= least + _SLACK * max(1.0, least))


def _exhaust(n: int, cost: Callable[[Sequence[int]], float], *, some: bool) -> Plan:
    if n > MOST_EXHAUSTIVE:
        raise ValueError(f"{n} actions are too many to try every order: at most {MOST_EXHAUSTIVE}")
    orders = itertools.chain.from_iterable(
        itertools.permutations(range(n), k) for k in (range(n + 1) if some else (n,))
    )
    return min((Plan(o, cost(o)) for o in orders), key=lambda plan: plan.cost)


def _each_once(order: Sequence[int], n: int) -> None:
    if len(set(order)) != len(order) or any(not 0 <= i < n for i in order):
        raise ValueError(f"{list(order)} is no order of {n} actions: name each once, from 0")


def _probabilities(values: Iterable[float], name: str) -> None:
    for i, x in enumerate(values):
        if not 0 <= x <= 1:
            raise ValueError(f"{name}[{i}] = {x} is no probability: give a number from 0 to 1")


def _costs(values: Iterable[float], service_call: float | None) -> None:
    for x in (*values, service_call or 0.0):
        if not (x >= 0 and math.isfinite(x)):
            raise ValueError(f"{x} is no cost: give a number from 0 up")
