"""The picture of the plates ahead: depth band against the limit, plate by plate.

Pure: the same outlook gives the same data, without clock or files.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from pitwise.job.outlook import (
    Band,
    Change,
    Outlook,
)
from pitwise.job.words import percent

from .look import BAND, NARROW, axis, framed, halo, reach, type_size
from .model import LimitLine
from .pit import GREY, INK

_ROWS = 3


@dataclass(frozen=True)
class PlateRun:
    """Plates of one program in a row.

    Attributes
    ----------
    name : str
    times : int
        At least 1.
    """

    name: str
    times: int


@dataclass(frozen=True)
class Course:
    """One set's way through the plates.

    Attributes
    ----------
    number : int
        0: the set in the torch; 1: the first new one.
    points : tuple of (float, Band)
        Plates finished, and the depth then.
    """

    number: int
    points: tuple[tuple[float, Band], ...]

    def low_at(self, x: float) -> float:
        """Return the band's lower edge between its points, mm."""
        for (a, low), (b, high) in pairwise(self.points):
            if a <= x <= b:
                return low.p05 + (high.p05 - low.p05) * ((x - a) / (b - a) if b > a else 0)
        return self.points[-1][1].p05


def place_of(change: Change, outlook: Outlook) -> float:
    """Return where a change stands on the axis of plates finished."""
    if change.cut is None:
        return float(change.after)
    starts = outlook.plates[change.after].plate.starts
    return change.after + (change.cut / starts if starts else 0.0)


def courses(outlook: Outlook, now: Band) -> tuple[Course, ...]:
    """Return the planned sets' ways, each from where it is fitted to its last plate's end.

    A set changed inside a plate ends, in the picture, at the last plate it finished: how
    deep it is at the pierce is not in the outlook, and is not made up.
    """
    points: list[list[tuple[float, Band]]] = [[(0.0, now)]]
    points += [[(place_of(c, outlook), Band(0.0, 0.0, 0.0))] for c in outlook.changes]
    for k, row in enumerate(outlook.plates):
        points[row.set_number].append((k + 1.0, row.planned_depth))
    return tuple(Course(n, tuple(own)) for n, own in enumerate(points))


@dataclass(frozen=True)
class _Frame:
    """Extent and the px that words need, near enough to keep them apart.

    From the bottom: the strip of plates, depths up to `top_mm`, a line where the course
    without a change is named (``lines``), rows of the changes' words.
    """

    width: int
    height: int
    size: int
    plates: int
    deepest_mm: float
    limit_mm: float
    rows: int
    lines: int

    @property
    def across(self) -> float:
        return (self.width - 66) / self.plates

    @property
    def line(self) -> float:
        return self.size + 6.0

    @property
    def strip(self) -> float:
        return self.size + 14.0

    @property
    def room(self) -> float:
        chrome = 118 if self.width < NARROW else 100
        return self.height - chrome - self.strip - (self.rows + self.lines) * self.line

    @property
    def top_mm(self) -> float:
        """Depth at the top of the plot: the limit's words fit above its line."""
        over_limit = self.limit_mm / (1 - (self.size + 14) / self.room)
        return max(1.03 * self.deepest_mm, over_limit)

    @property
    def mm_per_px(self) -> float:
        return self.top_mm / self.room

    @property
    def y_low(self) -> float:
        return -self.strip * self.mm_per_px

    @property
    def y_top(self) -> float:
        return self.row_mm(self.rows)

    def row_mm(self, row: float) -> float:
        """Return where a row of the changes' words stands, as a depth."""
        return self.top_mm + (self.lines + row) * self.line * self.mm_per_px


def _x(field: str = "x") -> dict[str, Any]:
    return {"field": field, "type": "quantitative"}


def _y(field: str = "y") -> dict[str, Any]:
    return {"field": field, "type": "quantitative"}


def _words(
    name: str, rows: Sequence[dict[str, Any]], size: int, *, weight: int = 400, **mark: Any
) -> list[dict[str, Any]]:
    """Return a layer of words at their places, clear of the lines they cross."""
    if not rows:
        return []
    return halo(
        {
            "name": name,
            "data": {"values": list(rows)},
            "mark": {
                "type": "text",
                "fontSize": size,
                "fontWeight": weight,
                "color": INK,
                **mark,
            },
            "encoding": {"x": _x(), "y": _y(), "text": {"field": "words", "type": "nominal"}},
        }
    )


def _rounded(band: Band) -> dict[str, float]:
    return {
        "low": round(band.p05, 6),
        "median": round(band.median, 6),
        "high": round(band.p95, 6),
    }


