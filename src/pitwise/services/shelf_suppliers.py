"""Whom the shop buys from."""

from __future__ import annotations

import dataclasses

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import Supplier
from pitwise.services.errors import ConflictError, NotFoundError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import SupplierLine
from pitwise.services.shelf_shown import Said, as_kept, settle
from pitwise.services.shelf_trail import note_supplier
from pitwise.services.shopfloor import Shop


def add_supplier(shop: Shop, actor: Actor, *, name: str, note: str = "") -> int:
    """Add somebody the shop buys from, under the shop's own name for them."""
    require(actor, "edit-shelf")
    name = clean_text("supplier", name)
    note = clean_text("note", note, longest=400, empty_ok=True, lines=True)
    with shop.database.write() as session:
        _refuse_supplier(session, name, "choose it from the list")
        row = Supplier(name=name, note=note, active=True)
        session.add(row)
        note_supplier(shop, session, actor, "shelf-supplier-added", row, name=name)
        return row.id


_SAID = {
    "name": Said("name", place="supplier"),
    "note": Said("note"),
    "active": Said("choice whether it is bought from"),
}


def edit_supplier(
    shop: Shop,
    actor: Actor,
    supplier_id: int,
    *,
    name: str,
    note: str = "",
    active: bool = True,
    shown: SupplierLine | None = None,
) -> None:
    """Change a supplier's name or note, or put it aside.

    Parameters
    ----------
    shop, actor
    supplier_id : int
    name, note : str
    active : bool
    shown : SupplierLine or None
        The supplier as the screen showed it before it was changed: what is as it was shown
        was not touched, and stays as the book has it. None: all that is given is meant.

    Raises
    ------
    StaleError
        Somebody else has changed since what was changed here; nothing is saved then.
    ConflictError
        Another supplier has that name.
    """
    require(actor, "edit-shelf")
    name = clean_text("supplier", name)
    note = clean_text("note", note, longest=400, empty_ok=True, lines=True)
    with shop.database.write() as session:
        row = get_supplier(session, supplier_id)
        there = _line(row)
        given = {"name": name, "note": note, "active": active}
        was = there if shown is None else _as_kept(shown)
        after = SupplierLine(
            supplier_id, **settle(_SAID, given, dataclasses.asdict(was), dataclasses.asdict(there))
        )
        if after == there:
            return
        if after.name != there.name:
            _refuse_supplier(session, after.name, "choose another name", but=supplier_id)
        row.name, row.note, row.active = after.name, after.note, after.active
        note_supplier(
            shop,
            session,
            actor,
            "shelf-supplier-edited",
            row,
            name=after.name,
            active=after.active,
        )


def _line(row: Supplier) -> SupplierLine:
    return SupplierLine(row.id, row.name, row.note, row.active)


def _as_kept(shown: SupplierLine) -> SupplierLine:
    return SupplierLine(
        shown.id,
        as_kept("supplier", shown.name),
        as_kept("note", shown.note),
        shown.active,
    )


def _refuse_supplier(session: Session, name: str, mend: str, but: int | None = None) -> None:
    """Refuse a name that another supplier has, be it in other capitals."""
    for twin in session.scalars(select(Supplier)):
        if twin.id != but and twin.name.casefold() == name.casefold():
            raise ConflictError("supplier", f"there is a supplier '{twin.name}' already", mend)


def get_supplier(session: Session, supplier_id: int) -> Supplier:
    """Return a supplier.

    Raises
    ------
    NotFoundError
    """
    row = session.get(Supplier, supplier_id)
    if row is None:
        raise NotFoundError(
            "supplier", f"there is no supplier {supplier_id}", "choose from the list"
        )
    return row


def suppliers(session: Session, *, inactive: bool = False) -> list[SupplierLine]:
    """Return the suppliers, by name."""
    query = select(Supplier).order_by(Supplier.name)
    if not inactive:
        query = query.where(Supplier.active)
    return [_line(row) for row in session.scalars(query)]
