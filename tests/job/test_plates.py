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
        'Arc_Minutes, Starts ,note,NAME\n5.5,10,"x,\ny"," A "\n0,0,,B é\n',
    ],
)
def test_lists(text: str) -> None:
    assert read_plates(text) == (PlateUse("A", 10, 5.5), PlateUse("B é", 0, 0.0))


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", 1, "empty"),
        ("\n\n", 1, "empty"),
        ("name,starts\nA,1", 1, "'arc_minutes' is missing"),
        ("name,name,starts,arc_minutes", 1, "twice"),
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
