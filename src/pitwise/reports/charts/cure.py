"""Charts of a cure: what changed after it, and how long electrodes lasted on either side.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from pitwise.causes.cure import LEVEL

from .look import BAND, NARROW, axis, framed, halo, type_size
from .model import NoReadings
from .pit import GREY, INK


@dataclass(frozen=True)
class Ratio:
    """One comparison, after over before.

    Attributes
    ----------
    name : str
        What is compared, as the row is headed.
    ratio, low, high : float or None
        The ratio and its interval at `LEVEL`, > 0; None when it is too early to tell.
    words : str
        The verdict in a few words.
    """

    name: str
    ratio: float | None
    low: float | None
    high: float | None
    words: str


@dataclass(frozen=True)
class Lives:
    """Starts of the electrodes on one side of a cure.

    Attributes
    ----------
    name : str
        "Before" or "After".
    starts : tuple of int
        Of each that came to an end.
    running : int or None
        Starts of those still in use together; None without one.
    """

    name: str
    starts: tuple[int, ...]
    running: int | None = None


def _quantity(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def _wide_enough(width: int) -> None:
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")


def _text(name: str, rows: Sequence[dict[str, Any]], size: int, bold: bool) -> list[dict[str, Any]]:
    return halo(
        {
            "name": name,
            "data": {"values": list(rows)},
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
                "y": _quantity("row"),
                "text": {"field": "words", "type": "nominal"},
            },
        }
    )


def ratio_chart(rows: Iterable[Ratio], *, width: int = 720) -> dict[str, Any] | NoReadings:
    """Draw each comparison as a dot in its interval; 1 is "as before".

    Parameters
    ----------
    rows : iterable of Ratio
        One without a ratio says so in words and has no dot.
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy without a row, or where no row has a ratio.

    Raises
    ------
    ValueError
        A ratio is not above 0, or the picture is too narrow.
    """
    own = tuple(rows)
    if not own:
        return NoReadings("Nothing was compared.")
    _wide_enough(width)
    told = []
    for k, r in enumerate(own):
        if r.ratio is None or r.low is None or r.high is None:
            continue
        if not all(math.isfinite(x) for x in (r.ratio, r.low, r.high)) or r.ratio <= 0:
            raise ValueError(f"'{r.name}': {r.ratio} is no ratio to draw")
        told.append((k, r.ratio, max(r.low, 0.0), r.high))
    if not told:
        return NoReadings("It is too early to compare.")
    spread = max([4.0, *(max(x, 1 / x) for _, ratio, _, _ in told for x in (ratio,))])
    # A power of two to either side; an interval that reaches further ends in the frame.
    end = 2.0 ** math.ceil(math.log2(spread * 1.2))
    end = min(max(end, 4.0), 64.0)
    size = type_size(width)
    drawn = [
        {
            "row": k + 0.72,
            "ratio": round(min(max(ratio, 1 / end), end), 6),
            "low": round(min(max(low, 1 / end), end), 6),
            "high": round(max(min(high, end), 1 / end), 6),
        }
        for k, ratio, low, high in told
    ]
    names = [{"row": k + 0.3, "x": 1.02 / end, "words": r.name} for k, r in enumerate(own)]
    silent = {k for k, *_ in told}
    early = [
        {"row": k + 0.72, "x": 1.02 / end, "words": r.words}
        for k, r in enumerate(own)
        if k not in silent
    ]
    layers: list[dict[str, Any]] = [
        {
            "name": "as_before",
            # Below each name, not through it, and not through the words of one too early to tell.
            "data": {"values": [{"x": 1, "top": k + 0.52, "foot": k + 1.0} for k, *_ in told]},
            "mark": {"type": "rule", "strokeWidth": 2, "strokeDash": [7, 4], "color": INK},
            "encoding": {
                "x": _quantity("x"),
                "y": _quantity("top"),
                "y2": {"field": "foot"},
            },
        },
        {
            "name": "intervals",
            "data": {"values": drawn},
            "mark": {"type": "rule", "strokeWidth": 5, "color": INK},
            "encoding": {
                "x": _quantity("low"),
                "x2": {"field": "high"},
                "y": _quantity("row"),
            },
        },
        {
            "name": "ratios",
            "data": {"values": drawn},
            "mark": {
                "type": "point",
                "shape": "diamond",
                "size": 240,
                "filled": True,
                "opacity": 1,
                "color": INK,
                "stroke": "#fffefa",
                "strokeWidth": 2,
            },
            "encoding": {"x": _quantity("ratio"), "y": _quantity("row")},
        },
        *_text("names", names, size, bold=True),
        *(_text("early", early, size, bold=False) if early else []),
    ]
    ticks = [2.0**k for k in range(-6, 7) if 1 / end <= 2.0**k <= end]
    if width < NARROW and len(ticks) > 5:
        ticks = ticks[:: 2 if (len(ticks) - 1) % 4 == 0 else 1]
    said = "; ".join(
        f"{r.name}: {r.ratio:.2g} times ({r.low:.2g} to {r.high:.2g}), {r.words}"
        if r.ratio is not None and r.low is not None and r.high is not None
        else f"{r.name}: {r.words}"
        for r in own
    )
    sub = [
        f"Dot and bar: after over before, {LEVEL:.0%} interval.".replace("%", " %"),
        "Dashed: as before. Left is better.",
    ]
    return framed(
        layers,
        title="After the cure against before",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"After the cure against before: {said}.",
        width=width,
        height=len(own) * (52 + size) + (124 if width < NARROW else 104),
        x={
            "scale": {"type": "log", "base": 2, "domain": [1 / end, end], "nice": False},
            "axis": axis(
                "times as before" if width < NARROW else "times as much as before",
                values=ticks,
                labelExpr="datum.value < 1 ? '1/' + format(1 / datum.value, 'd') : "
                "format(datum.value, 'd')",
            ),
        },
        y={"scale": {"domain": [len(own), 0], "nice": False}, "axis": None},
    )


def lives_chart(sides: Iterable[Lives], *, width: int = 720) -> dict[str, Any] | NoReadings:
    """Draw how many starts each electrode lasted, before a cure and after.

    Parameters
    ----------
    sides : iterable of Lives
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy when no electrode came to an end and none runs.

    Raises
    ------
    ValueError
        A life is below 0, or the picture is too narrow.
    """
    own = tuple(sides)
    every = [n for s in own for n in s.starts] + [s.running or 0 for s in own]
    if not any(s.starts or s.running is not None for s in own):
        return NoReadings("No electrode came to an end on either side.")
    _wide_enough(width)
    if min(every) < 0:
        raise ValueError(f"a life of {min(every)} starts can't be")
    top = max(*every, 1) * 1.08
    size = type_size(width)
    dots, middles, names, still = [], [], [], []
    for k, side in enumerate(own):
        count = len(side.starts)
        words = f"{side.name}: {count} electrode{'' if count == 1 else 's'} used up"
        if side.running is not None:
            words += f"; running now {side.running} starts"
            still.append({"row": k + 0.72, "x": 0, "x2": side.running})
        names.append({"row": k + 0.28, "x": top * 0.008, "words": words})
        # Equal lives lie beside one another, not on top.
        dots += [
            {"row": k + 0.72 + 0.07 * ((i % 3) - 1), "x": n}
            for i, n in enumerate(sorted(side.starts))
        ]
        if count >= 3:
            lives = sorted(side.starts)
            half = count // 2
            middle = lives[half] if count % 2 else (lives[half - 1] + lives[half]) / 2
            middles.append({"low": k + 0.52, "high": k + 0.92, "x": middle})
    layers: list[dict[str, Any]] = [
        {
            "name": "running",
            "data": {"values": still},
            "mark": {"type": "rule", "strokeWidth": 8, "color": BAND},
            "encoding": {"x": _quantity("x"), "x2": {"field": "x2"}, "y": _quantity("row")},
        },
        {
            "name": "middles",
            "data": {"values": middles},
            "mark": {"type": "rule", "strokeWidth": 3, "color": INK},
            "encoding": {"x": _quantity("x"), "y": _quantity("low"), "y2": {"field": "high"}},
        },
        {
            "name": "lives",
            "data": {"values": dots},
            "mark": {
                "type": "point",
                "shape": "circle",
                "size": 80,
                "opacity": 1,
                "stroke": GREY,
                "fill": "#fffefa",
                "strokeWidth": 2,
            },
            "encoding": {"x": _quantity("x"), "y": _quantity("row")},
        },
        *_text("names", names, size, bold=True),
    ]
    said = "; ".join(
        f"{n['words']}" + (f" ({', '.join(map(str, s.starts))} starts)" if s.starts else "")
        for n, s in zip(names, own, strict=True)
    )
    sub = ["Ring: one electrode. Stroke: their middle.", "Wide pale bar: still running."]
    return framed(
        layers,
        title="Starts that electrodes lasted",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"Starts that electrodes lasted. {said}.",
        width=width,
        height=len(own) * (56 + size) + (124 if width < NARROW else 104),
        x={
            "scale": {"domain": [0, top], "nice": False},
            "axis": axis("starts", tickCount=4 if width < NARROW else 8, tickMinStep=1, format="d"),
        },
        y={"scale": {"domain": [len(own), 0], "nice": False}, "axis": None},
    )
