"""What the shelf's ledger says of one part: when it came off the shelf, and went back on it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from pitwise.records.shelf_tables import Movement, ShelfItem
from pitwise.records.tables import PartItem, Person
from pitwise.services.errors import NotFoundError
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_movements import PAGE
from pitwise.services.shopfloor import Shop
from pitwise.services.views import superseded_map


@dataclass(frozen=True)
class PartMove:
    """One line of the ledger about one part.

    Attributes
    ----------
    movement_id : int
    item_id : int
    item : str
        The shelf's item it belongs to, by name.
    at : datetime
    put_back : bool
        It went back on the shelf; otherwise it came off it.
    who : str
    lot : str or None
    inspection_id : int or None
        The record it came off for, or that was corrected; None: fitted by hand.
    corrected_by : int or None
        Of a part put back: the record that corrects that one.
    kit_id : int or None
    kit : str
        The kit that was opened for it, by name; empty: it lay loose.
    reason : str
        Of a part put back without a correction.
    below_zero : bool
        The book knew of none left when it came off.
    page : int
        On which page of its item's ledger the line stands; the newest is 1.
    """

    movement_id: int
    item_id: int
    item: str
    at: dt.datetime
    put_back: bool
    who: str
    lot: str | None
    inspection_id: int | None
    corrected_by: int | None
    kit_id: int | None
    kit: str
    reason: str
    below_zero: bool
    page: int


@dataclass(frozen=True)
class PartOnShelf:
    """What the shelf says of one part.

    Attributes
    ----------
    moves : tuple of PartMove
        In the order they happened; none: it never came off the shelf in the book.
    item_id : int or None
    item : str
        What the shelf keeps of its kind now; None and empty: nothing.
    """

    moves: tuple[PartMove, ...]
    item_id: int | None
    item: str


def _opened_for(session: Session, part_item_id: int) -> tuple[int, str] | None:
    """Return the kit that was opened because this part was wanted and none lay loose."""
    row = session.execute(
        select(ShelfItem.id, ShelfItem.name)
        .join(Movement, Movement.item_id == ShelfItem.id)
        .where(Movement.key == f"kit-for/{part_item_id}", Movement.kind == "kit-opened")
    ).first()
    return None if row is None else (row[0], row[1])


def part_on_shelf(shop: Shop, actor: Actor, part_item_id: int) -> PartOnShelf:
    """Return when a part came off the shelf, for which record, and when it was put back.

    Raises
    ------
    NotFoundError
        There is no such part.
    """
    require(actor, "view")
    later = aliased(Movement)
    newer = (
        select(func.count())
        .where(later.item_id == Movement.item_id, later.id > Movement.id)
        .correlate(Movement)
        .scalar_subquery()
    )
    with shop.database.read() as session:
        part = session.get(PartItem, part_item_id)
        if part is None:
            raise NotFoundError("part", f"there is no part {part_item_id}", "choose from a torch")
        rows = session.execute(
            select(Movement, ShelfItem.name, Person.name, newer)
            .join(ShelfItem, ShelfItem.id == Movement.item_id)
            .outerjoin(Person, Person.id == Movement.by)
            .where(Movement.part_item_id == part_item_id)
            .order_by(Movement.id)
        ).all()
        over = superseded_map(session, [m.inspection_id for m, *_ in rows if m.inspection_id])
        kit = _opened_for(session, part_item_id) if rows else None
        moves = []
        for m, item, who, after in rows:
            back = m.kind == "undone"
            corrected = over.get(m.inspection_id) if back and m.inspection_id else None
            from_kit = None if back else kit
            moves.append(
                PartMove(
                    m.id,
                    m.item_id,
                    item,
                    m.at,
                    back,
                    who or "Pitwise",
                    m.lot,
                    m.inspection_id,
                    corrected,
                    from_kit[0] if from_kit else None,
                    from_kit[1] if from_kit else "",
                    m.note if back and corrected is None else "",
                    m.below_zero,
                    int(after) // PAGE + 1,
                )
            )
        own = session.scalar(select(ShelfItem).where(ShelfItem.part_type_id == part.part_type_id))
        return PartOnShelf(
            tuple(moves), own.id if own is not None else None, own.name if own is not None else ""
        )
