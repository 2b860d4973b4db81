"""The shelf in a real browser: few touches, a scanner that types, nothing lost, gloves on."""

from __future__ import annotations

from dataclasses import dataclass

import pytest
from kit_browser import PHONE, SIZES, TABLET, Seat
from test_browser_pages import problems

from pitwise.services import (
    shelf_items,
    shelf_ledger,
    shelf_movements,
    shelf_orders,
    shelf_read,
    shelf_suppliers,
    shelf_terms,
)

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


@dataclass
class Shelf:
    """What the floor keeps: all its part types, a kit, an order."""

    seat: Seat
    electrode: int
    nozzle: int
    kit: int
    order: int

    def there(self, item_id: int) -> int:
        with self.seat.floor.shop.database.read() as session:
            return shelf_read.balance(session, item_id)

    def lines(self, item_id: int) -> int:
        floor = self.seat.floor
        return len(shelf_movements.movements(floor.shop, floor.lead, item_id))


@pytest.fixture
def shelf(seat: Seat) -> Shelf:
    floor = seat.floor
    shop, lead = floor.shop, floor.lead
    with shop.database.read() as session:
        ids = [t.id for t in shelf_items.missing_types(session)]
    shelf_items.add_items_for_types(shop, lead, ids)
    by_part = {x.part: x.id for x in shelf_items.item_lines(shop, lead)}
    electrode, nozzle = by_part["electrode"], by_part["nozzle"]
    line = next(x for x in shelf_items.item_lines(shop, lead) if x.id == nozzle)
    shelf_items.edit_item(
        shop, lead, nozzle, name=line.name, code=line.code, place="Rack 1", active=True
    )
    kit = shelf_items.add_item(
        shop, lead, kind="kit", name="Pair 300", kit={electrode: 1, nozzle: 1}
    )
    supplier = shelf_suppliers.add_supplier(shop, lead, name="Harbour Supply")
    shelf_terms.set_terms(
        shop,
        lead,
        electrode,
        supplier_id=supplier,
        price="11.5",
        currency="EUR",
        pack="10",
        lead_days="7",
    )
    shelf_ledger.goods_in(
        shop, floor.tech, item_id=electrode, pieces="20", key=floor.key(), lot="L-1"
    )
    order = shelf_orders.place_order(
        shop, lead, supplier_id=supplier, lines=[(electrode, 10)], key=floor.key()
    )
    return Shelf(seat, electrode, nozzle, kit, order)


@pytest.mark.parametrize("size", SIZES)
def test_every_page_of_the_shelf(shelf: Shelf, size: tuple[int, int]) -> None:
    page = shelf.seat.page(size, login="lin")
    out: list[str] = []
    paths = ["", "/count", "/scan", "/orders", "/labels", "/setup", "/items/new", "?find=none"]
    paths += [f"/items/{shelf.electrode}", f"/items/{shelf.kit}#open", f"/orders/{shelf.order}"]
    for path in paths:
        answer = page.goto(f"/shelf{path}")
        assert answer is not None
        assert answer.status == 200, path
        out += problems(page, size, path)
    assert shelf.seat.slips == []
    assert out == []


def test_a_count_is_a_touch_a_number_and_enter(shelf: Shelf) -> None:
    page = shelf.seat.page(PHONE)
    page.goto(f"/shelf/items/{shelf.nozzle}")
    page.click(".deed-button[href='#count']")
    # The field has the focus, and what stood in it is typed over.
    page.wait_for_selector("#count-counted:focus")
    page.keyboard.type("12")
    page.click("#count [data-by='1']")
    # A quick second touch of it counts as well: one more each.
    page.click("#count [data-by='1']", click_count=2, delay=10)
    assert page.input_value("#count-counted") == "15"
    page.click("#count [data-by='-1']")
    page.click("#count .main-button")
    page.wait_for_selector(".just")
    assert page.inner_text(".stock-big b") == "14"
    assert shelf.there(shelf.nozzle) == 14
    page.click("text=Wrong number")
    page.wait_for_selector(".stock-big b:text-is('0')")
    assert shelf.lines(shelf.nozzle) == 2
    assert shelf.seat.slips == []


BELOW = """() => document.getElementById('goods-in-pieces-why').getBoundingClientRect().top
  - document.getElementById('goods-in-pieces').getBoundingClientRect().bottom"""


