"""The whole torch opened out along its axis, and one part alone."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape

from .marks import ACTION_WORDS, check_action, mark_shape
from .parts import PART_SLUGS, PARTS, Part
from .shapes import INK, PAPER, View, attribute, draw, number, text

Layout = Literal["row", "column"]

_PREFIX = re.compile(r"(?:[A-Za-z][A-Za-z0-9_-]*)?\Z")
#: A link may be relative or plain web; anything else (javascript:, data:) is refused.
_SCHEME = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:")
_SAFE_SCHEMES = ("http:", "https:")

_ROW_WIDTH = 1120.0
_ROW_MARGIN = 8.0
_ROW_GAP = 23.0
_ROW_SLOTS: dict[str, float] = {
    "shield-cap": 102,
    "shield": 102,
    "retaining-cap": 108,
    "nozzle": 102,
    "swirl-ring": 102,
    "electrode": 108,
    "coolant-tube": 138,
    "torch-head": 181,
}
_ROW_REACH = 70.0

_COLUMN_WIDTH = 360.0
_COLUMN_SCALE = 0.9
_COLUMN_GAP = 23.0
_COLUMN_AXIS = 76.0
_COLUMN_TEXT = 152.0

_SIZE = 16.0
_RULE = 3.0


@dataclass(frozen=True)
class _Slot:
    """One part's place in the picture and what is put there."""

    part: Part
    order: int
    x: float
    y: float
    width: float
    height: float
    action: str | None
    current: bool

    @property
    def spoken(self) -> str:
        if self.action is None:
            return self.part.name
        return f"{self.part.name}: {ACTION_WORDS[self.action]}"


def _known(slug: str) -> str:
    if slug not in PART_SLUGS:
        raise ValueError(f"unknown part {slug!r}; use one of {', '.join(PART_SLUGS)}")
    return slug


def _link(slug: str, target: str) -> str:
    scheme = _SCHEME.match(target)
    odd = any(ord(sign) < 33 for sign in target)
    if not target or odd or (scheme and scheme.group().lower() not in _SAFE_SCHEMES):
        raise ValueError(f"link of {slug!r} must be relative, http or https, got {target!r}")
    return target


def _axis(start: tuple[float, float], end: tuple[float, float]) -> str:
    (x1, y1), (x2, y2) = start, end
    return (
        f'<path class="axis" d="M{number(x1)} {number(y1)}L{number(x2)} {number(y2)}" fill="none"'
        f' stroke="{INK}" stroke-width="1.2" stroke-dasharray="14 4 2.5 4"/>'
    )


def _bar(x: float, y: float, width: float, height: float) -> str:
    return (
        f'<rect x="{number(x)}" y="{number(y)}" width="{number(width)}"'
        f' height="{number(height)}" fill="{INK}"/>'
    )


def _frame(slot: _Slot, foot: float) -> str:
    """Return the heavy box of the current part, its foot rule `foot` units thick."""
    x, y, w, h = slot.x - 7, slot.y - 7, slot.width + 14, slot.height + 14
    box = (
        f'<rect class="current" x="{number(x)}" y="{number(y)}" width="{number(w)}"'
        f' height="{number(h)}" fill="#fffdf8" stroke="{INK}" stroke-width="4"/>'
    )
    return box + _bar(x - 2, y + h - foot + 2, w + 4, foot)


def _row_body(slot: _Slot, labels: bool, axis_y: float) -> str:
    middle = slot.x + slot.width / 2
    out = [_bar(slot.x, slot.y, slot.width, _RULE)]
    out.append(text(slot.x, slot.y + 22, str(slot.order), size=20, bold=True))
    if labels:
        out += [
            text(slot.x, slot.y + 41 + 17 * i, line, size=_SIZE)
            for i, line in enumerate(slot.part.lines)
        ]
    start = middle - slot.part.length / 2
    out.append(draw(slot.part.shapes, View(start, axis_y)))
    if slot.action is not None:
        foot = axis_y + _ROW_REACH
        out.append(mark_shape(slot.action, middle - 17, foot + 3, 34))
        word = ACTION_WORDS[slot.action]
        out.append(text(middle, foot + 54, word, size=_SIZE, bold=True, anchor="middle"))
    return "".join(out)


def _column_body(slot: _Slot, labels: bool) -> str:
    out = [_bar(_COLUMN_TEXT, slot.y, slot.x + slot.width - _COLUMN_TEXT, _RULE)]
    out.append(text(_COLUMN_TEXT, slot.y + 25, str(slot.order), size=20, bold=True))
    if labels:
        out.append(text(_COLUMN_TEXT + 20, slot.y + 24.5, slot.part.name, size=17))
    start = slot.y + (slot.height - slot.part.length * _COLUMN_SCALE) / 2
    view = View(_COLUMN_AXIS, start, _COLUMN_SCALE, down=True)
    out.append(draw(slot.part.shapes, view))
    if slot.action is not None:
        out.append(mark_shape(slot.action, _COLUMN_TEXT, slot.y + 38, 38))
        word = ACTION_WORDS[slot.action]
        out.append(text(_COLUMN_TEXT + 50, slot.y + 63, word, size=18, bold=True))
    return "".join(out)


