"""Records to print: two made by the services themselves, and ways to bend them."""

from __future__ import annotations

import copy
import datetime as dt
from pathlib import Path
from typing import Any

from pitwise.records.database import Database
from pitwise.records.tables import InspectionRow
from pitwise.services import drafts, fittings, people, setup, signing
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS

Record = dict[str, Any]
START = dt.datetime(2026, 3, 2, 5, 40, tzinfo=dt.UTC)
NOTE = (
    "Set torn down after the arc wandered on the last sheet. Coolant topped up by two litres; "
    "the flow lamp came on once at the start of the shift and not again."
)


class Clock:
    """A clock that goes on by 20 seconds at every look."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(seconds=20)
        return self.now


class Book:
    """A shop with one torch, and the signed inspections of it."""

    def __init__(self, folder: Path) -> None:
        self.clock = Clock()
        self.shop = Shop(Database(f"sqlite:///{folder / 'book.db'}"), self.clock)
        self.shop.prepare()
        person = people.first_admin(
            self.shop, login="maren", name="Maren Holt", password="a quiet morning shift"
        )
        self.lead = Actor(person.id, person.name, "admin")
        row = people.add_person(
            self.shop,
            self.lead,
            login="ilja",
            name="Ilja Wendt",
            role="technician",
            password="another quiet morning",
        )
        self.technician = Actor(row.id, row.name, "technician")
        lead, shop = self.lead, self.shop
        station = setup.add_station(shop, lead, name="Table 2, east bay", coolant="water")
        process = setup.add_process(
            shop,
            lead,
            name="130 A mild steel",
            amps=130,
            material="mild steel",
            plasma_gas="oxygen",
            shield_gas="air",
        )
        gauge = setup.add_gauge(
            shop, lead, name="Dial gauge 1", unit="mm", u_mm=0.05, source="gauge study, March 2026"
        )
        self.torch = setup.add_torch(
            shop, lead, name="Torch 2A", station_id=station, process_id=process, gauge_id=gauge
        )
        for slug in PART_SLUGS:
            kind = setup.add_part_type(shop, lead, part=slug, name=f"{slug} 130 A")
            fittings.fit_part(shop, lead, self.torch, part_type_id=kind)
        self._keys = 0

    def key(self) -> str:
        """Return a fresh submission key."""
        self._keys += 1
        return f"test-key-{self._keys:04d}"

    def inspect(
        self,
        *,
        starts: str,
        minutes: str,
        pits: tuple[str, ...],
        seen: tuple[tuple[str, str], ...] = (),
        overrules: tuple[tuple[str, str, str], ...] = (),
        note: str = "",
        lost: tuple[str, ...] = (),
    ) -> int:
        """Sign one inspection as the technician, overrules by the lead; return its number."""
        shop, who = self.shop, self.technician
        number = drafts.open_draft(shop, who, self.torch, key=self.key())
        drafts.confirm_cautions(shop, who, number)
        for part, finding in seen:
            drafts.set_mark(shop, who, number, part, finding, "seen")
        for slug in PART_SLUGS:
            drafts.set_look(shop, who, number, slug, looked=True)
            if slug in lost:
                drafts.set_lost(shop, who, number, slug, lost=True)
        for pit in pits:
            drafts.add_reading(shop, who, number, pit, key=self.key())
        for part, action, reason in overrules:
            drafts.set_overrule(shop, self.lead, number, part, action, reason)
        drafts.set_use(shop, who, number, starts=starts, arc_minutes=minutes, note=note)
        self.sign(number)
        return number

    def sign(self, number: int) -> None:
        """Answer what is asked, sign; the clock goes on by eight hours."""
        draft = drafts.read_draft(self.shop, self.technician, number)
        asked = [f.code for f in draft.decision.open_questions()]
        asked += [s.code for s in draft.use_slips if s.code not in draft.answers]
        for code in asked:
            drafts.answer_question(self.shop, self.technician, number, code)
        signing.sign(self.shop, self.technician, number, key=self.key())
        self.clock.now += dt.timedelta(hours=8)

    def record(self, number: int) -> tuple[Record, str]:
        """Return a signed record and its hash."""
        with self.shop.database.read() as session:
            row = session.get(InspectionRow, number)
            assert row is not None
            assert row.record_sha256 is not None
            return signing.record_of(row), row.record_sha256


def made(folder: Path) -> dict[str, tuple[Record, str]]:
    """Return records by what they show: clean, busy, corrected."""
    book = Book(folder)
    clean = book.inspect(starts="120", minutes="70", pits=("0.22 mm",))
    busy = book.inspect(
        starts="430",
        minutes="262.5",
        pits=("0.93 mm", "0.95 mm", "0.91 mm"),
        seen=(
            ("shield-cap", "spatter-attached"),
            ("shield", "pink-stain"),
            ("nozzle", "orifice-nicked"),
            ("swirl-ring", "crack"),
            ("retaining-cap", "coolant-darkening"),
        ),
        overrules=(
            ("swirl-ring", "keep", "Tool mark from last month, not a crack; seen under the glass."),
        ),
        note=NOTE,
        lost=("nozzle",),
    )
    again = signing.correct(
        book.shop,
        book.technician,
        busy,
        reason="The swirl ring was cracked after all: seen again in daylight.",
        key=book.key(),
    )
    book.sign(again)
    return {
        name: book.record(n) for name, n in (("clean", clean), ("busy", busy), ("corrected", again))
    }


def bent(record: Record, **changes: Any) -> Record:
    """Return a copy of a record with some of its top fields changed."""
    return {**copy.deepcopy(record), **changes}


def part_of(record: Record, slug: str) -> Record:
    """Return a record's entry of one part."""
    part: Record = next(p for p in record["parts"] if p["part"] == slug)
    return part
