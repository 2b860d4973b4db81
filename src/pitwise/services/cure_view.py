"""What a cure shows: what a case was closed with, and its electrodes before and after.

Nothing here reads the book; `cures.py` fills these in.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

Certainty = Literal["verified", "went-away"]
Verdict = Literal["better", "worse", "no-difference", "too-early"]


@dataclass(frozen=True)
class ClosedCause:
    """A cause a case was closed with.

    Attributes
    ----------
    id, name : str
    certainty : {"verified", "went-away"}
        Seen to be so, or the trouble only went away after the remedy.
    """

    id: str
    name: str
    certainty: Certainty


@dataclass(frozen=True)
class CureSide:
    """Electrodes before, or after, a cure.

    Attributes
    ----------
    ended, lost : int
        Electrodes that came to an end, and of these lost in the cut.
    running : int
        Still in use: they count as starts run, not as lives.
    starts : int
        Starts of all of them, running ones too.
    lives : tuple of int
        Starts of each ended one, oldest first.
    readings : int
        Signed pit readings that give wear rates.
    rate_mm_per_500 : float or None
        Geometric mean of pit growth per 500 starts.
    """

    ended: int
    lost: int
    running: int
    starts: int
    lives: tuple[int, ...]
    readings: int
    rate_mm_per_500: float | None


@dataclass(frozen=True)
class Compared:
    """One comparison of before and after.

    Attributes
    ----------
    what : str
        "life" (electrodes used up per start) or "wear" (pit growth per start).
    ratio, low, high : float or None
        After over before with its 90 % interval; None: too early to tell. For "life" of the
        rate of changes, so that below 1 is better in both.
    verdict : {"better", "worse", "no-difference", "too-early"}
    words : str
        The verdict in a sentence.
    """

    what: Literal["life", "wear"]
    ratio: float | None
    low: float | None
    high: float | None
    verdict: Verdict
    words: str


@dataclass(frozen=True)
class CureView:
    """A closed case's cure, before and after."""

    case_id: int
    torch_id: int
    torch: str
    process: str
    causes: tuple[ClosedCause, ...]
    remedies: tuple[str, ...]
    cured_at: dt.datetime
    before: CureSide
    after: CureSide
    life: Compared
    wear: Compared
    verdict: Verdict
    held: bool | None
    did_not_hold: str
