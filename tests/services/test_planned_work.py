"""Planned work and usual work through the services, on both databases."""

from __future__ import annotations

import datetime as dt
import math

import pytest
from sqlalchemy import select

from kit import START, Floor
from pitwise.records.tables import AuditRow
from pitwise.services import planned_work, programs
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ServiceError,
)
from pitwise.services.imports import import_file
from pitwise.services.planned_model import BaseLoad, NoLoad, PlannedLine, ahead_of
from pitwise.services.station_settings import save_settings

PROGRAM = b"G21 G90\nF3000\nG0 X0 Y0\nM3\nG1 X1000\nM5\nG0 X0\nM3\nG1 X1000 Y10\nM5\nM30\n"
TODAY = START.date()


def bring_in(floor: Floor) -> None:
    import_file(floor.shop, floor.lead, "plate.nc", PROGRAM, way="upload")


def plan(floor: Floor, *, key: str = "", **other: str) -> int:
    given = {
        "plates": "30",
        "first_day": TODAY.isoformat(),
        "last_day": (TODAY + dt.timedelta(days=9)).isoformat(),
        **other,
    }
    return planned_work.add_planned(
        floor.shop,
        floor.lead,
        torch_id=floor.torch,
        program_id=1,
        key=key or floor.key(),
        **given,
    )


def lines(floor: Floor, on: dt.date | None = None) -> list[PlannedLine]:
    with floor.shop.database.read() as session:
        return planned_work.planned(session, on)


def load(floor: Floor) -> BaseLoad | NoLoad:
    with floor.shop.database.read() as session:
        return planned_work.base_load(session, floor.torch, floor.clock())


def test_a_plan_is_kept_once_for_its_key(floor: Floor) -> None:
    bring_in(floor)
    key = floor.key()
    assert plan(floor, key=key) == plan(floor, key=key)
    (line,) = lines(floor)
    assert (line.torch, line.program, line.plates, line.by) == (
        "Torch A",
        "plate.nc",
        30,
        "Lin Ödegård",
    )
    assert line.starts == 2
    with pytest.raises(ConflictError, match="another plan"):
        plan(floor, key=key, plates="31")
    with floor.shop.database.read() as session:
        noted = session.scalars(select(AuditRow.action)).all()
    assert noted.count("work-planned") == 1


def test_plates_are_spread_evenly_over_their_days(floor: Floor) -> None:
    bring_in(floor)
    plan(floor)
    (line,) = lines(floor)
    for days, left in ((-3, 30), (0, 30), (4, 18), (9, 3), (10, 0)):
        assert line.plates_from(TODAY + dt.timedelta(days=days)) == left
    assert lines(floor, TODAY + dt.timedelta(days=10)) == []


@pytest.mark.parametrize(
    ("field", "typed", "problem"),
    [
        ("plates", "", "is empty"),
        ("plates", "0", "out of range"),
        ("plates", "1.5", "not a whole number"),
        ("first_day", "tomorrow", "is no day"),
        ("last_day", "2031-02-30", "is no day"),
        ("last_day", "2031-03-01", "before the first"),
        ("last_day", "2041-03-01", "more than"),
        ("note", "x" * 201, "longer than"),
    ],
)
def test_what_cannot_be_planned_says_why(lite: Floor, field: str, typed: str, problem: str) -> None:
    bring_in(lite)
    with pytest.raises(ServiceError, match=problem):
        plan(lite, **{field: typed})
    assert lines(lite) == []


def test_what_is_over_cannot_be_planned(lite: Floor) -> None:
    bring_in(lite)
    before = (TODAY - dt.timedelta(days=2)).isoformat()
    with pytest.raises(ServiceError, match="over already"):
        plan(lite, first_day=before, last_day=before)
    # Begun earlier and still going on is fine.
    plan(lite, first_day=before)


def test_more_than_the_days_hold_is_refused(lite: Floor) -> None:
    bring_in(lite)
    plan(lite)
    each = lines(lite)[0].arc_minutes
    assert each is not None
    # Ten days of 1440 minutes, less the 30 plates a plan has on them already.
    room = math.floor((1440 - 3 * each) * 10 / each)
    with pytest.raises(ServiceError, match=f"arc minutes a day.*plan {room} plates or fewer"):
        plan(lite, plates=str(room + 1))
    plan(lite, plates=str(room))
    with pytest.raises(ServiceError, match="withdraw what is planned there"):
        plan(lite, plates="11")
    assert len(lines(lite)) == 2
    ahead = ahead_of(lines(lite), TODAY)
    assert max(ahead.arc_minutes) <= 1440 + 1e-6


def test_who_may_plan(floor: Floor) -> None:
    bring_in(floor)
    with pytest.raises(NotAllowedError):
        planned_work.add_planned(
            floor.shop,
            floor.tech,
            torch_id=floor.torch,
            program_id=1,
            plates="1",
            first_day=TODAY.isoformat(),
            last_day=TODAY.isoformat(),
            key=floor.key(),
        )
    with pytest.raises(NotAllowedError):
        planned_work.withdraw(floor.shop, floor.tech, 1)
    with pytest.raises(NotFoundError):
        planned_work.withdraw(floor.shop, floor.lead, 9)


def test_withdrawn_work_is_off_the_plan_and_in_the_book(floor: Floor) -> None:
    bring_in(floor)
    ident = plan(floor)
    planned_work.withdraw(floor.shop, floor.lead, ident)
    planned_work.withdraw(floor.shop, floor.lead, ident)
    assert lines(floor) == []
    with floor.shop.database.read() as session:
        noted = session.scalars(select(AuditRow.action)).all()
    assert noted.count("planned-work-withdrawn") == 1


