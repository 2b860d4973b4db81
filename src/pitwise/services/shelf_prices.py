"""What a piece cost at any moment: as paid, as asked, or its share of a kit."""

from __future__ import annotations

import datetime as dt
from bisect import bisect_right
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session, aliased

from pitwise.records.shelf_tables import ItemTerms, Movement, ShelfItem
from pitwise.services.shelf_read import kit_lines


@dataclass(frozen=True)
class Prices:
    """Prices of one piece of every part type, as of any moment.

    Attributes
    ----------
    paid, asked : dict of int to list of (moment, price, currency)
        By item, oldest first: what goods came in at, and what terms said.
    item_of : dict of int to int
        Item by part type.
    kits_of : dict of int to list of (kit, share)
        Kits that hold an item, and the share of the kit's price that one piece of it is.
    """

    paid: dict[int, list[tuple[dt.datetime, float, str]]] = field(default_factory=dict)
    asked: dict[int, list[tuple[dt.datetime, float, str]]] = field(default_factory=dict)
    item_of: dict[int, int] = field(default_factory=dict)
    kits_of: dict[int, list[tuple[int, float]]] = field(default_factory=dict)

    def of_item(self, item_id: int, at: dt.datetime) -> tuple[float, str] | None:
        """Return the price of one piece of an item: the last paid, else what terms said.

        Returns
        -------
        (price, currency) or None
            None: not known at that moment.
        """
        for known in (self.paid, self.asked):
            rows = known.get(item_id, [])
            place = bisect_right(rows, at, key=lambda r: r[0])
            if place:
                return rows[place - 1][1:]
        return None

    def at(self, part_type_id: int, at: dt.datetime) -> tuple[float, str] | None:
        """Return the price of one piece of a part type; see `price_at`."""
        item = self.item_of.get(part_type_id)
        if item is None:
            return None
        own = self.of_item(item, at)
        if own is not None:
            return own
        for kit, share in self.kits_of.get(item, []):
            whole = self.of_item(kit, at)
            if whole is not None:
                return whole[0] * share, whole[1]
        return None

    def first(self, part_type_id: int) -> tuple[float, str] | None:
        """Return the first price of a part type in the book: for what was fitted before it."""
        item = self.item_of.get(part_type_id)
        if item is None:
            return None
        own = [(item, 1.0), *self.kits_of.get(item, [])]
        rows = [
            (known[kept][0], share)
            for kept, share in own
            for known in (self.paid, self.asked)
            if known.get(kept)
        ]
        if not rows:
            return None
        (_, price, currency), share = min(rows, key=lambda r: r[0][0])
        return price * share, currency


def price_book(session: Session) -> Prices:
    """Read every price in the book at once, for asking often."""
    out = Prices()
    undone = aliased(Movement)
    for item, at, price, currency in session.execute(
        select(Movement.item_id, Movement.at, Movement.unit_price, Movement.currency)
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(
            Movement.kind == "goods-in",
            # 0 is no price: books of old may hold some.
            Movement.unit_price > 0,
            Movement.currency.is_not(None),
            undone.id.is_(None),
        )
        .order_by(Movement.at, Movement.id)
    ):
        out.paid.setdefault(item, []).append((at, float(price or 0), str(currency)))
    for item, at, price, currency in session.execute(
        select(ItemTerms.item_id, ItemTerms.at, ItemTerms.price, ItemTerms.currency)
        .where(ItemTerms.price > 0)
        .order_by(ItemTerms.at, ItemTerms.id)
    ):
        out.asked.setdefault(item, []).append((at, price, currency))
    for kept in session.scalars(select(ShelfItem).where(ShelfItem.part_type_id.is_not(None))):
        out.item_of[kept.part_type_id or 0] = kept.id
    for kit, holds in kit_lines(session).items():
        for item in holds:
            out.kits_of.setdefault(item, []).append((kit, 1 / sum(holds.values())))
    return out


def price_at(session: Session, part_type_id: int, at: dt.datetime) -> tuple[float, str] | None:
    """Return the price of one piece of a part type as of a moment.

    The last goods-in with a price, else the terms that held, else its share of a kit that
    holds it (a kit's price is shared evenly over its pieces).

    Returns
    -------
    (price, currency) or None
        None: not known then, which is not nothing.
    """
    return price_book(session).at(part_type_id, at)