def _course_layers(ways: Sequence[Course], frame: _Frame) -> list[dict[str, Any]]:
    drawn = [way for way in ways if len(way.points) > 1]
    rows = [
        {"set": way.number, "x": round(x, 6), **_rounded(band)}
        for way in drawn
        for x, band in way.points
    ]
    detail = {"detail": {"field": "set", "type": "nominal"}}
    layers: list[dict[str, Any]] = []
    if rows:
        layers.append(
            {
                "name": "band",
                "data": {"values": rows},
                "mark": {"type": "area", "color": BAND, "opacity": 1},
                "encoding": {"x": _x(), "y": _y("low"), "y2": {"field": "high"}, **detail},
            }
        )
        for name, wide in (("low", 1), ("high", 1), ("median", 2.5)):
            layers.append(
                {
                    "name": f"course_{name}",
                    "data": {"values": rows},
                    "mark": {"type": "line", "strokeWidth": wide, "color": INK},
                    "encoding": {"x": _x(), "y": _y(name), **detail},
                }
            )
    named = []
    for way in drawn:
        words = "set in the torch" if way.number == 0 else f"new set {way.number}"
        first, last = way.points[0][0], way.points[-1][0]
        left = last - (reach(words, frame.size) + 10) / frame.across
        clear = 1.6 * frame.line * frame.mm_per_px
        if left >= first and way.low_at(left) > clear:
            named.append(
                {"x": last - 5 / frame.across, "y": 0.5 * clear, "words": words},
            )
    return layers + _words("sets", named, frame.size, align="right", baseline="middle")


def _now_layers(now: Band) -> list[dict[str, Any]]:
    row = {"x": 0, **_rounded(now)}
    bar = {
        "name": "now_bar",
        "data": {"values": [row]},
        "mark": {"type": "rule", "strokeWidth": 2, "color": INK},
        "encoding": {"x": _x(), "y": _y("low"), "y2": {"field": "high"}},
    }
    dot = {
        "name": "now",
        "data": {"values": [row]},
        "mark": {
            "type": "point",
            "shape": "circle",
            "filled": True,
            "size": 72,
            "color": INK,
            "opacity": 1,
        },
        "encoding": {"x": _x(), "y": _y("median")},
    }
    return [bar, dot]


def _unchanged(outlook: Outlook, now: Band, cap: float) -> list[tuple[float, float]]:
    """Return the middle course without a change, from the first change on, up to `cap`."""
    if not outlook.changes:
        return []
    begin = outlook.changes[0].after
    course = [(0.0, now.median), *((k + 1.0, p.depth.median) for k, p in enumerate(outlook.plates))]
    out = course[begin : begin + 1]
    if out[0][1] > cap:
        return []
    for (x0, y0), (x1, y1) in pairwise(course[begin:]):
        if y1 > cap:
            out.append((x0 + (x1 - x0) * (cap - y0) / (y1 - y0), cap))
            break
        out.append((x1, y1))
    return out if len(out) > 1 else []


def _unchanged_layers(points: Sequence[tuple[float, float]], frame: _Frame) -> list[dict[str, Any]]:
    if not points:
        return []
    rows = [{"x": round(x, 6), "y": round(y, 6)} for x, y in points]
    x, y = points[-1]
    words = "without a change"
    wide = (reach(words, frame.size) + 10) / frame.across
    left = x + wide > frame.plates
    # Past the top it is named on a line of its own, clear of the limit's words.
    past = y > 0.98 * frame.top_mm
    line = frame.line * frame.mm_per_px
    near_limit = abs(y + 0.6 * line - frame.limit_mm) < line
    raised = frame.row_mm(-0.45) if past else y + (-0.9 if near_limit else 0.6) * line
    at = {"x": x + (-3 if left else 3) / frame.across, "y": raised, "words": words}
    layers: list[dict[str, Any]] = [
        {
            "name": "unchanged",
            "data": {"values": rows},
            "mark": {"type": "line", "strokeWidth": 1.6, "strokeDash": [5, 4], "color": GREY},
            "encoding": {"x": _x(), "y": _y()},
        }
    ]
    if not left or x - wide > 0:
        layers += _words(
            "unchanged_words",
            [at],
            frame.size,
            color=GREY,
            align="right" if left else "left",
            baseline="middle",
        )
    return layers


def _limit_layers(limit: LimitLine, frame: _Frame) -> list[dict[str, Any]]:
    rule = {
        "name": "limit",
        "data": {"values": [{"y": limit.depth_mm}]},
        "mark": {"type": "rule", "strokeWidth": 4, "color": INK},
        "encoding": {"y": _y()},
    }
    at = {"x": 6 / frame.across, "y": limit.depth_mm, "words": limit.words}
    return [
        rule,
        *_words(
            "limit_words", [at], frame.size, weight=700, align="left", baseline="bottom", dy=-4
        ),
    ]


