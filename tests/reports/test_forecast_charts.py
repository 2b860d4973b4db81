"""Charts of forecasts: plates ahead, rates, readings against forecasts, tenths."""

from __future__ import annotations

import copy
import itertools
import json
import math
import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from pitwise.job.model import Cut
from pitwise.job.outlook import (
    Band,
    Change,
    Outlook,
    PlateOutlook,
)
from pitwise.job.plan import (
    Plate,
)
from pitwise.reports.charts import (
    Interval,
    LimitLine,
    NoReadings,
    PlateRun,
    RateBar,
    Scored,
    ahead_chart,
    rate_chart,
    scored_chart,
    svg_of,
    tenths_chart,
)
from pitwise.reports.charts.ahead import courses, place_marks, place_of

LIMIT = LimitLine(1.0, ">", "1.0 mm / 40 thou")
NOW = Band(0.4, 0.5, 0.6)
WIDTHS = (350, 690, 1100)


def band(middle: float) -> Band:
    return Band(0.8 * middle, middle, 1.25 * middle)


def outlook(plates: int, changes: tuple[Change, ...] = (), starts: float = 50) -> Outlook:
    """Plates that each grow the pit 0.1 mm, changed as told."""
    rows = []
    for k in range(plates):
        number = sum(c.after <= k for c in changes)
        since = k - max((c.after for c in changes if c.after <= k), default=-5)
        rows.append(
            PlateOutlook(
                Plate(f"p {k + 1}", starts, 20.0, tuple(Cut(n, 10, 1, 0.5) for n in range(3))),
                max(0.0, 1 - 0.1 * k),
                min(1.0, 0.1 * k),
                0.0,
                band(0.5 + 0.1 * (k + 1)),
                number,
                0.98,
                band(0.1 * (since + 1)),
            )
        )
    return Outlook(tuple(rows), changes, 100.0, 50.0, (), 0, 0.05)


def numbers(spec: Any) -> list[float]:
    if isinstance(spec, dict):
        return [x for value in spec.values() for x in numbers(value)]
    if isinstance(spec, list | tuple):
        return [x for value in spec for x in numbers(value)]
    return [float(spec)] if isinstance(spec, int | float) else []


def drawn(spec: dict[str, Any] | NoReadings) -> str:
    """Render a specification that must be plain data, finite and drawable under the policy."""
    assert isinstance(spec, dict)
    json.dumps(spec, allow_nan=False)
    assert all(map(math.isfinite, numbers(spec)))
    svg = svg_of(copy.deepcopy(spec))
    root = ET.fromstring(svg)
    assert "style" not in {k for e in root.iter() for k in e.attrib}
    assert "NaN" not in svg
    assert root.get("aria-label")
    return svg


def words(svg: str) -> list[str]:
    return ["".join(e.itertext()) for e in ET.fromstring(svg).iter() if e.tag.endswith("}text")]


CHANGES = (
    (),
    (Change(0),),
    (Change(2), Change(7)),
    (Change(3, line=812, cut=20),),
    tuple(Change(k) for k in range(0, 9)),
)


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("changes", CHANGES, ids=[str(len(c)) for c in CHANGES])
def test_the_plates_ahead_are_drawn(width: int, changes: tuple[Change, ...]) -> None:
    view = outlook(9, changes)
    spec = ahead_chart(view, NOW, LIMIT, [PlateRun("a.nc", 4), PlateRun("b.nc", 5)], width=width)
    svg = drawn(spec)
    said = " ".join(words(svg))
    assert "Replace above 1.0 mm / 40 thou" in said
    assert "Plates finished" in said
    assert "Pit depth, mm" in said
    assert ("without a change" in said) == bool(changes) or len(changes) > 8
    assert spec == ahead_chart(
        view, NOW, LIMIT, iter([PlateRun("a.nc", 4), PlateRun("b.nc", 5)]), width=width
    )
    got = ET.fromstring(svg)
    assert int(got.get("width", "0")) <= width


def test_a_change_in_a_plate_is_named_by_its_line_and_stands_where_it_is() -> None:
    change = Change(3, line=812, cut=20)
    view = outlook(6, (change,))
    assert place_of(change, view) == pytest.approx(3.4)
    svg = drawn(ahead_chart(view, NOW, LIMIT, [PlateRun("a", 6)], width=1100))
    assert "Change in plate 4, line 812" in words(svg)
    assert "plate 4, line 812" in str(ahead_chart(view, NOW, LIMIT, [PlateRun("a", 6)]))


def test_courses_restart_at_nothing_and_end_with_their_last_plate() -> None:
    first, second = courses(outlook(6, (Change(2),)), NOW)
    assert [x for x, _ in first.points] == [0.0, 1.0, 2.0]
    assert second.points[0] == (2.0, Band(0.0, 0.0, 0.0))
    assert second.points[-1][0] == 6.0
    # Changed inside a plate, the old set's course ends at the plate before: none is made up.
    old, new = courses(outlook(6, (Change(2, line=5, cut=25),)), NOW)
    assert old.points[-1][0] == 2.0
    assert new.points[0][0] == 2.5


