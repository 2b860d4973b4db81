"""What was cut with a process keeps it, whatever the torch cuts with now."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import select

from kit import START, Floor
from money_kit import price
from pitwise.records.audit import canonical
from pitwise.records.tables import AuditRow, Torch
from pitwise.services import fittings, setup
from pitwise.services.life_book import part_lives
from pitwise.services.money import money_view
from pitwise.services.usual_process import usual_processes

ALL = {"first": "2031-01-01", "last": "2031-12-31"}
OLD, NEW = "300 A mild steel", "130 A mild steel"


def change(floor: Floor, name: str = NEW) -> int:
    """Give the torch a new usual process."""
    process = setup.add_process(
        floor.shop,
        floor.lead,
        name=name,
        amps=130,
        material="mild steel",
        plasma_gas="oxygen",
        shield_gas="air",
    )
    with floor.shop.database.read() as session:
        torch = session.get_one(Torch, floor.torch)
        gauge, due = torch.gauge_id, torch.due_starts
    setup.change_torch(
        floor.shop, floor.lead, floor.torch, process_id=process, gauge_id=gauge, due_starts=due
    )
    return process


def by_process(floor: Floor) -> dict[str, int]:
    told = money_view(floor.shop, floor.lead, by="process", **ALL)
    return {line.name: line.parts for line in told.lines}


def test_a_new_usual_process_leaves_past_costs_where_they_were(floor: Floor) -> None:
    price(floor, "electrode", "10")
    floor.clock.forward(days=1)
    before = money_view(floor.shop, floor.lead, by="process", **ALL).lines
    assert [(x.name, x.parts) for x in before] == [(OLD, 16)]
    change(floor)
    assert money_view(floor.shop, floor.lead, by="process", **ALL).lines == before
    # What is fitted by hand from now on is the new one's.
    floor.clock.forward(days=1)
    with floor.shop.database.read() as session:
        kind = fittings.fitted(session, floor.torch)["electrode"].item.part_type_id
    fittings.fit_part(floor.shop, floor.tech, floor.torch, part_type_id=kind)
    assert by_process(floor) == {OLD: 16, NEW: 1}
    # The one that came out before anybody looked at it ended with the new one; so it stays.
    floor.clock.forward(days=1)
    change(floor, "45 A mild steel")
    with floor.shop.database.read() as session:
        (ended,) = [x for x in part_lives(session) if x.ended_at is not None]
    assert ended.process == NEW
    assert by_process(floor) == {OLD: 16, NEW: 1}


def _as_older_versions_wrote(floor: Floor) -> None:
    """Take out of the trail what it did not hold before; the chain is not looked at here."""
    with floor.shop.database.write() as session:
        connection = session.connection()
        connection.exec_driver_sql("DROP TRIGGER audit_no_update")
        for row in session.scalars(
            select(AuditRow).where(AuditRow.action.in_(("torch-added", "torch-changed")))
        ):
            said = json.loads(row.detail)
            said.pop("process_before", None)
            if row.action == "torch-added":
                said.pop("process", None)
            row.detail = canonical(said)


@pytest.mark.parametrize("looked_before", [True, False])
def test_where_an_older_trail_does_not_say_the_nearest_inspection_does(
    lite: Floor, looked_before: bool
) -> None:
    lite.clock.forward(days=1)
    with lite.shop.database.read() as session:
        old = session.get_one(Torch, lite.torch).process_id
    if looked_before:
        lite.inspect("0.40 mm", starts="100", minutes="50")
    new = change(lite)
    lite.clock.forward(days=1)
    lite.inspect("0.45 mm", starts="200", minutes="100")
    _as_older_versions_wrote(lite)
    with lite.shop.database.read() as session:
        usual = usual_processes(session)
    assert usual.at(lite.torch, START) == (old if looked_before else new)
    assert usual.at(lite.torch, lite.clock.now) == new
    assert usual.at(lite.other, START) == old
