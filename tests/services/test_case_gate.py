"""Work for an electrician, or a lead, is recorded under no heading without who did it."""

from __future__ import annotations

import pytest

from case_kit import check, close, find, line, opened, reading
from kit import Floor
from pitwise.services import case_recording
from pitwise.services.errors import ServiceError

IDA = "Ida Løv, electrician"


@pytest.mark.parametrize("done_by", ["", "aaaaa", ["Ida", "Løv,"][0], "I L", "- - - -", "12 34"])
def test_a_name_and_a_qualification_are_asked_for(lite: Floor, done_by: str) -> None:
    case = opened(lite)
    with pytest.raises(ServiceError, match="electrician"):
        check(lite, case, "K_pilot", clear=True, done_by=done_by)


def test_a_finding_is_gated_by_the_checks_that_reveal_it(floor: Floor) -> None:
    case = opened(floor)
    for state in ("seen", "absent"):
        with pytest.raises(ServiceError, match="electrician"):
            find(floor, case, "P_pilotR", state)
        with pytest.raises(ServiceError, match="for a lead"):
            find(floor, case, "P_ramp", state)
    find(floor, case, "W_level", "seen")
    view = find(floor, case, "P_pilotR", "seen", done_by=IDA)
    found = line(view, "P_pilotR")
    assert found is not None
    assert found.by == IDA
    # To say that nobody looked is no work.
    find(floor, case, "P_pilotR", "none")
    case_recording.record_finding(floor.shop, floor.lead, case, "P_ramp", "absent", key=floor.key())


def test_a_reading_is_gated_by_the_findings_it_feeds(floor: Floor) -> None:
    case = opened(floor)
    with pytest.raises(ServiceError, match="electrician"):
        reading(floor, case, "pilot_ohm", "2", "")
    view = reading(floor, case, "pilot_ohm", "2", "", done_by=IDA)
    field = next(r for r in view.readings if r.id == "pilot_ohm")
    assert field.who == "electrician"
    assert field.caution.startswith("Qualified electrician only")
    reading(floor, case, "coolant_flow", "2", "l/min")


def test_a_cure_only_an_electrician_may_do_wants_the_name_of_one(floor: Floor) -> None:
    case = opened(floor)
    with pytest.raises(ServiceError, match="electrician"):
        close(floor, case, "pilot", remedy_text="mended the lead")
    with pytest.raises(ServiceError, match="electrician"):
        close(floor, case, "cool_low", "pilot", remedy_text="mended the lead", done_by="aaaaa")
    with pytest.raises(ServiceError, match="for a lead"):
        close(floor, case, "edge", remedy_text="moved the lead-out")
    view = close(floor, case, "pilot", remedy_text="mended the lead", done_by=IDA)
    assert view.state == "closed"


def test_every_place_shows_who_may_and_what_to_mind(lite: Floor) -> None:
    case = opened(lite)
    view = find(lite, case, "W_level", "seen")
    dark = {n.symptom: n for n in view.not_looked}
    assert (dark["P_pilotR"].who, dark["P_ramp"].who) == ("electrician", "lead")
    assert "hands clear of the torch" in dark["W_flow"].caution
    shown = {f.symptom: f for c in view.checks for f in c.findings}
    assert shown["P_pilotR"].who == "electrician"
    for own in lite.shop.base.checks:
        for symptom in own.reveals:
            assert own.caution in shown[symptom].caution