def test_a_very_long_queue_stays_drawable() -> None:
    changes = tuple(Change(k) for k in range(4, 200, 4))
    runs = [PlateRun(f"program-{k}.nc", 10) for k in range(20)]
    for width in WIDTHS:
        svg = drawn(ahead_chart(outlook(200, changes), NOW, LIMIT, runs, width=width))
        assert len(svg) < 400_000


def test_names_that_mean_something_to_svg_are_words() -> None:
    runs = [PlateRun("<script>&\"'", 3), PlateRun("Träger ✂ 漢字", 3)]
    svg = drawn(ahead_chart(outlook(6), NOW, LIMIT, runs, width=1100))
    assert "<script" not in svg
    assert any("Träger" in w for w in words(svg))


@pytest.mark.parametrize(
    "bad",
    [
        {"runs": [PlateRun("a", 4)]},
        {"runs": [PlateRun("a", 5), PlateRun("b", 0)]},
        {"now": Band(0.1, math.nan, 0.3)},
        {"limit": LimitLine(0.0, ">", "0")},
        {"limit": LimitLine(math.inf, ">", "inf")},
        {"width": 200},
        {"height": 100},
    ],
)
def test_what_cant_be_drawn_is_refused(bad: dict[str, Any]) -> None:
    given: dict[str, Any] = {"now": NOW, "limit": LIMIT, "runs": [PlateRun("a", 5)]} | bad
    with pytest.raises(ValueError):
        ahead_chart(outlook(5), given.pop("now"), given.pop("limit"), given.pop("runs"), **given)


@pytest.mark.parametrize("across", [3.0, 8.0, 25.0, 90.0])
def test_words_of_changes_never_run_into_each_other(across: float) -> None:
    size, width = 13, across * 100
    changes = [
        (float(k), (f"Change after plate {k}", f"after {k}", f"{k}")) for k in range(0, 100, 3)
    ]
    placed = place_marks(changes, width, across, size)
    boxes = []
    for (x, _), (row, left, text) in zip(changes, placed, strict=True):
        if text:
            wide = 0.56 * size * len(text) + 8
            at = x * across
            boxes.append((row, at - wide if left else at, at if left else at + wide))
    assert boxes
    for (row, a, b), (other, c, d) in itertools.combinations(boxes, 2):
        assert row != other or b <= c + 1e-9 or d <= a + 1e-9


RATE = Interval(0.6, 0.5, 0.75)


@pytest.mark.parametrize("width", WIDTHS)
def test_rates_are_drawn_with_the_fit_before(width: int) -> None:
    bars = [RateBar("300 A mild steel", RATE, Interval(0.5, 0.3, 0.9)), RateBar("new", RATE)]
    svg = drawn(rate_chart(bars, width=width, mix=", 0.4 arc min each"))
    said = words(svg)
    assert "300 A mild steel: 0.60 (0.50 to 0.75)" in said
    assert any("the fit before" in w for w in said)
    alone = drawn(rate_chart(bars[1:], width=width))
    assert not any("the fit before" in w for w in words(alone))


@pytest.mark.parametrize("width", WIDTHS)
def test_scored_readings_tell_inside_from_outside_by_shape(width: int) -> None:
    points = [Scored(0.5, Interval(0.5, 0.4, 0.6)), Scored(0.9, Interval(0.5, 0.4, 0.6))]
    spec = scored_chart(points * 40, width=width)
    svg = drawn(spec)
    assert "40 fell outside" in re.sub(r"\s+", " ", str(spec))
    assert 'class="chart-inside"' in svg
    assert 'class="chart-outside"' in svg
    drawn(scored_chart([Scored(-0.01, Interval(0.0, 0.0, 0.0))], width=width))


@pytest.mark.parametrize("width", WIDTHS)
def test_tenths_show_the_even_level(width: int) -> None:
    svg = drawn(tenths_chart([3, 4, 2, 5, 3, 4, 2, 6, 1, 0], width=width))
    assert any("even, 3.0 each" in w for w in words(svg))
    drawn(tenths_chart([0, 0, 0, 0, 0, 0, 0, 0, 0, 1], width=width))


def test_nothing_to_draw_is_told() -> None:
    assert not rate_chart([])
    assert not scored_chart([])
    assert not tenths_chart([0] * 10)


def test_a_number_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError):
        rate_chart([RateBar("a", Interval(math.nan, 0, 1))])
    with pytest.raises(ValueError):
        scored_chart([Scored(math.inf, RATE)])
    with pytest.raises(ValueError):
        tenths_chart([-1, 3])
    with pytest.raises(ValueError):
        rate_chart([RateBar("a", RATE)], width=100)
