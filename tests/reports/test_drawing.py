"""Tests of the line drawings."""

from __future__ import annotations

import importlib
import importlib.util
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

# The folder is tested in its place in the house, or standing alone beside this file.
_HOME = "pitwise.reports.drawing" if importlib.util.find_spec("pitwise") else "drawing"
drawing: Any = importlib.import_module(_HOME)
shapes: Any = importlib.import_module(f"{_HOME}.shapes")

SVG = "{http://www.w3.org/2000/svg}"
SLUGS = (
    "shield-cap",
    "shield",
    "retaining-cap",
    "nozzle",
    "swirl-ring",
    "electrode",
    "coolant-tube",
    "torch-head",
)
FINDINGS = [
    "mechanical-damage",
    "crack",
    "chip",
    "deformed",
    "orifice-out-of-round",
    "orifice-nicked",
    "arc-marks",
    "gas-holes-blocked",
    "gas-holes-stay-blocked",
    "debris-in-gas-ports",
    "grease-in-gas-holes",
    "o-ring-damaged",
    "o-ring-missing",
    "o-ring-overgreased",
    "o-ring-dry",
    "spatter-attached",
    "scale",
    "dirt",
    "coolant-darkening",
    "pink-stain",
    "emitter-off-centre",
    "emitter-blown",
    "threads-damaged",
    "bent",
    "loose-fit",
    "worn-tip",
    "leak",
    "heat-blued",
]
ACTIONS = ("keep", "clean", "replace", "recheck", "not-looked")
MARKS = {slug: ACTIONS[i % len(ACTIONS)] for i, slug in enumerate(SLUGS)}
HREFS = {slug: f"/inspections/7/parts/{slug}?a=1&b=2" for slug in SLUGS}
ALLOWED_TAGS = {"svg", "g", "a", "path", "rect", "circle", "text", "title"}


def everything() -> list[tuple[str, str]]:
    """Return a name and a picture for each thing that can be drawn."""
    pictures = [("logo", drawing.logo())]
    for layout in ("row", "column"):
        pictures += [
            (f"{layout}-bare", drawing.torch_drawing(layout=layout)),
            (
                f"{layout}-full",
                drawing.torch_drawing(
                    MARKS, current="nozzle", hrefs=HREFS, layout=layout, id_prefix="a-"
                ),
            ),
            (f"{layout}-unnamed", drawing.torch_drawing(MARKS, layout=layout, labels=False)),
        ]
    pictures += [(slug, drawing.part_drawing(slug)) for slug in SLUGS]
    pictures += [(action, drawing.action_mark(action)) for action in ACTIONS]
    pictures += [(slug, drawing.finding_icon(slug)) for slug in FINDINGS]
    return pictures


PICTURES = everything()


@pytest.fixture(params=[p[1] for p in PICTURES], ids=[p[0] for p in PICTURES])
def picture(request: pytest.FixtureRequest) -> str:
    """Each picture in turn."""
    text: str = request.param
    return text


def test_well_formed_and_nothing_a_strict_page_refuses(picture: str) -> None:
    root = ET.fromstring(picture)
    assert root.tag == f"{SVG}svg"
    for element in root.iter():
        assert element.tag.removeprefix(SVG) in ALLOWED_TAGS
        for name, value in element.attrib.items():
            assert name != "style"
            assert not name.startswith("on")
            assert "url(" not in value
    assert re.search(r"\b(nan|inf|None)\b", picture) is None


def test_text_uses_the_one_typeface_and_is_large_enough(picture: str) -> None:
    for element in ET.fromstring(picture).iter(f"{SVG}text"):
        assert element.get("font-family") == "Atkinson Hyperlegible Next, sans-serif"
        assert float(element.get("font-size", "0")) >= 15


