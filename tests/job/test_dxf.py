"""Drawings: what is cut, how it is joined, and what is refused."""

from __future__ import annotations

import io
import math
import random
import time
from typing import Any

import pytest
from ezdxf.filemanagement import new

from pitwise.job import dxf
from pitwise.job.chains import Run, join_runs, points_run
from pitwise.job.dxf import dxf_layers, read_dxf
from pitwise.job.model import ProgramCount, ProgramError, ReaderSettings
from pitwise.job.timing import profile_seconds


def drawing(units: int = 4) -> Any:
    made = new("R2010", units=units)
    made.layers.add("cut")
    return made


def data_of(made: Any) -> bytes:
    text = io.StringIO()
    made.write(text)
    return text.getvalue().encode()


def count(made: Any, **named: Any) -> ProgramCount:
    named = {"layers": None, "feed_mm_min": 3000.0, "pierce_seconds": 0.5, **named}
    return read_dxf(data_of(made), **named)


def test_joined_lines_are_one_start_and_loose_ones_are_their_own() -> None:
    made = drawing()
    space = made.modelspace()
    for a, b in (((0, 0), (10, 0)), ((10, 10), (10, 0)), ((0, 10), (10, 10)), ((0, 10), (0, 0))):
        space.add_line(a, b)
    space.add_line((50, 0), (60, 0))
    space.add_circle((100, 100), 5)
    got = count(made)
    assert got.starts == 3
    assert sorted(x.length_mm for x in got.cuts) == pytest.approx([10, 10 * math.pi, 40])
    assert got.pierce_minutes == pytest.approx(1.5 / 60)
    assert got.arc_minutes == pytest.approx((50 + 10 * math.pi) / 3000 + 1.5 / 60)
    assert [x.code for x in got.warnings] == ["drawing"]


def test_a_line_started_in_the_middle_grows_both_ways() -> None:
    made = drawing()
    for a, b in (((10, 0), (20, 0)), ((0, 0), (10, 0)), ((30, 0), (20, 0)), ((0, 0), (0, 5))):
        made.modelspace().add_line(a, b)
    got = count(made)
    assert [x.length_mm for x in got.cuts] == [35]


@pytest.mark.parametrize(("gap", "starts"), [(0.04, 1), (0.2, 2)])
def test_the_joining_tolerance(gap: float, starts: int) -> None:
    made = drawing()
    made.modelspace().add_line((0, 0), (10, 0))
    made.modelspace().add_line((10 + gap, 0), (20, 0))
    assert count(made).starts == starts
    assert count(made, join_mm=0.3).starts == 1


@pytest.mark.parametrize(
    ("add", "length"),
    [
        (lambda s: s.add_arc((0, 0), 10, 350, 80), 5 * math.pi),
        (lambda s: s.add_lwpolyline([(0, 0, 1), (10, 0, 1)], "xyb", close=True), 10 * math.pi),
        (lambda s: s.add_lwpolyline([(0, 0, -1), (10, 0, 0), (10, 5, 0)], "xyb"), 5 * math.pi + 5),
        (lambda s: s.add_polyline2d([(0, 0), (3, 4), (3, 0)]), 9),
        (lambda s: s.add_polyline3d([(0, 0, 0), (3, 4, 0)]), 5),
        (lambda s: s.add_ellipse((0, 0), (10, 0), 1.0), 20 * math.pi),
        (lambda s: s.add_ellipse((0, 0), (10, 0), 0.5), 48.44224110273838),
        (lambda s: s.add_spline([(0, 0), (5, 0), (10, 0), (20, 0)]), 20),
        (lambda s: s.add_circle((1, 1), 3, dxfattribs={"extrusion": (0, 0, -1)}), 6 * math.pi),
    ],
)
def test_lengths_of_each_kind(add: Any, length: float) -> None:
    made = drawing()
    add(made.modelspace())
    got = count(made)
    assert got.starts == 1
    assert got.cut_length_mm == pytest.approx(length, rel=1e-4)


def test_arcs_seen_from_below_end_where_they_should() -> None:
    made = drawing()
    space = made.modelspace()
    space.add_arc((0, 0), 10, 0, 90, dxfattribs={"extrusion": (0, 0, -1)})
    # Mirrored at x: it runs from (-10, 0) to (0, 10).
    space.add_line((0, 10), (0, 30))
    space.add_line((-10, 0), (-10, -20))
    assert [x.length_mm for x in count(made).cuts] == pytest.approx([5 * math.pi + 40])


