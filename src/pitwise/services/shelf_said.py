"""What the shelf says beside an inspection: where the new parts lie, and what was taken."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import aliased

from pitwise.records.shelf_tables import Movement, ShelfItem
from pitwise.records.tables import PartItem
from pitwise.services.draft_view import Draft
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_read import balances, kit_lines
from pitwise.services.shopfloor import Shop
from pitwise.services.signing import replacement_kind


@dataclass(frozen=True)
class Taken:
    """A piece that an inspection took off the shelf.

    Attributes
    ----------
    item_id : int
    name : str
    lot : str or None
    put_back : bool
        A correction has put it back since.
    part_item_id : int or None
    tag : str
        Of the part it became; empty: not known.
    """

    item_id: int
    name: str
    lot: str | None
    put_back: bool
    part_item_id: int | None = None
    tag: str = ""


def where_new_parts_lie(shop: Shop, actor: Actor, draft: Draft) -> dict[str, str]:
    """Say for every part that is to be replaced how many are there, and where.

    Returns
    -------
    dict of str to str
        By part; one short line each. A part whose new kind is not known has none.
    """
    require(actor, "view")
    replaced = [slug for slug, d in draft.decision.parts.items() if d.action == "replace"]
    if not replaced:
        return {}
    with shop.database.read() as session:
        kinds = {s: replacement_kind(session, s, draft.fitted.get(s)) for s in replaced}
        wanted = {k.id for k in kinds.values() if k is not None}
        kept = {
            i.part_type_id: i
            for i in session.scalars(
                select(ShelfItem).where(ShelfItem.active, ShelfItem.part_type_id.in_(wanted))
            )
        }
        there, holds = balances(session), kit_lines(session)
        out = {}
        for slug, kind in kinds.items():
            if kind is None:
                continue
            item = kept.get(kind.id)
            if item is None:
                out[slug] = f"{kind.name}: not kept on the shelf"
                continue
            in_kits = sum(max(0, there[k]) * n.get(item.id, 0) for k, n in holds.items())
            loose = max(0, there[item.id])
            figures = [f"{loose} there"] if loose else []
            figures += [f"{in_kits} in kits"] if in_kits else []
            figures = figures or ["none left, by the book"]
            out[slug] = (
                f"{item.name}: {', '.join([*figures, *([item.place] if item.place else [])])}"
            )
        return out


def taken_for(shop: Shop, actor: Actor, inspection_id: int) -> list[Taken]:
    """Return the pieces an inspection took off the shelf, in the order they went."""
    require(actor, "view")
    undone = aliased(Movement)
    with shop.database.read() as session:
        rows = session.execute(
            select(ShelfItem.id, ShelfItem.name, Movement.lot, undone.id, PartItem.id, PartItem.tag)
            .join(Movement, Movement.item_id == ShelfItem.id)
            .outerjoin(PartItem, PartItem.id == Movement.part_item_id)
            .outerjoin(undone, undone.reverses == Movement.id)
            .where(Movement.inspection_id == inspection_id, Movement.kind == "fitted")
            .order_by(Movement.id)
        ).all()
        return [
            Taken(item, name, lot, by is not None, part, tag or "")
            for item, name, lot, by, part, tag in rows
        ]
