"""The made-up shop's cut programs are read without a fault, and count as they are drawn."""

from __future__ import annotations

import math

import pytest

from pitwise.demo.plates import PROGRAMS, bracket_plate, flange_plate, gusset_plate
from pitwise.job.reader import read_program


def test_every_program_reads_and_only_notes_its_compensation() -> None:
    for name, make in PROGRAMS:
        count = read_program(make().splitlines(keepends=True))
        assert count.starts > 20, name
        assert {w.code for w in count.warnings} <= {"compensation"}, name
        assert all(c.seconds > 0 for c in count.cuts)


def test_they_count_as_they_are_drawn() -> None:
    flange = read_program(flange_plate(2, 1, bolts=6).splitlines(keepends=True))
    assert flange.starts == 2 * (6 + 2)
    one = 6 * (8 + 2 * math.pi * 8) + 2 * 10 + 2 * math.pi * (55 + 115)
    assert flange.cut_length_mm == pytest.approx(2 * one, rel=1e-6)
    assert read_program(bracket_plate(2, 3).splitlines(keepends=True)).starts == 2 * 3 * 3
    assert read_program(gusset_plate(3, 2).splitlines(keepends=True)).starts == 6
