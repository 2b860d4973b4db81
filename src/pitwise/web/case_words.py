"""The words the pages of causes use for states, places and strengths of evidence."""

from __future__ import annotations

import math

from pitwise.reports.case_words import CERTAIN, STATES, VERDICTS

__all__ = ["CERTAIN", "STATES", "VERDICTS", "shift_words", "tells"]


def shift_words(shift: float) -> str:
    """Say how much a fact moves a cause: its odds, as a factor.

    Parameters
    ----------
    shift : float
        Change of the log-odds (natural log).
    """
    factor = math.exp(min(abs(shift), 50.0))
    if factor < 1.1:
        return "hardly moves it"
    times = f"{factor:.1f}" if factor < 9.95 else f"{factor:.0f}" if factor < 1000 else "over 1000"
    return f"odds {'×' if shift > 0 else '÷'} {times}"


def tells(gain_bits: float) -> str:
    """Say how much a check is expected to tell."""
    if gain_bits >= 0.5:
        return "much"
    if gain_bits >= 0.1:
        return "some"
    return "little"
