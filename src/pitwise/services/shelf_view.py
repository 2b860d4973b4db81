"""What the shelf's pages show, gathered in one go."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sqlalchemy import select

from pitwise.records.shelf_tables import ShelfOrder, ShelfOrderLine
from pitwise.services import (
    shelf_items,
    shelf_movements,
    shelf_orders,
    shelf_read,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
)
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_advice import all_advice, item_advice
from pitwise.services.shelf_advice_model import ItemAdvice
from pitwise.services.shelf_alerts import LIKELY_SHORT, alerts_of
from pitwise.services.shelf_model import (
    ItemLine,
    MovementLine,
    OrderView,
    Rule,
    SupplierLine,
    Terms,
)
from pitwise.services.shopfloor import Shop
from pitwise.shelf.advice import Advice
from pitwise.shelf.floor import FloorAdvice

# For so long an item's page shows its newest line with what undoes it.
FRESH = dt.timedelta(hours=24)
State = Literal[
    "enough",
    "order-now",
    "short",
    "none-left",
    "count-it",
    "late",
    "no-terms",
    "in-kit",
    "loose",
    "cant-tell",
]


@dataclass(frozen=True)
class Row:
    """An item as the list of the shelf shows it.

    Attributes
    ----------
    line : ItemLine
    state : str
        A key of `reports.drawing.STOCK_WORDS`.
    lasts : str
        For how long what is there and on order will do, with its range; empty: can't be told.
    """

    line: ItemLine
    state: State
    lasts: str = ""


@dataclass(frozen=True)
class Open:
    """A line of an order whose goods have not all come."""

    line_id: int
    order_id: int
    code: str
    outstanding: int
    received: int
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
        The newest line, where it is of today and the person asking may undo it.
    coming : tuple of Open
        Oldest first.
    suppliers : tuple of SupplierLine
    in_kits : tuple of ItemLine
        Kits that hold it.
    advice : ItemAdvice or None
        What is forecast and advised; None for an item that is no longer kept.
    """

    row: Row
    lots: tuple[tuple[str | None, int], ...]
    terms: tuple[Terms, ...]
    ledger: Ledger
    last: MovementLine | None
    coming: tuple[Open, ...]
    suppliers: tuple[SupplierLine, ...]
    in_kits: tuple[ItemLine, ...]
    advice: ItemAdvice | None


def state_of(line: ItemLine, own: ItemAdvice | None = None) -> State:
    """Return how an item stands: by the ledger first, then by what is forecast and advised."""
    if line.below_zero or line.count_again:
        return "count-it"
    advice = own.advice if own is not None else None
    if isinstance(advice, FloorAdvice):
        return "order-now" if advice.order_now else "enough"
    if isinstance(advice, Advice):
        if advice.shortage_chance >= LIKELY_SHORT:
            return "short"
        return "order-now" if advice.order_now else "enough"
    if own is not None and own.covered_by:
        return "loose" if line.kit else "in-kit"
    if line.on_shelf + line.in_kits <= 0:
        return "none-left"
    return "no-terms" if line.terms is None else "cant-tell"


def _row(line: ItemLine, own: ItemAdvice | None = None) -> Row:
    if own is None:
        return Row(line, state_of(line))
    return Row(line, state_of(line, own), own.left_words)


def _walk(text: str) -> list[tuple[int, int, str]]:
    """Return a key that puts box 2 before box 10, as one walks along them."""
    return [
        (0, int(piece), "") if piece.isdecimal() else (1, 0, piece)
        for piece in re.split(r"(\d{1,12})", text.casefold())
        if piece
    ]


def _matches(line: ItemLine, find: str) -> bool:
    text = f"{line.name} {line.code} {line.place} {line.part or ''}".casefold()
    return all(word in text for word in find.casefold().split())


