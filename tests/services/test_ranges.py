"""The shop's ranges of readings: checked, kept whole with who and why, laid over the sheet."""

from __future__ import annotations

import json
import threading

import pytest
from sqlalchemy import func, select

from kit import Floor
from pitwise.records.case_tables import ReadingRange
from pitwise.records.tables import AuditRow
from pitwise.services import setup
from pitwise.services.book_verify import verify_book
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError, ServiceError
from pitwise.services.range_view import RangeLine
from pitwise.services.ranges import ranges_view, set_range, sheet_at


def flow(floor: Floor, low: str = "3", unit: str = "l/min", **more: object) -> int:
    given = {"low": low, "unit": unit, "reason": "of the equipment's manual"} | more
    return set_range(floor.shop, floor.lead, 1, "coolant_flow", **given)  # type: ignore[arg-type]


def line(floor: Floor, reading: str, station: int = 1) -> RangeLine:
    view = ranges_view(floor.shop, floor.tech, station)
    return next(x for x in view.lines if x.reading == reading)


def test_without_a_save_the_sheet_speaks(floor: Floor) -> None:
    view = ranges_view(floor.shop, floor.tech, 1)
    assert (view.station, view.may_change) == ("Table 1", False)
    assert {x.newest for x in view.lines} == {0}
    dew = line(floor, "dew_point")
    assert (dew.sheet_high, dew.high) == (3.0, 3.0)
    with floor.shop.database.read() as session:
        assert sheet_at(floor.shop, session, 1) is floor.shop.sheet(session)


def test_a_range_is_kept_as_typed_and_laid_over_the_sheet(floor: Floor) -> None:
    first = flow(floor, "0,8", "gal/min")
    own = line(floor, "coolant_flow")
    assert own.low == pytest.approx(0.8 * 3.785411784)
    assert (own.given_low, own.given_unit, own.by) == ("0.8", "gal/min", "Lin Ödegård")
    assert own.newest == first
    with floor.shop.database.read() as session:
        sheet = sheet_at(floor.shop, session, 1)
        assert sheet is sheet_at(floor.shop, session, 1)
        assert sheet.sha256 != floor.shop.sheet(session).sha256
        assert sheet.reading("coolant_flow").source == "the shop's own range"
        assert sheet.reading("dew_point") == floor.shop.sheet(session).reading("dew_point")
    second = flow(floor, "3.2", reason="the pump was changed — neue Pumpe")
    assert line(floor, "coolant_flow").low == 3.2
    with floor.shop.database.read() as session:
        told = session.scalars(
            select(AuditRow.detail)
            .where(AuditRow.action == "reading-range-set")
            .order_by(AuditRow.seq)
        ).all()
    detail = json.loads(told[1])
    assert detail["before"] == {"low": "0.8", "high": None, "unit": "gal/min"}
    assert detail["after"] == {"low": "3.2", "high": None, "unit": "l/min"}
    assert second > first
    assert verify_book(floor.shop, floor.lead).holds


def test_a_range_is_of_its_station_alone(floor: Floor) -> None:
    other = setup.add_station(floor.shop, floor.lead, name="Table 2")
    flow(floor)
    assert line(floor, "coolant_flow", other).low is None


def test_an_empty_end_stays_the_sheets_and_two_give_the_range_up(floor: Floor) -> None:
    shop, lead = floor.shop, floor.lead
    set_range(shop, lead, 1, "dew_point", high="-20", unit="°C", reason="ours is drier")
    assert line(floor, "dew_point").high == -20
    flow(floor)
    set_range(shop, lead, 1, "coolant_flow", unit="l/min", reason="the meter is gone")
    own = line(floor, "coolant_flow")
    assert (own.low, own.given_low, own.given_unit) == (None, "", "")
    assert own.reason == "the meter is gone"
    with pytest.raises(ConflictError, match="set no range"):
        set_range(shop, lead, 1, "coolant_level", unit="%", reason="nothing")


def test_the_same_once_more_is_no_new_row(floor: Floor) -> None:
    assert len({flow(floor) for _ in range(5)}) == 1
    with floor.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(ReadingRange)) == 1


def test_two_leads_at_once(floor: Floor) -> None:
    newest = line(floor, "coolant_flow").newest
    outcome: list[str] = []

    def save(low: str) -> None:
        try:
            flow(floor, low, based_on=newest)
            outcome.append("saved")
        except ConflictError:
            outcome.append("refused")

    threads = [threading.Thread(target=save, args=(x,)) for x in ("3", "4")]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sorted(outcome) == ["refused", "saved"]


@pytest.mark.parametrize(
    ("reading", "more", "problem"),
    [
        ("coolant_flow", {"low": "3", "unit": "bar"}, "measures pressure"),
        ("coolant_flow", {"low": "3", "unit": "buckets"}, "not known"),
        ("coolant_flow", {"low": "three", "unit": "l/min"}, "not a number"),
        ("coolant_flow", {"low": "-3", "unit": "l/min"}, "can't be"),
        ("coolant_flow", {"low": "9000", "unit": "l/min"}, "can't be"),
        ("coolant_flow", {"high": "9", "unit": "l/min"}, "no cause is told"),
        ("cut_height", {"low": "4", "high": "2", "unit": "mm"}, "do not fit"),
        ("cut_height", {"low": "2", "high": "2", "unit": "mm"}, "do not fit"),
        ("coolant_flow", {"low": "3", "unit": "l/min", "reason": " "}, "is empty"),
        ("coolant_flow", {"low": "3", "unit": "l/min", "reason": "x" * 401}, "longer"),
        ("coolant_fow", {"low": "3", "unit": "l/min"}, "did you mean 'coolant_flow'"),
        ("\U0001f525" * 99, {"low": "3", "unit": "l/min"}, "not in the trade sheet"),
    ],
)
def test_ranges_that_can_not_be_are_refused(
    lite: Floor, reading: str, more: dict[str, str], problem: str
) -> None:
    given = {"reason": "a test"} | more
    with pytest.raises(ServiceError, match=problem):
        set_range(lite.shop, lite.lead, 1, reading, **given)  # type: ignore[arg-type]
    assert line(lite, "coolant_flow").newest == 0


def test_a_technician_may_look_and_not_set(lite: Floor) -> None:
    with pytest.raises(NotAllowedError):
        set_range(lite.shop, lite.tech, 1, "coolant_flow", low="3", unit="", reason="why not")
    with pytest.raises(NotFoundError):
        ranges_view(lite.shop, lite.tech, 99)
    with pytest.raises(NotFoundError):
        set_range(lite.shop, lite.lead, 99, "coolant_flow", low="3", unit="", reason="why not")
