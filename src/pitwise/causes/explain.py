"""The likeliest explanations: whole sets of causes, best first, exact.

log P(set, evidence) is a sum over causes plus, for each fact, a function φ of the set's total
log-inhibition. For a fact that was seen φ rises and is concave, so what a further cause gains at a
set is no less than what it gains at any larger set, and no fact gains more than all the causes
still open give it together. For a reading that speaks against its finding φ only falls. Both give
a bound on all larger sets, and best-first search over sets (each reached in one way only) returns
them in the order of their probability.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pitwise.causes.evidence import Compiled, Evidence, compile_evidence
from pitwise.causes.network import Floats, Network
from pitwise.causes.posterior import impossible, solve

# Sets opened before the search stops and says so.
MOST_SETS = 20_000
# Bounds are sums of roundings: a set may pass its parent's bound by this.
_ROUNDING = 1e-12


@dataclass(frozen=True)
class Explanations:
    """The likeliest sets of causes.

    Attributes
    ----------
    found : tuple of (frozenset of int, float)
        Sets and their posterior probabilities, likeliest first. Proven: no set left out is
        likelier than one of these.
    complete : bool
        False when the search stopped before it had as many sets as were asked for.
    rest_at_most : float
        No set that is not in `found` has a higher probability than this.
    sets_opened : int
        Work done.
    """

    found: tuple[tuple[frozenset[int], float], ...]
    complete: bool
    rest_at_most: float
    sets_opened: int


def explanations(
    network: Network, evidence: Evidence, count: int = 5
) -> tuple[tuple[frozenset[int], float], ...]:
    """Return the likeliest sets of causes with their posterior probabilities, likeliest first.

    Fewer than `count` come back when there are no more possible sets, or when the search had to
    stop (`explain` tells which).

    Raises
    ------
    NetworkError
        As `posteriors`.
    """
    return explain(network, evidence, count).found


def explain(
    network: Network, evidence: Evidence, count: int = 5, most_sets: int = MOST_SETS
) -> Explanations:
    """Return the likeliest sets of causes, and whether the search came to its end.

    Parameters
    ----------
    network : Network
        The network.
    evidence : Evidence
        What was found.
    count : int
        How many sets, at least 1.
    most_sets : int
        How many sets may be opened.

    Raises
    ------
    NetworkError
        As `posteriors`.
    """
    compiled = compile_evidence(network, evidence)
    log_z = float(solve(compiled).log_evidence[0])
    if log_z == -np.inf:
        raise impossible(network, compiled)
    return _search(_Sets(compiled), log_z - float(compiled.log_constant[0]), count, most_sets)


def chances_of_sets(
    network: Network,
    evidence: Evidence,
    sets: Sequence[frozenset[int]],
    free: frozenset[int] = frozenset(),
) -> list[float]:
    """Return the exact posterior of each set: its causes at work, all others away.

    Parameters
    ----------
    network : Network
        The network.
    evidence : Evidence
        What was found.
    sets : sequence of frozenset of int
        Sets of causes, none of them free.
    free : frozenset of int
        Causes that may be at work or not; they are summed over.

    Raises
    ------
    NetworkError
        As `posteriors`.
    """
    compiled = compile_evidence(network, evidence)
    whole = float(solve(compiled).log_evidence[0])
    if whole == -np.inf:
        raise impossible(network, compiled)
    open_ = np.array([i in free for i in range(len(network.prior))], dtype=bool)
    mine = np.array([[i in s for i in range(len(open_))] for s in sets], dtype=bool)
    mine = mine.reshape((len(sets), len(open_)))
    each = replace(
        compiled,
        weight_on=np.where(mine | open_, compiled.weight_on, 0.0),
        weight_off=np.where(~mine | open_, compiled.weight_off, 0.0),
    )
    return [min(1.0, float(x)) for x in np.exp(solve(each).log_evidence - whole)]


class _Sets:
    """Values of sets and bounds of all that contain them."""

    def __init__(self, compiled: Compiled) -> None:
        with np.errstate(divide="ignore"):
            on, off = np.log(compiled.weight_on[0]), np.log(compiled.weight_off[0])
            self.inhibit = -np.log1p(-compiled.q[0])
            self.start = -np.log1p(-compiled.leak[0])
        self.close_u, self.close_e = compiled.close_unexplained[0], compiled.close_explained[0]
        self.rising = self.close_e >= self.close_u
        must = np.isneginf(off)
        may = np.flatnonzero(~must & ~np.isneginf(on))
        self.forced = frozenset(np.flatnonzero(must).tolist())
        self.base = float(np.where(must, on, off).sum())
        self.total = self.start + self.inhibit[:, must].sum(axis=1)
        # The causes that gain most on their own come first: later ones then have few below them.
        change = on[may] - off[may]
        at_start = self.fact(self.total)
        alone = self.fact(self.total + self.inhibit[:, may].T)
        with np.errstate(invalid="ignore"):
            gain = np.where(np.isneginf(at_start), 50.0, alone - at_start)
        gain = np.where(self.inhibit[:, may].T > 0, gain, 0.0).sum(axis=1) + change
        by_gain = np.argsort(-gain, kind="stable")
        self.causes: list[int] = may[by_gain].tolist()
        self.change = change[by_gain]
        self.inhibit = np.ascontiguousarray(self.inhibit[:, self.causes].T)
        # Inhibition of all causes from each place on.
        below = np.cumsum(self.inhibit[::-1], axis=0)[::-1]
        self.below = np.vstack([below, np.zeros((1, below.shape[1]))])
        self.gain_below = np.append(np.cumsum(np.maximum(self.change, 0)[::-1])[::-1], 0.0)

    def fact(self, total: Floats) -> Floats:
        """Return φ: the log weight of facts at a total log-inhibition, leak included."""
        with np.errstate(divide="ignore"):
            out: Floats = np.log(self.close_e * -np.expm1(-total) + self.close_u * np.exp(-total))
        return out

    def children(self, total: Floats, base: float, first: int) -> tuple[Floats, Floats]:
        """Return (values, bounds) of the sets that add one cause from a place on.

        Parameters
        ----------
        total : (k,) array
            Log-inhibition of each fact by the set, leak included.
        base : float
            The set's log weight without its facts.
        first : int
            The first cause that may be added.
        """
        mine = self.inhibit[first:]
        count = len(mine)
        totals = total + mine
        facts = self.fact(totals)
        flat = base + self.change[first:]
        values = flat + facts.sum(axis=1)
        full = self.fact(totals + self.below[first + 1 :])
        full = np.where(self.rising, full, facts)
        later = np.triu(np.ones((count, count), dtype=bool), 1)
        lost = np.isneginf(facts)
        with np.errstate(invalid="ignore"):
            cap = np.where(lost, 0.0, full - facts)
            gains = self.fact(totals[:, None] + mine[None]) - facts[:, None]
        gains = np.where(self.rising & ~lost[:, None] & (mine > 0), gains, 0.0)
        gains = np.minimum(gains, cap[:, None])
        gains *= later[..., None]
        held = flat + np.where(lost, full, facts).sum(axis=1)
        spread = gains.sum(axis=1)
        with np.errstate(invalid="ignore", divide="ignore"):
            # Of a fact's gain the share a is given to the causes one by one, the rest to the fact:
            # min(Σ gains, cap) ≤ a Σ gains + (1 − a) cap, whatever a from 0 to 1.
            share = np.where(spread > cap, cap / spread, 1.0)
        # A fact that nothing in the set can make must be covered by a later cause.
        covers = lost[:, None] & (mine > 0) & later[..., None] if lost.any() else None
        best = np.full(count, np.inf)
        for a in (np.ones_like(share), share, share**2, np.zeros_like(share)):
            each = self.change[first:] + np.einsum("ijk,ik->ij", gains, a)
            bound = held + ((1 - a) * cap).sum(axis=1)
            bound += np.where(later, np.maximum(each, 0.0), 0.0).sum(axis=1)
            if covers is not None:
                bound -= _cover_cost(covers, np.maximum(-each, 0.0), lost)
            best = np.minimum(best, bound)
        return values, best


def _cover_cost(covers: npt.NDArray[np.bool_], cost: Floats, lost: npt.NDArray[np.bool_]) -> Floats:
    """Return the least that covering the lost facts costs: each shares a cause's cost fairly.

    Parameters
    ----------
    covers : (sets, causes, facts) array
        What can cover what.
    cost : (sets, causes) array
        Log weight lost by taking a cause.
    lost : (sets, facts) array
        The facts to be covered.
    """
    shared = cost / np.maximum(covers.sum(axis=2), 1)
    least = np.where(covers, shared[..., None], np.inf).min(axis=1, initial=np.inf)
    out: Floats = np.where(lost, least, 0.0).sum(axis=1)
    return out


def _search(sets: _Sets, log_z: float, count: int, most_sets: int) -> Explanations:
    found: list[tuple[frozenset[int], float]] = []
    value = sets.base + float(sets.fact(sets.total).sum())
    # Entries: (−bound, 0 for a finished set or 1 for one to be opened, set, base, total).
    queue: list[tuple[float, int, tuple[int, ...], float, Floats]] = []
    _push(queue, value, (), sets.base, sets.total)
    heapq.heappush(queue, (-np.inf, 1, (), sets.base, sets.total))
    opened = 0
    while queue and len(found) < count:
        top, is_open, places, base, total = heapq.heappop(queue)
        if not is_open:
            chosen = sets.forced | {sets.causes[x] for x in places}
            found.append((chosen, min(1.0, float(np.exp(-top - log_z)))))
            continue
        first = places[-1] + 1 if places else 0
        if first >= len(sets.causes):
            continue
        if opened >= most_sets:
            rest = min(1.0, float(np.exp(-top - log_z)))
            return Explanations(tuple(found), False, rest, opened)
        opened += 1
        values, bounds = sets.children(total, base, first)
        for k in np.flatnonzero(bounds > -np.inf).tolist():
            x = first + k
            grown, heavier = (*places, x), base + float(sets.change[x])
            more = total + sets.inhibit[x]
            _push(queue, float(values[k]), grown, heavier, more)
            bound = min(float(bounds[k]) + _ROUNDING, -top)
            heapq.heappush(queue, (-bound, 1, grown, heavier, more))
    rest = min(1.0, float(np.exp(-queue[0][0] - log_z))) if queue else 0.0
    return Explanations(tuple(found), True, rest, opened)


def _push(
    queue: list[tuple[float, int, tuple[int, ...], float, Floats]],
    value: float,
    places: tuple[int, ...],
    base: float,
    total: Floats,
) -> None:
    if value > -np.inf:
        heapq.heappush(queue, (-value, 0, places, base, total))
