"""The chart of when to change: cost against change depth, the habit and the best marked.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .look import BAND, NARROW, PAPER, axis, framed, halo, reach, type_size
from .model import NoReadings
from .pit import GREY, INK


@dataclass(frozen=True)
class CostCurve:
    """Cost against change depth at one way of looking.

    Attributes
    ----------
    name : str
        How often is looked, as its line is labelled.
    depths_mm : tuple of float
        Rising.
    cost, low, high : tuple of float
        Per start, with range, above 0.
    allowed : tuple of bool
        Whether so few pass the limit that the rule may be advised.
    """

    name: str
    depths_mm: tuple[float, ...]
    cost: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    allowed: tuple[bool, ...]


@dataclass(frozen=True)
class CostMark:
    """One rule on the chart: its depth and its cost with range."""

    name: str
    depth_mm: float
    cost: float
    low: float
    high: float


def _quantity(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def change_cost_chart(
    best: CostCurve | None,
    now: CostCurve | None,
    *,
    advised: CostMark | None,
    habit: CostMark | None,
    flat_mm: tuple[float, float] | None,
    limit_mm: float,
    currency: str,
    width: int = 720,
) -> dict[str, Any] | NoReadings:
    """Draw cost per start against the depth to change at.

    Parameters
    ----------
    best, now : CostCurve or None
        At the best looks (with its range as a band), and at the looks made now.
    advised, habit : CostMark or None
    flat_mm : (float, float) or None
        Depths whose cost is as good as the best.
    limit_mm : float
    currency : str
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy without a curve.

    Raises
    ------
    ValueError
        A cost is not a number above 0, or the picture is too narrow.
    """
    if best is None:
        return NoReadings("No rule can be advised, so there is no curve to draw.")
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")
    curves = [best] + ([now] if now is not None else [])
    marks = [m for m in (habit, advised) if m is not None]
    every = [c for curve in curves for c in (*curve.cost, *curve.low, *curve.high)]
    every += [c for m in marks for c in (m.cost, m.low, m.high)]
    if not all(math.isfinite(c) and c > 0 for c in every):
        raise ValueError("costs must be numbers above 0")
    size = type_size(width)
    narrow = width < NARROW
    height = 440 if narrow else 450
    # The band of shallow depths shoots up: what is decided on lies near the curve's foot.
    foot = min(c for curve in curves for c in curve.cost)
    top = max(2.6 * foot, 1.25 * max((m.high for m in marks), default=0.0))
    top = min(top, 4.5 * foot)
    x_low = min(best.depths_mm)
    x_top = max([limit_mm, *(m.depth_mm for m in marks)]) * 1.06
    layers: list[dict[str, Any]] = []
    if flat_mm is not None and flat_mm[1] > flat_mm[0]:
        layers.append(
            {
                "name": "flat",
                "data": {"values": [{"from": flat_mm[0], "to": flat_mm[1], "y": 0, "y2": top}]},
                "mark": {"type": "rect", "color": BAND, "opacity": 0.75},
                "encoding": {
                    "x": _quantity("from"),
                    "x2": {"field": "to"},
                    "y": _quantity("y"),
                    "y2": {"field": "y2"},
                },
            }
        )
    layers += [_limit_rule(limit_mm, top)]
    layers += _edges(best, top)
    for curve, dash, stroke in ((now, [2, 3], 2.5), (best, [1, 0], 3.0)):
        if curve is not None:
            layers += _line("now" if curve is now else "best", curve, top, dash, stroke)
    layers += _marks(marks, top, size)
    layers += _words(marks, limit_mm, size, (x_low, x_top, top), width, height)
    sub = _legend(best, now, flat_mm, narrow)
    return framed(
        layers,
        title=f"Cost of a start, {currency}",
        subtitle=sub,
        description=_described(best, now, marks, flat_mm, limit_mm, currency),
        width=width,
        height=height,
        x={
            "scale": {"domain": [x_low, x_top], "nice": False, "zero": False},
            "axis": axis(
                "change when the pit reads, mm", format=".2f", tickCount=5 if narrow else 9
            ),
        },
        y={
            "scale": {"domain": [0, top], "nice": False},
            "axis": axis(None, tickCount=5),
        },
    )


def _limit_rule(limit_mm: float, top: float) -> dict[str, Any]:
    return {
        "name": "limit",
        "data": {"values": [{"x": limit_mm, "y": 0, "y2": top}]},
        "mark": {"type": "rule", "strokeWidth": 3, "color": INK},
        "encoding": {"x": _quantity("x"), "y": _quantity("y"), "y2": {"field": "y2"}},
    }


def _within(curve: CostCurve, values: Sequence[float], top: float) -> list[dict[str, Any]]:
    return [
        {"x": x, "y": round(v, 6)} for x, v in zip(curve.depths_mm, values, strict=True) if v <= top
    ]


def _edges(curve: CostCurve, top: float) -> list[dict[str, Any]]:
    return [
        {
            "name": f"range_{name}",
            "data": {"values": _within(curve, values, top)},
            "mark": {"type": "line", "strokeWidth": 1.25, "color": GREY, "interpolate": "linear"},
            "encoding": {"x": _quantity("x"), "y": _quantity("y")},
        }
        for name, values in (("low", curve.low), ("high", curve.high))
    ]


def _line(
    name: str, curve: CostCurve, top: float, dash: list[int], stroke: float
) -> list[dict[str, Any]]:
    """Ink where it may be advised, pale beyond."""
    rows = list(zip(curve.depths_mm, curve.cost, curve.allowed, strict=True))
    last = max((k for k, (_, _, ok) in enumerate(rows) if ok), default=-1)
    parts = (
        ("", rows[: last + 1], INK),
        ("_beyond", rows[max(last, 0) :], GREY),
    )
    return [
        {
            "name": f"cost_{name}{suffix}",
            "data": {"values": [{"x": x, "y": round(c, 6)} for x, c, _ in some if c <= top]},
            "mark": {
                "type": "line",
                "strokeWidth": stroke if not suffix else 1.5,
                "strokeDash": dash if not suffix else [7, 5],
                "color": colour,
            },
            "encoding": {"x": _quantity("x"), "y": _quantity("y")},
        }
        for suffix, some, colour in parts
        if len(some) > 1
    ]


def _marks(marks: Sequence[CostMark], top: float, size: int) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    for k, m in enumerate(marks):
        own = [{"x": m.depth_mm, "y": m.cost, "low": m.low, "high": min(m.high, top)}]
        out.append(
            {
                "name": f"mark_range_{k}",
                "data": {"values": own},
                "mark": {"type": "rule", "strokeWidth": 5, "color": INK},
                "encoding": {"x": _quantity("x"), "y": _quantity("low"), "y2": {"field": "high"}},
            }
        )
        out.append(
            {
                "name": f"mark_{k}",
                "data": {"values": own},
                "mark": {
                    "type": "point",
                    "shape": "diamond" if m.name.startswith("Advised") else "square",
                    "size": 22 * size,
                    "filled": True,
                    "opacity": 1,
                    "color": INK,
                    "stroke": PAPER,
                    "strokeWidth": 2,
                },
                "encoding": {"x": _quantity("x"), "y": _quantity("y")},
            }
        )
    return out


def _legend(
    best: CostCurve, now: CostCurve | None, flat_mm: tuple[float, float] | None, narrow: bool
) -> list[str]:
    """Say what each kind of line is, of those that are drawn."""
    said = [f"Solid: {best.name}; thin, its range."]
    if now is not None:
        said.append(f"Dotted: {now.name}.")
    if not all(best.allowed):
        said.append("Dashed: too many pass the limit.")
    if flat_mm is not None and flat_mm[1] > flat_mm[0]:
        said.append("Grey: as good as the advice.")
    return said if narrow else [" ".join(said[:2]), " ".join(said[2:])][: 1 + (len(said) > 2)]


def _words(
    marks: Sequence[CostMark],
    limit_mm: float,
    size: int,
    frame: tuple[float, float, float],
    width: int,
    height: int,
) -> list[dict[str, Any]]:
    """Names of the limit and the marks, kept off one another, the marks' bars and the curve.

    A mark is named below its bar, else above it: beside it the name would hide the curve.
    """
    x_low, x_top, top = frame
    plot = max(width - 70, 1)
    line_height = 1.5 * size * top / max(height - 110, 1)
    taken: list[tuple[float, float, float]] = []
    rows: list[dict[str, Any]] = []

    gap = 10 * (x_top - x_low) / plot
    half = 0.5 * line_height

    def clear(level: float, left: float, right: float) -> bool:
        return (
            half < level < top - half
            and all(abs(level - y) >= line_height or right < a or left > b for y, a, b in taken)
            and all(
                level + half <= m.low
                or level - half >= m.high
                or right < m.depth_mm - 0.5 * gap
                or left > m.depth_mm + 0.5 * gap
                for m in marks
            )
        )

    def place(levels: Sequence[float], left: float, wide: float, words: str, bold: bool) -> None:
        left = min(max(left, x_low + 0.5 * gap), x_top - wide)
        level = next((y for y in levels if clear(y, left, left + wide)), levels[0])
        taken.append((level, left, left + wide))
        rows.append({"x": left, "y": level, "words": words, "bold": bold})

    def wide_of(words: str) -> float:
        return reach(words, size) * (x_top - x_low) / plot

    for m in marks:
        wide = wide_of(m.name)
        left = m.depth_mm - wide / 2
        beyond = limit_mm + 0.5 * gap
        if m.depth_mm > limit_mm and beyond + wide <= x_top:
            left = max(left, beyond)
        else:
            left = min(left, limit_mm - 0.5 * gap - wide)
        below = [m.low - (0.8 + k) * line_height for k in range(4)]
        above = [m.high + (0.8 + k) * line_height for k in range(4)]
        levels = [*below[:1], *above[:1], *below[1:], *above[1:]]
        place(levels, left, wide, m.name, True)
    said = f"limit {limit_mm:g} mm"
    wide = wide_of(said)
    left = limit_mm + gap if limit_mm + gap + wide <= x_top else limit_mm - gap - wide
    place([0.93 * top - k * line_height for k in range(8)], left, wide, said, False)
    out: list[dict[str, Any]] = []
    for bold in (True, False):
        some = [r for r in rows if r["bold"] is bold]
        if some:
            out += halo(
                {
                    "name": "names_bold" if bold else "names",
                    "data": {"values": some},
                    "mark": {
                        "type": "text",
                        "align": "left",
                        "baseline": "middle",
                        "fontSize": size,
                        "fontWeight": 700 if bold else 400,
                        "color": INK,
                    },
                    "encoding": {
                        "x": _quantity("x"),
                        "y": _quantity("y"),
                        "text": {"field": "words", "type": "nominal"},
                    },
                }
            )
    return out


def _described(
    best: CostCurve,
    now: CostCurve | None,
    marks: Sequence[CostMark],
    flat_mm: tuple[float, float] | None,
    limit_mm: float,
    currency: str,
) -> str:
    said = [f"Cost of a start in {currency} against the depth to change at, {best.name}"]
    if now is not None:
        said[0] += f", and {now.name}"
    said += [
        f"{m.name}: {m.cost:.3g} ({m.low:.3g} to {m.high:.3g}) at {m.depth_mm:.2f} mm"
        for m in marks
    ]
    if flat_mm is not None and flat_mm[1] > flat_mm[0]:
        said.append(f"as good as the best from {flat_mm[0]:.2f} to {flat_mm[1]:.2f} mm")
    said.append(f"limit {limit_mm:g} mm")
    return "; ".join(said) + "."
