"""A shop on SQLite and on PostgreSQL, and a small book made through the services."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import itertools
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
from sqlalchemy import make_url

from pitwise.records.database import Database
from pitwise.records.photo_tables import DecisionMeasure, HoleMeasure, Photo, PhotoBlob
from pitwise.services import drafts, fittings, people, setup, signing
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS

KINDS = ("sqlite", "postgres")
START = dt.datetime(2031, 3, 3, 6, 0, tzinfo=dt.UTC)
# One grey pixel, as PNG.
A_PIXEL = base64.b64decode(
    "iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNoAAAAggCBd81ytgAAAABJRU5ErkJggg=="
)
_names = itertools.count(1)
# Hashing passwords properly takes most of a test's time; what is kept is not looked into.
_QUICK_HASH = "$argon2id$v=19$m=8,t=1,p=1$c29tZXNhbHQ$ZHVtbXk"


class Clock:
    """A clock that goes on by a minute every time it is looked at."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(minutes=1, microseconds=1003)
        return self.now


def postgres_url() -> str:
    """Return the test PostgreSQL's address; skip the test without one."""
    url = os.environ.get("PITWISE_TEST_POSTGRES")
    if not url:
        pytest.skip("PITWISE_TEST_POSTGRES is not set: no PostgreSQL to test on")
    return url


@contextmanager
def empty_url(kind: str, folder: Path) -> Iterator[str]:
    """Give the address of a place for a new book; a database of its own on PostgreSQL."""
    if kind == "sqlite":
        yield f"sqlite:///{folder / f'book-{next(_names)}.db'}"
        return
    base = postgres_url()
    name = f"pitwise_book_{os.getpid()}_{next(_names)}"
    with psycopg.connect(base, autocommit=True) as connection:
        connection.execute(f"CREATE DATABASE {name}")  # type: ignore[arg-type,unused-ignore]
    try:
        url = make_url(base).set(database=name)
        yield url.render_as_string(hide_password=False)
    finally:
        with psycopg.connect(base, autocommit=True) as connection:
            connection.execute(f"DROP DATABASE {name} WITH (FORCE)")  # type: ignore[arg-type,unused-ignore]


@contextmanager
def open_shop(url: str) -> Iterator[Shop]:
    """Open a shop on a book, made new when there is none."""
    database = Database(url)
    try:
        shop = Shop(database, Clock())
        shop.prepare()
        yield shop
    finally:
        database.close()


def _key(word: str) -> str:
    return f"{word}-{next(_names):08d}"


def inspect(
    shop: Shop,
    actor: Actor,
    torch: int,
    *,
    seen: tuple[tuple[str, str], ...] = (),
    absent: tuple[tuple[str, str], ...] = (),
    pit: tuple[str, ...] = ("0.41 mm",),
    starts: int,
    minutes: float,
    overrule: tuple[str, str] | None = None,
    lead: Actor | None = None,
    lost: str | None = None,
    answer: bool = False,
    photographed: bool = False,
) -> int:
    """Make and sign one inspection through the services."""
    ident = drafts.open_draft(shop, actor, torch, key=_key("open"))
    drafts.confirm_cautions(shop, actor, ident)
    for part, finding in seen:
        drafts.set_mark(shop, actor, ident, part, finding, "seen")
    for part, finding in absent:
        drafts.set_mark(shop, actor, ident, part, finding, "absent")
    for part in PART_SLUGS:
        drafts.set_look(shop, actor, ident, part, looked=True)
        if part == lost:
            drafts.set_lost(shop, actor, ident, part, lost=True)
    for text in pit:
        drafts.add_reading(shop, actor, ident, text, key=_key("read"))
    drafts.set_use(
        shop, actor, ident, starts=str(starts), arc_minutes=str(minutes), note="=made up, for tests"
    )
    if overrule is not None:
        part, action = overrule
        drafts.set_overrule(shop, lead or actor, ident, part, action, "+ looked at it twice")
    if photographed:
        _photograph(shop, actor, ident)
    draft = drafts.read_draft(shop, actor, ident)
    if answer:
        for flag in draft.decision.open_questions():
            draft = drafts.answer_question(shop, actor, ident, flag.code)
    assert draft.obstacles() == []
    signing.sign(shop, actor, ident, key=_key("sign"))
    return ident


