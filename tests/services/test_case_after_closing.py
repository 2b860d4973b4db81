"""A closed case put right, reopened, discarded; and what verifying the book makes of it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.orm import Session

from case_kit import close, find, line, opened, p_of, read, state, told
from kit import Floor
from pitwise.causes.diagnose import diagnose
from pitwise.records.database import Database
from pitwise.services import case_closing, case_page, cases
from pitwise.services.book_verify import verify_book
from pitwise.services.case_view import CaseView
from pitwise.services.cures import cure_view
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.learning import learning_view, reset_learning


def amend(floor: Floor, case: int, *causes: str, **more: Any) -> CaseView:
    given: dict[str, Any] = {
        "key": floor.key(),
        "causes": causes,
        "certainty": "verified",
        "remedy_text": "put right",
        "reason": "typo in the note",
    }
    return case_closing.amend_case(floor.shop, floor.tech, case, **(given | more))


def closed_then_sooty(floor: Floor) -> tuple[int, CaseView]:
    """Close a case on blueing; half a year later the torch is full of soot."""
    floor.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(floor)
    find(floor, case, "W_flow", "seen")
    closed = close(floor, case, "cool_low", note="Fliter was black")
    floor.clock.forward(days=180)
    floor.inspect(seen=(("nozzle", "soot"), ("electrode", "soot")))
    return case, closed


def test_an_amendment_keeps_what_was_held_and_when_it_was_closed(floor: Floor) -> None:
    case, closed = closed_then_sooty(floor)
    assert closed.closing is not None
    cured = cure_view(floor.shop, floor.tech, case).cured_at
    view = amend(
        floor, case, "cool_low", "tube_bad", certainty="went-away", note="Filter was black"
    )
    assert (view.state, view.evidence, view.diagnosis) == (
        "closed",
        closed.evidence,
        closed.diagnosis,
    )
    own = view.closing
    assert own is not None
    assert (own.at, own.by) == (closed.closing.at, closed.closing.by)
    assert (own.note, own.certainty) == ("Filter was black", "went-away")
    assert [c.id for c in own.causes] == ["cool_low", "tube_bad"]
    assert (own.amend_reason, own.amended_by) == ("typo in the note", "Tom Reed")
    assert own.amended_at == floor.clock()
    assert cure_view(floor.shop, floor.tech, case).cured_at == cured
    # It teaches as it reads now.
    assert learning_view(floor.shop, floor.tech).cases == 0
    (row,) = told(floor, "case-amended")
    assert (row["before"]["note"], row["after"]["note"]) == ("Fliter was black", "Filter was black")
    assert row["before"]["causes"] == ["cool_low"]
    assert verify_book(floor.shop, floor.lead).faults == ()


def test_amendments_that_can_not_be_are_refused(floor: Floor) -> None:
    case = opened(floor)
    with pytest.raises(ConflictError, match="it is open"):
        amend(floor, case, "age")
    close(floor, case, "cool_low")
    shown = read(floor, case).revision
    for more, problem in (
        ({"causes": []}, "none is named"),
        ({"causes": ["cool_lo"]}, "did you mean"),
        ({"certainty": "sure"}, "is not said"),
        ({"remedy_text": ""}, "none is named"),
        ({"reason": "no"}, "too little"),
        ({}, "nothing is changed"),
    ):
        with pytest.raises(ServiceError, match=problem):
            amend(floor, case, **({"causes": ["cool_low"]} | more))
    key = floor.key()
    views = [amend(floor, case, "tube_bad", key=key, revision=shown) for _ in range(3)]
    assert {v.revision for v in views} == {shown + 1}
    assert len(told(floor, "case-amended")) == 1
    with pytest.raises(ConflictError, match="otherwise"):
        amend(floor, case, "cool_bad", key=key)
    with pytest.raises(ConflictError, match="another tablet"):
        amend(floor, case, "cool_bad", revision=shown)


def test_reopened_for_another_look_it_goes_by_what_was_known(floor: Floor) -> None:
    case, closed = closed_then_sooty(floor)
    before = cure_view(floor.shop, floor.tech, case)
    view = case_closing.reopen_case(floor.shop, floor.tech, case, reason="typo in the note")
    assert view.evidence == closed.evidence
    assert view.inspections == closed.inspections
    assert p_of(view, "cool_low") == p_of(closed, "cool_low")
    # The form is filled again with how it was closed.
    last = view.last_closing
    assert last is not None
    assert (last.causes, last.certainty, last.note) == (
        ("cool_low",),
        "verified",
        "Fliter was black",
    )
    again = close(floor, case, "cool_low", note="Filter was black")
    assert again.evidence == closed.evidence
    assert again.last_closing is None
    assert again.closing is not None
    assert closed.closing is not None
    assert again.closing.at > closed.closing.at
    assert again.closing.cured_at == closed.closing.at
    after = cure_view(floor.shop, floor.tech, case)
    assert (after.cured_at, after.before, after.after) == (
        before.cured_at,
        before.before,
        before.after,
    )
    # Once more: still by what was known at first.
    floor.clock.forward(days=1)
    view = case_closing.reopen_case(floor.shop, floor.tech, case, reason="another typo")
    assert view.inspections == closed.inspections


def test_told_to_go_on_looking_the_looks_since_count(floor: Floor) -> None:
    case, closed = closed_then_sooty(floor)
    view = case_closing.reopen_case(floor.shop, floor.tech, case, reason="It goes on", go_on=True)
    assert len(view.inspections) == 2
    assert state(view, "N_soot") == "seen"
    assert told(floor, "case-reopened")[0]["after"] == {"state": "open", "go_on": True}
    again = close(floor, case, "cool_bad")
    assert closed.closing is not None
    assert again.closing is not None
    assert again.closing.cured_at == again.closing.at


def test_a_reset_stays_though_a_case_before_it_is_closed_once_more(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "W_flow", "seen")
    close(floor, case, "cool_low")
    floor.clock.forward(days=1)
    reset_learning(floor.shop, floor.lead, reason="New torches")
    floor.clock.forward(days=1)
    case_closing.reopen_case(floor.shop, floor.tech, case, reason="typo in the note")
    close(floor, case, "cool_low")
    assert learning_view(floor.shop, floor.tech).cases == 0


def test_a_discarded_case_stays_as_it_stood(floor: Floor) -> None:
    floor.inspect(seen=(("electrode", "heat-blued"),))
    case = opened(floor)
    stood = find(floor, case, "W_flow", "seen")
    case_closing.discard_case(floor.shop, floor.tech, case, reason="Torch was swapped")
    floor.clock.forward(days=30)
    floor.inspect(seen=(("nozzle", "soot"),))
    view = read(floor, case)
    assert (view.state, view.closing) == ("discarded", None)
    assert (view.evidence, view.diagnosis) == (stood.evidence, stood.diagnosis)
    (listed,) = cases.list_cases(floor.shop, floor.tech, state="discarded")
    assert listed.id == case
    assert not cases.list_cases(floor.shop, floor.tech, state="closed")
    back = case_closing.reopen_case(
        floor.shop, floor.tech, case, reason="It is the torch after all"
    )
    assert back.evidence == stood.evidence
    assert line(back, "N_soot") == line(stood, "N_soot")


# Verifying the book.


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE cause_case SET complaint = 'Nothing' WHERE id = :i",
        "UPDATE cause_case SET opened_at = '2001-01-01 00:00:00.000000+00:00' WHERE id = :i",
        "UPDATE cause_case SET note = 'Nothing' WHERE id = :i",
        "UPDATE cause_case SET opened_by = opened_by - 1 WHERE id = :i",
        "UPDATE cause_case SET state = 'discarded' WHERE id = :i",
        "DELETE FROM cause_case WHERE id = :i",
    ],
)
def test_a_changed_open_case_is_named(floor: Floor, change: str) -> None:
    case = opened(floor, complaint="Electrodes last half a week")
    cases.set_texts(floor.shop, floor.tech, case, note="Ask the night shift")
    other = opened(floor, floor.other)
    assert verify_book(floor.shop, floor.lead).faults == ()
    _change(floor, change, case)
    faults = verify_book(floor.shop, floor.lead).faults
    assert [(f.table, f.row) for f in faults] == [("cause_case", f"id {case}")]
    assert read(floor, other).state == "open"


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE cause_case SET came_back_at = NULL WHERE id = :i",
        "UPDATE cause_case SET note = 'Nothing' WHERE id = :i",
        "UPDATE cause_case SET close_note = 'Nothing' WHERE id = :i",
    ],
)
def test_a_changed_closed_case_is_named(floor: Floor, change: str) -> None:
    case = opened(floor)
    cases.set_texts(floor.shop, floor.tech, case, note="Ask the night shift")
    close(floor, case, "cool_low")
    case_closing.mark_came_back(floor.shop, floor.tech, case, note="Two days later")
    assert verify_book(floor.shop, floor.lead).faults == ()
    _change(floor, change, case)
    faults = verify_book(floor.shop, floor.lead).faults
    assert [(f.table, f.row) for f in faults] == [("cause_case", f"id {case}")]


def test_a_discarded_case_set_back_to_open_is_named(floor: Floor) -> None:
    case = opened(floor)
    case_closing.discard_case(floor.shop, floor.tech, case, reason="Torch was swapped")
    assert verify_book(floor.shop, floor.lead).faults == ()
    _change(floor, "UPDATE cause_case SET state = 'open' WHERE id = :i", case)
    faults = verify_book(floor.shop, floor.lead).faults
    assert [(f.table, f.row) for f in faults] == [("cause_case", f"id {case}")]


def _change(floor: Floor, change: str, case: int) -> None:
    with floor.shop.database.write() as session:
        session.execute(text(change), {"i": case})


@pytest.mark.parametrize("act", ["close", "discard"])
def test_nothing_is_reckoned_while_others_wait_to_write(
    lite: Floor, monkeypatch: pytest.MonkeyPatch, act: str
) -> None:
    case = opened(lite)
    find(lite, case, "W_flow", "seen")
    case_page._made.clear()
    reckoned: list[bool] = []
    writing = [False]
    write = Database.write

    @contextmanager
    def watched(database: Database) -> Iterator[Session]:
        with write(database) as session:
            writing[0] = True
            try:
                yield session
            finally:
                writing[0] = False

    def told_of(*given: Any, **more: Any) -> Any:
        reckoned.append(writing[0])
        return diagnose(*given, **more)

    monkeypatch.setattr(Database, "write", watched)
    monkeypatch.setattr(case_page, "diagnose", told_of)
    if act == "close":
        close(lite, case, "cool_low")
    else:
        case_closing.discard_case(lite.shop, lite.tech, case, reason="Torch was swapped")
    assert reckoned == [False]
