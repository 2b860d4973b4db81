"""The chart of a length measured from photos."""

from __future__ import annotations

import datetime as dt

import pytest

from pitwise.reports.charts import LimitLine, NoReadings, PitPoint, hole_chart, svg_of

AT = dt.datetime(2031, 3, 3, tzinfo=dt.UTC)
POINTS = [PitPoint(s, v, 0.01, AT) for s, v in ((0, -0.005), (100, 0.02), (220, 0.05))]


def layer(spec: dict[str, object], name: str) -> dict[str, object]:
    return next(x for x in spec["layer"] if x["name"] == name)  # type: ignore[attr-defined]


def test_it_draws_ranges_limit_and_says_what_it_shows() -> None:
    spec = hole_chart("Hole growth", POINTS, [LimitLine(0.1, ">", "0.1 mm")], name="N-4")
    assert isinstance(spec, dict)
    assert spec["description"] == (
        "Hole growth of N-4 against starts: 3 readings, from -0.005 mm ± 0.020 mm at 0 starts "
        "to 0.050 mm ± 0.020 mm at 220 starts; replace above 0.1 mm."
    )
    bars = layer(spec, "bars")["data"]["values"]  # type: ignore[index]
    assert bars[0] == {"starts": 0, "low": -0.025, "high": 0.015}
    low, top = spec["encoding"]["y"]["scale"]["domain"]
    assert low < -0.025
    assert top > 0.1
    assert svg_of(spec).startswith("<svg")


def test_a_diameter_does_not_begin_at_nothing() -> None:
    spec = hole_chart("Hole diameter", [PitPoint(5, 2.05, 0.004, AT)])
    assert isinstance(spec, dict)
    assert spec["encoding"]["y"]["scale"]["domain"][0] > 1.9


def test_nothing_to_draw_is_said_and_a_limit_is_above_nothing() -> None:
    nothing = hole_chart("Hole growth", [])
    assert isinstance(nothing, NoReadings)
    assert "Not measured" in nothing.reason
    with pytest.raises(ValueError, match="above 0"):
        hole_chart("Hole growth", POINTS, [LimitLine(0.0, ">", "0 mm")])
