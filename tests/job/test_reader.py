"""What a cut program is counted as, word by word of the language."""

from __future__ import annotations

import math
import time
from typing import Any

import pytest

from pitwise.job.model import MAX_LINE, ProgramCount, ProgramError, ReaderSettings, torch_code
from pitwise.job.reader import read_program
from pitwise.job.tally import SHOWN_EACH


def count(text: str, *, block_delete: bool = True, **settings: Any) -> ProgramCount:
    return read_program(text.splitlines(), ReaderSettings(**settings), block_delete=block_delete)


def cut(moves: str, **settings: Any) -> ProgramCount:
    """Count moves made while lit, from (0, 0) at 1000 mm/min."""
    return count(f"G21 G90 G17 F1000\nM3\n{moves}\nM5\nM30\n", **settings)


def refused(text: str, **named: Any) -> ProgramError:
    with pytest.raises(ProgramError) as caught:
        count(text, **named)
    error = caught.value
    assert error.problem.isprintable()
    assert error.mend.isprintable()
    # A mend says what to do; "mend the number" is none.
    assert "mend" not in error.mend
    return error


def codes(got: ProgramCount) -> list[tuple[int, str]]:
    return [(x.line, x.code) for x in got.warnings]


SQUARE = """%
(square, 100 mm)
N10 G21 G90 G17
N20 G0 X10 Y10
N30 M3
N40 G4 P0.5
N50 G1 X110 F3000
N60 Y110
N70 X10
N80 Y10
N90 M5
N100 G0 X0 Y0
N110 M30
%
"""


def test_a_square_in_full() -> None:
    got = count(SQUARE, rapid_mm_min=6000)
    assert got.starts == 1
    assert got.cut_length_mm == 400
    assert got.arc_minutes == pytest.approx((400 / 50 + 0.5) / 60, rel=1e-14)
    assert got.pierce_minutes == 0.5 / 60
    assert got.rapid_length_mm == pytest.approx(2 * math.hypot(10, 10))
    assert got.rapid_minutes == pytest.approx(2 * math.hypot(10, 10) / 6000)
    assert got.warnings == ()
    (only,) = got.cuts
    assert (only.line, only.length_mm, only.pierce_seconds) == (5, 400, 0.5)
    assert only.seconds == pytest.approx(8.5)
    assert got.lines == 13


def test_plain_keys_are_the_pinned_ones() -> None:
    plain = count(SQUARE).plain()
    assert {
        "starts",
        "cut_length_mm",
        "arc_minutes",
        "pierce_minutes",
        "rapid_length_mm",
        "warnings",
        "cuts",
    } <= set(plain)
    assert {"line", "length_mm", "seconds"} <= set(plain["cuts"][0])


@pytest.mark.parametrize(
    "line",
    [
        "G1X3Y4",
        "g1 x3 y4",
        "N7 G01 X3.0 Y4.",
        " g 1 x +3 y 0 4 ",
        "X3 Y4 G1",
        "G1 (a (;) X3 ; rest (open".replace("(a (;)", "(a ;)") + "\nY4",
        "G1 X[1+2] Y[2**2]",
        "#1=3 #2=4\nG1 X#1 Y#2",
        "#<over>=3\nG1 X#<Over> Y4",
        "G1 X3 Y4 S100 T1 H2 D3 L4 Q5 K6",
        "/G1 X99\nG1 X3 Y4",
        "G1\tX3\tY4\r",
    ],
)
def test_ways_to_write_one_move(line: str) -> None:
    moved = "G91\n" if "\nY4" in line else ""
    wanted = 7.0 if moved else 5.0
    got = cut(f"{moved}{line}")
    assert got.cut_length_mm == pytest.approx(wanted, abs=1e-12)
    assert got.starts == 1


def test_block_delete_is_the_callers_choice() -> None:
    assert count("F100\nM3\n/G1 X5\n/2 G1 X9\nM5\nM2").cut_length_mm == 0
    got = count("F100\nM3\n/G1 X5\n/2 G1 X9\nM5\nM2", block_delete=False)
    assert got.cut_length_mm == 9


