"""RS-274 as NISTIR 6556 describes it (Kramer, Proctor & Messina, August 2000).

Section numbers, examples and rules are quoted from memory; every number they lead to is
recomputed here by the standard library.
"""

from __future__ import annotations

import math

import pytest

from pitwise.job.expressions import Parameters, Scanner
from pitwise.job.model import ProgramError, ReaderSettings
from pitwise.job.reader import read_program
from pitwise.job.timing import profile_seconds


def value(text: str, **parameters: float) -> float:
    held = Parameters()
    for name, number in parameters.items():
        held.write(int(name[1:]), number)
    scan = Scanner("".join(text.split()).upper(), 1, held)
    got = scan.value()
    assert scan.at == len(scan.text)
    return got


def cut_length(*lines: str) -> float:
    return read_program(["F100", "M3", *lines, "M5", "M2"]).cut_length_mm


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        # 3.3.2.3: the report's own example of an expression, with #3 = 2.
        ("[ 1 + acos[0] - [#3 ** [4.0/2]]]", 1 + 90 - 4),
        # 3.3.2.3: groups of precedence: power; times, over, modulo; plus, minus and logic.
        ("[2.0 / 3 * 1.5 - 5.5 / 11.0]", 0.5),
        ("[2 + 3 * 4 ** 2]", 50),
        ("[7 - 2 - 1]", 4),
        ("[2 ** 3 ** 2]", 64),
        ("[12 / 2 * 3]", 18),
        ("[15 MOD 4.0]", 3),
        ("[-1 MOD 4]", 3),
        # "zero is false, any other number is true"; and or xor stand in the group of + and -.
        ("[2 or 2]", 1),
        ("[0 or 0]", 0),
        ("[2 and 2]", 1),
        ("[2 and 0]", 0),
        ("[2 xor 2]", 0),
        ("[0 xor -3]", 1),
        ("[1 and 1 + 1]", 2),
        ("[1 --3]", 4),
        # 3.3.2.4: unary operations, angles in degrees; ATAN has two arguments.
        ("atan[1]/[-1]", 135),
        ("atan[1.7321]/[1.0]", math.degrees(math.atan2(1.7321, 1.0))),
        ("sin[30]", 0.5),
        ("cos[60]", 0.5),
        ("tan[45]", 1),
        ("asin[1.0]", 90),
        ("acos[-1]", 180),
        ("sqrt[3]", math.sqrt(3)),
        ("exp[2.3026]", math.exp(2.3026)),
        ("ln[10]", math.log(10)),
        ("abs[-1.23]", 1.23),
        # FIX rounds towards less and FUP towards more (fix[2.8] = 2, fix[-2.8] = -3,
        # fup[2.8] = 3, fup[-2.8] = -2).
        ("fix[2.8]", 2),
        ("fix[-2.8]", -3),
        ("fup[2.8]", 3),
        ("fup[-2.8]", -2),
        ("round[2.444]", 2),
        ("round[9.975]", 10),
        ("round[-0.499]", 0),
        ("round[-0.5001]", -1),
        # 3.3.2.2: a parameter's number may itself be a parameter or an expression.
        ("#3", 2),
        ("##4", 2),
        ("#[1 + 2]", 2),
        # 3.3.2.1: numbers.
        ("+0. 1234 7", 0.12347),
        ("-.5", -0.5),
        ("12", 12),
    ],
)
def test_values(text: str, wanted: float) -> None:
    assert value(text, p3=2, p4=3) == pytest.approx(wanted, rel=1e-14, abs=1e-14)


@pytest.mark.parametrize("text", ["1..2", "[1 + 2", "fix 2.8", "[1 + * 2]", "[]", "atan[1]", "#0"])
def test_what_is_no_value(text: str) -> None:
    with pytest.raises((ProgramError, AssertionError)):
        value(text)


def test_3_3_spaces_and_case_mean_nothing() -> None:
    # 3.3: "g0x +0. 12 34y 7" is equivalent to "g0 x+0.1234 y7".
    one = read_program(["g0x +0. 12 34y 7", "m2"]).rapid_length_mm
    assert one == read_program(["G0 X+0.1234 Y7", "M2"]).rapid_length_mm
    assert one == pytest.approx(math.hypot(0.1234, 7), rel=1e-15)


