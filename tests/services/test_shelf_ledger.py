"""The ledger: lines are never changed, sums come out even, and nothing below zero is hidden."""

from __future__ import annotations

import pytest

from kit import Floor
from pitwise.records.tables import PartType
from pitwise.services import shelf_items, shelf_ledger
from pitwise.services.book import verify_book
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError, ServiceError
from pitwise.services.people import SYSTEM


@pytest.fixture
def shelf(floor: Floor) -> Floor:
    with floor.shop.database.read() as session:
        types = [t.id for t in shelf_items.missing_types(session)]
    shelf_items.add_items_for_types(floor.shop, floor.lead, types)
    return floor


def test_smoke(shelf: Floor) -> None:
    lines = shelf_items.item_lines(shelf.shop, shelf.tech)
    assert [x.part for x in lines][:3] == ["shield-cap", "shield", "retaining-cap"]
    item = lines[3].id
    shelf_ledger.goods_in(shelf.shop, shelf.tech, item_id=item, pieces="3", key=shelf.key(), lot="A")
    shelf.inspect(seen=(("nozzle", "arc-marks"),))
    for line in shelf_ledger.movements(shelf.shop, shelf.tech, item):
        print(line)
    assert verify_book(shelf.shop, SYSTEM).faults == ()
