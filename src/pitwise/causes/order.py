"""The order in which causes are taken, so that few facts are open at once.

A fact is open from its first linked cause to its last; the sums run over the subsets of open
facts, so a step costs 2^width. First everything that needs no subsets is taken out: a cause with
one fact only merges into the fact's leak, and a fact with one cause only merges into the cause's
weights. What stays is ordered by a greedy search, bettered by moving causes where it pays.

Sets of causes and of facts are the bits of an int.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from functools import lru_cache
from typing import NamedTuple

# A pass of improvement costs about as much as this many state updates.
_WORTH = 20_000
_PASSES = 6
_STARTS = 8


class Merge(NamedTuple):
    """One cause or fact taken out before the order.

    `fact_last` tells which of the two goes: a cause into the fact (False) or the fact into the
    cause (True). A fact without causes has cause −1.
    """

    cause: int
    fact: int
    fact_last: bool


class Step(NamedTuple):
    """One cause in the order, with the facts it opens, may explain and closes.

    `links` and `closes` hold (position, fact): the fact is bit `position` of a state then; a
    position in `closes` counts after those before it have gone. `stays` are the links to facts
    that stay open.
    """

    cause: int
    opens: tuple[int, ...]
    links: tuple[tuple[int, int], ...]
    closes: tuple[tuple[int, int], ...]
    width: int
    stays: tuple[tuple[int, int], ...]


class Plan(NamedTuple):
    """The merges, then the steps.

    Attributes
    ----------
    merges : tuple of Merge
        In the order they are done.
    steps : tuple of Step
        What is left, in order.
    width : int
        The most facts that are open at once.
    cost : int
        Σ over steps of 2^width × (2 + links): updates of states.
    states : int
        Σ over steps of 2^width: numbers kept between the two passes.
    """

    merges: tuple[Merge, ...]
    steps: tuple[Step, ...]
    width: int
    cost: int
    states: int


def bits(mask: int) -> Iterator[int]:
    """Yield the places of the bits that are set, lowest first."""
    while mask:
        low = mask & -mask
        yield low.bit_length() - 1
        mask ^= low


# The places of the bits of a byte: most sets of facts are no larger.
_BYTE = tuple(tuple(bits(mask)) for mask in range(256))


def _places(mask: int) -> tuple[int, ...]:
    return _BYTE[mask] if mask < 256 else tuple(bits(mask))


@lru_cache(maxsize=512)
def plan(facts: tuple[int, ...]) -> Plan:
    """Return merges and order for facts given by their causes.

    Parameters
    ----------
    facts : tuple of int
        For each fact the set of causes linked to it, as bits.
    """
    causes: dict[int, int] = {}
    fact = 1
    for mask in facts:
        rest = mask
        while rest:
            low = rest & -rest
            rest ^= low
            i = low.bit_length() - 1
            causes[i] = causes.get(i, 0) | fact
        fact <<= 1
    left = dict(enumerate(facts))
    merges = _reduce(left, causes)
    order = _by_facts(left, causes, None)
    planned = _planned(merges, order, left, causes)
    if planned.cost < _WORTH:
        return planned
    return _planned(merges, _bettered(order, planned.cost, left, causes), left, causes)


def _reduce(facts: dict[int, int], causes: dict[int, int]) -> list[Merge]:
    """Merge until every cause has two facts and every fact two causes; both dicts shrink."""
    merges: list[Merge] = []
    todo = [(False, i) for i in causes] + [(True, j) for j in facts]
    while todo:
        is_fact, x = todo.pop()
        if not is_fact:
            mask = causes.get(x, 0)
            if not mask or mask & (mask - 1):
                continue
            j = mask.bit_length() - 1
            merges.append(Merge(x, j, False))
            del causes[x]
            facts[j] ^= 1 << x
            todo.append((True, j))
        else:
            if x not in facts:
                continue
            mask = facts[x]
            if mask & (mask - 1):
                continue
            del facts[x]
            i = mask.bit_length() - 1
            merges.append(Merge(i, x, True))
            if mask:
                causes[i] ^= 1 << x
                if causes[i]:
                    todo.append((False, i))
                else:
                    # Nothing is left for it to explain: its weights say it all.
                    del causes[i]
    return merges


def _bettered(
    best: list[int], cost: int, facts: dict[int, int], causes: dict[int, int]
) -> list[int]:
    # More starts: each of the facts that could be closed first.
    for first in sorted(facts, key=lambda j: facts[j].bit_count())[:_STARTS]:
        order = _by_facts(facts, causes, first)
        new = _cost(order, causes)
        if new < cost:
            best, cost = order, new
    order = _by_causes(facts, causes)
    new = _cost(order, causes)
    if new < cost:
        best, cost = order, new
    for _ in range(_PASSES):
        before = cost
        best, cost = _moved(best, cost, causes)
        if cost > 0.95 * before or cost < _WORTH:
            break
    return best


def _by_facts(facts: dict[int, int], causes: dict[int, int], first: int | None) -> list[int]:
    """Close facts one after the other, each time the one that opens the fewest others."""
    order: list[int] = []
    reach: dict[int, int] = {}
    for j, mask in facts.items():
        union = 0
        for i in bits(mask):
            union |= causes[i]
        reach[j] = union
    left, opened, done, fresh = dict(facts), 0, 0, -1
    while left:
        best, least, fewest = -1, 1 << 60, 0
        for j, mask in left.items():
            count = (reach[j] & fresh).bit_count() - (opened >> j & 1)
            if count < least or (count == least and mask.bit_count() < fewest):
                best, least, fewest = j, count, mask.bit_count()
        if first is not None:
            best, first = first, None
        todo = list(bits(left[best] & ~done))
        if len(todo) > 1:
            # Stable: causes that open as few stand in their own order.
            todo.sort(key=lambda i: (causes[i] & fresh).bit_count())
        order.extend(todo)
        done |= left[best]
        # What was opened before, closed by now or not, is never opened again.
        opened |= reach[best] & fresh
        fresh &= ~reach[best]
        for j in [j for j, mask in left.items() if not mask & ~done]:
            del left[j]
            opened &= ~(1 << j)
    return order


def _by_causes(facts: dict[int, int], causes: dict[int, int]) -> list[int]:
    """Take causes one after the other, each time the one that leaves the fewest facts open."""
    order: list[int] = []
    left = dict(facts)
    rest, opened = dict(causes), 0
    while rest:
        best, best_key = -1, (1 << 60, 0)
        for i, mask in rest.items():
            now = opened | mask
            closing = sum(1 for j in bits(mask) if left[j] == 1 << i)
            key = (now.bit_count() - closing, now.bit_count())
            if key < best_key:
                best, best_key = i, key
        order.append(best)
        opened |= rest[best]
        for j in bits(rest.pop(best)):
            left[j] ^= 1 << best
            if not left[j]:
                opened ^= 1 << j
    return order


def _cost(order: Sequence[int], causes: dict[int, int]) -> int:
    masks = [causes[i] for i in order]
    last: dict[int, int] = {}
    for at, mask in enumerate(masks):
        for j in bits(mask):
            last[j] = at
    closing = [0] * len(masks)
    for j, at in last.items():
        closing[at] |= 1 << j
    opened = total = 0
    for mask, closed in zip(masks, closing, strict=True):
        opened |= mask
        total += (2 + mask.bit_count()) << opened.bit_count()
        opened &= ~closed
    return total


def _moved(order: list[int], cost: int, causes: dict[int, int]) -> tuple[list[int], int]:
    """Take each cause out and put it where the order costs least."""
    for i in list(order):
        rest = [x for x in order if x != i]
        masks = [causes[x] for x in rest]
        mine = causes[i]
        count = len(rest)
        # Facts seen before and after each gap, so that each gap is weighed in one look.
        after = [0] * (count + 1)
        for at in range(count - 1, -1, -1):
            after[at] = after[at + 1] | masks[at]
        before = 0
        opened = [0] * count
        base = [0] * count
        prefix = [0] * (count + 1)
        for at in range(count):
            prefix[at] = before
            before |= masks[at]
            opened[at] = before & (after[at + 1] | masks[at])
            base[at] = (2 + masks[at].bit_count()) << opened[at].bit_count()
        prefix[count] = before
        # With the cause in gap g, step at < g holds its facts opened before, at ≥ g those to come.
        early = [0] * (count + 1)
        for at in range(count):
            extra = opened[at] | (mine & (prefix[at] | masks[at]))
            early[at + 1] = early[at] + ((2 + masks[at].bit_count()) << extra.bit_count())
        late = [0] * (count + 1)
        for at in range(count - 1, -1, -1):
            extra = opened[at] | (mine & after[at])
            late[at] = late[at + 1] + ((2 + masks[at].bit_count()) << extra.bit_count())
        best_gap, best_cost = -1, cost
        for gap in range(count + 1):
            held = mine | (prefix[gap] & after[gap])
            new = early[gap] + late[gap] + ((2 + mine.bit_count()) << held.bit_count())
            if new < best_cost:
                best_gap, best_cost = gap, new
        if best_gap >= 0:
            order = [*rest[:best_gap], i, *rest[best_gap:]]
            cost = best_cost
    return order, cost


def _planned(
    merges: list[Merge], order: list[int], facts: dict[int, int], causes: dict[int, int]
) -> Plan:
    left = dict(facts)
    held: list[int] = []
    steps = []
    widest = cost = states = opened = 0
    for i in order:
        mine = _places(causes[i])
        opens: tuple[int, ...] = ()
        if causes[i] & ~opened:
            opens = tuple([j for j in mine if not opened >> j & 1])
            opened |= causes[i]
            held += opens
        width = len(held)
        links = stays = tuple([(held.index(j), j) for j in mine])
        last = []
        cause = 1 << i
        for j in mine:
            left[j] ^= cause
            if not left[j]:
                last.append(j)
        closes = []
        if last:
            stays = tuple([link for link in links if link[1] not in last])
            for j in last:
                at = held.index(j)
                closes.append((at, j))
                del held[at]
        steps.append(Step(i, opens, links, tuple(closes), width, stays))
        if width > widest:
            widest = width
        cost += (2 + len(mine)) << width
        states += 1 << width
    return Plan(tuple(merges), tuple(steps), widest, cost, states)