@pytest.mark.parametrize(
    ("moves", "length"),
    [
        ("G1 X10 G4 P1", 10),
        ("G1 X10\nG4 P1 X15", 15),
        ("G1 X10\nG4 X1", 10),
        ("G3 X0 Y0 I10", 20 * math.pi),
        ("G2 I0 J-5", 10 * math.pi),
        ("G3 X20 Y0 I10 J0", 10 * math.pi),
        ("G2 X20 Y0 I10", 10 * math.pi),
        ("G2 X10 Y10 I10", 5 * math.pi),
        ("G3 X10 Y10 I10", 15 * math.pi),
        ("G3 X10 Y10 R10", 5 * math.pi),
        ("G3 X10 Y10 R-10", 15 * math.pi),
        ("G90.1 G3 X10 Y10 I10 J0", 15 * math.pi),
        ("G1 X10\nG90.1 G2 X10 Y0 I20 J0", 10 + 20 * math.pi),
        ("G90.1\nG91.1 G2 X10 Y10 I10 J0", 5 * math.pi),
        ("G91 G2 X10 Y10 I10 J0", 5 * math.pi),
        ("G3 X0 Y0 Z6 I10", math.hypot(20 * math.pi, 6)),
        ("G3 X10 Y10 Z-3 I10 J0", math.hypot(15 * math.pi, 3)),
        ("G3 X0 Y0 I10 P3", 60 * math.pi),
        ("G1 Z5\nX12 Z10", 5 + 13),
        ("G20 G1 X1", 25.4),
        ("G70 G1 X1\nG71 X50.8", 50.8),
        ("G20 G3 X0 Y0 I1", 50.8 * math.pi),
        ("G92 X100\nG1 X110", 10),
        ("G92 X100\nG92.1\nG1 X7", 7),
        ("G92 X100\nG92.2\nG1 X7\nG92.3\nX107", 7),
        ("G52 X5\nG1 X5\nG52 X0\nX3", 10 + 7),
        ("G10 L2 P2 X50\nG55 G1 X0", 50),
        ("G10 L20 P1 X50\nG1 X0", 50),
        ("G92 X5\nG53 G1 X3", 3),
        ("G91 G1 X1\nX1\nG90 X0", 4),
        ("G91 G53 G1 X3", 3),
    ],
)
def test_lengths_in_closed_form(moves: str, length: float) -> None:
    assert cut(moves).cut_length_mm == pytest.approx(length, rel=1e-12)


def test_moves_are_timed_by_feed_of_both_units() -> None:
    metric, inch = cut("G1 X50 F500"), cut("G20 G1 X2 F20")
    assert metric.arc_minutes == pytest.approx(0.1)
    assert inch.arc_minutes == pytest.approx(0.1)
    inverse = cut("G93 G1 X50 F4\nG1 X90 F2")
    assert inverse.arc_minutes == pytest.approx(1 / 4 + 1 / 2)


def test_units_change_no_feed_set_before() -> None:
    assert cut("F600\nG20 G1 X1").arc_minutes == pytest.approx(25.4 / 600)


def test_torch_codes_are_settings() -> None:
    text = "F100\nM64 P1\nG1 X5\nM65 P1\nM64 P2\nG1 X9\nM65 P2\nM30"
    got = count(text, on_codes=("M64 P1",), off_codes=("M65P1",))
    assert (got.starts, got.cut_length_mm) == (1, 5)
    got = count("F100\nM64P1\nG1 X5\nM05\nM3\nM30", on_codes=("M64 P1",))
    assert (got.starts, got.cut_length_mm) == (1, 5)
    got = count("F100\nM07\nG1 X5\nM8\nM4\nX6\nM8\nM30", on_codes=("M7", "M4"), off_codes=("M8",))
    assert (got.starts, got.cut_length_mm) == (2, 6)


def test_the_code_with_more_words_holds() -> None:
    got = count("F9\nM3\nG1 X5\nM3 P0\nG1 X9\nM30", off_codes=("M3 P0",))
    assert (got.starts, got.cut_length_mm, got.dry_length_mm) == (1, 5, 4)
    error = refused("M64 P1 M65", on_codes=("M64",), off_codes=("M65",))
    assert "lit and quenched" in error.problem


