"""Amounts of money: each in its own currency, with a range; two currencies are never added."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class CantTell:
    """Something can't be told: why, and what would mend it; falsy."""

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Be as good as none."""
        return False


@dataclass(frozen=True)
class Amount:
    """Money in one currency.

    Attributes
    ----------
    currency : str
        As the shop writes it.
    value : float
    low, high : float
        Its range; both equal `value` where nothing is estimated.
    """

    currency: str
    value: float
    low: float
    high: float

    def __post_init__(self) -> None:
        """Refuse what is no amount."""
        if not all(map(math.isfinite, (self.value, self.low, self.high))):
            raise ValueError("an amount is a number")
        if not self.low <= self.value <= self.high:
            raise ValueError("an amount lies within its range")

    @classmethod
    def sure(cls, currency: str, value: float) -> Amount:
        """Return an amount that is known."""
        return cls(currency, value, value, value)

    @property
    def estimated(self) -> bool:
        """Whether it has a range."""
        return self.low < self.high

    def share_of(self, whole: Amount) -> float:
        """Return its share of a whole in the same currency, 0 where the whole is nothing."""
        if whole.currency != self.currency:
            raise ValueError(f"{self.currency} is no share of {whole.currency}")
        return self.value / whole.value if whole.value > 0 else 0.0


Amounts = tuple[Amount, ...]


def add(amounts: Iterable[Amount]) -> Amounts:
    """Add amounts up, each currency for itself, the currencies in alphabetical order.

    Ranges are added end to end, as if all estimates erred the same way: wider than need be
    where they err apart.
    """
    sums: dict[str, list[list[float]]] = {}
    for a in amounts:
        sums_of = sums.setdefault(a.currency, [[], [], []])
        for place, x in zip(sums_of, (a.value, a.low, a.high), strict=True):
            place.append(x)
    out = []
    for currency in sorted(sums):
        value, low, high = map(math.fsum, sums[currency])
        # Sums rounded one by one may miss each other by the last digit.
        out.append(Amount(currency, value, min(low, value), max(high, value)))
    return tuple(out)


def in_currency(amounts: Amounts, currency: str) -> Amount:
    """Return the amount in a currency; nothing where there is none."""
    return next((a for a in amounts if a.currency == currency), Amount.sure(currency, 0.0))


def money_text(value: float, largest: float | None = None) -> str:
    """Write an amount with thin spaces; cents where it, or the largest beside it, is below 100."""
    digits = 0 if abs(value if largest is None else largest) >= 100 else 2
    return f"{value:,.{digits}f}".replace(",", "\u202f")


def fine_text(value: float) -> str:
    """Write a small amount, such as one per start, to three figures."""
    if value == 0:
        return "0"
    if abs(value) >= 100:
        return money_text(value)
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    return f"{value:.{min(digits, 6)}f}"


def amount_words(amount: Amount) -> str:
    """Say an amount with its range, where it has one."""
    value, low, high = (money_text(x, amount.high) for x in (amount.value, amount.low, amount.high))
    # Half a percent either way is no news, and rounding hides it.
    seen = amount.high - amount.low > 0.005 * amount.value and low != high
    span = f" ({low} to {high})" if seen else ""
    return f"{value} {amount.currency}{span}"


def amounts_words(amounts: Amounts, none: str = "nothing") -> str:
    """Say amounts of several currencies beside one another."""
    return " and ".join(map(amount_words, amounts)) or none
