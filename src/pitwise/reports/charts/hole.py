"""A length measured from photos against starts: range of each, and the limit.

Pure: the same readings give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from .model import COVERAGE, LimitLine, NoReadings, PitPoint, checked
from .pit import FONT, INK, _x

_SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
_NARROW = 480


def _words(value: float) -> str:
    return f"{value:.3f} mm"


def describe_hole(
    title: str, points: Sequence[PitPoint], limits: Sequence[LimitLine], *, name: str = ""
) -> str:
    """Say in one sentence what the chart shows, for those who can't see it."""
    first, last = points[0], points[-1]

    def told(p: PitPoint) -> str:
        bar = "" if p.u_mm is None else f" ± {_words(COVERAGE * p.u_mm)}"
        return f"{_words(p.depth_mm)}{bar} at {p.starts:,.0f} starts"

    count = f"{len(points)} reading" + ("s" if len(points) > 1 else "")
    text = f"{title}{f' of {name}' if name else ''} against starts: {count}, "
    text += told(last) if len(points) == 1 else f"from {told(first)} to {told(last)}"
    for limit in limits:
        text += f"; {limit.words[0].lower()}{limit.words[1:]}"
    return f"{text}."


def _domain(points: Sequence[PitPoint], limits: Sequence[LimitLine]) -> tuple[float, float]:
    bars = [COVERAGE * (p.u_mm or 0.0) for p in points]
    highs = [p.depth_mm + b for p, b in zip(points, bars, strict=True)]
    lows = [p.depth_mm - b for p, b in zip(points, bars, strict=True)]
    top = max([*highs, *(limit.depth_mm for limit in limits)])
    low = min(lows)
    if low > 0.5 * top and not limits:
        # A diameter moves little: from 0 it would be a flat line.
        room = max(0.25 * (top - low), 0.01)
        return low - room, top + room
    return min(0.0, 1.05 * low), max(top, 0.01) * 1.16


def _y(field: str = "mm") -> dict[str, Any]:
    return {"field": field, "type": "quantitative"}


def _layers(
    points: Sequence[PitPoint], limits: Sequence[LimitLine], size: int
) -> list[dict[str, Any]]:
    rows = [{"starts": p.starts, "mm": p.depth_mm} for p in points]
    bars = [
        {
            "starts": p.starts,
            "low": round(p.depth_mm - COVERAGE * p.u_mm, 6),
            "high": round(p.depth_mm + COVERAGE * p.u_mm, 6),
        }
        for p in points
        if p.u_mm
    ]
    text = {"type": "text", "align": "left", "fontSize": size, "fontWeight": 700, "color": INK}
    out: list[dict[str, Any]] = []
    for i, limit in enumerate(limits):
        at = {"values": [{"mm": limit.depth_mm}]}
        out += [
            {
                "name": f"limit_{i}",
                "data": at,
                "mark": {"type": "rule", "strokeWidth": 4, "color": INK},
                "encoding": {"y": _y()},
            },
            {
                "name": f"limit_{i}_words",
                "data": at,
                "mark": {**text, "text": limit.words, "baseline": "bottom", "dx": 6, "dy": -5},
                "encoding": {"x": {"value": 0}, "y": _y()},
            },
        ]
    if len(rows) > 1:
        out.append(
            {
                "name": "course",
                "data": {"values": rows},
                "mark": {"type": "line", "strokeWidth": 2, "color": INK},
                "encoding": {"x": _x(), "y": _y()},
            }
        )
    if bars:
        out.append(
            {
                "name": "bars",
                "data": {"values": bars},
                "mark": {"type": "rule", "strokeWidth": 2, "color": INK},
                "encoding": {"x": _x(), "y": _y("low"), "y2": {"field": "high"}},
            }
        )
    mark = {"type": "point", "shape": "circle", "filled": True, "size": 72, "opacity": 1}
    out += [
        {
            "name": "readings",
            "data": {"values": rows},
            "mark": {**mark, "color": INK},
            "encoding": {"x": _x(), "y": _y()},
        },
        {
            "name": "last",
            "data": {"values": [rows[-1]]},
            "mark": {
                **text,
                "text": _words(points[-1].depth_mm),
                "baseline": "middle",
                "dx": 11,
            },
            "encoding": {"x": _x(), "y": _y()},
        },
    ]
    return out


def hole_chart(
    title: str,
    points: Iterable[PitPoint],
    limits: Iterable[LimitLine] = (),
    *,
    name: str = "",
    width: int = 440,
    height: int = 240,
) -> dict[str, Any] | NoReadings:
    """Draw a measured length of one part against its starts.

    Parameters
    ----------
    title : str
        What it is, such as "Hole growth".
    points : iterable of PitPoint
        Readings in any order; `depth_mm` is the length.
    limits : iterable of LimitLine
    name : str
        What the part is called, for the description.
    width, height : int
        Of the whole picture, px.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite specification as plain data, for `svg_of`.

    Notes
    -----
    Bars are ± 2 standard uncertainties. The axis begins at 0, except for a length that keeps
    far from it and has no limit, such as a diameter.
    """
    own, lines = checked(points), tuple(limits)
    if not own:
        return NoReadings("Not measured yet.")
    for limit in lines:
        if not math.isfinite(limit.depth_mm) or limit.depth_mm <= 0:
            raise ValueError(f"a limit must be above 0 mm, got {limit.depth_mm}")
    size = 13 if width < _NARROW else 15
    low, top = _domain(own, lines)
    axis = {
        "labelColor": INK,
        "labelFontSize": size,
        "titleColor": INK,
        "titleFontSize": size,
        "titleFontWeight": 400,
        "titlePadding": 8,
        "domainColor": INK,
        "domainWidth": 2,
        "tickColor": INK,
        "tickWidth": 2,
        "grid": False,
    }
    right = (max(p.starts for p in own) or 1.0) * (1.4 if width < _NARROW else 1.25)
    return {
        "$schema": _SCHEMA,
        "description": describe_hole(title, own, lines, name=name),
        "width": width,
        "height": height,
        "autosize": {"type": "fit", "contains": "padding"},
        "padding": 4,
        "background": None,
        "title": {
            "text": f"{title}, mm; bars ± 2 standard uncertainties",
            "anchor": "start",
            "frame": "bounds",
            "fontSize": size,
            "fontWeight": 700,
            "color": INK,
            "offset": 8,
        },
        "encoding": {
            "x": {
                "scale": {"domain": [0, right], "nice": False, "zero": True},
                "axis": {"title": "Starts on the part", "format": ",d", "tickCount": 4},
            },
            "y": {
                "scale": {"domain": [low, top], "nice": False, "zero": False},
                # Fine enough that no two ticks read the same.
                "axis": {
                    "title": None,
                    "format": ".2f" if top - low > 0.06 else ".3f",
                    "tickCount": 5,
                },
            },
        },
        "layer": _layers(own, lines, size),
        "config": {"font": FONT, "view": {"stroke": None}, "axis": axis},
    }