@pytest.mark.parametrize(
    "bad",
    [
        {"on_codes": ("G1",)},
        {"on_codes": ("M",)},
        {"on_codes": ("M3 P1.2.3",)},
        {"on_codes": ("M3 M4",)},
        {"on_codes": ("M3 G1",)},
        {"on_codes": ("M64 P1 P2",)},
        {"on_codes": ("M64000",)},
        {"on_codes": ("M64 P1 Q2",), "off_codes": ("M64 Q2 P1",)},
        {"on_codes": ("M64 P1",), "off_codes": ("M64 P1.0000001",)},
        {"accel_mm_s2": 1e-300},
        {"on_codes": ()},
        {"on_codes": ("M3",), "off_codes": ("M03",)},
        {"accel_mm_s2": 0.0},
        {"accel_mm_s2": math.nan},
        {"rapid_mm_min": -1.0},
        {"corner_tolerance_mm": math.inf},
    ],
)
def test_settings_that_cannot_be(bad: dict[str, Any]) -> None:
    with pytest.raises(ValueError):
        ReaderSettings(**bad) and count("M3", **bad)


def test_torch_codes_that_cannot_be_say_why() -> None:
    with pytest.raises(ValueError, match="both light and quench.*'M64 P1 Q2' and 'M64 Q2 P1'"):
        ReaderSettings(on_codes=("M64 P1 Q2",), off_codes=("M64 Q2 P1",))
    with pytest.raises(ValueError, match="'M3 M4' can never match.*two codes, such as M3 and M4"):
        torch_code("M3 M4")
    assert torch_code("M64 Q2 P1") == torch_code("m064 p1.0q2")


def test_numbers_of_codes_are_told_as_they_are_written() -> None:
    text = "F1\nM64 P123456.7891\nG1 X1\nM65\nM1234.56789\nM30"
    got = count(text, on_codes=("M64 P123456.7891",), off_codes=("M65",))
    assert got.starts == 1
    assert [x.text for x in got.warnings] == ["M1234.56789 is not known; passed over"]
    assert count(text, on_codes=("M64 P123456.7892",)).starts == 0


TINY = "." + "0" * 310 + "1"


@pytest.mark.parametrize(
    ("lines", "line"),
    [
        (f"M3\nG1 X10 F{TINY}", 2),
        (f"G93 M3\nG1 X10 F{TINY}", 2),
        (f"G93 M3\nG1 X10 F{'.' + '0' * 302 + '1'}", 2),
        ("M3\nF.00001\nX0\nG1 X10 Y0", 4),
        ("M3\nF.00001\nG1 X10 Y0 (by the interpreter)", 3),
        ("F.0001\nG1 X100", 2),
        ("F.001\nM3\nG3 X0 Y0 I100 J0", 3),
    ],
)
@pytest.mark.parametrize("accel", [None, 500.0])
def test_moves_that_take_months_are_refused(lines: str, line: int, accel: float | None) -> None:
    error = refused(lines, accel_mm_s2=accel)
    assert error.line == line
    assert "too slow to be meant" in error.problem


def test_arcs_longer_than_any_table_are_refused() -> None:
    error = refused("F1000\nM3\nG2 X0 Y0 I9999999 J0 P10000")
    assert (error.line, error.problem) == (3, "the arc is longer than 10 km")
    assert "turns (P)" in error.mend
    assert refused("F1000\nM3\nG2 X0 Y0 I2000000 J0").line == 3
    assert cut("G2 X0 Y0 I1 J0 P100").cut_length_mm == pytest.approx(200 * math.pi)


@pytest.mark.parametrize("beside", ["", " S1"])
def test_ten_kilometres_are_too_far_for_both_ways_of_reading(beside: str) -> None:
    there = f"F1000\nM3{beside}\nG91 G1 X9000000 Y0{beside}\nX9000000 Y0{beside}"
    assert count(there).cut_length_mm == 18_000_000
    error = refused(f"{there}\nG1 X10000000 Y0{beside}")
    assert (error.line, error.problem) == (5, "a move leads farther than 10 km")
    error = refused(f"G0 X0 Y0\nG91 X10000000 Y0{beside}")
    assert error.line == 2


def test_more_cuts_than_a_plate_has_end_the_reading() -> None:
    def endless() -> Any:
        while True:
            yield "M3"
            yield "M5"

    with pytest.raises(ProgramError, match="more than 500 cuts") as caught:
        read_program(endless(), max_cuts=500)
    assert caught.value.line == 1001
    with pytest.raises(ProgramError, match="more than 1,000,000 cuts") as caught:
        read_program(endless(), keep_cuts=False)
    assert caught.value.line == 2_000_001
    assert read_program(["M3", "M5"] * 500, max_cuts=500).starts == 500


