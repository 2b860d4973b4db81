"""Counters between inspections: whole or nothing, by line, and the use they add up to."""

from __future__ import annotations

import datetime as dt
import threading
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import func, select

from kit import START, Floor
from pitwise.records.wear_tables import UseReport
from pitwise.services import fittings
from pitwise.services.errors import ServiceError
from pitwise.services.imports import ImportOutcome, import_file
from pitwise.services.use_files import current_use, moment

HEAD = "torch,at,starts,arc_minutes\n"


def when(hours: float) -> str:
    return (START + dt.timedelta(hours=hours)).isoformat()


def bring(
    floor: Floor, *lines: str, head: str = HEAD, zone: dt.tzinfo | None = None
) -> ImportOutcome:
    text = head + "".join(f"{line}\n" for line in lines)
    return import_file(floor.shop, floor.tech, "use.csv", text.encode(), way="upload", zone=zone)


def use(floor: Floor) -> tuple[int, float]:
    with floor.shop.database.read() as session:
        return current_use(session, floor.torch)


def reports(floor: Floor) -> int:
    with floor.shop.database.read() as session:
        return session.scalar(select(func.count()).select_from(UseReport)) or 0


def test_without_reports_it_is_what_inspections_say(floor: Floor) -> None:
    assert use(floor) == (0, 0.0)
    floor.inspect(starts="300", minutes="100")
    floor.inspect(starts="420", minutes="150.5")
    with floor.shop.database.read() as session:
        assert use(floor) == fittings.totals(session, floor.torch) == (120, 50.5)


def test_reports_carry_on_from_the_last_inspection(floor: Floor) -> None:
    floor.inspect(starts="300", minutes="100")
    floor.clock.forward(days=2)
    done = bring(
        floor,
        f"Torch A,{when(30)},350,120.5",
        f"torch a,{when(40)},420,150",
        f"Torch B,{when(40)},9,1",
    )
    assert (done.reports, done.warnings) == (3, ())
    assert use(floor) == (120, 50.0)
    # What is recorded stays, and the next inspection carries on from what it recorded.
    floor.inspect(starts="500", minutes="180")
    with floor.shop.database.read() as session:
        assert fittings.totals(session, floor.torch) == (200, 80.0)
    assert use(floor) == (200, 80.0)


def test_late_reports_add_nothing_to_what_was_inspected_since(floor: Floor) -> None:
    floor.inspect(starts="300", minutes="100")
    floor.clock.forward(days=1)
    floor.inspect(starts="400", minutes="140")
    assert bring(floor, f"Torch A,{when(5)},350,120").reports == 1
    assert use(floor) == (100, 40.0)


def test_a_counter_the_inspection_did_not_read_is_carried_by_reports(floor: Floor) -> None:
    floor.inspect(starts="300", minutes="100")
    floor.clock.forward(days=1)
    bring(floor, f"Torch A,{when(30)},350,120")
    floor.inspect(starts="360")
    assert use(floor) == (60, 20.0)
    floor.clock.forward(days=2)
    bring(floor, f"Torch A,{when(110)},400,150")
    assert use(floor) == (100, 50.0)


def test_a_reset_told_by_an_inspection_lets_reports_begin_anew(floor: Floor) -> None:
    floor.inspect(starts="300", minutes="100")
    floor.clock.forward(days=1)
    with pytest.raises(ServiceError, match="runs backwards") as caught:
        bring(floor, f"Torch A,{when(30)},10,2")
    assert caught.value.place == "use.csv, line 2"
    floor.inspect(starts="12", minutes="3", reset=True)
    floor.clock.forward(days=1)
    bring(floor, f"Torch A,{when(90)},40,9")
    assert use(floor) == (40, 9.0)


def test_the_same_file_and_the_same_line_count_once(floor: Floor) -> None:
    floor.clock.forward(days=9)
    line = f"Torch A,{when(30)},10,2"
    assert bring(floor, line, line).reports == 1
    assert bring(floor, line, line).outcome == "already"
    more = bring(floor, line, f"Torch A,{when(31)},11,2.5")
    assert (more.outcome, more.reports) == ("new", 1)
    assert "1 more in the book already" in more.message
    assert reports(floor) == 2


