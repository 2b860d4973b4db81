"""What a pit chart is made from, checked, and the sentence that says what it shows."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

#: Bars are this many standard uncertainties to either side.
COVERAGE = 2.0


@dataclass(frozen=True)
class PitPoint:
    """One reading of a pit, or the mean of repeats.

    Attributes
    ----------
    starts : float
        Starts on this electrode when it was read, >= 0.
    depth_mm : float
        Depth, mm.
    u_mm : float or None
        Standard uncertainty of `depth_mm`, mm, >= 0; None when none is known.
    at : datetime.datetime
        When it was read.
    """

    starts: float
    depth_mm: float
    u_mm: float | None
    at: dt.datetime


@dataclass(frozen=True)
class LimitLine:
    """A limit as the chart draws it.

    Attributes
    ----------
    depth_mm : float
        Where the line stands, mm.
    compare : {">", ">="}
        Whether the part is replaced above the limit, or at and above it.
    quoted : str
        The limit as its source quotes it, "1.0 mm / 40 thou".
    """

    depth_mm: float
    compare: Literal[">", ">="]
    quoted: str

    @property
    def words(self) -> str:
        """The limit in words, as its line is labelled."""
        side = "above" if self.compare == ">" else "at or above"
        return f"Replace {side} {self.quoted}"


@dataclass(frozen=True)
class EarlierElectrode:
    """An electrode that was in the same torch before, for comparison.

    Attributes
    ----------
    tag : str
        What it is called in the book.
    points : tuple of PitPoint
    """

    tag: str
    points: tuple[PitPoint, ...]


@dataclass(frozen=True)
class NoReadings:
    """There is nothing to draw; falsy, and says why in words fit for a page."""

    reason: str = "No pit readings yet."

    def __bool__(self) -> bool:
        """Return False: there is no chart."""
        return False


def checked(points: Iterable[PitPoint]) -> tuple[PitPoint, ...]:
    """Return readings by starts; a ValueError names one that can't be drawn."""
    out = tuple(sorted(points, key=lambda p: (p.starts, p.at)))
    for p in out:
        if not math.isfinite(p.starts) or p.starts < 0:
            raise ValueError(f"starts must be 0 or more, got {p.starts}")
        if not math.isfinite(p.depth_mm):
            raise ValueError(f"depth_mm must be a number, got {p.depth_mm}")
        if p.u_mm is not None and (not math.isfinite(p.u_mm) or p.u_mm < 0):
            raise ValueError(f"u_mm must be 0 or more, got {p.u_mm}")
    return out


def depth_words(value: float) -> str:
    """Return a depth (mm) as charts write it."""
    return f"{value:.2f} mm"


def _with_bar(p: PitPoint) -> str:
    bar = "" if p.u_mm is None else f" ± {depth_words(COVERAGE * p.u_mm)}"
    return f"{depth_words(p.depth_mm)}{bar}"


def _count(number: int, one: str) -> str:
    return f"{number} {one}" if number == 1 else f"{number} {one}s"


def describe(
    points: Sequence[PitPoint],
    limits: Sequence[LimitLine],
    earlier: Sequence[EarlierElectrode] = (),
    *,
    name: str = "",
) -> str:
    """Say in one sentence what the chart shows, for those who can't see it.

    Parameters
    ----------
    points, limits, earlier
        As for `pit_chart`; `points` not empty, by starts.
    name : str
        What the electrode is called.

    Returns
    -------
    str
    """
    of = f" of {name}" if name else ""
    last = points[-1]
    parts = [f"Pit depth{of} against starts: {_count(len(points), 'reading')}"]
    if len(points) > 1:
        parts[0] += f", from {_with_bar(points[0])} at {points[0].starts:,.0f} starts"
        parts[0] += f" to {_with_bar(last)} at {last.starts:,.0f} starts"
    else:
        parts[0] += f", {_with_bar(last)} at {last.starts:,.0f} starts"
    parts += [limit.words[0].lower() + limit.words[1:] for limit in limits]
    if earlier:
        parts.append(f"{_count(len(earlier), 'earlier electrode')} of the same torch to compare")
    return "; ".join(parts) + "."