def test_lines_that_are_the_same_each_time_are_read_once() -> None:
    line = "#1=[" + "+".join(["SIN[1]"] * 500) + "]"
    begun = time.process_time()
    got = count("\n".join([line] * 4000) + "\nF1000\nM3\nG1 X#1\nM5\nM30")
    assert time.process_time() - begun < 2
    assert got.cut_length_mm == pytest.approx(500 * math.sin(math.radians(1)))
    # What is set beside other words is still set each time.
    again = "#1=0\nF60\nM3 #1=1\nG1 X#1\nG4 P1 #1=5\nX#1\nM5"
    got = count(f"{again}\n{again}\nM30")
    assert (got.starts, got.cut_length_mm) == (2, 13)
    assert got.arc_minutes == pytest.approx(15 / 60)


def test_a_loop_over_long_lines_ends() -> None:
    # More lines than are kept, so that each is read anew each time.
    lines = [f"G91 G1 X[{k}" + "+1-1" * 200 + "]" for k in range(2100)]
    text = ["F9", "o1 repeat [99999]", *lines, "o1 endrepeat"]
    begun = time.process_time()
    with pytest.raises(ProgramError, match="on and on"):
        read_program(text, max_steps=100_000)
    assert time.process_time() - begun < 20


def test_the_torch_is_lit_before_and_out_before_the_move_of_its_line() -> None:
    got = count("F100\nG1 X5 M3\nG1 X9 M5\nM30")
    assert (got.cut_length_mm, got.dry_length_mm) == (5, 4)


@pytest.mark.parametrize("beside", ["", " (read by the interpreter) S1"])
def test_a_dwell_counts_only_while_lit_and_as_piercing_before_the_first_move(beside: str) -> None:
    lines = "F100 | G4 P9 | M3 | G4 P1 | G1 X0 | G4 P.5 | G1 X1 | G4 P2 | M5 | G4 P9"
    again = "M3 | G4 P.25 | M5 | M3 | G3 I1 | G4 P4 | M5 | M30"
    got = count("\n".join(x + beside for x in f"{lines} | {again}".split(" | ")))
    assert [x.pierce_seconds for x in got.cuts] == [1.5, 0.25, 0]
    assert got.pierce_minutes * 60 == pytest.approx(1.75)
    circle = 2 * math.pi * 0.6
    assert [x.seconds for x in got.cuts] == pytest.approx([3.5 + 0.6, 0.25, 4 + circle])


