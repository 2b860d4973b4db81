"""What pieces always to be kept ask for, where no forecast can be made."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pitwise.shelf.terms import Buying, in_packs
from pitwise.wear.cant_tell import CantTell


@dataclass(frozen=True)
class FloorAdvice:
    """What pieces always to be kept ask for, where no forecast can be made.

    Attributes
    ----------
    keep_least : int
        Pieces always to be kept, > 0.
    order_now : int
        Pieces to order today, in whole packs; 0 where enough are there and on order.
    on_shelf, on_order : int
    by_day : float
        0 with something to order; inf else.
    cant_tell : CantTell
        Why there is no forecast.
    """

    keep_least: int
    order_now: int
    on_shelf: int
    on_order: int
    by_day: float
    cant_tell: CantTell


def advise_by_floor(
    cant_tell: CantTell, *, on_shelf: int, on_order: int, buying: Buying, keep_least: int
) -> FloorAdvice:
    """Say what to order so that the pieces always to be kept are there.

    Parameters
    ----------
    cant_tell : CantTell
        Why there is no forecast.
    on_shelf, on_order : int
        A book's figure below zero counts as none.
    buying : Buying
    keep_least : int
        > 0.
    """
    short = keep_least - max(0, on_shelf) - on_order
    pieces = in_packs(short, buying) if short > 0 else 0
    return FloorAdvice(
        keep_least, pieces, on_shelf, on_order, 0.0 if pieces else math.inf, cant_tell
    )
