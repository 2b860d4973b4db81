"""Cause cases: what counts, what is kept, two tablets, undo, closing and what comes after."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, text

from book_fixture import KINDS, empty_url
from case_kit import check, close, find, line, opened, p_of, read, reading, state, told
from kit import Floor
from pitwise.records.case_tables import CaseCause, CaseFact, CauseCase
from pitwise.records.database import Database
from pitwise.services import case_closing, case_recording, cases, drafts, ranges, signing
from pitwise.services.book_archive import export_book
from pitwise.services.book_restore import restore_book
from pitwise.services.book_verify import verify_book
from pitwise.services.case_view import CaseView
from pitwise.services.errors import (
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ServiceError,
)
from pitwise.services.learning import freeze_learning
from pitwise.services.permissions import Actor
from pitwise.services.shopfloor import Shop
from pitwise.services.wear_book import refit

# Opening and joining.


def test_a_case_is_opened_or_the_open_one_joined(floor: Floor) -> None:
    first = opened(floor, complaint="Electrodes last half a week — früher zwei")
    assert opened(floor) == first
    other = opened(floor, floor.other)
    assert other != first
    view = read(floor, first)
    assert view.complaint == "Electrodes last half a week — früher zwei"
    assert (view.state, view.torch, view.after_inspection) == ("open", "Torch A", None)
    assert view.evidence == ()
    assert view.diagnosis.step.do == "none"
    assert view.may_touch
    assert view.may_close
    assert [x.id for x in cases.list_cases(floor.shop, floor.tech, state="open")] == [other, first]
    assert len(told(floor, "case-opened")) == 2


def test_the_same_key_five_times_opens_one_case(floor: Floor) -> None:
    key = floor.key()
    got = {cases.open_case(floor.shop, floor.tech, floor.torch, key=key) for _ in range(5)}
    case_closing.discard_case(floor.shop, floor.tech, got.pop(), reason="a mistake")
    # A page sent once more opens no second one.
    with pytest.raises(ConflictError, match="discarded"):
        cases.open_case(floor.shop, floor.tech, floor.torch, key=key)
    with floor.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(CauseCase)) == 1


def test_eight_tablets_at_once_open_one_case(floor: Floor) -> None:
    got: list[int] = []
    threads = [threading.Thread(target=lambda: got.append(opened(floor))) for _ in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert len(got) == 8
    assert len(set(got)) == 1


def test_unknown_torch_case_and_key_are_refused(lite: Floor) -> None:
    with pytest.raises(NotFoundError):
        cases.open_case(lite.shop, lite.tech, 999, key=lite.key())
    with pytest.raises(ServiceError):
        cases.open_case(lite.shop, lite.tech, lite.torch, key="short")
    with pytest.raises(NotFoundError):
        read(lite, 999)
    with pytest.raises(ServiceError):
        cases.list_cases(lite.shop, lite.tech, state="odd")


# What inspections bring.


def test_a_signed_inspection_speaks_by_itself(floor: Floor) -> None:
    number = floor.inspect(seen=(("electrode", "heat-blued"), ("nozzle", "heat-blued")))
    view = read(floor, opened(floor))
    assert view.after_inspection == number
    assert view.inspections == (number,)
    assert state(view, "E_blue") == state(view, "N_blue") == "seen"
    assert state(view, "E_off") == "absent"
    found = line(view, "E_blue")
    assert found is not None
    assert (found.origin, found.inspection_id, found.by) == ("inspection", number, "Tom Reed")
    assert found.fact_id is None
    assert "W_flow" in {n.symptom for n in view.not_looked}
    why = {n.symptom: n.why for n in view.not_looked}
    assert "use on record" in why["E_deep"]
    assert "starts on record" in why["R_starts"]
    # The whole torch was looked at: the bench's own checks are done.
    assert {c.id for c in view.checks if c.done} == {"K_look", "K_strip", "K_head", "K_tube"}
    assert view.diagnosis.causes[0].id in ("cool_low", "tube_bad")
    assert view.context["coolant"] == "water"


def test_only_the_inspection_before_and_those_since_count(floor: Floor) -> None:
    floor.inspect(seen=(("nozzle", "soot"),))
    before = floor.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(floor)
    assert state(read(floor, case), "N_soot") == "absent"
    floor.clock.forward(hours=1)
    since = floor.inspect(seen=(("nozzle", "soot"),))
    view = read(floor, case)
    assert view.inspections == (since, before)
    assert state(view, "N_soot") == "seen"
    blue = line(view, "E_blue")
    assert blue is not None
    # The blued electrode was replaced: its successor's clean look takes nothing back.
    assert blue.state == "seen"
    assert blue.inspection_id == before
    assert blue.older == (f"Inspection {since}: looked for, not there (on a part fitted since)",)


def test_a_correction_counts_in_the_place_of_what_it_corrects(floor: Floor) -> None:
    number = floor.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(floor)
    assert state(read(floor, case), "E_blue") == "seen"
    floor.clock.forward(hours=1)
    find(floor, case, "N_blue", "seen")
    again = signing.correct(floor.shop, floor.tech, number, reason="wrong part", key=floor.key())
    drafts.set_mark(floor.shop, floor.tech, again, "electrode", "heat-blued", "absent")
    drafts.set_mark(floor.shop, floor.tech, again, "electrode", "soot", "seen")
    floor.clock.forward(hours=1)
    signing.sign(floor.shop, floor.tech, again, key=floor.key())
    view = read(floor, case)
    assert view.inspections == (again,)
    assert state(view, "E_blue") == "absent"
    assert state(view, "E_soot") == "seen"
    # What was told since is newer than the look, though the correction was signed later.
    assert state(view, "N_blue") == "seen"


def test_a_bench_finding_that_is_no_sign_is_said_so(lite: Floor) -> None:
    lite.inspect(seen=(("electrode", "heat-blued"), ("shield-cap", "coolant-darkening")))
    view = read(lite, opened(lite))
    assert any(f.code == "tells-nothing" for f in view.diagnosis.flags)


# Facts.


def test_the_newest_fact_holds_and_an_undo_brings_back_the_one_before(floor: Floor) -> None:
    floor.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(floor)
    view = find(floor, case, "E_blue", "absent")
    assert state(view, "E_blue") == "absent"
    view = find(floor, case, "E_blue", "none")
    assert state(view, "E_blue") == "none"
    assert "E_blue" not in view.diagnosis.looked
    view = case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    assert state(view, "E_blue") == "absent"
    view = case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    assert state(view, "E_blue") == "seen"
    assert view.last_fact_id is None
    with pytest.raises(NotFoundError):
        case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    with floor.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(CaseFact)) == 4
    assert [(t["before"], t["after"]) for t in told(floor, "case-finding")] == [
        (None, "absent"),
        ("absent", "none"),
    ]
    assert [t["before"] for t in told(floor, "case-undo")] == ["none", "absent"]


def test_the_same_key_five_times_is_one_fact_and_one_undo(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "E_blue", "seen")
    key, back = floor.key(), floor.key()
    views = [find(floor, case, "W_level", "seen", key=key) for _ in range(5)]
    assert {v.revision for v in views} == {2}
    views = [case_recording.undo(floor.shop, floor.tech, case, key=back) for _ in range(5)]
    assert {v.revision for v in views} == {3}
    assert state(views[-1], "E_blue") == "seen"
    assert state(views[-1], "W_level") == "not looked"
    with pytest.raises(ConflictError, match="another case"):
        find(floor, opened(floor, floor.other), "E_blue", "seen", key=key)


def test_an_older_fact_can_be_taken_back_once(floor: Floor) -> None:
    case = opened(floor)
    first = find(floor, case, "E_blue", "seen").last_fact_id
    find(floor, case, "W_level", "seen")
    view = case_recording.undo(floor.shop, floor.tech, case, key=floor.key(), fact_id=first)
    assert (state(view, "E_blue"), state(view, "W_level")) == ("not looked", "seen")
    with pytest.raises(ConflictError, match="already"):
        case_recording.undo(floor.shop, floor.tech, case, key=floor.key(), fact_id=first)
    elsewhere = opened(floor, floor.other)
    with pytest.raises(NotFoundError):
        case_recording.undo(floor.shop, floor.tech, elsewhere, key=floor.key(), fact_id=first)


@pytest.mark.parametrize(
    ("symptom", "given", "problem"),
    [
        ("E_blu", "seen", "did you mean 'E_blue'"),
        ("E_blue", "slight", "does not fit"),
        ("H_spat", "dreadful", "does not fit"),
        ("x" * 5000, "seen", "no finding"),
        ("", "seen", "no finding"),
        ("E_blue", "", "does not fit"),
    ],
)
def test_findings_that_can_not_be_are_refused(
    lite: Floor, symptom: str, given: str, problem: str
) -> None:
    case = opened(lite)
    with pytest.raises(ServiceError, match=problem):
        find(lite, case, symptom, given)
    assert read(lite, case).revision == 0


def test_grades_are_kept(lite: Floor) -> None:
    case = opened(lite)
    slight = p_of(find(lite, case, "H_spat", "slight"), "pierce_low")
    much = p_of(find(lite, case, "H_spat", "much"), "pierce_low")
    assert slight != much


# Checks.


def test_a_check_is_recorded_with_one_touch_and_undone_with_one(floor: Floor) -> None:
    case = opened(floor)
    view = check(floor, case, "K_flow", clear=True)
    own = next(c for c in view.checks if c.id == "K_flow")
    assert own.done
    assert {f.state for f in own.findings} == {"absent"}
    assert "K_flow" not in {n.check for n in view.diagnosis.next}
    assert view.recorded[0].name == own.name
    view = check(floor, case, "K_flow", results={"W_filter": "seen"}, clear=True)
    assert (state(view, "W_filter"), state(view, "W_flow")) == ("seen", "absent")
    view = case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    assert (state(view, "W_filter"), state(view, "W_flow")) == ("absent", "absent")
    view = case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    assert state(view, "W_filter") == "not looked"
    assert not next(c for c in view.checks if c.id == "K_flow").done
    assert told(floor, "case-check")[1]["before"]["W_filter"] == "absent"


def test_single_results_leave_the_others_open(lite: Floor) -> None:
    case = opened(lite)
    view = check(lite, case, "K_flow", results={"W_level": "seen", "W_bub": "none"})
    assert state(view, "W_level") == "seen"
    assert state(view, "W_flow") == "not looked"


def test_checks_that_can_not_be_are_refused(lite: Floor) -> None:
    case = opened(lite)
    for name, more, problem in (
        ("K_flo", {"clear": True}, "did you mean 'K_flow'"),
        ("K_flow", {}, "no result"),
        ("K_flow", {"results": {"E_blue": "seen"}}, "no finding of"),
        ("K_flow", {"results": {"W_level": "much"}}, "does not fit"),
    ):
        with pytest.raises(ServiceError, match=problem):
            check(lite, case, name, **more)
    assert read(lite, case).revision == 0


def test_what_is_for_an_electrician_wants_the_name_of_one(floor: Floor) -> None:
    case = opened(floor)
    with pytest.raises(ServiceError, match="electrician"):
        check(floor, case, "K_pilot", clear=True)
    view = check(floor, case, "K_pilot", clear=True, done_by="Ida Løv, electrician")
    assert view.recorded[0].done_by == "Ida Løv, electrician"
    found = line(view, "P_pilotR")
    assert found is not None
    assert found.by == "Ida Løv, electrician"
    with pytest.raises(ServiceError, match="for a lead"):
        check(floor, case, "K_ramp", clear=True)
    case_recording.record_check(floor.shop, floor.lead, case, "K_ramp", clear=True, key=floor.key())
    with pytest.raises(ServiceError, match="electrician"):
        close(floor, case, "pilot", remedies=["pilot-mend"])
    done = close(floor, case, "pilot", remedies=["pilot-mend"], done_by="Ida Løv, electrician")
    assert done.closing is not None
    assert done.closing.done_by == "Ida Løv, electrician"


# Readings.


def set_flow(floor: Floor, low: str = "3", unit: str = "l/min") -> None:
    ranges.set_range(
        floor.shop, floor.lead, 1, "coolant_flow", low=low, unit=unit, reason="of the manual"
    )


def test_a_reading_tells_by_the_shops_range_in_any_unit(floor: Floor) -> None:
    case = opened(floor)
    view = reading(floor, case, "coolant_flow", "2", "l/min")
    assert "no-range" in {f.code for f in view.diagnosis.flags}
    assert state(view, "W_flow") == "not looked"
    set_flow(floor)
    view = read(floor, case)
    assert state(view, "W_flow") == "seen"
    base = p_of(view, "cool_low")
    view = reading(floor, case, "coolant_flow", "1,2", "gal/min")
    assert state(view, "W_flow") == "absent"
    found = line(view, "W_flow")
    assert found is not None
    assert found.words == "1.2 gal/min; range from 3 l/min"
    assert found.older == ("Coolant flow: 2 l/min; range from 3 l/min",)
    assert p_of(view, "cool_low") < base
    field = next(r for r in view.readings if r.id == "coolant_flow")
    assert (field.low, field.range_from, field.current) == (3.0, "the shop's range", "1.2 gal/min")


def test_what_is_newer_goes_before_a_reading_and_the_other_way_round(floor: Floor) -> None:
    ranges.set_range(
        floor.shop, floor.lead, 1, "cut_height", low="2", high="4", unit="mm", reason="chart"
    )
    case = opened(floor)
    reading(floor, case, "cut_height", "1.0", "mm")
    view = find(floor, case, "P_clow", "absent")
    # The other end of the reading still tells.
    assert (state(view, "P_clow"), state(view, "P_chigh")) == ("absent", "absent")
    assert "P_chigh" in view.diagnosis.looked
    view = reading(floor, case, "cut_height", "0.04", "in")
    assert state(view, "P_clow") == "seen"


def test_a_finding_told_by_both_ends_is_there_beyond_either(lite: Floor) -> None:
    ranges.set_range(
        lite.shop, lite.lead, 1, "speed_of_chart", low="90", high="110", unit="%", reason="ours"
    )
    case = opened(lite)
    assert state(reading(lite, case, "speed_of_chart", "140", "%"), "P_speed") == "seen"
    assert p_of(read(lite, case), "speed") > 0.1
    assert state(reading(lite, case, "speed_of_chart", "70", "%"), "P_speed") == "seen"
    assert state(reading(lite, case, "speed_of_chart", "100", "%"), "P_speed") == "absent"


@pytest.mark.parametrize(
    ("name", "value", "unit", "problem"),
    [
        ("coolant_flow", "2", "bar", "measures pressure"),
        ("coolant_flow", "2", "litres", "not known"),
        ("coolant_flow", "-2", "l/min", "can't be"),
        ("coolant_flow", "9e9", "l/min", "not a number"),
        ("coolant_flow", "nan", "l/min", "not a number"),
        ("coolant_flow", "", "l/min", "is empty"),
        ("coolant_flow", "-", "l/min", "not a number"),
        ("coolant_flow", "9" * 400, "l/min", "not a number"),
        ("coolant_flow", "900", "l/min", "can't be"),
        ("coolant_flow", "2", "x" * 900, "longer"),
        ("coolant_flwo", "2", "l/min", "did you mean 'coolant_flow'"),
        ("dew_point", "-300", "°C", "can't be"),
    ],
)
def test_readings_that_can_not_be_are_refused(
    lite: Floor, name: str, value: str, unit: str, problem: str
) -> None:
    case = opened(lite)
    with pytest.raises(ServiceError, match=problem):
        reading(lite, case, name, value, unit)
    assert read(lite, case).revision == 0


@pytest.mark.parametrize("typed", ["-25", "\u221225", "–25,0", "−２５"])
def test_a_dew_point_below_nothing_can_be_typed(lite: Floor, typed: str) -> None:
    case = opened(lite)
    view = reading(lite, case, "dew_point", typed, "")
    assert state(view, "G_water") == "absent"
    assert next(r for r in view.readings if r.id == "dew_point").current == "-25 °C"


# Contradictions, context, remedies tried.


def contradicted(floor: Floor) -> tuple[int, CaseView]:
    case = opened(floor)
    find(floor, case, "R_nopilot", "seen")
    return case, find(floor, case, "R_off", "seen")


def test_a_contradiction_is_asked_first_and_once(floor: Floor) -> None:
    case, view = contradicted(floor)
    assert view.diagnosis.step.do == "answer"
    assert view.asks[0].id == "no-pilot-yet-arc-off"
    assert view.asks[0].answered == ""
    view = case_recording.answer_conflict(
        floor.shop, floor.tech, case, "no-pilot-yet-arc-off", "Not the same days", key=floor.key()
    )
    assert view.asks[0].answered == "Not the same days"
    assert view.diagnosis.step.do != "answer"
    # Told anew, it is asked anew.
    view = find(floor, case, "R_off", "much")
    assert view.diagnosis.step.do == "answer"
    with pytest.raises(NotFoundError):
        case_recording.answer_conflict(
            floor.shop, floor.tech, case, "nothing", "x", key=floor.key()
        )


def test_context_comes_from_the_book_or_is_told(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "G_water", "seen")
    assert not read(floor, case).asks
    view = case_recording.record_context(
        floor.shop, floor.tech, case, "gas_supply", "bottled", key=floor.key()
    )
    assert view.asks[0].id == "water-in-bottled"
    assert view.context["plasma_gas"] == "oxygen"
    field = next(f for f in view.context_fields if f.key == "gas_supply")
    assert (field.current, field.values, field.from_book) == ("bottled", ("bottled",), False)
    with pytest.raises(NotFoundError, match="gas_supply"):
        case_recording.record_context(
            floor.shop, floor.tech, case, "gas_suply", "x", key=floor.key()
        )


def test_a_remedy_tried_in_vain_leads_to_the_next_and_then_rules_out(floor: Floor) -> None:
    set_flow(floor)
    floor.inspect(seen=(("electrode", "heat-blued"), ("nozzle", "heat-blued")))
    case = opened(floor)
    check(floor, case, "K_flow", results={"W_filter": "seen", "W_flow": "seen", "W_hot": "seen"})
    view = find(floor, case, "R_coolerr", "seen")
    assert (view.diagnosis.step.do, view.diagnosis.step.id) == ("try", "coolant-top-up")
    view = case_recording.record_tried(
        floor.shop, floor.tech, case, "coolant-top-up", key=floor.key()
    )
    assert view.diagnosis.step.id == "coolant-filter"
    assert view.tried[0].cause_name == "Low coolant flow"
    case_recording.record_tried(floor.shop, floor.tech, case, "coolant-filter", key=floor.key())
    with pytest.raises(ServiceError, match="electrician"):
        case_recording.record_tried(floor.shop, floor.tech, case, "coolant-pump", key=floor.key())
    view = case_recording.record_tried(
        floor.shop,
        floor.tech,
        case,
        "coolant-pump",
        key=floor.key(),
        done_by="Ida Løv, electrician",
    )
    assert p_of(view, "cool_low") == 0
    view = case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    assert p_of(view, "cool_low") > 0.5


def test_the_next_remedy_is_none_whose_own_finding_is_not_there(floor: Floor) -> None:
    case = opened(floor)
    results = {"W_flow": "seen", "W_hot": "seen", "W_bub": "seen"}
    check(floor, case, "K_flow", results=results | {"W_filter": "absent"})
    find(floor, case, "E_blue", "seen")
    find(floor, case, "N_blue", "seen")
    view = find(floor, case, "R_coolerr", "seen")
    assert (view.diagnosis.step.do, view.diagnosis.step.id) == ("try", "coolant-top-up")
    view = case_recording.record_tried(
        floor.shop, floor.tech, case, "coolant-top-up", key=floor.key()
    )
    # The filter was looked at and is clean.
    assert view.diagnosis.step.id == "coolant-pump"


def test_more_than_can_be_reckoned_is_said_and_not_ranked(lite: Floor) -> None:
    case = opened(lite)
    results = {s.id: "seen" for s in lite.shop.base.symptoms}
    for own in lite.shop.base.checks:
        done_by = "Ida Løv, electrician"
        given = {k: results[k] for k in own.reveals}
        view = check(lite, case, own.id, results=given, done_by=done_by)
    assert [f.code for f in view.diagnosis.flags] == ["no-ranking"]
    assert view.diagnosis.step.do == "none"
    assert p_of(view, "age") == pytest.approx(0.2)
    assert len(view.evidence) == len(results)


# Two tablets.


def test_a_stale_touch_is_merged_unless_it_is_about_the_same(floor: Floor) -> None:
    case = opened(floor)
    seen = read(floor, case).revision
    find(floor, case, "E_blue", "seen", revision=seen)
    view = find(floor, case, "W_level", "seen", revision=seen)
    assert (state(view, "E_blue"), state(view, "W_level")) == ("seen", "seen")
    with pytest.raises(ConflictError, match="another tablet"):
        find(floor, case, "E_blue", "absent", revision=seen)
    with pytest.raises(ConflictError, match="another tablet"):
        check(floor, case, "K_flow", clear=True, revision=seen)
    with pytest.raises(ConflictError, match="another tablet"):
        case_recording.undo(floor.shop, floor.tech, case, key=floor.key(), revision=seen)
    with pytest.raises(ConflictError, match="another tablet"):
        close(floor, case, "age", revision=seen)
    view = check(floor, case, "K_flow", clear=True, revision=view.revision)
    assert state(view, "W_level") == "absent"


def test_touches_from_eight_tablets_at_once_are_all_kept(floor: Floor) -> None:
    case = opened(floor)
    names = [s.id for s in floor.shop.base.symptoms][:8]
    failed: list[ServiceError] = []

    def touch(name: str) -> None:
        try:
            find(floor, case, name, "seen")
        except ServiceError as error:
            failed.append(error)

    threads = [threading.Thread(target=touch, args=(n,)) for n in names]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert not failed
    view = read(floor, case)
    assert view.revision == 8
    assert {e.symptom for e in view.evidence} == set(names)


def test_two_tablets_that_close_at_once_close_it_once(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "W_level", "seen")
    outcome: list[str] = []

    def shut(cause: str) -> None:
        try:
            close(floor, case, cause)
            outcome.append("closed")
        except ConflictError:
            outcome.append("refused")

    threads = [threading.Thread(target=shut, args=(c,)) for c in ("cool_low", "cool_bad")]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert sorted(outcome) == ["closed", "refused"]
    with floor.shop.database.read() as session:
        assert session.scalar(select(func.count()).select_from(CaseCause)) == 1


# Closing and after.


def test_a_case_is_closed_with_what_was_held(floor: Floor) -> None:
    floor.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(floor)
    before = check(floor, case, "K_flow", results={"W_filter": "seen"})
    key = floor.key()
    views = [
        close(
            floor,
            case,
            "cool_low",
            key=key,
            remedies=["coolant-filter"],
            remedy_text="",
            note="Filter was black",
        )
        for _ in range(5)
    ]
    view = views[-1]
    assert view.state == "closed"
    assert not view.may_touch
    assert not view.may_close
    assert view.closing is not None
    assert [c.id for c in view.closing.causes] == ["cool_low"]
    assert view.closing.remedies[0].id == "coolant-filter"
    assert view.closing.note == "Filter was black"
    assert view.evidence == before.evidence
    assert view.diagnosis == before.diagnosis
    # What comes later does not move a closed case.
    floor.clock.forward(days=1)
    floor.inspect(seen=(("nozzle", "soot"),))
    later = read(floor, case)
    assert later.evidence == before.evidence
    assert later.diagnosis.causes == before.diagnosis.causes
    assert len(told(floor, "case-closed")) == 1
    with pytest.raises(ConflictError, match="closed already"):
        find(floor, case, "E_blue", "seen")
    with pytest.raises(ConflictError, match="closed already"):
        close(floor, case, "age")
    assert opened(floor) != case


@pytest.mark.parametrize(
    ("more", "problem"),
    [
        ({"causes": []}, "none is named"),
        ({"causes": ["cool_lo"]}, "did you mean 'cool_low'"),
        ({"causes": ["age", "cool_low", "cool_bad", "crash", "edge", "swirl"]}, "at most"),
        ({"certainty": "sure"}, "is not said"),
        ({"remedies": ["ring-new"]}, "not among the causes"),
        ({"remedies": ["coolant"]}, "no remedy"),
        ({"remedy_text": ""}, "none is named"),
        ({"remedy_text": "x" * 1001}, "longer"),
        ({"note": "a\x00b"}, "can't be shown"),
    ],
)
def test_closings_that_can_not_be_are_refused(
    lite: Floor, more: dict[str, Any], problem: str
) -> None:
    case = opened(lite)
    with pytest.raises(ServiceError, match=problem):
        close(lite, case, **({"causes": ["cool_low"]} | more))
    assert read(lite, case).state == "open"


def test_a_case_is_reopened_discarded_and_reopened(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "W_level", "seen")
    close(floor, case, "cool_low", certainty="went-away")
    with pytest.raises(ServiceError):
        case_closing.reopen_case(floor.shop, floor.tech, case, reason="no")
    view = case_closing.reopen_case(floor.shop, floor.tech, case, reason="Hose was not it")
    assert (view.state, view.closing) == ("open", None)
    assert state(view, "W_level") == "seen"
    assert told(floor, "case-reopened")[0]["before"]["causes"] == ["cool_low"]
    case_closing.discard_case(floor.shop, floor.tech, case, reason="Torch scrapped")
    with pytest.raises(ConflictError):
        case_closing.discard_case(floor.shop, floor.tech, case, reason="Torch scrapped")
    other = opened(floor)
    with pytest.raises(ConflictError, match=f"case {other} is open"):
        case_closing.reopen_case(floor.shop, floor.tech, case, reason="Found again")
    case_closing.discard_case(floor.shop, floor.tech, other, reason="The same as the first")
    case_closing.reopen_case(floor.shop, floor.tech, case, reason="Found again")
    with pytest.raises(ConflictError, match="it is open"):
        case_closing.reopen_case(floor.shop, floor.tech, case, reason="Found again")
    close(floor, case, "tube_bad")
    lines = cases.list_cases(floor.shop, floor.tech)
    assert [(x.id, x.state) for x in lines] == [(case, "closed"), (other, "discarded")]
    assert lines[0].causes[0].name == "Coolant tube bent, loose or wrong"


def test_trouble_that_came_back_is_said(floor: Floor) -> None:
    case = opened(floor)
    with pytest.raises(ConflictError, match="it is open"):
        case_closing.mark_came_back(floor.shop, floor.tech, case, note="Two days later")
    close(floor, case, "cool_low")
    view = case_closing.mark_came_back(floor.shop, floor.tech, case, note="Two days later")
    assert view.closing is not None
    assert view.closing.came_back_note == "Two days later"
    assert view.did_not_hold == "The trouble came back: Two days later"
    lines = cases.list_cases(floor.shop, floor.tech, state="not-held")
    assert [x.id for x in lines] == [case]
    with pytest.raises(ConflictError):
        case_closing.mark_came_back(floor.shop, floor.tech, case, note="Again")
    assert verify_book(floor.shop, floor.lead).holds


def test_texts_are_kept_with_what_they_were(floor: Floor) -> None:
    case = opened(floor, complaint="Bad edges")
    view = cases.set_texts(
        floor.shop, floor.tech, case, complaint="Bad edges, 金属粉", note="Ask the night shift"
    )
    assert (view.complaint, view.note, view.revision) == (
        "Bad edges, 金属粉",
        "Ask the night shift",
        0,
    )
    cases.set_texts(floor.shop, floor.tech, case, note="Ask the night shift")
    assert len(told(floor, "case-texts")) == 1
    assert told(floor, "case-texts")[0]["before"] == {"complaint": "Bad edges", "note": ""}
    with pytest.raises(ServiceError, match="longer"):
        cases.set_texts(floor.shop, floor.tech, case, note="x" * 1001)


def test_nobody_signed_in_records_nothing(lite: Floor) -> None:
    case = opened(lite)
    nobody = Actor(None, "Nobody", "technician")
    with pytest.raises(NotAllowedError):
        case_recording.record_finding(lite.shop, nobody, case, "E_blue", "seen", key=lite.key())
    with pytest.raises(NotAllowedError):
        cases.open_case(lite.shop, nobody, lite.other, key=lite.key())


# Out of the book: pits and lives.


def worn_shop(floor: Floor, sets: int = 3, per: int = 2) -> int:
    """Wear electrodes out on both torches, gauged on the way, at a usual pace."""
    for torch in (floor.torch, floor.other):
        starts = 0
        floor.inspect("0.01 mm", torch=torch, starts="0", minutes="0")
        for k in range(sets):
            for step in range(1, per + 1):
                starts += 225 + 10 * k
                depth = (1.60 + 0.02 * (k % 3)) * step / per
                floor.inspect(
                    f"{depth:.2f} mm", torch=torch, starts=str(starts), minutes=str(starts // 2)
                )
    refit(floor.shop, floor.lead)
    floor.clock.forward(days=1)
    return starts


def eaten(floor: Floor, pit: str, starts: int) -> int:
    """Sign an inspection of a pit the bench asks about."""
    number = floor.draft()
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, pit, key=floor.key())
    draft = drafts.set_use(
        floor.shop, floor.tech, number, starts=str(starts), arc_minutes=str(starts // 2)
    )
    for flag in draft.decision.open_questions():
        drafts.answer_question(floor.shop, floor.tech, number, flag.code)
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    floor.clock.forward(days=1)
    return number


def test_pit_and_lives_speak_out_of_the_book(floor: Floor) -> None:
    done = worn_shop(floor)
    # One electrode eaten in a third of the usual starts.
    eaten(floor, "1.70 mm", done + 150)
    case = opened(floor)
    view = read(floor, case)
    deep, short, reached = (line(view, s) for s in ("E_deep", "R_short", "R_starts"))
    assert deep is not None
    assert short is not None
    assert reached is not None
    assert (deep.state, deep.origin) == ("seen", "forecast")
    assert "to be expected at 150 starts" in deep.words
    assert (short.state, short.origin, reached.state) == ("seen", "lives", "absent")
    assert "out of 6 lives" in short.words
    assert {"E_deep", "R_short", "R_starts"} <= set(view.diagnosis.looked)
    # A person's word is newer.
    view = find(floor, case, "E_deep", "absent")
    own = line(view, "E_deep")
    assert own is not None
    assert (own.state, own.origin) == ("absent", "person")
    # Worn as usual: neither deep nor short.
    for step in (1, 2):
        floor.inspect(
            f"{1.62 * step / 2:.2f} mm",
            torch=floor.other,
            starts=str(done + 240 * step),
            minutes=str((done + 240 * step) // 2),
        )
    other = read(floor, opened(floor, floor.other))
    assert state(other, "E_deep") == "absent"
    told_short = line(other, "R_short")
    assert told_short is not None
    assert told_short.log_ratio is not None
    assert abs(told_short.log_ratio) < 1.5


def test_before_the_first_fit_and_the_fifth_life_the_book_says_why_not(floor: Floor) -> None:
    floor.inspect("0.01 mm", starts="0", minutes="0")
    floor.inspect("0.5 mm", starts="200", minutes="100")
    view = read(floor, opened(floor))
    why = {n.symptom: n.why for n in view.not_looked}
    assert why["E_deep"] == "no wear fit was there yet when the pit was gauged"
    assert "fewer than 5" in why["R_starts"]
    assert "came to its end" in why["R_short"]


# The book's keeping.


@pytest.mark.parametrize("into", KINDS)
def test_a_book_with_cases_is_exported_and_restored_whole(
    floor: Floor, tmp_path: Path, into: str
) -> None:
    set_flow(floor)
    case = opened(floor, complaint="Früher zwei Wochen, 金属粉")
    check(floor, case, "K_flow", results={"W_filter": "seen"})
    case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    reading(floor, case, "coolant_flow", "2.25", "l/min")
    close(floor, case, "cool_low")
    freeze_learning(floor.shop, floor.lead, reason="as it stands")
    open_one = opened(floor)
    made = export_book(floor.shop, floor.admin, tmp_path / "book.zip")
    assert made.rows["case_fact"] == 3
    with empty_url(into, tmp_path) as url:
        report = restore_book(url, tmp_path / "book.zip")
        assert report.verification.faults == ()
        shop = Shop(Database(url), floor.clock)
        try:
            assert cases.read_case(shop, floor.tech, case) == read(floor, case)
            assert cases.read_case(shop, floor.tech, open_one) == read(floor, open_one)
            # New rows go on where the old ones ended.
            case_recording.record_finding(
                shop, floor.tech, open_one, "E_blue", "seen", key=floor.key()
            )
        finally:
            shop.close()


def test_the_book_verifies_with_cases_and_names_what_was_changed(floor: Floor) -> None:
    set_flow(floor)
    case = opened(floor)
    check(floor, case, "K_flow", results={"W_filter": "seen"})
    case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    reading(floor, case, "coolant_flow", "2.25", "l/min")
    close(floor, case, "cool_low")
    assert verify_book(floor.shop, floor.lead).faults == ()
    with floor.shop.database.write() as session:
        session.execute(text("UPDATE case_cause SET cause = 'age'"))
    faults = verify_book(floor.shop, floor.lead).faults
    assert [(f.table, f.row) for f in faults] == [("cause_case", f"id {case}")]
    with floor.shop.database.write() as session:
        session.execute(text("UPDATE case_cause SET cause = 'cool_low'"))
        session.add(
            CaseFact(
                case_id=case,
                key=floor.key(),
                revision=99,
                kind="finding",
                subject="E_blue",
                state="seen",
                by=floor.tech.person_id,
                at=floor.clock(),
            )
        )
    faults = verify_book(floor.shop, floor.lead).faults
    assert [(f.table, f.problem.split(":")[0]) for f in faults] == [("case_fact", "was put in")]
