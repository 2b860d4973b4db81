"""Studies and practice in a real browser: axe, both widths, keyboard, two tablets, bad Wi-Fi."""

from __future__ import annotations

import pytest
from kit_browser import PHONE, TABLET, Seat, browser, seat
from playwright.sync_api import Page
from test_browser_causes import SMALL
from test_browser_pages import problems

from pitwise.services import agreement_results, agreement_studies, gauge_results, gauge_studies

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
__all__ = ["browser", "seat"]
TOUCHES = """() => [...document.querySelectorAll('.big-choice, .pick, .main-button')]
  .filter(e => e.offsetParent !== null).map(e => e.getBoundingClientRect().height)"""
TOPS = "() => document.querySelector('#reading-field').getBoundingClientRect().bottom"


def study(seat: Seat, *, left: int, parts: int = 3) -> int:
    """A gauge study of two people with so many readings still to take."""
    floor = seat.floor
    number = gauge_studies.start(
        floor.shop,
        floor.tech,
        key=floor.key(),
        name="Before the audit",
        gauge_id=1,
        unit="mm",
        people=("Tom Reed", "Lin Ödegård"),
        parts=parts,
        trials=2,
        tolerance="1.0 mm",
        order_seed=5,
    )
    while True:
        view = gauge_studies.view(floor.shop, floor.tech, number)
        if view.slot is None or view.total - len(view.taken) <= left:
            return number
        typed = f"{0.3 * view.slot.part + 0.01 * len(view.taken):.2f}"
        gauge_studies.take(floor.shop, floor.tech, number, view.slot, typed, key=floor.key())


def agreement(seat: Seat, *, finished: bool) -> int:
    floor = seat.floor
    number = agreement_studies.start(
        floor.shop, floor.tech, key=floor.key(), name="Both shifts", part="nozzle", specimens=3
    )
    for actor in (floor.tech, floor.admin) if finished else ():
        for specimen in (1, 2, 3):
            seen = ["crack"] if specimen == 1 or actor is floor.admin else []
            agreement_studies.judge(
                floor.shop, actor, number, specimen, key=floor.key(), seen=seen, action="keep"
            )
    return number


def width_only(page: Page, size: tuple[int, int], name: str) -> list[str]:
    page.evaluate("() => document.querySelectorAll('details').forEach(d => { d.open = true; })")
    width = page.evaluate("() => document.documentElement.scrollWidth")
    return [f"{name}: {width} px wide on {size[0]}"] if width > size[0] else []


def test_every_page_of_studies_and_practice(seat: Seat) -> None:
    out: list[str] = []
    small: list[object] = []
    page = seat.page(TABLET, login="lin")

    def look(path: str, name: str, size: tuple[int, int] = TABLET, *, axe: bool = True) -> None:
        page.goto(path)
        out.extend((problems if axe else width_only)(page, size, name))
        small.extend((name, x) for x in page.evaluate(SMALL))

    look("/studies", "studies, none yet")
    running, early = study(seat, left=3), study(seat, left=0)
    gauge_results.finish(seat.floor.shop, seat.floor.tech, early)
    judging = agreement(seat, finished=False)
    judged = agreement(seat, finished=True)
    agreement_results.finish(seat.floor.shop, seat.floor.tech, judged)
    paths = {
        "more": "/more",
        "studies": "/studies",
        "measuring": f"/studies/gauge/{running}?skip=1.2.3.4.5",
        "gauge result": f"/studies/gauge/{early}",
        "judging": f"/studies/agreement/{judging}",
        "agreement": f"/studies/agreement/{judged}",
        "practice": "/practice",
        "specimen": "/practice/judge/beginner",
    }
    for name, path in paths.items():
        look(path, name)
    assert min(page.evaluate(TOUCHES)) >= 88
    page.click("#say-round")
    page.wait_for_url("**/practice/tries/*")
    out += problems(page, TABLET, "truth")
    paths |= {"truth": page.url.removeprefix(seat.base)}
    look("/practice", "record")
    page = seat.page(PHONE, login="lin")
    for name, path in paths.items():
        look(path, name, PHONE, axe=name in ("measuring", "judging", "gauge result"))
    page.goto(paths["judging"])
    assert min(page.evaluate(TOUCHES)) >= 88
    assert seat.slips == []
    assert out == []
    assert small == []


