"""Who may find something out, and what to mind: by the checks that reveal it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from pitwise.services.case_lines import Who
from pitwise.trade.cause_rows import Check
from pitwise.trade.model import Sheet

_STRICT: dict[Who, int] = {"technician": 0, "lead": 1, "electrician": 2}


@dataclass(frozen=True)
class Gate:
    """Who may do it, and its caution."""

    who: Who = "technician"
    caution: str = ""


def strictest(checks: Iterable[Check]) -> Gate:
    """Return who may do the strictest of checks, with all their cautions, strictest first.

    Work is no milder for being done under another heading: what any of its checks asks to
    mind is shown.
    """
    rows = sorted(checks, key=lambda c: -_STRICT[c.who])
    texts = dict.fromkeys(c.caution for c in rows if c.caution)
    cautions = [t for t in texts if not any(t != o and t in o for o in texts)]
    return Gate(rows[0].who, " ".join(cautions)) if rows else Gate()


def finding_gate(sheet: Sheet, symptoms: Iterable[str]) -> Gate:
    """Return who may look for findings, by every check that reveals one of them."""
    wanted = set(symptoms)
    return strictest(c for c in sheet.checks if wanted & set(c.reveals))


def reading_gate(sheet: Sheet, reading: str) -> Gate:
    """Return who may take a reading, by the findings it tells on."""
    return finding_gate(sheet, (f.symptom for f in sheet.reading(reading).feeds))


def least(whos: Iterable[Who]) -> Who:
    """Return who may do the mildest of some works."""
    return min(whos, key=_STRICT.__getitem__)
