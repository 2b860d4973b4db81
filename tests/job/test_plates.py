"""Lists of plates."""

from __future__ import annotations

import pytest

from pitwise.job.model import ProgramError
from pitwise.job.plates import PlateUse, read_plates


@pytest.mark.parametrize(
    "text",
    [
        "name,starts,arc_minutes\nA,10,5.5\nB é,0,0\n",
        "\ufeffname,starts,arc_minutes\r\nA,10,5.5\r\n\r\nB é,0,0\r\n",
        "name;starts;arc_minutes\nA;10;5,5\nB é;0;0\n",
        "name\tstarts\tarc_minutes\nA\t10\t5.5\nB é\t0\t0",
        'plate,starts,minutes\nA,10,"5,5"\nB é,0,0\n',
        'plate,starts,minutes,quantity\nA,10,5.5,1\nB é,0,0," 1 "\n',
        "quantity;minutes;starts;plate\n1;5,5;10;A\n1;0;0;B é\n",
        'Arc_Minutes, Starts ,note,NAME\n5.5,10,"x,\ny"," A "\n0,0,,B é\n',
    ],
)
def test_lists(text: str) -> None:
    assert read_plates(text) == (PlateUse("A", 10, 5.5), PlateUse("B é", 0, 0.0))


def test_plates_without_names_are_numbered_and_quantities_repeat_them() -> None:
    got = read_plates("starts,minutes,quantity\n3,1,2\n4,2,1\n")
    assert got == (
        PlateUse("plate 1", 3, 1.0),
        PlateUse("plate 2", 3, 1.0),
        PlateUse("plate 3", 4, 2.0),
    )
    assert read_plates("name,starts,minutes,quantity\nA,3,1,3") == (PlateUse("A", 3, 1.0),) * 3


def test_a_decimal_comma_may_have_three_decimals_where_it_can_mean_nothing_else() -> None:
    assert read_plates("starts;minutes\n3;1,500") == (PlateUse("plate 1", 3, 1.5),)


def test_a_cut_off_decimal_is_refused_with_both_mends() -> None:
    with pytest.raises(ProgramError, match="line 2: 4 values under 3 columns") as caught:
        read_plates("name,starts,arc_minutes\nA,12,3,5\n")
    assert "quotes" in caught.value.mend
    assert "semicolons" in caught.value.mend


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", 1, "empty"),
        ("\n\n", 1, "empty"),
        ("name,starts\nA,1", 1, "'arc_minutes' is missing"),
        ("name,name,starts,arc_minutes", 1, "twice"),
        ("name,plate,starts,arc_minutes", 1, "twice"),
        ("name,starts,minutes,arc_minutes", 1, "twice"),
        ("electrode,process,starts,arc_minutes,depth_mm\nE1,A,1,1,1", 1, "readings or use"),
        ("torch,at,starts,arc_minutes\nT1,2026-01-01,1,1", 1, "readings or use"),
        ("starts,minutes\n1,2\n1,2,3", 3, "3 values under 2"),
        ("starts;minutes\n1;2;", 2, "3 values under 2"),
        ('name,starts,arc_minutes\nA,1,"1,500"', 2, "thousands"),
        ("name,starts,minutes,quantity\nA,1,1,0", 2, "quantity"),
        ("name,starts,minutes,quantity\nA,1,1,1.5", 2, "whole"),
        ("name,starts,minutes,quantity\nA,1,1,", 2, "quantity"),
        ("name,starts,minutes,quantity\nA,1,1", 2, "missing (quantity)"),
        ("name,starts,minutes,quantity\nA,1,1,19000\nB,1,1,1001", 3, "more than 20,000"),
        ("starts,minutes\n" + "1,1\n" * 20_001, 20_002, "more than 20,000"),
        ("name,starts,arc_minutes\nA,1", 2, "missing"),
        ("name,starts,arc_minutes\n\n,1,1", 3, "no name"),
        ("name,starts,arc_minutes\nA,1.5,1", 2, "whole"),
        ("name,starts,arc_minutes\nA,-1,1", 2, "no number"),
        ("name,starts,arc_minutes\nA,1_0,1", 2, "no number"),
        ("name,starts,arc_minutes\nA,1,nan", 2, "no number"),
        ("name,starts,arc_minutes\nA,1,1e300", 2, "no number"),
        ("name,starts,arc_minutes\nA,x" + "x" * 99 + ",1", 2, "…"),
        ('name,starts,arc_minutes\n"A,1,1', 2, "broken"),
        ("name,starts,arc_minutes\nA\x07,1,1", 2, "printed"),
        ("name,starts,arc_minutes\n" + "A" * 201 + ",1,1", 2, "too long"),
        ("name,starts,arc_minutes\n\0,1,1", 1, "no text"),
        ("name,starts,arc_minutes\n" + "A" * 200_000 + ",1,1", 2, "broken"),
    ],
)
def test_bad_lists(text: str, line: int, words: str) -> None:
    with pytest.raises(ProgramError) as caught:
        read_plates(text)
    assert caught.value.line == line
    assert words in caught.value.problem
    assert caught.value.mend
