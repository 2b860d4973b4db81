"""The picture of an item ahead, and the order list's document."""

from __future__ import annotations

import datetime as dt
import io
import math
from dataclasses import replace

import pytest
from pypdf import PdfReader

from pitwise.reports.charts import NoReadings, StockPoint, stock_chart, svg_of
from pitwise.reports.order_list_pdf import order_list_pdf

DAY = dt.date(2031, 3, 3)
POINTS = [
    StockPoint(DAY + dt.timedelta(days=7 * k), 6 - 3 * k, 6 - 2 * k, 6 - k) for k in range(13)
]


@pytest.mark.parametrize("width", [900, 350])
def test_it_draws_and_says_what_it_shows(width: int) -> None:
    spec = stock_chart(reversed(POINTS), reorder_point=4, many="nozzles", width=width)
    assert isinstance(spec, dict)
    assert spec["description"] == (
        "Nozzles left on the shelf when nothing new is ordered: 6 on 2031-03-03; after 12 weeks "
        "-18 (-30 to -6); order when down to 4."
    )
    svg = svg_of(spec)
    assert svg == svg_of(spec)
    assert "order at 4" in svg
    assert "Below 0: nozzles short." in svg
    assert "style=" not in svg


def test_a_shelf_that_lasts_has_no_line_for_nothing() -> None:
    spec = stock_chart([replace(p, low=5, median=6, high=6) for p in POINTS])
    assert isinstance(spec, dict)
    assert [layer["name"] for layer in spec["layer"]] == [
        "range",
        "edge_low",
        "edge_high",
        "middle",
    ]


def test_few_pieces_have_a_tick_each() -> None:
    def ticks(low: float, high: float) -> list[int] | None:
        points = [StockPoint(DAY + dt.timedelta(days=7 * k), low, high, high) for k in range(3)]
        spec = stock_chart(points)
        assert isinstance(spec, dict)
        found = [
            layer["encoding"]["y"]["axis"]
            for layer in spec["layer"]
            if "axis" in layer.get("encoding", {}).get("y", {})
        ] or [spec["encoding"]["y"]["axis"]]
        own: list[int] | None = found[0].get("values")
        return own

    assert ticks(0, 1) == [0, 1]
    assert ticks(-2, 1) == [-2, -1, 0, 1]
    assert ticks(0, 40) is None


def test_what_cannot_be_drawn() -> None:
    assert isinstance(stock_chart(POINTS[:1]), NoReadings)
    with pytest.raises(ValueError, match="280"):
        stock_chart(POINTS, width=100)
    with pytest.raises(ValueError, match="no figure"):
        stock_chart([*POINTS, StockPoint(DAY, 0, 0, math.inf)])


def test_the_order_list_prints_what_people_typed_as_they_typed_it() -> None:
    row = {
        "item": "Nozzle *300* #x[",
        "code": "S-0001",
        "pieces": 20,
        "packs": 4,
        "pieces_in_pack": 5,
        "unit_price": 1021.5,
        "sum": 20430.0,
        "order_by": "2031-03-06",
        "why": "Order 20 nozzles by Thursday: there are 6.",
        "rule_assumed": True,
    }
    found = {
        "day": "2031-03-03",
        "suppliers": [
            {
                "supplier": "Hearth & Vale",
                "currency": "EUR",
                "order_by": "2031-03-06",
                "total": 20430.0,
                "items": [row] * 40,
            }
        ],
        "not_listed": [{"item": "Shield", "reason": "no terms are set", "mend": "set them"}],
        "next_day": None,
    }
    pdf = order_list_pdf(found)
    assert pdf == order_list_pdf(found)
    pages = PdfReader(io.BytesIO(pdf)).pages
    text = "".join(p.extract_text() for p in pages).replace("\n", " ")
    assert len(pages) > 1
    assert "Nozzle *300* #x[" in text
    assert "4 packs of 5" in text
    assert "assumed figures" in text
    assert "no terms are set; set them." in text
    empty = order_list_pdf({**found, "suppliers": [], "not_listed": [], "next_day": "2031-04-01"})
    words = PdfReader(io.BytesIO(empty)).pages[0].extract_text().replace("\n", " ")
    assert "likely due on 2031-04-01" in words
