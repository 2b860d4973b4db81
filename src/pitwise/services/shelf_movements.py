"""Read an item's ledger: its lines page by page, with the figure after each."""

from __future__ import annotations

from sqlalchemy import func, select
from sqlalchemy.orm import aliased

from pitwise.records.shelf_tables import Movement, ShelfOrderLine
from pitwise.records.tables import PartItem, Person
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shelf_model import MovementLine
from pitwise.services.shelf_move import group_of
from pitwise.services.shelf_read import get_item, last_counts
from pitwise.services.shelf_undo import refusal_of
from pitwise.services.shopfloor import Shop

PAGE = 50


def movement_pages(shop: Shop, actor: Actor, item_id: int) -> int:
    """Return how many pages an item's ledger has, at least one."""
    require(actor, "view")
    with shop.database.read() as session:
        get_item(session, item_id)
        query = select(func.count()).select_from(Movement).where(Movement.item_id == item_id)
        return max(1, -(-(session.scalar(query) or 0) // PAGE))


def movements(shop: Shop, actor: Actor, item_id: int, page: int = 1) -> list[MovementLine]:
    """Return one page of an item's ledger, the newest line first, with the figure after each."""
    require(actor, "view")
    with shop.database.read() as session:
        get_item(session, item_id)
        running = (
            select(
                Movement.id,
                func.sum(Movement.pieces).over(order_by=Movement.id).label("balance"),
            )
            .where(Movement.item_id == item_id)
            .subquery()
        )
        undone = aliased(Movement)
        rows = session.execute(
            select(
                Movement,
                running.c.balance,
                Person.name,
                PartItem.tag,
                ShelfOrderLine.order_id,
                undone.id,
            )
            .join(running, running.c.id == Movement.id)
            .outerjoin(Person, Person.id == Movement.by)
            .outerjoin(PartItem, PartItem.id == Movement.part_item_id)
            .outerjoin(ShelfOrderLine, ShelfOrderLine.id == Movement.order_line_id)
            .outerjoin(undone, undone.reverses == Movement.id)
            .order_by(Movement.id.desc())
            .limit(PAGE)
            .offset((max(1, page) - 1) * PAGE)
        ).all()
        counts, now, allowed = last_counts(session), shop.clock(), may(actor, "shelf")
        return [
            MovementLine(
                id=m.id,
                at=m.at,
                kind=m.kind,
                pieces=m.pieces,
                counted=m.counted,
                balance=int(after),
                who=who or "Pitwise",
                note=m.note,
                lot=m.lot,
                part_tag=tag,
                inspection_id=m.inspection_id,
                order_id=order,
                unit_price=m.unit_price,
                currency=m.currency,
                undone_by=by,
                may_undo=allowed
                and by is None
                and all(
                    refusal_of(session, actor, each, counts, now) is None
                    for each in (group_of(session, m) if m.kind.startswith("kit-") else [m])
                ),
                below_zero=m.below_zero,
                undoes=m.reverses,
                part_item_id=m.part_item_id,
            )
            for m, after, who, tag, order, by in rows
        ]
