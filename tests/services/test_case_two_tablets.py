"""Two tablets on one case, and keys that come twice."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from case_kit import check, close, find, opened, read, reading, state, told
from kit import Floor
from pitwise.services import case_closing, case_recording, cases
from pitwise.services.case_view import CaseView
from pitwise.services.errors import ConflictError, ServiceError

REST = ["W_flow", "W_filter", "W_hot", "W_bub"]


def test_none_of_the_rest_means_the_rest_that_was_shown(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "W_level", "seen")
    shown = read(floor, case).revision
    # Another tablet takes it back: nobody looked at the level then.
    case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    view = check(floor, case, "K_flow", clear=True, shown=REST, revision=shown)
    assert state(view, "W_level") == "not looked"
    assert {state(view, s) for s in REST} == {"absent"}
    with pytest.raises(ServiceError, match="no result"):
        check(floor, case, "K_flow", clear=True, shown=[])
    with pytest.raises(ServiceError, match="no finding of"):
        check(floor, case, "K_flow", clear=True, shown=["E_blue"])


def test_an_undo_counts_as_told_since(floor: Floor) -> None:
    case = opened(floor)
    find(floor, case, "W_level", "seen")
    shown = read(floor, case).revision
    case_recording.undo(floor.shop, floor.tech, case, key=floor.key())
    with pytest.raises(ConflictError, match="another tablet"):
        find(floor, case, "W_level", "absent", revision=shown)
    with pytest.raises(ConflictError, match="another tablet"):
        check(floor, case, "K_flow", clear=True, revision=shown)
    assert state(find(floor, case, "W_filter", "seen", revision=shown), "W_filter") == "seen"


def test_the_same_key_with_something_else_is_refused(floor: Floor) -> None:
    case = opened(floor)
    one, two, three, four = (floor.key() for _ in range(4))
    find(floor, case, "W_level", "seen", key=one)
    check(floor, case, "K_cond", results={"W_cond": "seen"}, key=two)
    reading(floor, case, "coolant_flow", "2", "l/min", key=three)
    undone = case_recording.undo(floor.shop, floor.tech, case, key=four)
    other: list[Callable[[], CaseView]] = [
        lambda: find(floor, case, "W_level", "absent", key=one),
        lambda: find(floor, case, "W_filter", "seen", key=one),
        lambda: check(floor, case, "K_cond", results={"W_cond": "absent"}, key=two),
        lambda: check(floor, case, "K_cond", results={"W_cond": "seen"}, key=one),
        lambda: reading(floor, case, "coolant_flow", "3", "l/min", key=three),
        lambda: reading(floor, case, "coolant_flow", "2", "gal/min", key=three),
        lambda: case_recording.undo(floor.shop, floor.tech, case, key=one),
        lambda: case_recording.undo(floor.shop, floor.tech, case, key=four, fact_id=1),
        lambda: find(floor, case, "W_level", "seen", key=four),
    ]
    for again in other:
        with pytest.raises(ConflictError, match="something else"):
            again()
    # The same once more is the same.
    find(floor, case, "W_level", "seen", key=one)
    check(floor, case, "K_cond", results={"W_cond": "seen"}, key=two)
    reading(floor, case, "coolant_flow", "2", "l/min", key=three)
    assert case_recording.undo(floor.shop, floor.tech, case, key=four).revision == undone.revision


def test_a_key_opens_one_case_of_one_torch(floor: Floor) -> None:
    key = floor.key()
    case = cases.open_case(floor.shop, floor.tech, floor.torch, key=key)
    assert cases.open_case(floor.shop, floor.tech, floor.torch, key=key) == case
    with pytest.raises(ConflictError, match="another torch"):
        cases.open_case(floor.shop, floor.tech, floor.other, key=key)
    case_closing.discard_case(floor.shop, floor.tech, case, reason="a mistake")
    with pytest.raises(ConflictError, match="discarded"):
        cases.open_case(floor.shop, floor.tech, floor.torch, key=key)


def test_a_key_closes_one_case_one_way(floor: Floor) -> None:
    case, other = opened(floor), opened(floor, floor.other)
    key = floor.key()
    close(floor, case, "cool_low", key=key)
    with pytest.raises(ConflictError, match=f"case {case}"):
        close(floor, other, "cool_low", key=key)
    with pytest.raises(ConflictError, match="otherwise"):
        close(floor, case, "tube_bad", key=key)
    with pytest.raises(ConflictError, match="otherwise"):
        close(floor, case, "cool_low", key=key, note="another")
    assert close(floor, case, "cool_low", key=key).state == "closed"
    assert read(floor, other).state == "open"


def test_texts_changed_on_two_tablets_are_not_written_over(floor: Floor) -> None:
    case = opened(floor, complaint="Bad edges")

    def keep(**more: str) -> None:
        cases.set_texts(floor.shop, floor.tech, case, **more)

    shown = {"shown_complaint": "Bad edges", "shown_note": ""}
    keep(complaint="Bad edges, both sides", note="", **shown)
    # Only the note was changed here: the complaint of the other tablet stays.
    keep(complaint="Bad edges", note="Ask the\r\nnight shift", **shown)
    view = read(floor, case)
    assert (view.complaint, view.note) == ("Bad edges, both sides", "Ask the\nnight shift")
    with pytest.raises(ConflictError, match="another tablet"):
        keep(complaint="Short lives", note="Ask nobody", **shown)
    view = read(floor, case)
    assert (view.complaint, view.note) == ("Bad edges, both sides", "Ask the\nnight shift")
    # The same said on both is no quarrel.
    keep(complaint="Bad edges, both sides", **shown)
    keep(note="Ask\nthe day shift", shown_note="Ask the\r\nnight shift")
    assert [set(t["after"]) for t in told(floor, "case-texts")] == [
        {"complaint"},
        {"note"},
        {"note"},
    ]
