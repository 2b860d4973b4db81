"""One code, one thing: items, parts and orders share the scanner, and so share their codes."""

from __future__ import annotations

import re
from collections.abc import Callable

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import ShelfItem, ShelfOrder
from pitwise.records.tables import PartItem
from pitwise.services.errors import ConflictError, NotFoundError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_model import Found
from pitwise.services.shopfloor import Shop

# How orders are named; no item and no part may be.
ORDER_CODE = re.compile(r"[Oo]-([0-9]+)")
# What may be an order's number: more digits are no number that the book could have given.
_ORDER = re.compile(r"[Oo]-([0-9]{1,9})")


def refuse_order_code(place: str, code: str) -> None:
    """Refuse a code that would read as an order's."""
    if ORDER_CODE.fullmatch(code):
        raise ConflictError(place, f"'{code}' is how orders are named", "choose another")


def refuse_code_of_item(session: Session, place: str, code: str, but: int | None = None) -> None:
    """Refuse a code that is on an item of the shelf; capitals make no difference."""
    twin = session.scalar(select(ShelfItem).where(func.lower(ShelfItem.code) == code.lower()))
    if twin is not None and twin.id != but:
        raise ConflictError(place, f"'{code}' is the code of '{twin.name}'", "choose another")


def refuse_tag_of_part(session: Session, place: str, code: str) -> None:
    """Refuse a code that is on an individual part; capitals make no difference."""
    if session.scalar(select(PartItem.id).where(func.lower(PartItem.tag) == code.lower())):
        raise ConflictError(place, f"'{code}' is the tag of a part", "choose another")


def next_free(session: Session, number: int, code: Callable[[int], str]) -> str:
    """Return the first code from a number on that neither an item nor a part has."""
    while True:
        low = code(number).lower()
        item = session.scalar(select(ShelfItem.id).where(func.lower(ShelfItem.code) == low))
        part = session.scalar(select(PartItem.id).where(func.lower(PartItem.tag) == low))
        if item is None and part is None:
            return code(number)
        number += 1


def order_code(order_id: int) -> str:
    """Return what an order's label says."""
    return f"O-{order_id:04d}"


def by_code(shop: Shop, actor: Actor, code: str) -> Found:
    """Return what a scanned or typed code belongs to: an item, a part, or an order.

    Capitals make no difference, unless two codes differ by nothing else.

    Raises
    ------
    NotFoundError
        Nothing has that code.
    """
    require(actor, "view")
    code = clean_text("code", code, longest=80)
    low = code.lower()
    with shop.database.read() as session:
        items = session.scalars(select(ShelfItem).where(func.lower(ShelfItem.code) == low)).all()
        for item in items:
            if len(items) == 1 or item.code == code:
                return Found("item", item.id, item.name)
        parts = session.scalars(select(PartItem).where(func.lower(PartItem.tag) == low)).all()
        for part in parts:
            if len(parts) == 1 or part.tag == code:
                return Found("part", part.id, part.tag)
        named = _ORDER.fullmatch(code)
        order = session.get(ShelfOrder, int(named[1])) if named else None
        if order is not None:
            return Found("order", order.id, order_code(order.id))
    raise NotFoundError(
        "code",
        f"nothing has the code '{code[:40]}'",
        "scan it again, or look the item up by its name",
    )
