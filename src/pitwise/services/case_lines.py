"""The rows of a case's page: what is held, what can be looked at, read, asked and done."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

FactState = Literal["seen", "absent", "slight", "much", "none"]
Origin = Literal["inspection", "reading", "check", "person", "forecast", "lives"]
Who = Literal["technician", "lead", "electrician"]


@dataclass(frozen=True)
class EvidenceLine:
    """One finding that tells, and where it came from.

    Attributes
    ----------
    symptom, where, text : str
        Id, place ("electrode", "coolant", …) and words of the finding.
    state : {"seen", "absent", "slight", "much", "none"}
        "none": taken back by hand, counts as not looked at. Out of a model or a reading:
        what it leans to.
    words : str
        The state in words; with the reading and its range, or the model's figures.
    origin : str
        What it stands on: "inspection", "reading", "check", "person", "forecast"
        (the wear model's) or "lives" (the book's lives).
    origin_words : str
        "Inspection 12", "Read coolant flow, …".
    inspection_id : int or None
    by : str
    at : datetime
    fact_id : int or None
        The case's own fact; given to `undo`. None: came out of the book, not undoable here.
    older : tuple of str
        What it replaced, newest first ("Inspection 11: absent").
    log_ratio : float or None
        Natural-log likelihood ratio, where it enters as one.
    """

    symptom: str
    where: str
    text: str
    state: FactState
    words: str
    origin: Origin
    origin_words: str
    inspection_id: int | None
    by: str
    at: dt.datetime
    fact_id: int | None = None
    older: tuple[str, ...] = ()
    log_ratio: float | None = None


@dataclass(frozen=True)
class NotLooked:
    """A finding nobody looked at; `why` says what the book lacks to tell it by itself.

    `who` and `caution`: of the checks that reveal it, the strictest.
    """

    symptom: str
    where: str
    text: str
    why: str = ""
    who: Who = "technician"
    caution: str = ""


@dataclass(frozen=True)
class ReadingField:
    """A reading that can be typed in.

    Attributes
    ----------
    id, name : str
    unit : str
        The sheet's own unit; `units` are all that are understood.
    units : tuple of str
    low, high : float or None
        The range in force, in `unit`; None: nothing beyond which it tells.
    range_from : str
        "the shop's range", "the trade sheet", or "no range set".
    feeds : tuple of str
        Symptom ids it tells on.
    current : str
        The newest reading as typed, with its unit; empty when there is none.
    who : {"technician", "lead", "electrician"}
        Who may take it, by the findings it tells on.
    caution : str
    """

    id: str
    name: str
    unit: str
    units: tuple[str, ...]
    low: float | None
    high: float | None
    range_from: str
    feeds: tuple[str, ...]
    current: str = ""
    who: Who = "technician"
    caution: str = ""


@dataclass(frozen=True)
class CheckFinding:
    """A finding a check reveals, with what is held of it now ("none": not looked at).

    `told`: the figures it stands on where a reading or the book tells it; nobody touched it then.
    `who` and `caution`: of all checks that reveal it, the strictest.
    """

    symptom: str
    where: str
    text: str
    kind: Literal["plain", "graded", "reading"]
    state: FactState
    told: str = ""
    who: Who = "technician"
    caution: str = ""


@dataclass(frozen=True)
class CheckForm:
    """A check that can be recorded with one touch.

    Attributes
    ----------
    id, name : str
    minutes : float
    isolated : bool
        The supply is isolated for it.
    who : {"technician", "lead", "electrician"}
        "electrician": `record_check` wants the name and qualification of who did it.
    caution : str
    gain_bits : float or None
        What it is expected to tell; None where it is not among the next checks.
    findings : tuple of CheckFinding
    readings : tuple of ReadingField
        Readings that tell on the findings it reveals.
    after : tuple of str
        Names of the checks that come first and are not done.
    done : bool
    bench : bool
        The bench's inspection does it; opening an inspection is the way to record it.
    """

    id: str
    name: str
    minutes: float
    isolated: bool
    who: Who
    caution: str
    gain_bits: float | None
    findings: tuple[CheckFinding, ...]
    readings: tuple[ReadingField, ...]
    after: tuple[str, ...]
    done: bool
    bench: bool


@dataclass(frozen=True)
class RecordedCheck:
    """A check as it was recorded; `results` are pairs of finding text and state."""

    fact_id: int
    check: str
    name: str
    results: tuple[tuple[str, FactState], ...]
    by: str
    done_by: str
    at: dt.datetime


@dataclass(frozen=True)
class Ask:
    """Two facts that contradict one another, to be asked about before anything else.

    Attributes
    ----------
    id, text, ask : str
    symptoms : tuple of str
    caution : str
        What to mind where the question sends somebody to look or to measure.
    answered : str
        The answer given; empty: still to ask.
    by : str
    at : datetime or None
    fact_id : int or None
    """

    id: str
    text: str
    ask: str
    symptoms: tuple[str, ...]
    answered: str = ""
    by: str = ""
    at: dt.datetime | None = None
    fact_id: int | None = None
    caution: str = ""


@dataclass(frozen=True)
class RemedyLine:
    """A remedy that can be chosen at closing; `first` is the one the sheet would try."""

    id: str
    cause: str
    cause_name: str
    text: str
    minutes: float
    isolated: bool
    who: Who
    caution: str
    parts: tuple[str, ...]
    first: bool


@dataclass(frozen=True)
class ContextField:
    """A word about the torch that a contradiction of the sheet asks for.

    Attributes
    ----------
    key : str
        Such as "gas_supply"; given to `record_context`.
    values : tuple of str
        Those the sheet knows; any other word can be given too.
    current : str
        Empty: not known.
    from_book : bool
        Whether the station or the process gives it.
    """

    key: str
    values: tuple[str, ...]
    current: str
    from_book: bool


@dataclass(frozen=True)
class TriedLine:
    """A remedy that was tried and did not help; its cause is ruled out once all of its were."""

    fact_id: int
    remedy: str
    text: str
    cause: str
    cause_name: str
    by: str
    done_by: str
    at: dt.datetime
