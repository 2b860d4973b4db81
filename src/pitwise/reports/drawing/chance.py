"""A chance as a bar: how likely now, its range, and how often it is so before any evidence."""

from __future__ import annotations

import math

from .shapes import INK, number

_WIDTH = 320.0
_EDGE = 3.0


def _place(p: float) -> float:
    return _EDGE + p * (_WIDTH - 2 * _EDGE)


def chance_bar(p: float, low: float, high: float, base: float) -> str:
    """Return a chance as an SVG bar; what it shows stands beside it in words.

    Parameters
    ----------
    p, low, high : float
        The chance and its 90 % range, 0 to 1, `low` <= `high`.
    base : float
        The base rate, 0 to 1: a notch across the bar.

    Returns
    -------
    str
        One SVG element, hidden from screen readers. The bar is filled up to the chance; the
        line under it, with its two ends, is the range.

    Raises
    ------
    ValueError
        A number is no chance, or the range is upside down.

    Notes
    -----
    Told apart by form alone: fill, line and notch need no colour.
    """
    for x in (p, low, high, base):
        if not (math.isfinite(x) and 0 <= x <= 1):
            raise ValueError(f"{x} is no chance: give numbers from 0 to 1")
    if low > high:
        raise ValueError(f"the range runs from {low} to {high}: give the lower end first")
    right = number(_place(p) - _EDGE)
    a, b, notch = (number(_place(x)) for x in (low, high, base))
    width = number(_WIDTH - 2 * _EDGE)
    return (
        f'<svg class="chance" viewBox="0 0 {number(_WIDTH)} 40" aria-hidden="true" '
        'xmlns="http://www.w3.org/2000/svg">'
        f'<rect x="{number(_EDGE)}" y="6" width="{width}" height="16" fill="#fffefa" '
        f'stroke="{INK}" stroke-width="2"/>'
        f'<rect x="{number(_EDGE)}" y="6" width="{right}" height="16" fill="{INK}"/>'
        # The notch keeps its paper edge over the fill, or it would drown in it.
        f'<path d="M{notch} 1V27" stroke="#fffefa" stroke-width="6"/>'
        f'<path d="M{notch} 1V27" stroke="{INK}" stroke-width="2" stroke-dasharray="3 2"/>'
        f'<path d="M{a} 33H{b}M{a} 28V38M{b} 28V38" fill="none" stroke="{INK}" '
        'stroke-width="3"/></svg>'
    )
