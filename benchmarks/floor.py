"""A book for benchmarks, made through the services as a shop would make it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

from pitwise.services import drafts, fittings, people, setup
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop, open_book
from pitwise.trade.model import PART_SLUGS

PASSWORD = "a long enough word"
_names = itertools.count(1)


def key() -> str:
    return f"benchmark-{next(_names):08d}"


@dataclass(frozen=True)
class Floor:
    """A durable book with technicians and torches, every torch with a whole set fitted."""

    shop: Shop
    url: str
    file: Path
    technicians: list[tuple[str, Actor]]
    torches: list[int]


def furnish(folder: Path, *, technicians: int, torches: int) -> Floor:
    """Make a book in a folder; durable, as the one a shop works on."""
    file = folder / "book.db"
    url = f"sqlite:///{file}"
    shop = open_book(url)
    shop.prepare()
    first = people.first_admin(shop, login="ada", name="Ada Quill", password=PASSWORD)
    admin = Actor(first.id, first.name, first.role)
    crew = []
    for number in range(1, technicians + 1):
        login = f"tech{number}"
        person = people.add_person(
            shop,
            admin,
            login=login,
            name=f"Technician {number}",
            role="technician",
            password=PASSWORD,
        )
        crew.append((login, Actor(person.id, person.name, person.role)))
    lead_view = people.add_person(
        shop, admin, login="lin", name="Lin Ödegård", role="lead", password=PASSWORD
    )
    lead = Actor(lead_view.id, lead_view.name, lead_view.role)
    station = setup.add_station(shop, lead, name="Table 1", coolant=shop.base.coolants[0].id)
    process = setup.add_process(
        shop, lead, name="130 A mild steel", amps=130, material="mild steel", plasma_gas="oxygen"
    )
    gauge = setup.add_gauge(shop, lead, name="Gauge 7", unit="mm", u_mm=0.02, source="our study")
    numbers = [
        setup.add_torch(
            shop,
            lead,
            name=f"Torch {number}",
            station_id=station,
            process_id=process,
            gauge_id=gauge,
        )
        for number in range(1, torches + 1)
    ]
    for slug in PART_SLUGS:
        kind = setup.add_part_type(shop, lead, part=slug, name=f"{slug} kind A")
        for torch in numbers:
            fittings.fit_part(shop, lead, torch, part_type_id=kind)
    return Floor(shop, url, file, crew, numbers)


def open_inspection(floor: Floor, actor: Actor, torch: int) -> int:
    """Open an inspection with its cautions confirmed."""
    number = drafts.open_draft(floor.shop, actor, torch, key=key())
    drafts.confirm_cautions(floor.shop, actor, number)
    return number


def finished_draft(floor: Floor, actor: Actor, torch: int) -> int:
    """Carry an inspection to where only the signature is missing."""
    number = open_inspection(floor, actor, torch)
    drafts.set_mark(floor.shop, actor, number, "nozzle", "scale", "seen")
    for slug in PART_SLUGS:
        drafts.set_look(floor.shop, actor, number, slug, looked=True)
    draft = drafts.add_reading(floor.shop, actor, number, "0.40 mm", key=key())
    for flag in draft.decision.open_questions():
        draft = drafts.answer_question(floor.shop, actor, number, flag.code)
    obstacles = draft.obstacles()
    if obstacles:
        raise RuntimeError(f"the benchmark's draft can't be signed: {' '.join(obstacles)}")
    return number
