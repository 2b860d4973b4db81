"""A book in which electrodes were run to the limit, made once and copied for every test."""

from __future__ import annotations

import datetime as dt
import random
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from kit import Floor, TestClock, open_floor
from pitwise.records.database import Database
from pitwise.services import drafts, signing
from pitwise.services.forecasts import keep_up
from pitwise.services.shopfloor import Shop

_made: list[tuple[Path, dt.datetime, Floor]] = []


def look(
    floor: Floor,
    at: tuple[int, float],
    pit: float,
    *,
    lost: bool = False,
    part: str = "electrode",
    minutes: float = 8.0,
) -> None:
    """One look, with everybody's part looked over, taking so many minutes."""
    number = floor.draft()
    drafts.set_use(floor.shop, floor.tech, number, starts=str(at[0]), arc_minutes=f"{at[1]:.1f}")
    floor.clock.forward(minutes=minutes)
    if lost:
        finding = "emitter-blown" if part == "electrode" else "arc-marks"
        drafts.set_mark(floor.shop, floor.tech, number, part, finding, "seen")
        drafts.set_lost(floor.shop, floor.tech, number, part, lost=True)
    drafts.add_reading(floor.shop, floor.tech, number, f"{pit:.2f} mm", key=floor.key())
    floor.look_all(number)
    view = drafts.read_draft(floor.shop, floor.tech, number)
    codes = [x.code for x in view.decision.open_questions()] + [x.code for x in view.use_slips]
    for code in codes:
        drafts.answer_question(floor.shop, floor.tech, number, code)
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    floor.clock.forward(days=1)


def run_electrodes(floor: Floor, count: int, *, lost: tuple[int, ...] = (), first: int = 0) -> int:
    """Wear electrodes at some 0.4 mm in 100 starts, looked at about every 120, to the limit."""
    dice = random.Random(5)
    starts, minutes = first, first * 0.5
    look(floor, (starts, minutes), 0.0)
    for k in range(count):
        pit, rate = 0.0, dice.uniform(0.0033, 0.0047)
        while round(pit, 2) < 1.5:
            gap = dice.randint(100, 140)
            starts, minutes = starts + gap, minutes + gap * dice.uniform(0.4, 0.6)
            pit += rate * gap
            gone = k in lost and pit > 0.9
            look(floor, (starts, minutes), pit, lost=gone)
            if gone:
                break
    return starts


def _worn(folder: Path, session_folder: Path) -> tuple[Path, dt.datetime, Floor]:
    """Six electrodes run to the limit of 1.5 mm, one of them lost."""
    if not _made:
        with open_floor("sqlite", folder, session_folder) as floor:
            run_electrodes(floor, 6, lost=(3,))
            keep_up(floor.shop)
            with floor.shop.database.engine.connect() as connection:
                connection.exec_driver_sql("COMMIT")
                connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
                connection.exec_driver_sql("BEGIN")
            file = session_folder / "worn.db"
            shutil.copy(str(floor.shop.database.engine.url.database), file)
            _made.append((file, floor.clock.now, floor))
    return _made[0]


@contextmanager
def open_worn(folder: Path, session_folder: Path) -> Iterator[Floor]:
    """Open a copy of the worn book."""
    file, now, made = _worn(folder, session_folder)
    own = folder / "worn-copy.db"
    shutil.copy(file, own)
    clock = TestClock()
    clock.now = now
    shop = Shop(Database(f"sqlite:///{own}"), clock)
    try:
        yield Floor(shop, clock, made.admin, made.lead, made.tech, made.torch, made.other)
    finally:
        shop.close()