def test_two_overlapping_files_at_once_count_each_line_once(floor: Floor) -> None:
    floor.clock.forward(days=9)
    start = threading.Barrier(2)

    def one(number: int) -> None:
        lines = [f"Torch A,{when(n)},{n},{n}" for n in range(number, number + 20)]
        start.wait()
        bring(floor, *lines)

    threads = [threading.Thread(target=one, args=(n,)) for n in (1, 11)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert reports(floor) == 30


BAD = [
    ("Torch C,{t},1,1", "line 3", "did you mean 'Torch"),
    ("Nothing like it,{t},1,1", "line 3", "add it on the Shop page"),
    ("Torch A,2031-03-03,1,1", "line 3, at", "not a date with a time"),
    ("Torch A,yesterday noon,1,1", "line 3, at", "not a date with a time"),
    ("Torch A,2031-03-03T06:00,1,1", "line 3, at", "names no zone"),
    ("Torch A,1931-03-03T06:00Z,1,1", "line 3, at", "no likely date"),
    ("Torch A,9999-12-31T23:59-12:00,1,1", "line 3, at", "no likely date"),
    ("Torch A,2199-03-03T06:00Z,1,1", "line 3, at", "still to come"),
    ("Torch A,{t},,1", "line 3, starts", "is empty"),
    ("Torch A,{t},1,", "line 3, arc_minutes", "is empty"),
    ("Torch A,{t},1.5,1", "line 3, starts", "whole number"),
    ("Torch A,{t},-1,1", "line 3, starts", "whole number"),
    ("Torch A,{t},1,nan", "line 3, arc_minutes", "not a number"),
    ("Torch A,{t},99999999999,1", "line 3, starts", "out of range"),
    ("Torch A,{t},1", "line 3", "3 cells for 4 columns"),
    ("Torch A,{t},1,1,1", "line 3", "5 cells for 4 columns"),
    (",{t},1,1", "line 3, torch", "is empty"),
    ('"Torch A,{t},1,1', "line 3", "not CSV"),
    ("Torch A,{t},3,9", "line", "runs backwards"),
]


@pytest.mark.parametrize(("line", "place", "words"), BAD)
def test_a_bad_line_refuses_the_whole_file(lite: Floor, line: str, place: str, words: str) -> None:
    lite.clock.forward(days=2)
    with pytest.raises(ServiceError, match=words) as caught:
        bring(lite, f"Torch A,{when(1)},5,2", line.replace("{t}", when(2)))
    assert caught.value.place.startswith(f"use.csv, {place}")
    assert reports(lite) == 0


def test_more_than_the_clock_allows_is_warned_by_line(lite: Floor) -> None:
    lite.clock.forward(days=2)
    done = bring(lite, f"Torch A,{when(1)},5,2", f"Torch A,{when(2)},9000,4")
    assert done.reports == 2
    assert done.warnings[0].startswith("line 3: 8995 starts in 60 minutes")


def test_semicolons_decimal_commas_and_columns_in_any_order(lite: Floor) -> None:
    lite.clock.forward(days=2)
    bring(lite, f"2,5;7;{when(1)};Torch A", head="\ufeffArc_minutes;starts;at;Torch\n")
    with lite.shop.database.read() as session:
        row = session.scalars(select(UseReport)).one()
    assert (row.starts, row.arc_minutes, row.at, row.line) == (
        7,
        2.5,
        START + dt.timedelta(hours=1),
        2,
    )


def test_columns_must_each_be_there_once(lite: Floor) -> None:
    with pytest.raises(ServiceError, match="one column 'at'"):
        bring(lite, "x,1,2,3,4", head="torch,at,starts,arc_minutes,at\n")


def test_times_without_a_zone_are_the_shops() -> None:
    zone = ZoneInfo("Europe/Lisbon")
    got = moment("x", "2031-07-01 06:30", zone)
    assert got == dt.datetime(2031, 7, 1, 5, 30, tzinfo=dt.UTC)
    # Written with an offset, the shop's zone does not matter.
    assert moment("x", "2031-07-01T06:30+02:00", zone) == moment("x", "2031-07-01T04:30Z", None)
    for twice in ("2031-03-30 01:30", "2031-10-26 01:30"):
        with pytest.raises(ServiceError, match="clocks change"):
            moment("x", twice, zone)
