"""What the ledger adds up to: balances, lots, what is on order, what is to be counted."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from pitwise.records.shelf_tables import KitLine, Movement, ShelfItem, ShelfOrder, ShelfOrderLine
from pitwise.records.tables import InspectionRow
from pitwise.services.errors import NotFoundError
from pitwise.services.shelf_lots import LotMove, remaining


def get_item(session: Session, item_id: int) -> ShelfItem:
    """Return an item.

    Raises
    ------
    NotFoundError
    """
    item = session.get(ShelfItem, item_id)
    if item is None:
        raise NotFoundError("item", f"there is no item {item_id}", "choose from the shelf")
    return item


def balances(session: Session) -> dict[int, int]:
    """Return what the book says is on the shelf, for every item."""
    query = (
        select(ShelfItem.id, func.coalesce(func.sum(Movement.pieces), 0))
        .outerjoin(Movement, Movement.item_id == ShelfItem.id)
        .group_by(ShelfItem.id)
    )
    return {ident: int(pieces) for ident, pieces in session.execute(query)}


def balance(session: Session, item_id: int) -> int:
    """Return what the book says is on the shelf of one item."""
    query = select(func.coalesce(func.sum(Movement.pieces), 0)).where(Movement.item_id == item_id)
    return int(session.scalar(query) or 0)


def lots(session: Session, item_id: int) -> list[tuple[str | None, int]]:
    """Return what is left of each lot of an item, the oldest first; see `shelf_lots`."""
    rows = session.execute(
        select(Movement.id, Movement.pieces, Movement.lot, Movement.reverses).where(
            Movement.item_id == item_id
        )
    )
    return remaining(LotMove(*r) for r in rows)


def kit_lines(session: Session) -> dict[int, dict[int, int]]:
    """Return pieces by item of every kit."""
    out: dict[int, dict[int, int]] = {}
    for row in session.scalars(select(KitLine).order_by(KitLine.kit_id, KitLine.item_id)):
        out.setdefault(row.kit_id, {})[row.item_id] = row.pieces
    return out


def received(session: Session, order_id: int | None = None) -> dict[int, int]:
    """Return the pieces that came, by line of an order (None: of all orders)."""
    query = select(Movement.order_line_id, func.sum(Movement.pieces)).where(
        Movement.order_line_id.is_not(None)
    )
    if order_id is not None:
        query = query.join(ShelfOrderLine, ShelfOrderLine.id == Movement.order_line_id).where(
            ShelfOrderLine.order_id == order_id
        )
    rows = session.execute(query.group_by(Movement.order_line_id)).all()
    return {int(line or 0): int(pieces) for line, pieces in rows}


def on_order(session: Session) -> dict[int, list[tuple[int, dt.date | None]]]:
    """Return what is still to come of each item: pieces and the day they are expected.

    Items without any are left out; soonest first, without a day last.
    """
    came = received(session)
    out: dict[int, list[tuple[int, dt.date | None]]] = {}
    lines = session.scalars(
        select(ShelfOrderLine)
        .join(ShelfOrder, ShelfOrder.id == ShelfOrderLine.order_id)
        .where(ShelfOrder.state == "open")
    )
    for line in lines:
        left = line.pieces - came.get(line.id, 0)
        if left > 0:
            out.setdefault(line.item_id, []).append((left, line.expected_on))
    for coming in out.values():
        coming.sort(key=lambda c: (c[1] is None, c[1] or dt.date.max, c[0]))
    return out


@dataclass(frozen=True)
class Counted:
    """The last count of an item that stands."""

    movement_id: int
    at: dt.datetime
    counted: int


def last_counts(session: Session, item_id: int | None = None) -> dict[int, Counted]:
    """Return the last count that was not undone, by item; never counted ones are left out."""
    undone = aliased(Movement)
    last = (
        select(func.max(Movement.id))
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(Movement.kind == "counted", undone.id.is_(None))
        .group_by(Movement.item_id)
    )
    if item_id is not None:
        last = last.where(Movement.item_id == item_id)
    rows = session.scalars(select(Movement).where(Movement.id.in_(last)))
    return {m.item_id: Counted(m.id, m.at, m.counted or 0) for m in rows}


def fell_below_zero(session: Session, counts: dict[int, Counted]) -> set[int]:
    """Return the items whose figure fell below zero and that were not counted since."""
    undone = aliased(Movement)
    rows = session.execute(
        select(Movement.item_id, Movement.id)
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(Movement.below_zero, undone.id.is_(None))
    )
    return {item for item, ident in rows if item not in counts or ident > counts[item].movement_id}


def corrected_past_a_count(session: Session, counts: dict[int, Counted]) -> set[int]:
    """Return the items where a correction changed what was taken before the last count.

    Such a piece was counted already, where it really lies. Where the correction fitted as
    many again, nothing has changed.
    """
    earlier: dict[int, int] = {
        ident: of
        for ident, of in session.execute(
            select(InspectionRow.id, InspectionRow.supersedes).where(
                InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
            )
        )
        if of is not None
    }

    def root(ident: int) -> int:
        while ident in earlier:
            ident = earlier[ident]
        return ident

    chain = {*earlier, *earlier.values()}
    roots = select(InspectionRow).where(InspectionRow.id.in_({root(i) for i in chain}))
    signed = {row.id: row.signed_at for row in session.scalars(roots)}
    net: dict[tuple[int, int], int] = {}
    for ident, item, pieces, inspection in session.execute(
        select(Movement.id, Movement.item_id, Movement.pieces, Movement.inspection_id).where(
            Movement.inspection_id.in_(chain)
        )
    ):
        if inspection is None:
            continue
        last, at = counts.get(item), signed.get(root(inspection))
        if last is not None and at is not None and at < last.at and ident > last.movement_id:
            of = (item, root(inspection))
            net[of] = net.get(of, 0) + pieces
    return {item for (item, _), pieces in net.items() if pieces != 0}
