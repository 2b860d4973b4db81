"""What items cost at a supplier and how long they take to come; in whose currency."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import ItemTerms, Supplier
from pitwise.records.tables import Station
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.fields import clean_text, decimal_number, whole_number
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import Terms
from pitwise.services.shelf_read import get_item
from pitwise.services.shelf_shown import Said, amount, as_kept, quoted, settle
from pitwise.services.shelf_suppliers import get_supplier
from pitwise.services.shelf_trail import add_row
from pitwise.services.shelf_typed import needed_decimal, needed_price, needed_whole
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
    shown: Mapping[str, str] | None = None,
) -> int:
    """Set what one piece of an item costs at a supplier, and how long it takes to come.

    What held before stays in the book; the newest terms hold. An empty currency is the
    shop's.

    Parameters
    ----------
    shop, actor
    item_id, supplier_id : int
    price, currency, pack, least, lead_days, lead_days_sd, reason : str
    shown : mapping of str to str or None
        The fields, by these names, as the screen showed them before they were changed: what
        is as it was shown was not touched, and stays as the book has it. None: all that is
        given is meant.

    Returns
    -------
    int
        The terms' number; of those that hold, where nothing was changed and no other reason
        was given.

    Raises
    ------
    StaleError
        Somebody else has changed since what was changed here, the supplier or the currency
        that it was said of; nothing is saved then.
    ConflictError
        The supplier is put aside.
    """
    require(actor, "edit-shelf")
    given_currency = clean_text("currency", currency, longest=20, empty_ok=True)
    reason = clean_text("reason", reason, longest=400, empty_ok=True, lines=True)
    given: dict[str, Any] = {
        "price": needed_price("price", price),
        "pack": needed_whole("pack", pack, low=1),
        "least": needed_whole("least", least, low=1),
        "lead_days": needed_decimal("lead_days", lead_days, high=1000),
        "lead_days_sd": needed_decimal("lead_days_sd", lead_days_sd or "0", high=1000),
    }
    with shop.database.write() as session:
        item = get_item(session, item_id)
        get_supplier(session, supplier_id)
        unit = given_currency or shop_currency(session, item_id)
        if unit is None:
            raise ServiceError("currency", "is empty", "write it as it stands behind amounts")
        given |= {"supplier_id": supplier_id, "currency": fold_currency(session, unit)}
        now = next(iter(all_terms(session, item_id)), None)
        if shown is not None and now is not None:
            there = {name: getattr(now, name) for name in given}
            given = settle(_said(session), given, _as_shown(session, shown), there)
            if given == there and reason in ("", now.reason):
                return now.id
        _refuse_spread(given["lead_days"], given["lead_days_sd"])
        supplier = get_supplier(session, given["supplier_id"])
        if not supplier.active:
            raise ConflictError("supplier", f"'{supplier.name}' is put aside", "choose another")
        row = ItemTerms(
            item_id=item.id, reason=reason, by=actor.person_id, at=shop.clock(), **given
        )
        add_row(
            shop,
            session,
            actor,
            "shelf-terms-set",
            f"shelf item {item.id}",
            row,
            supplier=supplier.name,
            price=row.price,
            currency=row.currency,
            lead_days=row.lead_days,
            reason=reason,
        )
        return row.id


def _refuse_spread(days: float, spread: float) -> None:
    if spread > days:
        # A time can't be below nothing: so wide a spread is a slip of the fingers.
        raise ServiceError(
            "lead_days_sd",
            f"{spread:g} days either way is more than the {days:g} days themselves",
            "give how far it usually is off, in days",
        )


def _said(session: Session) -> dict[str, Said]:
    def name(supplier_id: int | None) -> str:
        row = None if supplier_id is None else session.get(Supplier, supplier_id)
        return quoted(row.name if row else None)

    # All terms are one supplier's; a price is in one currency besides.
    its = ("supplier_id",)
    return {
        "supplier_id": Said("supplier", name),
        "price": Said("price", amount, of=(*its, "currency")),
        "currency": Said("currency", of=its),
        "pack": Said("pack", of=its),
        "least": Said("least order", of=its),
        "lead_days": Said("lead time in days", of=its),
        "lead_days_sd": Said("give or take in days", of=its),
    }


def _as_shown(session: Session, shown: Mapping[str, str]) -> dict[str, Any]:
    """Return what a screen showed of terms; None for a field that was empty."""
    whole = ("supplier_id", "pack", "least")
    broken = ("price", "lead_days", "lead_days_sd")
    text = {name: shown.get(name, "") for name in ("currency", *whole, *broken)}
    return {
        "currency": fold_currency(session, as_kept("currency", text["currency"])),
        **{name: whole_number(f"shown {name}", text[name], high=2**31 - 1) for name in whole},
        **{name: decimal_number(f"shown {name}", text[name]) for name in broken},
    }


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
