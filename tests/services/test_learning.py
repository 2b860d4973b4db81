"""Learning: only verified cases teach; frozen, let go on and begun anew by a lead."""

from __future__ import annotations

import json

import pytest
from sqlalchemy import select

from kit import Floor
from pitwise.causes.learn import Case, learn
from pitwise.records.tables import AuditRow
from pitwise.services import case_closing, case_recording, cases
from pitwise.services.book_verify import verify_book
from pitwise.services.case_view import CaseView
from pitwise.services.errors import ConflictError, NotAllowedError, ServiceError
from pitwise.services.learning import (
    freeze_learning,
    learning_view,
    learnt_in_force,
    reset_learning,
    unfreeze_learning,
)
from pitwise.services.ranges import set_range
from pitwise.trade import base_sheet


def closed(
    floor: Floor, cause: str = "cool_low", certainty: str = "verified", **states: str
) -> int:
    shop, tech = floor.shop, floor.tech
    case = cases.open_case(shop, tech, floor.torch, key=floor.key())
    sheet = base_sheet()
    for symptom, state in states.items():
        check = next(c for c in sheet.checks if symptom in c.reveals and c.who == "technician")
        case_recording.record_check(
            shop, tech, case, check.id, results={symptom: state}, key=floor.key()
        )
    case_closing.close_case(
        shop,
        tech,
        case,
        key=floor.key(),
        causes=[cause],
        certainty=certainty,
        remedy_text="put right",
    )
    floor.clock.forward(hours=1)
    return case


def numbers(floor: Floor) -> dict[tuple[str, str], float]:
    view = learning_view(floor.shop, floor.tech)
    return {(x.cause, x.symptom): x.shop for x in view.lines}


def test_before_any_case_the_sheet_speaks_alone(floor: Floor) -> None:
    view = learning_view(floor.shop, floor.tech)
    assert (view.lines, view.cases, view.newest, view.may_change) == ((), 0, 0, False)
    with floor.shop.database.read() as session:
        assert learnt_in_force(session, floor.shop.sheet(session)) is None


def test_a_verified_case_teaches_what_was_looked_at_and_nothing_else(floor: Floor) -> None:
    closed(floor, W_flow="seen", E_blue="absent", W_level="none")
    view = learning_view(floor.shop, floor.lead)
    assert (view.cases, view.may_change) == (1, True)
    lines = {(x.kind, x.cause, x.symptom): x for x in view.lines}
    flow, blue = lines["link", "cool_low", "W_flow"], lines["link", "cool_low", "E_blue"]
    assert flow.shop > flow.sheet
    assert blue.shop < blue.sheet
    assert flow.low < flow.shop < flow.high
    assert (flow.cases, flow.cause_name) == (1, "Low coolant flow")
    assert not [x for x in view.lines if x.symptom == "W_level"]
    base = lines["base", "cool_low", ""]
    assert base.shop > base.sheet
    with floor.shop.database.read() as session:
        sheet = floor.shop.sheet(session)
        made = learnt_in_force(session, sheet)
    told = learn(sheet, [Case(frozenset({"cool_low"}), {"W_flow": True, "E_blue": False})])
    assert made is not None
    assert made.link["cool_low", "W_flow"].mean == told.link["cool_low", "W_flow"].mean


def test_what_was_only_complained_of_teaches_nothing(floor: Floor) -> None:
    shop, tech = floor.shop, floor.tech
    case = cases.open_case(shop, tech, floor.torch, key=floor.key())
    view = case_recording.record_finding(shop, tech, case, "R_coolerr", "seen", key=floor.key())
    assert "R_coolerr" in view.diagnosis.looked
    case_recording.record_check(
        shop, tech, case, "K_flow", results={"W_flow": "seen"}, key=floor.key()
    )
    case_closing.close_case(
        shop,
        tech,
        case,
        key=floor.key(),
        causes=["cool_low"],
        certainty="verified",
        remedy_text="put right",
    )
    told = {x.symptom for x in learning_view(shop, tech).lines if x.symptom}
    assert told == {"W_flow"}


def test_what_only_went_away_teaches_nothing(floor: Floor) -> None:
    closed(floor, certainty="went-away", W_flow="seen")
    assert learning_view(floor.shop, floor.tech).cases == 0


def test_a_reopened_case_teaches_no_more(floor: Floor) -> None:
    case = closed(floor, W_flow="seen")
    case_closing.reopen_case(floor.shop, floor.tech, case, reason="It was the tube")
    assert learning_view(floor.shop, floor.tech).cases == 0


def test_learnt_numbers_move_the_next_diagnosis(floor: Floor) -> None:
    case = cases.open_case(floor.shop, floor.tech, floor.other, key=floor.key())
    before = case_recording.record_finding(
        floor.shop, floor.tech, case, "W_filter", "seen", key=floor.key()
    )
    for _ in range(4):
        closed(floor, "cool_bad", W_filter="seen", W_flow="absent")
    after = cases.read_case(floor.shop, floor.tech, case)
    assert (before.learnt_from, after.learnt_from) == (0, 4)

    def p(view: CaseView, cause: str) -> float:
        return next(c.p for c in view.diagnosis.causes if c.id == cause)

    assert p(after, "cool_bad") > p(before, "cool_bad")


