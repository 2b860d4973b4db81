"""kill -9 in the middle of importing: nothing acknowledged is lost, no file is half in."""

from __future__ import annotations

import random
from collections import Counter
from pathlib import Path

import importer
import pytest
from sqlalchemy import select

from killing import run_and_kill
from kit import KINDS, book_url
from pitwise.records.database import Database
from pitwise.records.wear_tables import ImportFile, Program, ProgramCountRow
from pitwise.services import book, people
from pitwise.services.shopfloor import Shop

KILLS = {"sqlite": 8, "postgres": 4}


@pytest.mark.parametrize("kind", KINDS)
def test_killed_while_importing(kind: str, tmp_path: Path, session_folder: Path) -> None:
    randoms = random.Random(4)
    with book_url(kind, tmp_path, session_folder) as url:
        said: list[int] = []
        for run in range(KILLS[kind]):
            wait = randoms.uniform(0.0, 0.15)
            lines = run_and_kill(importer.main, url, str(run), wait=wait)
            said += [int(line.split()[1]) for line in lines]
        database = Database(url)
        try:
            with database.read() as session:
                files = set(session.scalars(select(ImportFile.id)))
                programs = Counter(session.scalars(select(Program.file_id)))
                counts = Counter(session.scalars(select(ProgramCountRow.program_id)))
            assert said
            assert set(said) <= files
            assert programs == dict.fromkeys(files, 20)
            assert len(counts) == 20 * len(files)
            assert book.verify_book(Shop(database), people.SYSTEM).faults == ()
        finally:
            database.close()