@pytest.mark.parametrize(
    ("units", "scale"), [(4, 1.0), (1, 25.4), (5, 10.0), (6, 1000.0), (0, 1.0)]
)
def test_units(units: int, scale: float) -> None:
    made = drawing(units)
    made.modelspace().add_line((0, 0), (2, 0))
    got = count(made)
    assert got.cut_length_mm == pytest.approx(2 * scale)
    assert ("units-assumed" in [x.code for x in got.warnings]) == (units == 0)
    assert count(made, unit_mm=3.0).cut_length_mm == pytest.approx(6)


def test_a_unit_no_plate_has_is_refused() -> None:
    made = drawing(18)
    made.modelspace().add_line((0, 0), (2, 0))
    with pytest.raises(ProgramError, match="INSUNITS 18"):
        count(made)


def test_layers() -> None:
    made = drawing()
    space = made.modelspace()
    space.add_line((0, 0), (10, 0), dxfattribs={"layer": "Cut"})
    space.add_line((0, 5), (20, 5), dxfattribs={"layer": "marks"})
    made.layers.add("hidden").off()
    space.add_line((0, 9), (40, 9), dxfattribs={"layer": "hidden"})
    assert count(made).cut_length_mm == 30
    assert count(made, layers=["CUT"]).cut_length_mm == 10
    assert count(made, layers=["hidden"]).cut_length_mm == 40
    assert count(made, layers=[]).starts == 0
    assert {"cut", "marks", "hidden"} <= {x.lower() for x in dxf_layers(data_of(made))}


def test_blocks_are_opened_scaled_and_turned() -> None:
    made = drawing()
    part = made.blocks.new("part")
    part.add_circle((0, 0), 5)
    part.add_line((20, 0), (30, 0), dxfattribs={"layer": "marks"})
    space = made.modelspace()
    space.add_blockref("part", (100, 100), dxfattribs={"layer": "cut"})
    space.add_blockref("part", (200, 0), dxfattribs={"xscale": 2, "yscale": 2, "layer": "cut"})
    rows = {"row_count": 2, "column_count": 3, "row_spacing": 50, "column_spacing": 50}
    space.add_blockref("part", (900, 0), dxfattribs={**rows, "layer": "cut"})
    got = count(made, layers=["cut"])
    assert got.starts == 8
    assert got.cut_length_mm == pytest.approx(90 * math.pi)


def test_text_and_points_are_passed_over_and_said() -> None:
    made = drawing()
    made.modelspace().add_text("7")
    made.modelspace().add_point((1, 1))
    got = count(made)
    assert (got.starts, got.cuts) == (0, ())
    assert [x.code for x in got.warnings] == ["not-cut", "not-cut", "no-start", "drawing"]


def test_acceleration_applies_from_rest_to_rest() -> None:
    made = drawing()
    made.modelspace().add_line((0, 0), (50, 0))
    made.modelspace().add_line((50, 0), (100, 0))
    made.modelspace().add_circle((0, 50), 10)
    got = count(made, settings=ReaderSettings(accel_mm_s2=500), pierce_seconds=0)
    line = profile_seconds(100, 0, 0, 50, 500)
    circle = profile_seconds(20 * math.pi, 0, 0, 50, 500)
    assert [x.seconds for x in got.cuts] == pytest.approx([line, circle])


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"  \n",
        b"G1 X1\nM3\n",
        b"\0" * 500,
        b"AutoCAD Binary DXF\r\n\x1a\x00" + b"\x01\x02" * 50,
        "0\nSECTION\n".encode("utf-16"),
        b"0\nSECTION\n2\nENTITIES\n0\nLINE\n10\nx\n",
        b"0\nSECTION\n2\nENTITIES\n0\nLINE\n8\n0\n10\nnan\n20\n0\n11\n1\n21\n1\n0\nENDSEC\n0\nEOF\n",
    ],
)
def test_broken_drawings_are_refused_or_counted_as_nothing(data: bytes) -> None:
    try:
        got = read_dxf(data, layers=None, feed_mm_min=1000, pierce_seconds=0)
    except ProgramError:
        return
    assert math.isfinite(got.cut_length_mm)


