"""What to order this week, by supplier; and placing it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from pitwise.services.errors import ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.order_seen import Seen, seen_of
from pitwise.services.permissions import Actor, require
from pitwise.services.planned_work import today_of
from pitwise.services.shelf_advice import all_advice
from pitwise.services.shelf_advice_model import ItemAdvice
from pitwise.services.shelf_advice_words import count_words, order_words
from pitwise.services.shelf_orders import place_order
from pitwise.services.shopfloor import Shop
from pitwise.services.study_files import csv_text, safe_cell
from pitwise.shelf.unit_price import plain_price
from pitwise.wear.cant_tell import CantTell

COLUMNS = (
    "supplier",
    "item",
    "code",
    "pieces",
    "packs",
    "pieces_in_pack",
    "unit_price",
    "sum",
    "currency",
    "order_by",
    "why",
)
_MOST_PIECES = 100_000


@dataclass(frozen=True)
class OrderRow:
    """An item to order.

    Attributes
    ----------
    item_id : int
    name, code : str
    pieces, packs, pack : int
        Pieces to order, in so many packs of `pack` pieces.
    price, sum : float
        Of a piece, and of all.
    needed_by : date
        By when to order.
    why : str
        In one sentence.
    assumed : bool
        Reckoned with an assumed rule: nobody set one.
    seen : Seen
        What all that rests on; sent along with the order.
    """

    item_id: int
    name: str
    code: str
    pieces: int
    packs: int
    pack: int
    price: float
    sum: float
    needed_by: dt.date
    why: str
    assumed: bool
    seen: Seen


@dataclass(frozen=True)
class SupplierOrder:
    """What to order from one supplier.

    Attributes
    ----------
    supplier_id : int
    supplier, currency : str
    rows : tuple of OrderRow
        The most urgent first.
    total : float
    """

    supplier_id: int
    supplier: str
    currency: str
    rows: tuple[OrderRow, ...]
    total: float

    @property
    def needed_by(self) -> dt.date:
        """By when the first of them is to be ordered."""
        return min(r.needed_by for r in self.rows)


@dataclass(frozen=True)
class NotListed:
    """An item of which nobody can say whether to order it, and why."""

    item_id: int
    name: str
    reason: str
    mend: str


@dataclass(frozen=True)
class OrderList:
    """What to order this week.

    Attributes
    ----------
    day : date
        It was made on.
    suppliers : tuple of SupplierOrder
        The most urgent first; one for each currency where a supplier has several.
    not_listed : tuple of NotListed
    kept : int
        Items looked at.
    next_day : date or None
        When the next order is likely due, of what is not listed; None: not within the
        forecast.
    """

    day: dt.date
    suppliers: tuple[SupplierOrder, ...]
    not_listed: tuple[NotListed, ...]
    kept: int
    next_day: dt.date | None

    @property
    def items(self) -> int:
        """How many items are listed."""
        return sum(len(s.rows) for s in self.suppliers)


def order_list(shop: Shop, actor: Actor) -> OrderList:
    """Return what to order this week, by supplier."""
    return list_of(all_advice(shop, actor), today_of(shop))


def list_of(advised: Sequence[ItemAdvice], day: dt.date) -> OrderList:
    """Return the order list of advice at hand."""
    rows: dict[tuple[int, str, str], list[OrderRow]] = {}
    missing: list[NotListed] = []
    later: list[float] = []
    for own in advised:
        item, advice, terms = own.item, own.advice, own.item.terms
        if isinstance(advice, CantTell):
            if not own.covered_by:
                missing.append(NotListed(item.id, item.name, advice.reason, advice.mend))
            continue
        if not advice.order_now or terms is None:
            later.append(advice.by_day)
            continue
        if own.count_first:
            # No money is spent on a figure that may be wrong; its advice stands below.
            missing.append(NotListed(item.id, item.name, *count_words(own)))
            continue
        pieces = advice.order_now
        row = OrderRow(
            item.id,
            item.name,
            item.code,
            pieces,
            pieces // terms.pack,
            terms.pack,
            terms.price,
            pieces * terms.price,
            own.by_day or day,
            order_words(own, day),
            item.rule.of == "assumed",
            seen_of(item),
        )
        rows.setdefault((terms.supplier_id, terms.supplier, terms.currency), []).append(row)
    orders = [
        SupplierOrder(
            ident,
            supplier,
            currency,
            tuple(sorted(own, key=lambda r: (r.needed_by, r.name))),
            sum(r.sum for r in own),
        )
        for (ident, supplier, currency), own in rows.items()
    ]
    orders.sort(key=lambda o: (o.needed_by, o.supplier, o.currency))
    soonest = min(later, default=float("inf"))
    return OrderList(
        day,
        tuple(orders),
        tuple(missing),
        len(advised),
        day + dt.timedelta(days=int(soonest)) if soonest < float("inf") else None,
    )


def order_list_csv(found: OrderList) -> str:
    """Return the list as CSV, our own columns (`COLUMNS`)."""
    rows = [
        [
            safe_cell(order.supplier),
            safe_cell(row.name),
            safe_cell(row.code),
            row.pieces,
            row.packs,
            row.pack,
            plain_price(row.price),
            f"{row.sum:.2f}",
            safe_cell(order.currency),
            row.needed_by.isoformat(),
            safe_cell(row.why),
        ]
        for order in found.suppliers
        for row in order.rows
    ]
    return csv_text([COLUMNS, *rows])


def place_listed(
    shop: Shop,
    actor: Actor,
    *,
    supplier_id: int,
    pieces: Mapping[int, str],
    seen: Mapping[int, Seen],
    key: str,
) -> int:
    """Place an order of listed items, as many as somebody left standing in the form.

    Parameters
    ----------
    supplier_id : int
    pieces : mapping of int to str
        By item, as typed; empty or 0 leaves it out.
    seen : mapping of int to Seen
        By item, what the list showed.
    key : str
        Made on the tablet: the same key is the same order.

    Returns
    -------
    int
        The order's number.

    Raises
    ------
    ServiceError
        Nothing is left to order, or a number that can't be; then nothing is ordered.
    ConflictError
        Something moved since the list was shown: what is on order or on the shelf, the
        price, its currency, or whom it is bought from.
    """
    require(actor, "edit-shelf")
    lines = []
    for item, typed in pieces.items():
        number = whole_number("pieces", typed, high=_MOST_PIECES)
        if number:
            lines.append((item, number))
    if not lines:
        raise ServiceError("pieces", "nothing is left to order", "write how many of one item")
    return place_order(shop, actor, supplier_id=supplier_id, lines=lines, key=key, seen=seen)


def plain_list(found: OrderList) -> dict[str, object]:
    """Return the list as plain data, for JSON and for print."""
    return {
        "day": found.day.isoformat(),
        "suppliers": [
            {
                "supplier": order.supplier,
                "currency": order.currency,
                "order_by": order.needed_by.isoformat(),
                "total": round(order.total, 2),
                "items": [
                    {
                        "item": row.name,
                        "code": row.code,
                        "pieces": row.pieces,
                        "packs": row.packs,
                        "pieces_in_pack": row.pack,
                        "unit_price": row.price,
                        "sum": round(row.sum, 2),
                        "order_by": row.needed_by.isoformat(),
                        "why": row.why,
                        "rule_assumed": row.assumed,
                    }
                    for row in order.rows
                ],
            }
            for order in found.suppliers
        ],
        "not_listed": [
            {"item": x.name, "reason": x.reason, "mend": x.mend} for x in found.not_listed
        ],
        "next_day": found.next_day.isoformat() if found.next_day else None,
    }
