"""What inspections and fittings take from the shelf, and give back when they are corrected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import Movement, ShelfItem
from pitwise.records.tables import PartItem
from pitwise.services.permissions import Actor
from pitwise.services.shelf_move import (
    About,
    group_of,
    is_undone,
    move_kits,
    reverse,
    write_line,
)
from pitwise.services.shelf_read import balance, kit_lines, lots
from pitwise.services.shopfloor import Shop


def take_for(
    shop: Shop,
    session: Session,
    actor: Actor,
    items: Sequence[PartItem],
    *,
    inspection_id: int | None,
    lots_known: Mapping[int, str | None] | None = None,
) -> None:
    """Write the new parts that went into a torch off the shelf, each on its own line.

    Parameters
    ----------
    shop, session, actor
    items : sequence of PartItem
        Parts that are new in the book. A kind of part that is not kept on the shelf is
        passed over. A part without a lot takes the oldest lot's.
    inspection_id : int or None
        None: fitted by hand.
    lots_known : mapping of int to str or None
        Lots of parts by their ids, where the book knew them before; None: of no lot then.

    Notes
    -----
    Where no loose piece is there, a kit that holds one is opened: the one that holds most
    of what is still needed, and its other pieces go first. Where there is no kit either,
    the line is written all the same, and says that the figure fell below zero: the part is
    in the torch, whatever the book thinks.
    """
    if not items:
        return
    kept = {
        i.part_type_id: i
        for i in session.scalars(
            select(ShelfItem).where(
                ShelfItem.active,
                ShelfItem.part_type_id.in_({p.part_type_id for p in items}),
            )
        )
    }
    wanted = [(part, kept[part.part_type_id]) for part in items if part.part_type_id in kept]
    from_kit: dict[int, str | None] = {}
    for number, (part, item) in enumerate(wanted):
        if balance(session, item.id) <= 0:
            still = {i.id for _, i in wanted[number:]}
            kit = _kit_with(session, item.id, still)
            if kit is not None:
                key = f"kit-for/{part.id}"
                rows = move_kits(
                    shop, session, actor, kit, 1, key, opened=True, inspection_id=inspection_id
                )
                from_kit |= {row.item_id: row.lot for row in rows[1:]}
        there = lots(session, item.id)
        known = lots_known or {}
        lot = part.lot or from_kit.get(item.id) or (there[0][0] if there else None)
        if part.id in known:
            lot = known[part.id]
        if part.lot is None and lot is not None:
            part.lot = lot
        about = About(part_item_id=part.id, inspection_id=inspection_id, lot=lot)
        write_line(shop, session, actor, item.id, "fitted", -1, f"part/{part.id}", about)


def _kit_with(session: Session, item_id: int, still: set[int]) -> ShelfItem | None:
    """Return the kit on the shelf to open for an item, None where there is none."""
    holding = {kit: set(holds) for kit, holds in kit_lines(session).items() if item_id in holds}
    there = [kit for kit in holding if balance(session, kit) > 0]
    if not there:
        return None
    best = min(there, key=lambda kit: (-len(holding[kit] & still), kit))
    return session.get(ShelfItem, best)


def put_back(shop: Shop, session: Session, actor: Actor, inspection_id: int) -> None:
    """Take back all that a signed inspection took, before its correction takes its place.

    Its parts go back to the shelf. A kit that was opened for it is whole again, unless a
    piece of it is used by now: then it stays open.
    """
    reason = f"inspection {inspection_id} was corrected"
    rows = session.scalars(
        select(Movement)
        .where(Movement.inspection_id == inspection_id, Movement.reverses.is_(None))
        .order_by(Movement.id)
    ).all()
    rows = [row for row in rows if not is_undone(session, row.id)]
    for row in rows:
        if row.kind == "fitted":
            reverse(shop, session, actor, row, f"undo/{row.id}", reason)
    for head in rows:
        if head.kind != "kit-opened" or head.pieces >= 0:
            continue
        group = group_of(session, head)
        if all(balance(session, row.item_id) >= row.pieces for row in group[1:]):
            for row in reversed(group):
                reverse(shop, session, actor, row, f"undo/{row.id}", reason)
