"""Charts of a gauge study: its components with their ranges, and every reading by person.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt

from pitwise.measure.gauge import LEVEL, Component, GaugeStudy

from .look import NARROW, axis, framed, halo, type_size
from .model import NoReadings
from .pit import GREY, INK

NAMES = {
    "repeatability": "Same person, same part again",
    "reproducibility": "Between people",
    "interaction": "People who differ by part",
    "gauge": "Gauge, all of it",
    "part": "Between parts",
}
_SHORT = {"repeatability": "Same person again", "interaction": "People by part"}
# An interval runs no further than so many times the largest standard deviation.
_LONGEST = 3.0
_LEAST_WIDTH = 280
_MOST_PEOPLE, _MOST_PARTS = 12, 60
# More rings than this are one blot, and a page of megabytes: each cell is a stroke then.
_MOST_RINGS = 720
_MOST_LABELS, _MOST_LABELS_NARROW = 20, 8


def _quantity(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def _words(
    name: str, rows: Sequence[dict[str, Any]], size: int, *, bold: bool = False, align: str = "left"
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
                "color": INK if bold else GREY,
            },
            "encoding": {
                "x": _quantity("x"),
                "y": _quantity("y"),
                "text": {"field": "words", "type": "nominal"},
            },
        }
    )


def _wide_enough(width: int) -> None:
    if width < _LEAST_WIDTH:
        raise ValueError(f"at least {_LEAST_WIDTH} px are needed, got {width}")


def _span(c: Component) -> str:
    if c.low is None or c.high is None:
        return ""
    return f" ({c.low:.2g} to {c.high:.2g})" if math.isfinite(c.high) else f" ({c.low:.2g} up)"


def _said(c: Component, unit: str, width: int) -> str:
    name = NAMES[c.name] if width >= NARROW else _SHORT.get(c.name, NAMES[c.name])
    words = f"{name}: {c.sd:.3g}{unit}{_span(c)}"
    if c.percent_of_tolerance is not None and c.name == "gauge" and width >= NARROW:
        words += f", 6 of these are {c.percent_of_tolerance:.0f} % of the tolerance"
    return words


def _apart(part: Component, gauge: Component, unit: str, width: int) -> str:
    """Say how far parts differ; on the gauge's own scale that would be off the picture."""
    words = _said(part, unit, width)
    if gauge.sd > 0 and part.sd > 0 and width >= NARROW:
        words += f", {part.sd / gauge.sd:.2g} times the gauge; not on this scale"
    return words


