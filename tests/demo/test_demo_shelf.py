"""The made-up shop's shelf: told through the services, the same again, and as the demo shows it."""

from __future__ import annotations

import datetime as dt
import itertools

import pytest
from sqlalchemy import select

from kit import Floor
from pitwise.demo import shelf as demo_shelf
from pitwise.demo.plates import PROGRAMS
from pitwise.demo.shelf import ShelfStory
from pitwise.records.shelf_tables import Movement
from pitwise.records.tables import PartType
from pitwise.services import fittings, imports, planned_work, setup, shelf_items, shelf_orders
from pitwise.services.book import verify_book
from pitwise.services.people import SYSTEM
from pitwise.trade import base_sheet


def a_year(floor: Floor) -> ShelfStory:
    """Let the shop keep its shelf for a year, with parts eaten as in the demo."""
    for part in base_sheet().parts:
        for process in ("300", "130", "200S"):
            setup.add_part_type(floor.shop, floor.lead, part=part.id, name=f"{part.name} {process}")
    for name, make in PROGRAMS:
        imports.import_file(floor.shop, floor.lead, name, make().encode(), way="upload")
    with floor.shop.database.read() as session:
        types = {t.name: t.id for t in session.scalars(select(PartType))}
    story = ShelfStory(
        floor.shop, floor.lead, floor.tech, 2026, lambda m: floor.clock.forward(minutes=m)
    )
    story.furnish()
    for step in range(52):
        floor.clock.forward(days=7)
        for torch, process in ((floor.torch, "300"), (floor.other, "130")):
            for name in ("Electrode", "Nozzle"):
                kind = types[f"{name} {process}"]
                fittings.fit_part(floor.shop, floor.tech, torch, part_type_id=kind)
        story.go_on(step / 51)
    return story


def test_a_year_of_the_shelf(lite: Floor) -> None:
    story = a_year(lite)
    shop = lite.shop
    torches = {"North 1": lite.torch, "South 1": lite.other, "South 2": lite.other}
    story.finish(torches)
    lines = {x.name: x for x in shelf_items.item_lines(shop, SYSTEM)}
    assert all(x.terms is not None for x in lines.values() if x.name[0].isupper() and x.part)
    assert lines[demo_shelf.OVERLOOKED].on_shelf <= 1
    assert lines[demo_shelf.OVERLOOKED].on_order == 0
    assert lines[demo_shelf.OVERLOOKED].rule.of == "item"
    still = shelf_orders.orders(shop, SYSTEM, "open")
    assert {v.supplier for v in still} == {name for name, *_ in demo_shelf.SUPPLIERS}
    assert any(x.received and x.outstanding for v in still for x in v.lines)
    assert len(shelf_orders.orders(shop, SYSTEM, "received")) > 5
    with shop.database.read() as session:
        moved = session.scalars(select(Movement).order_by(Movement.id)).all()
        kinds = {m.kind for m in moved}
        assert kinds >= {"goods-in", "fitted", "taken", "scrapped", "counted", "undone"}
        assert len(story.bad_lots) == 1
        (bad,) = story.bad_lots
        worn = [m for m in moved if m.lot == bad and m.kind == "fitted"]
        assert worn
        assert {m.item_id for m in worn} == {lines[demo_shelf.BAD_ITEM].id}
        plans = planned_work.planned(session)
    assert len(plans) == len(demo_shelf.PLANNED)
    assert all(b.at >= a.at for a, b in itertools.pairwise(moved))
    assert story.faster(bad) == demo_shelf.BAD_FASTER
    assert story.faster("another") == story.faster(None) == 1.0
    assert verify_book(shop, SYSTEM).faults == ()


def test_it_comes_out_the_same_again(lite: Floor) -> None:
    # Its dice are its own: the same seed throws the same, whatever else is thrown.
    one, two = (
        ShelfStory(lite.shop, lite.lead, lite.tech, 7, lambda _: None)._random.random()
        for _ in range(2)
    )
    assert one == two


@pytest.mark.parametrize("name", sorted({name for _, name, *_ in demo_shelf.PLANNED}))
def test_what_is_planned_is_a_program_of_the_demo(name: str) -> None:
    assert name in {file for file, _ in PROGRAMS}
    for _, _, plates, first, last in demo_shelf.PLANNED:
        assert plates > 0
        assert 0 < first <= last <= dt.timedelta(weeks=3).days