def test_frozen_numbers_stay_and_what_waited_teaches_later(floor: Floor) -> None:
    first = closed(floor, W_flow="seen")
    before = numbers(floor)
    freeze_learning(floor.shop, floor.lead, reason="An audit is coming", based_on=0)
    closed(floor, W_flow="absent")
    # Not even a reopened case takes out of what was frozen.
    case_closing.reopen_case(floor.shop, floor.tech, first, reason="It was the tube")
    view = learning_view(floor.shop, floor.tech)
    assert numbers(floor) == before
    assert (view.cases, view.waiting) == (1, 1)
    assert view.frozen is not None
    assert (view.frozen.reason, view.frozen.by) == ("An audit is coming", "Lin Ödegård")
    with pytest.raises(ConflictError, match="frozen already"):
        freeze_learning(floor.shop, floor.lead, reason="Again")
    unfreeze_learning(floor.shop, floor.lead, reason="It is over")
    view = learning_view(floor.shop, floor.tech)
    assert (view.cases, view.waiting, view.frozen) == (1, 0, None)
    assert numbers(floor) != before
    with pytest.raises(ConflictError, match="not frozen"):
        unfreeze_learning(floor.shop, floor.lead, reason="Again")


def test_a_reset_forgets_what_was_before_and_ends_a_freeze(floor: Floor) -> None:
    with pytest.raises(ConflictError, match="nothing to forget"):
        reset_learning(floor.shop, floor.lead, reason="Clean table")
    closed(floor, W_flow="seen")
    freeze_learning(floor.shop, floor.lead, reason="So far so good")
    reset_learning(floor.shop, floor.admin, reason="Wrong gauge all along")
    view = learning_view(floor.shop, floor.tech)
    assert (view.cases, view.waiting, view.frozen, view.lines) == (0, 0, None, ())
    assert view.since is not None
    assert view.since.reason == "Wrong gauge all along"
    floor.clock.forward(hours=1)
    closed(floor, W_flow="seen")
    assert learning_view(floor.shop, floor.tech).cases == 1
    assert [e.action for e in view.events] == ["reset", "freeze"]
    with floor.shop.database.read() as session:
        told = session.scalars(
            select(AuditRow.detail).where(AuditRow.action == "learning-reset")
        ).all()
    assert json.loads(told[0])["before"] == {"cases": [1], "frozen": True}
    assert json.loads(told[0])["after"] == {"cases": [], "frozen": False}
    assert verify_book(floor.shop, floor.lead).holds


def test_two_leads_do_not_act_past_one_another(floor: Floor) -> None:
    closed(floor, W_flow="seen")
    freeze_learning(floor.shop, floor.lead, reason="One of us", based_on=0)
    with pytest.raises(ConflictError, match="since this page"):
        reset_learning(floor.shop, floor.admin, reason="The other", based_on=0)


def test_it_is_for_a_lead_and_wants_a_reason(lite: Floor) -> None:
    closed(lite, W_flow="seen")
    for act in (freeze_learning, unfreeze_learning, reset_learning):
        with pytest.raises(NotAllowedError):
            act(lite.shop, lite.tech, reason="I would like to")
    with pytest.raises(ServiceError, match="is empty"):
        freeze_learning(lite.shop, lite.lead, reason="  ")


def test_a_reading_teaches_only_where_it_is_decisive(floor: Floor) -> None:
    shop, tech = floor.shop, floor.tech
    set_range(shop, floor.lead, 1, "coolant_flow", low="3", unit="l/min", reason="manual")
    for value in ("2.0", "3.05"):
        case = cases.open_case(shop, tech, floor.torch, key=floor.key())
        case_recording.record_reading(
            shop, tech, case, "coolant_flow", value, "l/min", key=floor.key()
        )
        case_closing.close_case(
            shop,
            tech,
            case,
            key=floor.key(),
            causes=["cool_low"],
            certainty="verified",
            remedy_text="put right",
        )
        floor.clock.forward(hours=1)
    lines = learning_view(shop, tech).lines
    assert [x.cases for x in lines if (x.cause, x.symptom) == ("cool_low", "W_flow")] == [1]


def test_a_frozen_case_that_is_reopened_is_told_of(floor: Floor) -> None:
    shop = floor.shop
    closed(floor, W_flow="seen")
    freeze_learning(shop, floor.lead, reason="as it stands")
    before = learning_view(shop, floor.tech)
    assert (before.cases, before.waiting, before.reopened) == (1, 0, 0)
    floor.clock.forward(days=1)
    case_closing.reopen_case(shop, floor.tech, 1, reason="It was not the flow")
    view = learning_view(shop, floor.tech)
    assert (view.cases, view.waiting, view.reopened) == (1, 0, 1)
    assert view.lines == before.lines
    # Closed again it is another closing: it waits, and the old one stands no more.
    case_closing.close_case(
        shop,
        floor.tech,
        1,
        key=floor.key(),
        causes=["tube_bad"],
        certainty="verified",
        remedy_text="put right",
    )
    view = learning_view(shop, floor.tech)
    assert (view.cases, view.waiting, view.reopened) == (1, 1, 1)
    unfreeze_learning(shop, floor.lead, reason="go on")
    view = learning_view(shop, floor.tech)
    assert (view.cases, view.waiting, view.reopened) == (1, 0, 0)
    assert ("tube_bad", "") in {(x.cause, x.symptom) for x in view.lines}
