"""Whatever is thrown at the readers: a count, or a refusal with its line; never more."""

from __future__ import annotations

import math
import random
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.job.model import ProgramCount, ProgramError, ReaderSettings
from pitwise.job.plates import read_plates
from pitwise.job.reader import read_program
from pitwise.job.source import program_lines

SEEDS = [
    b"%\nG21 G90 G17 F3000\nG0 X10 Y10\nM3\nG4 P0.5\nG1 X110\nG3 X110 Y110 I0 J50\nM5\nM30\n%\n",
    b"o100 sub\nM3\no101 repeat [#2]\nG91 G1 X#1 F600\no101 endrepeat\nM5\no100 endsub [#1]\n"
    b"#5=0\no1 while [#5 LT 4 AND 1]\no100 call [#5] [2]\n#5=[#5+1]\no1 endwhile\nM2\n",
    b"O1 (name)\nG20 F100\nM98 P7 L3\nM30\nO7\nM3 G1 X[1+2**3 MOD 5]\nG2 X9 Y3 R4\nM5\nM99\n",
    b"N1 G93 M3\nN2 G1 X1 F2\nN3 G94 F100\n/N4 G2 I5 J5 Z3\nN5 G92 X0 Y0\nG52 X1\nG28\nM5\n",
    b"#<a>=3 #1=[sin[30]+atan[1]/[2]]\no1 if [#<a> GT 2]\nG1 X#<a>\no1 elseif [0]\nG0 X1\n"
    b"o1 else\nG0 X2\no1 endif\no2 do\n#1=[#1+1]\no2 continue\no2 while [#1 LE 9]\nM30",
    b"G90.1 G3 X10 Y10 I10 J0 F5\nG10 L2 P1 X5\nG55\nG53 G0 X0\nG91 X-1.5Y.5\nM64P1\n",
]
PIECES = [
    *(b"[", b"]", b"#", b"(", b")", b";", b"%", b"/", b"=", b"<", b">", b"\n", b"\r", b" "),
    *(b"-", b"+", b".", b"*", b"**", b"0", b"1e9", b"999999999999999999", b"-0.0", b"1/0"),
    *(b"G0", b"G1", b"G2", b"G3", b"G4P", b"G28", b"G53", b"G92", b"G93", b"G20", b"G91", b"G61"),
    *(b"M3", b"M5", b"M30", b"M98P7L99", b"M99", b"X", b"Y", b"Z", b"I", b"J", b"R", b"F", b"P"),
    *(b"o1 while [1]", b"o1 endwhile", b"o1 sub", b"o1 endsub", b"o1 call", b"O7", b"o1 do"),
    *(b"o2 repeat [9999999]", b"o2 endrepeat", b"o3 if [1]", b"o3 else", b"o3 endif", b"o1 break"),
    *(b"atan[", b"sqrt[-1]", b"ln[0]", b"exp[999]", b"#[#[#1]]", b"exists[#<a>]", b"2**99**99"),
    *(b"\0", b"\xff", b"\xef\xbb\xbf", "é²".encode(), b"[" * 70, b"-" * 300, b"9" * 400),
]
SETTINGS = [
    ReaderSettings(),
    ReaderSettings(accel_mm_s2=500, rapid_mm_min=9000),
    ReaderSettings(on_codes=("M64 P1", "M3"), accel_mm_s2=0.5, corner_tolerance_mm=0),
]


def check_refusal(error: ProgramError) -> None:
    assert error.line >= 1
    assert error.problem
    assert error.mend


def survive(data: bytes, settings: ReaderSettings) -> ProgramCount | None:
    try:
        got = read_program(program_lines([data]), settings, max_steps=2000)
    except ProgramError as error:
        check_refusal(error)
        return None
    for number in (
        got.cut_length_mm,
        got.arc_minutes,
        got.pierce_minutes,
        got.rapid_length_mm,
        got.rapid_minutes,
        got.dry_length_mm,
        got.dry_minutes,
    ):
        assert math.isfinite(number)
        assert number >= 0
    assert got.starts == len(got.cuts)
    assert math.fsum(x.length_mm for x in got.cuts) == pytest.approx(got.cut_length_mm, abs=1e-6)
    assert math.fsum(x.seconds for x in got.cuts) / 60 == pytest.approx(got.arc_minutes, abs=1e-9)
    assert all(x.line >= 0 and x.code and x.text for x in got.warnings)
    return got


def mutated(rng: random.Random, data: bytes) -> bytes:
    for _ in range(rng.randint(1, 6)):
        at, to = sorted((rng.randint(0, len(data)), rng.randint(0, len(data))))
        match rng.randrange(7):
            case 0:
                data = data[:at] + data[at + 1 :]
            case 1:
                data = data[:at] + rng.choice(PIECES) + data[at:]
            case 2:
                data = data[:at] + bytes([rng.randrange(256)]) + data[at + 1 :]
            case 3:
                data = data[:to] + data[at:to] + data[to:]
            case 4:
                data = data[:at]
            case 5:
                lines = data.split(b"\n")
                rng.shuffle(lines)
                data = b"\n".join(lines)
            case _:
                other = rng.choice(SEEDS)
                data = data[:at] + other[rng.randrange(len(other)) :]
    return data[:20_000]


