"""The Pitwise mark: an electrode's face and, beside it, the same face cut through its pit."""

from __future__ import annotations

from .shapes import INK

_COPPER = "#b9772c"
_PATHS: tuple[tuple[str, str], ...] = (
    ("M31 4A28 28 0 0 0 31 60V52.5A20.5 20.5 0 0 1 31 11.5Z", INK),
    ("M31 21A11 11 0 0 0 31 43Z", INK),
    ("M35 4H60V60H35V43H54V21H35Z", INK),
    ("M35 21H54V43H35A8 11 0 0 0 35 21Z", _COPPER),
)


def logo(*, size: int = 48) -> str:
    """Return the mark on its own; `favicon.svg` is the same on a ground of paper.

    Parameters
    ----------
    size : int
        Width and height in px, at least 1; readable from 16.

    Returns
    -------
    str
        One SVG element.

    Raises
    ------
    ValueError
        The size is not positive.
    """
    if size < 1:
        raise ValueError(f"size must be at least 1 px, got {size}")
    shapes = "".join(f'<path d="{data}" fill="{fill}"/>' for data, fill in _PATHS)
    return (
        '<svg xmlns="http://www.w3.org/2000/svg" class="pitwise-mark" viewBox="0 0 64 64"'
        f' width="{size}" height="{size}" role="img" aria-label="Pitwise">{shapes}</svg>'
    )