def test_a_refusal_is_shown_beside_its_field_and_nothing_is_lost(shelf: Shelf) -> None:
    page = shelf.seat.page(TABLET)
    page.goto(f"/shelf/items/{shelf.electrode}#goods-in")
    page.fill("#goods-in-pieces", "many")
    page.fill("#goods-in-lot", "L-2")
    page.click("#goods-in .main-button")
    page.wait_for_selector("#goods-in-pieces-why")
    assert "is not a whole number" in page.inner_text("#goods-in-pieces-why")
    assert page.evaluate("document.activeElement.id") == "goods-in-pieces"
    assert page.input_value("#goods-in-lot") == "L-2"
    assert page.input_value("#goods-in-pieces") == "many"
    assert 0 <= page.evaluate(BELOW) < 20
    assert page.is_visible(".rooms a[href='/shelf/count']")
    page.fill("#goods-in-pieces", "10")
    # A double tap is one line.
    page.dblclick("#goods-in .main-button")
    page.wait_for_selector(".just")
    page.wait_for_selector(".stock-big b:text-is('30')")
    assert shelf.lines(shelf.electrode) == 2
    assert shelf.there(shelf.electrode) == 30
    # The browser itself notes the 422 that was asked for.
    assert [s for s in shelf.seat.slips if "422" not in s] == []


def test_a_price_somebody_else_changed_is_shown_before_it_is_written_over(shelf: Shelf) -> None:
    url = f"/shelf/items/{shelf.electrode}"
    late, first = shelf.seat.page(PHONE, login="lin"), shelf.seat.page(TABLET, login="lin")
    for page, price, days in ((first, "11.90", "7"), (late, "12.10", "9")):
        page.goto(url)
        page.click("#terms-form > summary")
        page.fill("#terms-price", price)
        page.fill("#terms-lead_days", days)
    first.click("#terms-form .main-button")
    first.wait_for_url("**done=saved**")
    late.click("#terms-form .main-button")
    late.wait_for_selector("#terms-price-why")
    told = "The price is 11.90 by now; this page showed 11.50. Read what stands there now"
    assert told in late.inner_text("#terms-price-why")
    assert late.evaluate("document.activeElement.id") == "terms-price"
    assert late.input_value("#terms-price") == "12.10"
    assert late.input_value("#terms-lead_days") == "9"
    assert problems(late, PHONE, url) == []
    late.click("#terms-form .main-button")
    late.wait_for_url("**done=saved**")
    assert "12.10 EUR" in late.inner_text("#main")
    # The browser itself notes the 409 that was asked for.
    assert [s for s in shelf.seat.slips if "409" not in s] == []


def test_a_scanner_that_types_finds_the_box(shelf: Shelf) -> None:
    page = shelf.seat.page(TABLET)
    page.goto("/shelf")
    page.wait_for_selector("#find:focus")
    with shelf.seat.floor.shop.database.read() as session:
        code = shelf_items.item_line(session, shelf.electrode).code
    page.keyboard.type(code, delay=2)
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/shelf/items/{shelf.electrode}")
    assert shelf.seat.slips == []


def test_without_a_connection_a_count_waits_and_is_written_once(shelf: Shelf) -> None:
    page = shelf.seat.page(TABLET)
    page.goto("/shelf/count")
    page.fill(f"#count-{shelf.nozzle}-counted", "6")
    page.context.set_offline(True)
    page.click(f"#i-{shelf.nozzle} .count-button")
    page.wait_for_selector("#net:has-text('not saved yet')")
    assert shelf.there(shelf.nozzle) == 0
    page.context.set_offline(False)
    page.wait_for_selector(f"#i-{shelf.nozzle}.counted")
    assert shelf.there(shelf.nozzle) == 6
    assert shelf.lines(shelf.nozzle) == 1
    assert "1 of 9" in page.inner_text("#count-sum")
    page.fill(f"#count-{shelf.electrode}-counted", "19")
    page.click(f"#i-{shelf.electrode} .count-button")
    page.wait_for_selector("#count-sum:has-text('2 of 9')")
    assert shelf.there(shelf.electrode) == 19


TARGETS = """() => [...document.querySelectorAll('main button, main .button, main summary,'
  + ' main select, main input:not([type=hidden]):not([type=checkbox])')]
  .filter(b => b.offsetParent !== null)
  .map(b => [b.getBoundingClientRect().height, b.outerHTML.slice(0, 80)])
  .filter(([height]) => height < 48)"""
DEEDS = """() => [...document.querySelectorAll('.deed-button, .deed button, .count-button')]
  .filter(b => b.offsetParent !== null).map(b => b.getBoundingClientRect().height)"""


@pytest.mark.parametrize("size", SIZES)
def test_gloves_hit_what_they_aim_at(shelf: Shelf, size: tuple[int, int]) -> None:
    page = shelf.seat.page(size, login="lin")
    for path in (
        f"/items/{shelf.electrode}#take",
        "/count",
        "",
        f"/orders/{shelf.order}",
        "/labels",
    ):
        page.goto(f"/shelf{path}")
        assert page.evaluate(TARGETS) == [], path
        assert min(page.evaluate(DEEDS), default=88) >= 88, path


