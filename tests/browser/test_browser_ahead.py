"""The pages of what lies ahead and of wear in a real browser: axe, touch sizes, the job, paper."""

from __future__ import annotations

import re

import pytest
from kit_browser import SIZES, Seat, at, look_through
from test_browser_pages import problems
from test_browser_programs import CUT, SMALL

from pitwise.services import imports
from pitwise.services.forecasts import keep_up

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
# The button the Enter key presses is for no finger: it is out of sight and out of the order.
TOUCHED = SMALL.replace("main button,", "main button:not(.first-button),").replace(
    "main input:not([type=hidden])",
    "main input:not([type=hidden]):not([type=checkbox]), main .tick",
)
HIDDEN = """() => [...document.querySelectorAll('button, .button, nav, input, select')]
  .filter(e => e.offsetParent !== null).map(e => e.outerHTML.slice(0, 80))"""


def program(starts: int) -> bytes:
    return ("G21\n" + "".join(CUT.format(n, 40 + n % 7) for n in range(starts))).encode()


def furnish(seat: Seat) -> None:
    floor = seat.floor
    for name, starts in (("flange-110.nc", 90), ("Halter-Außenkontur-mit-langem-Namen.nc", 60)):
        floor.clock.forward(minutes=1)
        imports.import_file(floor.shop, floor.tech, name, program(starts), way="upload")
    for k in range(3):
        floor.inspect(
            f"{0.55 + 0.2 * k:.2f} mm", starts=str(500 + 200 * k), minutes=str(200 + 80 * k)
        )
        keep_up(floor.shop)


@pytest.mark.parametrize("size", SIZES)
def test_every_state_of_the_pages(seat: Seat, size: tuple[int, int]) -> None:
    page = seat.page(size, login="lin")
    out: list[str] = []
    for path in ("/ahead", "/ahead?torch=1", "/wear", "/torches", "/torches/1"):
        page.goto(path)
        out += problems(page, size, f"{path}, empty")
    furnish(seat)
    page = seat.page(size, login="lin")
    for path in (
        "/torches",
        "/torches/1",
        "/ahead",
        "/ahead?torch=1",
        "/ahead?torch=1&p=2&n=6&p=1&n=4",
        "/ahead?torch=1&p=2&n=40&p=1&n=20",
        "/ahead?torch=1&torch=2&p=2&n=9",
        "/ahead?torch=1&torch=77&p=2&n=x&p=99&n=1&p=1&n=2",
        "/wear",
    ):
        answer = page.goto(path)
        assert answer is not None
        assert answer.status == 200, path
        out += problems(page, size, path)
        small = page.evaluate(TOUCHED)
        assert path.startswith("/torches") or small == [], path
    assert seat.slips == []
    assert out == []


@pytest.mark.parametrize("size", SIZES)
def test_choose_count_up_see_the_change(seat: Seat, size: tuple[int, int]) -> None:
    furnish(seat)
    page = seat.page(size)
    page.click("text=Look ahead with Torch A")
    page.wait_for_url("**/ahead?torch=1")
    page.select_option("#add", "2")
    page.click("#add-it")
    page.wait_for_selector("#n-2-1")
    page.wait_for_url("**/ahead?torch=1&p=2&n=1")
    for times in range(2, 5):
        page.click("#more-2-1")
        page.wait_for_url(f"**/ahead?torch=1&p=2&n={times}")
        # The finger stays on its button.
        assert page.evaluate("() => document.activeElement.id") == "more-2-1"
    page.fill("#n-2-1", "20")
    page.press("#n-2-1", "Tab")
    page.wait_for_url("**/ahead?torch=1&p=2&n=20")
    shown = page.locator(".chart:visible")
    assert shown.count() == 1
    assert shown.locator(".chart-changes").count() >= 1
    assert page.locator(".change-row").count() >= 1
    page.select_option("#add", "1")
    page.click("#add-it")
    page.wait_for_selector("#n-1-1")
    page.click("#up-1-1")
    page.wait_for_url("**/ahead?torch=1&p=1&n=1&p=2&n=20")
    # The address comes a moment before the lines have changed places.
    page.wait_for_function("document.querySelector('[name=p]').value === '1'")
    page.press("#n-1-1", "Enter")
    page.wait_for_url("**/ahead?torch=1&p=1&n=1&p=2&n=20")
    # Loaded anew, it is the same page.
    before = page.inner_text(".answer")
    page.reload()
    assert page.inner_text(".answer") == before
    page.click("#off-1-1")
    page.wait_for_url("**/ahead?torch=1&p=2&n=20")
    page.check("#torch-2")
    page.wait_for_selector("table.queue")
    assert page.locator("table.queue tbody tr").count() == 2
    assert seat.slips == []


