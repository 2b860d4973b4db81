"""The words the pages of causes use for states, places and strengths of evidence."""

from __future__ import annotations

from pitwise.reports.case_words import (
    CERTAIN,
    NO_RANKING,
    STATES,
    VERDICTS,
    held_words,
    moving,
    shift_words,
    told_words,
)

__all__ = [
    "CERTAIN",
    "NO_RANKING",
    "STATES",
    "VERDICTS",
    "held_words",
    "moving",
    "shift_words",
    "tells",
    "told_words",
]


def tells(gain_bits: float) -> str:
    """Say how much a check is expected to tell."""
    if gain_bits >= 0.5:
        return "much"
    if gain_bits >= 0.1:
        return "some"
    return "little"