def test_rapids_dry_moves_and_reference_point() -> None:
    got = count("G0 X30 Y40\nF60\nM3\nG1 X31\nM5\nG1 X36\nG28 X40 Y50\nM30", rapid_mm_min=600)
    assert got.dry_length_mm == 5
    assert got.dry_minutes == pytest.approx(5 / 60)
    assert got.rapid_length_mm == pytest.approx(50 + math.hypot(4, 10) + math.hypot(40, 50))
    assert codes(got) == [(7, "reference-point")]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("F1\nM3\nG1 X1\n", [(3, "arc-left-on"), (3, "no-program-end")]),
        ("F1\nM3\nG1 X1\nM30", [(4, "arc-left-on")]),
        ("M3\nG1 X1\nM5\nM30", [(2, "feed-missing")]),
        ("F0\nM3\nG1 X1\nM5\nM30", [(3, "feed-missing")]),
        ("G93\nM3\nG1 X1\nM5\nM30", [(3, "feed-missing")]),
        ("F100\nM3\nG93\nG1 X1 F5\nG94\nX2\nM5\nM30", [(6, "feed-missing")]),
        ("F1\nG0 X1\nG1 X2\nM3\nG1 X3\nM5\nG1 X4\nM30", [(3, "cut-before-lighting")]),
        ("F1\nM3\nG1 X1 U5\nM5\nM30", [(3, "unknown-word")]),
        ("F1\nM3\nG1 X1 Q5\nX2 E5\nX3 Q5 E1\nM5\nM30", [(3, "unknown-word"), (4, "unknown-word")]),
        ("F1\nM3\nG1 X1 I5\nG1 X2 Y0 I1 J1\nM5\nM30", [(3, "unknown-word"), (4, "unknown-word")]),
        ("F1\nM3 P1\nG1 X1\nM5\nM30", [(2, "unknown-word")]),
        ("F1\nM3 S1 T1\nG64 P.1\nG43 H1\nG2 X9 Y0 R9 P1\nG4 P1\nM5\nM62 P1\nM30", []),
        # Said after positioning, once each time; not after a quench, nor again before the next.
        (
            "F1\nM3\nG1 X1\nM5\nG1 X2\nG0 X3\nG1 X4\nG1 X5\nG28\nG1 X6\nG0 Z1\nG1 Z0\nM30",
            [(7, "cut-before-lighting"), (9, "reference-point"), (10, "cut-before-lighting")],
        ),
        ("F1\nM3\nG1 X1\nM5\nM111\nG301\nM30", [(5, "unknown-code"), (6, "unknown-code")]),
        ("F1\nM3\nM3\nG1 X1\nM5\nM30", [(3, "already-lit")]),
        ("F1\nM3\nG0 X1\nM5\nM30", [(3, "rapid-while-lit")]),
        ("F1\nM3\nG1 X1\nM0\nM5\nM30", [(4, "stop-while-lit")]),
        ("F1\nM3\nG4\nG4 P500\nM5\nM30", [(3, "dwell-missing"), (4, "long-dwell")]),
        ("F1\nG41 D1\nG42\nM3\nG1 X1\nM5\nM30", [(2, "compensation")]),
        ("F1\nG0 X1\nG55\nM3\nG1 X2\nM5\nM30", [(3, "work-offset")]),
        ("F1\nM3\nG1 X1 A5\nM5\nM30", [(3, "axis-not-counted")]),
        ("F1\nG18\nG17\nM3\nG1 X1\nM5\nM30", [(2, "plane")]),
        ("F1\nM3\nX5\nM5\nM30", [(3, "no-motion-code"), (3, "rapid-while-lit")]),
        ("F1\nM3\nG1 X#7\nX5\nM5\nM30", [(3, "parameter-unset")]),
        ("F1\nM3\nG1 X5\nM5\nM99", [(5, "m99-in-main")]),
        ("G81 X5 R1 Z-1\nX9\nF1 M3\nG1 X1\nM5\nM30", [(1, "canned-cycle")]),
        ("#5221=4\nF1\nM3\nG1 X1\nM5\nM30", [(1, "offset-parameter")]),
        ("F1 G95\nM3\nG1 X1\nM5\nM30", [(1, "feed-per-turn")]),
        ("F1\nM3\nG3 X10 Y10.04 I10 J0\nM5\nM30", [(3, "arc-radius")]),
        ("G10 L1 P1\nF1\nM3\nG1 X1\nM5\nM30", [(1, "unknown-code")]),
        ("F1\nM4\nG0 X1\nM30", [(4, "no-start")]),
        ("", [(0, "no-program-end"), (0, "no-start")]),
    ],
)
def test_warnings_with_their_line(text: str, wanted: list[tuple[int, str]]) -> None:
    assert codes(count(text)) == wanted


def test_cut_length_without_feed_counts() -> None:
    got = count("M3\nG1 X7\nM5\nM30", accel_mm_s2=500)
    assert (got.cut_length_mm, got.arc_minutes) == (7, 0)


def test_a_rapid_while_lit_takes_rapid_time() -> None:
    got = count("F1\nM3\nG0 X10\nM5\nM30", rapid_mm_min=600)
    assert (got.cut_length_mm, got.rapid_length_mm) == (10, 0)
    assert got.arc_minutes == pytest.approx(10 / 600)


