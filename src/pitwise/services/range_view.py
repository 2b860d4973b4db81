"""The ranges of a station's readings: the sheet's, and the shop's laid over them.

Nothing here reads the book; `ranges.py` fills these in.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass


@dataclass(frozen=True)
class RangeLine:
    """A reading's range at a station: the sheet's, and the shop's laid over it.

    Attributes
    ----------
    reading, name, unit : str
        The sheet's own unit; `units` are all that are understood.
    units : tuple of str
    sheet_low, sheet_high : float or None
        Of the trade sheet, in `unit`.
    low, high : float or None
        In force, in `unit`.
    given_low, given_high, given_unit : str
        As the shop typed them; empty where the shop set none.
    reason, by : str
    at : datetime or None
    newest : int
        Id of the newest row of this reading, 0 for none; goes back with the next save.
    """

    reading: str
    name: str
    unit: str
    units: tuple[str, ...]
    sheet_low: float | None
    sheet_high: float | None
    low: float | None
    high: float | None
    given_low: str = ""
    given_high: str = ""
    given_unit: str = ""
    reason: str = ""
    by: str = ""
    at: dt.datetime | None = None
    newest: int = 0


@dataclass(frozen=True)
class RangesView:
    """All ranges of a station."""

    station_id: int
    station: str
    lines: tuple[RangeLine, ...]
    may_change: bool
