"""Charts of a gauge study: both widths, no scatter, names that would break an expression."""

from __future__ import annotations

import re

import numpy as np
import pytest

from pitwise.measure.gauge import range_study, study
from pitwise.reports.charts import NoReadings, components_chart, readings_chart, svg_of

RNG = np.random.default_rng(1)
X = RNG.normal(0, 1, (1, 10, 1)) + RNG.normal(0, 0.2, (3, 1, 1)) + RNG.normal(0, 0.1, (3, 10, 3))
WIDTHS = (350, 720)


def marks(svg: str, name: str) -> int:
    group = re.search(rf'<g[^>]*class="{name}"[^>]*>(.*?)</g>', svg)
    return group[1].count("<path") + group[1].count("<line") if group else 0


@pytest.mark.parametrize("width", WIDTHS)
def test_components(width: int) -> None:
    found = study(X, tolerance=5.0)
    spec = components_chart(found, width=width)
    assert not isinstance(spec, NoReadings)
    svg = svg_of(spec)
    assert svg == svg_of(components_chart(found, width=width))  # type: ignore[arg-type]
    # The gauge's own axis: parts are written below, not drawn on it.
    shown = len([c for c in found.components if c.name not in ("part", "total")])
    assert spec["encoding"]["x"]["scale"]["domain"][1] < 3.2 * found.gauge.sd
    assert f"Between parts: {found.part.sd:.3g} mm" in svg
    assert found.reproducibility is not None
    between = found.reproducibility
    assert f"{between.sd:.3g} mm ({between.low:.2g} to {between.high:.2g})" in svg
    assert marks(svg, "chart-deviations") == shown
    assert marks(svg, "chart-ranges") == shown
    assert f"Between parts {found.part.sd:.3g} mm" in spec["description"]
    assert "style=" not in svg
    by_hand = components_chart(range_study(X), unit="", width=width)
    assert not isinstance(by_hand, NoReadings)
    assert next(x for x in by_hand["layer"] if x["name"] == "ranges")["data"]["values"] == []
    assert marks(svg_of(by_hand), "chart-deviations") == 3


def test_a_long_range_ends_in_the_frame() -> None:
    spec = components_chart(study(X[:2, :2]))
    assert not isinstance(spec, NoReadings)
    top = spec["encoding"]["x"]["scale"]["domain"][1]
    bars = next(x for x in spec["layer"] if x["name"] == "ranges")["data"]["values"]
    assert all(b["high"] <= top for b in bars)
    assert "goes on" in str(spec["title"]["subtitle"])
    svg_of(spec)


@pytest.mark.parametrize("width", WIDTHS)
def test_readings(width: int) -> None:
    parts = [f"{k + 1}" for k in range(10)]
    spec = readings_chart(X, people=["Kim", "Lee", "O'Neil"], parts=parts, width=width)
    assert not isinstance(spec, NoReadings)
    svg = svg_of(spec)
    assert marks(svg, "chart-readings") == 90
    assert marks(svg, "chart-person-means") == 3
    assert "Kim" in svg
    assert "style=" not in svg
    placed = next(x for x in spec["layer"] if x["name"] == "readings")["data"]["values"]
    # Every reading stays in its person's band, below the name.
    assert all(0.25 < d["y"] % 1 < 0.95 for d in placed)
    odd = readings_chart(X, people=["a", "b", "c"], parts=["'];", "x'y", *parts[2:]], width=width)
    assert not isinstance(odd, NoReadings)
    svg_of(odd)
    long = readings_chart(X, people=["a", "b", "c"], parts=["electrode"] * 10, width=width)
    assert not isinstance(long, NoReadings)
    assert "in order" in svg_of(long)


def test_a_large_study_is_a_picture_of_bounded_size() -> None:
    x = RNG.normal(0, 1, (8, 50, 10))
    spec = readings_chart(x, people=list("abcdefgh"), parts=[f"{k}" for k in range(50)])
    assert not isinstance(spec, NoReadings)
    svg = svg_of(spec)
    assert marks(svg, "chart-spans") == 400
    assert marks(svg, "chart-readings") == 0
    assert len(svg) < 150_000


def test_nothing_to_draw_and_refusals() -> None:
    flat = np.tile(np.arange(3.0)[None, :, None], (2, 1, 2))
    assert not readings_chart(flat, people=["a", "b"], parts=["1", "2", "3"])
    assert not readings_chart(
        np.zeros((13, 2, 2)), people=[str(i) for i in range(13)], parts=["1", "2"]
    )
    with pytest.raises(ValueError, match="don't fit"):
        readings_chart(flat, people=["a"], parts=["1", "2", "3"])
    with pytest.raises(ValueError, match="missing"):
        readings_chart(flat * np.nan, people=["a", "b"], parts=["1", "2", "3"])
    with pytest.raises(ValueError, match="280"):
        components_chart(study(X), width=100)