def shelf_page(
    shop: Shop,
    actor: Actor,
    *,
    find: str = "",
    inactive: bool = False,
    forecast: bool = False,
) -> ShelfPage:
    """Return the list of the shelf, along its places.

    Parameters
    ----------
    shop, actor
    find : str
        Words that are all to be in an item's name, code, place or part.
    inactive : bool
        Whether items no longer kept are shown too.
    forecast : bool
        Whether to say how long things last and what needs doing.
    """
    require(actor, "shelf")
    lines = shelf_items.item_lines(shop, actor, inactive=True)
    shown = [x for x in lines if (inactive or x.active) and _matches(x, find)]
    with shop.database.read() as session:
        missing = tuple(NewType(t.id, t.part, t.name) for t in shelf_items.missing_types(session))
    advised = all_advice(shop, actor) if forecast and any(x.active for x in lines) else []
    of = {own.item.id: own for own in advised}
    rows = [_row(x, of.get(x.id)) for x in shown]
    # Along the shelf; what has no place comes last.
    rows.sort(key=lambda r: (not r.line.place, _walk(r.line.place), _walk(r.line.name)))
    notices = tuple(
        Notice(a.level, a.item_id, a.name, a.said, a.by_day) for a in alerts_of(advised)
    )
    hidden = sum(not x.active for x in lines)
    return ShelfPage(notices, tuple(rows), missing, hidden)


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
        lots = tuple(shelf_read.lots(session, item_id))
        terms = tuple(sorted(shelf_terms.all_terms(session, item_id), key=lambda t: -t.id))
        suppliers = tuple(shelf_suppliers.suppliers(session))
        orders = session.execute(
            select(ShelfOrder.id)
            .join(ShelfOrderLine, ShelfOrderLine.order_id == ShelfOrder.id)
            .where(ShelfOrderLine.item_id == item_id, ShelfOrder.state == "open")
            .order_by(ShelfOrder.id)
        ).scalars()
        numbers = list(orders)
    pages = shelf_movements.movement_pages(shop, actor, item_id)
    page = min(page, pages)
    moves = tuple(shelf_movements.movements(shop, actor, item_id, page))
    newest = moves if page == 1 else tuple(shelf_movements.movements(shop, actor, item_id, 1))
    since = shop.clock() - FRESH
    last = next((m for m in newest[:1] if m.may_undo and m.at >= since), None)
    coming = _coming([shelf_orders.order_view(shop, actor, n) for n in numbers], item_id)
    kits = [
        x
        for x in shelf_items.item_lines(shop, actor)
        if x.kind == "kit" and any(k.item_id == item_id for k in x.kit)
    ]
    ledger = Ledger(moves, page, pages)
    own = None
    if line.active:
        with shop.database.read() as session:
            own = item_advice(shop, session, item_id)
    return ItemPage(_row(line, own), lots, terms, ledger, last, coming, suppliers, tuple(kits), own)


def _coming(orders: Sequence[OrderView], item_id: int) -> tuple[Open, ...]:
    return tuple(
        Open(x.id, o.id, o.code, x.outstanding, x.received, x.expected_on)
        for o in orders
        for x in o.lines
        if x.item_id == item_id and x.outstanding > 0
    )


def usual_currency(shop: Shop, actor: Actor) -> str:
    """Return what the shop writes behind amounts; empty where it never set any."""
    require(actor, "shelf")
    with shop.database.read() as session:
        return shelf_terms.shop_currency(session) or ""


def currencies_in_use(shop: Shop, actor: Actor) -> list[str]:
    """Return the currencies to choose from: those of the terms, and the stations'."""
    require(actor, "shelf")
    with shop.database.read() as session:
        usual = shelf_terms.shop_currency(session)
        return sorted({*shelf_terms.currencies(session), *([usual] if usual else [])})


def count_round(shop: Shop, actor: Actor) -> tuple[ShelfPage, frozenset[int]]:
    """Return the list to count along, and the items that were counted within a day."""
    view = shelf_page(shop, actor)
    since = shop.clock() - FRESH
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
        everybody = tuple(shelf_suppliers.suppliers(session, inactive=True))
        return SetupPage(everybody, shelf_rules.rule_of(session, None))
