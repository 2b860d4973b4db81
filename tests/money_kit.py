"""A small book of money, reckoned by hand."""

from __future__ import annotations

import datetime as dt
import sqlite3

from sqlalchemy import select

from kit import START, Floor
from pitwise.records.tables import PartType
from pitwise.services import drafts, imports, shelf_items, signing
from pitwise.services.shelf_suppliers import add_supplier
from pitwise.services.shelf_terms import set_terms

# 1 m of cut in one minute of arc.
SLOW = b"G21\nM3\nG1 X1000 F1000\nM5\n"


def price(
    floor: Floor, part: str, amount: str, currency: str = "EUR", supplier: int | None = None
) -> int:
    """Put a price on the fixture's part type of a part."""
    with floor.shop.database.read() as session:
        kind = session.scalars(select(PartType).where(PartType.part == part)).one()
    item = shelf_items.add_item(floor.shop, floor.lead, kind="part", part_type_id=kind.id)
    given = supplier or add_supplier(floor.shop, floor.lead, name=f"Supplier of {part}s")
    set_terms(
        floor.shop,
        floor.lead,
        item,
        supplier_id=given,
        price=amount,
        currency=currency,
        lead_days="7",
    )
    return item


def lose(floor: Floor, starts: str, minutes: str, pit: str = "0.50 mm") -> int:
    """Sign an inspection that finds the electrode lost in the cut, its emitter blown."""
    number = floor.draft()
    drafts.set_mark(floor.shop, floor.tech, number, "electrode", "emitter-blown", "seen")
    floor.look_all(number)
    drafts.set_use(floor.shop, floor.tech, number, starts=starts, arc_minutes=minutes)
    draft = drafts.add_reading(floor.shop, floor.tech, number, pit, key=floor.key())
    drafts.set_lost(floor.shop, floor.tech, number, "electrode", lost=True)
    for flag in draft.decision.open_questions():
        drafts.answer_question(floor.shop, floor.tech, number, flag.code)
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    floor.clock.forward(days=1)
    return number


# The small book once made, and when its clock stood: making it takes longer than most tests.
_made: list[tuple[sqlite3.Connection, dt.datetime]] = []


def small_book(floor: Floor) -> None:
    """Fill a new book as `fill` does; on SQLite it is filled once and copied from then on."""
    engine = floor.shop.database.engine
    if engine.dialect.name != "sqlite" or floor.clock.now != START:
        fill(floor)
        return
    own = sqlite3.connect(str(engine.url.database))
    try:
        if _made:
            _made[0][0].backup(own)
            floor.clock.now = _made[0][1]
        else:
            fill(floor)
            kept = sqlite3.connect(":memory:")
            own.backup(kept)
            _made.append((kept, floor.clock.now))
    finally:
        own.close()


def fill(floor: Floor) -> None:
    """Fill the book: two priced parts, a worn electrode, a lost one.

    Day 0 prices, program; the counters are first read, at 100 starts and 50 minutes. Day 1 the
    electrode is past its limit after 200 starts more. Day 2 the next one is lost in the cut
    after another 100.
    """
    price(floor, "electrode", "20")
    price(floor, "nozzle", "30")
    imports.import_file(floor.shop, floor.tech, "slow.nc", SLOW, way="upload")
    floor.inspect("0.40 mm", starts="100", minutes="50")
    floor.inspect("1.60 mm", starts="300", minutes="150")
    lose(floor, "400", "200")