def _photograph(shop: Shop, actor: Actor, ident: int) -> None:
    """Put one photo of the nozzle, its measure and the measured quantity into a draft."""
    assert actor.person_id is not None
    digest = hashlib.sha256(A_PIXEL).hexdigest()
    by, at = actor.person_id, shop.clock()
    with shop.database.write() as session:
        session.add(PhotoBlob(sha256=digest, media="image/png", size=len(A_PIXEL), content=A_PIXEL))
        session.flush()
        photo = Photo(
            key=_key("photo"),
            blob_sha256=digest,
            upload_sha256="0" * 64,
            width=1,
            height=1,
            bits=8,
            part="nozzle",
            part_item_id=1,
            part_type_id=1,
            inspection_id=ident,
            purpose="bench",
            taken_by=by,
            at=at,
        )
        session.add(photo)
        session.flush()
        session.add(
            HoleMeasure(
                key=_key("hole"),
                inspection_id=ident,
                part="nozzle",
                part_item_id=1,
                feature="orifice",
                photo_ids=f"[{photo.id}]",
                body="{}",
                engine="made up",
                diameter_mm=2.01,
                diameter_u_mm=0.01,
                refused=False,
                by=by,
                at=at,
                # Its made-up body says nothing that a decision could be made on.
                taken_out=True,
            )
        )
        session.add(
            DecisionMeasure(
                inspection_id=ident,
                part="nozzle",
                quantity="orifice-diameter",
                part_item_id=1,
                value_mm=2.01,
                u_mm=0.01,
                limit_mm=2.2,
                p_over=0.0,
            )
        )


def fill(shop: Shop) -> list[int]:
    """Fill a book: people, stations, torches, parts, inspections, an overrule, a correction.

    Returns
    -------
    list of int
        The signed inspections, the last of which corrects the one before it.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(people, "HASHER", type("Quick", (), {"hash": lambda _s, _p: _QUICK_HASH})())
        admin_view = people.first_admin(
            shop, login="ada", name="Ada Quill", password="long enough here"
        )
        admin = Actor(admin_view.id, admin_view.name, "admin")
        lead_view = people.add_person(
            shop, admin, login="lin", name="Lin Ödegård", role="lead", password="long enough here"
        )
        tech_view = people.add_person(
            shop, admin, login="tom", name="Tom Reed", role="technician", password="long enough 2"
        )
    lead = Actor(lead_view.id, lead_view.name, "lead")
    tech = Actor(tech_view.id, tech_view.name, "technician")
    station = setup.add_station(shop, lead, name="Table 1", coolant=shop.base.coolants[0].id)
    process = setup.add_process(
        shop, lead, name="130 A mild steel", amps=130, material="mild steel", plasma_gas="oxygen"
    )
    gauge = setup.add_gauge(shop, lead, name="Gauge 7", unit="mm", u_mm=0.02, source="our study")
    torches = [
        setup.add_torch(
            shop, lead, name=name, station_id=station, process_id=process, gauge_id=gauge
        )
        for name in ("North", "South")
    ]
    for part in PART_SLUGS:
        kind = setup.add_part_type(shop, lead, part=part, name=f"{part} kind A")
        for torch in torches:
            fittings.fit_part(shop, tech, torch, part_type_id=kind, lot="lot 9")
    first = inspect(
        shop,
        tech,
        torches[0],
        seen=(("nozzle", _finding(shop, "nozzle", "clean")),),
        absent=(("shield", _finding(shop, "shield", "replace")),),
        starts=100,
        minutes=50.5,
    )
    shop.clock.now += dt.timedelta(days=2)  # type: ignore[attr-defined]
    second = inspect(
        shop,
        tech,
        torches[0],
        seen=(("nozzle", _finding(shop, "nozzle", "replace")),),
        pit=("1.21 mm", "1.25"),
        starts=280,
        minutes=121.25,
        overrule=("shield", "clean"),
        lead=lead,
        lost="electrode",
        photographed=True,
    )
    shop.clock.now += dt.timedelta(days=1)  # type: ignore[attr-defined]
    third = inspect(
        shop,
        tech,
        torches[1],
        pit=("0.9 mm", "0.3 mm"),
        starts=40,
        minutes=10,
        answer=True,
    )
    shop.clock.now += dt.timedelta(days=1)  # type: ignore[attr-defined]
    fourth = signing.correct(shop, lead, third, reason="wrong torch's gauge", key=_key("open"))
    draft = drafts.read_draft(shop, lead, fourth)
    drafts.remove_reading(shop, lead, fourth, draft.readings[1].id)
    draft = drafts.read_draft(shop, lead, fourth)
    for flag in draft.decision.open_questions():
        drafts.answer_question(shop, lead, fourth, flag.code)
    signing.sign(shop, lead, fourth, key=_key("sign"))
    # One left open: drafts are part of the book, but nothing of them is signed.
    drafts.open_draft(shop, tech, torches[0], key=_key("open"))
    return [first, second, third, fourth]


def _finding(shop: Shop, part: str, action: str) -> str:
    return next(f.id for f in shop.base.findings_of(part) if f.action == action)


@pytest.fixture(params=KINDS)
def shop(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Shop]:
    """A shop with an empty book, on each kind of database."""
    with empty_url(request.param, tmp_path) as url, open_shop(url) as opened:
        yield opened