def test_3_3_3_parameters_are_set_after_the_line() -> None:
    # 3.3.3: "#3=6 G1 X#3" uses the old value; 3.3.5: of two settings on a line the last holds.
    assert cut_length("#3=15", "#3=6 G1 X#3", "G91 G1 X#3") == 15 + 6
    assert cut_length("#3=15 #3=6", "G1 X#3") == 6


def test_3_3_4_comments() -> None:
    assert cut_length("G1 (X99) X5 (Y99) Y0") == 5


def test_3_3_5_and_3_4_what_may_not_stand_twice() -> None:
    for line in ("X1 X2", "G0 G1 X1", "G90 G91", "M3 M4", "G17 G18"):
        with pytest.raises(ProgramError):
            read_program([line])


def test_3_3_6_order_of_words_means_nothing() -> None:
    assert cut_length("X3 Y4 G1") == cut_length("G1 Y4 X3") == 5


def test_3_5_3_1_radius_format() -> None:
    # "A positive radius indicates that the arc turns through 180 degrees or less, while a
    # negative radius indicates a turn of 180 degrees to 359.999 degrees"; G17 G2 x10 y15 r20.
    chord = math.hypot(10, 15)
    small = 40 * math.asin(chord / 40)
    assert cut_length("G17 G2 X10 Y15 R20") == pytest.approx(small, rel=1e-13)
    assert cut_length("G17 G2 X10 Y15 R-20") == pytest.approx(40 * math.pi - small, rel=1e-13)
    # "It is an error if the end point of the arc is the same as the current point."
    with pytest.raises(ProgramError):
        cut_length("G2 X0 Y0 R5")


def test_3_5_3_2_centre_format() -> None:
    # As the report's "G17 G2 x.. y.. i3 j4": from (7, 8), centre (10, 12), end (10, 17).
    length = cut_length("G1 X7 Y8", "G17 G2 X10 Y17 I3 J4") - math.hypot(7, 8)
    turn = math.atan2(-4, -3) - math.atan2(5, 0)
    assert length == pytest.approx(5 * (turn % (2 * math.pi)), rel=1e-12)
    # "If ... the end point is the same as the current point, a full circle is made."
    assert cut_length("G3 I5") == pytest.approx(10 * math.pi)
    # I and J both left out, or a radius that does not fit at the end, are errors.
    for line in ("G2 X5", "G2 X50 I5"):
        with pytest.raises(ProgramError):
            cut_length(line)


def test_3_5_3_helix() -> None:
    # 3.5.3: the third axis moves evenly with the arc: length √((r φ)² + h²).
    assert cut_length("G3 X0 Y0 Z7 I5") == pytest.approx(math.hypot(10 * math.pi, 7), rel=1e-14)


def test_3_5_4_dwell_is_in_seconds() -> None:
    assert read_program(["M3", "G4 P1.5", "M5", "M2"]).pierce_minutes == 1.5 / 60


def test_3_5_19_inverse_time() -> None:
    # 3.5.19: "the F number is interpreted as moves should be completed in 1/F minutes";
    # "if F is 2.0, the move should be completed in half a minute".
    got = read_program(["M3", "G93", "G1 X77 F2.0", "M5", "M2"])
    assert got.arc_minutes == pytest.approx(0.5, rel=1e-14)


@pytest.mark.parametrize(
    ("length", "speed", "accel"),
    [(100.0, 50.0, 500.0), (1.0, 50.0, 500.0), (5.0, 50.0, 500.0), (1e-3, 200.0, 10.0)],
)
def test_trapezoidal_move(length: float, speed: float, accel: float) -> None:
    # Constant acceleration from rest to rest: v/a + L/v where v²/a ≤ L, else 2 √(L/a).
    wanted = speed / accel + length / speed
    if speed * speed / accel > length:
        wanted = 2 * math.sqrt(length / accel)
    assert profile_seconds(length, 0, 0, speed, accel) == pytest.approx(wanted, rel=1e-14)
    got = read_program(
        ["M3", f"G1 X{length} F{speed * 60}", "M5", "M2"], ReaderSettings(accel_mm_s2=accel)
    )
    assert got.arc_minutes * 60 == pytest.approx(wanted, rel=1e-13)
