"""Take a line of the shelf's ledger back with a line of its own, or say why not."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import Movement
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shelf_move import group_of, is_undone, reverse
from pitwise.services.shelf_read import Counted, balance, last_counts
from pitwise.services.shopfloor import Shop

_UNDO_OWN = dt.timedelta(hours=24)


def undo(
    shop: Shop,
    actor: Actor,
    movement_id: int,
    *,
    key: str,
    reason: str,
    item_id: int | None = None,
) -> int:
    """Take a line back with a line of its own; both stay in the ledger.

    One's own within 24 hours; a lead any. Not what an inspection took (correct the
    inspection), nor what a later count has settled. Opening or packing kits is undone
    whole. Goods in that are used by now are undone all the same, and the line says that
    the figure fell below zero. Where an item is named, the line has to be one of its own.
    """
    require(actor, "shelf")
    check_key(key)
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        same = session.scalar(select(Movement).where(Movement.key == key))
        if same is not None and same.reverses == movement_id:
            return same.id
        if same is not None:
            raise ConflictError("key", "this form went in before", "look at the ledger")
        row = session.get(Movement, movement_id)
        if row is None:
            raise NotFoundError("line", f"there is no line {movement_id}", "open the ledger again")
        if item_id not in (None, row.item_id):
            raise ServiceError("line", f"line {movement_id} is of another item", "open that item")
        group = group_of(session, row)
        counts = last_counts(session)
        for each in group:
            refusal = refusal_of(session, actor, each, counts, shop.clock())
            if refusal is not None:
                raise refusal
        out = 0
        # The head of a group went first and comes back last.
        for each in reversed(group):
            own = key if each.id == movement_id else f"undo/{each.id}"
            done = reverse(shop, session, actor, each, own, reason)
            if each.id == movement_id:
                out = done.id
        return out


def refusal_of(
    session: Session, actor: Actor, row: Movement, counts: dict[int, Counted], now: dt.datetime
) -> ServiceError | None:
    """Return why a person may not undo a line now; None: they may."""
    last = counts.get(row.item_id)
    own = actor.person_id is not None and row.by == actor.person_id
    if row.kind == "undone":
        return ConflictError("line", "it undid another already", "write a new line instead")
    if is_undone(session, row.id):
        return ConflictError("line", "it was undone before", "look at the ledger")
    if row.inspection_id is not None:
        return ConflictError(
            "line", f"inspection {row.inspection_id} took it", "correct that inspection"
        )
    if last is not None and row.id < last.movement_id:
        return ConflictError(
            "line", "the item was counted since, and the count stands", "count it again"
        )
    if not may(actor, "edit-shelf") and not (own and now - row.at <= _UNDO_OWN):
        return NotAllowedError(
            "line", "only your own of the last 24 hours are yours to undo", "ask a lead"
        )
    needs_pieces = row.kind in ("kit-opened", "kit-packed") and row.pieces > 0
    if needs_pieces and balance(session, row.item_id) < row.pieces:
        return ConflictError(
            "line", "pieces it brought are used by now", "count the items of the kit instead"
        )
    return None
