"""Pictures of lives: what is drawn is what was given."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Any

import pytest

from pitwise.reports.charts import NoReadings, svg_of
from pitwise.reports.charts.life import LifeRow, Way, _apart, survival_chart, ways_chart

ROW = LifeRow(
    "300 A mild steel",
    "half by 338 (287 to 389)",
    ((0, 1), (200, 1), (300, 0.5), (600, 0.5)),
    ((0, 1, 1, 1), (300, 0.6, 0.5, 0.7), (600, 0.2, 0.1, 0.3)),
    (287, 338, 389),
)
FEW = LifeRow("lot <4>", "too few to tell: 1 of 3", ((0, 1), (250, 1), (250, 0.5), (400, 0.5)))


def layer(spec: dict[str, Any], name: str) -> list[dict[str, Any]]:
    found = next(x for x in spec["layer"] if x["name"] == name)
    values: list[dict[str, Any]] = found["data"]["values"]
    return values


def drawn(spec: dict[str, Any] | NoReadings) -> dict[str, Any]:
    assert not isinstance(spec, NoReadings)
    return spec


@pytest.mark.parametrize("width", [900, 350])
def test_each_group_has_its_row_on_one_scale(width: int) -> None:
    spec = drawn(survival_chart([ROW, FEW], width=width, title="Nozzles", unit="starts"))
    steps = layer(spec, "steps")
    assert [(s["x"], s["k"]) for s in steps][:4] == [(0, 0), (200, 0), (300, 0), (600, 0)]
    whole, half = steps[0]["y"], steps[2]["y"]
    assert 0 < whole < half < 1
    assert 1 < steps[4]["y"] < 2
    assert {v["k"] for v in layer(spec, "curves")} == {0}
    (bar,) = layer(spec, "halves")
    assert (bar["x"], bar["x2"]) == (287, 389)
    assert half == pytest.approx(bar["row"])
    svg = svg_of(spec)
    # Words drawn are held against the picture's own frame.
    assert float(re.findall(r'width="(\d+)"', svg)[0]) <= width + 1
    assert "lot &lt;4&gt;" in svg
    assert "half by 338 (287 to 389)" in svg
    assert "style=" not in svg


def test_a_half_beyond_the_lives_is_not_drawn_as_if_seen() -> None:
    far = LifeRow("x", "w", ((0, 1), (100, 1), (100, 0.9), (200, 0.9)), (), (500, 900, 1600))
    spec = drawn(survival_chart([far], title="Nozzles", unit="starts"))
    assert layer(spec, "halves") == []
    assert layer(spec, "middles") == []
    near = LifeRow("x", "w", far.steps, (), (150, 180, 1600))
    spec = drawn(survival_chart([near], title="Nozzles", unit="starts"))
    assert layer(spec, "halves")[0]["x2"] == pytest.approx(204)


def test_nothing_to_draw_says_so() -> None:
    none = LifeRow("x", "too few", ())
    assert not survival_chart([none], title="Nozzles", unit="starts")
    assert not survival_chart([LifeRow("x", "w", ((0, 1), (0, 1)))], title="N", unit="starts")
    assert not ways_chart([], title="N", unit="starts")
    with pytest.raises(ValueError, match="280 px"):
        survival_chart([ROW], width=200, title="N", unit="starts")
    with pytest.raises(ValueError, match="can't be drawn"):
        survival_chart([LifeRow("x", "w", ((0, 1), (float("nan"), 1)))], title="N", unit="starts")


def test_at_most_six_rows_and_long_words_are_cut() -> None:
    rows = [LifeRow(f"{'long name ' * 20}{k}", "w", ROW.steps) for k in range(9)]
    spec = drawn(survival_chart(rows, width=350, title="N", unit="starts"))
    names = layer(spec, "names")
    assert len(names) == 6
    assert all(x["words"].endswith("…") for x in names)


@pytest.mark.parametrize("width", [900, 350])
def test_ways_are_named_at_their_lines(width: int) -> None:
    ways = [
        Way("worn or damaged", ((0, 0), (100, 0), (100, 0.4), (600, 0.4))),
        Way("lost in the cut", ((0, 0), (50, 0), (50, 0.05), (600, 0.05))),
        Way("changed while good", ((0, 0), (80, 0), (80, 0.055), (600, 0.055))),
    ]
    spec = drawn(ways_chart(ways, width=width, title="How they ended", unit="starts"))
    assert [x["words"] for x in layer(spec, "names")] == [
        "worn or damaged 40 %",
        "lost in the cut 5 %",
        "changed while good 6 %",
    ]
    spots = sorted(x["row"] for x in layer(spec, "names"))
    assert all(b - a > 0.01 for a, b in pairwise(spots))
    dashes = {str(x["mark"]["strokeDash"]) for x in spec["layer"] if x["name"].startswith("way_")}
    assert len(dashes) == 3
    svg = svg_of(spec)
    assert "worn or damaged 40 %" in svg
    with pytest.raises(ValueError, match="at most"):
        ways_chart([*ways, *ways], title="N", unit="starts")


def test_words_are_kept_apart_and_inside() -> None:
    assert _apart([0.5, 0.5, 0.1], 0.1, 1.0) == [0.5, 0.6, 0.1]
    assert _apart([1.0, 0.99], 0.1, 1.0) == [1.0, 0.9]
    assert _apart([], 0.1, 1.0) == []
