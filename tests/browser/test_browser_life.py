"""The page of lives in a real browser: axe, touch sizes, both widths, keys, paper."""

from __future__ import annotations

import pytest
from kit_browser import SIZES, TABLET, Seat
from test_browser_ahead import HIDDEN, TOUCHED
from test_browser_pages import problems

from life_kit import lose

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


def furnish(seat: Seat) -> None:
    """Lose three electrodes on one torch, three on the other."""
    floor = seat.floor
    floor.inspect("0.40 mm", torch=floor.other, starts="0", minutes="0")
    for k, (a, b) in enumerate(((700, 200), (1500, 460), (2450, 690))):
        lose(floor, a, minutes=a / 2)
        lose(floor, b, torch=floor.other, minutes=50.0 * k)


def test_every_state_at_both_widths_with_keys_and_on_paper(seat: Seat) -> None:
    out: list[str] = []
    for size in SIZES:
        page = seat.page(size)
        page.goto("/life")
        out += problems(page, size, "/life, empty")
    furnish(seat)
    for size in SIZES:
        page = seat.page(size)
        for path in (
            "/life?part=electrode&by=torch",
            "/life?part=nozzle&by=lot",
            "/life?by=cure",
            "/life?part=cap",
        ):
            page.goto(path)
            out += problems(page, size, path)
            out += [f"{path} {size[0]}: small {x}" for x in page.evaluate(TOUCHED)]
    assert out == []
    page = seat.page(TABLET)
    page.goto("/life?part=electrode&end=lost&by=process")
    # By keys alone: to the list of groups, down to torch, to the button, Enter.
    page.focus("select[name=by]")
    for _ in range(3):
        page.keyboard.press("ArrowDown")
    page.focus("main form button:has-text('Show')")
    page.keyboard.press("Enter")
    page.wait_for_url("**by=torch**")
    assert "Parts of Torch A last" in page.inner_text("main")
    page.emulate_media(media="print")
    assert page.evaluate(HIDDEN) == []
    assert page.is_visible(".chart.wide svg")
