"""Every page, at both widths: axe's WCAG rules, a quiet console, nothing wider than the screen."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from kit_browser import PHONE, SIZES, Seat, at, look_through, open_bench
from playwright.sync_api import Page

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
AXE = Path(__file__).with_name("vendor") / "axe.min.js"
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
RUN = "tags => axe.run(document, {runOnly: tags, resultTypes: ['violations']})"
OPEN = "() => document.querySelectorAll('details').forEach(d => { d.open = true; })"
LISTS = ("torches", "records", "parts", "limits", "shop", "people", "me", "about")


def problems(page: Page, size: tuple[int, int], name: str) -> list[str]:
    """Give everything wrong with the page as it stands."""
    page.evaluate(OPEN)
    page.evaluate(AXE.read_text(encoding="utf-8") + ";0")
    found: dict[str, Any] = page.evaluate(RUN, TAGS)
    out = [
        f"{name} {size[0]}: {rule['id']}: {node['html'][:160]} {node['failureSummary']}"
        for rule in found["violations"]
        for node in rule["nodes"]
    ]
    width = page.evaluate("() => document.documentElement.scrollWidth")
    if width > size[0]:
        out.append(f"{name}: {width} px wide on {size[0]}")
    return out


@pytest.mark.parametrize("size", SIZES)
def test_every_page(seat: Seat, size: tuple[int, int]) -> None:
    out: list[str] = []
    page = seat.page(size, login=None)
    for path in ("/sign-in", "/about"):
        page.goto(path)
        out += problems(page, size, f"{path} signed out")
    page = seat.page(size, login="ada")
    paths = [f"/{name}" for name in LISTS]
    paths += [f"/torches/{seat.floor.torch}", "/records/1"]
    paths += [f"/parts/{item}" for item in (1, 11)]
    for path in paths:
        answer = page.goto(path)
        assert answer is not None
        assert answer.status == 200, path
        out += problems(page, size, path)
    assert seat.slips == []
    page.goto("/records/999999")
    out += problems(page, size, "refusal")
    # The browser itself notes the 404 that was asked for.
    assert [s for s in seat.slips if "404" not in s] == []
    assert out == []


@pytest.mark.parametrize("size", SIZES)
def test_every_step_of_the_bench(seat: Seat, size: tuple[int, int]) -> None:
    page = seat.page(size)
    page.goto(f"/torches/{seat.floor.other}")
    page.click("main .main-button")
    at(page, "cautions")
    out = problems(page, size, "cautions")
    page.click("#confirm")
    at(page, "shield-cap")
    out += problems(page, size, "shield cap")
    bench = page.url.split("?")[0]
    page.goto(f"{bench}?part=sign")
    out += problems(page, size, "review, unfinished")
    page.goto(f"{bench}?part=electrode")
    page.fill("#pit-field", "1.40")
    page.click("#pit-form button")
    page.wait_for_selector(".readings li")
    page.click("#f-crack")
    page.wait_for_selector("#f-crack[aria-pressed=true]")
    out += problems(page, size, "electrode with a reading")
    page.click("#f-crack")
    page.wait_for_selector("#f-crack[aria-pressed=false]")
    page.goto(f"{bench}?part=shield-cap")
    look_through(page, "1.40")
    out += problems(page, size, "review")
    assert seat.slips == []
    assert out == []


GAPS = """() => {
  const boxes = [...document.querySelectorAll('.findings button')]
    .map(b => b.getBoundingClientRect());
  const gaps = [];
  boxes.forEach((a, i) => boxes.slice(i + 1).forEach(b => {
    const across = Math.max(a.left, b.left) - Math.min(a.right, b.right);
    const down = Math.max(a.top, b.top) - Math.min(a.bottom, b.bottom);
    gaps.push(Math.max(across, down));
  }));
  return gaps;
}"""
HEIGHTS = """() => [...document.querySelectorAll('.findings button, .main-button')]
  .map(b => b.getBoundingClientRect().height)"""


@pytest.mark.parametrize("step", ["shield", "electrode", "torch-head"])
def test_touch_targets_fit_a_glove(seat: Seat, step: str) -> None:
    page = seat.page()
    open_bench(page, seat.floor.other, step)
    assert min(page.evaluate(HEIGHTS)) >= 88
    assert min(page.evaluate(GAPS)) >= 23.99


def test_nothing_is_wider_than_a_phone_after_a_touch(seat: Seat) -> None:
    page = seat.page(PHONE)
    open_bench(page, seat.floor.other, "nozzle")
    page.click("#f-crack")
    page.wait_for_selector("#f-crack[aria-pressed=true]")
    assert page.evaluate("() => document.documentElement.scrollWidth") <= PHONE[0]
