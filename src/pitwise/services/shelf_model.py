"""What the shelf's services answer with."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from pitwise.services.shelf_typed import plain_number
from pitwise.shelf.unit_price import plain_price

ItemKind = Literal["part", "kit", "other"]
MovementKind = Literal[
    "goods-in",
    "fitted",
    "taken",
    "scrapped",
    "counted",
    "kit-opened",
    "kit-packed",
    "undone",
]
OrderState = Literal["open", "received", "closed"]


@dataclass(frozen=True)
class Terms:
    """What an item costs at a supplier and how long it takes to come.

    Attributes
    ----------
    id : int
    supplier_id : int
    supplier : str
    price : float
        Of one piece (one kit, for a kit), in `currency`.
    currency : str
        As the shop writes it behind amounts.
    pack : int
        Pieces in a pack; orders go in whole packs.
    least : int
        The fewest pieces the supplier takes an order for.
    lead_days, lead_days_sd : float
        Days from order to goods in, and their standard deviation.
    at : datetime
        Since when the terms hold.
    reason : str
    """

    id: int
    supplier_id: int
    supplier: str
    price: float
    currency: str
    pack: int
    least: int
    lead_days: float
    lead_days_sd: float
    at: dt.datetime
    reason: str = ""

    @property
    def typed(self) -> dict[str, str]:
        """The terms as a form has them, to the last digit typed."""
        return {
            "supplier_id": str(self.supplier_id),
            "price": plain_price(self.price),
            "currency": self.currency,
            "pack": str(self.pack),
            "least": str(self.least),
            "lead_days": plain_number(self.lead_days),
            "lead_days_sd": plain_number(self.lead_days_sd),
        }


@dataclass(frozen=True)
class Rule:
    """How an item is to be kept.

    Attributes
    ----------
    service : float
        Share of the demand to be met from the shelf, and share of the orders that are to come
        before anything is missing; half or more, below 1. Both are asked.
    order_cost : float
        What one order costs, beside the goods.
    hold_rate : float
        What keeping a piece for a year costs, as a share of its price.
    shortage_cost : float or None
        Per piece short; None: not known.
    review_days : float
        Days between looks at the shelf; 0: it is watched always.
    keep_least : int
        Pieces that are to stay on the shelf whatever the sums say.
    of : {"item", "shop", "assumed"}
        Whether the item's own rule holds, the shop's, or none was ever set and these figures
        are assumed.
    """

    service: float
    order_cost: float
    hold_rate: float
    shortage_cost: float | None
    review_days: float
    keep_least: int
    of: Literal["item", "shop", "assumed"]

    @property
    def typed(self) -> dict[str, str]:
        """The rule as a form has it, shares in per cent, to the last digit typed."""
        short = self.shortage_cost
        return {
            "service": plain_number(100 * self.service),
            "order_cost": plain_number(self.order_cost),
            "hold_rate": plain_number(100 * self.hold_rate),
            "shortage_cost": "" if short is None else plain_number(short),
            "review_days": plain_number(self.review_days),
            "keep_least": str(self.keep_least),
        }


# Our own choice, no source; said on screen to be assumed.
ASSUMED_RULE = Rule(0.95, 30.0, 0.20, None, 0.0, 0, "assumed")


@dataclass(frozen=True)
class ItemFields:
    """What can be changed of an item: what it is called, where it lies, whether it is kept."""

    name: str
    code: str
    place: str
    active: bool


@dataclass(frozen=True)
class KitPart:
    """How many pieces of an item one kit holds."""

    item_id: int
    name: str
    code: str
    pieces: int


@dataclass(frozen=True)
class ItemLine:
    """One item of the shelf as it stands.

    Attributes
    ----------
    id : int
    kind : {"part", "kit", "other"}
    name, code, place : str
    active : bool
    part : str or None
        Slug of the part, for an item that is a part type.
    part_type_id : int or None
    on_shelf : int
        The book's figure; below zero when more went out than the book knew of.
    in_kits : int
        Pieces of it in kits on the shelf that are not opened.
    on_order : int
        Pieces ordered and not yet come.
    terms : Terms or None
    rule : Rule
    last_counted_at : datetime or None
    below_zero : bool
        The figure fell below zero and was not counted since: it is not to be trusted, even
        where goods have lifted it above zero again.
    count_again : bool
        It fell below zero, or a correction put pieces back that a count in between may have
        counted already.
    kit : tuple of KitPart
        What a kit holds; empty for anything else.
    """

    id: int
    kind: str
    name: str
    code: str
    place: str
    active: bool
    part: str | None
    part_type_id: int | None
    on_shelf: int
    in_kits: int
    on_order: int
    terms: Terms | None
    rule: Rule
    last_counted_at: dt.datetime | None
    below_zero: bool
    count_again: bool = False
    kit: tuple[KitPart, ...] = ()


@dataclass(frozen=True)
class MovementLine:
    """One line of an item's ledger.

    Attributes
    ----------
    id : int
    at : datetime
    kind : str
        One of `MovementKind`.
    pieces : int
        What the shelf gained; below zero: lost.
    counted : int or None
        For a count: what was counted.
    balance : int
        The book's figure after this line.
    who, note : str
    lot : str or None
    part_tag : str or None
        Of the part that was fitted.
    inspection_id, order_id : int or None
    unit_price : float or None
        Of one piece, in `currency`.
    currency : str or None
    undone_by : int or None
        The line that undid this one.
    may_undo : bool
        Whether the person asking may undo it now.
    below_zero : bool
        The figure fell below zero with it.
    undoes : int or None
        The line this one undid.
    part_item_id : int or None
        The part that was fitted.
    """

    id: int
    at: dt.datetime
    kind: str
    pieces: int
    counted: int | None
    balance: int
    who: str
    note: str
    lot: str | None
    part_tag: str | None
    inspection_id: int | None
    order_id: int | None
    unit_price: float | None
    currency: str | None
    undone_by: int | None
    may_undo: bool
    below_zero: bool
    undoes: int | None = None
    part_item_id: int | None = None


@dataclass(frozen=True)
class Found:
    """What a code or tag belongs to."""

    kind: Literal["item", "part", "order"]
    id: int
    name: str


@dataclass(frozen=True)
class SupplierLine:
    """Somebody the shop buys from."""

    id: int
    name: str
    note: str
    active: bool


@dataclass(frozen=True)
class OrderLine:
    """One item of an order.

    Attributes
    ----------
    id, item_id : int
    name, code : str
        Of the item.
    ordered, received, outstanding : int
        Pieces; more may be received than ordered, and then nothing is outstanding.
    unit_price : float or None
        Of one piece at the time of the order, in `currency`.
    currency : str or None
    expected_on : date or None
        None: no lead time was known.
    late : bool
        Pieces are outstanding and the day is over.
    """

    id: int
    item_id: int
    name: str
    code: str
    ordered: int
    received: int
    outstanding: int
    unit_price: float | None
    currency: str | None
    expected_on: dt.date | None
    late: bool


@dataclass(frozen=True)
class OrderView:
    """An order and what came of it.

    Attributes
    ----------
    id : int
    code : str
        What its label says, such as ``O-0012``.
    supplier_id : int
    supplier : str
    state : {"open", "received", "closed"}
        Received: nothing is outstanding. Closed: somebody closed it, with a reason.
    note : str
    ordered_by : str
    ordered_at : datetime
    closed_by : str or None
    closed_at : datetime or None
    closed_reason : str or None
    lines : tuple of OrderLine
    sums : dict of str to float
        What was ordered is worth, by currency; lines without a price are left out.
    unpriced : int
        Lines without a price.
    """

    id: int
    code: str
    supplier_id: int
    supplier: str
    state: OrderState
    note: str
    ordered_by: str
    ordered_at: dt.datetime
    closed_by: str | None
    closed_at: dt.datetime | None
    closed_reason: str | None
    lines: tuple[OrderLine, ...]
    sums: dict[str, float]
    unpriced: int

    @property
    def outstanding(self) -> int:
        """Pieces still to come; none of a closed order."""
        return 0 if self.state == "closed" else sum(line.outstanding for line in self.lines)

    @property
    def late(self) -> bool:
        """Whether anything that was expected has not come."""
        return self.state == "open" and any(line.late for line in self.lines)
