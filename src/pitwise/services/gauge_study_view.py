"""What pages see of a gauge study that runs: how far it is and what comes next, no value."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pitwise.services.study_order import Slot


@dataclass(frozen=True)
class GaugeNow:
    """A gauge of the shop as it stands on the bench."""

    id: int
    name: str
    unit: str
    u_mm: float
    source: str


@dataclass(frozen=True)
class StudyLine:
    """A study in the list."""

    id: int
    name: str
    about: str
    state: str
    done: int
    total: int
    by: str
    at: dt.datetime


@dataclass(frozen=True)
class PersonDone:
    """How far one person has got."""

    name: str
    done: int
    total: int


@dataclass(frozen=True)
class LastTaken:
    """The reading somebody took last, without its value."""

    id: int
    slot: Slot
    who: str


@dataclass(frozen=True)
class GaugeStudyView:
    """A study as its page shows it; no value is in it."""

    id: int
    name: str
    unit: str
    tolerance_mm: float | None
    parts: int
    trials: int
    people: tuple[str, ...]
    state: str
    opened_by: str
    opened_at: dt.datetime
    closed_by: str | None
    closed_at: dt.datetime | None
    gauge: GaugeNow | None
    done: tuple[PersonDone, ...]
    taken: frozenset[Slot]
    total: int
    place: int | None
    slot: Slot | None
    skipped: tuple[int, ...]
    last: LastTaken | None
    mine: tuple[LastTaken, ...]
    may_discard: bool
    may_adopt: bool

    @property
    def complete(self) -> bool:
        """Whether every reading is in."""
        return len(self.taken) == self.total


@dataclass(frozen=True)
class Doubt:
    """A question about a reading that was not kept yet."""

    slot: Slot
    place: int
    text: str
    typed: str
