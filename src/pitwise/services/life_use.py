"""What the book knows of a part's use: the counters at its fitting and at its end.

Counters are read at inspections. A part fitted or taken out between two readings has the use
of that stretch in part only: how much nobody read, and its life is known to lie between.
"""

from __future__ import annotations

import datetime as dt
import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import Counter, InspectionRow

# Fitted so soon after a reading, the part went in at the same stop (our own choice, no source).
_SAME_STOP = dt.timedelta(hours=1)


@dataclass(frozen=True)
class Use:
    """Use over one fitting, or over all fittings of a part, by one counter.

    Attributes
    ----------
    recorded : float
        As the book counts it: totals at the end less totals at the fitting, >= 0.
    fewer, more : float
        How much less, or more, it may truly be, >= 0; `more` is inf when no reading came since.
    """

    recorded: float
    fewer: float = 0.0
    more: float = 0.0

    def __add__(self, other: Use) -> Use:
        """Add up the use of two fittings."""
        return Use(self.recorded + other.recorded, self.fewer + other.fewer, self.more + other.more)


@dataclass
class _Readings:
    """Readings of one counter of a torch, in the order they were taken."""

    at: list[dt.datetime] = field(default_factory=list)
    total: list[float] = field(default_factory=list)
    by: set[int | None] = field(default_factory=set)

    def after(self, at: dt.datetime) -> float:
        """Return the total at the first reading after a moment; inf when there is none."""
        k = bisect_right(self.at, at)
        return self.total[k] if k < len(self.total) else math.inf

    def at_the_same_stop(self, at: dt.datetime) -> bool:
        k = bisect_right(self.at, at)
        return k > 0 and at - self.at[k - 1] <= _SAME_STOP

    def before(self, at: dt.datetime) -> bool:
        return bool(self.at) and self.at[0] <= at


@dataclass(frozen=True)
class Boundary:
    """When a part went in or came out, the totals then, and the inspection that did it."""

    at: dt.datetime
    starts: float
    minutes: float
    inspection_id: int | None


class Counters:
    """The counter readings of all torches.

    Parameters
    ----------
    rows : sequence of (torch, at, starts read, minutes read, total starts, total minutes,
        inspection)
        In the order they were taken.
    """

    def __init__(
        self,
        rows: Sequence[tuple[int, dt.datetime, bool, bool, float, float, int | None]],
    ) -> None:
        self._starts: dict[int, _Readings] = {}
        self._minutes: dict[int, _Readings] = {}
        self.totals: dict[int, tuple[float, float]] = {}
        for torch, at, starts_read, minutes_read, starts, minutes, inspection in rows:
            self.totals[torch] = (starts, minutes)
            for read, of, total in (
                (starts_read, self._starts, starts),
                (minutes_read, self._minutes, minutes),
            ):
                if not read:
                    continue
                readings = of.setdefault(torch, _Readings())
                readings.at.append(at)
                readings.total.append(total)
                if inspection is not None:
                    readings.by.add(inspection)

    def first_set(self, torch: int, fit: Boundary) -> bool:
        """Tell whether a part was in a torch before either of its counters was first read."""
        return not any(
            readings.before(fit.at) or fit.inspection_id in readings.by
            for of in (self._starts, self._minutes)
            for readings in (of.get(torch, _Readings()),)
        )

    def use(self, torch: int, fit: Boundary, end: Boundary | None) -> tuple[Use, Use]:
        """Return the starts and the arc minutes of one fitting; `end` None while it is in."""
        now = self.totals.get(torch, (fit.starts, fit.minutes))
        return (
            _use(self._starts.get(torch), fit, fit.starts, end, end.starts if end else now[0]),
            _use(self._minutes.get(torch), fit, fit.minutes, end, end.minutes if end else now[1]),
        )


def _use(
    readings: _Readings | None, fit: Boundary, low: float, end: Boundary | None, high: float
) -> Use:
    recorded = max(0.0, high - low)
    if readings is None:
        # Never read: the book has no use of this kind for any part of the torch.
        return Use(recorded, more=math.inf if end else 0.0)
    fewer = 0.0
    if not _read(readings, fit) and readings.before(fit.at):
        # What ran between the last reading and the fitting was not this part's.
        fewer = min(recorded, readings.after(fit.at) - low)
    more = 0.0
    if end is not None and not _read(readings, end):
        more = max(0.0, readings.after(end.at) - high)
    return Use(recorded, fewer, more)


def _read(readings: _Readings, boundary: Boundary) -> bool:
    if boundary.inspection_id is not None:
        return boundary.inspection_id in readings.by
    return readings.at_the_same_stop(boundary.at)


def counters_of(session: Session) -> Counters:
    """Read all counter readings that stand, in one query."""
    rows = session.execute(
        select(
            Counter.torch_id,
            Counter.at,
            Counter.inspection_id,
            Counter.starts,
            Counter.arc_minutes,
            InspectionRow.starts.label("said_starts"),
            InspectionRow.arc_minutes.label("said_minutes"),
            Counter.total_starts,
            Counter.total_minutes,
        )
        .outerjoin(InspectionRow, InspectionRow.id == Counter.inspection_id)
        .where(Counter.void.is_(False))
        .order_by(Counter.at, Counter.id)
    )
    # A counter that was not read carries on what it showed: the inspection tells which were.
    return Counters(
        [
            (
                r.torch_id,
                r.at,
                (r.starts if r.inspection_id is None else r.said_starts) is not None,
                (r.arc_minutes if r.inspection_id is None else r.said_minutes) is not None,
                r.total_starts,
                r.total_minutes,
                r.inspection_id,
            )
            for r in rows
        ]
    )
