"""Charts of a cure, and a chance as a bar: both widths, too early, extremes, nothing to draw."""

from __future__ import annotations

import math
import re

import pytest

from pitwise.reports.charts import Lives, NoReadings, Ratio, lives_chart, ratio_chart, svg_of
from pitwise.reports.drawing import chance_bar

WIDTHS = (350, 560, 640)
BETTER = Ratio("Electrodes used up per start", 0.5, 0.3, 0.8, "better")
EARLY = Ratio("Growth of the pit per start", None, None, None, "too early to tell")


def points(svg: str, name: str) -> int:
    group = re.search(rf'<g[^>]*class="{name}"[^>]*>(.*?)</g>', svg)
    return group[1].count("<path") + group[1].count("<line") if group else 0


@pytest.mark.parametrize("width", WIDTHS)
def test_too_early_has_words_and_no_dot(width: int) -> None:
    spec = ratio_chart([BETTER, EARLY], width=width)
    assert not isinstance(spec, NoReadings)
    svg = svg_of(spec)
    assert svg == svg_of(ratio_chart([BETTER, EARLY], width=width))  # type: ignore[arg-type]
    assert "too early to tell" in svg
    assert points(svg, "chart-ratios") == 1
    assert "0.5 times (0.3 to 0.8), better" in spec["description"]
    assert f'width="{width}"' in svg
    assert "style=" not in svg


def test_no_ratio_at_all_is_no_picture() -> None:
    assert not ratio_chart([EARLY, EARLY])


@pytest.mark.parametrize("width", WIDTHS)
def test_the_line_of_as_before_crosses_no_words(width: int) -> None:
    spec = ratio_chart([BETTER, EARLY, BETTER], width=width)
    assert not isinstance(spec, NoReadings)
    layers = {x["name"]: x["data"]["values"] for x in spec["layer"] if "name" in x}
    lines = layers["as_before"]
    assert len(lines) == 2
    for row in (*layers["names"], *layers["early"]):
        # Half a line of type is a fifth of a row at most.
        assert all(not x["top"] - 0.2 < row["row"] < x["foot"] for x in lines)


@pytest.mark.parametrize("width", WIDTHS)
def test_an_interval_beyond_the_frame_ends_in_it(width: int) -> None:
    wide = Ratio("Growth", 3.0, 0.0, 1e9, "no difference shown")
    spec = ratio_chart([wide], width=width)
    assert not isinstance(spec, NoReadings)
    low, high = spec["encoding"]["x"]["scale"]["domain"]
    drawn = next(x for x in spec["layer"] if x["name"] == "intervals")["data"]["values"][0]
    assert drawn["low"] == pytest.approx(low)
    assert drawn["high"] == pytest.approx(high)
    assert low < drawn["ratio"] < high
    svg_of(spec)


def test_a_ratio_that_is_none_is_refused() -> None:
    for bad in (0.0, -1.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="no ratio"):
            ratio_chart([Ratio("x", bad, 0.1, 2.0, "?")])
    with pytest.raises(ValueError, match="280"):
        ratio_chart([BETTER], width=100)
    assert not ratio_chart([])


@pytest.mark.parametrize("width", WIDTHS)
def test_lives_show_each_electrode_and_what_still_runs(width: int) -> None:
    sides = [Lives("Before", (310, 420, 415)), Lives("After", (), 240)]
    spec = lives_chart(sides, width=width)
    assert not isinstance(spec, NoReadings)
    svg = svg_of(spec)
    assert points(svg, "chart-lives") == 3
    assert "Before: 3 electrodes used up" in svg
    assert "running now 240 starts" in svg
    assert "(310, 420, 415 starts)" in spec["description"]


def test_lives_without_any_and_bad_ones() -> None:
    assert not lives_chart([Lives("Before", ()), Lives("After", ())])
    svg_of(lives_chart([Lives("Before", (0,)), Lives("After", (7,), 0)]))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="-3"):
        lives_chart([Lives("Before", (-3,))])


def test_a_chance_is_drawn_to_scale() -> None:
    svg = chance_bar(0.5, 0.25, 0.75, 0.1)
    assert 'width="157"' in svg
    assert "M81.5 33H238.5" in svg
    assert "aria-hidden" in svg
    for p in (0.0, 1.0):
        chance_bar(p, 0.0, 1.0, p)


@pytest.mark.parametrize(
    "bad", [(1.1, 0, 1, 0), (0.5, -0.1, 1, 0), (0.5, 0.8, 0.2, 0), (math.nan, 0, 1, 0)]
)
def test_what_is_no_chance_is_refused(bad: tuple[float, float, float, float]) -> None:
    with pytest.raises(ValueError, match="chance|range"):
        chance_bar(*bad)
