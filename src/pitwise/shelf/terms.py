"""What an order takes, how an item is to be kept, and that no advice can be given."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Buying:
    """What an order takes.

    Attributes
    ----------
    price : float
        Of a piece, >= 0.
    pack, least : int
        Pieces in a pack; fewest pieces of an order.
    lead_days, lead_days_sd : float
        Days from order to shelf, and their SD.
    """

    price: float
    pack: int
    least: int
    lead_days: float
    lead_days_sd: float


@dataclass(frozen=True)
class Keeping:
    """How the item is to be kept.

    Attributes
    ----------
    service : float
        Share of demand to be met at once, and of orders to come before anything is missing,
        in (0, 1).
    order_cost : float
        Of one order.
    hold_rate : float
        Cost of keeping a piece for a year, as a share of its price.
    shortage_cost : float or None
        Of a piece short.
    review_days : float
        Days between looks at the shelf; 0: every day.
    keep_least : int
        Pieces never to be planned with.
    """

    service: float
    order_cost: float
    hold_rate: float
    shortage_cost: float | None = None
    review_days: float = 0.0
    keep_least: int = 0


def in_packs(pieces: int, buying: Buying) -> int:
    """Round up to whole packs and the least order."""
    return math.ceil(max(pieces, buying.least, 1) / buying.pack) * buying.pack
