"""Which lots are on the shelf: first in, first out, undone lines as if they had never been."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class LotMove:
    """What the ledger's lines tell about lots.

    Attributes
    ----------
    id : int
        Lines count in the order they were written, whatever the clock said.
    pieces : int
        What the shelf gained.
    lot : str or None
        None of a line that goes out: the oldest.
    reverses : int or None
    """

    id: int
    pieces: int
    lot: str | None
    reverses: int | None


def remaining(moves: Iterable[LotMove]) -> list[tuple[str | None, int]]:
    """Return what is left of each lot, the oldest first.

    Parameters
    ----------
    moves : iterable of LotMove
        All lines of one item, in any order.

    Returns
    -------
    list of (lot, pieces)
        Pieces sum to the balance, or to nothing where that is below zero. A lot that came
        in twice stands where it came first. Lot None: not known.

    Notes
    -----
    Pieces that went out below zero are owed: the next that come in make them good first.
    Pieces a count took away are taken from the oldest lot, for nobody knows better; pieces
    it added are of no known lot.
    """
    lines = sorted(moves, key=lambda m: m.id)
    undone = {m.reverses for m in lines if m.reverses is not None}
    shelf: list[tuple[str | None, int]] = []
    owed = 0
    for move in lines:
        if move.reverses is not None or move.id in undone:
            continue
        if move.pieces > 0:
            made_good = min(owed, move.pieces)
            owed -= made_good
            shelf = _add(shelf, move.lot, move.pieces - made_good)
        else:
            shelf, short = _take(shelf, move.lot, -move.pieces)
            owed += short
    return shelf


def _add(
    shelf: list[tuple[str | None, int]], lot: str | None, pieces: int
) -> list[tuple[str | None, int]]:
    if pieces == 0:
        return shelf
    for place, (there, left) in enumerate(shelf):
        # Pieces of no known lot are together only where nothing came in between.
        if there == lot and (lot is not None or place == len(shelf) - 1):
            return [*shelf[:place], (lot, left + pieces), *shelf[place + 1 :]]
    return [*shelf, (lot, pieces)]


def _take(
    shelf: list[tuple[str | None, int]], lot: str | None, pieces: int
) -> tuple[list[tuple[str | None, int]], int]:
    """Take from the named lot first, then from the oldest; tell how many were not there."""
    first = [i for i, (there, _) in enumerate(shelf) if lot is not None and there == lot]
    order = first + [i for i in range(len(shelf)) if i not in first]
    left = [n for _, n in shelf]
    for place in order:
        taken = min(pieces, left[place])
        left[place] -= taken
        pieces -= taken
    kept = [(there, n) for (there, _), n in zip(shelf, left, strict=True) if n > 0]
    return kept, pieces
