"""The technician's whole job, in a real browser: by touch, by keyboard, on bad Wi-Fi."""

from __future__ import annotations

import datetime as dt
from itertools import pairwise

import pytest
from kit_browser import SIZES, STEPS, Seat, at, look_through, open_bench, touch
from playwright.sync_api import Page, Route, expect

from kit import START
from pitwise.services import forecasts, views

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


@pytest.mark.parametrize("size", SIZES)
def test_the_whole_job(seat: Seat, size: tuple[int, int]) -> None:
    page = seat.page(size)
    page.click(f'form[action="/torches/{seat.floor.other}/inspect"] button')
    at(page, "cautions")
    page.click("#confirm")
    for slug, following in pairwise(STEPS):
        at(page, slug)
        if slug == "shield":
            touch(page, "spatter-attached")
            page.wait_for_selector(".now .action-clean")
        if slug == "electrode":
            page.fill("#pit-field", "0.41")
        page.click("#looked")
        at(page, following)
    page.fill("input[name=starts]", "120")
    page.click("#sign")
    page.wait_for_url("**/records/*")
    assert page.locator("#shield .action-clean").count() == 1
    assert page.locator("#nozzle .action-keep").count() == 1
    assert "0.41 mm" in page.inner_text("#electrode")
    answer = page.request.get(page.url.split("?")[0] + "/sheet.pdf")
    assert answer.status == 200
    assert answer.headers["content-type"] == "application/pdf"
    assert seat.slips == []


class Taps:
    """Counts taps and typed numbers."""

    def __init__(self, page: Page) -> None:
        self.page, self.taps, self.typed = page, 0, 0

    def tap(self, place: str) -> None:
        self.taps += 1
        self.page.click(place)

    def type(self, place: str, text: str) -> None:
        # The field has the focus already: typing needs no tap.
        self.typed += 1
        assert self.page.evaluate("place => document.activeElement.matches(place)", place)
        self.page.keyboard.type(text)


def test_a_clean_inspection_takes_parts_plus_two_taps(seat: Seat) -> None:
    page = seat.page()
    page.goto(f"/torches/{seat.floor.other}")
    page.click("main .main-button")
    at(page, "cautions")
    hand = Taps(page)
    hand.tap("#confirm")
    for slug, following in pairwise(STEPS):
        at(page, slug)
        if slug == "electrode":
            page.wait_for_selector("#pit-field:focus")
            hand.type("#pit-field", "0.41")
        hand.tap("#looked")
        at(page, following)
    hand.tap("#sign")
    page.wait_for_url("**/records/*")
    assert hand.taps <= len(STEPS[:-1]) + 2 == 10
    assert hand.typed == 1


def tab_to(page: Page, place: str) -> None:
    for _ in range(80):
        page.keyboard.press("Tab")
        if page.evaluate("place => document.activeElement.matches(place)", place):
            return
    raise AssertionError(f"Tab never reached {place}")


def test_the_whole_job_by_keyboard(seat: Seat) -> None:
    page = seat.page(login=None)
    page.goto("/sign-in")
    tab_to(page, "input[name=login]")
    page.keyboard.type("tom")
    page.keyboard.press("Tab")
    page.keyboard.type("a long enough word")
    page.keyboard.press("Enter")
    page.wait_for_url("**/torches")
    tab_to(page, f'form[action="/torches/{seat.floor.other}/inspect"] button')
    page.keyboard.press("Enter")
    at(page, "cautions")
    tab_to(page, "#confirm")
    page.keyboard.press("Enter")
    for slug, following in pairwise(STEPS):
        at(page, slug)
        if slug == "electrode":
            page.wait_for_selector("#pit-field:focus")
            page.keyboard.type("0.41")
        else:
            page.wait_for_selector("#step-title:focus")
        if slug == "shield":
            tab_to(page, "#f-spatter-attached")
            page.keyboard.press("Enter")
            page.wait_for_selector("#f-spatter-attached[aria-pressed=true]:focus")
        tab_to(page, "#looked")
        page.keyboard.press("Enter")
        at(page, following)
    tab_to(page, "#sign")
    page.keyboard.press("Enter")
    page.wait_for_url("**/records/*")
    assert page.locator("#shield .action-clean").count() == 1


def test_bad_wifi_keeps_a_touch_and_saves_it_once(seat: Seat) -> None:
    page = seat.page()
    open_bench(page, seat.floor.other, "electrode")
    page.context.set_offline(True)
    page.click("#f-pit-round")
    page.wait_for_selector("#net:has-text('Not saved yet')")
    page.context.set_offline(False)
    page.wait_for_selector("#f-pit-round[aria-pressed=true]")
    page.reload()
    page.wait_for_selector("#f-pit-round[aria-pressed=true]")
    assert page.locator("#net p").count() == 0


def test_an_answer_lost_on_the_way_counts_one_reading(seat: Seat) -> None:
    page = seat.page()
    open_bench(page, seat.floor.other, "electrode")

    def lose_answer(route: Route) -> None:
        route.fetch()
        route.abort("internetdisconnected")

    page.route("**/reading", lose_answer, times=1)
    page.fill("#pit-field", "0.41")
    page.click("#pit-form button")
    page.wait_for_selector("#net:has-text('Not saved yet')")
    page.wait_for_selector(".readings li")
    page.reload()
    assert page.locator(".readings li").count() == 1


