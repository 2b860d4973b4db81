"""Wide problems made narrow: a few causes are set both ways, and the rest is summed each time.

Twenty-five facts that twelve causes all share are too many to hold open, but 4,096 ways to set
those causes are not. Which causes to set is found by trial: those with the most facts, as long as
the work shrinks. What stays too wide is refused before any memory is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pitwise.causes.evidence import Compiled
from pitwise.causes.network import Floats, NetworkError
from pitwise.causes.order import Plan, plan

# Below this many state updates setting causes gains nothing worth the search.
_CHEAP = 20_000_000
# The most that is done: about a minute.
_MOST_UPDATES = 1 << 33
# The most for many problems at once: some fifteen seconds, for the ranges and again for the
# evidence for and against.
MOST_BATCHED = 1 << 31
_MOST_SET = 18
_PATIENCE = 4
WIDEST = 22
# Numbers kept by one pass over part of a batch: 256 MB.
MOST_NUMBERS = 1 << 25


@dataclass(frozen=True)
class Cut:
    """How a structure is summed: the causes that are set both ways, and the order of the rest."""

    causes: tuple[int, ...]
    plan: Plan

    @property
    def work(self) -> int:
        """Return the state updates of one problem, its merges counted as the arrays they are."""
        return self.plan.cost + 16 * len(self.plan.merges) << len(self.causes)


def cut(facts: tuple[int, ...]) -> Cut:
    """Return how to sum a structure.

    Parameters
    ----------
    facts : tuple of int
        For each fact the set of causes linked to it, as bits.

    Raises
    ------
    NetworkError
        If it stays wider than can be held, whatever is set.
    """
    planned = plan(facts)
    best = Cut((), planned)
    if planned.cost <= _CHEAP:
        return best
    least, left, chosen, worse = float(planned.cost), list(facts), [], 0
    usable = _fits(planned, 0)
    for _ in range(_MOST_SET):
        counts: dict[int, int] = {}
        held = {s.cause for s in planned.steps}
        for i in held:
            counts[i] = sum(mask >> i & 1 for mask in left)
        if not counts:
            break
        most = max(sorted(counts), key=lambda i: counts[i])
        chosen.append(most)
        left = [mask & ~(1 << most) for mask in left]
        planned = plan(tuple(left))
        # A batch of 2^c small problems pays for its own rows too.
        work = float(planned.cost + len(left) * 16) * 2 ** len(chosen)
        fits = _fits(planned, len(chosen))
        if fits and (work < least or not usable):
            best, least, usable, worse = Cut(tuple(chosen), planned), work, True, 0
        elif usable:
            worse += 1
            if worse > _PATIENCE:
                break
    if not usable:
        raise too_wide(best.plan)
    return best


def _fits(planned: Plan, set_causes: int) -> bool:
    return (
        planned.width <= WIDEST
        and planned.states <= 4 * MOST_NUMBERS
        and planned.cost << set_causes <= _MOST_UPDATES
    )


def too_wide(planned: Plan) -> NetworkError:
    """Return the error of a problem that is too wide."""
    why = "takes too long for exact sums"
    if planned.width > WIDEST:
        why = f"is too wide for exact sums (at most {WIDEST})"
    return NetworkError(
        "evidence",
        f"{planned.width} seen findings hang together through shared causes, which {why}",
        "leave out findings that say the same, or group those that are one fact",
    )


def parts(compiled: Compiled, causes: Sequence[int]) -> Compiled:
    """Return one problem as 2^c problems in which causes are set both ways.

    A cause that is set has weight 1 that way and 0 the other; its own weight goes into
    `log_constant`, and what it explains into the facts' leaks.
    """
    sets = (np.arange(1 << len(causes))[:, None] >> np.arange(len(causes)) & 1).astype(bool)
    held = list(causes)
    with np.errstate(divide="ignore"):
        on, off = np.log(compiled.weight_on[0, held]), np.log(compiled.weight_off[0, held])
    taken: Floats = np.where(sets, on, off).sum(axis=1)
    weight_on = np.tile(compiled.weight_on[0], (len(sets), 1))
    weight_off = np.tile(compiled.weight_off[0], (len(sets), 1))
    weight_on[:, held], weight_off[:, held] = sets, ~sets
    leak = np.tile(compiled.leak[0], (len(sets), 1))
    for at, i in enumerate(held):
        chance = np.where(sets[:, at, None], compiled.q[0, :, i], 0.0)
        leak += (1.0 - leak) * chance
    q = compiled.q.copy()
    q[:, :, held] = 0.0
    return replace(
        compiled,
        weight_on=weight_on,
        weight_off=weight_off,
        q=q,
        leak=np.minimum(leak, 1.0),
        log_constant=compiled.log_constant + taken,
    )


def row(compiled: Compiled, first: int, last: int) -> Compiled:
    """Return problems first to last − 1 of a batch."""

    def part(a: Floats) -> Floats:
        return a if len(a) == 1 else a[first:last]

    return replace(
        compiled,
        weight_off=part(compiled.weight_off),
        weight_on=part(compiled.weight_on),
        q=part(compiled.q),
        leak=part(compiled.leak),
        close_unexplained=part(compiled.close_unexplained),
        close_explained=part(compiled.close_explained),
        log_constant=part(compiled.log_constant),
        prior=part(compiled.prior),
    )
