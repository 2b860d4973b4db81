"""Line-drawing primitives and their SVG: polygons, lines, ovals, hatching.

A part is described along its own axis: ``x`` runs from the plate side to the hose side, ``y < 0``
is the outside view, ``y > 0`` the cut half. `View` carries that into a picture, so one geometry
serves the row, the column and the single part. Hatching is computed, not a pattern fill: it needs
no ids and looks the same in a browser and in a PDF.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

Point = tuple[float, float]
Fill = Literal["none", "outside", "cut", "bore", "ink"]

INK = "#14181c"
PAPER = "#f6f4ee"
FONT = "Atkinson Hyperlegible Next, sans-serif"
#: Fills of the drawing. The tints only help the eye: every border is an ink line.
FILLS: dict[Fill, str] = {
    "none": "none",
    "outside": "#fffdf8",
    "cut": "#e4d3b8",
    "bore": "#dcdfdd",
    "ink": INK,
}
OUTLINE = 2.4
EDGE = 1.2
HATCH = 0.8
HATCH_STEP = 6.0


@dataclass(frozen=True)
class Poly:
    """A closed polygon.

    Attributes
    ----------
    points : tuple of (float, float)
        Corners, in drawing units.
    fill : Fill
        What the surface is; ``"cut"`` is also hatched.
    weight : float
        Line weight in drawing units; 0 draws no border.
    lean : int
        Direction of the hatching, +1 or -1.
    """

    points: tuple[Point, ...]
    fill: Fill = "none"
    weight: float = OUTLINE
    lean: int = 1


@dataclass(frozen=True)
class Line:
    """An open line through `points`, `weight` drawing units thick."""

    points: tuple[Point, ...]
    weight: float = EDGE


@dataclass(frozen=True)
class Oval:
    """An ellipse with half axes `rx` and `ry`, its first axis turned by `turn` degrees."""

    x: float
    y: float
    rx: float
    ry: float
    turn: float = 0.0
    fill: Fill = "ink"
    weight: float = EDGE


Shape = Poly | Line | Oval


@dataclass(frozen=True)
class View:
    """How part coordinates land in the picture.

    Attributes
    ----------
    x, y : float
        Picture place of the part's origin (its plate-side end, on the axis).
    scale : float
        Picture units per drawing unit.
    down : bool
        True when the axis runs down the picture instead of to the right.
    thin : float
        Factor on every line weight.
    """

    x: float
    y: float
    scale: float = 1.0
    down: bool = False
    thin: float = 1.0

    def at(self, point: Point) -> Point:
        """Return the picture place of a point of the part."""
        along, across = point[0] * self.scale, point[1] * self.scale
        if self.down:
            return self.x - across, self.y + along
        return self.x + along, self.y + across


def number(value: float) -> str:
    """Return a coordinate to one tenth of a unit, without a useless ``.0`` or ``-0``."""
    text = f"{value:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def path_data(points: Iterable[Point], *, closed: bool = False) -> str:
    """Return SVG path data through `points`."""
    steps = [f"{number(x)} {number(y)}" for x, y in points]
    return "M" + "L".join(steps) + ("Z" if closed else "")


def hatch(points: Sequence[Point], *, step: float = HATCH_STEP, lean: int = 1) -> list[Point]:
    """Fill a polygon with 45 degree lines.

    Parameters
    ----------
    points : sequence of (float, float)
        Corners of a simple polygon, in picture units.
    step : float
        Distance between lines along either picture axis, greater than 0.
    lean : int
        +1 or -1, the direction of the lines.

    Returns
    -------
    list of (float, float)
        Ends of the lines, two by two (even-odd rule).
    """
    if step <= 0:
        raise ValueError(f"hatch step must be greater than 0, got {step}")
    keys = [x + lean * y for x, y in points]
    ends: list[Point] = []
    for line in range(math.ceil(min(keys) / step), math.floor(max(keys) / step) + 1):
        # A hair off the grid: a line through a corner would be counted twice or not at all.
        level = line * step + 1e-6
        hits: list[Point] = []
        for i, key in enumerate(keys):
            other = (i + 1) % len(keys)
            if (key <= level) != (keys[other] <= level):
                share = (level - key) / (keys[other] - key)
                (ax, ay), (bx, by) = points[i], points[other]
                hits.append((ax + share * (bx - ax), ay + share * (by - ay)))
        ends.extend(sorted(hits))
    return ends


def _oval(shape: Oval, view: View) -> str:
    rx, ry = shape.rx * view.scale, shape.ry * view.scale
    turn = shape.turn + (90.0 if view.down else 0.0)
    cx, cy = view.at((shape.x, shape.y))
    dx, dy = rx * math.cos(math.radians(turn)), rx * math.sin(math.radians(turn))
    arc = f"A{number(rx)} {number(ry)} {number(turn)} 0 1 "
    return (
        f"M{number(cx - dx)} {number(cy - dy)}"
        f"{arc}{number(cx + dx)} {number(cy + dy)}{arc}{number(cx - dx)} {number(cy - dy)}Z"
    )


def _path(data: str, fill: str, weight: float) -> str:
    stroke = f' stroke="{INK}" stroke-width="{weight:.2f}"' if weight > 0 else ""
    return f'<path d="{data}" fill="{fill}"{stroke}/>'


def draw(shapes: Iterable[Shape], view: View) -> str:
    """Return the SVG of `shapes` seen through `view`, in the order given."""
    out: list[str] = []
    for shape in shapes:
        weight = shape.weight * view.thin
        if isinstance(shape, Line):
            out.append(_path(path_data(map(view.at, shape.points)), "none", weight))
        elif isinstance(shape, Oval):
            out.append(_path(_oval(shape, view), FILLS[shape.fill], weight))
        else:
            points = [view.at(point) for point in shape.points]
            data = path_data(points, closed=True)
            if shape.fill == "cut":
                out.append(_path(data, FILLS["cut"], 0))
                ends = hatch(points, step=HATCH_STEP * view.thin, lean=shape.lean)
                lines = "".join(path_data(ends[i : i + 2]) for i in range(0, len(ends) - 1, 2))
                out.append(_path(lines, "none", HATCH * view.thin))
                out.append(_path(data, "none", weight))
            else:
                out.append(_path(data, FILLS[shape.fill], weight))
    return f'<g stroke-linejoin="round" stroke-linecap="round">{"".join(out)}</g>'


def text(
    x: float,
    y: float,
    words: str,
    *,
    size: float,
    bold: bool = False,
    anchor: Literal["start", "middle"] = "start",
) -> str:
    """Return one line of text, escaped, its baseline at `y`."""
    weight = ' font-weight="700"' if bold else ""
    place = ' text-anchor="middle"' if anchor == "middle" else ""
    return (
        f'<text x="{number(x)}" y="{number(y)}" font-family="{FONT}" font-size="{number(size)}"'
        f'{weight}{place} fill="{INK}">{escape(words)}</text>'
    )


def attribute(name: str, value: str) -> str:
    """Return `` name="value"`` with a leading space, the value escaped."""
    return f" {name}={quoteattr(value)}"