@pytest.mark.parametrize("seed", range(12))
def test_mutated_programs(seed: int) -> None:
    rng = random.Random(seed)
    counted = 0
    for _ in range(250):
        data = rng.choice(SEEDS)
        for _ in range(rng.randint(1, 4)):
            data = mutated(rng, data)
        begun = time.perf_counter()
        counted += survive(data, rng.choice(SETTINGS)) is not None
        assert time.perf_counter() - begun < 20
    # Not all are refused, or the corpus would test the front door alone.
    assert counted > 10


@given(st.binary(max_size=400), st.sampled_from(SETTINGS))
def test_any_bytes(data: bytes, settings: ReaderSettings) -> None:
    survive(data, settings)


@given(
    st.lists(st.sampled_from(PIECES), max_size=40).map(b"".join),
    st.sampled_from(SEEDS),
    st.sampled_from(SETTINGS),
)
def test_any_pieces(pieces: bytes, seed: bytes, settings: ReaderSettings) -> None:
    survive(pieces, settings)
    survive(seed + pieces, settings)


NUMBER = st.integers(-4000, 4000).map(lambda n: f"{n / 100:g}")
MOVE = st.tuples(
    st.sampled_from(["", "G0 ", "G1", "G01 ", "G2", "G03 ", "g1 ", "N7 G1 "]),
    st.one_of(st.just(""), NUMBER.map("X{}".format)),
    st.one_of(st.just(""), NUMBER.map(" Y{}".format)),
    st.sampled_from(["", "", "", " I3 J4", " I0 J-2.5"]),
    st.sampled_from(["", "", "", " F600", "F1.5", " F0"]),
).map("".join)
LINE = st.one_of(
    MOVE,
    MOVE,
    MOVE,
    st.sampled_from(
        [
            "M3",
            "M5",
            "N9 M3",
            "G4 P0.5",
            "G20",
            "G21",
            "G90",
            "G91",
            "G93",
            "G94",
            "G90.1",
            "G91.1",
            "G92 X1 Y2",
            "G92.1",
            "G52 X3",
            "G18",
            "G17",
            "G1 Z5",
            "G0 Z0",
            "(x)",
            "",
        ]
    ),
)
CIRCLE = st.tuples(st.sampled_from(["G2", "G3"]), NUMBER, NUMBER).map(
    "{0[0]} I{0[1]} J{0[2]}".format
)


@given(st.lists(st.one_of(LINE, CIRCLE), max_size=40), st.sampled_from(SETTINGS))
def test_the_fast_loop_does_what_the_interpreter_does(
    lines: list[str], settings: ReaderSettings
) -> None:
    """A spindle speed changes nothing, but only the interpreter reads it."""

    def outcome(text: list[str]) -> tuple[ProgramCount | None, int]:
        try:
            return read_program(text, settings), 0
        except ProgramError as error:
            check_refusal(error)
            return None, error.line

    start = ["F900", "M3"]
    fast, where = outcome(start + lines)
    slow, there = outcome([f"{x} S1" for x in start + lines])
    assert where == there
    if fast is None or slow is None:
        assert fast is slow
        return
    for name, value in fast.plain().items():
        other = slow.plain()[name]
        if name in ("warnings", "cuts"):
            assert [{k: pytest.approx(v) for k, v in x.items() if k != "text"} for x in value] == [
                {k: v for k, v in x.items() if k != "text"} for x in other
            ]
        else:
            assert value == pytest.approx(other, rel=1e-12, abs=1e-12), name


@given(st.text(max_size=300))
def test_any_text(text: str) -> None:
    survive(text.encode("utf-8", "replace"), SETTINGS[0])


@given(st.text(max_size=200), st.sampled_from(["", "name,starts,arc_minutes\n", "name;starts\n"]))
def test_any_plate_list(text: str, head: str) -> None:
    try:
        plates = read_plates(head + text)
    except ProgramError as error:
        check_refusal(error)
        return
    assert all(x.name and x.starts >= 0 and x.arc_minutes >= 0 for x in plates)


def test_blocks_cut_anywhere_give_the_same_lines() -> None:
    data = "\ufeffG1 X1\r\n(é)\rG1\n\n\r\nX2".encode()
    whole = list(program_lines([data]))
    assert whole == ["G1 X1", "(é)", "G1", "", "", "X2"]
    for size in range(3, len(data)):
        blocks = [data[k : k + size] for k in range(0, len(data), size)]
        assert list(program_lines(blocks)) == whole


@pytest.mark.parametrize(
    ("data", "line"),
    [
        ("G1 X1\n".encode("utf-16"), 1),
        ("G1 X1\n".encode("utf-16-le"), 1),
        (b"G1 X1\n\0\n", 1),
        (b"x" * 100_000, 1),
        (b"G1\n" * 5 + b"x" * 100_000, 6),
    ],
)
def test_what_is_no_text_is_refused(data: bytes, line: int) -> None:
    with pytest.raises(ProgramError) as caught:
        list(program_lines([data]))
    assert caught.value.line == line
