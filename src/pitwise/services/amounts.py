"""Amounts of money: each in its own currency, with a range; two currencies are never added."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

# Of a 90 % range.
_Z = 1.6449
# Cornish and Fisher's first term alone is good for no more skewness than that.
_MOST_SKEW = 1.0


@dataclass(frozen=True)
class Doubt:
    """What an estimate's doubt is made of, so that several can be added rightly.

    Attributes
    ----------
    own : float
        Variance of what is this estimate's own: independent of any other's. In the unit squared.
    skew : float
        Its third central moment, in the unit cubed.
    shared : tuple of (str, float)
        Standard uncertainties from sources that others may rest on too, by the source's name, in
        the unit; below 0 where the estimate falls as the source rises.
    """

    own: float = 0.0
    skew: float = 0.0
    shared: tuple[tuple[str, float], ...] = ()

    def times(self, factor: float) -> Doubt:
        """Return the doubt of the estimate times a factor."""
        shared = tuple((source, u * factor) for source, u in self.shared)
        return Doubt(self.own * factor**2, self.skew * factor**3, shared)

    @property
    def variance(self) -> float:
        """Of the whole."""
        return self.own + math.fsum(u * u for _, u in self.shared)


@dataclass(frozen=True)
class Amount:
    """Money in one currency.

    Attributes
    ----------
    currency : str
        As the shop writes it.
    value : float
    low, high : float
        Its range, 90 %; both equal `value` where nothing is estimated.
    doubt : Doubt or None
        What the range is made of; None: not known, or nothing is estimated.
    """

    currency: str
    value: float
    low: float
    high: float
    doubt: Doubt | None = None

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
    r"""Add amounts up, each currency for itself, the currencies in alphabetical order.

    Parameters
    ----------
    amounts : iterable of Amount

    Returns
    -------
    tuple of Amount
        With ranges of the sums. One estimate among sure amounts keeps its range. Where it is
        not known what the doubt of one is made of, ranges are added end to end, as if all erred
        the same way: too wide rather than too narrow.

    Notes
    -----
    What is each estimate's own (how long this part would have run) is independent of the
    others'; what rests on one source (how long parts of a type usually last) errs for all alike,
    a correlation of 1. With :math:`u_i` of the former and :math:`c_{ik}` of the source `k`,
    the combined variance [1]_ of the sum is

    .. math:: u^2 = \sum_i u_i^2 + \sum_k \Bigl(\sum_i c_{ik}\Bigr)^2

    and its range :math:`y + u (\pm z + (z^2 - 1)\,\gamma/6)`, z = 1.645 for 90 %, with the
    skewness :math:`\gamma` of the sum of what is own (Cornish & Fisher, Rev. Inst. Int. Stat. 5
    (1938) 307, first term, from memory); never wider than end to end.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.2.2, equations (13) and (16), and its note 1 for correlations
       of 1; 5.1.2, equation (10), for independent ones.
    """
    groups: dict[str, list[Amount]] = {}
    for a in amounts:
        groups.setdefault(a.currency, []).append(a)
    return tuple(_sum(currency, groups[currency]) for currency in sorted(groups))


def _sum(currency: str, amounts: list[Amount]) -> Amount:
    value, low, high = (
        math.fsum(x) for x in zip(*((a.value, a.low, a.high) for a in amounts), strict=True)
    )
    estimated = [a for a in amounts if a.estimated]
    doubts = [a.doubt for a in estimated if a.doubt is not None]
    doubt = None
    if doubts and len(doubts) == len(estimated):
        doubt = _together(doubts)
        if len(doubts) > 1:
            u = math.sqrt(doubt.variance)
            skew = max(-_MOST_SKEW, min(doubt.skew / u**3, _MOST_SKEW)) if u > 0 else 0.0
            bend = (_Z**2 - 1) * skew / 6
            low, high = max(low, value + u * (bend - _Z)), min(high, value + u * (bend + _Z))
    # Sums rounded one by one may miss each other by the last digit.
    return Amount(currency, value, min(low, value), max(high, value), doubt)


def _together(doubts: Sequence[Doubt]) -> Doubt:
    shared: dict[str, list[float]] = {}
    for d in doubts:
        for source, u in d.shared:
            shared.setdefault(source, []).append(u)
    return Doubt(
        math.fsum(d.own for d in doubts),
        math.fsum(d.skew for d in doubts),
        tuple((source, math.fsum(shared[source])) for source in sorted(shared)),
    )


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