def test_the_page_works_without_scripts(seat: Seat) -> None:
    furnish(seat)
    signed = seat.page()
    cookies = signed.context.cookies()
    context = seat.browser.new_context(base_url=seat.base, java_script_enabled=False)
    seat.contexts.append(context)
    context.add_cookies(cookies)  # type: ignore[arg-type]  # as playwright gave them
    page = context.new_page()
    page.goto("/ahead?torch=1")
    page.select_option("#add", "2")
    page.click("#add-it")
    page.click("#more-2-1")
    page.wait_for_url("**/ahead?torch=1&p=2&n=2")
    page.fill("#n-2-1", "12")
    page.press("#n-2-1", "Enter")
    page.wait_for_url(re.compile(r"torch=1&p=2&n=12"))
    assert page.locator(".chart:visible svg").count() == 1


def test_no_connection_says_so_and_keeps_what_is_shown(seat: Seat) -> None:
    furnish(seat)
    page = seat.page()
    page.goto("/ahead?torch=1&p=2&n=3")
    page.context.set_offline(True)
    page.click("#more-2-1")
    page.wait_for_selector("#net:has-text('No answer')")
    assert page.input_value("#n-2-1") == "3"
    page.context.set_offline(False)
    page.click("#more-2-1")
    page.wait_for_url("**/ahead?torch=1&p=2&n=4")
    assert page.inner_text("#net") == ""


def test_paper_holds_the_plan_and_nothing_to_touch(seat: Seat) -> None:
    furnish(seat)
    page = seat.page()
    page.goto("/ahead?torch=1&p=2&n=20")
    page.emulate_media(media="print")
    assert page.evaluate(HIDDEN) == []
    assert page.locator(".paper-chart svg").is_visible()
    assert page.locator(".chart.wide").is_hidden()
    head = page.inner_text(".paper-head")
    assert "Torch A" in head
    assert "Table 1" in head
    said = page.inner_text("main")
    assert "Replace at or above" in page.locator(".paper-chart svg").inner_html()
    assert "lock it out by the site's own procedure" in said
    assert "A forecast is an estimate; the limit stands" in said
    assert page.locator(".ahead-rows").is_visible()
    page.goto("/wear")
    page.emulate_media(media="print")
    assert page.evaluate(HIDDEN) == []
    assert page.locator(".chart.wide svg").first.is_visible()


def test_a_signature_does_not_wait_for_its_forecast(seat: Seat) -> None:
    furnish(seat)
    page = seat.page()
    page.goto(f"/torches/{seat.floor.other}")
    page.click("main .main-button")
    at(page, "cautions")
    page.click("#confirm")
    at(page, "shield-cap")
    look_through(page, "0.41")
    page.fill("input[name=starts]", "120")
    page.click("#sign")
    page.wait_for_url("**/records/*")
    page.goto("/wear")
    assert page.locator("h1").inner_text() == "Wear"
    assert seat.slips == []


def test_a_lead_fits_again_from_the_page(seat: Seat) -> None:
    furnish(seat)
    page = seat.page(login="lin")
    page.goto("/wear")
    page.click("text=Fit again")
    page.wait_for_url("**/wear?done=fitted")
    assert "Old and new rates" in page.inner_text(".done")
    assert "By the fit before".upper() in page.inner_text("main").upper()
