"""What items cost at a supplier and how long they take to come; in whose currency."""

from __future__ import annotations

import re

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import ItemTerms, Supplier
from pitwise.records.tables import Station
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import Terms
from pitwise.services.shelf_read import get_item
from pitwise.services.shelf_suppliers import get_supplier
from pitwise.services.shelf_trail import add_row
from pitwise.services.shelf_typed import needed_amount, needed_decimal, needed_whole
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import assumed_fields, settings_of


def set_terms(
    shop: Shop,
    actor: Actor,
    item_id: int,
    *,
    supplier_id: int,
    price: str,
    currency: str,
    pack: str = "1",
    least: str = "1",
    lead_days: str,
    lead_days_sd: str = "0",
    reason: str = "",
) -> int:
    """Set what one piece of an item costs at a supplier, and how long it takes to come.

    What held before stays in the book; the newest terms hold. An empty currency is the
    shop's.
    """
    require(actor, "edit-shelf")
    given_currency = clean_text("currency", currency, longest=20, empty_ok=True)
    reason = clean_text("reason", reason, longest=400, empty_ok=True, lines=True)
    amount = needed_amount("price", price)
    in_pack = needed_whole("pack", pack, low=1)
    fewest = needed_whole("least", least, low=1)
    days = needed_decimal("lead_days", lead_days, high=1000)
    spread = needed_decimal("lead_days_sd", lead_days_sd or "0", high=1000)
    if spread > days:
        # A time can't be below nothing: so wide a spread is a slip of the fingers.
        raise ServiceError(
            "lead_days_sd",
            f"{spread:g} days either way is more than the {days:g} days themselves",
            "give how far it usually is off, in days",
        )
    with shop.database.write() as session:
        item = get_item(session, item_id)
        supplier = get_supplier(session, supplier_id)
        if not supplier.active:
            raise ConflictError("supplier", f"'{supplier.name}' is put aside", "choose another")
        unit = given_currency or shop_currency(session, item_id)
        if unit is None:
            raise ServiceError("currency", "is empty", "write it as it stands behind amounts")
        unit = fold_currency(session, unit)
        row = ItemTerms(
            item_id=item.id,
            supplier_id=supplier.id,
            price=amount,
            currency=unit,
            pack=in_pack,
            least=fewest,
            lead_days=days,
            lead_days_sd=spread,
            reason=reason,
            by=actor.person_id,
            at=shop.clock(),
        )
        add_row(
            shop,
            session,
            actor,
            "shelf-terms-set",
            f"shelf item {item.id}",
            row,
            supplier=supplier.name,
            price=amount,
            currency=unit,
            lead_days=days,
            reason=reason,
        )
        return row.id


def _terms(row: ItemTerms, supplier: str) -> Terms:
    return Terms(
        row.id,
        row.supplier_id,
        supplier,
        row.price,
        row.currency,
        row.pack,
        row.least,
        row.lead_days,
        row.lead_days_sd,
        row.at,
        row.reason,
    )


def all_terms(session: Session, item_id: int | None = None) -> list[Terms]:
    """Return every terms an item ever had (None: of all items), the newest first."""
    return [terms for _, terms in _terms_rows(session, item_id)]


def _terms_rows(session: Session, item_id: int | None) -> list[tuple[int, Terms]]:
    query = select(ItemTerms, Supplier.name).join(Supplier, Supplier.id == ItemTerms.supplier_id)
    if item_id is not None:
        query = query.where(ItemTerms.item_id == item_id)
    rows = session.execute(query.order_by(ItemTerms.id.desc())).all()
    return [(row.item_id, _terms(row, name)) for row, name in rows]


def terms_in_force(session: Session) -> dict[int, Terms]:
    """Return the terms that hold now, by item; items without any are left out."""
    out: dict[int, Terms] = {}
    for item, terms in _terms_rows(session, None):
        out.setdefault(item, terms)
    return out


def currencies(session: Session) -> list[str]:
    """Return the currencies the shelf's terms are in, by name."""
    return sorted(set(session.scalars(select(ItemTerms.currency).distinct())))


def fold_currency(session: Session, typed: str) -> str:
    """Return a currency as the book writes it: codes of three letters in capitals.

    Another word is written as it stands in the book already, where only capitals differ.
    """
    if re.fullmatch(r"[A-Za-z]{3}", typed):
        return typed.upper()
    known = {name.casefold(): name for name in currencies(session)}
    return known.get(typed.casefold(), typed)


def shop_currency(session: Session, item_id: int | None = None) -> str | None:
    """Return what the shop writes behind amounts, None where it never set any.

    The item's own terms first, then the newest terms of any, then the stations' settings.
    """
    for own in ([ItemTerms.item_id == item_id] if item_id is not None else []), []:
        query = select(ItemTerms.currency).where(*own).order_by(ItemTerms.id.desc()).limit(1)
        found = session.scalar(query)
        if found:
            return found
    for station in session.scalars(select(Station.id).order_by(Station.id)):
        if "currency" not in assumed_fields(session, station):
            return settings_of(session, station).currency
    return None
