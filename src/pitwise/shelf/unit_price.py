"""Prices of one piece as they are written: with every digit that is reckoned with."""

from __future__ import annotations

from decimal import Decimal

_LEAST_DIGITS = 2


def plain_price(price: float) -> str:
    """Return a price of one piece for a file or a field: a point, no signs between thousands.

    Parameters
    ----------
    price : float
        In whole currency units.

    Returns
    -------
    str
        As many digits after the point as the price holds, two at least. Read as a number
        it is the price again: 0.125 is written 0.125, 20 is written 20.00.
    """
    exact = Decimal(repr(float(price)))
    exponent = exact.as_tuple().exponent
    if not isinstance(exponent, int):
        raise ValueError(f"{price} is no price")
    return f"{exact:.{max(_LEAST_DIGITS, -exponent)}f}"


def price_text(price: float) -> str:
    """Return a price of one piece for people: as `plain_price`, thin spaces between thousands."""
    whole, _, part = plain_price(price).partition(".")
    return f"{int(whole):,}.{part}".replace(",", "\u202f")
