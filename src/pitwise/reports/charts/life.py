"""Charts of lives: what share still runs at which use, and how parts have ended.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from .look import BAND, NARROW, axis, framed, halo, type_size
from .model import NoReadings
from .pit import GREY, INK

# A row's heights, of 1: its words, then 100 % down to 0.
_WORDS, _ALL, _NONE = 0.1, 0.36, 0.94
_DASHES: tuple[list[int], ...] = ([1, 0], [9, 5], [2, 4], [12, 4, 2, 4])
_MOST_ROWS = 6
# Thousands apart by a thin space, as on the page.
_THIN = "replace(format(datum.value, ',d'), ',', '\u202f')"


@dataclass(frozen=True)
class LifeRow:
    """A group of lives as it is drawn.

    Attributes
    ----------
    name : str
    words : str
        What is said beside the name.
    steps : tuple of (use, share)
        Share not ended, straight from the lives: joined by straight lines, upright where an
        end is exact and slanting where it lies somewhere between two looks.
    curve : tuple of (use, share, low, high)
        The fitted share and its range; empty where too few have ended to tell.
    half : (low, middle, high) or None
        The use by which half have ended.
    """

    name: str
    words: str
    steps: tuple[tuple[float, float], ...]
    curve: tuple[tuple[float, float, float, float], ...] = ()
    half: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class Way:
    """A way parts end: its name and the share ended so, by use, as a step curve's corners."""

    name: str
    points: tuple[tuple[float, float], ...]