def test_warnings_of_one_kind_are_summed_up() -> None:
    got = count("F1\nM3\n" + "G1 X1 U1\n" * 1000 + "M5\nM30")
    assert len(got.warnings) == SHOWN_EACH + 1
    assert got.warnings[-1].text == "and 980 more of these, the last in line 1002"


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("G1 X1\nG1 X", 2, "number is missing"),
        ("G1 X1 X2", 1, "two X"),
        ("G0 G1 X1", 1, "can't stand on one line"),
        ("G20 G21", 1, "can't stand on one line"),
        ("M3 M5", 1, "can't stand on one line"),
        ("G1 X1..2", 1, "begins no word"),
        ("G1 X1.2.3", 1, "begins no word"),
        ("G1 X--1\nG1 X[", 2, "number is missing"),
        ("(open", 1, "comment"),
        ("(a (b) c)", 1, "comment"),
        ("G1 X[1+2", 1, "breaks off"),
        ("G1 X[1 2 $ 3]", 1, "breaks off"),
        ("G1 X5 $", 1, "begins no word"),
        ("G1 X5 é", 1, "outside a comment"),
        ("G1 X[1/0]", 1, "division by zero"),
        ("G1 X[10**400]", 1, "no value"),
        ("G1 X[[0-8]**[1/3]]", 1, "no value"),
        ("G1 XSQRT[0-1]", 1, "no value"),
        ("G1 XLN[0]", 1, "no value"),
        ("G1 XACOS[2]", 1, "no value"),
        ("G1 XATAN[1]", 1, "ATAN"),
        ("G1 X#0", 1, "no parameter"),
        ("G1 X#1.5", 1, "no parameter"),
        ("G1 X#6000", 1, "no parameter"),
        ("G1 X#<none>", 1, "before it is set"),
        ("#1", 1, "stands alone"),
        ("G1 X99999999999", 1, "10 km"),
        ("G1 X" + "9" * 400, 1, "beyond any table"),
        ("M3\nF100\nG1 X" + "9" * 400 + " Y1", 3, "beyond any table"),
        ("F-1", 1, "below zero"),
        ("F1e", 1, "missing"),
        ("G4 P-1", 1, "dwell"),
        ("F1\nG2 X5", 2, "neither a centre"),
        ("F1\nG2 X5 I1 R1", 2, "both a radius"),
        ("F1\nG2 X0 Y0 R5", 2, "where it starts"),
        ("F1\nG2 X50 Y0 R5", 2, "too small"),
        ("F1\nG2 X50 Y0 R0", 2, "zero"),
        ("F1\nG2 X50 Y0 I1 J0", 2, "unequally far"),
        ("F1\nG2 X0 Y0 I0 J0", 2, "radius is zero"),
        ("F1\nG90.1 G2 X5 I1", 2, "both I and J"),
        ("F1\nG2 I5 P1.5", 2, "turns"),
        ("F1\nG18 G2 X5 I1", 2, "plane"),
        ("G28 G0 X1", 1, "claim"),
        ("G53 G2 X1 R1", 1, "G53"),
        ("G10 L2 P77 X1", 1, "offset"),
        ("G51 X2", 1, "not followed"),
        ("G68 R10", 1, "not followed"),
        ("G1.55", 1, "no code"),
        ("G[0-5]", 1, "no code"),
        ("M98", 1, "without P"),
        ("M98 P7\nM30", 1, "no subprogram"),
        ("M98 P1.5", 1, "whole number"),
        ("M98 P7\nM30\nO7\nG0 X1", 3, "no M99"),
        ("Ofoo", 1, "O word"),
        ("O1 sub\nO2 sub", 2, "begins inside"),
        ("O1 while [1]\nM30", 1, "never closed"),
        ("O1 endwhile", 1, "closes nothing"),
        ("O1 if [1]\nO1 else\nO1 else\nO1 endif", 3, "after ELSE"),
        ("O1 break", 1, "no loop"),
        ("O1 call", 1, "no subroutine"),
        ("O1 sub\nO1 endsub\nO1 return", 3, "outside a call"),
        ("O1 if [1] G1\nO1 endif", 1, "stands after"),
        ("O1 do 5\nO1 while [0]", 1, "stands after"),
        ("O1 while\nO1 endwhile", 1, "missing"),
        ("M98 P5\nM30\nO5\nM99\nO5\nM99", 5, "twice"),
        ("G1 X" + "[" * 60 + "1" + "]" * 60, 1, "nested deeper"),
        ("G1 X" + "-" * 3000 + "1", 1, "nested deeper"),
        ("G1 X" + "1" * (MAX_LINE + 1), 1, "longer than"),
        ("G1 X1\nG1 X[1\x1b[31m]", 2, "breaks off at '�[31M]'"),
        ("M3 (x)\nM64 P1\n\nG1 X1\x01", 4, "begins no word"),
    ],
)
def test_malformed_programs_are_refused_with_the_line(text: str, line: int, words: str) -> None:
    error = refused(text)
    assert error.line == line
    assert words in error.problem
    assert str(error).startswith(f"line {line}: ")


LOOPED = """o100 sub
  M3
  o101 repeat [#2]
    G91 G1 X#1 F600
    G90
  o101 endrepeat
  M5
  o100 return [#1*#2]
  G1 X1000
o100 endsub
"""


