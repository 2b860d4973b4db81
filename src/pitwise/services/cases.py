"""Cause cases: what is eating the parts of a torch, from the first look to the cure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from pitwise.services.case_view import CaseLine, CaseView
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop


def open_case(shop: Shop, actor: Actor, torch_id: int, *, key: str, complaint: str = "") -> int:
    """Open a case on a torch, or join the one that is open on it."""
    raise NotImplementedError


def list_cases(
    shop: Shop, actor: Actor, *, state: str = "all", torch_id: int | None = None
) -> tuple[CaseLine, ...]:
    """List cases: open ones first, then by closing; "open", "closed", "not-held" or "all"."""
    raise NotImplementedError


def read_case(shop: Shop, actor: Actor, case_id: int) -> CaseView:
    """Return a case as it stands."""
    raise NotImplementedError


def record_finding(
    shop: Shop,
    actor: Actor,
    case_id: int,
    symptom: str,
    state: str,
    *,
    key: str,
    revision: int | None = None,
) -> CaseView:
    """Record one finding: seen, absent, slight, much, or none (not looked at after all)."""
    raise NotImplementedError


def record_check(
    shop: Shop,
    actor: Actor,
    case_id: int,
    check: str,
    *,
    key: str,
    results: Mapping[str, str] | None = None,
    clear: bool = False,
    done_by: str = "",
    revision: int | None = None,
) -> CaseView:
    """Record a check in one touch; `clear` takes all it reveals as looked at and absent."""
    raise NotImplementedError


def record_reading(
    shop: Shop,
    actor: Actor,
    case_id: int,
    reading: str,
    value: str,
    unit: str,
    *,
    key: str,
    revision: int | None = None,
) -> CaseView:
    """Record a reading as typed, with its unit."""
    raise NotImplementedError


def answer_conflict(
    shop: Shop,
    actor: Actor,
    case_id: int,
    conflict: str,
    answer: str,
    *,
    key: str,
    revision: int | None = None,
) -> CaseView:
    """Answer an open contradiction in words; it is not asked again while it stands."""
    raise NotImplementedError


def undo(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    key: str,
    fact_id: int | None = None,
    revision: int | None = None,
) -> CaseView:
    """Take back a fact of the case (None: the newest); what was held before holds again."""
    raise NotImplementedError


def set_texts(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    complaint: str | None = None,
    note: str | None = None,
) -> CaseView:
    """Keep the complaint and the note as typed; None leaves one as it is."""
    raise NotImplementedError


def close_case(
    shop: Shop,
    actor: Actor,
    case_id: int,
    *,
    key: str,
    causes: Sequence[str],
    certainty: str,
    remedies: Sequence[str] = (),
    remedy_text: str = "",
    note: str = "",
    done_by: str = "",
    revision: int | None = None,
) -> CaseView:
    """Close a case with its cause or causes, how sure that is, and what was done."""
    raise NotImplementedError


def reopen_case(
    shop: Shop, actor: Actor, case_id: int, *, reason: str, revision: int | None = None
) -> CaseView:
    """Open a closed or discarded case again; what it was closed with stays in the trail."""
    raise NotImplementedError


def discard_case(
    shop: Shop, actor: Actor, case_id: int, *, reason: str, revision: int | None = None
) -> None:
    """Give a case up; it stays in the book as discarded."""
    raise NotImplementedError


def mark_came_back(
    shop: Shop, actor: Actor, case_id: int, *, note: str, revision: int | None = None
) -> CaseView:
    """Say that the trouble of a closed case came back: its cure did not hold."""
    raise NotImplementedError
