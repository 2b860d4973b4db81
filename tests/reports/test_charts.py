"""Tests of the pit chart and its SVG."""

from __future__ import annotations

import copy
import datetime as dt
import itertools
import json
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from pitwise.reports.charts import (
    EarlierElectrode,
    LimitLine,
    NoReadings,
    PitPoint,
    pit_chart,
    svg_of,
)

AT = dt.datetime(2026, 3, 1, 6, 0, tzinfo=dt.UTC)
SVG = "{http://www.w3.org/2000/svg}"
GENERAL = LimitLine(1.0, ">", "1.0 mm / 40 thou")
AT_300 = LimitLine(1.5, ">=", "1.5 mm / 60 thou")


def point(starts: float, depth_mm: float, u_mm: float | None = 0.05) -> PitPoint:
    return PitPoint(starts, depth_mm, u_mm, AT)


POINTS = (point(40, 0.2), point(130, 0.31), point(240, 0.4), point(520, 0.8, 0.03))
EARLIER = (
    EarlierElectrode("E-003", (point(60, 0.12), point(420, 0.8), point(500, 1.02))),
    EarlierElectrode("E-006", (point(80, 0.1), point(640, 1.0))),
)


def chart(*args: Any, **options: Any) -> dict[str, Any]:
    spec = pit_chart(*args, **options)
    assert isinstance(spec, dict)
    return spec


def groups(svg: str, name: str) -> list[ET.Element]:
    """Return the marks of one layer."""
    root = ET.fromstring(svg)
    found = [g for g in root.iter(f"{SVG}g") if g.get("class") == f"chart-{name}"]
    assert found, name
    # Vega groups a layer of several lines one by one.
    return [mark for group in found for mark in group]


def place(mark: ET.Element) -> tuple[float, float]:
    match = re.fullmatch(r"translate\(([-\d.]+),([-\d.]+)\)", mark.get("transform", ""))
    assert match, mark.attrib
    return float(match[1]), float(match[2])


def test_without_readings_there_is_no_chart_and_it_says_so() -> None:
    none = pit_chart([], [GENERAL], earlier=EARLIER)
    assert isinstance(none, NoReadings)
    assert not none
    assert none.reason == "No pit readings yet."


def test_the_specification_is_plain_data_and_does_not_share_its_parts() -> None:
    spec = chart(POINTS, [GENERAL], earlier=EARLIER)
    assert json.loads(json.dumps(spec)) == spec
    before = copy.deepcopy(spec)
    chart(POINTS, [AT_300])["layer"].clear()
    svg_of(spec)
    assert spec == before
    assert spec["$schema"].endswith("/vega-lite/v6.json")


def test_readings_may_come_in_any_order() -> None:
    assert chart(reversed(POINTS), [GENERAL]) == chart(POINTS, [GENERAL])


@pytest.mark.parametrize("width", [350, 720])
@pytest.mark.parametrize("earlier", [(), EARLIER])
def test_the_svg_can_stand_inline_under_a_strict_policy(
    width: int, earlier: tuple[EarlierElectrode, ...]
) -> None:
    svg = svg_of(chart(POINTS, [GENERAL, AT_300], earlier=earlier, width=width))
    root = ET.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    assert root.get("width") == str(width)
    assert root.get("role") == "img"
    for element in root.iter():
        tag = element.tag.removeprefix(SVG)
        assert tag in {"svg", "g", "path", "line", "rect", "text", "clipPath", "defs"}
        for name, value in element.attrib.items():
            assert name != "style"
            assert not name.startswith("on")
            assert "href" not in name
            assert "http" not in value
    assert "style" not in svg
    assert svg.startswith("<svg xmlns=")
    assert "ns0" not in svg


def test_every_text_is_in_the_typeface_and_large_enough() -> None:
    for width, least in ((350, 12), (720, 14)):
        root = ET.fromstring(svg_of(chart(POINTS, [GENERAL], earlier=EARLIER, width=width)))
        texts = [t for t in root.iter(f"{SVG}text") if t.text]
        assert len(texts) > 8
        for text in texts:
            assert text.get("font-family") == "Atkinson Hyperlegible Next, sans-serif"
            assert float(text.get("font-size", "0").removesuffix("px")) >= least


@pytest.mark.parametrize("width", [350, 720])
def test_readings_and_limit_fall_at_the_right_heights(width: int) -> None:
    svg = svg_of(chart(POINTS, [GENERAL], width=width))
    marks = [place(m) for m in groups(svg, "readings")]
    (limit,) = groups(svg, "limit-0")
    # Two readings set the scale; every other place must follow from it.
    per_mm = (marks[3][1] - marks[0][1]) / (POINTS[3].depth_mm - POINTS[0].depth_mm)
    assert per_mm < 0
    for mark, p in zip(marks, POINTS, strict=True):
        assert mark[1] == pytest.approx(marks[0][1] + per_mm * (p.depth_mm - 0.2), abs=0.6)
        share = (mark[0] - marks[0][0]) / (marks[3][0] - marks[0][0])
        assert share == pytest.approx((p.starts - 40) / 480, abs=0.003)
    assert place(limit)[1] == pytest.approx(marks[0][1] + per_mm * 0.8, abs=1)
    assert place(limit)[1] < min(y for _, y in marks)
    for bar, p in zip(groups(svg, "bars"), POINTS, strict=True):
        assert p.u_mm is not None
        assert abs(float(bar.get("y2", "0"))) == pytest.approx(-per_mm * 4 * p.u_mm, abs=1.2)


