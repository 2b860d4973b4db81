"""kill -9 in the middle of signing: nothing acknowledged is lost, nothing is half-signed."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import pytest
import signer
from sqlalchemy import select

from killing import run_and_kill
from kit import KINDS, book_url, open_floor
from pitwise.records.database import Database
from pitwise.records.tables import DecisionRow, Fitting, InspectionRow, Mark, PitReading
from pitwise.services import book, people
from pitwise.services.shopfloor import Shop

KILLS = {"sqlite": 50, "postgres": 10}


@pytest.mark.parametrize("kind", KINDS)
def test_killed_while_signing(kind: str, tmp_path: Path, session_folder: Path) -> None:
    randoms = random.Random(9)
    with open_floor(kind, tmp_path, session_folder) as made:
        torch, person = made.torch, made.tech.person_id or 0
    with book_url(kind, tmp_path, session_folder) as url:
        said: list[str] = []
        cut_while_signing = signed_in_time = 0
        for run in range(3 * KILLS[kind]):
            # A machine that is slow today gets more time, or no signature would come through.
            longest = 0.12 if signed_in_time or run < 3 else 1.0
            lines = run_and_kill(
                signer.main, url, str(run), torch, person, wait=randoms.uniform(0.0, longest)
            )
            cut_while_signing += lines[-1].startswith("read")
            signed_in_time += any(line.startswith("signed") for line in lines)
            said += lines
            if run + 1 >= KILLS[kind] and cut_while_signing and signed_in_time:
                break
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
