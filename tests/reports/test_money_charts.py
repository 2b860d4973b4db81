"""The picture of losses: sorted, told apart without colour, whole on A4 and A3."""

from __future__ import annotations

import io
import math
import re
import xml.etree.ElementTree as ET
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pypdf import PdfReader

from pitwise.reports.charts import NoReadings, svg_of
from pitwise.reports.charts.money import MOST_ROWS, LossBar, counts_words, loss_chart
from pitwise.reports.loss_pdf import loss_pdf
from pitwise.reports.month_pdf import month_pdf

BARS = [
    LossBar("Wet gas", 0, 130, 80, 190, 0, 2, 0),
    LossBar("Low coolant flow", 3200, 900, 3800, 4400, 2, 1, 5),
    LossBar("Not known", 0, 420, 350, 500, 0, 0, 5, 2),
]
HEAD = "Low coolant flow took 88 % of what parts cost that ended before their worth was used."


def drawn(bars: list[LossBar], width: int = 900) -> dict[str, Any]:
    spec = loss_chart(bars, currency="EUR", headline=HEAD, period="May 2031", width=width)
    assert not isinstance(spec, NoReadings)
    return spec


def rows(spec: dict[str, Any], name: str) -> list[dict[str, Any]]:
    return next((layer["data"]["values"] for layer in spec["layer"] if layer["name"] == name), [])


@pytest.mark.parametrize("width", [900, 350])
def test_the_dearest_stands_first_with_money_count_and_range(width: int) -> None:
    spec = drawn(BARS, width)
    assert [r["words"] for r in rows(spec, "causes")] == [
        "Low coolant flow",
        "Not known",
        "Wet gas",
    ]
    assert rows(spec, "moneys")[0]["words"] == ("4\u202f100 EUR (3\u202f800 to 4\u202f400), 88 %")
    assert rows(spec, "counts")[0]["words"] == "2 lost in the cut, 1 damaged, 5 while good"
    assert rows(spec, "counts")[1]["words"] == "5 while good, 2 of them not told in money"
    assert " ".join(spec["title"]["text"]) == HEAD
    assert "Low coolant flow: 4\u202f100 EUR" in spec["description"]
    # A range for each bar: its line and a tick at either end.
    assert len(rows(spec, "ranges")) == 9


def test_lost_and_early_are_told_apart_by_fill_and_word_not_by_colour() -> None:
    spec = drawn(BARS)
    (lost,) = rows(spec, "lost")
    assert (lost["x"], lost["x2"]) == (0, 3200)
    early = rows(spec, "early")
    assert (early[0]["x"], early[0]["x2"]) == (3200, 4100)
    assert [r["words"] for r in rows(spec, "lost_words")] == ["lost"]
    assert "early" in {r["words"] for r in rows(spec, "early_words")}
    colours = set(re.findall(r"#[0-9a-f]{6}", svg_of(spec).lower()))
    # Ink, grey and paper: nothing hangs on a colour.
    assert colours <= {"#14181c", "#666a6e", "#fffefa"}


def test_the_hatch_stays_within_its_bar() -> None:
    spec = drawn(BARS)
    strokes = rows(spec, "hatch")
    boxes = rows(spec, "early")
    assert len(strokes) > 10
    for s in strokes:
        assert any(
            b["x"] - 1e-6 <= min(s["x"], s["x2"]) <= max(s["x"], s["x2"]) <= b["x2"] + 1e-6
            and b["y"] - 1e-6 <= min(s["y"], s["y2"]) <= max(s["y"], s["y2"]) <= b["y2"] + 1e-6
            for b in boxes
        )


def test_many_causes_end_in_one_bar_and_nothing_is_lost() -> None:
    many = [LossBar(f"Cause {k}", 10 * k, k, 10 * k, 12 * k, 1, 0, 1) for k in range(1, 13)]
    spec = drawn(many)
    names = [r["words"] for r in rows(spec, "causes")]
    assert len(names) == MOST_ROWS
    assert names[-1] == "5 other causes together"
    drawn_money = sum(r["x2"] - r["x"] for name in ("lost", "early") for r in rows(spec, name))
    assert drawn_money == pytest.approx(sum(b.money for b in many))


def test_without_a_loss_there_is_no_picture() -> None:
    assert not loss_chart([], currency="EUR", headline="Nothing")
    for bad in (
        LossBar("x", math.nan, 0, 0, 1, 1, 0, 0),
        LossBar("x", -1, 0, 0, 1, 1, 0, 0),
        LossBar("x", 5, 0, 6, 7, 1, 0, 0),
        LossBar("x", 5, 0, 1, 4, 1, 0, 0),
    ):
        with pytest.raises(ValueError, match="number|0 or more|range"):
            loss_chart([bad], currency="EUR", headline="x")
    with pytest.raises(ValueError, match="280"):
        loss_chart(BARS, currency="EUR", headline="x", width=200)


