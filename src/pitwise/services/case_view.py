"""What a cause case shows, in a list and whole: for the page, the PDF and the command line.

Nothing here reads the book; `case_page.py` and `cases.py` fill these in.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from pitwise.causes.diagnosis import Diagnosis
from pitwise.services.case_lines import (
    Ask,
    CheckForm,
    ContextField,
    EvidenceLine,
    NotLooked,
    ReadingField,
    RecordedCheck,
    RemedyLine,
    TriedLine,
)
from pitwise.services.cure_view import Certainty, ClosedCause, CureView

CaseState = Literal["open", "closed", "discarded"]


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