def test_the_limit_is_the_heaviest_line_and_says_its_comparison() -> None:
    svg = svg_of(chart(POINTS, [GENERAL, AT_300], earlier=EARLIER))
    widths = [float(m.get("stroke-width", "0")) for m in ET.fromstring(svg).iter()]
    (limit,) = groups(svg, "limit-0")
    assert float(limit.get("stroke-width", "0")) == max(widths) == 4
    assert groups(svg, "limit-0-words")[0].text == "Replace above 1.0 mm / 40 thou"
    assert groups(svg, "limit-1-words")[0].text == "Replace at or above 1.5 mm / 60 thou"
    assert float(groups(svg, "earlier")[0].get("stroke-width", "0")) < 2


def test_close_limits_keep_their_words_apart() -> None:
    svg = svg_of(chart(POINTS, [GENERAL, LimitLine(1.05, ">", "1.05 mm")]))
    low, high = (place(groups(svg, f"limit-{i}-words")[0])[1] for i in (0, 1))
    assert low - high >= 15


@pytest.mark.parametrize("width", [350, 720])
def test_tags_of_earlier_electrodes_keep_clear_of_each_other(width: int) -> None:
    many = [
        EarlierElectrode(f"E-{i:03}", (point(50, 0.1), point(480 + 9 * i, 0.97 + i / 500)))
        for i in range(15)
    ]
    spec = chart(POINTS, [GENERAL], earlier=many, width=width)
    svg = svg_of(spec)
    places = [place(m) for m in groups(svg, "earlier-tags")]
    limit = place(groups(svg, "limit-0")[0])[1]
    for (x1, y1), (x2, y2) in itertools.combinations(places, 2):
        assert abs(y1 - y2) >= 13 or abs(x1 - x2) >= 45
    for x, _ in places:
        assert x + 40 < width
    # Baselines: the line must not run through the letters.
    assert all(y < limit - 2 or y > limit + 11 for _, y in places)
    assert len(groups(svg, "earlier")) == 15
    assert "15 earlier electrodes" in spec["description"]


def test_one_reading_without_uncertainty_works() -> None:
    spec = chart([point(0, 0.1, None)], [])
    svg = svg_of(spec)
    assert len(groups(svg, "readings")) == 1
    assert "chart-bars" not in svg
    assert "uncertaint" not in svg
    assert spec["description"] == "Pit depth against starts: 1 reading, 0.10 mm at 0 starts."


def test_the_label_is_a_sentence_and_escaped() -> None:
    svg = svg_of(chart(POINTS, [GENERAL], earlier=EARLIER[:1], name='<b>"E&7"'))
    assert ET.fromstring(svg).get("aria-label") == (
        'Pit depth of <b>"E&7" against starts: 4 readings, from 0.20 mm ± 0.10 mm at 40 starts '
        "to 0.80 mm ± 0.06 mm at 520 starts; replace above 1.0 mm / 40 thou; "
        "1 earlier electrode of the same torch to compare."
    )


def test_the_same_specification_gives_the_same_svg_in_another_process() -> None:
    spec = chart(POINTS, [GENERAL], earlier=EARLIER)
    code = "import json,sys; from pitwise.reports.charts import svg_of; "
    code += "sys.stdout.buffer.write(svg_of(json.load(sys.stdin)).encode())"
    fresh = subprocess.run(
        [sys.executable, "-c", code], input=json.dumps(spec).encode(), capture_output=True
    )
    assert fresh.stderr == b""
    assert fresh.stdout.decode() == svg_of(spec) == svg_of(copy.deepcopy(spec))


def test_a_reading_below_zero_stays_in_the_picture() -> None:
    svg = svg_of(chart([point(5, -0.03)], [GENERAL]))
    (mark,) = groups(svg, "readings")
    assert place(mark)[1] < 380 - 60


@pytest.mark.parametrize(
    ("points", "limits", "options"),
    [
        ([point(-1, 0.1)], [], {}),
        ([point(1, float("nan"))], [], {}),
        ([point(1, 0.1, -0.1)], [], {}),
        ([point(float("inf"), 0.1)], [], {}),
        ([point(1, 0.1)], [LimitLine(0, ">", "0 mm")], {}),
        ([point(1, 0.1)], [], {"width": 100}),
        ([point(1, 0.1)], [], {"height": 100}),
        ([point(1, 0.1)], [], {"earlier": [EarlierElectrode("x", (point(-3, 0.1),))]}),
    ],
)
def test_what_cannot_be_drawn_is_refused(
    points: list[PitPoint], limits: list[LimitLine], options: dict[str, Any]
) -> None:
    with pytest.raises(ValueError):
        pit_chart(points, limits, **options)


def test_a_chart_without_description_or_with_data_from_elsewhere_is_refused() -> None:
    spec = chart(POINTS, [])
    with pytest.raises(ValueError, match="description"):
        svg_of({**spec, "description": ""})
    spec["layer"][0]["data"] = {"url": "https://example.invalid/data.json"}
    with pytest.raises(ValueError):
        svg_of(spec)
