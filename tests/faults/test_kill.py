"""kill -9 in the middle of signing: nothing acknowledged is lost, nothing is half-signed."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import pytest
from sqlalchemy import select

from kit import KINDS, book_url, open_floor
from pitwise.records.database import Database
from pitwise.records.tables import DecisionRow, Fitting, InspectionRow, Mark, PitReading
from pitwise.services import book, people
from pitwise.services.shopfloor import Shop

SIGNER = Path(__file__).with_name("signer.py")
KILLS = {"sqlite": 50, "postgres": 10}


def _run_and_kill(url: str, run: int, torch: int, person: int, wait: float) -> list[str]:
    process = subprocess.Popen(
        [sys.executable, str(SIGNER), url, str(run), str(torch), str(person)],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    lines = [process.stdout.readline()]
    # The moment falls anywhere in the work: counted from the first thing acknowledged.
    time.sleep(wait)
    os.kill(process.pid, signal.SIGKILL)
    lines += process.stdout.readlines()
    process.stdout.close()
    process.wait()
    return [line.strip() for line in lines if line.endswith("\n")]


@pytest.mark.parametrize("kind", KINDS)
def test_killed_while_signing(kind: str, tmp_path: Path, session_folder: Path) -> None:
    randoms = random.Random(9)
    with open_floor(kind, tmp_path, session_folder) as made:
        torch, person = made.torch, made.tech.person_id or 0
    with book_url(kind, tmp_path, session_folder) as url:
        said: list[str] = []
        cut_while_signing = 0
        for run in range(KILLS[kind]):
            lines = _run_and_kill(url, run, torch, person, randoms.uniform(0.0, 0.12))
            cut_while_signing += lines[-1].startswith("read")
            said += lines
        database = Database(url)
        shop = Shop(database)
        with database.read() as session:
            state = {r.id: r.state for r in session.scalars(select(InspectionRow))}
            readings = Counter(r.inspection_id for r in session.scalars(select(PitReading)))
            decisions = Counter(r.inspection_id for r in session.scalars(select(DecisionRow)))
            marked = {m.inspection_id for m in session.scalars(select(Mark))}
            fitted = session.execute(
                select(Fitting.part).where(
                    Fitting.torch_id == torch,
                    Fitting.removed_at.is_(None),
                    Fitting.void.is_(False),
                )
            ).all()
        words = [(line.split()[0], int(line.split()[1])) for line in said]
        signed = {n for word, n in words if word == "signed"}
        # Signing went through in some runs and was cut off in others, or this proves nothing.
        assert signed
        assert cut_while_signing
        for word, number in words:
            if word == "touched":
                assert number in marked
            if word == "read":
                assert readings[number] >= 1
        assert all(state[number] == "signed" for number in signed)
        for ident, now in state.items():
            assert decisions[ident] == (8 if now == "signed" else 0)
        assert len(fitted) == len(set(fitted)) == 8
        outcome = book.verify_book(shop, people.SYSTEM)
        assert outcome.faults == ()
        database.close()
