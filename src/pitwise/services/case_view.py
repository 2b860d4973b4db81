"""What a cause case shows: frozen rows for the pages, the PDF and the command line.

Nothing here reads the book; `services/cases.py`, `learning.py`, `cures.py` and `ranges.py`
fill these in.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pitwise.causes.diagnosis import Diagnosis

CaseState = Literal["open", "closed", "discarded"]
Certainty = Literal["verified", "went-away"]
FactState = Literal["seen", "absent", "slight", "much", "none"]
Origin = Literal["inspection", "reading", "check", "person", "forecast", "lives"]
Who = Literal["technician", "lead", "electrician"]
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
class CaseLine:
    """One case in a list.

    Attributes
    ----------
    id : int
    torch_id : int
    torch, station, process : str
    state : {"open", "closed", "discarded"}
    opened_at : datetime
    opened_by : str
    complaint : str
    causes : tuple of ClosedCause
        What it was closed with; empty while open.
    closed_at : datetime or None
    leading : str
        Open cases: the likeliest cause, its name and word ("Low coolant flow: likely").
    did_not_hold : str
        Closed cases: why the cure did not hold; empty when nothing says so.
    cure : CureView or None
        Closed cases: before and after.
    """

    id: int
    torch_id: int
    torch: str
    station: str
    process: str
    state: CaseState
    opened_at: dt.datetime
    opened_by: str
    complaint: str
    causes: tuple[ClosedCause, ...] = ()
    closed_at: dt.datetime | None = None
    leading: str = ""
    did_not_hold: str = ""
    cure: CureView | None = None


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


@dataclass(frozen=True)
class Closing:
    """How a case was closed, and as it was amended since.

    `cured_at` is when it was first closed: before and after are told from there.
    """

    causes: tuple[ClosedCause, ...]
    certainty: Certainty
    remedies: tuple[RemedyLine, ...]
    remedy_text: str
    note: str
    by: str
    at: dt.datetime
    done_by: str = ""
    came_back_at: dt.datetime | None = None
    came_back_by: str = ""
    came_back_note: str = ""
    cured_at: dt.datetime | None = None
    amended_at: dt.datetime | None = None
    amended_by: str = ""
    amend_reason: str = ""


@dataclass(frozen=True)
class LastClosing:
    """How a reopened case had been closed: what its form is filled with again.

    `causes` and `remedies` are ids.
    """

    causes: tuple[str, ...]
    certainty: Certainty
    remedies: tuple[str, ...]
    remedy_text: str
    note: str
    done_by: str


@dataclass(frozen=True)
class CaseView:
    """A whole case for its page and its sheet of paper.

    Attributes
    ----------
    id, revision : int
        The revision goes back with every touch, so that a stale one is noticed.
    state : {"open", "closed", "discarded"}
    torch_id : int
    torch, station, process, coolant : str
    station_id : int
    context : mapping of str to str
        What the rules know beside findings (coolant, gases, …).
    complaint, note : str
    opened_by : str
    opened_at : datetime
    after_inspection : int or None
        The signed inspection the case was opened after; its looks count.
    inspections : tuple of int
        Signed inspections whose looks are used, newest first.
    evidence : tuple of EvidenceLine
        What is held of each finding, newest fact only; the sheet's order.
    not_looked : tuple of NotLooked
    diagnosis : Diagnosis
        Open: computed now. Closed or discarded: as it stood then.
    asks : tuple of Ask
        Open contradictions first, then answered ones.
    checks : tuple of CheckForm
        Next checks first (best gain per minute), then the rest in the sheet's order.
    recorded : tuple of RecordedCheck
        Newest first.
    readings : tuple of ReadingField
    remedies : tuple of RemedyLine
        In the order of the ranked causes.
    tried : tuple of TriedLine
        Newest first.
    context_fields : tuple of ContextField
    last_fact_id : int or None
        The newest fact that `undo` without an id would take back.
    closing : Closing or None
    did_not_hold : str
    may_close, may_touch : bool
    sheet_version, sheet_sha256 : str
    learnt_from : int
        Verified cases the numbers in force learnt from; 0: the sheet's alone.
    last_closing : LastClosing or None
        Of a case that is open again.
    cure : CureView or None
        Before and after; of a closed case.
    """

    id: int
    revision: int
    state: CaseState
    torch_id: int
    torch: str
    station_id: int
    station: str
    process: str
    coolant: str
    context: Mapping[str, str]
    complaint: str
    note: str
    opened_by: str
    opened_at: dt.datetime
    after_inspection: int | None
    inspections: tuple[int, ...]
    evidence: tuple[EvidenceLine, ...]
    not_looked: tuple[NotLooked, ...]
    diagnosis: Diagnosis
    asks: tuple[Ask, ...]
    checks: tuple[CheckForm, ...]
    recorded: tuple[RecordedCheck, ...]
    readings: tuple[ReadingField, ...]
    remedies: tuple[RemedyLine, ...]
    tried: tuple[TriedLine, ...]
    context_fields: tuple[ContextField, ...]
    last_fact_id: int | None
    closing: Closing | None
    did_not_hold: str
    may_close: bool
    may_touch: bool
    sheet_version: str
    sheet_sha256: str
    learnt_from: int = 0
    last_closing: LastClosing | None = None
    cure: CureView | None = None


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


@dataclass(frozen=True)
class RangeLine:
    """A reading's range at a station: the sheet's, and the shop's laid over it.

    Attributes
    ----------
    reading, name, unit : str
        The sheet's own unit; `units` are all that are understood.
    units : tuple of str
    sheet_low, sheet_high : float or None
        Of the trade sheet, in `unit`.
    low, high : float or None
        In force, in `unit`.
    given_low, given_high, given_unit : str
        As the shop typed them; empty where the shop set none.
    reason, by : str
    at : datetime or None
    newest : int
        Id of the newest row of this reading, 0 for none; goes back with the next save.
    """

    reading: str
    name: str
    unit: str
    units: tuple[str, ...]
    sheet_low: float | None
    sheet_high: float | None
    low: float | None
    high: float | None
    given_low: str = ""
    given_high: str = ""
    given_unit: str = ""
    reason: str = ""
    by: str = ""
    at: dt.datetime | None = None
    newest: int = 0


@dataclass(frozen=True)
class RangesView:
    """All ranges of a station."""

    station_id: int
    station: str
    lines: tuple[RangeLine, ...]
    may_change: bool
