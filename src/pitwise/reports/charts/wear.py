"""Charts of the wear fit: rates by process, readings against forecasts, where readings fell.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from .look import BAND, NARROW, axis, framed, halo, type_size
from .model import NoReadings
from .pit import GREY, INK


@dataclass(frozen=True)
class Interval:
    """A middle and its 90 % range."""

    median: float
    low: float
    high: float


@dataclass(frozen=True)
class RateBar:
    """A process' rate, mm, with that of the fit before where there was one."""

    process: str
    rate: Interval
    before: Interval | None = None


@dataclass(frozen=True)
class Scored:
    """A reading and the 5, 50 and 95 % points that were forecast for it, mm."""

    reading_mm: float
    forecast: Interval


def _finite(*numbers: float) -> None:
    if not all(map(math.isfinite, numbers)):
        raise ValueError("a chart takes numbers only")


def _field(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def _dot(filled: bool, size: int = 90) -> dict[str, Any]:
    mark: dict[str, Any] = {"type": "point", "shape": "circle", "size": size, "opacity": 1}
    return {**mark, "filled": True, "color": INK} if filled else {**mark, "stroke": GREY}


def _intervals(
    name: str, rows: Sequence[dict[str, Any]], *, wide: float, filled: bool
) -> list[dict[str, Any]]:
    ink = INK if filled else GREY
    dot = _dot(filled)
    if not filled:
        dot |= {"fill": "#fffefa", "strokeWidth": 2}
    return [
        {
            "name": f"{name}_bars",
            "data": {"values": list(rows)},
            "mark": {"type": "rule", "strokeWidth": wide, "color": ink},
            "encoding": {"x": _field("low"), "x2": {"field": "high"}, "y": _field("row")},
        },
        {
            "name": name,
            "data": {"values": list(rows)},
            "mark": dot,
            "encoding": {"x": _field("median"), "y": _field("row")},
        },
    ]


def rate_chart(
    rates: Iterable[RateBar], *, width: int = 720, mix: str = ""
) -> dict[str, Any] | NoReadings:
    """Draw each process' rate as a dot in its 90 % range, the fit before as an open dot.

    Parameters
    ----------
    rates : iterable of RateBar
    width : int
        Of the whole picture, px, at least 280.
    mix : str
        The use the rates are told at, for the axis.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy without a rate.
    """
    own = tuple(rates)
    if not own:
        return NoReadings("No process has readings yet.")
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")
    for bar in own:
        for x in (bar.rate, bar.before):
            if x is not None:
                _finite(x.median, x.low, x.high)
    size = type_size(width)
    most = max(x.high for bar in own for x in (bar.rate, bar.before) if x is not None) * 1.06
    each = 46 + size

    def rows(before: bool) -> list[dict[str, Any]]:
        out = []
        for k, bar in enumerate(own):
            x = bar.before if before else bar.rate
            if x is not None:
                place = k + (0.86 if before else 0.62)
                out.append(
                    {
                        "row": place,
                        "low": round(x.low, 6),
                        "median": round(x.median, 6),
                        "high": round(x.high, 6),
                    }
                )
        return out

    old = rows(before=True)
    names = [
        {
            "row": k + 0.26,
            "x": 0,
            "words": f"{bar.process}: {bar.rate.median:.2f} ({bar.rate.low:.2f} to "
            f"{bar.rate.high:.2f})",
        }
        for k, bar in enumerate(own)
    ]
    layers = [
        *(_intervals("before", old, wide=2, filled=False) if old else []),
        *_intervals("rates", rows(before=False), wide=4, filled=True),
        *halo(
            {
                "name": "names",
                "data": {"values": names},
                "mark": {
                    "type": "text",
                    "align": "left",
                    "baseline": "middle",
                    "dx": 6,
                    "fontSize": size,
                    "fontWeight": 700,
                    "color": INK,
                },
                "encoding": {
                    "x": _field("x"),
                    "y": _field("row"),
                    "text": {"field": "words", "type": "nominal"},
                },
            }
        ),
    ]
    said = "; ".join(f"{n['words']}" for n in names)
    sub = ["Full dot and bar: this fit, 90 % range."]
    if old:
        sub.append("Open dot, thin bar: the fit before.")
    return framed(
        layers,
        title="Growth of the pit, mm in the first 500 starts",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"Growth of the pit by process, mm in the first 500 starts: {said}.",
        width=width,
        height=len(own) * each + (124 if width < NARROW else 104),
        x={
            "scale": {"domain": [0, most], "nice": False},
            "axis": axis(
                f"mm in 500 starts{mix}", tickCount=4 if width < NARROW else 8, format=".2~f"
            ),
        },
        y={"scale": {"domain": [len(own), 0], "nice": False}, "axis": None},
    )


def scored_chart(points: Iterable[Scored], *, width: int = 720) -> dict[str, Any] | NoReadings:
    """Draw readings against what was forecast for them; those outside their range are crosses.

    Parameters
    ----------
    points : iterable of Scored
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
    """
    own = tuple(points)
    if not own:
        return NoReadings("No forecast has been scored yet.")
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")
    for p in own:
        _finite(p.reading_mm, p.forecast.low, p.forecast.median, p.forecast.high)
    top = max(max(p.reading_mm, p.forecast.high) for p in own) * 1.05 or 1.0
    rows = [
        {
            "reading": round(p.reading_mm, 6),
            "low": round(p.forecast.low, 6),
            "median": round(p.forecast.median, 6),
            "high": round(p.forecast.high, 6),
            "inside": p.forecast.low <= p.reading_mm <= p.forecast.high,
        }
        for p in own
    ]
    inside, outside = ([r for r in rows if r["inside"] is want] for want in (True, False))
    size = type_size(width)
    bars = {
        "type": "rule",
        "strokeWidth": 1,
        "color": GREY,
        "opacity": 0.55 if len(own) > 60 else 0.9,
    }
    at = {"x": _field("reading"), "y": _field("median")}
    low = min(0.0, *(min(r["reading"], r["low"]) for r in rows))
    layers: list[dict[str, Any]] = [
        {
            "name": "ranges",
            "data": {"values": rows},
            "mark": bars,
            "encoding": {"x": _field("reading"), "y": _field("low"), "y2": {"field": "high"}},
        },
        {
            "name": "equal",
            "data": {"values": [{"x": 0, "y": 0}, {"x": round(top, 6), "y": round(top, 6)}]},
            "mark": {"type": "line", "strokeWidth": 2.5, "color": INK},
            "encoding": {"x": _field("x"), "y": _field("y")},
        },
        {
            "name": "inside",
            "data": {"values": inside},
            "mark": {**_dot(filled=True, size=30)},
            "encoding": at,
        },
        {
            "name": "outside",
            "data": {"values": outside},
            "mark": {
                "type": "point",
                "shape": "cross",
                "angle": 45,
                "filled": True,
                "size": 150,
                "color": INK,
                "opacity": 1,
            },
            "encoding": at,
        },
        *halo(
            {
                "name": "equal_words",
                "data": {"values": [{"x": 0.985 * top, "y": 0.8 * top}]},
                "mark": {
                    "type": "text",
                    "text": "forecast = reading",
                    "align": "right",
                    "baseline": "top",
                    "fontSize": size,
                    "color": INK,
                },
                "encoding": {"x": _field("x"), "y": _field("y")},
            }
        ),
    ]
    sub = ["Bar: 90 % range forecast. Dot: inside it.", "Cross: outside it."]
    domain = {"domain": [low, top], "nice": False}
    return framed(
        layers,
        title="Forecast made before the reading, mm",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"{len(own)} readings against what was forecast for them; {len(outside)} fell "
        "outside their 90 % range.",
        width=width,
        height=380 if width < NARROW else 460,
        x={"scale": domain, "axis": axis("Reading, mm", tickCount=6, format=".1f")},
        y={"scale": domain, "axis": axis(None, tickCount=6, format=".1f")},
    )


def tenths_chart(bins: Iterable[int], *, width: int = 720) -> dict[str, Any] | NoReadings:
    """Draw in which tenth of its forecast each reading fell: level where the odds are honest.

    Parameters
    ----------
    bins : iterable of int
        Readings in each tenth, lowest first.
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings

    Notes
    -----
    The shaded band holds nine in ten such counts where the odds are honest (binomial,
    by its normal approximation).
    """
    own = tuple(bins)
    total = sum(own)
    if not total:
        return NoReadings("No forecast has been scored yet.")
    if width < 280 or len(own) < 2 or min(own) < 0:
        raise ValueError("at least 280 px and two counts of 0 or more are needed")
    level = total / len(own)
    spread = 1.6449 * math.sqrt(level * (1 - 1 / len(own)))
    top = max(*own, level + spread) * 1.2
    size = type_size(width)
    rows = [
        {"x": k / len(own), "x2": (k + 1) / len(own), "y": count} for k, count in enumerate(own)
    ]
    middles = [
        {"x": (k + 0.5) / len(own), "y": count, "words": str(count)} for k, count in enumerate(own)
    ]
    low = max(0.0, level - spread)
    layers: list[dict[str, Any]] = [
        {
            "name": "even_band",
            "data": {"values": [{"x": 0, "x2": 1, "low": low, "high": level + spread}]},
            "mark": {"type": "rect", "color": BAND, "opacity": 1},
            "encoding": {
                "x": _field("x"),
                "x2": {"field": "x2"},
                "y": _field("low"),
                "y2": {"field": "high"},
            },
        },
        {
            "name": "tenths",
            "data": {"values": [{**r, "zero": 0} for r in rows]},
            "mark": {
                "type": "rect",
                "fillOpacity": 0,
                "stroke": INK,
                "strokeWidth": 2,
            },
            "encoding": {
                "x": _field("x"),
                "x2": {"field": "x2"},
                "y": _field("zero"),
                "y2": {"field": "y"},
            },
        },
        {
            "name": "even",
            "data": {"values": [{"y": level}]},
            "mark": {"type": "rule", "strokeWidth": 2, "strokeDash": [7, 4], "color": INK},
            "encoding": {"y": _field("y")},
        },
        *halo(
            {
                "name": "counts",
                "data": {"values": middles},
                "mark": {
                    "type": "text",
                    "baseline": "bottom",
                    "dy": -4,
                    "fontSize": size,
                    "fontWeight": 700,
                    "color": INK,
                },
                "encoding": {
                    "x": _field("x"),
                    "y": _field("y"),
                    "text": {"field": "words", "type": "nominal"},
                },
            }
        ),
    ]
    sub = [f"Dashed: even, {level:.1f} each.", "Band: 9 in 10 counts of honest odds."]
    return framed(
        layers,
        title="Readings in each tenth of their forecast",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"{total} readings by the tenth of their forecast they fell in, lowest first: "
        f"{', '.join(map(str, own))}; even would be {level:.1f} each.",
        width=width,
        height=300,
        x={
            "scale": {"domain": [0, 1], "nice": False},
            "axis": axis(
                "Where in its forecast the reading fell (0 %: shallower than all of it)",
                values=[0, 0.2, 0.4, 0.6, 0.8, 1],
                format=".0%",
            )
            if width >= NARROW
            else axis("Place in the forecast", values=[0, 0.5, 1], format=".0%"),
        },
        y={
            "scale": {"domain": [0, top], "nice": False},
            "axis": axis(None, tickCount=4, tickMinStep=1, format="d"),
        },
    )
