"""What must not change a count, whatever the program."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pitwise.job.model import ProgramCount, ReaderSettings
from pitwise.job.reader import read_program

SIZE = st.integers(-400, 400).map(lambda n: n / 4)
POINT = st.tuples(SIZE, SIZE)
POINTS = st.lists(POINT, min_size=2, max_size=12)
ACCEL = st.sampled_from([None, 50.0, 500.0, 3000.0])


def count(moves: list[str], **settings: Any) -> ProgramCount:
    return read_program(["F2000", *moves, "M5", "M30"], ReaderSettings(**settings))


def path(points: list[tuple[float, float]], form: str = "G1 X{:.6f} Y{:.6f}") -> list[str]:
    (x, y), *rest = points
    return [f"G0 X{x:.6f} Y{y:.6f}", "M3", *(form.format(*p) for p in rest)]


def same(a: ProgramCount, b: ProgramCount, rel: float = 1e-9) -> None:
    assert a.starts == b.starts
    assert a.cut_length_mm == pytest.approx(b.cut_length_mm, rel=rel, abs=1e-9)
    assert a.arc_minutes == pytest.approx(b.arc_minutes, rel=rel, abs=1e-9)


@given(POINTS, POINT, ACCEL)
def test_moving_the_nest(
    points: list[tuple[float, float]], by: tuple[float, float], accel: float | None
) -> None:
    moved = [(x + by[0], y + by[1]) for x, y in points]
    same(count(path(points), accel_mm_s2=accel), count(path(moved), accel_mm_s2=accel))
    shifted = ["G52 X{} Y{}".format(*by), *path(points)]
    same(count(path(points), accel_mm_s2=accel), count(shifted, accel_mm_s2=accel))


@given(POINTS, ACCEL)
def test_inches_or_millimetres(points: list[tuple[float, float]], accel: float | None) -> None:
    inches = [(x / 25.4, y / 25.4) for x, y in points]
    (x, y), *rest = inches
    text = ["G20", f"G0 X{x:.12f} Y{y:.12f}", "M3", *(f"G1 X{a:.12f} Y{b:.12f}" for a, b in rest)]
    same(count(path(points), accel_mm_s2=accel), count(text, accel_mm_s2=accel), 1e-6)


@given(POINTS, ACCEL)
def test_backwards(points: list[tuple[float, float]], accel: float | None) -> None:
    same(count(path(points), accel_mm_s2=accel), count(path(points[::-1]), accel_mm_s2=accel))


@given(POINTS, ACCEL)
def test_incremental_or_absolute(points: list[tuple[float, float]], accel: float | None) -> None:
    (x, y), *_ = points
    steps = [(b[0] - a[0], b[1] - a[1]) for a, b in pairwise(points)]
    text = [f"G0 X{x} Y{y}", "M3", "G91", *(f"G1 X{a} Y{b}" for a, b in steps)]
    same(count(path(points), accel_mm_s2=accel), count(text, accel_mm_s2=accel))


@given(POINTS, ACCEL)
def test_the_fast_loop_and_the_interpreter_agree(
    points: list[tuple[float, float]], accel: float | None
) -> None:
    slow = path(points, "G1 X[{:.6f}] Y[{:.6f}]")
    assert count(path(points), accel_mm_s2=accel) == count(slow, accel_mm_s2=accel)


@given(POINTS, st.integers(2, 5), ACCEL)
def test_splitting_a_line(
    points: list[tuple[float, float]], parts: int, accel: float | None
) -> None:
    split = [points[0]]
    for a, b in pairwise(points):
        split += [
            (a[0] + (b[0] - a[0]) * k / parts, a[1] + (b[1] - a[1]) * k / parts)
            for k in range(1, parts + 1)
        ]
    fine = "G1 X{:.12f} Y{:.12f}"
    same(count(path(points, fine), accel_mm_s2=accel), count(path(split, fine), accel_mm_s2=accel))


@given(
    POINTS,
    st.floats(20, 5000),
    st.floats(1.01, 10),
    st.floats(0, 1),
)
def test_more_acceleration_is_never_slower(
    points: list[tuple[float, float]], accel: float, more: float, tolerance: float
) -> None:
    lines = path(points)
    slow = count(lines, accel_mm_s2=accel, corner_tolerance_mm=tolerance)
    fast = count(lines, accel_mm_s2=accel * more, corner_tolerance_mm=tolerance)
    assert fast.arc_minutes <= slow.arc_minutes * (1 + 1e-12)
    assert count(lines).arc_minutes <= fast.arc_minutes * (1 + 1e-12)


ARC = st.tuples(
    st.floats(0.5, 300),
    st.floats(0, 2 * math.pi),
    st.floats(0.05, 2 * math.pi - 0.05).filter(lambda a: abs(a - math.pi) > 0.02),
    st.booleans(),
)


def arc(radius: float, begin: float, sweep: float, clockwise: bool) -> tuple[list[str], float]:
    end = begin - sweep if clockwise else begin + sweep
    x, y = radius * math.cos(begin), radius * math.sin(begin)
    to = radius * math.cos(end), radius * math.sin(end)
    code = "G2" if clockwise else "G3"
    start = [f"G0 X{x:.9f} Y{y:.9f}", "M3"]
    sign = "-" if sweep > math.pi else ""
    return [
        *start,
        f"{code} X{to[0]:.9f} Y{to[1]:.9f} " + f"I{-x:.9f} J{-y:.9f}",
        *start,
        f"{code} X{to[0]:.9f} Y{to[1]:.9f} " + f"R{sign}{radius:.9f}",
        "G90.1",
        *start,
        f"{code} X{to[0]:.9f} Y{to[1]:.9f} " + "I0 J0",
    ], radius * sweep


@given(ARC, ACCEL)
def test_arcs_by_centre_by_radius_and_in_closed_form(
    given_arc: tuple[float, float, float, bool], accel: float | None
) -> None:
    lines, length = arc(*given_arc)
    three = [count(lines[:3], accel_mm_s2=accel), count(lines[3:6], accel_mm_s2=accel)]
    three.append(count(lines[6:], accel_mm_s2=accel))
    for got in three:
        assert got.cut_length_mm == pytest.approx(length, rel=1e-5)
        assert got.arc_minutes == pytest.approx(three[0].arc_minutes, rel=1e-5)
    slow = [*lines[:2], lines[2].replace(" I", " I[").replace(" J", "] J[") + "]"]
    same(three[0], count(slow, accel_mm_s2=accel), 1e-12)


@given(ARC, ARC, ACCEL)
def test_arcs_by_either_form_join_alike(
    one: tuple[float, float, float, bool],
    two: tuple[float, float, float, bool],
    accel: float | None,
) -> None:
    """Directions at the ends matter with acceleration: a chain of two arcs tells."""
    first, second = arc(*one)[0], arc(*two)[0]

    def chain(index: int) -> list[str]:
        jump = second[0].replace("G0", "G1")
        return [first[0], "M3", first[index], jump, second[index]]

    same(count(chain(2), accel_mm_s2=accel), count(chain(5), accel_mm_s2=accel), 1e-4)