def test_paper_has_the_list_and_the_ledger_without_buttons(shelf: Shelf) -> None:
    page = shelf.seat.page(TABLET, login="lin")
    page.emulate_media(media="print")
    page.goto(f"/shelf/items/{shelf.electrode}")
    assert page.is_visible(".ledger")
    for hidden in (".rooms", ".deeds", ".undo-form", "nav"):
        assert not page.is_visible(hidden), hidden
    page.goto("/shelf")
    assert page.is_visible(".shelf-list")
    assert not page.is_visible(".scan-box")


FOCUS = "document.activeElement.innerText"


def test_what_was_written_down_is_read_out(shelf: Shelf) -> None:
    page = shelf.seat.page(TABLET, login="tom")
    page.goto(f"/shelf/items/{shelf.electrode}")
    assert page.query_selector("[data-told]") is None
    for left in ("19", "18"):
        page.click(".deed-button[href='#take']")
        page.click("#take .main-button")
        page.wait_for_selector(f".stock-big b:text-is('{left}')")
        page.wait_for_selector("[data-told]:focus")
        assert page.evaluate(FOCUS).startswith("Taken (−1), ")
    page.click("text=Wrong number")
    page.wait_for_selector(".stock-big b:text-is('19')")
    page.wait_for_selector("[data-told]:focus")
    assert page.evaluate(FOCUS).startswith("Undone (+1), ")
    # On the round the sum is a status that was there before; the keyboard stays where it was.
    page.goto("/shelf/count")
    page.evaluate("document.getElementById('count-sum').before = true")
    page.focus(f"#count-{shelf.electrode}-go")
    page.keyboard.press("Enter")
    page.wait_for_selector("#count-sum b:text-is('1')")
    assert page.evaluate("document.getElementById('count-sum').before")
    assert page.evaluate("document.activeElement.id") == f"count-{shelf.electrode}-go"
    # In an order what came twice is shown twice, and the words come into a status that was there.
    page.goto(f"/shelf/orders/{shelf.order}")
    for came in ("4", "7"):
        page.fill(".receive [name=pieces]", str(int(came) - (4 if came == "7" else 0)))
        page.click(".receive .main-button")
        page.wait_for_selector(f".order-facts b:text-is('{came}')")
        page.wait_for_selector("main > .done[role=status]:text-is('On the shelf.')")
    assert shelf.there(shelf.electrode) == 26
    assert shelf.seat.slips == []


def test_the_round_on_paper_has_empty_boxes(shelf: Shelf) -> None:
    page = shelf.seat.page(TABLET)
    page.goto("/shelf/count")
    line = f"#i-{shelf.electrode}"
    assert not page.is_visible(f"{line} .count-name .print-only")
    page.emulate_media(media="print")
    assert not page.is_visible(f"{line} [name=counted]")
    box = page.query_selector(f"{line} .stepper")
    assert box is not None
    place = box.bounding_box()
    assert place is not None
    assert place["height"] >= 36
    assert page.inner_text(f"{line} .count-name .print-only") == "in the book: 20"


HEIGHTS = """what => [...document.querySelectorAll(what)]
  .map(row => row.getBoundingClientRect().height)"""


def test_on_a_phone_an_item_is_two_lines_and_a_count_one_row(shelf: Shelf) -> None:
    page = shelf.seat.page(PHONE)
    page.goto("/shelf")
    rows = page.evaluate(HEIGHTS, ".shelf-list tbody tr")
    assert len(rows) == 9
    # Half of what one item took with a line for each of its figures.
    assert max(rows) < 150
    links = page.evaluate(HEIGHTS, ".shelf-list td:first-child a")
    assert min(links) >= 48
    page.goto("/shelf/count")
    assert max(page.evaluate(HEIGHTS, ".count-line")) < 190
    assert min(page.evaluate(HEIGHTS, ".count-name a")) >= 48


COVERED = """() => [...document.querySelectorAll('.stepper button, .stepper input')].filter(x => {
  const r = x.getBoundingClientRect();
  const over = document.elementFromPoint(r.x + r.width / 2, r.y + r.height / 2);
  return over && over.closest('.bar') && !x.closest('.bar');
}).map(x => x.id || x.getAttribute('aria-label'))"""


def test_on_a_phone_nothing_lies_over_a_stepper_of_the_labels(shelf: Shelf) -> None:
    page = shelf.seat.page(PHONE, login="lin")
    page.goto("/shelf/labels")
    assert page.locator(".stepper").count() > 9
    height = page.evaluate("document.body.scrollHeight")
    for top in range(0, height, PHONE[1] // 4):
        page.evaluate("top => window.scrollTo({top, behavior: 'instant'})", top)
        assert page.evaluate(COVERED) == [], top
    page.locator(".label-form .main-button").scroll_into_view_if_needed()
    assert page.is_visible(".label-form .main-button")
