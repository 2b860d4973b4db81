"""Who measures which part next in a gauge study, and what is complete of one that ends early."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from itertools import combinations
from random import Random


@dataclass(frozen=True)
class Slot:
    """One reading that is to be taken.

    Attributes
    ----------
    person : int
        Place in the study's list of people, from 0.
    part, trial : int
        The number on the part, and the round, both from 1.
    """

    person: int
    part: int
    trial: int


def slots_of(seed: int, people: int, parts: int, trials: int) -> tuple[Slot, ...]:
    """Return every reading of a crossed study in the order they are asked for.

    Parameters
    ----------
    seed : int
        The same seed gives the same order.
    people, parts, trials : int
        At least 1 each.

    Returns
    -------
    tuple of Slot
        Round by round; in a round everyone in turn, each with the parts shuffled anew. Nobody
        gets the part they have just put down first thing in their next round, where there is
        another.
    """
    random = Random(seed)
    last: dict[int, int] = {}
    out = []
    for trial in range(1, trials + 1):
        turn = list(range(people))
        random.shuffle(turn)
        for person in turn:
            own = list(range(1, parts + 1))
            random.shuffle(own)
            if parts > 1 and own[0] == last.get(person):
                own[0], own[-1] = own[-1], own[0]
            last[person] = own[-1]
            out += [Slot(person, part, trial) for part in own]
    return tuple(out)


def next_slot(
    order: Iterable[Slot],
    taken: Collection[Slot],
    *,
    person: int | None = None,
    skipped: Iterable[int] = (),
) -> tuple[int, Slot] | None:
    """Return the next reading to take and its place in the order, or None when all are in.

    Parameters
    ----------
    order, taken
    person : int or None
        Only this person's; None: whoever is next.
    skipped : iterable of int
        Places in the order that were skipped; they come again, oldest first, when nothing
        else is left.
    """
    todo = {
        k: slot
        for k, slot in enumerate(order)
        if slot not in taken and person in (None, slot.person)
    }
    later = [k for k in dict.fromkeys(skipped) if k in todo]
    # What somebody skipped stays theirs: the rest of that round goes on first.
    first = next((k for k in todo if k not in later), later[0] if later else None)
    return None if first is None else (first, todo[first])


@dataclass(frozen=True)
class Block:
    """The largest crossed part of a study that is complete: people, parts and rounds in it."""

    people: tuple[int, ...]
    parts: tuple[int, ...]
    trials: int

    @property
    def readings(self) -> int:
        """How many readings are in it."""
        return len(self.people) * len(self.parts) * self.trials


def complete_block(taken: Collection[Slot], people: int, parts: int, trials: int) -> Block | None:
    """Return the largest complete crossed block of two parts and two rounds or more.

    Chosen by what is missing alone, never by a value. None when there is no such block.

    Notes
    -----
    Tries every set of people (the study's most is 8) with the first rounds; of blocks with
    equally many readings the one with more people, then more parts, is taken.
    """
    best: Block | None = None
    for rounds in range(2, trials + 1):
        whole = {
            (person, part)
            for person in range(people)
            for part in range(1, parts + 1)
            if all(Slot(person, part, t) in taken for t in range(1, rounds + 1))
        }
        for size in range(1, people + 1):
            for chosen in combinations(range(people), size):
                kept = tuple(
                    p for p in range(1, parts + 1) if all((who, p) in whole for who in chosen)
                )
                block = Block(chosen, kept, rounds)
                if len(kept) >= 2 and (best is None or _key(block) > _key(best)):
                    best = block
    return best


def _key(block: Block) -> tuple[int, int, int]:
    return block.readings, len(block.people), len(block.parts)