def components_chart(
    study: GaugeStudy, *, unit: str = "mm", width: int = 720
) -> dict[str, Any] | NoReadings:
    """Draw where the gauge's scatter comes from: each standard deviation in its range.

    The axis is the gauge's own. Parts usually differ so much more that the rest would be a blot
    beside them; how far they do is written below.

    Parameters
    ----------
    study : GaugeStudy
        By ranges there are no bars.
    unit : str
        Of the readings; "" for bare numbers.
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy where nothing scatters.

    Raises
    ------
    ValueError
        The picture is too narrow.
    """
    _wide_enough(width)
    own = [c for c in study.components if c.name in NAMES and c.name != "part"]
    largest = max(c.sd for c in own)
    if largest <= 0:
        return NoReadings("Readings of one part show no scatter.")
    tail, after = (f" {unit}", f", {unit}") if unit else ("", "")
    top = max(c.sd if c.high is None else min(c.high, _LONGEST * largest) for c in own) * 1.04
    size = type_size(width)
    rows = list(enumerate(own))
    bars = [
        {"y": k + 0.7, "low": c.low, "high": min(c.high, top)}
        for k, c in rows
        if c.low is not None and c.high is not None
    ]
    # A stroke closes a bar that ends in the picture.
    ends = [
        {"x": x, "low": k + 0.58, "high": k + 0.82}
        for k, c in rows
        if c.low is not None and c.high is not None
        for x in ([c.low, c.high] if c.high < top else [c.low])
    ]
    dots = [{"x": c.sd, "y": k + 0.7} for k, c in rows]
    names = [{"x": top * 0.006, "y": k + 0.28, "words": _said(c, tail, width)} for k, c in rows]
    stroke = {"type": "rule", "color": INK, "strokeWidth": 3}
    layers: list[dict[str, Any]] = [
        {
            "name": "ranges",
            "data": {"values": bars},
            "mark": {"type": "rule", "strokeWidth": 5, "color": INK},
            "encoding": {"x": _quantity("low"), "x2": {"field": "high"}, "y": _quantity("y")},
        },
        {
            "name": "ends",
            "data": {"values": ends},
            "mark": stroke,
            "encoding": {"x": _quantity("x"), "y": _quantity("low"), "y2": {"field": "high"}},
        },
        {
            "name": "deviations",
            "data": {"values": dots},
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
            "encoding": {"x": _quantity("x"), "y": _quantity("y")},
        },
        {
            "name": "parts_apart",
            "data": {"values": [{"x": 0, "x2": top, "y": len(own) + 0.08}]},
            "mark": {"type": "rule", "strokeWidth": 1, "color": GREY},
            "encoding": {"x": _quantity("x"), "x2": {"field": "x2"}, "y": _quantity("y")},
        },
        *_words(
            "names",
            [
                *names,
                {
                    "x": top * 0.006,
                    "y": len(own) + 0.42,
                    "words": _apart(study.part, study.gauge, tail, width),
                },
            ],
            size,
            bold=True,
        ),
    ]
    level = f"{LEVEL:.0%}".replace("%", " %")
    sub = [f"Dot: standard deviation. Bar: {level} range, if known."]
    every = [*own, study.part]
    if any(c.high is not None and c.high >= top for c in own):
        sub.append("A bar without an end stroke goes on.")

    def ranged(c: Component) -> str:
        return f"{NAMES[c.name]} {c.sd:.3g}{tail}{_span(c)}"

    return framed(
        layers,
        title="Where the scatter of the readings comes from",
        subtitle=sub if width < NARROW else " ".join(sub),
        description="Where the scatter of the readings comes from, standard deviations: "
        + "; ".join(ranged(c) for c in every)
        + ".",
        width=width,
        height=int((len(own) + 0.75) * (46 + size)) + (124 if width < NARROW else 104),
        x={
            "scale": {"domain": [0, top], "nice": False},
            "axis": axis(f"standard deviation{after}", tickCount=4 if width < NARROW else 8),
        },
        y={"scale": {"domain": [len(own) + 0.75, 0], "nice": False}, "axis": None},
    )


def _round_step(reach: float) -> float:
    """Return the largest of 1, 2, 5 × a power of ten that is no more than `reach`."""
    power = 10.0 ** math.floor(math.log10(reach))
    return next(m * power for m in (5.0, 2.0, 1.0) if m * power <= reach * (1 + 1e-9))


