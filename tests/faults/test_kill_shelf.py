"""kill -9 while pieces move: what was acknowledged is there, nothing moved by half."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
import shelf_mover
from sqlalchemy import select

from killing import run_and_kill
from kit import KINDS, Floor, book_url, open_floor
from pitwise.records.database import Database
from pitwise.records.shelf_tables import Movement
from pitwise.records.tables import Fitting, InspectionRow
from pitwise.services import book, people, shelf_read
from pitwise.services.shopfloor import Shop
from shelf_kit import shelf_on

KILLS = {"sqlite": 4, "postgres": 2}


@pytest.mark.parametrize("kind", KINDS)
def test_killed_while_pieces_move(kind: str, tmp_path: Path, session_folder: Path) -> None:
    randoms = random.Random(12)
    with open_floor(kind, tmp_path, session_folder) as made:
        torch, person = made.torch, made.tech.person_id or 0
    with book_url(kind, tmp_path, session_folder) as url:
        database = Database(url)
        shop = Shop(database)
        try:
            shelf = shelf_on(
                Floor(shop, made.clock, made.admin, made.lead, made.tech, made.torch, made.other)
            )
            given = (torch, person, shelf.kit, shelf.nozzle)
            said: list[str] = []
            for run in range(KILLS[kind]):
                wait = randoms.uniform(0.0, 0.35)
                said += run_and_kill(shelf_mover.main, url, str(run), *given, wait=wait)
            with database.read() as session:
                lines = session.scalars(select(Movement).order_by(Movement.id)).all()
                signed = set(
                    session.scalars(select(InspectionRow.id).where(InspectionRow.state == "signed"))
                )
                parts = Counter(
                    session.scalars(
                        select(Fitting.fitted_by_inspection).where(
                            Fitting.fitted_by_inspection.is_not(None)
                        )
                    )
                )
                balances = shelf_read.balances(session)
            words = [line.split() for line in said]
            keys = {line.key for line in lines}
            assert {name for word, name in words if word not in ("signed",)} <= keys
            assert {int(name) for word, name in words if word == "signed"} <= signed
            # Kits moved with all they hold, or not at all.
            opened = [x for x in lines if x.kind == "kit-opened" and x.item_id == shelf.kit]
            inner = Counter(x.key.split("/")[1] for x in lines if x.key.startswith("of/"))
            assert opened
            assert inner == {str(x.id): 2 for x in opened}
            # Electrode and nozzle of every signed inspection, and of no other.
            took = Counter(x.inspection_id for x in lines if x.kind == "fitted")
            assert took == parts == dict.fromkeys(signed, 2)
            for item in (shelf.kit, shelf.electrode, shelf.nozzle):
                assert balances[item] == sum(x.pieces for x in lines if x.item_id == item)
            assert book.verify_book(shop, people.SYSTEM).faults == ()
        finally:
            database.close()
