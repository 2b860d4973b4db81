"""The CSV of readings: read right, or refused with the line and the mend."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.wear.history import History, HistoryError, Step
from pitwise.wear.readings import ReadingsError, read_readings

HEAD = "electrode,process,starts,arc_minutes,depth_mm"


def test_rows_are_gathered_sorted_and_ended() -> None:
    found = read_readings(
        f"{HEAD},sigma_mm,ended\nb,P1,200,100,0.4,0.03,lost\na,P2,10,5,,,\nb,P1,100,50,0.2,,\n"
    )
    assert [h.name for h in found] == ["b", "a"]
    assert found[0].steps == (
        Step(100.0, 50.0, 0.2, "P1", None),
        Step(200.0, 100.0, 0.4, "P1", 0.03),
    )
    assert found[0].ended == "lost"
    assert found[1].steps[0].depth_mm is None
    assert found[1].ended == "running"


def test_semicolons_decimal_commas_byte_order_mark_and_any_order_of_columns() -> None:
    found = read_readings(
        "\ufeffdepth_mm;electrode;starts;arc_minutes;process\n0,25;ä;80;60,5;Öl\n"
    )
    assert found[0].steps == (Step(80.0, 60.5, 0.25, "Öl"),)


def test_other_columns_short_rows_and_tabs_are_taken() -> None:
    found = read_readings(
        f"\n{HEAD},sigma_mm,ended,\n\na,P,1,1,0.2\na,P,2,2,0.3,,lost,\na,P,2,2,0.31,,lost\n"
    )
    assert found[0].readings == 3
    assert found[0].ended == "lost"
    tabs = read_readings(HEAD.replace(",", "\t") + "\toperator\na\tP\t1\t1\t0,2\tJo\n")
    assert tabs[0].steps == (Step(1.0, 1.0, 0.2, "P"),)


@pytest.mark.parametrize(
    ("text", "line", "says"),
    [
        ("", 0, "empty"),
        ("\n\n", 0, "empty"),
        ("a\x00b", 0, "not text"),
        ("electrode,process\n", 1, "missing"),
        (f"{HEAD},sigma\n", 1, "did you mean 'sigma_mm'"),
        (f"{HEAD},end\n", 1, "did you mean 'ended'"),
        ("\ufeff\ufeff", 0, "empty"),
        (f"{HEAD}\na,P,1,1,0.2,9\n", 2, "6 fields"),
        (f"{HEAD}\na,P,1_0,1,0.2\n", 2, "not a number"),
        (f"{HEAD}\na,P,\u0661,1,0.2\n", 2, "not a number"),
        (f"{HEAD},ended\na,P,1,1,0.2,lost\na,P,2,2,0.3,running\n", 3, "goes on"),
        (f"{HEAD},ended\na,P,1,1,0.2,replaced\na,P,2,2,0.3,\n", 3, "goes on"),
        (f"{HEAD},starts\n", 1, "twice"),
        (f"{HEAD}\na,P,1,1\n", 2, "4 fields"),
        (f"{HEAD}\na,P,1,1,0.2\na,P,x,1,0.2\n", 3, "not a number"),
        (f"{HEAD}\na,P,1,1,0.2 mm\n", 2, "not a number"),
        (f"{HEAD}\na,P,1,1,nan\n", 2, "nan"),
        (f"{HEAD}\na,P,inf,1,0.2\n", 2, "inf"),
        (f"{HEAD}\na,P,,1,0.2\n", 2, "starts is empty"),
        (f"{HEAD}\n,P,1,1,0.2\n", 2, "electrode is empty"),
        (f"{HEAD}\na,,1,1,0.2\n", 2, "process is empty"),
        (f"{HEAD}\na,P,-1,1,0.2\n", 2, "below zero"),
        (f"{HEAD}\na,P,1e12,1,0.2\n", 2, "can't be"),
        (f"{HEAD}\na,P,1,1,1e9\n", 2, "can't be"),
        (f"{HEAD}\na,P,10,9,0.2\na,P,20,5,0.3\n", 3, "fewer than"),
        (f"{HEAD},sigma_mm\na,P,1,1,0.2,0\n", 2, "not above zero"),
        (f"{HEAD},ended\na,P,1,1,0.2,gone\n", 2, "not known"),
        (f"{HEAD},ended\na,P,1,1,0.2,lost\na,P,2,2,0.3,replaced\n", 3, "was lost"),
        (f'{HEAD}\n"a,P,1,1,0.2\n', 2, "fields"),
    ],
)
def test_what_can_not_be_read_names_its_line(text: str, line: int, says: str) -> None:
    with pytest.raises(ReadingsError, match="Mend") as caught:
        read_readings(text)
    assert caught.value.line == line
    assert says in str(caught.value)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text: str) -> None:
    with suppress(ReadingsError):
        read_readings(text)


@given(st.text(alphabet="ab,;.\n0123456789-+e\"'\u00e9\x00", max_size=120))
def test_any_rows_are_read_or_refused(text: str) -> None:
    with suppress(ReadingsError):
        read_readings(f"{HEAD}\n{text}")


@pytest.mark.parametrize(
    "steps",
    [
        (),
        (Step(1.0, 1.0, float("nan"), "p"),),
        (Step(float("inf"), 1.0, 0.1, "p"),),
        (Step(2.0, 1.0, 0.1, "p"), Step(1.0, 1.0, 0.2, "p")),
        (Step(1.0, 1.0, 0.1, "p", -0.1),),
        (Step(-1.0, 0.0, 0.1, "p"),),
    ],
)
def test_no_history_that_can_not_be(steps: tuple[Step, ...]) -> None:
    with pytest.raises(HistoryError, match="electrode 7"):
        History("7", steps)


def test_the_main_process_is_where_most_starts_were_made() -> None:
    history = History(
        "x", (Step(10.0, 5.0, None, "a"), Step(90.0, 50.0, None, "b"), Step(95.0, 60.0, 0.1, "a"))
    )
    assert history.main_process() == "b"