@pytest.mark.parametrize("layout", ["row", "column"])
def test_every_part_in_removal_order(layout: Any) -> None:
    assert drawing.PART_SLUGS == SLUGS
    root = ET.fromstring(drawing.torch_drawing(MARKS, layout=layout))
    groups = [g for g in root.iter(f"{SVG}g") if g.get("class") == "part"]
    assert [g.get("id") for g in groups] == [f"part-{slug}" for slug in SLUGS]
    for number, (slug, group) in enumerate(zip(SLUGS, groups, strict=True), start=1):
        title = group.findtext(f"{SVG}title") or ""
        assert title.endswith(": " + drawing.ACTION_WORDS[MARKS[slug]])
        words = [t.text for t in group.iter(f"{SVG}text")]
        assert words[0] == str(number)
        assert words[-1] == drawing.ACTION_WORDS[MARKS[slug]]
        classes = [g.get("class") for g in group.iter(f"{SVG}g")]
        assert f"mark mark-{MARKS[slug]}" in classes


@pytest.mark.parametrize("layout", ["row", "column"])
def test_touch_places_are_large_apart_and_inside(layout: Any) -> None:
    root = ET.fromstring(drawing.torch_drawing(MARKS, layout=layout))
    _, _, width, height = map(float, root.get("viewBox", "").split())
    zoom = {"row": 1180, "column": 390}[layout] / width
    hits = [
        tuple(float(r.get(k, "")) for k in ("x", "y", "width", "height"))
        for r in root.iter(f"{SVG}rect")
        if r.get("class") == "hit"
    ]
    assert len(hits) == len(SLUGS)
    for x, y, w, h in hits:
        assert w * zoom >= 88
        assert h * zoom >= 88
        assert x >= 0
        assert y >= 0
        assert x + w <= width
        assert y + h <= height
    side = 0 if layout == "row" else 1
    for before, after in pairwise(hits):
        assert (after[side] - before[side] - before[side + 2]) * zoom >= 24


def test_links_are_spoken_and_escaped() -> None:
    root = ET.fromstring(drawing.torch_drawing(MARKS, hrefs=HREFS, current="electrode"))
    assert root.get("role") == "group"
    links = list(root.iter(f"{SVG}a"))
    assert [link.get("href") for link in links] == list(HREFS.values())
    said = [t.strip() for t in links[3].itertext() if t.strip()]
    assert said == ["4", "Nozzle", "recheck"]
    assert links[3].get("aria-label") is None
    assert [link.get("aria-current") for link in links].count("true") == 1
    assert "a=1&amp;b=2" in drawing.torch_drawing(hrefs=HREFS)


def test_a_hostile_link_stays_inside_its_attribute() -> None:
    nasty = "/x?q=\"><script>alert('x')</script>"
    with pytest.raises(ValueError, match="nozzle"):
        drawing.torch_drawing(hrefs={"nozzle": nasty + " "})
    text = drawing.torch_drawing(hrefs={"nozzle": nasty})
    assert "<script" not in text
    link = next(ET.fromstring(text).iter(f"{SVG}a"))
    assert link.get("href") == nasty


def test_image_without_links_says_its_marks() -> None:
    root = ET.fromstring(drawing.torch_drawing({"nozzle": "not-looked"}))
    assert root.get("role") == "img"
    assert "Nozzle not looked at" in (root.get("aria-label") or "")


def test_two_drawings_can_share_a_page() -> None:
    both = drawing.torch_drawing(MARKS) + drawing.torch_drawing(MARKS, id_prefix="past-")
    both += drawing.part_drawing("nozzle") + drawing.action_mark("keep")
    ids = re.findall(r'\bid="([^"]*)"', both)
    assert len(ids) == len(set(ids)) == 16


def test_unmarked_parts_show_no_mark() -> None:
    text = drawing.torch_drawing({"shield": "clean"})
    assert text.count('class="mark ') == 1
    assert drawing.torch_drawing().count('class="mark ') == 0


@pytest.mark.parametrize("layout", ["row", "column"])
def test_current_part_is_boxed_once(layout: Any) -> None:
    root = ET.fromstring(drawing.torch_drawing(current="swirl-ring", layout=layout))
    group = next(g for g in root.iter(f"{SVG}g") if g.get("id") == "part-swirl-ring")
    boxes = [r for r in root.iter(f"{SVG}rect") if r.get("class") == "current"]
    assert len(boxes) == 1
    assert boxes[0] in list(group)


