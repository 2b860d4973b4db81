"""The picture of parts that ended before their worth was used: what each cause took.

Pure: the same numbers give the same data, without clock or files.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from .look import LETTER, NARROW, PAPER, framed, halo, type_size
from .model import NoReadings
from .pit import GREY, INK

MOST_ROWS = 8
_BAR = 30  # px
_HATCH = 9  # px between the strokes
_PADDING = 8  # px, both sides together


@dataclass(frozen=True)
class LossBar:
    """What one cause took.

    Attributes
    ----------
    cause : str
    lost, early : float
        Money of parts lost in the cut, and of parts out early otherwise, 0 or more.
    low, high : float
        Range of both together.
    lost_parts, damaged_parts, good_parts : int
    untold : int
        Parts among them whose money can't be told.
    """

    cause: str
    lost: float
    early: float
    low: float
    high: float
    lost_parts: int
    damaged_parts: int
    good_parts: int
    untold: int = 0

    @property
    def money(self) -> float:
        """Both together."""
        return self.lost + self.early

    @property
    def doubtful(self) -> bool:
        """Whether its range can be seen beside it: half a percent can't."""
        return self.high - self.low > 0.005 * self.money


def _field(name: str) -> dict[str, Any]:
    return {"field": name, "type": "quantitative"}


def _amount(value: float, largest: float) -> str:
    digits = 0 if largest >= 100 else 2
    return f"{value:,.{digits}f}".replace(",", "\u202f")


def counts_words(lost: int, damaged: int, good: int, untold: int = 0) -> str:
    """Say how many parts ended each way, and how many can't be told in money."""
    words = []
    if lost:
        words.append(f"{lost} lost in the cut")
    if damaged:
        words.append(f"{damaged} damaged")
    if good:
        words.append(f"{good} while good")
    if untold:
        words.append(f"{untold} of them not told in money")
    return ", ".join(words)


def _checked(bars: Sequence[LossBar], width: int) -> list[LossBar]:
    if width < 280:
        raise ValueError(f"at least 280 px are needed, got {width}")
    for b in bars:
        if not all(map(math.isfinite, (b.lost, b.early, b.low, b.high))):
            raise ValueError("a chart takes numbers only")
        if min(b.lost, b.early, b.low, b.lost_parts, b.damaged_parts, b.good_parts, b.untold) < 0:
            raise ValueError("money and counts are 0 or more")
        if not b.low <= b.money * (1 + 1e-9) or not b.money <= b.high * (1 + 1e-9):
            raise ValueError("the money lies within its range")
    own = sorted(bars, key=lambda b: (-b.money, b.cause))
    if len(own) <= MOST_ROWS:
        return own
    rest = own[MOST_ROWS - 1 :]
    return [
        *own[: MOST_ROWS - 1],
        LossBar(
            f"{len(rest)} other causes together",
            math.fsum(b.lost for b in rest),
            math.fsum(b.early for b in rest),
            math.fsum(b.low for b in rest),
            math.fsum(b.high for b in rest),
            sum(b.lost_parts for b in rest),
            sum(b.damaged_parts for b in rest),
            sum(b.good_parts for b in rest),
            sum(b.untold for b in rest),
        ),
    ]


def _hatch(x0: float, x1: float, top: float, bottom: float, px: float) -> list[dict[str, float]]:
    """Return strokes at 45 degrees within a box, `px` money to the pixel across."""
    lean, step = _BAR * px, _HATCH * px
    out = []
    start = x0 - lean + step / 2
    while start < x1:
        # Along a stroke: 0 at the lower edge, 1 at the upper.
        first = max(0.0, (x0 - start) / lean)
        last = min(1.0, (x1 - start) / lean)
        if last > first:
            out.append(
                {
                    "x": start + first * lean,
                    "y": bottom + first * (top - bottom),
                    "x2": start + last * lean,
                    "y2": bottom + last * (top - bottom),
                }
            )
        start += step
    return out


def _text(name: str, rows: list[dict[str, Any]], size: int, **mark: Any) -> dict[str, Any]:
    return {
        "name": name,
        "data": {"values": rows},
        "mark": {
            "type": "text",
            "align": "left",
            "baseline": "middle",
            "fontSize": size,
            "color": INK,
            **mark,
        },
        "encoding": {
            "x": _field("x"),
            "y": _field("y"),
            "text": {"field": "words", "type": "nominal"},
        },
    }


def _boxes(name: str, rows: list[dict[str, Any]], **mark: Any) -> dict[str, Any]:
    return {
        "name": name,
        "data": {"values": rows},
        "mark": {"type": "rect", "stroke": INK, "strokeWidth": 2, "opacity": 1, **mark},
        "encoding": {
            "x": _field("x"),
            "x2": {"field": "x2"},
            "y": _field("y"),
            "y2": {"field": "y2"},
        },
    }


def _rules(name: str, rows: Sequence[dict[str, Any]], wide: float) -> dict[str, Any]:
    return {
        "name": name,
        "data": {"values": list(rows)},
        "mark": {"type": "rule", "strokeWidth": wide, "color": INK},
        "encoding": {
            "x": _field("x"),
            "x2": {"field": "x2"},
            "y": _field("y"),
            "y2": {"field": "y2"},
        },
    }


def _cut(words: str, room: float, size: int) -> str:
    most = max(8, int(room / (LETTER * size)))
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


