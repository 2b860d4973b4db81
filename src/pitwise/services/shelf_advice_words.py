"""The shelf's advice in sentences."""

from __future__ import annotations

import datetime as dt

from pitwise.services.shelf_advice_model import ItemAdvice
from pitwise.services.shelf_model import ItemLine
from pitwise.shelf.advice import Advice
from pitwise.shelf.floor import FloorAdvice
from pitwise.shelf.words import advice_words, first_words, floor_words
from pitwise.wear.cant_tell import CantTell

AFTER = "After counting, by that figure: "
_NOUNS = {
    "shield-cap": ("shield caps", "shield cap"),
    "shield": ("shields", "shield"),
    "retaining-cap": ("retaining caps", "retaining cap"),
    "nozzle": ("nozzles", "nozzle"),
    "swirl-ring": ("swirl rings", "swirl ring"),
    "electrode": ("electrodes", "electrode"),
    "coolant-tube": ("coolant tubes", "coolant tube"),
    "torch-head": ("torch heads", "torch head"),
}


def nouns_of(line: ItemLine) -> tuple[str, str]:
    """Return what an item's pieces are called: many, one."""
    if line.kind == "kit":
        return "kits", "kit"
    return _NOUNS.get(line.part or "", ("pieces", "piece"))


def item_words(
    advice: Advice | FloorAdvice | CantTell, line: ItemLine, day: dt.date, covered: str
) -> tuple[str, ...]:
    """Return the advice in sentences; of an item to be counted that first."""
    many, one = nouns_of(line)
    kits = line.in_kits
    words: tuple[str, ...]
    if isinstance(advice, Advice):
        assumed = line.rule.of == "assumed"
        words = advice_words(advice, many, one, day, assumed=assumed, in_kits=kits)
    elif isinstance(advice, FloorAdvice):
        words = floor_words(advice, many, one, in_kits=kits)
    elif covered:
        return (f"{advice.reason}.",)
    else:
        return (f"Can't tell what to order: {advice.reason}. Mend: {advice.mend}.",)
    if line.below_zero or line.count_again:
        return (f"Count it first. {doubt_words(line)}", f"{AFTER}{words[0]}", *words[1:])
    return words


def order_words(own: ItemAdvice, today: dt.date) -> str:
    """Return why an item is to be ordered, in one sentence."""
    if not isinstance(own.advice, Advice):
        return own.words[0]
    return first_words(own.advice, *nouns_of(own.item), today, in_kits=own.item.in_kits)


def doubt_words(item: ItemLine) -> str:
    """Return why the book's figure is doubted."""
    if item.below_zero:
        return "The book's figure can't be right: more went out than it knew of."
    return "The book's figure may not be right: a correction came after a count."


def count_words(own: ItemAdvice) -> tuple[str, str]:
    """Return why an item to be ordered is counted first, and what follows that; no full stops."""
    return (
        small(doubt_words(own.item)).rstrip("."),
        f"count what is there; after counting, by that figure: {order_after(own)}".rstrip("."),
    )


def order_after(own: ItemAdvice) -> str:
    """Return the order that would be advised by the figure, of an item to be counted first."""
    return small(own.words[1].removeprefix(AFTER))


def small(sentence: str) -> str:
    """Return a sentence as it follows other words."""
    return sentence[:1].lower() + sentence[1:]