def test_cut_off_and_scrambled_drawings() -> None:
    made = drawing()
    space = made.modelspace()
    space.add_lwpolyline([(0, 0, 1), (10, 0, 1)], "xyb", close=True)
    space.add_spline([(0, 0), (5, 3), (10, 0), (20, 9)])
    made.blocks.new("b").add_arc((0, 0), 5, 0, 90)
    space.add_blockref("b", (1, 1))
    data = data_of(made)
    rng = random.Random(5)
    entities = data.rfind(b"ENTITIES")
    for _ in range(25):
        at = rng.randrange(entities, len(data))
        tail = data[at:] if rng.random() < 0.5 else b""
        broken = data[: at - rng.randrange(9)] + bytes([rng.randrange(256)]) + tail
        try:
            got = read_dxf(broken, layers=None, feed_mm_min=1000, pierce_seconds=0)
        except ProgramError:
            continue
        assert math.isfinite(got.cut_length_mm)


def test_bounds(monkeypatch: pytest.MonkeyPatch) -> None:
    made = drawing()
    block = made.blocks.new("b0")
    block.add_line((0, 0), (1, 0))
    for depth in range(1, 30):
        following = made.blocks.new(f"b{depth}")
        for k in range(10):
            following.add_blockref(f"b{depth - 1}", (k, k))
    made.modelspace().add_blockref("b29", (0, 0))
    with pytest.raises(ProgramError, match="nested deeper"):
        count(made)
    monkeypatch.setattr(dxf, "MAX_WORK", 1000)
    made.modelspace().delete_all_entities()
    made.modelspace().add_blockref("b5", (0, 0))
    with pytest.raises(ProgramError, match="more than 1,000 steps"):
        count(made)
    made = drawing()
    made.modelspace().add_ellipse((0, 0), (1000, 0), 0.5)
    with pytest.raises(ProgramError, match="more than 1,000 steps.*ELLIPSE"):
        count(made)
    monkeypatch.setattr(dxf, "MAX_BYTES", 10)
    with pytest.raises(ProgramError, match="larger"):
        count(made)


@pytest.mark.parametrize(
    "bad",
    [
        {"feed_mm_min": 0.0},
        {"feed_mm_min": math.nan},
        {"pierce_seconds": -1.0},
        {"join_mm": 0.0},
        {"unit_mm": math.inf},
    ],
)
def test_arguments_that_cannot_be(bad: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="must be"):
        count(drawing(), **bad)


def in_array(rows: int, columns: int, spacing: float, corners: int) -> Any:
    made = drawing()
    block = made.blocks.new("b")
    if corners:
        block.add_lwpolyline([(k, k % 7) for k in range(corners)], dxfattribs={"layer": "hidden"})
        made.layers.add("hidden").off()
    grid = {"row_count": rows, "column_count": columns, "column_spacing": spacing}
    made.modelspace().add_blockref("b", (0, 0), dxfattribs={**grid, "row_spacing": spacing})
    return made


@pytest.mark.parametrize(
    ("rows", "columns", "spacing", "corners"),
    [(30_000, 30_000, 1.0, 0), (30_000, 30_000, 0.0, 0), (100, 100, 50.0, 20_000)],
)
def test_arrays_of_too_much_are_refused_before_they_are_opened(
    rows: int, columns: int, spacing: float, corners: int
) -> None:
    made = in_array(rows, columns, spacing, corners)
    begun = time.process_time()
    with pytest.raises(ProgramError, match=r"steps of work.*INSERT #") as caught:
        count(made)
    assert time.process_time() - begun < 10
    assert "export" in caught.value.mend


def test_blocks_of_blocks_are_weighed_without_being_opened() -> None:
    made = drawing()
    made.blocks.new("b0")
    for depth in range(1, 9):
        block = made.blocks.new(f"b{depth}")
        for k in range(100):
            # Turned and unevenly scaled, which the library opens by itself, leaves and all.
            attribs = {"xscale": 2, "rotation": 30 + k}
            block.add_blockref(f"b{depth - 1}", (k, 0), dxfattribs=attribs)
    made.modelspace().add_blockref("b8", (0, 0))
    begun = time.process_time()
    with pytest.raises(ProgramError, match="steps of work"):
        count(made)
    assert time.process_time() - begun < 10


