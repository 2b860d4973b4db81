"""Sentences of the monthly sheet, made from the numbers: each with its range, or too few to tell.

Pure: numbers in, sentences out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from scipy.special import gammaincinv

from pitwise.services.amounts import fine_text, money_text
from pitwise.services.compared import (
    LEAST,
    LEVEL,
    Change,
    TooFew,
    compare_costs,
    compare_counts,
    compare_lives,
    cost_range,
    typical,
)
from pitwise.services.metres import Ranged

Told = Literal["more", "less", "within-chance", "too-few", "fact"]
_MOST_NAMED = 6


@dataclass(frozen=True)
class Sentence:
    """A sentence and what it tells.

    Attributes
    ----------
    text : str
    told : {"more", "less", "within-chance", "too-few", "fact"}
        Of a comparison with the month before; "fact" for what is counted, not compared.
    href : str
        The page that shows more; "" for none.
    """

    text: str
    told: Told = "fact"
    href: str = ""


def number(value: float) -> str:
    """Write a count or a use with thin spaces."""
    return f"{round(value):,}".replace(",", "\u202f")


def plural(count: float, one: str, many: str = "") -> str:
    """Write a count with its noun."""
    return f"{number(count)} {one if count == 1 else many or one + 's'}"


def listed(words: Sequence[str]) -> str:
    """Write words as people list them."""
    shown = list(words[:_MOST_NAMED])
    if len(words) > _MOST_NAMED:
        shown.append(f"{len(words) - _MOST_NAMED} more")
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"


def step_words(ratio: float, more: str, less: str) -> str:
    """Say a ratio as a step: "8 % fewer", "twice as many" stays "100 % more"."""
    if math.isinf(ratio):
        return f"any number of times {more}"
    percent = round(100 * abs(ratio - 1))
    if percent == 0:
        return "the same"
    return f"{number(percent)} % {more if ratio > 1 else less}"


def change_words(change: Change, before: str, more: str, less: str) -> str:
    """Say how now stands to before, with its range and whether chance alone could make it."""
    low, high = (step_words(r, more, less) for r in (change.low, change.high))
    if change.low == 0:
        low = "none at all"
    span = f"{low} to {high}"
    if math.isinf(change.ratio):
        # None before: a ratio has no middle.
        verdict = "more than chance makes" if change.told == "more" else "within chance"
        return f"in {before} there was none; the difference is {verdict} ({span})"
    head = f"{step_words(change.ratio, more, less)} than in {before}"
    if head.startswith("the same"):
        head = f"the same as in {before}"
    if change.told == "within-chance":
        return f"{head}; the difference is within chance ({span})"
    return f"{head} ({span}), more than chance makes"


def lives_sentence(
    parts: str, torch: str, now: Sequence[float], before: Sequence[float], month_before: str
) -> Sentence:
    """Say how long parts lasted that came to their end in the month.

    Parameters
    ----------
    parts : str
        Plural and capitalised: "Electrodes".
    torch : str
    now, before : sequence of float
        Starts of each part that ended in the month and in the month before, above 0.
    month_before : str
        Its name.
    """
    if not now:
        return Sentence(f"{parts} on {torch}: none came to an end.", "too-few")
    usual = typical(now)
    if isinstance(usual, TooFew):
        lasted = listed([number(x) for x in now])
        each = " of each" if " and " in parts else ""
        return Sentence(
            f"{parts} on {torch}: {number(len(now))}{each} came to an end,"
            f" after {lasted} starts. Too few to tell what is typical: {LEAST} are needed.",
            "too-few",
        )
    text = f"{parts} on {torch} lasted {number(usual.value)} starts"
    if usual.low is not None and usual.high is not None:
        text += f" (typical; {number(usual.low)} to {number(usual.high)}, {len(now)} ended)"
    change = compare_lives(now, before)
    if isinstance(change, TooFew):
        return Sentence(
            f"{text}. Against {month_before}: too few to tell, "
            f"{plural(len(before), 'ended', 'ended')} then.",
            "too-few",
        )
    return Sentence(f"{text}, {change_words(change, month_before, 'more', 'fewer')}.", change.told)


def _count_range(count: int, use: float) -> Ranged:
    """Return a Poisson rate with its exact range (Garwood, Biometrika 28, 1936, 437-442)."""
    tail = (1 - LEVEL) / 2
    low = float(gammaincinv(count, tail)) if count else 0.0
    return Ranged(count / use, low / use, float(gammaincinv(count + 1, 1 - tail)) / use)


def losses_sentence(
    now: int, starts_now: float, before: int, starts_before: float, month_before: str
) -> Sentence:
    """Say how many times parts were lost in the cut, per 1,000 starts."""
    said = (
        "No part was lost in the cut" if not now else f"{plural(now, 'loss', 'losses')} in the cut"
    )
    if starts_now <= 0:
        return Sentence(f"{said}; no starts are on the counters to set that against.", "too-few")
    rate = _count_range(now, starts_now / 1000)
    text = f"{said} in {number(starts_now)} starts"
    if rate.low is not None and rate.high is not None:
        text += (
            f": {fine_text(rate.value)} in 1\u202f000"
            f" ({fine_text(rate.low)} to {fine_text(rate.high)})"
        )
    change = compare_counts(now, starts_now, before, starts_before)
    if isinstance(change, TooFew):
        then = f"{before} in {number(starts_before)} starts" if starts_before > 0 else "no starts"
        return Sentence(f"{text}. Against {month_before} ({then}): too few to tell.", "too-few")
    return Sentence(f"{text}, {change_words(change, month_before, 'more', 'fewer')}.", change.told)


@dataclass(frozen=True)
class MonthCost:
    """What a month's consumables cost in one currency.

    Attributes
    ----------
    events : sequence of float
        Cost of each change.
    starts, arc_minutes : float
    per_metre : Ranged or None
    unpriced : int
        Parts without a known price.
    by_first : int
        Parts reckoned by their first known price, from after they were fitted.
    """

    events: Sequence[float]
    starts: float
    arc_minutes: float
    per_metre: Ranged | None = None
    unpriced: int = 0
    by_first: int = 0

    @property
    def total(self) -> float:
        """All of it."""
        return math.fsum(self.events)


def cost_sentence(currency: str, now: MonthCost, before: MonthCost, month_before: str) -> Sentence:
    """Say what consumables cost, per start, arc hour and metre, against the month before."""
    least = "at least " if now.unpriced else ""
    text = f"Consumables cost {least}{money_text(now.total)} {currency}"
    if now.unpriced:
        text += (
            f" ({plural(now.unpriced, 'part')} fitted without a known price"
            f" {'is' if now.unpriced == 1 else 'are'} not in it)"
        )
    if now.by_first:
        text += f" ({plural(now.by_first, 'part')} by a first known price, from after the fitting)"
    if now.starts <= 0:
        return Sentence(f"{text}; no starts are on the counters to set that against.", "too-few")
    text += f": {fine_text(now.total / now.starts)} {currency} a start"
    chance = cost_range(now.events, now.starts)
    if isinstance(chance, Ranged) and chance.low is not None and chance.high is not None:
        text += f" (chance alone gives {fine_text(chance.low)} to {fine_text(chance.high)})"
    if now.arc_minutes > 0:
        text += f", {fine_text(now.total * 60 / now.arc_minutes)} {currency} an arc hour"
    if now.per_metre is not None:
        text += f", {fine_text(now.per_metre.value)} {currency} a metre of cut"
        if now.per_metre.low is not None and now.per_metre.high is not None:
            text += f" ({fine_text(now.per_metre.low)} to {fine_text(now.per_metre.high)})"
    if now.unpriced or before.unpriced:
        return Sentence(
            f"{text}. It can’t be set against {month_before} while prices are missing.", "too-few"
        )
    change = compare_costs(now.events, now.starts, before.events, before.starts)
    if isinstance(change, TooFew):
        return Sentence(f"{text}. Against {month_before}: too few changes to tell.", "too-few")
    return Sentence(
        f"{text}. A start cost {change_words(change, month_before, 'more', 'less')}.", change.told
    )


def use_sentence(
    starts: float, arc_minutes: float, starts_before: float, month_before: str
) -> Sentence:
    """Say how much was cut: counters, so no range."""
    text = (
        f"All torches together: {plural(starts, 'start')}, {fine_text(arc_minutes / 60)} arc hours"
    )
    if starts_before <= 0:
        return Sentence(f"{text}; no starts are on record for {month_before}.")
    step = step_words(starts / starts_before, "more starts", "fewer starts")
    if step == "the same":
        return Sentence(f"{text}, as many starts as in {month_before}.")
    return Sentence(f"{text}, {step} than in {month_before}.")
