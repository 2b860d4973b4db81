"""kill -9 in the middle of importing: nothing acknowledged is lost, no file is half in."""

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

from kit import KINDS, book_url
from pitwise.records.database import Database
from pitwise.records.wear_tables import ImportFile, Program, ProgramCountRow
from pitwise.services import book, people
from pitwise.services.shopfloor import Shop

IMPORTER = Path(__file__).with_name("importer.py")
KILLS = {"sqlite": 8, "postgres": 4}


def _run_and_kill(url: str, run: int, wait: float) -> list[int]:
    process = subprocess.Popen(
        [sys.executable, str(IMPORTER), url, str(run)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    # The moment falls anywhere in the work: counted from the first thing acknowledged.
    lines = [process.stdout.readline()]
    time.sleep(wait)
    os.kill(process.pid, signal.SIGKILL)
    lines += process.stdout.readlines()
    process.stdout.close()
    process.wait()
    return [int(line.split()[1]) for line in lines if line.endswith("\n")]


@pytest.mark.parametrize("kind", KINDS)
def test_killed_while_importing(kind: str, tmp_path: Path, session_folder: Path) -> None:
    randoms = random.Random(4)
    with book_url(kind, tmp_path, session_folder) as url:
        said: list[int] = []
        for run in range(KILLS[kind]):
            said += _run_and_kill(url, run, randoms.uniform(0.0, 0.15))
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
