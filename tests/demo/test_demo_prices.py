"""The made-up shop has its prices in the book before a part is fitted, and one of them changes."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from sqlalchemy import func, select

from pitwise.demo import shelf as demo_shelf
from pitwise.demo.scenario import fill
from pitwise.records.shelf_tables import ItemTerms, Movement, ShelfItem
from pitwise.records.tables import Fitting
from pitwise.services import money
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import open_book


def test_no_part_counts_by_a_price_of_later(tmp_path: Path) -> None:
    shop = open_book(f"sqlite:///{tmp_path / 'demo.db'}", durable=False)
    shop.prepare(demo=True)
    try:
        now = dt.datetime.now(dt.UTC).replace(minute=0, second=0, microsecond=0)
        fill(shop, until=now, days=8)
        first = (now - dt.timedelta(days=10)).date().isoformat()
        view = money.money_view(shop, SYSTEM, first=first, last=now.date().isoformat())
        assert view.total.parts >= 24
        assert (view.total.unpriced, view.total.by_first) == (0, 0)
        with shop.database.read() as session:
            priced = session.scalar(select(func.max(ItemTerms.at)).where(ItemTerms.id <= 27))
            fitted = session.scalar(select(func.min(Fitting.fitted_at)))
            assert priced is not None
            assert fitted is not None
            assert priced < fitted
            # What was in the torches when the book began came off no shelf.
            off = session.scalars(select(Movement).where(Movement.kind == "fitted")).all()
            assert all(m.inspection_id is not None for m in off)
            dear = session.execute(
                select(ItemTerms.price)
                .join(ShelfItem, ShelfItem.id == ItemTerms.item_id)
                .where(ShelfItem.name == demo_shelf.DEARER)
                .order_by(ItemTerms.id)
            ).scalars()
            assert list(dear) == [
                demo_shelf.HABITS["electrode"].price_eur,
                demo_shelf.DEARER_EUR,
            ]
    finally:
        shop.close()