@pytest.mark.parametrize(
    ("text", "starts", "length"),
    [
        (LOOPED + "o100 call [10] [3]\no100 call [1] [#<_value>]\nM2", 2, 60),
        (LOOPED + "#5=0\no1 while [#5 LT 4]\no100 call [5] [1]\n#5=[#5+1]\no1 endwhile\nM2", 4, 20),
        (LOOPED + "#5=0\no1 do\no100 call [5] [1]\n#5=[#5+1]\no1 while [#5 LT 4]\nM2", 4, 20),
        (
            LOOPED + "#5=0\no1 while [1]\n#5=[#5+1]\no2 if [#5 EQ 2]\no1 continue\no2 elseif "
            "[#5 GT 3 AND 1]\no1 break\no2 else\no100 call [5] [1]\no2 endif\no1 endwhile\nM2",
            2,
            10,
        ),
        (LOOPED + "o1 repeat [0]\no100 call [5] [1]\no1 endrepeat\nM2", 0, 0),
        (
            LOOPED + "#1=7\no100 call [5] [1]\no1 if [#1 EQ 7]\no100 call [1] [1]\no1 endif\nM2",
            2,
            6,
        ),
        ("F60\nM98 P12 L3\nM30\nO12\nM3\nG91 G1 X5\nM5\nM99\n", 3, 15),
        ("O1\nF60\nM98 P30012\nM30\nO12\nM3\nG91 G1 X5\nM5\nM99\n", 3, 15),
        ("F60\nM98 P1\nM98 P1 L0\nM30\n:1\nM98 P2 L2\nM99\n:2\nM3\nG91 G1 X5\nM5\nM99\n", 2, 10),
        ("o<Cut> sub\nM3\nG1 X5 F#1\nM5\no<cut> endsub\no<cut> call [60]\nM2\n", 1, 5),
        ("N5 O9 G21 F60\nN10 M3\nG1 X5\nM5\nM30", 1, 5),
        ("#1=1\n#1=2 #2=#1\nM3\nF60\nG1 X#2\nM5\nM30", 1, 1),
        ("#1=5\nM3\nF60\nG1 X[EXISTS[#1] + EXISTS[#<no>]]\nM5\nM30", 1, 1),
    ],
)
def test_subroutines_loops_and_branches(text: str, starts: int, length: float) -> None:
    got = count(text)
    assert got.starts == starts
    assert got.cut_length_mm == pytest.approx(length)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("o1 while [1]\no1 endwhile\nM2", None),
        ("o1 do\nG1 X1\no1 while [1]\nM2", None),
        ("o1 repeat [1000000000]\nG91 G1 X1\no1 endrepeat\nM2", None),
        ("O1\nM98 P1\nM99", None),
        ("M98 P5 L999999\nM30\nO5\nM98 P6 L999999\nM99\nO6\nG91 G0 X1\nM99", None),
        ("o1 sub\no1 call\no1 endsub\no1 call\nM2", 2),
        (
            "o9 while [1]\no1 if [0]\n" + "o1 elseif [0]\n" * 500 + "o1 endif\no9 endwhile",
            None,
        ),
        ("o1 while [1" + "+1" * 1500 + "]\no1 endwhile\nM2", None),
    ],
)
def test_endless_programs_end(text: str, line: int | None) -> None:
    with pytest.raises(ProgramError) as caught:
        read_program(text.splitlines(), max_steps=20_000)
    assert caught.value.line > 0
    if line is not None:
        assert caught.value.line == line


def test_nothing_after_the_end_is_read() -> None:
    def lines() -> Any:
        yield from ("%", "F1", "M3", "G1 X1", "M5", "%")
        raise AssertionError("read on")

    assert read_program(lines()).cut_length_mm == 1


def test_cuts_can_be_left_out() -> None:
    got = read_program(SQUARE.splitlines(), keep_cuts=False)
    assert (got.starts, got.cuts) == (1, ())


def test_a_millionth_warning_costs_no_memory_and_a_mean_speed_is_sane() -> None:
    got = count("F1\nM3\n" + "G1 X1 U1\nX0 U1\n" * 5000 + "M5\nM30")
    assert len(got.warnings) == SHOWN_EACH + 1
    assert got.cut_length_mm == 10_000
