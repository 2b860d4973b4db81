"""Work that imports files one after another, printing each only once it is in the book.

Run, and killed in the middle of it, by test_kill_import.py.
"""

from __future__ import annotations

from pitwise.records.database import Database
from pitwise.services.imports import import_file
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop


def main(url: str, run: str) -> None:
    shop = Shop(Database(url))
    for turn in range(10_000):
        name = f"run-{run}-{turn}.csv"
        plates = "".join(f"{name}-{n},{n},1.5\n" for n in range(20))
        done = import_file(
            shop, SYSTEM, name, f"name,starts,arc_minutes\n{plates}".encode(), way="watch"
        )
        print(f"imported {done.file_id}", flush=True)
