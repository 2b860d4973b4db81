"""The pages of causes in a real browser: axe, touch sizes, the whole job, keyboard, bad Wi-Fi."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from kit_browser import PHONE, SIZES, STEPS, TABLET, Seat, at, open_bench, touch
from playwright.sync_api import Page
from test_browser_ahead import HIDDEN
from test_browser_pages import problems

from pitwise.services import case_closing, case_recording, cases, ranges
from pitwise.services.case_view import CaseView

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
# One-touch answers are 64 px high, everything else one touches 48; links within a sentence are
# let be, and a tick is touched on its whole line.
SMALL = """() => [...document.querySelectorAll(
    'main button, main .button, main input:not([type=hidden]), main select, main summary')]
  .filter(e => e.offsetParent !== null)
  .map(e => e.closest('label.tick, .radios label') ?? e)
  .map(e => [Math.round(e.getBoundingClientRect().height), e.outerHTML.slice(0, 90),
             e.matches('.touch') ? 64 : 48])
  .filter(([height, , least]) => height < least)"""
FOCUS = "() => document.activeElement.id"
BLUE = (("electrode", "heat-blued"), ("nozzle", "heat-blued"))


def opened(seat: Seat, torch: int | None = None) -> int:
    floor = seat.floor
    return cases.open_case(floor.shop, floor.tech, torch or floor.torch, key=floor.key())


def view_of(seat: Seat, number: int) -> CaseView:
    return cases.read_case(seat.floor.shop, seat.floor.tech, number)


def tell(seat: Seat, number: int, symptom: str, state: str = "seen") -> None:
    floor = seat.floor
    case_recording.record_finding(floor.shop, floor.tech, number, symptom, state, key=floor.key())


def state_of(seat: Seat, number: int, symptom: str) -> str:
    found = [e.state for e in view_of(seat, number).evidence if e.symptom == symptom]
    return found[0] if found else "nothing"


def set_flow_range(seat: Seat) -> None:
    ranges.set_range(
        seat.floor.shop,
        seat.floor.lead,
        1,
        "coolant_flow",
        low="3",
        unit="l/min",
        reason="manual, page 4",
    )


def close_it(seat: Seat, number: int) -> None:
    floor = seat.floor
    remedy = next(r for r in view_of(seat, number).remedies if r.cause == "cool_low")
    case_closing.close_case(
        floor.shop,
        floor.tech,
        number,
        key=floor.key(),
        causes=["cool_low"],
        certainty="verified",
        remedies=[remedy.id],
    )


def spread(seat: Seat) -> dict[str, str]:
    """Make a case in every state; gives the addresses of all pages."""
    floor = seat.floor
    set_flow_range(seat)
    # Closed, with lives on both sides of the cure; the trouble came back.
    starts = 300
    for _ in range(3):
        starts += 150
        floor.inspect("1.6 mm", seen=BLUE, starts=str(starts), minutes=str(0.4 * starts))
    closed = opened(seat)
    close_it(seat, closed)
    floor.clock.forward(days=1)
    for _ in range(3):
        starts += 600
        floor.inspect("1.6 mm", starts=str(starts), minutes=str(0.4 * starts))
    case_closing.mark_came_back(floor.shop, floor.tech, closed, note="blue again")
    newest = floor.inspect("0.9 mm", seen=BLUE, starts=str(starts + 90), minutes="1400")
    discarded = opened(seat)
    case_closing.discard_case(floor.shop, floor.tech, discarded, reason="opened by mistake")
    cure = opened(seat)
    tell(seat, cure, "W_flow")
    asked = opened(seat, floor.other)
    for symptom in ("Q_bevp", "Q_bevn"):
        tell(seat, asked, symptom)
    return {
        "record": f"/records/{newest}",
        "torch": f"/torches/{floor.torch}",
        "list": "/causes",
        "closed": f"/causes/{closed}",
        "discarded": f"/causes/{discarded}",
        "try": f"/causes/{cure}",
        "electrician": f"/causes/{cure}?check=K_pilot",
        "electrician named": f"/causes/{cure}?check=K_pilot&by=Ann+Ohm,+electrician",
        "bench's check": f"/causes/{cure}?check=K_look",
        "closing": f"/causes/{cure}?remedy={view_of(seat, cure).remedies[0].id}",
        "asked": f"/causes/{asked}",
        "learnt": "/causes/learnt",
        "normal": "/causes/normal",
        "ranges": "/shop/station/1/ranges",
        "settings": "/shop/station/1/settings",
    }


def test_every_page_and_state(seat: Seat) -> None:
    # One spread serves both sizes: making it takes longer than looking at it.
    out: list[str] = []
    for size in SIZES:
        page = seat.page(size, login="lin")
        for path in ("/causes", "/causes/learnt"):
            page.goto(path)
            out += problems(page, size, f"{path}, empty")
    every = spread(seat)
    small: list[object] = []
    for size in SIZES:
        page = seat.page(size, login="lin")
        for name, path in every.items():
            answer = page.goto(path)
            assert answer is not None
            assert answer.status == 200, path
            out += problems(page, size, name)
            if name not in ("torch", "record"):
                small += [(name, x) for x in page.evaluate(SMALL)]
        page.goto(every["learnt"])
        page.click("#reset summary")
        page.fill("#reset input[name=reason]", "new table")
        page.click("#reset button")
        assert "Begin anew from the trade sheet?" in page.inner_text("h1")
        out += problems(page, size, "the question before beginning anew")
        reader = seat.page(size, login="tom")
        for name in ("learnt", "ranges", "list"):
            reader.goto(every[name])
            out += problems(reader, size, f"{name}, read only")
    assert seat.slips == []
    assert out == []
    assert small == []


def likeliest(page: Page) -> str:
    return page.inner_text(".ranked >> nth=0")


@pytest.mark.parametrize("size", SIZES)
def test_from_the_bench_to_a_verified_cause(seat: Seat, size: tuple[int, int]) -> None:
    set_flow_range(seat)
    page = seat.page(size)
    open_bench(page, seat.floor.torch)
    for slug, following in pairwise(STEPS):
        if slug == "electrode":
            touch(page, "heat-blued")
            page.fill("#pit-field", "0.41")
        page.click("#looked")
        at(page, following)
    page.click("#sign")
    page.wait_for_url("**/records/*")
    assert page.locator(".causes-step .ranked").count() == 3
    page.click("#look-for")
    page.wait_for_url("**/causes/*")
    case = page.url.split("/causes/")[1].split("?")[0]
    # What the bench saw is there; nothing was typed again.
    assert "Body blued by heat well above the face" in str(
        page.text_content("#evidence-title ~ .scroll")
    )
    # A check is chosen; one touch records it and ranks anew, without a new page.
    check = next(
        c
        for c in view_of(seat, int(case)).checks
        if "W_flow" in {f.symptom for f in c.findings} and c.who == "technician"
    )
    page.goto(f"/causes/{case}?check={check.id}")
    page.evaluate("() => { window.stayed = true; }")
    before = likeliest(page)
    first = next(f for f in check.findings if f.kind == "plain")
    page.click(f"#t-{first.symptom}-absent")
    page.wait_for_selector(f"#t-{first.symptom}-absent[aria-pressed=true]")
    assert "Recorded: not there." in page.inner_text("#said")
    assert page.evaluate(FOCUS) == f"t-{first.symptom}-absent"
    # The reading goes in with another unit than the sheet's.
    page.fill("#s-coolant_flow", "0,3")
    page.select_option("#step select[name=unit] >> nth=0", "gal/min")
    page.press("#s-coolant_flow", "Enter")
    page.wait_for_selector("#evidence-title ~ .scroll:has-text('0.3 gal/min')", state="attached")
    assert page.evaluate("() => window.stayed")
    assert likeliest(page) != before
    assert "Low coolant flow" in likeliest(page)
    # Close it, verified.
    remedy = next(r for r in view_of(seat, int(case)).remedies if r.cause == "cool_low")
    page.check(f"input[value={remedy.id}]")
    page.check("input[value=cool_low]")
    page.check("input[value=verified]")
    page.click("#close-it")
    page.wait_for_url(f"**/causes/{case}?done=case-closed")
    assert "Verified: seen or measured to be so" in page.inner_text(".step")
    assert "Too early to tell" in page.inner_text(".step")
    width = page.evaluate("() => document.documentElement.scrollWidth")
    assert width <= size[0]
    assert seat.slips == []


@pytest.mark.parametrize("size", SIZES)
def test_a_touch_keeps_its_place(seat: Seat, size: tuple[int, int]) -> None:
    number = opened(seat)
    page = seat.page(size)
    page.goto(f"/causes/{number}")
    page.click("#dark-cut-head")
    button = page.locator("#d-Q_out-seen")
    button.scroll_into_view_if_needed()
    top = page.evaluate(
        "() => document.getElementById('dark-cut-head').getBoundingClientRect().top"
    )
    button.click()
    page.wait_for_selector("#d-Q_out-seen", state="detached")
    # It is no longer among what was not looked at; the list is open still, and not far away.
    page.wait_for_function("() => document.activeElement.id === 'dark-cut-head'")
    assert page.locator("#dark-cut").get_attribute("open") is not None
    now = page.evaluate(
        "() => document.getElementById('dark-cut-head').getBoundingClientRect().top"
    )
    assert abs(now - top) < 400
    assert state_of(seat, number, "Q_out") == "seen"
    # What was entered last is taken back with one touch.
    page.click("#undo-last")
    page.wait_for_selector("#undo-last", state="detached")
    assert state_of(seat, number, "Q_out") == "nothing"
    assert seat.slips == []


def test_a_check_is_worked_through_and_the_next_one_follows(seat: Seat) -> None:
    number = opened(seat)
    check = next(
        c
        for c in view_of(seat, number).checks
        if c.who == "technician" and not c.bench and len(c.findings) > 2
    )
    page = seat.page()
    page.goto(f"/causes/{number}?check={check.id}")
    first = check.findings[0]
    page.click(f"#t-{first.symptom}-absent")
    page.wait_for_selector(f"#t-{first.symptom}-absent[aria-pressed=true]")
    assert page.locator(f"[data-step=check-{check.id}]").count() == 1
    page.click("#t-rest")
    page.wait_for_selector(f"[data-step=check-{check.id}]", state="detached")
    page.wait_for_function("() => document.activeElement.id === 'step-title'")
    assert page.url.endswith(f"/causes/{number}")
    assert {state_of(seat, number, f.symptom) for f in check.findings} == {"absent"}


def tab_to(page: Page, ident: str, most: int = 400) -> None:
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate(FOCUS) == ident:
            return
    raise AssertionError(f"Tab never comes to {ident}")


def test_the_keyboard_alone_is_enough(seat: Seat) -> None:
    set_flow_range(seat)
    number = opened(seat)
    page = seat.page()
    page.goto(f"/causes/{number}?check=K_leak")
    page.wait_for_selector("#touches")
    first = page.locator("#touches .touch").first.get_attribute("id")
    assert first
    tab_to(page, first)
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.getElementById('said').innerText.includes('Recorded')")
    # Its own check had one finding, or the focus is still on the button.
    page.wait_for_function(f"() => ['{first}', 'step-title'].includes(document.activeElement.id)")
    tab_to(page, "r-coolant_flow")
    page.keyboard.type("1.2")
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.getElementById('said').innerText.includes('Reading')")
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement !== document.body")
    cause = page.locator("input[name=causes]").first.get_attribute("value")
    remedy = page.locator("input[name=remedies]").first.get_attribute("value")
    for wanted in (f"causes={cause}", f"remedies={remedy}"):
        for _ in range(400):
            page.keyboard.press("Tab")
            if (
                page.evaluate(
                    "() => document.activeElement.name + '=' + document.activeElement.value"
                )
                == wanted
            ):
                break
        page.keyboard.press("Space")
    for _ in range(200):
        page.keyboard.press("Tab")
        if page.evaluate("() => document.activeElement.name") == "certainty":
            break
    page.keyboard.press("Space")
    tab_to(page, "close-it")
    page.keyboard.press("Enter")
    page.wait_for_url("**done=case-closed")
    assert view_of(seat, number).state == "closed"
    assert seat.slips == []


def test_long_lists_fold_on_a_phone_and_are_whole_on_paper(seat: Seat) -> None:
    seat.floor.inspect("0.9 mm", seen=BLUE, starts="600", minutes="240")
    number = opened(seat)
    wide, page = seat.page(), seat.page(PHONE)
    wide.goto(f"/causes/{number}")
    assert wide.locator("details.fold[open]").count() == 3
    page.goto(f"/causes/{number}")
    assert page.locator("details.fold[open]").count() == 0
    height = page.evaluate("() => document.documentElement.scrollHeight")
    # It was 11 000 with all of them unfolded.
    assert height < 9000
    # What somebody unfolds stays so over a touch; what they left folded does too.
    page.click("#evidence-title")
    small = page.evaluate(
        "() => [...document.querySelectorAll('.evidence td a')].filter(e => e.offsetParent)"
        ".map(e => e.getBoundingClientRect().height).filter(h => h < 48)"
    )
    assert small == []
    page.click("#dark-cut-head")
    page.click("#d-Q_out-seen")
    page.wait_for_selector("#d-Q_out-seen", state="detached")
    names = "() => [...document.querySelectorAll('details.fold[open]')].map(e => e.id)"
    assert page.evaluate(names) == ["fold-evidence"]
    page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    assert page.locator("details.fold[open]").count() == 3
    # The way to the closing is in the step; electrician's work asks for the name there.
    page.click("#step a[href='#close-head']")
    assert not page.locator("input[name=done_by]").evaluate("e => e.required")
    barred = page.locator(".close-form input[name=remedies][data-named]").first
    barred.evaluate("e => e.closest('details')?.setAttribute('open', '')")
    barred.check()
    assert page.locator("input[name=done_by]").evaluate("e => e.required")
    assert seat.slips == []


def test_a_second_tablet_is_told(seat: Seat) -> None:
    number = opened(seat)
    one, two = seat.page(), seat.page(login="lin")
    for page in (one, two):
        page.goto(f"/causes/{number}")
        page.click("#dark-cut-head")
    one.click("#d-Q_out-seen")
    one.wait_for_selector("#d-Q_out-seen", state="detached")
    two.click("#d-Q_out-absent")
    two.wait_for_selector(".problem:has-text('Another tablet told of the same since')")
    assert two.locator("#d-Q_out-absent").count() == 0
    assert state_of(seat, number, "Q_out") == "seen"
    # From what it shows now, it goes on.
    two.click("#d-Q_nopierce-absent")
    two.wait_for_function("() => !document.querySelector('#case .problem')")
    assert [s for s in seat.slips if "409" not in s] == []


def test_touches_without_a_connection_are_sent_later(seat: Seat) -> None:
    number = opened(seat)
    page = seat.page()
    page.goto(f"/causes/{number}")
    page.click("#dark-cut-head")
    page.context.set_offline(True)
    page.click("#d-Q_out-seen")
    page.wait_for_selector("#net:has-text('Not saved yet')")
    # A slip is mended at once, and another thing told: three touches wait.
    page.click("#d-Q_out-absent")
    page.wait_for_selector("#net:has-text('2 touches not saved yet')")
    page.click("#dark-coolant-head")
    page.click("#d-W_flow-seen")
    page.wait_for_selector("#net:has-text('3 touches not saved yet')")
    page.context.set_offline(False)
    page.wait_for_function("() => document.getElementById('net').innerText === ''")
    page.wait_for_selector("#e-W_flow")
    assert state_of(seat, number, "Q_out") == "absent"
    assert state_of(seat, number, "W_flow") == "seen"
    assert view_of(seat, number).revision == 3


def test_a_reading_corrected_without_a_connection_is_kept(seat: Seat) -> None:
    set_flow_range(seat)
    number = opened(seat)
    page = seat.page()
    page.goto(f"/causes/{number}")
    page.context.set_offline(True)
    for value in ("5.5", "2.5"):
        page.fill("#r-coolant_flow", value)
        page.press("#r-coolant_flow", "Enter")
    page.wait_for_selector("#net:has-text('2 touches not saved yet')")
    # A text mended twice is not taken for another tablet's.
    for text in ("blow off", "blows off"):
        page.fill("textarea[name=complaint]", text)
        page.click("#keep-texts")
    page.wait_for_selector("#net:has-text('4 touches not saved yet')")
    page.context.set_offline(False)
    page.wait_for_function("() => document.getElementById('net').innerText === ''")
    page.wait_for_selector("#e-W_flow")
    current = {r.id: r.current for r in view_of(seat, number).readings}
    assert current["coolant_flow"] == "2.5 l/min"
    assert view_of(seat, number).complaint == "blows off"


def test_what_was_typed_and_not_sent_outlives_a_touch(seat: Seat) -> None:
    set_flow_range(seat)
    number = opened(seat)
    page = seat.page()
    page.goto(f"/causes/{number}")
    page.fill("textarea[name=complaint]", "blows off at the third plate")
    page.fill(".close-form [name=note]", "hose was kinked")
    cause = page.locator(".close-form input[name=causes]").nth(1)
    name = cause.get_attribute("value")
    cause.check()
    page.check("input[value=verified]")
    page.fill("#r-coolant_flow", "2.7")
    page.click("#dark-cut-head")
    page.click("#d-Q_out-seen")
    page.wait_for_selector("#d-Q_out-seen", state="detached")
    assert page.input_value("textarea[name=complaint]") == "blows off at the third plate"
    assert page.input_value(".close-form [name=note]") == "hose was kinked"
    assert page.is_checked(f".close-form input[value={name}]")
    assert page.is_checked("input[value=verified]")
    assert page.input_value("#r-coolant_flow") == "2.7"
    # What was sent is not typed again.
    page.press("#r-coolant_flow", "Enter")
    page.wait_for_selector("#e-W_flow")
    assert page.input_value("#r-coolant_flow") == ""
    assert page.input_value("textarea[name=complaint]") == "blows off at the third plate"
    page.click("#keep-texts")
    page.wait_for_function("() => document.getElementById('said').innerText.includes('kept')")
    assert view_of(seat, number).complaint == "blows off at the third plate"
    assert page.is_checked(f".close-form input[value={name}]")


def test_a_refused_touch_from_before_is_said_and_stays_to_be_read(seat: Seat) -> None:
    number = opened(seat)
    page = seat.page()
    page.goto(f"/causes/{number}")
    page.click("#dark-cut-head")
    page.context.set_offline(True)
    page.click("#d-Q_out-absent")
    page.wait_for_selector("#net:has-text('Not saved yet')")
    tell(seat, number, "Q_out")
    page.context.set_offline(False)
    page.wait_for_selector("#message:has-text('Another tablet told of the same since')")
    assert "Not all was taken" in page.inner_text("#net")
    assert state_of(seat, number, "Q_out") == "seen"


def test_it_works_without_scripts(seat: Seat) -> None:
    number = opened(seat)
    signed = seat.page()
    cookies = signed.context.cookies()
    context = seat.browser.new_context(base_url=seat.base, java_script_enabled=False)
    seat.contexts.append(context)
    context.add_cookies(cookies)  # type: ignore[arg-type]  # as playwright gave them
    page = context.new_page()
    page.goto(f"/causes/{number}?check=K_pilot")
    page.fill("#step input[name=by]", "Ann Ohm, electrician")
    page.click("#step .side-button")
    page.wait_for_url(re.compile(r"check=K_pilot&by=Ann"))
    page.locator("#touches .touch-absent, #touches .touch-seen").first.click()
    page.wait_for_url(re.compile(rf"/causes/{number}(\?check=K_pilot)?(#.*)?$"))
    assert view_of(seat, number).recorded[0].done_by == "Ann Ohm, electrician"
    page.click("#undo-last")
    page.wait_for_url(re.compile(rf"/causes/{number}"))
    assert view_of(seat, number).recorded == ()


def test_paper_holds_the_case_and_nothing_to_touch(seat: Seat) -> None:
    every = spread(seat)
    page = seat.page(TABLET)
    page.emulate_media(media="print")
    said = {}
    for which in ("try", "closed", "asked", "learnt", "normal"):
        page.goto(every[which])
        assert page.evaluate(HIDDEN) == [], which
        said[which] = page.inner_text("main")
        if which == "closed":
            assert page.locator(".chart.wide svg").first.is_visible()
    assert "Low coolant flow" in said["try"]
    assert "Supply isolated" in said["try"]
    assert "Looked at, and not there:" in said["try"]
