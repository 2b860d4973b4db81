"""Why the shelf's numbers were refused, and what mends it."""

from __future__ import annotations

import math

from pitwise.trade.given import InputError

__all__ = [
    "BadPmfError",
    "NoDemandError",
    "OutOfRangeError",
    "StockError",
    "TooLargeError",
    "above_zero",
    "share",
    "whole",
    "zero_or_more",
]


class StockError(InputError):
    """Input from which no order size or reorder point can be reckoned.

    `place` is the name of the quantity, such as ``holding``.
    """


class OutOfRangeError(StockError):
    """A number that is not finite, or outside of what it can be."""


class BadPmfError(StockError):
    """Probabilities that are none, or don't add up to one."""


class NoDemandError(StockError):
    """Nothing is ever asked for: there is nothing to order."""


class TooLargeError(StockError):
    """More pieces than are reckoned one by one."""


def above_zero(value: float, place: str) -> float:
    """Return a finite number above zero."""
    if not (math.isfinite(value) and value > 0):
        raise OutOfRangeError(place, f"{value:g} is not above zero", "give a number above zero")
    return float(value)


def zero_or_more(value: float, place: str) -> float:
    """Return a finite number, zero or more."""
    if not (math.isfinite(value) and value >= 0):
        raise OutOfRangeError(place, f"{value:g} is below zero", "give zero or more")
    return float(value)


def whole(value: float, place: str, low: int) -> int:
    """Return a whole number from `low` up."""
    if not (math.isfinite(value) and value == int(value) and value >= low):
        raise OutOfRangeError(
            place, f"{value:g} is no whole number from {low} up", "give whole pieces"
        )
    return int(value)


def share(value: float, place: str) -> float:
    """Return a share above 0 and below 1."""
    if not 0 < value < 1:
        raise OutOfRangeError(
            place,
            f"{value:g} is not between 0 and 1",
            "ask for less than 1, such as 0.95: no shelf serves every call",
        )
    return float(value)
