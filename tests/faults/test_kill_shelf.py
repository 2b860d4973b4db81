"""kill -9 while pieces move: what was acknowledged is there, nothing moved by half."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import select

from kit import KINDS, Floor, book_url, open_floor
from pitwise.records.database import Database
from pitwise.records.shelf_tables import Movement
from pitwise.records.tables import Fitting, InspectionRow
from pitwise.services import book, people, shelf_ledger
from pitwise.services.shopfloor import Shop
from shelf_kit import shelf_on

MOVER = Path(__file__).with_name("shelf_mover.py")
KILLS = {"sqlite": 4, "postgres": 2}


@pytest.fixture(scope="module")
def mover() -> Iterator[subprocess.Popen[str]]:
    """The process whose children move pieces and are killed."""
    with subprocess.Popen(
        [sys.executable, str(MOVER)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        yield process
        assert process.stdin is not None
        process.stdin.close()
        assert process.wait(timeout=20) == 0


def _run_and_kill(
    mover: subprocess.Popen[str], url: str, run: int, given: tuple[int, ...], wait: float
) -> list[str]:
    assert mover.stdin is not None
    assert mover.stdout is not None
    print(url, run, *given, file=mover.stdin, flush=True)
    word, child = mover.stdout.readline().split()
    assert word == "pid"
    # The moment falls anywhere in the work: counted from the first thing acknowledged.
    lines = [mover.stdout.readline()]
    assert lines[0].startswith("in "), lines
    time.sleep(wait)
    os.kill(int(child), signal.SIGKILL)
    lines += iter(mover.stdout.readline, "gone\n")
    return [line.strip() for line in lines]


@pytest.mark.parametrize("kind", KINDS)
def test_killed_while_pieces_move(
    kind: str, tmp_path: Path, session_folder: Path, mover: subprocess.Popen[str]
) -> None:
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
                said += _run_and_kill(mover, url, run, given, randoms.uniform(0.0, 0.35))
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
                balances = shelf_ledger.balances(session)
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
