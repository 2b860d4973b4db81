"""Orders to suppliers: what was ordered, what came of it, what is still to come."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import ShelfItem, ShelfOrder, ShelfOrderLine
from pitwise.records.tables import Person
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.order_seen import Seen, refuse_moved
from pitwise.services.periods import today
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_codes import order_code
from pitwise.services.shelf_model import OrderLine, OrderState, OrderView, Terms
from pitwise.services.shelf_read import get_item, on_order, received
from pitwise.services.shelf_suppliers import get_supplier
from pitwise.services.shelf_terms import all_terms
from pitwise.services.shelf_trail import note_order
from pitwise.services.shopfloor import Shop

__all__ = ["close_order", "on_order", "order_view", "orders", "place_order"]

_MOST_PIECES = 100_000
_MOST_LINES = 200


def place_order(
    shop: Shop,
    actor: Actor,
    *,
    supplier_id: int,
    lines: Sequence[tuple[int, int]],
    key: str,
    note: str = "",
    seen: Mapping[int, Seen] | None = None,
) -> int:
    """Write an order down; sending it is the shop's own business.

    Parameters
    ----------
    shop, actor
    supplier_id : int
    lines : sequence of (item, pieces)
        Each item once. Prices and days come from the newest terms with this supplier;
        where there are any, pieces have to be whole packs and no fewer than the least.
    key : str
        Made on the tablet; the same key again is the same order.
    note : str
    seen : mapping of int to Seen, optional
        By item, what the person's screen showed: refused when it has moved since, for
        another person may have ordered the same. None: there was no screen.

    Returns
    -------
    int
        The order's number.

    Raises
    ------
    ConflictError
        What a screen showed stands no more, the supplier or an item is put aside, or the
        key stands for another order.
    """
    require(actor, "edit-shelf")
    check_key(key)
    note = clean_text("note", note, longest=400, empty_ok=True, lines=True)
    if not lines:
        raise ServiceError("order", "has no line", "give at least one item")
    if len(lines) > _MOST_LINES:
        raise ServiceError("order", f"has {len(lines)} lines", f"give {_MOST_LINES} at most")
    if len({item for item, _ in lines}) != len(lines):
        raise ServiceError("order", "names an item twice", "give each item on one line")
    with shop.database.write() as session:
        same = session.scalar(select(ShelfOrder).where(ShelfOrder.key == key))
        if same is not None:
            _refuse_other(session, same, supplier_id, lines)
            return same.id
        supplier = get_supplier(session, supplier_id)
        if not supplier.active:
            raise ConflictError("supplier", f"'{supplier.name}' is put aside", "choose another")
        if seen is not None:
            refuse_moved(session, supplier.id, lines, seen)
        order = ShelfOrder(
            key=key,
            supplier_id=supplier.id,
            state="open",
            note=note,
            ordered_by=actor.person_id,
            ordered_at=shop.clock(),
        )
        session.add(order)
        session.flush()
        for item_id, pieces in lines:
            item = get_item(session, item_id)
            session.add(_line(order.id, item, pieces, _of(session, item_id, supplier.id), shop))
        note_order(
            shop,
            session,
            actor,
            "shelf-order-placed",
            order,
            supplier=supplier.name,
            lines={str(item): pieces for item, pieces in lines},
        )
        return order.id


def _refuse_other(
    session: Session, order: ShelfOrder, supplier_id: int, lines: Sequence[tuple[int, int]]
) -> None:
    rows = session.scalars(select(ShelfOrderLine).where(ShelfOrderLine.order_id == order.id))
    if order.supplier_id != supplier_id or {(r.item_id, r.pieces) for r in rows} != set(lines):
        raise ConflictError(
            "key",
            f"this form went in before, as order {order_code(order.id)}, with something else in it",
            "look at that order, then begin anew",
        )


def _of(session: Session, item_id: int, supplier_id: int) -> Terms | None:
    """Return the newest terms of an item with this supplier."""
    found = (t for t in all_terms(session, item_id) if t.supplier_id == supplier_id)
    return next(found, None)


def _line(
    order_id: int, item: ShelfItem, pieces: int, terms: Terms | None, shop: Shop
) -> ShelfOrderLine:
    if not item.active:
        raise ConflictError("order", f"'{item.name}' is put aside", "leave it out")
    if not 1 <= pieces <= _MOST_PIECES:
        raise ServiceError("order", f"{pieces} pieces of '{item.name}'", "give 1 or more")
    if terms is not None:
        whole = max(pieces, terms.least)
        whole = -(-whole // terms.pack) * terms.pack
        if whole != pieces:
            raise ServiceError(
                "order",
                f"{pieces} pieces of '{item.name}': {terms.supplier} sells packs of {terms.pack}, "
                f"{terms.least} pieces at least",
                f"order {whole}, or set other terms",
            )
    days = None if terms is None else math.ceil(terms.lead_days)
    return ShelfOrderLine(
        order_id=order_id,
        item_id=item.id,
        pieces=pieces,
        unit_price=terms.price if terms else None,
        currency=terms.currency if terms else None,
        expected_on=None if days is None else today(shop.clock()) + dt.timedelta(days=days),
    )


def close_order(shop: Shop, actor: Actor, order_id: int, reason: str) -> None:
    """Close an order: what is outstanding will not come. The reason is kept."""
    require(actor, "edit-shelf")
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        order = _get(session, order_id)
        if order.state == "closed":
            raise ConflictError("order", "it is closed already", "look at it again")
        order.state, order.closed_reason = "closed", reason
        order.closed_by, order.closed_at = actor.person_id, shop.clock()
        note_order(shop, session, actor, "shelf-order-closed", order, reason=reason)


def _get(session: Session, order_id: int) -> ShelfOrder:
    order = session.get(ShelfOrder, order_id)
    if order is None:
        raise NotFoundError("order", f"there is no order {order_id}", "choose from the list")
    return order


def orders(shop: Shop, actor: Actor, state: OrderState | None = None) -> list[OrderView]:
    """Return the orders, the newest first; of one state when one is named."""
    require(actor, "view")
    with shop.database.read() as session:
        rows = session.scalars(select(ShelfOrder).order_by(ShelfOrder.id.desc())).all()
        views = _views(shop, session, rows)
        return [v for v in views if state in (None, v.state)]


def order_view(shop: Shop, actor: Actor, order_id: int) -> OrderView:
    """Return one order and what came of it.

    Raises
    ------
    NotFoundError
    """
    require(actor, "view")
    with shop.database.read() as session:
        return _views(shop, session, [_get(session, order_id)])[0]


def _views(shop: Shop, session: Session, rows: Sequence[ShelfOrder]) -> list[OrderView]:
    query = select(ShelfOrderLine).order_by(ShelfOrderLine.id)
    one = rows[0].id if len(rows) == 1 else None
    if one is not None:
        query = query.where(ShelfOrderLine.order_id == one)
    came, day = received(session, one), today(shop.clock())
    items = {i.id: i for i in session.scalars(select(ShelfItem))}
    names = {p.id: p.name for p in session.scalars(select(Person))}
    lines: dict[int, list[OrderLine]] = {}
    for row in session.scalars(query):
        got = came.get(row.id, 0)
        left = max(0, row.pieces - got)
        item = items[row.item_id]
        late = left > 0 and row.expected_on is not None and row.expected_on < day
        lines.setdefault(row.order_id, []).append(
            OrderLine(
                row.id,
                row.item_id,
                item.name,
                item.code,
                row.pieces,
                got,
                left,
                row.unit_price,
                row.currency,
                row.expected_on,
                late,
            )
        )
    return [_view(row, tuple(lines.get(row.id, ())), names) for row in rows]


def _view(row: ShelfOrder, lines: tuple[OrderLine, ...], names: dict[int, str]) -> OrderView:
    state: OrderState = "open" if any(x.outstanding for x in lines) else "received"
    sums: dict[str, float] = {}
    for line in lines:
        if line.unit_price is not None and line.currency is not None:
            sums[line.currency] = sums.get(line.currency, 0.0) + line.unit_price * line.ordered
    return OrderView(
        id=row.id,
        code=order_code(row.id),
        supplier_id=row.supplier_id,
        supplier=row.supplier.name,
        state="closed" if row.state == "closed" else state,
        note=row.note,
        ordered_by=names.get(row.ordered_by or 0, "Pitwise"),
        ordered_at=row.ordered_at,
        closed_by=names.get(row.closed_by or 0, "Pitwise") if row.state == "closed" else None,
        closed_at=row.closed_at,
        closed_reason=row.closed_reason,
        lines=lines,
        sums=sums,
        unpriced=sum(line.unit_price is None for line in lines),
    )