@dataclass(frozen=True)
class _Place:
    """Where things stand in a row, px from its top."""

    each: int
    name: int
    bar: int
    money: int | None
    counts: int


def loss_chart(
    bars: Sequence[LossBar],
    *,
    currency: str,
    headline: str,
    period: str = "",
    width: int = 900,
) -> dict[str, Any] | NoReadings:
    """Draw what each cause took, the dearest first: lost solid, early hatched, both named.

    Parameters
    ----------
    bars : sequence of LossBar
        In any order. From the ninth on they are drawn as one.
    currency : str
    headline : str
        The sentence the picture is to say.
    period : str
        What time it is of.
    width : int
        Of the whole picture, px, at least 280.

    Returns
    -------
    dict or NoReadings
        A Vega-Lite 6 specification; falsy without a bar.
    """
    own = _checked(bars, width)
    if not own:
        return NoReadings("No part ended before its worth was used.")
    narrow, size = width < NARROW, type_size(width)
    total = math.fsum(b.money for b in own)
    most = max(max(b.high, b.money) for b in own) or 1.0
    wide = width - _PADDING
    px = most / wide
    at = (
        _Place(118, 12, 26, 26 + _BAR + 22, 26 + _BAR + 42)
        if narrow
        else _Place(106, 14, 30, None, 30 + _BAR + 24)
    )
    solid, hatched, ranges, names, moneys, counts, inside, over = (
        list[dict[str, Any]]() for _ in range(8)
    )
    strokes: list[dict[str, float]] = []
    for k, b in enumerate(own):

        def y(down: float, row: int = k) -> float:
            return round(row + down / at.each, 5)

        top, bottom = y(at.bar), y(at.bar + _BAR)
        middle = y(at.bar + _BAR / 2)
        for start, length, word, boxes in (
            (0.0, b.lost, "lost", solid),
            (b.lost, b.early, "early", hatched),
        ):
            if length <= 0:
                continue
            boxes.append({"x": start, "x2": start + length, "y": top, "y2": bottom})
            if length > px * (LETTER * size * len(word) + 16):
                (inside if word == "lost" else over).append(
                    {"x": start + 8 * px, "y": middle, "words": word}
                )
        strokes += _hatch(b.lost, b.money, top, bottom, px) if b.early > 0 else []
        if b.doubtful:
            line, tick = at.bar + _BAR + 8, 4
            ranges.append({"x": b.low, "x2": b.high, "y": y(line), "y2": y(line)})
            ranges += [
                {"x": e, "x2": e, "y": y(line - tick), "y2": y(line + tick)}
                for e in (b.low, b.high)
            ]
        money = f"{_amount(b.money, b.high)} {currency}"
        if b.doubtful:
            money += f" ({_amount(b.low, b.high)} to {_amount(b.high, b.high)})"
        if total > 0:
            money += f", {100 * b.money / total:.0f} %"
        room = wide if narrow else wide - LETTER * size * (len(money) + 3)
        names.append({"x": 0, "y": y(at.name), "words": _cut(b.cause, room, size + 2)})
        moneys.append({"x": 0 if narrow else most, "y": y(at.money or at.name), "words": money})
        said = counts_words(b.lost_parts, b.damaged_parts, b.good_parts, b.untold)
        counts.append({"x": 0, "y": y(at.counts), "words": _cut(said, wide, size)})
    layers: list[dict[str, Any]] = [
        *([_boxes("lost", solid, color=INK)] if solid else []),
        *([_boxes("early", hatched, fill=PAPER)] if hatched else []),
        *([_rules("hatch", strokes, 1.6)] if strokes else []),
        *([_rules("ranges", ranges, 1.6)] if ranges else []),
        *([_text("lost_words", inside, size, color=PAPER, fontWeight=700)] if inside else []),
        *(halo(_text("early_words", over, size, fontWeight=700)) if over else []),
        _text("causes", names, size + 2, fontWeight=700),
        _text("moneys", moneys, size, align="left" if narrow else "right", fontWeight=700),
        _text("counts", counts, size, color=GREY),
    ]
    head = 18 if narrow else 26
    lines = textwrap.wrap(headline, max(16, int(wide / (0.53 * head))))
    sub = [period] if period else []
    sub += (
        [
            "Solid: lost in the cut. Hatched: out early,",
            "damaged or while good. Thin line: the range.",
        ]
        if narrow
        else [
            "Solid: lost in the cut. Hatched: out early, damaged or while good. "
            "Thin line below: the range."
        ]
    )
    said = "; ".join(
        f"{n['words']}: {m['words']}; {c['words']}"
        for n, m, c in zip(names, moneys, counts, strict=True)
    )
    height = round(len(own) * at.each + len(lines) * head * 1.2 + len(sub) * (size + 6) + 34)
    spec = framed(
        layers,
        title=headline,
        subtitle=sub,
        description=f"{headline} {said}.",
        width=width,
        height=height,
        x={"scale": {"domain": [0, most], "nice": False}, "axis": None},
        y={"scale": {"domain": [len(own), 0], "nice": False}, "axis": None},
    )
    spec["title"] |= {
        "text": lines,
        "fontSize": head,
        "fontWeight": 700,
        "lineHeight": round(head * 1.2),
        "subtitlePadding": 8,
        "subtitleLineHeight": size + 6,
        "offset": 18,
    }
    return spec
