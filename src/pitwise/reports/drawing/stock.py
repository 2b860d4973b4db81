"""The shapes that stand for how an item of the shelf is doing, told apart without colour.

A board with what stands on it. None of them borrows a safety sign's form or an action's.
"""

from __future__ import annotations

from .shapes import INK, number

#: The word shown with each shape.
STOCK_WORDS: dict[str, str] = {
    "enough": "enough",
    "order-now": "order now",
    "short": "runs short",
    "none-left": "none left",
    "count-it": "count it",
    "late": "order is late",
    "no-terms": "no price or lead time",
    "in-kit": "bought in a kit",
    "loose": "bought loose",
    "cant-tell": "can't tell yet",
}

_BOARD = f'<path d="M2 36.500H38" stroke="{INK}" stroke-width="4" fill="none"/>'


def _full(x: float, y: float) -> str:
    return f'<rect x="{number(x)}" y="{number(y)}" width="10" height="13" fill="{INK}"/>'


def _gone(x: float, y: float) -> str:
    return (
        f'<rect x="{number(x + 1)}" y="{number(y + 1)}" width="8" height="11" fill="none"'
        f' stroke="{INK}" stroke-width="1.8" stroke-dasharray="2.6 2.2"/>'
    )


def _line(data: str, weight: float = 3.2) -> str:
    return f'<path d="{data}" fill="none" stroke="{INK}" stroke-width="{number(weight)}"/>'


_SHAPES: dict[str, str] = {
    # Three boxes and one upon them.
    "enough": _BOARD + _full(3, 21) + _full(15, 21) + _full(27, 21) + _full(15, 5.5),
    # One left, and one on its way down to the board.
    "order-now": _BOARD
    + _full(3, 21)
    + _gone(15, 21)
    + _gone(27, 21)
    + _line("M26 3V15M20 10L26 16L32 10"),
    # One left of three.
    "short": _BOARD + _full(3, 21) + _gone(15, 21) + _gone(27, 21),
    # The bare board.
    "none-left": _BOARD + _gone(3, 21) + _gone(15, 21) + _gone(27, 21),
    # A tally of five.
    "count-it": _line("M8 6V34M16 6V34M24 6V34M32 6V34M3 30L37 11", 3),
    # An empty place, and the time over it.
    "late": _BOARD
    + _gone(15, 21)
    + f'<circle cx="20" cy="10" r="8" fill="none" stroke="{INK}" stroke-width="2.600"/>'
    + _line("M20 5V10L24 12", 2.4),
    # A tag with nothing on it.
    "no-terms": _line("M4 20L13 9H36V31H13Z", 2.8)
    + f'<circle cx="14.500" cy="20" r="2.600" fill="{INK}"/>'
    + '<path d="M20 17H32M20 23.500H32" stroke="#14181c" stroke-width="2" fill="none"'
    ' stroke-dasharray="2.6 2.4"/>',
    # One box within another.
    "in-kit": _BOARD + _line("M6 34V8H34V34", 2.8) + _full(15, 21),
    # Two boxes out of one.
    "loose": _BOARD + _full(4, 21) + _full(26, 21) + _line("M17 33V19H23V33", 2.4),
    # A board, and nobody knows for how long.
    "cant-tell": _BOARD
    + _full(3, 21)
    + _line("M20 26H36", 2.4)
    + _line("M20 20H31", 2.4)
    + _line("M20 14H25", 2.4),
}


def stock_mark(state: str, *, size: int = 40) -> str:
    """Return the shape of a state; the word always stands beside it.

    Parameters
    ----------
    state : str
        A key of `STOCK_WORDS`.
    size : int
        Width and height in px, at least 1.

    Raises
    ------
    ValueError
        The state is unknown or the size is not positive.
    """
    if state not in _SHAPES:
        raise ValueError(f"unknown state {state!r}; use one of {', '.join(STOCK_WORDS)}")
    if size < 1:
        raise ValueError(f"size must be at least 1 px, got {size}")
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="stock-mark" viewBox="0 0 40 40"'
        f' width="{size}" height="{size}" aria-hidden="true" focusable="false">'
        f"{_SHAPES[state]}</svg>"
    )