def test_blocks_that_hold_themselves_or_are_not_there_are_said() -> None:
    made = drawing()
    made.blocks.new("b").add_blockref("b", (1, 1))
    made.modelspace().add_blockref("b", (0, 0))
    with pytest.raises(ProgramError, match="nested deeper"):
        count(made)
    made = drawing()
    made.modelspace().add_blockref("none", (0, 0))
    assert "1 × INSERT of a block" in count(made).warnings[0].text


def every_kind() -> Any:
    made = drawing()
    space = made.modelspace()
    space.add_line((0, 0), (1, 2))
    space.add_arc((0, 0), 10, 20, 80)
    space.add_circle((1, 1), 3, dxfattribs={"extrusion": (0, 0, -1)})
    space.add_lwpolyline([(0, 0, 1), (10, 0, 1), (3, 3, 0)], "xyb", close=True)
    space.add_polyline2d([(0, 0, 0.5), (3, 4, 0), (3, 0, 0)], "xyb")
    space.add_ellipse((0, 0), (3, 0), 0.5)
    space.add_spline([(0, 0), (5, 3), (10, 0), (20, 9)])
    space.add_open_spline([(0, 0), (5, 3), (10, 0), (20, 9)])
    block = made.blocks.new("b")
    block.add_arc((0, 0), 5, 0, 90)
    block.add_lwpolyline([(0, 0, 1), (10, 0, 1)], "xyb")
    grid = {"row_count": 2, "column_count": 2, "row_spacing": 9, "column_spacing": 9}
    space.add_blockref("b", (1, 1), dxfattribs={"xscale": 2, "yscale": 2, "rotation": 5, **grid})
    return made


@pytest.mark.parametrize("bad", ["nan", "inf", "-1e308", "1e-320", "x"])
@pytest.mark.filterwarnings("ignore::RuntimeWarning")
def test_no_figure_of_a_drawing_gets_past_the_refusal(bad: str) -> None:
    lines = data_of(every_kind()).decode().splitlines()
    begin = lines.index("BLOCKS")
    end = lines.index("OBJECTS")
    counted = refused = 0
    for k in range(begin + 1, end, 2):
        code = lines[k].strip()
        if not code.isdigit() or not (10 <= int(code) <= 78 or 210 <= int(code) <= 230):
            continue
        broken = "\n".join([*lines[: k + 1], bad, *lines[k + 2 :]]).encode()
        begun = time.process_time()
        try:
            got = read_dxf(broken, layers=None, feed_mm_min=1000, pierce_seconds=0)
        except ProgramError:
            refused += 1
        else:
            assert math.isfinite(got.cut_length_mm)
            assert math.isfinite(got.arc_minutes)
            counted += 1
        assert time.process_time() - begun < 3
    assert counted + refused > 60
    assert refused > 9


def test_a_figure_that_is_no_number_is_refused_by_name() -> None:
    made = drawing()
    made.modelspace().add_arc((0, 0), 10, 0, 90)
    data = data_of(made).replace(b" 50\n0.0\n", b" 50\nnan\n")
    with pytest.raises(ProgramError, match=r"ARC #\w+ begins or ends at an angle"):
        read_dxf(data, layers=None, feed_mm_min=1000, pierce_seconds=0)
    made = drawing()
    made.modelspace().add_line((0, 0), (math.nan, 1))
    with pytest.raises(ProgramError, match=r"LINE #\w+ holds a figure that is no number"):
        count(made)


def test_a_feed_too_slow_to_be_meant_is_refused() -> None:
    made = drawing()
    made.modelspace().add_line((0, 0), (1000, 0))
    with pytest.raises(ProgramError, match="would burn for"):
        count(made, feed_mm_min=1e-300)


def test_a_spline_of_a_monstrous_degree_is_refused() -> None:
    made = drawing()
    points = [(k, k % 3) for k in range(60)]
    made.modelspace().add_open_spline(points, degree=50)
    with pytest.raises(ProgramError, match="spline of degree 50"):
        count(made)


def test_a_far_point_is_refused() -> None:
    made = drawing()
    made.modelspace().add_line((0, 0), (1e9, 0))
    with pytest.raises(ProgramError, match="10 km"):
        count(made)


def test_many_runs_through_one_point_are_joined_in_linear_time() -> None:
    rays = []
    for k in range(20_000):
        run = points_run([(0.0, 0.0), (math.cos(k), math.sin(k))])
        assert isinstance(run, Run)
        rays.append(run)
    # Every ray meets the next in the middle: pairs.
    assert len(join_runs(rays, 0.0001)) == 10_000
