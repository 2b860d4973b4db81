"""Where a chart's labels go, so that none runs into a line or another label."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from .model import COVERAGE, EarlierElectrode, LimitLine, PitPoint

Box = tuple[float, float, float, float]
_LETTER = 0.62  # of the type size: a little wider than the typeface's mean


@dataclass(frozen=True)
class Frame:
    """The chart's extent; pixel places are near enough to keep labels apart.

    Attributes
    ----------
    width, height : int
        Of the whole picture, px.
    x_top : float
        Starts at the right edge.
    y_low, y_top : float
        Depth at the lower and upper edge, mm.
    size : int
        Type size, px.
    """

    width: int
    height: int
    x_top: float
    y_low: float
    y_top: float
    size: int

    def px(self, starts: float) -> float:
        """Return the place across of a number of starts, px."""
        return 46 + starts / self.x_top * (self.width - 60)

    def py(self, depth_mm: float) -> float:
        """Return the place down of a depth, px."""
        return 44 + (self.y_top - depth_mm) / self.mm_per_px

    @property
    def mm_per_px(self) -> float:
        """Depth that one px stands for."""
        return (self.y_top - self.y_low) / (self.height - 96)

    def reach(self, words: str) -> float:
        """Return about how wide words run, px."""
        return _LETTER * self.size * len(words)


def _meets(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _obstacles(
    points: Sequence[PitPoint], limits: Sequence[LimitLine], last_words: str, frame: Frame
) -> list[Box]:
    """Boxes of everything drawn in ink: limits and their words, readings, bars, the course."""
    size = frame.size
    boxes: list[Box] = []
    for limit in limits:
        y = frame.py(limit.depth_mm)
        boxes.append((0, y - 4, frame.width, y + 4))
        boxes.append((46, y - size - 8, 56 + frame.reach(limit.words), y + size + 8))
    for p in points:
        x, bar = frame.px(p.starts), COVERAGE * (p.u_mm or 0)
        boxes.append((x - 7, frame.py(p.depth_mm + bar) - 6, x + 7, frame.py(p.depth_mm - bar) + 6))
    for a, b in pairwise(points):
        for step in range(31):
            share = step / 30
            x = frame.px(a.starts + share * (b.starts - a.starts))
            y = frame.py(a.depth_mm + share * (b.depth_mm - a.depth_mm))
            boxes.append((x - 3, y - 3, x + 3, y + 3))
    x, y = frame.px(points[-1].starts), frame.py(points[-1].depth_mm)
    boxes.append((x, y - size * 0.7, x + 14 + frame.reach(last_words), y + size * 0.7))
    return boxes


def place_tags(
    earlier: Iterable[EarlierElectrode],
    points: Sequence[PitPoint],
    limits: Sequence[LimitLine],
    last_words: str,
    frame: Frame,
) -> list[tuple[str, float, float]]:
    """Place each earlier electrode's tag at the end of its line, or near it.

    Parameters
    ----------
    earlier : iterable of EarlierElectrode
        Oldest first; the newest is placed first. One that finds no room is left out.
    points, limits, last_words
        What else stands in the picture.
    frame : Frame

    Returns
    -------
    list of (str, float, float)
        Tag, and the starts and depth (mm) its left middle stands at.
    """
    boxes = _obstacles(points, limits, last_words, frame)
    size = frame.size
    out = []
    for e in reversed(tuple(earlier)):
        end = e.points[-1]
        x, y = frame.px(end.starts) + 5, frame.py(end.depth_mm)
        wide = frame.reach(e.tag)
        for shift in (0.0, 0.7, -0.7, 1.2, -1.2, 1.7):
            middle = y + shift * size
            box = (x, middle - 0.55 * size, x + wide, middle + 0.55 * size)
            inside = box[2] < frame.width and box[1] > 40 and box[3] < frame.height - 52
            if inside and not any(_meets(box, other) for other in boxes):
                boxes.append(box)
                out.append((e.tag, end.starts, end.depth_mm - shift * size * frame.mm_per_px))
                break
    return out
