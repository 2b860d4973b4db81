"""Write lines of the ledger, in the caller's unit of work."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import Movement, ShelfItem
from pitwise.services.permissions import Actor
from pitwise.services.shelf_read import balance, kit_lines, lots
from pitwise.services.shelf_trail import add_row
from pitwise.services.shopfloor import Shop


@dataclass(frozen=True)
class About:
    """What a line is about, beside its item and pieces."""

    counted: int | None = None
    part_item_id: int | None = None
    inspection_id: int | None = None
    order_line_id: int | None = None
    reverses: int | None = None
    unit_price: float | None = None
    currency: str | None = None
    lot: str | None = None
    note: str = ""


def write_line(
    shop: Shop,
    session: Session,
    actor: Actor,
    item_id: int,
    kind: str,
    pieces: int,
    key: str,
    about: About,
) -> Movement:
    """Write one line and its row of the trail; says so where the figure falls below zero."""
    after = balance(session, item_id) + pieces
    row = Movement(
        key=key,
        item_id=item_id,
        kind=kind,
        pieces=pieces,
        counted=about.counted,
        below_zero=pieces < 0 and after < 0,
        part_item_id=about.part_item_id,
        inspection_id=about.inspection_id,
        order_line_id=about.order_line_id,
        reverses=about.reverses,
        unit_price=about.unit_price,
        currency=about.currency,
        lot=about.lot,
        note=about.note,
        by=actor.person_id,
        at=shop.clock(),
    )
    add_row(
        shop,
        session,
        actor,
        f"shelf-{kind}",
        f"shelf item {item_id}",
        row,
        pieces=pieces,
        balance=after,
        below_zero=row.below_zero,
    )
    return row


def only_lot(session: Session, item_id: int, pieces: int) -> str | None:
    """Return the lot that so many pieces come from, first in first out; None: several or none."""
    there = lots(session, item_id)
    return there[0][0] if there and there[0][1] >= pieces else None


def group_of(session: Session, row: Movement) -> list[Movement]:
    """Return the lines that were written together with a line, itself with them, the head first.

    Opening or packing kits moves the kit and all it holds: one act, undone as one.
    """
    head = int(row.key.split("/")[1]) if row.key.startswith("of/") else row.id
    return list(
        session.scalars(
            select(Movement)
            .where((Movement.id == head) | Movement.key.like(f"of/{head}/%"))
            .order_by(Movement.id)
        )
    )


def move_kits(
    shop: Shop,
    session: Session,
    actor: Actor,
    kit: ShelfItem,
    kits: int,
    key: str,
    *,
    opened: bool,
    inspection_id: int | None = None,
    note: str = "",
) -> list[Movement]:
    """Open or pack so many kits: one line for the kit, one for each item it holds.

    Pieces keep the lot of the kit they come out of; a packed kit takes a lot only where all
    it holds is of that one lot.
    """
    kind, sign = ("kit-opened", -1) if opened else ("kit-packed", 1)
    holds = kit_lines(session)[kit.id]
    if opened:
        inner = {item: only_lot(session, kit.id, kits) for item in holds}
        own = next(iter(inner.values()))
    else:
        inner = {item: only_lot(session, item, kits * n) for item, n in holds.items()}
        own = next(iter(inner.values())) if len(set(inner.values())) == 1 else None
    about = About(inspection_id=inspection_id, note=note, lot=own)
    rows = [write_line(shop, session, actor, kit.id, kind, sign * kits, key, about)]
    for item, n in holds.items():
        about = About(inspection_id=inspection_id, note=note, lot=inner[item])
        key_of_line = f"of/{rows[0].id}/{item}"
        rows.append(
            write_line(shop, session, actor, item, kind, -sign * kits * n, key_of_line, about)
        )
    return rows


def reverse(
    shop: Shop, session: Session, actor: Actor, row: Movement, key: str, reason: str
) -> Movement:
    """Write the line that takes another back; sums over whatever it named come out even."""
    about = About(
        part_item_id=row.part_item_id,
        inspection_id=row.inspection_id,
        order_line_id=row.order_line_id,
        reverses=row.id,
        unit_price=row.unit_price,
        currency=row.currency,
        lot=row.lot,
        note=reason,
    )
    return write_line(shop, session, actor, row.item_id, "undone", -row.pieces, key, about)


def is_undone(session: Session, movement_id: int) -> bool:
    """Tell whether a line was taken back."""
    query = select(Movement.id).where(Movement.reverses == movement_id)
    return session.scalar(query) is not None