def _group(slot: _Slot, body: str, target: str | None, prefix: str) -> str:
    box = (
        f'<rect class="hit" x="{number(slot.x)}" y="{number(slot.y)}"'
        f' width="{number(slot.width)}" height="{number(slot.height)}"'
        f' fill="{PAPER}" fill-opacity="0"/>'
    )
    frame = _frame(slot, 9) if slot.current else ""
    # A link is named by the words in it (WCAG 2.2, 2.5.3 label in name); a title would be said
    # beside them.
    title = f"<title>{escape(slot.spoken)}</title>" if target is None else ""
    group = (
        f'<g{attribute("id", f"{prefix}part-{slot.part.slug}")} class="part">'
        f"{title}{frame}{body}{box}</g>"
    )
    if target is None:
        return group
    current = ' aria-current="true"' if slot.current else ""
    return f"<a{attribute('href', target)}{current}>{group}</a>"


def torch_drawing(
    marks: Mapping[str, str] | None = None,
    *,
    current: str | None = None,
    hrefs: Mapping[str, str] | None = None,
    layout: Layout = "row",
    labels: bool = True,
    id_prefix: str = "",
) -> str:
    """Draw the torch opened out along its axis, in removal order.

    Parameters
    ----------
    marks : mapping of str to str, optional
        Part slug to action (`ACTION_WORDS`), shown as shape and word. Parts left out show none.
    current : str, optional
        Slug of the part being worked on, boxed heavily.
    hrefs : mapping of str to str, optional
        Part slug to link: relative, http or https.
    layout : {"row", "column"}
        ``"row"``: 1120 units wide, plate side at the left, for a tablet or paper. ``"column"``:
        360 units wide, plate side at the top, for a phone. Shown at its own width in px or wider,
        no text is smaller than 15 px.
    labels : bool
        Whether the parts are named; the numbers always stand.
    id_prefix : str
        Put before every id, so that two drawings can share a page. Letters, digits, ``_`` and
        ``-``, starting with a letter.

    Returns
    -------
    str
        One SVG element, the same for the same arguments, without styles or scripts.

    Raises
    ------
    ValueError
        A slug, action, layout, link or prefix is not one that can be drawn.
    """
    marks = marks or {}
    hrefs = hrefs or {}
    for slug, action in marks.items():
        check_action(action)
        _known(slug)
    for slug, target in hrefs.items():
        _link(_known(slug), target)
    if current is not None:
        _known(current)
    if _PREFIX.match(id_prefix) is None:
        raise ValueError(f"id_prefix must be letters, digits, _ or -, got {id_prefix!r}")
    if layout not in ("row", "column"):
        raise ValueError(f"unknown layout {layout!r}; use row or column")

    def slot(part: Part, corner: tuple[float, float], extent: tuple[float, float]) -> _Slot:
        order = PART_SLUGS.index(part.slug) + 1
        action = marks.get(part.slug)
        return _Slot(part, order, *corner, *extent, action, part.slug == current)

    slots: list[_Slot] = []
    if layout == "row":
        top = 10.0
        axis_y = top + (64 if labels else 30) + _ROW_REACH
        height = axis_y + _ROW_REACH + (66 if marks else 4) - top
        x = _ROW_MARGIN
        for part in PARTS:
            slots.append(slot(part, (x, top), (_ROW_SLOTS[part.slug], height)))
            x += _ROW_SLOTS[part.slug] + _ROW_GAP
        size = (_ROW_WIDTH, top + height + 12)
        bodies = [_row_body(each, labels, axis_y) for each in slots]
        axis = _axis((2, axis_y), (_ROW_WIDTH - 2, axis_y))
    else:
        y = 12.0
        for part in PARTS:
            height = max(88.0, part.length * _COLUMN_SCALE + 10)
            slots.append(slot(part, (10, y), (_COLUMN_WIDTH - 20, height)))
            y += height + _COLUMN_GAP
        size = (_COLUMN_WIDTH, y - _COLUMN_GAP + 12)
        bodies = [_column_body(each, labels) for each in slots]
        axis = _axis((_COLUMN_AXIS, 2), (_COLUMN_AXIS, size[1] - 2))

    groups = [
        _group(each, body, hrefs.get(each.part.slug), id_prefix)
        for each, body in zip(slots, bodies, strict=True)
    ]
    role = "group" if hrefs else "img"
    spoken = "Torch opened out, parts in the order they come off"
    if not hrefs:
        # An image is read as its label alone: what is marked must be in it.
        spoken += ": " + ", ".join(each.spoken.replace(": ", " ") for each in slots)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="torch-drawing torch-{layout}"'
        f' viewBox="0 0 {number(size[0])} {number(size[1])}" role="{role}"'
        f"{attribute('aria-label', spoken)}>{''.join(groups)}{axis}</svg>"
    )


def part_drawing(slug: str, *, size: int = 480) -> str:
    """Draw one part alone, with the geometry of the whole drawing.

    Parameters
    ----------
    slug : str
        Which part.
    size : int
        Longer side of the picture in px, at least 48.

    Returns
    -------
    str
        One SVG element, without ids, so that any number can share a page.

    Raises
    ------
    ValueError
        The part is unknown or the size too small.
    """
    part = PARTS[PART_SLUGS.index(_known(slug))]
    if size < 48:
        raise ValueError(f"size must be at least 48 px, got {size}")
    lead = 8.0
    width, height = part.length + 2 * lead, part.above + part.below + 2 * lead
    scale = size / max(width, height)
    view = View(lead * scale, (part.above + lead) * scale, scale, thin=max(0.5, scale**0.4))
    wide, tall = width * scale, height * scale
    axis = _axis((0, view.y), (wide, view.y))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="part-drawing"'
        f' viewBox="0 0 {number(wide)} {number(tall)}" width="{number(wide)}"'
        f' height="{number(tall)}" role="img"{attribute("aria-label", part.name)}>'
        f"<title>{escape(part.name)}</title>{draw(part.shapes, view)}{axis}</svg>"
    )