def readings_chart(
    x: npt.ArrayLike,
    *,
    people: Sequence[str],
    parts: Sequence[str],
    unit: str = "mm",
    width: int = 720,
) -> dict[str, Any] | NoReadings:
    """Draw every reading less the mean of its part, a band for each person.

    Parameters
    ----------
    x : (people, parts, trials) array-like
        Readings in one unit.
    people, parts : sequence of str
        Names, in that order.
    unit : str
        "" for bare numbers.
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy with more than 12 people or 60 parts, which would be
        no picture, or where all readings of each part are alike.

    Raises
    ------
    ValueError
        Names don't match, a reading is missing, or the picture is too narrow.
    """
    own = np.asarray(x, dtype=float)
    if own.ndim != 3 or own.shape[:2] != (len(people), len(parts)) or not own.size:
        raise ValueError(f"{len(people)} people and {len(parts)} parts don't fit {own.shape}")
    if not np.isfinite(own).all():
        raise ValueError("a reading is missing")
    _wide_enough(width)
    o, p, _ = own.shape
    if o > _MOST_PEOPLE or p > _MOST_PARTS:
        return NoReadings(f"{o} people and {p} parts are too many for one picture.")
    off = own - own.mean(axis=(0, 2))[None, :, None]
    reach = float(np.abs(off).max())
    if reach <= 1e-12 * float(np.abs(own).max()):
        return NoReadings("All readings of each part are alike.")
    step = _round_step(reach)
    size = type_size(width)
    tail = f" {unit}" if unit else ""
    # Within a band of height 1: its name on top, readings below.
    scale = 0.3 / (reach * 1.04)

    def y(person: int, value: float) -> float:
        return person + 0.6 - value * scale

    left, right = 0.4, p + 0.6
    rings = own.size <= _MOST_RINGS
    spans = [
        {
            "x": j + 1,
            "low": round(y(i, float(off[i, j].min()) - 0.01 * reach), 4),
            "high": round(y(i, float(off[i, j].max()) + 0.01 * reach), 4),
        }
        for i in range(0 if rings else o)
        for j in range(p)
    ]
    dots = [
        {"x": j + 1 + 0.12 * ((k % 3) - 1), "y": round(y(i, float(off[i, j, k])), 6)}
        for i in range(o if rings else 0)
        for j in range(p)
        for k in range(own.shape[2])
    ]
    zero = [{"x": left, "x2": right, "y": y(i, 0.0)} for i in range(o)]
    means = [{"x": left, "x2": right, "y": round(y(i, float(off[i].mean())), 6)} for i in range(o)]
    rims = [{"x": left, "x2": right, "y": i} for i in range(1, o)]
    marks = [
        {"x": left, "y": y(i, v), "words": f"{v:+.3g}".replace("-", "−") if v else "0"}
        for i in range(o)
        for v in (-step, 0.0, step)
    ]
    names = [
        {
            "x": left,
            "y": i + 0.14,
            "words": f"{name}: {float(off[i].mean()):+.2g}{tail} on the mean".replace("-", "−"),
        }
        for i, name in enumerate(people)
    ]
    line = {"x": _quantity("x"), "x2": {"field": "x2"}, "y": _quantity("y")}
    layers: list[dict[str, Any]] = [
        {
            "name": "rims",
            "data": {"values": rims},
            "mark": {"type": "rule", "strokeWidth": 1, "color": GREY},
            "encoding": line,
        },
        {
            "name": "part_means",
            "data": {"values": zero},
            "mark": {"type": "rule", "strokeWidth": 2, "strokeDash": [7, 4], "color": INK},
            "encoding": line,
        },
        {
            "name": "person_means",
            "data": {"values": means},
            "mark": {"type": "rule", "strokeWidth": 3, "color": INK},
            "encoding": line,
        },
        {
            "name": "spans",
            "data": {"values": spans},
            "mark": {"type": "rule", "strokeWidth": 3, "color": GREY},
            "encoding": {"x": _quantity("x"), "y": _quantity("low"), "y2": {"field": "high"}},
        },
        {
            "name": "readings",
            "data": {"values": dots},
            "mark": {
                "type": "point",
                "shape": "circle",
                "size": 40 if width < NARROW else 70,
                "opacity": 1,
                "stroke": GREY,
                "fill": "#fffefa",
                "strokeWidth": 2,
            },
            "encoding": {"x": _quantity("x"), "y": _quantity("y")},
        },
        *_words("names", names, size, bold=True),
        *_words("marks", [{**m, "x": left - 0.012 * p} for m in marks], size - 1, align="right"),
    ]
    every = math.ceil(p / (_MOST_LABELS_NARROW if width < NARROW else _MOST_LABELS))
    labels = {str(j + 1): name for j, name in enumerate(parts)}
    short = all(len(name) <= 4 for name in parts)
    shown = f"datum.value in {_spelt(labels)} ? {_spelt(labels)}[datum.value] : ''"
    said = "; ".join(
        f"{name} {float(off[i].mean()):+.2g}{tail} on the mean, readings within "
        f"{float(off[i].min()):+.2g} to {float(off[i].max()):+.2g}"
        for i, name in enumerate(people)
    )
    first = "Ring: one reading" if rings else "Upright stroke: lowest to highest reading"
    sub = [f"{first} less its part's mean.", "Long stroke: the person's mean."]
    # Room for the marks at the left, in the same units as the parts.
    margin = (right - left) * (4.2 * size * 0.56) / (width - 4.2 * size * 0.56)
    return framed(
        layers,
        title=f"Readings by person and part{', ' + unit if unit else ''}",
        subtitle=sub if width < NARROW else " ".join(sub),
        description=f"Readings less their part's mean, by person: {said}.",
        width=width,
        height=o * (100 if width < NARROW else 120) + (124 if width < NARROW else 104),
        x={
            "scale": {"domain": [left - margin, right], "nice": False},
            "axis": axis(
                "part" if short else "part, in order",
                values=list(range(1, p + 1, every)),
                **({"labelExpr": shown} if short else {"format": "d"}),
            ),
        },
        y={"scale": {"domain": [o, 0], "nice": False}, "axis": None},
    )


def _spelt(labels: dict[str, str]) -> str:
    """Return a mapping as a Vega expression; names with its signs in them are left out."""
    safe = {k: v for k, v in labels.items() if v.replace("-", "").replace(" ", "").isalnum()}
    return "{" + ", ".join(f"'{k}': '{v}'" for k, v in safe.items()) + "}"
