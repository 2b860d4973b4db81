"""Leave the hash of what the shelf wrote in the audit trail, so that a change behind it shows."""

from __future__ import annotations

import hashlib
from typing import Any

from sqlalchemy import Table
from sqlalchemy.orm import Session

from pitwise.records.all_tables import ALL_TABLES
from pitwise.records.audit import canonical
from pitwise.records.rows import Row, read_rows
from pitwise.records.shelf_tables import (
    BaseLoad,
    ItemTerms,
    KitLine,
    Movement,
    ShelfItem,
    ShelfOrder,
    ShelfOrderLine,
    StockRule,
    Supplier,
)
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop

ITEM: Table = ALL_TABLES.tables[ShelfItem.__tablename__]
KIT: Table = ALL_TABLES.tables[KitLine.__tablename__]
SUPPLIER: Table = ALL_TABLES.tables[Supplier.__tablename__]
ORDER: Table = ALL_TABLES.tables[ShelfOrder.__tablename__]
ORDER_LINE: Table = ALL_TABLES.tables[ShelfOrderLine.__tablename__]
MOVEMENT: Table = ALL_TABLES.tables[Movement.__tablename__]


def digest(data: object) -> str:
    """Return the SHA-256 of plain data in canonical form."""
    return hashlib.sha256(canonical(data).encode(errors="surrogatepass")).hexdigest()


def whole(row: Row, lines: list[Row]) -> str:
    """Return the digest of a row and of the lines that belong to it, in a fixed order."""
    return digest([row, sorted(lines, key=canonical)])


def add_row(
    shop: Shop,
    session: Session,
    actor: Actor,
    event: str,
    subject: str,
    row: Movement | ItemTerms | StockRule | BaseLoad,
    /,
    **detail: Any,
) -> None:
    """Add a row that is never changed, and one row of the trail with its hash."""
    session.add(row)
    session.flush()
    table = ALL_TABLES.tables[row.__tablename__]
    (kept,) = read_rows(session, table, table.c.id == row.id)
    shop.note(
        session,
        actor,
        event,
        subject,
        **detail,
        table=table.name,
        row=row.id,
        sha256=digest(kept),
    )


def note_item(
    shop: Shop, session: Session, actor: Actor, event: str, item: ShelfItem, /, **detail: Any
) -> None:
    """Write one row of the trail about an item, with the hash of it and of what a kit holds."""
    session.flush()
    (row,) = read_rows(session, ITEM, ITEM.c.id == item.id)
    lines = list(read_rows(session, KIT, KIT.c.kit_id == item.id))
    subject = f"shelf item {item.id}"
    shop.note(session, actor, event, subject, **detail, item=item.id, sha256=whole(row, lines))


def note_supplier(
    shop: Shop, session: Session, actor: Actor, event: str, supplier: Supplier, /, **detail: Any
) -> None:
    """Write one row of the trail about a supplier, with its hash."""
    session.flush()
    (row,) = read_rows(session, SUPPLIER, SUPPLIER.c.id == supplier.id)
    subject = f"supplier {supplier.id}"
    shop.note(session, actor, event, subject, **detail, supplier=supplier.id, sha256=whole(row, []))


def note_order(
    shop: Shop, session: Session, actor: Actor, event: str, order: ShelfOrder, /, **detail: Any
) -> None:
    """Write one row of the trail about an order, with the hash of it and of its lines."""
    session.flush()
    (row,) = read_rows(session, ORDER, ORDER.c.id == order.id)
    lines = list(read_rows(session, ORDER_LINE, ORDER_LINE.c.order_id == order.id))
    subject = f"shelf order {order.id}"
    shop.note(session, actor, event, subject, **detail, order=order.id, sha256=whole(row, lines))
