"""Chart of a shelf item in the weeks ahead: what is left, with its range.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from .look import BAND, NARROW, axis, framed, halo, type_size
from .model import NoReadings
from .pit import INK

# So many steps have a tick each.
_FEW_TICKS = 6


@dataclass(frozen=True)
class StockPoint:
    """What is on the shelf at a day's beginning, by the forecast; below 0: short.

    Attributes
    ----------
    day : date
    low, median, high : float
        5 %, 50 % and 95 % points, pieces.
    """

    day: dt.date
    low: float
    median: float
    high: float


def _quantity(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def _ticks(bottom: float, top: float) -> dict[str, Any]:
    """Return whole-number ticks: each of its own where they are few.

    A count of ticks is only a wish: on a span of one or two pieces halves would be drawn, and
    printed as the whole number beside them.
    """
    low, high = math.ceil(bottom), math.floor(top)
    if high - low <= _FEW_TICKS:
        return {"values": list(range(low, high + 1))}
    return {"tickCount": 5, "tickMinStep": 1}


def stock_chart(
    points: Iterable[StockPoint],
    *,
    reorder_point: int | None = None,
    many: str = "pieces",
    width: int = 900,
) -> dict[str, Any] | NoReadings:
    """Draw what is left on the shelf week by week when nothing new is ordered.

    Parameters
    ----------
    points : iterable of StockPoint
        By day; two at least.
    reorder_point : int or None
        Drawn as a dashed line with its words.
    many : str
        What the pieces are called.
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy with fewer than two points.

    Raises
    ------
    ValueError
        A figure that is none, or the picture is too narrow.
    """
    own = tuple(sorted(points, key=lambda p: p.day))
    if len(own) < 2:
        return NoReadings("Too few days to draw.")
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")
    for p in own:
        if not all(math.isfinite(x) for x in (p.low, p.median, p.high)):
            raise ValueError(f"{p.day}: no figure to draw")
    size = type_size(width)
    first = own[0].day
    rows = [
        {
            "week": (p.day - first).days / 7,
            "low": p.low,
            "median": p.median,
            "high": p.high,
        }
        for p in own
    ]
    end = rows[-1]["week"]
    top = max(*(p.high for p in own), float(reorder_point or 0), 1.0) * 1.08
    bottom = min(0.0, *(p.low for p in own))
    bottom = bottom * 1.08 if bottom < 0 else 0.0
    x, y = _quantity("week"), _quantity("median")
    step = {"interpolate": "linear"}
    layers: list[dict[str, Any]] = [
        {
            "name": "range",
            "data": {"values": rows},
            "mark": {"type": "area", "color": BAND, "opacity": 1, **step},
            "encoding": {"x": x, "y": _quantity("low"), "y2": {"field": "high"}},
        },
        *(
            {
                "name": f"edge_{name}",
                "data": {"values": rows},
                "mark": {"type": "line", "strokeWidth": 1, "color": INK, **step},
                "encoding": {"x": x, "y": _quantity(name)},
            }
            for name in ("low", "high")
        ),
        {
            "name": "middle",
            "data": {"values": rows},
            "mark": {"type": "line", "strokeWidth": 3, "color": INK, **step},
            "encoding": {"x": x, "y": y},
        },
    ]
    if bottom < 0:
        layers.append(
            {
                "name": "nothing",
                "data": {"values": [{"median": 0}]},
                "mark": {"type": "rule", "strokeWidth": 2, "color": INK},
                "encoding": {"y": y},
            }
        )
    if reorder_point is not None:
        words = f"order at {reorder_point}"
        layers.append(
            {
                "name": "reorder",
                "data": {"values": [{"median": reorder_point}]},
                "mark": {"type": "rule", "strokeWidth": 2, "strokeDash": [8, 5], "color": INK},
                "encoding": {"y": y},
            }
        )
        layers += halo(
            {
                "name": "reorder_words",
                "data": {"values": [{"week": end, "median": reorder_point, "words": words}]},
                "mark": {
                    "type": "text",
                    "align": "right",
                    "baseline": "bottom",
                    "dy": -4,
                    "fontSize": size,
                    "fontWeight": 700,
                    "color": INK,
                },
                "encoding": {"x": x, "y": y, "text": {"field": "words", "type": "nominal"}},
            }
        )
    last = own[-1]
    said = (
        f"{many.capitalize()} left on the shelf when nothing new is ordered: {own[0].median:.0f} "
        f"on {first.isoformat()}; after {end:.0f} weeks {last.median:.0f} "
        f"({last.low:.0f} to {last.high:.0f})"
    )
    if reorder_point is not None:
        said += f"; order when down to {reorder_point}"
    sub = ["Line: the middle. Band: holds 9 times in 10.", f"Below 0: {many} short."]
    if bottom == 0:
        sub = sub[:1]
    return framed(
        layers,
        title=f"{many.capitalize()} left when nothing new is ordered",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"{said}.",
        width=width,
        height=320 if width >= NARROW else 280,
        x={
            "scale": {"domain": [0, end], "nice": False},
            "axis": axis(
                "weeks from today",
                tickCount=6 if width < NARROW else 12,
                tickMinStep=1,
                format="d",
            ),
        },
        y={
            "scale": {"domain": [bottom, top], "nice": False},
            "axis": axis(None, format="d", **_ticks(bottom, top)),
        },
    )
