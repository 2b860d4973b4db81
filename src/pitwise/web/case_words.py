"""The words the pages of causes use for states, places and strengths of evidence."""

from __future__ import annotations

import math

from pitwise.trade.model import PART_SLUGS, Sheet

STATES = {
    "seen": "seen",
    "absent": "not there",
    "slight": "seen, slight",
    "much": "seen, much",
    "reading": "by a reading",
    "none": "not looked at",
}
CERTAIN = {
    "verified": "Verified: seen or measured to be so",
    "went-away": "Only went away after the remedy: not verified",
}
VERDICTS = {
    "better": "Better since the cure",
    "worse": "Worse since the cure",
    "no-difference": "No difference shown since the cure",
    "too-early": "Too early to tell",
}
_PLACES = {
    "caps": "Caps",
    "o-rings": "O-rings",
    "gas": "Gas supply",
    "coolant": "Coolant",
    "record": "Records and counters",
    "cut": "The cut",
    "setup": "Set-up",
}


def place_names(sheet: Sheet) -> dict[str, str]:
    """Return the name of every place a finding may be at, in the order of the work."""
    parts = {p.id: p.name for p in sheet.parts}
    named = {slug: parts.get(slug, slug.replace("-", " ").capitalize()) for slug in PART_SLUGS}
    others = {
        s.where: s.where.replace("-", " ").capitalize()
        for s in sheet.symptoms
        if s.where not in named and s.where not in _PLACES
    }
    return {**named, **others, **_PLACES}


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
