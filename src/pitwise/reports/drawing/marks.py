"""The shapes that stand for an action, told apart without colour.

A square in every case, so that a row of marks reads as one column of a table; what is done to the
square tells the action. None of them borrows a safety sign's form.
"""

from __future__ import annotations

from .shapes import INK, PAPER, attribute, number

#: The word shown with each shape; `not-looked` is a state, never an action.
ACTION_WORDS: dict[str, str] = {
    "keep": "keep",
    "clean": "clean",
    "replace": "replace",
    "recheck": "recheck",
    "not-looked": "not looked at",
}

_OPEN = '<rect x="{x}" y="{y}" width="{w}" height="{w}" fill="{paper}" stroke="{ink}"'


def _square(x: float, y: float, side: float, extra: str = "") -> str:
    start = _OPEN.format(x=number(x), y=number(y), w=number(side), paper=PAPER, ink=INK)
    return f'{start} stroke-width="3"{extra}/>'


def _strokes(data: str, colour: str, weight: float, cap: str = "butt") -> str:
    return (
        f'<path d="{data}" fill="none" stroke="{colour}" stroke-width="{number(weight)}"'
        f' stroke-linecap="{cap}" stroke-linejoin="miter"/>'
    )


_SHAPES: dict[str, str] = {
    # Stands on its bar: stays where it is.
    "keep": _square(8, 3.5, 24) + _strokes("M4 35.5H36", INK, 5),
    # Three wipes across.
    "clean": _square(5.5, 5.5, 29)
    + _strokes("M11 24L24 11M11.5 32.5L32.5 11.5M20 32L32 20", INK, 3),
    # Two opposite barbed strokes cut out of the solid: one goes out, one comes in.
    "replace": f'<rect x="4" y="4" width="32" height="32" fill="{INK}"/>'
    + _strokes("M8.5 17H31L23.5 9.500M31.5 23.500H9L16.5 31", PAPER, 3.4),
    # A gauge dial's needle and three divisions.
    "recheck": _square(5.5, 5.5, 29)
    + _strokes("M10.5 19L14.5 20.600M20 10V14.500M29.5 19L25.5 20.6", INK, 2.6)
    + _strokes("M20 31L26.5 13.5", INK, 3.4)
    + f'<circle cx="20" cy="30" r="3.4" fill="{INK}"/>',
    "not-looked": _square(5.5, 5.5, 29, ' stroke-dasharray="5.8 5.8" stroke-dashoffset="2.9"'),
}


def check_action(action: str) -> str:
    """Return `action` unchanged, or raise ValueError naming the five that exist."""
    if action not in ACTION_WORDS:
        raise ValueError(f"unknown action {action!r}; use one of {', '.join(ACTION_WORDS)}")
    return action


def mark_shape(action: str, x: float, y: float, side: float) -> str:
    """Return the shape as an SVG group with its upper left corner at (`x`, `y`).

    Parameters
    ----------
    action : str
        A key of `ACTION_WORDS`.
    x, y : float
        Place in the picture.
    side : float
        Width and height in picture units.

    Raises
    ------
    ValueError
        The action is unknown.
    """
    shape = _SHAPES[check_action(action)]
    place = f"translate({number(x)} {number(y)}) scale({side / 40:.4g})"
    return f'<g class="mark mark-{action}" transform="{place}">{shape}</g>'


def action_mark(action: str, *, size: int = 40, decorative: bool = False) -> str:
    """Return an action's shape alone, for lists.

    Parameters
    ----------
    action : str
        A key of `ACTION_WORDS`.
    size : int
        Width and height in px, at least 1.
    decorative : bool
        True where the word stands beside it, so that a screen reader says it once.

    Returns
    -------
    str
        A whole SVG element.

    Raises
    ------
    ValueError
        The action is unknown or the size is not positive.
    """
    shape = _SHAPES[check_action(action)]
    if size < 1:
        raise ValueError(f"size must be at least 1 px, got {size}")
    voice = (
        ' aria-hidden="true"'
        if decorative
        else ' role="img"' + attribute("aria-label", ACTION_WORDS[action])
    )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="action-mark mark-{action}"'
        f' viewBox="0 0 40 40" width="{size}" height="{size}"{voice}>{shape}</svg>'
    )
