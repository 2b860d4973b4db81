"""The chart of when to change."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from pitwise.reports.charts import NoReadings, svg_of
from pitwise.reports.charts.look import reach, type_size
from pitwise.reports.charts.replacement import CostCurve, CostMark, change_cost_chart

DEPTHS = tuple(0.3 + 0.05 * k for k in range(15))
COST = tuple(0.3 + 1.2 * (d - 0.75) ** 2 for d in DEPTHS)


def curve(name: str, more: float = 0.0, allowed: int = 11) -> CostCurve:
    cost = tuple(c + more for c in COST)
    return CostCurve(
        name,
        DEPTHS,
        cost,
        tuple(0.8 * c for c in cost),
        tuple(1.3 * c for c in cost),
        tuple(k < allowed for k in range(len(DEPTHS))),
    )


def drawn(width: int = 900, **more: Any) -> dict[str, Any]:
    given: dict[str, Any] = {
        "advised": CostMark("Advised", 0.75, 0.30, 0.24, 0.39),
        "habit": CostMark("The habit", 0.98, 0.40, 0.33, 0.49),
        "flat_mm": (0.7, 0.8),
        "limit_mm": 1.0,
        "currency": "EUR",
    } | more
    spec = change_cost_chart(
        curve("a look every 150 starts"), curve("looks as now", 0.05), width=width, **given
    )
    assert isinstance(spec, dict)
    return spec


def layer(spec: dict[str, Any], name: str) -> list[dict[str, Any]]:
    return next(x["data"]["values"] for x in spec["layer"] if x["name"] == name)


def test_it_marks_the_habit_the_advice_the_flat_part_and_the_limit() -> None:
    spec = drawn()
    assert [layer(spec, f"mark_{k}")[0]["x"] for k in (0, 1)] == [0.98, 0.75]
    assert layer(spec, "flat")[0]["from"] == 0.7
    assert layer(spec, "limit")[0]["x"] == 1.0
    said = spec["description"]
    for words in ("The habit: 0.4", "Advised: 0.3", "0.70 to 0.80 mm", "limit 1 mm", "EUR"):
        assert words in said


def test_what_may_not_be_advised_is_drawn_apart() -> None:
    spec = drawn()
    inside, beyond = layer(spec, "cost_best"), layer(spec, "cost_best_beyond")
    assert inside[-1]["x"] == beyond[0]["x"] == DEPTHS[10]
    assert beyond[-1]["x"] == DEPTHS[-1]


@pytest.mark.parametrize("width", [900, 350])
def test_it_renders_and_no_words_run_out_or_into_one_another(width: int) -> None:
    spec = drawn(width)
    assert spec["width"] == width
    root = ET.fromstring(svg_of(spec))
    words = "".join(root.itertext())
    for name in ("The habit", "Advised", "limit 1 mm"):
        assert name in words
    x_low, x_top = spec["encoding"]["x"]["scale"]["domain"]
    rows = layer(spec, "names") + layer(spec, "names_bold")
    assert all(x_low <= r["x"] <= x_top for r in rows)
    levels = sorted((r["y"], r["x"]) for r in rows)
    assert len(set(levels)) == len(levels)


@pytest.mark.parametrize("width", [900, 350])
@pytest.mark.parametrize(
    ("advised_mm", "habit_mm"), [(0.75, 0.98), (0.6, 0.62), (0.95, 0.97), (0.97, 1.03)]
)
def test_names_hide_neither_one_another_nor_a_bar_nor_the_curve_under_a_mark(
    width: int, advised_mm: float, habit_mm: float
) -> None:
    marks = [
        CostMark("The habit", habit_mm, 0.40, 0.33, 0.49),
        CostMark("Advised", advised_mm, 0.30, 0.24, 0.39),
    ]
    spec = drawn(width, habit=marks[0], advised=marks[1])
    x_low, x_top = spec["encoding"]["x"]["scale"]["domain"]
    top = spec["encoding"]["y"]["scale"]["domain"][1]
    size = type_size(width)
    tall = size * top / (spec["height"] - 110)
    boxes = []
    for row in layer(spec, "names") + layer(spec, "names_bold"):
        wide = reach(row["words"], size) * (x_top - x_low) / (width - 70)
        boxes.append((row["x"], row["x"] + wide, row["y"] - tall / 2, row["y"] + tall / 2))
        assert row["x"] + wide <= x_top + 1e-9
        # None is crossed by the rule of the limit.
        assert not row["x"] < 1.0 < row["x"] + wide
    for k, (left, right, low, high) in enumerate(boxes):
        for a, b, c, d in boxes[:k]:
            assert right <= a or left >= b or high <= c or low >= d
        for m in marks:
            assert not (left < m.depth_mm < right and low < m.high and high > m.low)


def test_nothing_to_draw_and_what_cannot_be_drawn() -> None:
    nothing = change_cost_chart(
        None, None, advised=None, habit=None, flat_mm=None, limit_mm=1.0, currency="EUR"
    )
    assert isinstance(nothing, NoReadings)
    with pytest.raises(ValueError, match="above 0"):
        drawn(habit=CostMark("The habit", 0.9, float("nan"), 0.1, 0.2))
    with pytest.raises(ValueError, match="280"):
        drawn(200)


def test_without_habit_flat_part_or_second_curve() -> None:
    spec = change_cost_chart(
        curve("a look every 150 starts"),
        None,
        advised=CostMark("Advised", 0.75, 0.30, 0.24, 0.39),
        habit=None,
        flat_mm=None,
        limit_mm=1.0,
        currency="EUR",
        width=350,
    )
    assert isinstance(spec, dict)
    assert "The habit" not in json.dumps(spec)
    assert svg_of(spec)