def test_a_tablet_that_dies_loses_nothing(seat: Seat) -> None:
    page = seat.page()
    bench = open_bench(page, seat.floor.other, "shield")
    touch(page, "spatter-attached")
    page.click("#looked")
    at(page, "shield-cap")
    page.context.close()
    seat.contexts.pop()
    fresh = seat.page()
    fresh.goto(f"{bench}?part=shield")
    assert fresh.get_attribute("#f-spatter-attached", "aria-pressed") == "true"
    assert fresh.locator(".now .action-clean").count() == 1


def test_a_reading_near_the_limit_is_repeated_until_it_settles(seat: Seat) -> None:
    page = seat.page()
    open_bench(page, seat.floor.other, "electrode")
    page.fill("#pit-field", "1.47")
    page.click("#looked")
    page.wait_for_selector("#bench[data-step=electrode] .now .action-recheck")
    page.fill("#pit-field", "1.46")
    page.click("#looked")
    page.wait_for_selector("#bench:not([data-step=electrode])")
    page.go_back()
    # Going back fetches the earlier step by itself: let it end, or it cuts the next one off.
    page.wait_for_load_state("networkidle")
    page.goto(page.url.split("?")[0] + "?part=electrode")
    assert page.locator(".readings li").count() == 2
    assert page.locator(".now .action-keep").count() == 1


@pytest.mark.parametrize("how", ["double-click", "enter-enter"])
def test_signing_twice_makes_one_record(seat: Seat, how: str) -> None:
    page = seat.page()
    open_bench(page, seat.floor.other)
    look_through(page)
    if how == "double-click":
        page.dblclick("#sign")
    else:
        page.focus("#sign")
        page.keyboard.press("Enter")
        page.keyboard.press("Enter")
    page.wait_for_url("**/records/*")
    page.goto("/records")
    assert "2 signed inspections" in page.inner_text("main")


def test_a_double_tap_does_not_look_over_the_next_part(seat: Seat) -> None:
    page = seat.page()
    open_bench(page, seat.floor.other)
    box = page.locator("#looked").bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + 40, box["y"] + 40)
    at(page, "shield")
    page.mouse.down(click_count=2)
    page.mouse.up(click_count=2)
    page.wait_for_timeout(400)
    assert page.get_attribute("#bench", "data-step") == "shield"


def test_a_slow_finger_on_the_sign_button_signs_with_the_counters(seat: Seat) -> None:
    """The counters are saved when the finger comes down; the button is still under it."""
    page = seat.page()
    number = open_bench(page, seat.floor.other).rsplit("/", 1)[1]
    look_through(page, "0.41")
    # Typed as by hand: the field is saved when it is left, not while it is filled.
    page.focus("input[name=starts]")
    page.keyboard.type("120")
    page.hover("#sign")
    with page.expect_response("**/use"):
        page.mouse.down()
    page.wait_for_timeout(100)
    page.mouse.up()
    page.wait_for_url("**/records/*")
    record = views.record(seat.floor.shop, seat.floor.tech, int(number)).record
    assert record["counters"]["starts"] == 120
    assert seat.slips == []


def test_counters_that_come_after_the_signature_are_no_slip(seat: Seat) -> None:
    page = seat.page()
    bench = open_bench(page, seat.floor.other)
    look_through(page, "0.41")
    page.fill("input[name=starts]", "120")
    late = page.evaluate(
        """async (bench) => {
          const form = document.getElementById("sign-form");
          const send = (to, key) => fetch(bench + to, {method: "POST",
            headers: {"HX-Request": "true"}, body: new URLSearchParams([
              ...new FormData(form)].map(([n, v]) => [n, n === "key" ? key : v]))});
          await send("/sign", "t-0123456789abcdef");
          const use = await send("/use", "");
          return [use.status, await use.text()];
        }""",
        bench,
    )
    assert late == [204, ""]
    assert seat.slips == []


def test_a_pit_far_off_its_forecast_is_asked_about_once_the_counters_tell_its_use(
    seat: Seat,
) -> None:
    floor = seat.floor
    for k, pit in enumerate(("0.12 mm", "0.25 mm", "0.37 mm", "0.50 mm")):
        # Before the server's own day, which began when it was started.
        floor.clock.now = START + dt.timedelta(hours=2 * k + 2)
        floor.inspect(pit, torch=floor.other, starts=str(80 * k), minutes=str(60 * k))
    forecasts.keep_up(floor.shop)
    page = seat.page()
    open_bench(page, floor.other)
    look_through(page, "0.95")
    assert page.locator("#before-sign .question").count() == 0
    page.fill("[name=starts]", "250")
    page.press("[name=starts]", "Tab")
    page.wait_for_selector("#before-sign .question >> text=far deeper")
    # What was typed stays typed, and the place in the form is kept.
    assert page.input_value("[name=starts]") == "250"
    assert page.locator("#sign[disabled]").count() == 1
    questions = page.locator("#before-sign .question button")
    for left in reversed(range(questions.count())):
        questions.first.click()
        expect(questions).to_have_count(left)
    page.click("#sign")
    page.wait_for_url("**/records/*")