def _quantity(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def _checked(width: int, values: Iterable[float]) -> None:
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")
    for x in values:
        if not math.isfinite(x) or x < 0:
            raise ValueError(f"{x} can't be drawn as a life or a share")


def _fit(words: str, room: float, size: int) -> str:
    """Cut words that would run out of the picture."""
    most = max(8, int(room / (0.52 * size)))
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def survival_chart(
    rows: Sequence[LifeRow], *, width: int = 720, title: str, unit: str
) -> dict[str, Any] | NoReadings:
    """Draw the share still running against use, one row for each group, on one scale.

    Parameters
    ----------
    rows : sequence of LifeRow
        At most six are drawn.
    width : int
        Of the whole picture, px, at least 280.
    title : str
        What runs, and until what.
    unit : str
        Of the use: "starts" or "arc minutes".

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy without a life.

    Raises
    ------
    ValueError
        A number can't be drawn, or the picture is too narrow.
    """
    own = tuple(r for r in rows if r.steps)[:_MOST_ROWS]
    if not own:
        return NoReadings("No part has any use on record yet.")
    _checked(width, (v for r in own for p in (*r.steps, *r.curve) for v in p))
    top = max(x for r in own for x, _ in r.steps)
    if top <= 0:
        return NoReadings("No part has any use on record yet.")
    top *= 1.02
    size, narrow = type_size(width), width < NARROW
    room = width - 78

    def y(row: int, share: float) -> float:
        return round(row + _NONE - share * (_NONE - _ALL), 5)

    names, told, bands, curves, steps, halves, middles, rules = [], [], [], [], [], [], [], []
    for k, r in enumerate(own):
        names.append({"row": k + _WORDS, "x": 0, "words": _fit(r.name, room, size)})
        told.append({"row": k + _WORDS + 0.125, "x": 0, "words": _fit(r.words, room, size)})
        rules += [{"x": 0, "x2": top, "row": y(k, s)} for s in (0, 0.5, 1)]
        steps += [
            {"k": k, "i": i, "x": min(x, top), "y": y(k, s)} for i, (x, s) in enumerate(r.steps)
        ]
        for x, share, low, high in r.curve:
            if x <= top:
                bands.append({"k": k, "x": round(x, 4), "low": y(k, low), "high": y(k, high)})
                curves.append({"k": k, "x": round(x, 4), "y": y(k, share)})
        if r.half is not None and r.half[0] <= top:
            low, middle, high = r.half
            halves.append({"x": low, "x2": min(high, top), "row": y(k, 0.5)})
            if middle <= top:
                middles.append({"x": middle, "row": y(k, 0.5)})
    by_group = {"detail": {"field": "k", "type": "nominal"}}
    layers: list[dict[str, Any]] = [
        {
            "name": "rules",
            "data": {"values": rules},
            "mark": {"type": "rule", "strokeWidth": 1, "color": "#b9b3a4"},
            "encoding": {"x": _quantity("x"), "x2": {"field": "x2"}, "y": _quantity("row")},
        },
        {
            "name": "ranges",
            "data": {"values": bands},
            "mark": {"type": "area", "color": BAND, "opacity": 0.75, "line": False},
            "encoding": {
                "x": _quantity("x"),
                "y": _quantity("low"),
                "y2": {"field": "high"},
                **by_group,
            },
        },
        *(
            {
                "name": f"range_{edge}",
                "data": {"values": bands},
                "mark": {"type": "line", "strokeWidth": 1, "color": GREY},
                "encoding": {"x": _quantity("x"), "y": _quantity(edge), **by_group},
            }
            for edge in ("low", "high")
        ),
        {
            "name": "steps",
            "data": {"values": steps},
            "mark": {"type": "line", "strokeWidth": 1.5, "color": INK, "strokeDash": [3, 2]},
            "encoding": {
                "x": _quantity("x"),
                "y": _quantity("y"),
                "order": _quantity("i"),
                **by_group,
            },
        },
        {
            "name": "curves",
            "data": {"values": curves},
            "mark": {"type": "line", "strokeWidth": 3.5, "color": INK},
            "encoding": {"x": _quantity("x"), "y": _quantity("y"), **by_group},
        },
        {
            "name": "halves",
            "data": {"values": halves},
            "mark": {"type": "rule", "strokeWidth": 5, "color": INK},
            "encoding": {"x": _quantity("x"), "x2": {"field": "x2"}, "y": _quantity("row")},
        },
        {
            "name": "middles",
            "data": {"values": middles},
            "mark": {
                "type": "point",
                "shape": "diamond",
                "size": 220,
                "filled": True,
                "opacity": 1,
                "color": INK,
                "stroke": "#fffefa",
                "strokeWidth": 2,
            },
            "encoding": {"x": _quantity("x"), "y": _quantity("row")},
        },
        *_text("names", names, size, bold=True),
        *_text("told", told, size, bold=False),
    ]
    sub = [
        "Dashed: the lives themselves. Thick: Weibull fitted to them,",
        "with its 95 % range. Diamond and bar: where half have ended.",
    ]
    if not any(r.curve for r in own):
        sub = ["Dashed: the lives themselves; too few to fit a curve."]
    return framed(
        layers,
        title=title,
        subtitle=_lines(sub, width),
        description=f"{title}. " + " ".join(f"{r.name}: {r.words}." for r in own),
        width=width,
        height=len(own) * (212 if narrow else 208) + (124 if narrow else 100),
        x={
            "scale": {"domain": [0, top], "nice": False},
            "axis": axis(unit, tickCount=4 if narrow else 8, tickMinStep=1, labelExpr=_THIN),
        },
        y={
            "scale": {"domain": [len(own), 0], "nice": False},
            "axis": axis(
                None,
                values=[y(k, s) for k in range(len(own)) for s in (1, 0.5, 0)],
                labelExpr=(
                    f"datum.value % 1 < {_ALL + 0.1} ? '100 %' : "
                    f"datum.value % 1 < {_NONE - 0.1} ? '50 %' : '0'"
                ),
                domain=False,
                ticks=False,
            ),
        },
    )


def _lines(words: list[str], width: int) -> str | list[str]:
    """Put words on as many lines as the width needs."""
    if width >= NARROW:
        return " ".join(words)
    out = [""]
    for word in " ".join(words).split():
        if len(out[-1]) + len(word) > 44:
            out.append("")
        out[-1] = f"{out[-1]} {word}".strip()
    return out


def _text(
    name: str, rows: Sequence[dict[str, Any]], size: int, *, bold: bool, align: str = "left"
) -> list[dict[str, Any]]:
    return halo(
        {
            "name": name,
            "data": {"values": list(rows)},
            "mark": {
                "type": "text",
                "align": align,
                "baseline": "middle",
                "fontSize": size,
                "fontWeight": 700 if bold else 400,
                "color": INK,
            },
            "encoding": {
                "x": _quantity("x"),
                "y": _quantity("row"),
                "text": {"field": "words", "type": "nominal"},
            },
        }
    )


def _apart(places: Sequence[float], least: float, top: float) -> list[float]:
    """Move places in [0, top] apart to at least `least`, keeping their order."""
    order = sorted(range(len(places)), key=lambda i: places[i])
    out = list(places)
    for a, b in pairwise(order):
        out[b] = max(out[b], out[a] + least)
    if order and out[order[-1]] > top:
        out[order[-1]] = top
        for a, b in pairwise(order[::-1]):
            out[b] = min(out[b], out[a] - least)
    return out


def ways_chart(
    ways: Sequence[Way], *, width: int = 720, title: str, unit: str
) -> dict[str, Any] | NoReadings:
    """Draw how many have ended each way by which use.

    Parameters
    ----------
    ways : sequence of Way
        At most four.
    width : int
        Of the whole picture, px, at least 280.
    title, unit : str

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy when no part has ended.

    Raises
    ------
    ValueError
        A number can't be drawn, or the picture is too narrow.
    """
    own = tuple(w for w in ways if w.points)
    if not own:
        return NoReadings("No part has come to an end yet.")
    if len(own) > len(_DASHES):
        raise ValueError(f"at most {len(_DASHES)} ways can be told apart, got {len(own)}")
    _checked(width, (v for w in own for p in w.points for v in p))
    top = max(x for w in own for x, _ in w.points)
    if top <= 0:
        return NoReadings("No part has come to an end yet.")
    size, narrow = type_size(width), width < NARROW
    words = [f"{w.name} {_percent(w.points[-1][1])}" for w in own]
    # Room at the right for the words that name each line.
    share = min(0.62, (0.56 * size * max(map(len, words)) + 18) / (width - 70))
    end = top / (1 - share)
    highest = max(max(s for _, s in w.points) for w in own)
    ceiling = min(1.0, max(0.1, math.ceil(highest * 10.5) / 10))
    height = 300 if narrow else 340
    spots = _apart(
        [w.points[-1][1] for w in own],
        ceiling * (size + 6) / (height - 120),
        ceiling,
    )
    layers: list[dict[str, Any]] = []
    for k, w in enumerate(own):
        layers.append(
            {
                "name": f"way_{k}",
                "data": {
                    "values": [
                        {"i": i, "x": round(x, 4), "y": round(min(s, 1.0), 6)}
                        for i, (x, s) in enumerate(w.points)
                    ]
                },
                "mark": {
                    "type": "line",
                    "strokeWidth": 3,
                    "color": INK,
                    "strokeDash": _DASHES[k],
                },
                "encoding": {
                    "x": _quantity("x"),
                    "y": _quantity("y"),
                    "order": _quantity("i"),
                },
            }
        )
    leads = [
        {"x": w.points[-1][0], "row": w.points[-1][1], "x2": top + 0.03 * end, "row2": spot}
        for w, spot in zip(own, spots, strict=True)
    ]
    layers.append(
        {
            "name": "leads",
            "data": {"values": leads},
            "mark": {"type": "rule", "strokeWidth": 1, "color": GREY},
            "encoding": {
                "x": _quantity("x"),
                "x2": {"field": "x2"},
                "y": _quantity("row"),
                "y2": {"field": "row2"},
            },
        }
    )
    layers += _text(
        "names",
        [
            {"x": top + 0.04 * end, "row": spot, "words": said}
            for spot, said in zip(spots, words, strict=True)
        ],
        size,
        bold=True,
    )
    return framed(
        layers,
        title=title,
        subtitle=_lines(["Of all fitted, the share that has ended each way."], width),
        description=f"{title}: by {top:,.0f} {unit} " + ", ".join(words) + ".",
        width=width,
        height=height,
        x={
            "scale": {"domain": [0, end], "nice": False},
            "axis": axis(
                unit,
                values=_ticks(top, 3 if narrow else 6),
                labelExpr=_THIN,
            ),
        },
        y={
            "scale": {"domain": [0, ceiling], "nice": False},
            "axis": axis(
                None, tickCount=5, format="%", labelExpr="replace(datum.label, '%', ' %')"
            ),
        },
    )


def _percent(share: float) -> str:
    return "under 1 %" if 0 < share < 0.01 else f"{100 * share:.0f} %"


def _ticks(top: float, most: int) -> list[float]:
    """Return round numbers up to `top`, about as many as asked for."""
    rough = top / most
    unit = 10.0 ** math.floor(math.log10(rough))
    step = next(m * unit for m in (1, 2, 5, 10) if m * unit >= rough)
    step = max(step, 1.0)
    return [k * step for k in range(int(top / step) + 1)]
