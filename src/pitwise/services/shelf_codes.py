"""One code, one thing: items, parts and orders share the scanner, and so share their codes."""

from __future__ import annotations

import re
from collections.abc import Callable

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import ShelfItem
from pitwise.records.tables import PartItem
from pitwise.services.errors import ConflictError

# How orders are named; no item and no part may be.
ORDER_CODE = re.compile(r"[Oo]-([0-9]+)")


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
