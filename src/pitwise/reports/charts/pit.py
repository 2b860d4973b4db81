"""The pit chart: readings of a pit against starts, as a plain Vega-Lite specification.

Pure: the same readings give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Any

from .labels import Frame, place_tags
from .model import (
    COVERAGE,
    EarlierElectrode,
    LimitLine,
    NoReadings,
    PitPoint,
    checked,
    depth_words,
    describe,
)

FONT = "Atkinson Hyperlegible Next"
INK = "#14181c"
#: Earlier electrodes: 5.5 to 1 against white, so that their labels can be read too.
GREY = "#666a6e"
_SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
_NARROW = 480


def _frame(
    points: Sequence[PitPoint],
    limits: Sequence[LimitLine],
    earlier: Sequence[EarlierElectrode],
    width: int,
    height: int | None,
) -> Frame:
    every = [*points, *(p for e in earlier for p in e.points)]
    highs = [p.depth_mm + COVERAGE * (p.u_mm or 0) for p in points]
    highs += [p.depth_mm for p in every] + [limit.depth_mm for limit in limits]
    lows = [p.depth_mm - COVERAGE * (p.u_mm or 0) for p in points] + [p.depth_mm for p in every]
    narrow = width < _NARROW
    # Room at the right for the last reading's label, above for the limit's.
    x_top = max(p.starts for p in every) * (1.3 if narrow else 1.16) or 1.0
    top = max(*highs, 0.05)
    return Frame(
        width,
        height or (280 if narrow else 380),
        x_top,
        # Below 0 only where a bar is, and then clear of the axis.
        0.0 if min(lows) >= 0 else min(lows) - 0.04 * top,
        top * 1.14,
        13 if narrow else 15,
    )


def _x(title: str | None = None) -> dict[str, Any]:
    return {"field": "starts", "type": "quantitative", "title": title}


def _y(field: str = "depth_mm") -> dict[str, Any]:
    return {"field": field, "type": "quantitative"}


def _earlier_layers(
    earlier: Sequence[EarlierElectrode],
    points: Sequence[PitPoint],
    limits: Sequence[LimitLine],
    frame: Frame,
) -> list[dict[str, Any]]:
    lines = [
        {"tag": e.tag, "starts": p.starts, "depth_mm": p.depth_mm}
        for e in earlier
        for p in e.points
    ]
    tags = place_tags(earlier, points, limits, depth_words(points[-1].depth_mm), frame)
    labels = [{"tag": tag, "starts": x, "depth_mm": round(y, 6)} for tag, x, y in tags]
    return [
        {
            "name": "earlier",
            "data": {"values": lines},
            "mark": {"type": "line", "strokeWidth": 1.2, "color": GREY},
            "encoding": {"x": _x(), "y": _y(), "detail": {"field": "tag", "type": "nominal"}},
        },
        {
            "name": "earlier_tags",
            "data": {"values": labels},
            "mark": {
                "type": "text",
                "align": "left",
                "baseline": "middle",
                "dx": 5,
                "color": GREY,
                "fontSize": frame.size - 1,
            },
            "encoding": {"x": _x(), "y": _y(), "text": {"field": "tag", "type": "nominal"}},
        },
    ]


def _limit_layers(limits: Sequence[LimitLine], frame: Frame) -> list[dict[str, Any]]:
    layers = []
    ordered = sorted(limits, key=lambda limit: limit.depth_mm)
    for i, limit in enumerate(ordered):
        above = ordered[i + 1].depth_mm if i + 1 < len(ordered) else math.inf
        crowded = above < math.inf and frame.py(limit.depth_mm) - frame.py(above) < 2 * frame.size
        mark = {
            "type": "text",
            "text": limit.words,
            "align": "left",
            "baseline": "top" if crowded else "bottom",
            "dx": 6,
            "dy": 7 if crowded else -5,
            "fontSize": frame.size,
            "fontWeight": 700,
            "color": INK,
        }
        layers += [
            {
                "name": f"limit_{i}",
                "data": {"values": [{"depth_mm": limit.depth_mm}]},
                "mark": {"type": "rule", "strokeWidth": 4, "color": INK},
                "encoding": {"y": _y()},
            },
            {
                "name": f"limit_{i}_words",
                "data": {"values": [{"depth_mm": limit.depth_mm}]},
                "mark": mark,
                "encoding": {"x": {"value": 0}, "y": _y()},
            },
        ]
    return layers


def _reading_layers(points: Sequence[PitPoint], frame: Frame) -> list[dict[str, Any]]:
    rows = [{"starts": p.starts, "depth_mm": p.depth_mm} for p in points]
    bars = [
        {
            "starts": p.starts,
            "low_mm": round(p.depth_mm - COVERAGE * p.u_mm, 6),
            "high_mm": round(p.depth_mm + COVERAGE * p.u_mm, 6),
        }
        for p in points
        if p.u_mm
    ]
    cap = {
        "type": "tick",
        "orient": "horizontal",
        "size": 11,
        "thickness": 2,
        "color": INK,
        "opacity": 1,
    }
    last = points[-1]
    layers: list[dict[str, Any]] = []
    if len(rows) > 1:
        layers.append(
            {
                "name": "course",
                "data": {"values": rows},
                "mark": {"type": "line", "strokeWidth": 2, "color": INK},
                "encoding": {"x": _x(), "y": _y()},
            }
        )
    if bars:
        layers.append(
            {
                "name": "bars",
                "data": {"values": bars},
                "mark": {"type": "rule", "strokeWidth": 2, "color": INK},
                "encoding": {"x": _x(), "y": _y("low_mm"), "y2": {"field": "high_mm"}},
            }
        )
        layers += [
            {
                "name": f"caps_{end}",
                "data": {"values": bars},
                "mark": cap,
                "encoding": {"x": _x(), "y": _y(f"{end}_mm")},
            }
            for end in ("low", "high")
        ]
    layers.append(
        {
            "name": "readings",
            "data": {"values": rows},
            "mark": {
                "type": "point",
                "shape": "circle",
                "filled": True,
                "size": 72,
                "color": INK,
                "opacity": 1,
            },
            "encoding": {"x": _x(), "y": _y()},
        }
    )
    layers.append(
        {
            "name": "last",
            "data": {"values": [rows[-1]]},
            "mark": {
                "type": "text",
                "text": depth_words(last.depth_mm),
                "align": "left",
                "baseline": "middle",
                "dx": 11,
                "fontSize": frame.size,
                "fontWeight": 700,
                "color": INK,
            },
            "encoding": {"x": _x(), "y": _y()},
        }
    )
    return layers


def pit_chart(
    points: Iterable[PitPoint],
    limits: Iterable[LimitLine],
    *,
    earlier: Iterable[EarlierElectrode] = (),
    name: str = "",
    width: int = 720,
    height: int | None = None,
) -> dict[str, Any] | NoReadings:
    """Draw an electrode's pit against its starts.

    Parameters
    ----------
    points : iterable of PitPoint
        Readings of one electrode, in any order.
    limits : iterable of LimitLine
        Each is drawn as a heavy labelled line; may be empty.
    earlier : iterable of EarlierElectrode
        Electrodes that were in the same torch before, oldest first; thin grey lines. A tag
        that would run into another is left out. Those without points are skipped.
    name : str
        What the electrode is called, for the description.
    width : int
        Width of the whole picture, px, at least 280.
    height : int or None
        Height of the whole picture, px, at least 160; None suits the width.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification as plain data, for `svg_of`; its ``description`` says in a
        sentence what it shows. Without `points`, a falsy `NoReadings`.

    Raises
    ------
    ValueError
        A reading or size that can't be drawn.

    Notes
    -----
    Bars are ± 2 standard uncertainties. Depth starts at 0, or below where a bar does.
    """
    own, lines = checked(points), tuple(limits)
    before = [EarlierElectrode(e.tag, checked(e.points)) for e in earlier]
    before = [e for e in before if e.points]
    for limit in lines:
        if not math.isfinite(limit.depth_mm) or limit.depth_mm <= 0:
            raise ValueError(f"a limit must be deeper than 0 mm, got {limit.depth_mm}")
    if width < 280 or (height is not None and height < 160):
        raise ValueError(f"at least 280 by 160 px are needed, got {width} by {height}")
    if not own:
        return NoReadings()
    frame = _frame(own, lines, before, width, height)
    title = "Pit depth, mm"
    if any(p.u_mm for p in own):
        title += "; bars ± 2 standard uncertainties"
    x_title = "Starts on the electrode"
    return {
        "$schema": _SCHEMA,
        "description": describe(own, lines, before, name=name),
        "width": width,
        "height": frame.height,
        "autosize": {"type": "fit", "contains": "padding"},
        "padding": 4,
        "background": None,
        "title": {
            "text": title,
            "subtitle": "Thin lines: electrodes that were in this torch before" if before else "",
            "subtitleFontSize": frame.size,
            "subtitleColor": GREY,
            "anchor": "start",
            "frame": "bounds",
            "fontSize": frame.size,
            "fontWeight": 400,
            "color": INK,
            "offset": 10,
        },
        "encoding": {
            "x": {
                "scale": {"domain": [0, frame.x_top], "nice": False, "zero": True},
                "axis": {
                    "title": x_title,
                    "format": ",d",
                    "tickCount": 4 if width < _NARROW else 8,
                    "tickMinStep": 1,
                    "grid": False,
                },
            },
            "y": {
                "scale": {"domain": [frame.y_low, frame.y_top], "nice": False},
                "axis": {
                    "title": None,
                    "format": ".1f" if frame.y_top >= 0.6 else ".2f",
                    "tickCount": 5,
                    "grid": False,
                },
            },
        },
        "layer": [
            *(_earlier_layers(before, own, lines, frame) if before else []),
            *_limit_layers(lines, frame),
            *_reading_layers(own, frame),
        ],
        "config": {
            "font": FONT,
            "view": {"stroke": None},
            "axis": {
                "labelColor": INK,
                "labelFontSize": frame.size,
                "titleColor": INK,
                "titleFontSize": frame.size,
                "titleFontWeight": 400,
                "titlePadding": 8,
                "domainColor": INK,
                "domainWidth": 2,
                "tickColor": INK,
                "tickWidth": 2,
                "tickSize": 6,
                "labelFlush": False,
            },
        },
    }