def _forms(change: Change) -> tuple[str, str, str]:
    if change.cut is not None:
        place = f"line {change.line}" if change.line else f"cut {change.cut + 1}"
        plate = change.after + 1
        return (
            f"Change in plate {plate}, {place}",
            f"in {plate}, {place}",
            f"in {plate}",
        )
    if change.after == 0:
        return ("Change now", "now", "now")
    return (f"Change after plate {change.after}", f"after {change.after}", f"{change.after}")


def place_marks(
    changes: Sequence[tuple[float, tuple[str, str, str]]], width: float, across: float, size: int
) -> list[tuple[int, bool, str]]:
    """Place the words of changes in rows so that none runs into another.

    Parameters
    ----------
    changes : sequence of (float, 3 str)
        Place in plates, and the words in three lengths.
    width, across : float
        Of the plot, and of a plate, px.
    size : int
        Type size, px.

    Returns
    -------
    list of (int, bool, str)
        Row from the lowest, whether the words stand left of their mark, and the words:
        all in one length, the longest that fits; empty where even the shortest does not.
    """
    found: list[tuple[int, bool, str]] = []
    for form in range(3):
        found, missed = [], 0
        ends = [-math.inf] * _ROWS
        for x, forms in changes:
            words = forms[form]
            wide, at = reach(words, size) + 12, x * across
            place = None
            for row in range(_ROWS):
                if at + wide <= width and at >= ends[row]:
                    place = (row, False)
                    ends[row] = at + wide
                elif at - wide >= max(ends[row], 0):
                    place = (row, True)
                    ends[row] = at
                if place:
                    break
            missed += place is None
            found.append((*place, words) if place else (0, False, ""))
        if not missed:
            break
    return found


def _change_layers(
    marks: Sequence[tuple[float, tuple[int, bool, str]]], frame: _Frame
) -> list[dict[str, Any]]:
    if not marks:
        return []
    rules = [
        {
            "x": round(x, 6),
            "low": 0,
            "high": frame.row_mm(row + 1),
        }
        for x, (row, _, _) in marks
    ]
    layers: list[dict[str, Any]] = [
        {
            "name": "changes",
            "data": {"values": rules},
            "mark": {"type": "rule", "strokeWidth": 2.5, "strokeDash": [9, 4], "color": INK},
            "encoding": {"x": _x(), "y": _y("low"), "y2": {"field": "high"}},
        }
    ]
    for left in (False, True):
        rows = [
            {
                "x": x + (-6 if left else 6) / frame.across,
                "y": frame.row_mm(row + 0.55),
                "words": words,
            }
            for x, (row, is_left, words) in marks
            if words and is_left == left
        ]
        layers += _words(
            f"change_words_{'left' if left else 'right'}",
            rows,
            frame.size,
            weight=700,
            align="right" if left else "left",
            baseline="middle",
        )
    return layers


def _cut_to(words: str, room: float, size: int) -> str:
    """Return words that fit in `room` px, cut short; may be empty."""
    if reach(words, size) <= room:
        return words
    letters = int(room / reach("m", size)) - 1
    return words[:letters].rstrip(" .-_") + "…" if letters >= 3 else ""


def _run_layers(runs: Sequence[PlateRun], frame: _Frame) -> list[dict[str, Any]]:
    edges, names, at = [], [], 0
    for run in runs:
        full = f"{run.times} × {run.name}" if run.times > 1 else run.name
        room = run.times * frame.across - 10
        short = _cut_to(full if run.times == 1 else run.name, room, frame.size)
        words = full if reach(full, frame.size) <= room else short
        if words:
            names.append({"x": at + run.times / 2, "y": 0.5 * frame.y_low, "words": words})
        at += run.times
        edges.append({"x": at, "low": 0, "high": frame.y_low})
    ground = {
        "name": "ground",
        "data": {"values": [{"y": 0}]},
        "mark": {"type": "rule", "strokeWidth": 1.5, "color": INK},
        "encoding": {"y": _y()},
    }
    parts = {
        "name": "run_edges",
        "data": {"values": edges},
        "mark": {"type": "rule", "strokeWidth": 1.5, "color": INK},
        "encoding": {"x": _x(), "y": _y("low"), "y2": {"field": "high"}},
    }
    text = {
        "name": "runs",
        "data": {"values": names},
        "mark": {
            "type": "text",
            "fontSize": frame.size,
            "color": INK,
            "align": "center",
            "baseline": "middle",
        },
        "encoding": {"x": _x(), "y": _y(), "text": {"field": "words", "type": "nominal"}},
    }
    return [ground, parts, *([text] if names else [])]


