"""A small shop floor for tests, on SQLite and on PostgreSQL, made fresh for every test."""

from __future__ import annotations

import datetime as dt
import itertools
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg
import pytest
from argon2 import PasswordHasher
from sqlalchemy import make_url

from book_fixture import postgres_url
from pitwise.records.database import Database
from pitwise.services import drafts, fittings, people, setup, signing
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS

KINDS = ("sqlite", "postgres")
PASSWORD = "a long enough word"
START = dt.datetime(2031, 3, 3, 6, 0, tzinfo=dt.UTC)
_count = itertools.count(1)
_templates: dict[str, tuple[str, Floor]] = {}


class TestClock:
    """A clock that tests set forward by hand."""

    __test__ = False

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> dt.datetime:
        return self.now

    def forward(self, **more: float) -> None:
        self.now += dt.timedelta(**more)


@dataclass
class Floor:
    """Two torches with sets fitted, and somebody in every role."""

    shop: Shop
    clock: TestClock
    admin: Actor
    lead: Actor
    tech: Actor
    torch: int
    other: int

    def key(self) -> str:
        return f"test-{os.getpid()}-{next(_count):08d}"

    def draft(self, torch: int | None = None, *, cautions: bool = True) -> int:
        number = drafts.open_draft(self.shop, self.tech, torch or self.torch, key=self.key())
        if cautions:
            drafts.confirm_cautions(self.shop, self.tech, number)
        return number

    def look_all(self, number: int, *, skip: tuple[str, ...] = ()) -> None:
        for slug in PART_SLUGS:
            if slug not in skip:
                drafts.set_look(self.shop, self.tech, number, slug, looked=True)

    def inspect(
        self,
        pit: str = "0.40 mm",
        *,
        torch: int | None = None,
        seen: tuple[tuple[str, str], ...] = (),
        starts: str = "",
        minutes: str = "",
        reset: bool = False,
    ) -> int:
        """Carry a whole inspection through and sign it."""
        number = self.draft(torch)
        for part, finding in seen:
            drafts.set_mark(self.shop, self.tech, number, part, finding, "seen")
        self.look_all(number)
        drafts.add_reading(self.shop, self.tech, number, pit, key=self.key())
        drafts.set_use(
            self.shop, self.tech, number, starts=starts, arc_minutes=minutes, reset=reset
        )
        signing.sign(self.shop, self.tech, number, key=self.key())
        self.clock.forward(days=1)
        return number


def _actor(person: people.PersonView) -> Actor:
    return Actor(person.id, person.name, person.role)


def _furnish(shop: Shop, clock: TestClock) -> Floor:
    admin = _actor(people.first_admin(shop, login="ada", name="Ada Quill", password=PASSWORD))
    lead = _actor(
        people.add_person(
            shop, admin, login="lin", name="Lin Ödegård", role="lead", password=PASSWORD
        )
    )
    tech = _actor(
        people.add_person(
            shop, admin, login="tom", name="Tom Reed", role="technician", password=PASSWORD
        )
    )
    station = setup.add_station(shop, lead, name="Table 1", coolant="water")
    process = setup.add_process(
        shop,
        lead,
        name="300 A mild steel",
        amps=300,
        material="mild steel",
        plasma_gas="oxygen",
        shield_gas="air",
    )
    gauge = setup.add_gauge(shop, lead, name="Gauge 7", unit="mm", u_mm=0.02, source="our study")
    torches = [
        setup.add_torch(
            shop,
            lead,
            name=name,
            station_id=station,
            process_id=process,
            gauge_id=gauge,
            due_starts=400,
        )
        for name in ("Torch A", "Torch B")
    ]
    for slug in PART_SLUGS:
        kind = setup.add_part_type(shop, lead, part=slug, name=f"{slug} 300")
        for torch in torches:
            fittings.fit_part(shop, tech, torch, part_type_id=kind)
    return Floor(shop, clock, admin, lead, tech, torches[0], torches[1])


def _make(url: str) -> Floor:
    clock = TestClock()
    shop = Shop(Database(url, durable=False), clock)
    shop.prepare()
    return _furnish(shop, clock)


def _template(kind: str, folder: Path) -> tuple[str, Floor]:
    """A furnished book, made once per process and copied for every test."""
    if kind not in _templates:
        quick = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(people, "HASHER", quick)
            if kind == "sqlite":
                file = folder / "template.db"
                floor = _make(f"sqlite:///{file}")
                with floor.shop.database.engine.connect() as connection:
                    connection.exec_driver_sql("COMMIT")
                    connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
                    connection.exec_driver_sql("BEGIN")
                place = str(file)
            else:
                place = f"pitwise_template_{os.getpid()}"
                base = postgres_url()
                with psycopg.connect(base, autocommit=True) as connection:
                    connection.execute(f"CREATE DATABASE {place}".encode())
                floor = _make(_with_name(base, place))
            floor.shop.close()
        _templates[kind] = (place, floor)
    return _templates[kind]


def _with_name(base: str, name: str) -> str:
    return make_url(base).set(database=name).render_as_string(hide_password=False)


@contextmanager
def book_url(kind: str, folder: Path, session_folder: Path) -> Iterator[str]:
    """Give the address of a furnished book of its own."""
    place, _ = _template(kind, session_folder)
    if kind == "sqlite":
        file = folder / f"book-{next(_count)}.db"
        shutil.copy(place, file)
        yield f"sqlite:///{file}"
        return
    base = postgres_url()
    name = f"pitwise_test_{os.getpid()}_{next(_count)}"
    with psycopg.connect(base, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name} TEMPLATE {place}".encode())
    try:
        yield _with_name(base, name)
    finally:
        with psycopg.connect(base, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)".encode())


@contextmanager
def open_floor(kind: str, folder: Path, session_folder: Path) -> Iterator[Floor]:
    """Open a furnished book of its own."""
    with book_url(kind, folder, session_folder) as url:
        _, made = _template(kind, session_folder)
        clock = TestClock()
        shop = Shop(Database(url), clock)
        try:
            yield Floor(shop, clock, made.admin, made.lead, made.tech, made.torch, made.other)
        finally:
            shop.close()
