"""What the shop's cases have taught: learnt numbers beside the sheet's.

Nothing here reads the book; `learning.py` fills these in.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class LearntLine:
    """A number of the sheet beside what the shop's cases make of it.

    Attributes
    ----------
    kind : {"base", "link", "leak"}
    cause, cause_name : str
        Empty for a leak.
    symptom, symptom_text : str
        Empty for a base rate.
    sheet : float
    shop, low, high : float
        The shop's mean and its 90 % interval; the sheet's number is in it as a prior.
    cases : float
        Verified cases that spoke to it.
    """

    kind: Literal["base", "link", "leak"]
    cause: str
    cause_name: str
    symptom: str
    symptom_text: str
    sheet: float
    shop: float
    low: float
    high: float
    cases: float


@dataclass(frozen=True)
class LearningLine:
    """A freeze, an unfreeze or a reset, with its reason."""

    action: Literal["freeze", "unfreeze", "reset"]
    reason: str
    by: str
    at: dt.datetime


@dataclass(frozen=True)
class LearningView:
    """The learnt numbers in force beside the sheet's.

    Attributes
    ----------
    lines : tuple of LearntLine
        Only numbers some case spoke to, those furthest from the sheet's first.
    cases : int
        Verified cases in force; `waiting` those a freeze keeps out.
    waiting : int
    reopened : int
        Of the frozen cases those reopened or amended since: "1 of these was reopened since".
    frozen : LearningLine or None
    since : LearningLine or None
        The reset that forgot what was before.
    events : tuple of LearningLine
        Newest first.
    newest : int
        Id of the newest event, 0 for none; goes back with freeze and reset.
    may_change : bool
    sheet_version : str
    """

    lines: tuple[LearntLine, ...]
    cases: int
    waiting: int
    reopened: int
    frozen: LearningLine | None
    since: LearningLine | None
    events: tuple[LearningLine, ...]
    newest: int
    may_change: bool
    sheet_version: str
