"""The day it is at the shop: one for orders, plans, the order list, limits and the sheet."""

from __future__ import annotations

import datetime as dt
import time
from collections.abc import Iterator
from typing import Any

import pytest

from kit import Floor
from pitwise.services import (
    limits,
    order_list,
    periods,
    plan_page,
    planned_work,
    shelf_alerts,
    shelf_orders,
    shelf_rules,
    shelf_suppliers,
    shelf_terms,
)
from shelf_kit import shelf_on

# 1 April 2031, nine in the morning in Auckland; 31 March by UTC.
MOMENT = dt.datetime(2031, 3, 31, 20, 0, tzinfo=dt.UTC)
DAY = dt.date(2031, 4, 1)


@pytest.fixture(params=["TZ", "PITWISE_TIMEZONE"])
def far_east(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The shop in Auckland: by the machine's own zone, or by the zone it names."""
    monkeypatch.delenv("PITWISE_TIMEZONE", raising=False)
    monkeypatch.setenv(request.param, "Pacific/Auckland")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("far_east")
def test_everything_that_goes_by_days_goes_by_the_shops_day(lite: Floor) -> None:
    shelf = shelf_on(lite)
    shop, lead = lite.shop, lite.lead
    lite.clock.now = MOMENT
    supplier = shelf_suppliers.add_supplier(shop, lead, name="Spares 1")
    given: Any = {"price": "1", "currency": "EUR"}
    for item, days in ((shelf.nozzle, "0"), (shelf.electrode, "7")):
        shelf_terms.set_terms(shop, lead, item, supplier_id=supplier, lead_days=days, **given)
    number = shelf_orders.place_order(
        shop, lead, supplier_id=supplier, lines=[(shelf.nozzle, 1)], key=lite.key()
    )
    rule: Any = {"service": "95", "order_cost": "30", "hold_rate": "20"}
    shelf_rules.set_rule(shop, lead, shelf.electrode, keep_least="4", **rule)

    assert periods.today(MOMENT) == DAY
    assert planned_work.today_of(shop) == DAY
    assert plan_page.plan_view(shop, lead).today == DAY
    found = order_list.order_list(shop, lead)
    assert found.day == DAY
    assert [row.needed_by for s in found.suppliers for row in s.rows] == [DAY]
    (line,) = shelf_orders.order_view(shop, lead, number).lines
    assert (line.expected_on, line.late) == (DAY, False)
    limits.add_limit(
        shop,
        lead,
        depth="0.9 mm",
        compare=">=",
        process_id=None,
        source="the manual",
        reason="new on this table",
    )
    with shop.database.read() as session:
        assert [x.since for x in shop.sheet(session).limits if x.shop] == [DAY]

    # An hour before its midnight the order is not late yet; an hour after, by all accounts.
    lite.clock.now = MOMENT + dt.timedelta(hours=14)
    assert not shelf_orders.order_view(shop, lead, number).late
    assert "late" not in {a.level for a in shelf_alerts.alerts(shop, lead)}
    lite.clock.now = MOMENT + dt.timedelta(hours=16)
    assert shelf_orders.order_view(shop, lead, number).late
    assert "late" in {a.level for a in shelf_alerts.alerts(shop, lead)}