def test_withdrawn_work_is_brought_back_as_it_was(floor: Floor) -> None:
    bring_in(floor)
    ident = plan(floor)
    (before,) = lines(floor)
    planned_work.withdraw(floor.shop, floor.lead, ident)
    with floor.shop.database.read() as session:
        assert planned_work.planned(session, TODAY, withdrawn=True) == [before]
    for _ in range(2):
        planned_work.bring_back(floor.shop, floor.lead, ident)
    assert lines(floor) == [before]
    with floor.shop.database.read() as session:
        assert planned_work.planned(session, withdrawn=True) == []
        noted = session.scalars(select(AuditRow.action)).all()
    assert noted.count("planned-work-brought-back") == 1
    with pytest.raises(NotAllowedError):
        planned_work.bring_back(floor.shop, floor.tech, ident)
    with pytest.raises(NotFoundError):
        planned_work.bring_back(floor.shop, floor.lead, 9)


def test_withdrawn_work_that_no_longer_fits_stays_withdrawn(lite: Floor) -> None:
    bring_in(lite)
    ident = plan(lite)
    each = lines(lite)[0].arc_minutes
    assert each is not None
    planned_work.withdraw(lite.shop, lite.lead, ident)
    # Its room was taken by other plates meanwhile.
    taken = plan(lite, plates=str(math.floor(14400 / each)))
    with pytest.raises(ServiceError, match="arc minutes a day"):
        planned_work.bring_back(lite.shop, lite.lead, ident)
    planned_work.withdraw(lite.shop, lite.lead, taken)
    programs.withdraw(lite.shop, lite.lead, 1)
    with pytest.raises(NotFoundError, match="not in use"):
        planned_work.bring_back(lite.shop, lite.lead, ident)
    programs.bring_back(lite.shop, lite.lead, 1)
    lite.clock.forward(days=10)
    with pytest.raises(ServiceError, match="its last day is over"):
        planned_work.bring_back(lite.shop, lite.lead, ident)
    assert lines(lite) == []


def test_a_program_that_no_longer_counts_says_so(lite: Floor) -> None:
    bring_in(lite)
    plan(lite)
    save_settings(lite.shop, lite.lead, 1, {"on_codes": "M64 P1"}, "other words now")
    (line,) = lines(lite)
    # Counted anew under the station's words: nothing lights the torch any more. That is a count
    # of nothing, and no fault.
    assert (line.starts, line.arc_minutes, line.problem) == (0, 0, "")


def test_usual_work_by_counters_and_by_the_shop(floor: Floor) -> None:
    assert isinstance(load(floor), NoLoad)
    for k in range(5):
        floor.inspect(f"{0.1 * k:.2f} mm", starts=str(300 * k), minutes=str(150 * k))
        floor.clock.forward(days=2)
    seen = load(floor)
    assert isinstance(seen, BaseLoad)
    assert (seen.of, round(seen.starts_per_day), seen.minutes_per_start) == ("counters", 100, 0.5)
    assert seen.days_seen == pytest.approx(12, abs=0.1)
    planned_work.set_base_load(
        floor.shop,
        floor.lead,
        floor.torch,
        starts_per_day="40",
        minutes_per_start="0,25",
        reason="half a shift until May",
    )
    own = load(floor)
    assert isinstance(own, BaseLoad)
    assert (own.of, own.starts_per_day, own.minutes_per_start) == ("shop", 40, 0.25)
    assert own.by == "Lin Ödegård"
    assert math.isinf(own.level_df)
    planned_work.set_base_load(
        floor.shop,
        floor.lead,
        floor.torch,
        starts_per_day="",
        minutes_per_start="",
        reason="all back",
    )
    assert load(floor) == seen


def test_counters_unread_for_long_tell_nothing_but_what_the_shop_set_counts(floor: Floor) -> None:
    for k in range(3):
        floor.inspect(f"{0.1 * k:.2f} mm", starts=str(300 * k), minutes=str(150 * k))
        floor.clock.forward(days=2)
    floor.clock.forward(days=25)
    assert isinstance(load(floor), BaseLoad)
    floor.clock.forward(days=2)
    none = load(floor)
    assert isinstance(none, NoLoad)
    assert "last read 9 Mar 2031" in none.reason
    planned_work.set_base_load(
        floor.shop,
        floor.lead,
        floor.torch,
        starts_per_day="40",
        minutes_per_start="0.5",
        reason="back in May",
    )
    assert isinstance(load(floor), BaseLoad)


def test_more_than_a_day_has_is_refused(lite: Floor) -> None:
    for starts, minutes, problem in (
        ("3000", "1", "more than a day"),
        ("10", "", "is empty"),
        ("", "1", "is empty"),
        ("-3", "1", "not a number"),
        ("10", "0", "every start burns"),
    ):
        with pytest.raises(ServiceError, match=problem):
            planned_work.set_base_load(
                lite.shop,
                lite.lead,
                lite.torch,
                starts_per_day=starts,
                minutes_per_start=minutes,
                reason="x",
            )


def test_a_reset_counter_tells_nothing_of_that_stretch(lite: Floor) -> None:
    for starts, minutes, reset in (
        ("0", "0", False),
        ("300", "150", False),
        ("50", "20", True),
        ("350", "170", False),
    ):
        lite.inspect("0.30 mm", starts=starts, minutes=minutes, reset=reset)
        lite.clock.forward(days=2)
    with lite.shop.database.read() as session:
        seen = planned_work.stretches_of(session, lite.torch)
    assert [s.starts for s in seen] == [300, 300]
