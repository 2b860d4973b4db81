"""On a phone: a short head, a dense shelf, money in sight first; and all of it on paper."""

from __future__ import annotations

import pytest
from kit_browser import PHONE, TABLET, Seat
from playwright.sync_api import Page
from test_browser_pages import problems

from money_kit import lose, price
from pitwise.services import money, shelf_suppliers, shelf_terms
from shelf_kit import Shelf, shelf_on

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

HEAD = "() => document.querySelector('.top').getBoundingClientRect().height"
WIDTH = "() => document.documentElement.scrollWidth"
LENGTH = "() => document.documentElement.scrollHeight"
IN_HEAD = """() => [...document.querySelectorAll('.top a, .top button')]
  .filter(e => e.offsetParent !== null).map(e => {
    const box = e.getBoundingClientRect();
    return {word: e.textContent.trim(), width: box.width, height: box.height,
            here: e.hasAttribute('aria-current'), top: box.top, left: box.left};
  })"""
TOP = "what => document.querySelector(what).getBoundingClientRect().top"
ROOMS = (
    *("torches", "records", "programs", "causes", "ahead", "wear", "parts", "shelf", "money"),
    *("limits", "shop", "more", "life", "change", "month", "me"),
)
IN_EVERY_HEAD = {"Pitwise", "Torches", "Causes", "Ahead", "Shelf", "More", "Sign out"}


def test_the_head_is_short_and_has_what_is_needed(seat: Seat) -> None:
    page = seat.page(PHONE, login="lin")
    for room in ROOMS:
        page.goto(f"/{room}")
        assert page.evaluate(HEAD) <= 110, room
        assert page.evaluate(WIDTH) <= PHONE[0], room
        shown = page.evaluate(IN_HEAD)
        assert {x["word"] for x in shown} >= IN_EVERY_HEAD, room
        assert min(min(x["width"], x["height"]) for x in shown) >= 48, (room, shown)
        here = [x["word"] for x in shown if x["here"]]
        if room != "me":
            assert len(here) == 1, room
        named = room.capitalize()
        assert here in ([named], ["More"], []), room
    # What has no place in the head stands on the page of more, and leads on.
    page.goto("/more")
    for room in ("records", "programs", "wear", "parts", "money", "limits", "shop"):
        assert page.is_visible(f"main a[href='/{room}']"), room
    page.click("main a[href='/records']")
    page.wait_for_url("**/records")
    assert page.inner_text(".top [aria-current]") == "Records"
    tablet = seat.page(TABLET)
    tablet.goto("/more")
    assert not tablet.is_visible("main a[href='/records']")
    assert tablet.is_visible(".top a[href='/records']")
    assert seat.slips == []


def test_by_keys_the_head_goes_as_it_reads(seat: Seat) -> None:
    page = seat.page(PHONE)
    page.goto("/limits")
    shown = [x["word"] for x in page.evaluate(IN_HEAD)]
    words = []
    page.keyboard.press("Tab")
    for _ in shown:
        page.keyboard.press("Tab")
        words.append(page.evaluate("document.activeElement.textContent.trim()"))
    assert words == shown
    nav = [x for x in page.evaluate(IN_HEAD) if x["word"] not in ("Pitwise", "Sign out")]
    row = [x["left"] for x in nav if x["top"] == nav[0]["top"]]
    assert row == sorted(row)
    assert len(row) == len(IN_EVERY_HEAD) - 2 + 1


def test_a_narrower_phone_takes_another_row_not_a_sideways_scroll(seat: Seat) -> None:
    page = seat.page((320, 640))
    for room in ("programs", "shelf", "more", "money"):
        page.goto(f"/{room}")
        assert page.evaluate(WIDTH) <= 320, room
        assert page.is_visible(".top a[href='/torches']")
        assert page.is_visible(".top a[href='/more']")


@pytest.fixture
def shelf(seat: Seat) -> Shelf:
    made = shelf_on(seat.floor)
    for part, item in made.items.items():
        made.goods_in(item, 3 if part != "swirl-ring" else 1)
    supplier = shelf_suppliers.add_supplier(seat.floor.shop, seat.floor.lead, name="Harbour Supply")
    for part in ("swirl-ring", "shield"):
        shelf_terms.set_terms(
            seat.floor.shop,
            seat.floor.lead,
            made.items[part],
            supplier_id=supplier,
            price="9",
            currency="EUR",
            lead_days="7",
        )
    # The last along the shelf is one to count: it fell below zero.
    made.take(made.items["torch-head"], 3)
    made.count(made.items["torch-head"], 0)
    return made


ROWS = """() => [...document.querySelectorAll('.shelf-list tbody tr')].map(row => {
  const shown = e => e && e.getClientRects().length > 0 && e.textContent.trim();
  const state = row.querySelector('.stock-state');
  return {name: shown(row.querySelector('td a')), pieces: shown(row.querySelector('.stock-figure')),
    state: shown(state), mark: state.querySelector('svg').getBoundingClientRect().width,
    lasts: shown(row.querySelector("td[data-label='Lasts']")),
    link: row.querySelector('td a').getBoundingClientRect().height,
    height: row.getBoundingClientRect().height,
    needs: row.parentElement.matches('.needing')};
})"""
FREE = {"enough", "bought in a kit", "bought loose"}