def describe_ahead(outlook: Outlook, now: Band, limit: LimitLine) -> str:
    """Say in a sentence or two what the picture shows."""
    n = len(outlook.plates)
    parts = [
        f"Forecast pit depth over {n} plate{'s' if n != 1 else ''}: now {now.median:.2f} mm "
        f"({now.p05:.2f} to {now.p95:.2f})",
        f"{limit.words[0].lower()}{limit.words[1:]}",
    ]
    if outlook.changes:
        done = ", ".join(_forms(c)[0].lower() for c in outlook.changes[:6])
        more = len(outlook.changes) - 6
        parts.append(done + (f" and {more} changes more" if more > 0 else ""))
    else:
        end = outlook.plates[-1].depth
        parts.append(f"no change; at the end {end.median:.2f} mm ({end.p05:.2f} to {end.p95:.2f})")
    parts.append(f"chance to finish all without a change {percent(outlook.plates[-1].p_finish)}")
    return "; ".join(parts) + "."


def _steps(plates: int, width: int) -> list[int]:
    most = 8 if width < NARROW else 16
    step = next(s for s in (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000) if plates / s <= most)
    return list(range(0, plates + 1, step))


def ahead_chart(
    outlook: Outlook,
    now: Band,
    limit: LimitLine,
    runs: Iterable[PlateRun],
    *,
    width: int = 720,
    height: int | None = None,
) -> dict[str, Any]:
    """Draw the plates ahead: what the pit is forecast to be after each, and the changes.

    Parameters
    ----------
    outlook : Outlook
    now : Band
        Depth of the pit of the set in the torch now, mm.
    limit : LimitLine
    runs : iterable of PlateRun
        The plates in order, those of one program in a row together; as many as the
        outlook has.
    width : int
        Of the whole picture, px, at least 280.
    height : int or None
        At least 260; None suits the width.

    Returns
    -------
    dict
        A Vega-Lite 6 specification as plain data, for `svg_of`.

    Raises
    ------
    ValueError
        Plates that don't add up, a depth that is no number, or a size that can't be drawn.
    """
    own = tuple(runs)
    n = len(outlook.plates)
    if sum(r.times for r in own) != n or any(r.times < 1 for r in own):
        raise ValueError(f"the runs must add up to the outlook's {n} plates")
    if width < 280 or (height is not None and height < 260):
        raise ValueError(f"at least 280 by 260 px are needed, got {width} by {height}")
    ways = courses(outlook, now)
    depths = [b.p95 for way in ways for _, b in way.points] + [limit.depth_mm]
    if not all(map(math.isfinite, [*depths, now.p05, now.median])) or limit.depth_mm <= 0:
        raise ValueError("depths and the limit must be numbers, the limit above 0 mm")
    size = type_size(width)
    forms = [(place_of(c, outlook), _forms(c)) for c in outlook.changes]
    marks = place_marks(forms, width - 66, (width - 66) / n, size)
    frame = _Frame(
        width,
        height or (360 if width < NARROW else 430),
        size,
        n,
        max(depths),
        limit.depth_mm,
        max((row + 1 for row, _, _ in marks), default=0),
        1 if outlook.changes else 0,
    )
    band = ["Band: 90 % of cases; line in it: the middle.", "A forecast: the limit stands."]
    layers = [
        *_run_layers(own, frame),
        *_course_layers(ways, frame),
        *_unchanged_layers(_unchanged(outlook, now, frame.top_mm), frame),
        *_now_layers(now),
        *_change_layers([(x, m) for (x, _), m in zip(forms, marks, strict=True)], frame),
        *_limit_layers(limit, frame),
    ]
    step = _depth_step(frame.top_mm)
    depths_shown = [round(k * step, 6) for k in range(int(frame.top_mm / step) + 1)]
    return framed(
        layers,
        title="Pit depth, mm",
        subtitle=band if width < NARROW else " ".join(band),
        description=describe_ahead(outlook, now, limit),
        width=width,
        height=frame.height,
        x={
            "scale": {"domain": [0, n], "nice": False},
            "axis": axis("Plates finished", values=_steps(n, width), format="d"),
        },
        y={
            "scale": {"domain": [frame.y_low, frame.y_top], "nice": False},
            "axis": axis(
                None, values=depths_shown, format=".1f" if step >= 0.1 else ".2f", domain=False
            ),
        },
    )


def _depth_step(top: float) -> float:
    return next((s for s in (0.02, 0.05, 0.1, 0.2, 0.5, 1.0) if top / s <= 7), 2.0)