def test_same_arguments_same_picture() -> None:
    assert everything() == PICTURES
    turned = dict(reversed(MARKS.items()))
    assert drawing.torch_drawing(turned) == drawing.torch_drawing(MARKS)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: drawing.torch_drawing({"gasket": "keep"}), "gasket"),
        (lambda: drawing.torch_drawing({"nozzle": "polish"}), "polish"),
        (lambda: drawing.torch_drawing(current="gasket"), "gasket"),
        (lambda: drawing.torch_drawing(hrefs={"gasket": "/"}), "gasket"),
        (lambda: drawing.torch_drawing(hrefs={"nozzle": "javascript:x"}), "nozzle"),
        (lambda: drawing.torch_drawing(hrefs={"nozzle": ""}), "nozzle"),
        (lambda: drawing.torch_drawing(layout="spiral"), "spiral"),
        (lambda: drawing.torch_drawing(id_prefix='a"b'), "id_prefix"),
        (lambda: drawing.torch_drawing(id_prefix="7-"), "id_prefix"),
        (lambda: drawing.part_drawing("gasket"), "gasket"),
        (lambda: drawing.part_drawing("nozzle", size=0), "size"),
        (lambda: drawing.action_mark("polish"), "polish"),
        (lambda: drawing.action_mark("keep", size=0), "size"),
        (lambda: drawing.finding_icon("crack", size=0), "size"),
        (lambda: drawing.logo(size=0), "size"),
        (lambda: shapes.hatch([(0, 0), (1, 0), (0, 1)], step=0), "step"),
    ],
)
def test_what_cannot_be_drawn_is_refused_by_name(call: Callable[[], str], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        call()


def test_unknown_finding_is_a_key_error() -> None:
    with pytest.raises(KeyError, match="gasket"):
        drawing.finding_icon("gasket")


def test_findings_all_have_their_own_picture() -> None:
    assert set(drawing.FINDING_SLUGS) == set(FINDINGS)
    assert len({drawing.finding_icon(slug) for slug in FINDINGS}) == len(FINDINGS)


def test_marks_differ_and_have_a_word() -> None:
    assert tuple(drawing.ACTION_WORDS) == ACTIONS
    bare = {drawing.action_mark(a, decorative=True).split(">", 1)[1] for a in ACTIONS}
    assert len(bare) == len(ACTIONS)
    assert 'aria-hidden="true"' in drawing.action_mark("keep", decorative=True)


def test_hatching_stays_inside_and_covers() -> None:
    ends = shapes.hatch([(0, 0), (30, 0), (30, 12), (0, 12)], step=6)
    assert len(ends) == 2 * 7
    for x, y in ends:
        assert -1e-9 <= x <= 30 + 1e-9
        assert -1e-9 <= y <= 12 + 1e-9


def _channel(value: int) -> float:
    share = value / 255
    return share / 12.92 if share <= 0.04045 else ((share + 0.055) / 1.055) ** 2.4


def _luminance(colour: str) -> float:
    red, green, blue = (_channel(int(colour[i : i + 2], 16)) for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    """Return the WCAG 2 contrast ratio of two colours."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_ink_stands_out_on_every_fill() -> None:
    grounds = {shapes.PAPER, *shapes.FILLS.values()} - {"none", shapes.INK}
    assert min(_contrast(shapes.INK, ground) for ground in grounds) >= 4.5


def test_favicon_is_the_mark() -> None:
    home = Path(str(drawing.__file__)).parent
    text = (home / "favicon.svg").read_text(encoding="utf-8")
    paths = [p.attrib for p in ET.fromstring(text).iter(f"{SVG}path")]
    assert paths == [p.attrib for p in ET.fromstring(drawing.logo()).iter(f"{SVG}path")]
