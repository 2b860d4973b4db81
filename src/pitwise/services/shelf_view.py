"""What the shelf's pages show, gathered in one go."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import select

from pitwise.records.shelf_tables import ShelfOrder, ShelfOrderLine
from pitwise.services import shelf_items, shelf_ledger, shelf_orders
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import (
    ItemLine,
    MovementLine,
    OrderView,
    Rule,
    SupplierLine,
    Terms,
)
from pitwise.services.shelf_terms import shop_currency
from pitwise.services.shopfloor import Shop

State = Literal["enough", "order-now", "short", "none-left", "count-it", "no-terms", "cant-tell"]


@dataclass(frozen=True)
class Row:
    """An item as the list of the shelf shows it.

    Attributes
    ----------
    line : ItemLine
    state : str
        A key of `reports.drawing.STOCK_WORDS`.
    days_left : tuple of float or None
        Days until it is short: early, middle and late (5 %, 50 %, 95 %); None: can't be told.
    said : str
        Why, in one sentence; may be empty.
    """

    line: ItemLine
    state: State
    days_left: tuple[float, float, float] | None = None
    said: str = ""


@dataclass(frozen=True)
class Open:
    """A line of an order whose goods have not all come."""

    line_id: int
    order_id: int
    code: str
    outstanding: int
    expected_on: dt.date | None


@dataclass(frozen=True)
class Ledger:
    """One page of an item's ledger, newest line first."""

    lines: tuple[MovementLine, ...]
    page: int
    pages: int


@dataclass(frozen=True)
class NewType:
    """A part type in use that is not on the shelf yet."""

    id: int
    part: str
    name: str


@dataclass(frozen=True)
class Notice:
    """Something to do about an item, said first on the list.

    Attributes
    ----------
    level : str
        A key of `reports.drawing.STOCK_WORDS`.
    item_id : int
    name, words : str
    by_day : date or None
    """

    level: State
    item_id: int
    name: str
    words: str
    by_day: dt.date | None


@dataclass(frozen=True)
class ShelfPage:
    """The list of the shelf."""

    alerts: tuple[Notice, ...]
    rows: tuple[Row, ...]
    missing: tuple[NewType, ...]
    hidden: int


@dataclass(frozen=True)
class ItemPage:
    """All of one item.

    Attributes
    ----------
    row : Row
    lots : tuple of (lot or None, pieces)
        What is on the shelf, oldest first.
    terms : tuple of Terms
        Newest first; the first one holds.
    ledger : Ledger
    last : MovementLine or None
        The newest line that the person asking may undo.
    coming : tuple of Open
        Oldest first.
    suppliers : tuple of SupplierLine
    in_kits : tuple of ItemLine
        Kits that hold it.
    """

    row: Row
    lots: tuple[tuple[str | None, int], ...]
    terms: tuple[Terms, ...]
    ledger: Ledger
    last: MovementLine | None
    coming: tuple[Open, ...]
    suppliers: tuple[SupplierLine, ...]
    in_kits: tuple[ItemLine, ...]


def state_of(line: ItemLine) -> State:
    """Return how an item stands by the ledger and its terms alone."""
    if line.below_zero or line.count_again:
        return "count-it"
    if line.on_shelf + line.in_kits <= 0:
        return "none-left"
    if line.terms is None:
        return "no-terms"
    return "cant-tell"


def _row(line: ItemLine) -> Row:
    return Row(line, state_of(line))


def _matches(line: ItemLine, find: str) -> bool:
    text = f"{line.name} {line.code} {line.place} {line.part or ''}".casefold()
    return all(word in text for word in find.casefold().split())


def shelf_page(shop: Shop, actor: Actor, *, find: str = "", inactive: bool = False) -> ShelfPage:
    """Return the list of the shelf, by place and name.

    Parameters
    ----------
    shop, actor
    find : str
        Words that are all to be in an item's name, code, place or part.
    inactive : bool
        Whether items no longer kept are shown too.
    """
    require(actor, "shelf")
    lines = shelf_items.item_lines(shop, actor, inactive=True)
    shown = [x for x in lines if (inactive or x.active) and _matches(x, find)]
    with shop.database.read() as session:
        missing = tuple(
            NewType(t.id, t.part, t.name) for t in shelf_items.missing_types(session)
        )
    rows = [_row(x) for x in shown]
    rows.sort(key=lambda r: (r.line.place.casefold(), r.line.name.casefold()))
    hidden = sum(not x.active for x in lines)
    return ShelfPage((), tuple(rows), missing, hidden)


def item_page(shop: Shop, actor: Actor, item_id: int, *, page: int = 1) -> ItemPage:
    """Return all of one item.

    Raises
    ------
    NotFoundError
        There is no such item.
    """
    require(actor, "shelf")
    with shop.database.read() as session:
        line = shelf_items.item_line(session, item_id)
        lots = tuple(shelf_ledger.lots(session, item_id))
        terms = tuple(sorted(shelf_items.all_terms(session, item_id), key=lambda t: -t.id))
        suppliers = tuple(shelf_items.suppliers(session))
        orders = session.execute(
            select(ShelfOrder.id)
            .join(ShelfOrderLine, ShelfOrderLine.order_id == ShelfOrder.id)
            .where(ShelfOrderLine.item_id == item_id, ShelfOrder.state == "open")
            .order_by(ShelfOrder.id)
        ).scalars()
        numbers = list(orders)
    pages = shelf_ledger.movement_pages(shop, actor, item_id)
    page = min(page, pages)
    moves = tuple(shelf_ledger.movements(shop, actor, item_id, page))
    newest = moves if page == 1 else tuple(shelf_ledger.movements(shop, actor, item_id, 1))
    last = next((m for m in newest[:1] if m.may_undo), None)
    coming = _coming([shelf_orders.order_view(shop, actor, n) for n in numbers], item_id)
    kits = [
        x
        for x in shelf_items.item_lines(shop, actor)
        if x.kind == "kit" and any(k.item_id == item_id for k in x.kit)
    ]
    ledger = Ledger(moves, page, pages)
    return ItemPage(_row(line), lots, terms, ledger, last, coming, suppliers, tuple(kits))


def _coming(orders: Sequence[OrderView], item_id: int) -> tuple[Open, ...]:
    return tuple(
        Open(x.id, o.id, o.code, x.outstanding, x.expected_on)
        for o in orders
        for x in o.lines
        if x.item_id == item_id and x.outstanding > 0
    )


def usual_currency(shop: Shop, actor: Actor) -> str:
    """Return what the shop writes behind amounts; empty where it never set any."""
    require(actor, "shelf")
    with shop.database.read() as session:
        return shop_currency(session) or ""


def count_round(shop: Shop, actor: Actor) -> tuple[ShelfPage, frozenset[int]]:
    """Return the list to count along, and the items that were counted within a day."""
    view = shelf_page(shop, actor)
    since = shop.clock() - dt.timedelta(hours=24)
    done = frozenset(
        r.line.id
        for r in view.rows
        if r.line.last_counted_at is not None
        and r.line.last_counted_at >= since
        and not (r.line.below_zero or r.line.count_again)
    )
    return view, done


@dataclass(frozen=True)
class SetupPage:
    """Suppliers, and the rule of all items that have none of their own."""

    suppliers: tuple[SupplierLine, ...]
    rule: Rule


def setup_page(shop: Shop, actor: Actor) -> SetupPage:
    """Return the suppliers and the shop's rule."""
    require(actor, "shelf")
    with shop.database.read() as session:
        everybody = tuple(shelf_items.suppliers(session, inactive=True))
        return SetupPage(everybody, shelf_items.rule_of(session, None))
