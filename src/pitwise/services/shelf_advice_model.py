"""What the shelf's advice answers with."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from pitwise.services.shelf_model import ItemLine
from pitwise.shelf.advice import Advice
from pitwise.shelf.floor import FloorAdvice
from pitwise.shelf.stock_left import Band
from pitwise.wear.cant_tell import CantTell

Level = Literal["short", "order-now", "count-it", "late", "no-terms"]


@dataclass(frozen=True)
class Week:
    """Pieces that go in a week from today on: 5 %, 50 %, 95 % points; and in all until its end.

    Attributes
    ----------
    first_day : date
    pieces, running : Band
    """

    first_day: dt.date
    pieces: Band
    running: Band


@dataclass(frozen=True)
class ItemAdvice:
    """An item with what is forecast and advised for it.

    Attributes
    ----------
    item : ItemLine
    advice : Advice or FloorAdvice or CantTell
        By the forecast; by the pieces always to be kept where there is none.
    days_left : Band or None
        Days until the first piece is missing, with what is on order and no new one; inf:
        beyond `horizon_days`. None: no demand is known.
    left_words : str
        The same in words; empty for None.
    words : tuple of str
        The advice in sentences, what to do first; for `CantTell` its reason and mend.
    basis : tuple of str
        What the forecast rests on.
    weeks : tuple of Week
    month : Band or None
        Pieces that go in four weeks.
    covered_by : str
        Name of the kit it is bought in, or, of a kit, "" ; empty: bought by itself.
    by_day : date or None
        By when to order, where there is something to order this week.
    horizon_days : int
    torches : tuple of str
        That use it.
    coming : tuple of (int, float)
        Pieces on order, and in how many days they come.
    """

    item: ItemLine
    advice: Advice | FloorAdvice | CantTell
    days_left: Band | None
    left_words: str
    words: tuple[str, ...]
    basis: tuple[str, ...]
    weeks: tuple[Week, ...]
    month: Band | None
    covered_by: str
    by_day: dt.date | None
    horizon_days: int
    torches: tuple[str, ...]
    coming: tuple[tuple[int, float], ...] = ()

    @property
    def order_now(self) -> int:
        """Pieces to order this week; 0 where there is nothing to order or no telling."""
        return 0 if isinstance(self.advice, CantTell) else self.advice.order_now

    @property
    def count_first(self) -> bool:
        """Whether the book's figure may not be right: it is counted before anything is ordered."""
        return self.item.below_zero or self.item.count_again


@dataclass(frozen=True)
class Alert:
    """Something about an item that can't wait.

    Attributes
    ----------
    level : {"short", "order-now", "count-it", "late", "no-terms"}
    item_id : int
    words : str
        With the item's name.
    by_day : date or None
    name, said : str
        The item's name and the words, apart.
    """

    level: Level
    item_id: int
    words: str
    by_day: dt.date | None
    name: str = ""
    said: str = ""


@dataclass(frozen=True)
class StockDay:
    """What is on the shelf at a day's beginning, nothing new ordered; below 0: short."""

    day: dt.date
    level: Band


def stock_ahead(own: ItemAdvice) -> list[StockDay]:
    """Return what is left of an item from week to week when nothing new is ordered."""
    if not own.weeks:
        return []
    there = float(own.item.on_shelf + own.item.in_kits)
    today = own.weeks[0].first_day
    out = [StockDay(today, Band(there, there, there))]
    for k, week in enumerate(own.weeks, 1):
        come = sum(pieces for pieces, day in own.coming if day <= 7 * k)
        gone = week.running
        out.append(
            StockDay(
                today + dt.timedelta(days=7 * k),
                Band(there + come - gone.p95, there + come - gone.median, there + come - gone.p05),
            )
        )
    return out
