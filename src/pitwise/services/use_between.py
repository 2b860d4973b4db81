"""How much torches were used between two moments, by torch and process, from the counters.

Counters are read at inspections: between two readings the use is spread evenly over the time,
so that a month's end within a stretch parts it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import Counter, InspectionRow
from pitwise.services.usual_process import usual_processes


@dataclass(frozen=True)
class UseOver:
    """Use in a stretch of time; parts of a start come from parting a stretch."""

    starts: float = 0.0
    arc_minutes: float = 0.0

    def __add__(self, other: UseOver) -> UseOver:
        """Add two up."""
        return UseOver(self.starts + other.starts, self.arc_minutes + other.arc_minutes)

    def __bool__(self) -> bool:
        """Tell whether there was any."""
        return self.starts > 0 or self.arc_minutes > 0


@dataclass(frozen=True)
class UseTable:
    """Use by torch and process.

    Attributes
    ----------
    of : mapping of (torch, process) ids to UseOver
    read_until : datetime or None
        The last reading within or before the period's end; later use is not in it.
    """

    of: Mapping[tuple[int, int], UseOver]
    read_until: dt.datetime | None

    def total(self, *, torch: int | None = None, process: int | None = None) -> UseOver:
        """Return the use of a torch, of a process, or of all."""
        out = UseOver()
        for (t, p), use in self.of.items():
            if torch in (None, t) and process in (None, p):
                out = out + use
        return out


def use_between(session: Session, since: dt.datetime, until: dt.datetime) -> UseTable:
    """Return the use of all torches from `since` up to `until`.

    A stretch belongs to the process of the inspection that ended it; one that a reading without
    an inspection ended, to the torch's usual process then.
    """
    rows = session.execute(
        select(
            Counter.torch_id,
            Counter.at,
            Counter.total_starts,
            Counter.total_minutes,
            InspectionRow.process_id,
        )
        .outerjoin(InspectionRow, InspectionRow.id == Counter.inspection_id)
        .where(Counter.void.is_(False))
        .order_by(Counter.torch_id, Counter.at, Counter.id)
    )
    out: dict[tuple[int, int], UseOver] = {}
    last: dict[int, tuple[dt.datetime, int, float]] = {}
    read_until = None
    usual = usual_processes(session)
    for torch, at, starts, minutes, process in rows:
        begun, before_starts, before_minutes = last.get(torch, (at, starts, minutes))
        last[torch] = (at, starts, minutes)
        if at < until and (read_until is None or at > read_until):
            read_until = at
        share = _share(begun, at, since, until)
        if share > 0:
            key = (torch, process or usual.at(torch, at))
            out[key] = out.get(key, UseOver()) + UseOver(
                share * max(0, starts - before_starts), share * max(0.0, minutes - before_minutes)
            )
    return UseTable(out, read_until)


def _share(begun: dt.datetime, ended: dt.datetime, since: dt.datetime, until: dt.datetime) -> float:
    """Return which share of a stretch lies in the period."""
    whole = (ended - begun).total_seconds()
    if whole <= 0:
        return 1.0 if since <= ended < until else 0.0
    inside = (min(ended, until) - max(begun, since)).total_seconds()
    return max(0.0, inside) / whole
