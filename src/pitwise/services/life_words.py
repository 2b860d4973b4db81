"""Lives in words: reasons, uses, ranges, and the sentences a lead reads."""

from __future__ import annotations

import math

from pitwise.services.life_model import LOST_IN_THE_CUT
from pitwise.services.life_reasons import OVERRULED, TAKEN_ALONG, TAKEN_OUT
from pitwise.trade.model import Sheet
from pitwise.trade.quantities import WORDS

END_WORDS = {
    "lost": "lost in the cut",
    "worn": "found worn or damaged",
    "changed": "changed while still good",
    "running": "in a torch now",
}
_RULES = {
    LOST_IN_THE_CUT: "lost in the cut",
    OVERRULED: "a person decided so",
    TAKEN_OUT: "taken out by hand",
    "pit-over-limit": "pit over its limit",
    "pit-still-may-be-over": "pit may be over its limit, after repeats too",
}
_HOLES = {
    "hole-over-limit-": "over its limit",
    "hole-still-may-be-over-": "may be over its limit, after repeats too",
}


def reason_words(sheet: Sheet, part: str, rule: str) -> str:
    """Return a reason in words; one that the sheet no longer has keeps its id, spelled out."""
    if rule in _RULES:
        return _RULES[rule]
    if rule.startswith(TAKEN_ALONG):
        with_part = rule.removeprefix(TAKEN_ALONG)
        names: dict[str, str] = {p.id: p.name.lower() for p in sheet.parts}
        return f"went with the {names.get(with_part, with_part)}"
    for mark, said in _HOLES.items():
        if rule.startswith(mark):
            quantity = rule.removeprefix(mark)
            name = next((w.name for q, w in WORDS.items() if q == quantity), quantity)
            return f"{name[:1].lower()}{name[1:]} {said}"
    finding = sheet.finding(part, rule)
    return finding.name.lower() if finding else rule.replace("-", " ")


def use_words(use: float) -> str:
    """Return a use no finer than it is known: three figures, whole above 10."""
    if not math.isfinite(use):
        return "no upper limit"
    if use <= 0:
        return "0"
    digits = 2 - math.floor(math.log10(use))
    rounded = round(use, digits)
    if rounded >= 10:
        return f"{rounded:,.0f}".replace(",", "\u202f")
    return f"{rounded:.1f}"


def range_words(low: float, high: float) -> str:
    """Return a range as "287 to 389"; a bound that is none says so."""
    if not math.isfinite(high):
        return f"{use_words(low)} or more"
    return f"{use_words(low)} to {use_words(high)}"