def typed(page: Page, value: str) -> None:
    """Type a reading with the keyboard alone and wait until it is taken."""
    before = page.inner_text("#progress")
    page.wait_for_function("() => document.activeElement.id === 'reading-field'")
    page.keyboard.type(value)
    page.keyboard.press("Enter")
    page.wait_for_function(
        "before => document.querySelector('#progress').innerText !== before", arg=before
    )


def test_two_people_measure_at_once_and_finish(seat: Seat) -> None:
    page = seat.page(TABLET, login="lin")
    page.goto("/studies")
    page.fill("#new-gauge input[name=name]", "Both shifts")
    page.check("#new-gauge input[value='Tom Reed']")
    page.fill("#new-gauge input[name=others]", "Lin O.")
    page.fill("#new-gauge input[name=parts]", "3")
    page.fill("#new-gauge input[name=trials]", "2")
    page.click("#new-gauge .main-button")
    page.wait_for_url("**/studies/gauge/*")
    url = page.url.split("?")[0]
    other = seat.page(PHONE, login="tom")
    other.goto(f"{url}?who=0")
    page.goto(f"{url}?who=1")
    # What is to be typed is in sight on a phone, too.
    assert other.evaluate(TOPS) <= PHONE[1]
    for k in range(6):
        first = f"0.{3 + int(page.inner_text('.turn-part b'))}{k % 2 + 1}7"
        typed(page, first)
        assert first not in page.inner_text("main")
        typed(other, f"0.{3 + int(other.inner_text('.turn-part b'))}{k % 2 + 3}7")
    assert (
        "Lin O. has read everything" in page.inner_text("#step-title")
        or page.locator("#finish").count()
    )
    other.wait_for_selector("#finish")
    # A reading of one's own is taken out and read again.
    other.click("#undo-last")
    other.wait_for_selector("#reading-field")
    typed(other, f"0.{3 + int(other.inner_text('.turn-part b'))}47")
    other.click("#finish")
    other.wait_for_url("**done=study-finished")
    page.goto(url)
    page.click("#adopt")
    page.wait_for_selector("#put-back")
    assert "Tom Reed" in page.inner_text("main")
    assert seat.slips == []


def test_a_slip_is_asked_about_and_a_reading_waits_for_the_wi_fi(seat: Seat) -> None:
    number = study(seat, left=6)
    page = seat.page(TABLET)
    page.goto(f"/studies/gauge/{number}")
    page.fill("#reading-field", "57")
    page.keyboard.press("Enter")
    page.wait_for_selector("#it-is-so")
    assert "Was it 57 thou" in page.inner_text(".question")
    typed(page, "0.57")
    assert page.locator("#it-is-so").count() == 0
    before = page.inner_text("#progress")
    page.context.set_offline(True)
    page.fill("#reading-field", "0.58")
    page.keyboard.press("Enter")
    page.wait_for_selector("#net p")
    page.context.set_offline(False)
    page.wait_for_function(
        "before => document.querySelector('#progress').innerText !== before", arg=before
    )
    view = gauge_studies.view(seat.floor.shop, seat.floor.tech, number)
    assert len(view.taken) == view.total - 4
    judge_by_keyboard(seat, page)


def judge_by_keyboard(seat: Seat, page: Page) -> None:
    seat.slips.clear()
    number = agreement(seat, finished=False)
    page.goto(f"/studies/agreement/{number}")
    first = page.inner_text(".turn-part b")
    page.focus(".pick input >> nth=0")
    page.keyboard.press("Space")
    page.focus("#act-clean")
    page.keyboard.press("Enter")
    page.wait_for_function(
        "first => document.querySelector('.turn-part b').innerText !== first", arg=first
    )
    assert page.locator(".pick input:checked").count() == 0
    view = agreement_studies.view(seat.floor.shop, seat.floor.tech, number)
    assert [(j.specimen, j.action, len(j.seen)) for j in view.mine] == [(int(first), "clean", 1)]
    assert seat.slips == []
