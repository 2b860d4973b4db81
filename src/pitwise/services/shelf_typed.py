"""Pieces, days and amounts of money as they are typed into the shelf's forms."""

from __future__ import annotations

import re
import unicodedata

from pitwise.services.errors import ServiceError
from pitwise.services.fields import decimal_number, whole_number

_MOST_PIECES = 100_000


def plain_number(value: float) -> str:
    """Return a number as it was typed, to ten digits behind the point."""
    return f"{value:.10f}".rstrip("0").rstrip(".")


def needed_whole(place: str, value: str, *, low: int) -> int:
    """Return a whole number of pieces; refuse an empty field."""
    number = whole_number(place, value, low=low, high=_MOST_PIECES)
    if number is None:
        raise ServiceError(place, "is empty", f"give a whole number from {low}")
    return number


def needed_decimal(place: str, value: str, *, high: float = 1e7) -> float:
    """Return a number from nothing up; refuse an empty field."""
    number = decimal_number(place, value, high=high)
    if number is None:
        raise ServiceError(place, "is empty", "give a number such as 12.5")
    return number


# 12,500 is twelve and a half to one hand and twelve thousand to another.
_THOUSANDS = re.compile(r"[0-9]+,[0-9]{3}")


def amount_of(place: str, value: str) -> float | None:
    """Return an amount of money, or None for an empty field; refuse one that reads two ways.

    Raises
    ------
    ServiceError
        Not a number, or a comma with exactly three digits after it.
    """
    text = unicodedata.normalize("NFKC", (value or "").strip())
    if _THOUSANDS.fullmatch(text):
        whole, part = text.split(",")
        raise ServiceError(
            place,
            f"'{text[:20]}' can be read two ways",
            f"write {whole}{part} for the thousands, or {whole}.{part} with a point",
        )
    return decimal_number(place, text, high=1e7)


def needed_amount(place: str, value: str) -> float:
    """Return an amount of money as `amount_of` does; refuse an empty field."""
    number = amount_of(place, value)
    if number is None:
        raise ServiceError(place, "is empty", "give a number such as 12.5")
    return number


def price_of(place: str, value: str) -> float | None:
    """Return a price as `amount_of` does, or None for an empty field; refuse 0, which is none."""
    number = amount_of(place, value)
    if number == 0:
        raise ServiceError(
            place, "0 is no price", "leave it empty if there is none; a gift is said in the note"
        )
    return number


def needed_price(place: str, value: str) -> float:
    """Return a price as `price_of` does, for terms, which are none without one."""
    number = amount_of(place, value)
    if not number:
        problem = "is empty" if number is None else "0 is no price"
        raise ServiceError(
            place, problem, "give a number such as 12.5; while none is known, enter no terms"
        )
    return number