bars = st.builds(
    lambda name, lost, early, less, more, n: LossBar(
        name, lost, early, (lost + early) * less, (lost + early) * (1 + more), n, n, n
    ),
    st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=90),
    st.floats(0, 1e9),
    st.floats(0, 1e9),
    st.floats(0, 1),
    st.floats(0, 2),
    st.integers(0, 500),
)


# Each makes a whole picture's data: fewer do.
@settings(max_examples=40)
@given(st.lists(bars, min_size=1, max_size=15), st.sampled_from([900, 350]))
def test_any_numbers_make_a_sorted_picture(own: list[LossBar], width: int) -> None:
    spec = drawn(own, width)
    ends: dict[int, float] = {}
    for name in ("lost", "early"):
        for r in rows(spec, name):
            assert 0 <= r["x"] <= r["x2"]
            ends[int(r["y"])] = max(ends.get(int(r["y"]), 0.0), r["x2"])
    lengths = [ends.get(k, 0.0) for k in range(min(len(own), MOST_ROWS))]
    head = lengths[:-1] if len(own) > MOST_ROWS else lengths
    assert head == sorted(head, reverse=True)
    assert len(rows(spec, "hatch")) < 2000


def test_the_svg_is_whole_and_stands_under_the_policy() -> None:
    root = ET.fromstring(svg_of(drawn(BARS)))
    text = "".join(root.itertext())
    for words in (
        "Low coolant flow",
        "2 lost in the cut, 1 damaged, 5 while good",
        "May 2031",
    ):
        assert words in text
    assert "style=" not in svg_of(drawn(BARS))


@pytest.mark.parametrize(("paper", "points"), [("a4", (595, 842)), ("a3", (842, 1191))])
def test_the_sheet_is_one_page_for_each_currency(paper: Any, points: tuple[int, int]) -> None:
    data = loss_pdf(
        [(BARS, "EUR", HEAD), (BARS[:1], "SEK", "Wet gas took all of it.")],
        period="May 2031",
        foot="Made on a day.",
        notes=["What it rests on: #1 & <b>."],
        moment=(2031, 6, 1, 6, 0, 0),
        paper=paper,
    )
    pages = PdfReader(io.BytesIO(data)).pages
    assert len(pages) == 2
    box = pages[0].mediabox
    assert (round(float(box.width)), round(float(box.height))) == points
    assert "What it rests on: #1 & <b>." in pages[0].extract_text()
    nothing = loss_pdf(
        [], period="May 2031", foot="f", notes=[], moment=(2031, 6, 1, 6, 0, 0), paper=paper
    )
    assert (
        "No part ended before its worth was used."
        in PdfReader(io.BytesIO(nothing)).pages[0].extract_text()
    )


def test_the_monthly_sheet_prints_every_sentence() -> None:
    sheet = {
        "name": "May 2031",
        "empty": "",
        "sections": [
            {
                "slug": "losses",
                "title": "Losses",
                "sentences": [
                    {"text": "8 % fewer; *not* #markup.", "told": "less", "told_words": "sure"}
                ],
            }
        ],
    }
    data = month_pdf(
        sheet,
        said_until="All of it.",
        made="Made.",
        moment=(2031, 6, 1, 6, 0, 0),
        picture=drawn(BARS),
    )
    text = PdfReader(io.BytesIO(data)).pages[0].extract_text().replace("\xa0", " ")
    for words in ("Wear parts, May 2031", "All of it.", "8 % fewer; *not* #markup.", "sure"):
        assert words in text


@pytest.mark.parametrize("lines", [1, 4, 5, 7, 9])
@pytest.mark.parametrize("drawing", [True, False])
def test_the_monthly_sheet_breaks_between_sections_and_leaves_no_page_of_a_line_or_two(
    lines: int, drawing: bool
) -> None:
    titles = ("Lives", "Losses", "Causes", "Cost", "Stock", "What changed")
    sections = [
        {
            "slug": title.lower(),
            "title": title,
            "sentences": [
                {"text": f"{title} {k}: so much of it.", "told": "fact", "told_words": ""}
                for k in range(lines)
            ],
        }
        for title in titles
    ]
    data = month_pdf(
        {"name": "May 2031", "empty": "", "sections": sections},
        said_until="All of it.",
        made="Made.",
        moment=(2031, 6, 1, 6, 0, 0),
        picture=drawn(BARS) if drawing else None,
    )
    pages = [page.extract_text().replace("\xa0", " ") for page in PdfReader(io.BytesIO(data)).pages]
    assert len(pages) <= 2
    counts = []
    for text in pages:
        # A section that begins on a page ends on it.
        ends = [
            text.count(f"{title} 0:") == text.count(f"{title} {lines - 1}:") for title in titles
        ]
        assert all(ends)
        counts.append(text.count("so much of it."))
    assert sum(counts) == lines * len(titles)
    if len(pages) == 2:
        assert min(counts) >= 2 * lines


def test_counts_in_words() -> None:
    assert counts_words(0, 0, 0) == ""
    assert (
        counts_words(1, 2, 3, 4)
        == "1 lost in the cut, 2 damaged, 3 while good, 4 of them not told in money"
    )