def test_the_shelf_is_dense_and_what_needs_something_stands_first(seat: Seat, shelf: Shelf) -> None:
    page = seat.page(PHONE)
    page.goto("/shelf")
    rows = page.evaluate(ROWS)
    assert len(rows) == len(shelf.items) + 1
    for row in rows:
        assert all(row[k] for k in ("name", "pieces", "state", "lasts")), row
        assert row["mark"] >= 24
        assert row["link"] >= 48
        assert row["height"] <= 82, row
    needs = [row["needs"] for row in rows]
    assert needs == sorted(needs, reverse=True)
    assert any(needs)
    assert not all(needs)
    assert not {row["state"] for row in rows if row["needs"]} & FREE
    assert page.evaluate(WIDTH) <= PHONE[0]
    # Nothing lies over its neighbour.
    over = page.evaluate("""() => {
      const cells = [...document.querySelectorAll('.shelf-list td')]
        .filter(c => c.getClientRects().length).map(c => {
          const range = document.createRange(); range.selectNodeContents(c);
          return [...range.getClientRects()].filter(r => r.width > 1);
        });
      const out = [];
      cells.forEach((a, i) => cells.slice(i + 1).forEach(b => a.forEach(p => b.forEach(q => {
        if (Math.min(p.right, q.right) - Math.max(p.left, q.left) > 2
            && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 14) out.push([p, q]);
      }))));
      return out.length;
    }""")
    assert over == 0
    wide = seat.page(TABLET)
    wide.goto("/shelf")
    assert wide.is_visible(".shelf-list td[data-label='Place']")
    assert seat.slips == []


DAYS = "from=2031-03-01&to=2031-03-31"
CLOSED = "() => [...document.querySelectorAll('details.fold')].filter(d => !d.open).map(d => d.id)"
FOLDS = ["days", "cost", "why", "by", "habit"]


def a_book_with_losses(seat: Seat) -> str:
    """Wear one electrode out and lose another; gives what the parts cost, as it is said."""
    floor = seat.floor
    price(floor, "electrode", "20")
    price(floor, "nozzle", "30")
    floor.inspect("1.60 mm", starts="500", minutes="250")
    lose(floor, "600", "300")
    view = money.money_view(floor.shop, floor.lead, first="2031-03-01", last="2031-03-31")
    return f"{view.total.per[0].cost:.0f}"


def paper_shows_all(page: Page) -> None:
    page.emulate_media(media="print")
    for what in ("#cost dl", "#why table", "#by table", ".chart.wide svg", ".told-first"):
        assert page.locator(what).first.is_visible(), what
    for what in (".top", "#days", "[data-print]"):
        assert not page.locator(what).first.is_visible(), what
    page.emulate_media(media="screen")


def test_money_says_the_sum_and_the_dearest_first(seat: Seat) -> None:
    spent = a_book_with_losses(seat)
    page = seat.page(PHONE)
    page.goto(f"/money?{DAYS}")
    assert page.evaluate(CLOSED) == FOLDS
    assert f"{spent} EUR for" in page.inner_text(".told-first")
    sentence = page.locator("#losses + p")
    assert "of 4 parts that came to their end" in sentence.inner_text()
    picture = "main .narrow-chart svg"
    assert page.evaluate(TOP, ".told-first") < page.evaluate(TOP, "#losses + p")
    assert page.evaluate(TOP, "#losses + p") < page.evaluate(TOP, picture) < 700
    assert page.evaluate(LENGTH) < 2600
    assert page.evaluate(WIDTH) <= PHONE[0]
    paper_shows_all(page)
    assert page.evaluate(CLOSED) == FOLDS
    # By keys: a section opens, the answer of another does not close it again.
    page.focus("#by > summary")
    page.keyboard.press("Enter")
    page.wait_for_selector("#by table", state="visible")
    page.wait_for_selector("#habit table", state="attached")
    assert page.is_visible("#by table")
    page.click("#days > summary")
    page.select_option("select[name=by]", "part")
    page.click("#days button")
    page.wait_for_url("**by=part**")
    wide = seat.page(TABLET)
    wide.goto(f"/money?{DAYS}")
    assert wide.evaluate(CLOSED) == []
    assert wide.is_visible("select[name=by]")
    assert not wide.is_visible("#days > summary")
    paper_shows_all(wide)
    out = problems(wide, TABLET, "money") + problems(page, PHONE, "money")
    page.goto("/more")
    assert out + problems(page, PHONE, "more") == []
    assert seat.slips == []


def test_what_was_folded_is_folded_again_after_printing(seat: Seat) -> None:
    a_book_with_losses(seat)
    page = seat.page(PHONE)
    page.goto(f"/money?{DAYS}")
    page.click("#by > summary")
    page.evaluate("() => dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate(CLOSED) == []
    page.evaluate("() => dispatchEvent(new Event('afterprint'))")
    assert page.evaluate(CLOSED) == ["days", "cost", "why", "habit"]
