"""Looks at parts fitted since, and looks from before a case was opened."""

from __future__ import annotations

import math

import pytest

from case_kit import find, line, opened, read, state
from kit import Floor
from pitwise.records.tables import DecisionRow
from pitwise.services import case_evidence, fittings
from pitwise.services.case_book import BookFact, BookTells
from pitwise.services.case_sheet import look_ahead


def replace_electrode(floor: Floor, *seen: tuple[str, str]) -> int:
    """Sign an inspection whose pit has electrode and nozzle replaced."""
    number = floor.inspect("1.60 mm", seen=seen)
    with floor.shop.database.read() as session:
        row = session.get_one(DecisionRow, (number, "electrode"))
        assert row.action == "replace"
    return number


def test_a_clean_new_electrode_does_not_take_back_what_its_forerunner_showed(
    floor: Floor,
) -> None:
    first = replace_electrode(floor, ("electrode", "soot"))
    case = opened(floor)
    assert state(read(floor, case), "E_soot") == "seen"
    floor.clock.forward(hours=1)
    second = floor.inspect("0.05 mm")
    view = read(floor, case)
    found = line(view, "E_soot")
    assert found is not None
    assert (found.state, found.inspection_id) == ("seen", first)
    assert found.older == (f"Inspection {second}: looked for, not there (on a part fitted since)",)
    # A person's word is about what is there now, and newer.
    assert state(find(floor, case, "E_soot", "absent"), "E_soot") == "absent"


def test_the_same_part_looked_at_again_and_clean_takes_it_back(floor: Floor) -> None:
    first = floor.inspect(seen=(("electrode", "soot"),))
    case = opened(floor)
    floor.clock.forward(hours=1)
    floor.inspect("0.42 mm")
    found = line(read(floor, case), "E_soot")
    assert found is not None
    assert (found.state, found.older) == ("absent", (f"Inspection {first}: seen",))


def test_what_a_person_saw_stays_when_a_part_fitted_since_is_clean(floor: Floor) -> None:
    floor.inspect()
    case = opened(floor)
    find(floor, case, "E_soot", "seen")
    find(floor, case, "N_soot", "seen")
    floor.clock.forward(hours=1)
    with floor.shop.database.read() as session:
        kind = fittings.fitted(session, floor.torch)["electrode"].item.part_type_id
    fittings.fit_part(floor.shop, floor.tech, floor.torch, part_type_id=kind)
    floor.clock.forward(hours=1)
    floor.inspect("0.02 mm")
    view = read(floor, case)
    assert (state(view, "E_soot"), state(view, "N_soot")) == ("seen", "absent")


def test_an_old_look_shows_its_age(floor: Floor) -> None:
    number = floor.inspect(seen=(("nozzle", "soot"),))
    floor.clock.forward(days=43)
    view = read(floor, opened(floor))
    found = line(view, "N_soot")
    assert found is not None
    assert found.origin_words == f"Inspection {number}, 44 days before the case"


@pytest.mark.parametrize(("odds", "abnormal"), [(3.9, False), (4.1, True), (0.1, False)])
def test_a_forecast_that_only_leans_makes_no_inspection_abnormal(
    lite: Floor, monkeypatch: pytest.MonkeyPatch, odds: float, abnormal: bool
) -> None:
    number = lite.inspect()
    told = BookFact("E_deep", math.log(odds), "figures", "forecast", number, 1)
    monkeypatch.setattr(case_evidence, "book_tells", lambda *_: BookTells((told,), {}))
    ahead = look_ahead(lite.shop, lite.tech, number)
    assert ahead is not None
    assert ahead.abnormal is abnormal


@pytest.mark.parametrize(("odds", "state_now"), [(2.0, "absent"), (9.0, "seen")])
def test_a_new_electrodes_fair_pit_takes_back_only_what_was_not_plain(
    lite: Floor, monkeypatch: pytest.MonkeyPatch, odds: float, state_now: str
) -> None:
    first = replace_electrode(lite)
    case = opened(lite)
    second = lite.inspect("0.05 mm")
    told = (
        BookFact("E_deep", -2.0, "as expected", "forecast", second, 2),
        BookFact("E_deep", math.log(odds), "too deep", "forecast", first, 1),
    )
    monkeypatch.setattr(case_evidence, "book_tells", lambda *_: BookTells(told, {}))
    assert state(read(lite, case), "E_deep") == state_now
