"""Planned and usual work as the services answer with it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class PlannedLine:
    """Plates of a program planned on a torch.

    Attributes
    ----------
    id, torch_id, program_id, plates : int
    torch, program, note, by : str
    first_day, last_day : date
    at : datetime
    starts, arc_minutes : float or None
        Of one plate, as the torch's station counts it; None where it can't be counted.
    problem : str
        Why not; empty when counted.
    """

    id: int
    torch_id: int
    torch: str
    program_id: int
    program: str
    plates: int
    first_day: dt.date
    last_day: dt.date
    note: str
    by: str
    at: dt.datetime
    starts: float | None
    arc_minutes: float | None
    problem: str

    @property
    def counted(self) -> bool:
        """Whether its starts can be counted."""
        return self.starts is not None and self.arc_minutes is not None

    def plates_from(self, day: dt.date) -> float:
        """Return the plates still to be cut from a day on, spread evenly over its days."""
        days = (self.last_day - self.first_day).days + 1
        left = (self.last_day - max(day, self.first_day)).days + 1
        return self.plates * max(0, left) / days


@dataclass(frozen=True)
class Ahead:
    """What is planned on a torch, by day from today on; ends with the last plan.

    Attributes
    ----------
    starts, arc_minutes : tuple of float
        Of each day; plates are spread evenly over the days of their plan.
    """

    starts: tuple[float, ...]
    arc_minutes: tuple[float, ...]


def ahead_of(plans: Sequence[PlannedLine], day: dt.date) -> Ahead:
    """Spread plans over the days from `day` on; those that can't be counted are left out."""
    starts: dict[int, float] = {}
    minutes: dict[int, float] = {}
    for plan in plans:
        if plan.starts is None or plan.arc_minutes is None or plan.last_day < day:
            continue
        first = max(0, (plan.first_day - day).days)
        last = (plan.last_day - day).days
        each = plan.plates_from(day) / (last - first + 1)
        for k in range(first, last + 1):
            starts[k] = starts.get(k, 0.0) + each * plan.starts
            minutes[k] = minutes.get(k, 0.0) + each * plan.arc_minutes
    reach = range(max(starts, default=-1) + 1)
    return Ahead(
        tuple(starts.get(k, 0.0) for k in reach), tuple(minutes.get(k, 0.0) for k in reach)
    )


@dataclass(frozen=True)
class BaseLoad:
    """A torch's usual work a day.

    Attributes
    ----------
    starts_per_day, minutes_per_start : float
    sd : float
        SD of a day's starts.
    level_se, level_df : float
        How well `starts_per_day` is known.
    days_seen : float
        Days of the counters it rests on; 0 when the shop set it.
    of : {"counters", "shop"}
    reason, by : str
        Of the shop's own figure; empty otherwise.
    at : datetime or None
        When the shop set it; None otherwise.
    """

    starts_per_day: float
    minutes_per_start: float
    sd: float
    level_se: float
    level_df: float
    days_seen: float
    of: Literal["counters", "shop"]
    reason: str = ""
    by: str = ""
    at: dt.datetime | None = None


@dataclass(frozen=True)
class NoLoad:
    """The usual work can't be told; falsy, with why and the mend."""

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Return False: there is no load."""
        return False
