"""The shelf over HTTP: what is typed is kept, one touch is one line, nobody does too much."""

from __future__ import annotations

import html
import re
from dataclasses import dataclass
from io import BytesIO

import cv2
import numpy as np
import pypdf
import pytest
import segno
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import (
    drafts,
    fittings,
    shelf_codes,
    shelf_items,
    shelf_ledger,
    shelf_movements,
    shelf_orders,
    shelf_suppliers,
    shelf_terms,
    signing,
    views,
)
from pitwise.services.shelf_model import ItemLine


@dataclass
class Kept:
    """The floor's part types on the shelf, a kit, and a supplier."""

    floor: Floor
    electrode: int
    nozzle: int
    kit: int
    supplier: int

    def line(self, item_id: int) -> ItemLine:
        with self.floor.shop.database.read() as session:
            return shelf_items.item_line(session, item_id)


@pytest.fixture
def kept(lite: Floor) -> Kept:
    shop, lead = lite.shop, lite.lead
    with shop.database.read() as session:
        ids = [t.id for t in shelf_items.missing_types(session)]
    shelf_items.add_items_for_types(shop, lead, ids)
    by_part = {x.part: x.id for x in shelf_items.item_lines(shop, lead)}
    electrode, nozzle = by_part["electrode"], by_part["nozzle"]
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
    return Kept(lite, electrode, nozzle, kit, supplier)


def form(page: str, url: str) -> dict[str, str]:
    """The fields of the form that goes to an address, as they stand."""
    text = page.split(f'action="{url}"')[1].split("</form>")[0]
    out = {}
    for tag in re.findall(r"<input[^>]*>", text):
        name = re.search(r'name="([^"]*)"', tag)
        value = re.search(r'value="([^"]*)"', tag)
        if name:
            out[name[1]] = html.unescape(value[1]) if value else ""
    return out


def counted(client: TestClient, item: int, typed: str, **more: str) -> tuple[int, str]:
    url = f"/shelf/items/{item}/count"
    fields = form(client.get(f"/shelf/items/{item}").text, url)
    answer = client.post(url, data={**fields, "counted": typed, **more})
    return answer.status_code, answer.text


def test_an_empty_shelf_offers_what_is_in_use(
    lite: Floor, tech: TestClient, lead: TestClient
) -> None:
    page = tech.get("/shelf").text
    assert "Nothing is kept on the shelf yet" in page
    assert 'name="type"' not in page
    page = lead.get("/shelf").text
    types = re.findall(r'name="type" value="(\d+)" checked', page)
    assert len(types) == 8
    assert tech.post("/shelf/types", data={"type": types}).status_code == 403
    refused = lead.post("/shelf/types")
    assert refused.status_code == 422
    assert "none is ticked" in refused.text
    assert lead.post("/shelf/types", data={"type": types}).status_code == 303
    page = lead.get("/shelf").text
    assert page.count('class="stock-figure') == 0
    assert len(re.findall(r'href="/shelf/items/\d+"', page)) == 8
    assert 'name="type"' not in page
    for path in ("/shelf/count", "/shelf/orders", "/shelf/labels", "/shelf/setup", "/shelf/scan"):
        assert tech.get(path).status_code == 200, path


def test_a_count_is_two_touches_and_undone_by_one(kept: Kept, tech: TestClient) -> None:
    item = kept.electrode
    assert counted(tech, item, "12")[0] == 303
    assert kept.line(item).on_shelf == 12
    page = tech.get(f"/shelf/items/{item}").text
    assert "<b>12</b> <span>on the shelf</span>" in page
    assert "Counted: 12 are there" in page
    url = f"/shelf/items/{item}/undo"
    undo = form(page, url)
    for reason in ("wrong number", "wrong item", "did not happen"):
        assert f'value="{reason}"' in page
    answer = tech.post(url, data={**undo, "reason": "wrong number"})
    assert answer.status_code == 303
    # A second tap is the same touch.
    assert tech.post(url, data={**undo, "reason": "wrong number"}).status_code == 303
    assert kept.line(item).on_shelf == 0
    page = tech.get(f"/shelf/items/{item}").text
    assert "Wrong number" in page
    assert len(re.findall(r'id="m-\d+"', page)) == 2


def test_what_was_typed_stays_and_the_refusal_stands_beside_it(
    kept: Kept, tech: TestClient
) -> None:
    item = kept.electrode
    status, page = counted(tech, item, "a dozen")
    assert status == 422
    assert 'value="a dozen"' in page
    field = page.split('value="a dozen"')[1][:900]
    assert 'aria-invalid="true"' in field
    assert "is not a whole number" in field
    assert kept.line(item).on_shelf == 0
    url = f"/shelf/items/{item}/goods-in"
    fields = form(page, url)
    bad = {"pieces": "20", "lot": "L-7", "unit_price": "cheap", "note": "by van <b>"}
    answer = tech.post(url, data={**fields, **bad})
    assert answer.status_code == 422
    again = form(answer.text, url)
    assert {name: again[name] for name in bad} == bad
    assert 'id="goods-in-unit_price-why"' in answer.text
    assert "<b>is not" not in answer.text
    assert "by van <b>" not in answer.text
    # The same with htmx: the whole page, of which the content is taken.
    answer = tech.post(url, data={**fields, **bad}, headers={"HX-Request": "true"})
    assert answer.status_code == 422
    assert 'id="main"' in answer.text
    good = tech.post(url, data={**again, "unit_price": "11,80"}, headers={"HX-Request": "true"})
    assert good.status_code == 204
    assert good.headers["hx-redirect"] == f"/shelf/items/{item}?done=line"
    page = tech.get(f"/shelf/items/{item}").text
    assert "11.80 EUR each" in page
    assert '20 of <span class="unbroken">lot L-7</span>' in page


def test_no_number_is_no_count(kept: Kept, tech: TestClient) -> None:
    url = f"/shelf/items/{kept.nozzle}/count"
    fields = form(tech.get(f"/shelf/items/{kept.nozzle}").text, url)
    for typed in ("", "-3", "1.5", "1e3", "9999999999999"):
        # As a touch within the round, which answers with its line alone.
        answer = tech.post(
            f"/shelf/count/{kept.nozzle}",
            data={**fields, "counted": typed},
            headers={"HX-Request": "true"},
        )
        assert answer.status_code == 422, typed
        assert 'aria-invalid="true"' in answer.text, typed
    assert tech.post(url, data={**fields, "counted": "-3"}).status_code == 422
    assert kept.line(kept.nozzle).on_shelf == 0
    assert kept.line(kept.nozzle).last_counted_at is None


def test_a_price_far_off_is_asked_about_before_anything_is_written(
    kept: Kept, tech: TestClient
) -> None:
    here, url = f"/shelf/items/{kept.electrode}", f"/shelf/items/{kept.electrode}/goods-in"
    page = tech.get(here).text
    assert "empty: as in the terms, 11.50" in page
    assert "It is so" not in page
    assert "no price will stand on the line" in tech.get(f"/shelf/items/{kept.nozzle}").text
    fields = form(page, url) | {"pieces": "3", "lot": "L7", "unit_price": "9999999"}
    answer = tech.post(url, data=fields)
    assert answer.status_code == 409
    again = form(answer.text, url)
    assert "more than 3 times the 11.50 in the terms of Harbour Supply" in answer.text
    assert [again[x] for x in ("pieces", "lot", "unit_price")] == ["3", "L7", "9999999"]
    # Enter in a field is the first button: it asks again, and never says that it is so.
    text = answer.text.split(f'action="{url}"')[1].split("</form>")[0]
    buttons = re.findall(r'<button (?!type="button")[^>]*>', text)
    assert buttons == [
        '<button class="main-button">',
        '<button class="side-button" name="sure" value="9999999">',
    ]
    assert tech.post(url, data=again).status_code == 409
    assert kept.line(kept.electrode).on_shelf == 0
    for _ in range(2):
        assert tech.post(url, data=again | {"sure": "9999999"}).status_code == 303
    assert kept.line(kept.electrode).on_shelf == 3


def test_a_double_tap_is_one_line(kept: Kept, tech: TestClient) -> None:
    url = f"/shelf/items/{kept.electrode}/goods-in"
    fields = form(tech.get(f"/shelf/items/{kept.electrode}").text, url)
    assert fields["pieces"] == "10"
    for _ in range(2):
        assert tech.post(url, data=fields).status_code == 303
    assert kept.line(kept.electrode).on_shelf == 10


def test_two_tablets_count_one_drawer(kept: Kept, tech: TestClient, lead: TestClient) -> None:
    item = kept.electrode
    assert counted(tech, item, "12")[0] == 303
    url = f"/shelf/items/{item}/count"
    seen = form(lead.get(f"/shelf/items/{item}").text, url)
    assert seen["seen"] == "12"
    take = f"/shelf/items/{item}/take"
    fields = form(tech.get(f"/shelf/items/{item}").text, take)
    assert tech.post(take, data={**fields, "note": "a demo"}).status_code == 303
    answer = lead.post(url, data={**seen, "counted": "12"})
    assert answer.status_code == 409
    assert "moved from 12 to 11" in answer.text
    again = form(answer.text, url)
    # The field held the book's old figure, untouched: a second touch must not write it down.
    assert (again["counted"], again["seen"]) == ("11", "11")
    answer = lead.post(url, data={**seen, "counted": "14", "key": kept.floor.key()})
    assert answer.status_code == 409
    again = form(answer.text, url)
    # What was typed by hand stays; the figure that is shown now is the one it goes by.
    assert (again["counted"], again["seen"]) == ("14", "11")
    again["counted"] = "12"
    # A page that says no figure where its figure should be is none of ours.
    assert lead.post(url, data={**again, "seen": "abc"}).status_code == 422
    assert lead.post(url, data=again).status_code == 303
    assert kept.line(item).on_shelf == 12


def test_more_than_there_is_can_not_be_taken(kept: Kept, tech: TestClient) -> None:
    url = f"/shelf/items/{kept.nozzle}/scrap"
    fields = form(tech.get(f"/shelf/items/{kept.nozzle}").text, url)
    answer = tech.post(url, data={**fields, "pieces": "2", "note": "dropped"})
    assert answer.status_code == 409
    assert "the book has 0 of" in html.unescape(answer.text).lower()
    assert form(answer.text, url)["note"] == "dropped"
    fields["pieces"] = "1"
    assert tech.post(url, data={**fields, "note": ""}).status_code == 422


def test_a_kit_is_opened_and_packed(kept: Kept, tech: TestClient) -> None:
    counted(tech, kept.kit, "3")
    url = f"/shelf/items/{kept.kit}/open"
    fields = form(tech.get(f"/shelf/items/{kept.kit}").text, url)
    assert tech.post(url, data={**fields, "kits": "2"}).status_code == 303
    assert (kept.line(kept.kit).on_shelf, kept.line(kept.nozzle).on_shelf) == (1, 2)
    url = f"/shelf/items/{kept.kit}/pack"
    fields = form(tech.get(f"/shelf/items/{kept.kit}").text, url)
    answer = tech.post(url, data={**fields, "kits": "5"})
    assert answer.status_code == 409
    assert tech.post(url, data=fields).status_code == 303
    assert kept.line(kept.kit).on_shelf == 2
    assert "Open a kit" not in tech.get(f"/shelf/items/{kept.nozzle}").text


def test_scanning_leads_to_the_item_the_part_or_the_order(
    kept: Kept, tech: TestClient, lead: TestClient
) -> None:
    code = kept.line(kept.electrode).code
    for typed in (code, code.lower(), f"  {code} "):
        answer = tech.get("/shelf", params={"find": typed})
        assert answer.status_code == 303
        assert answer.headers["location"] == f"/shelf/items/{kept.electrode}"
    tag = re.search(r'href="/parts/(\d+)">([^<]+)<', tech.get("/parts").text)
    assert tag is not None
    answer = tech.get("/shelf", params={"find": tag[2]})
    assert answer.headers["location"] == f"/parts/{tag[1]}"
    assert "/shelf/labels?part=" in tech.get(f"/parts/{tag[1]}").text
    order = shelf_orders.place_order(
        kept.floor.shop,
        kept.floor.lead,
        supplier_id=kept.supplier,
        lines=[(kept.electrode, 10)],
        key=kept.floor.key(),
    )
    answer = tech.get("/shelf", params={"find": shelf_codes.order_code(order)})
    assert answer.headers["location"] == f"/shelf/orders/{order}"
    # No code: words to look for.
    page = tech.get("/shelf", params={"find": "NOZZLE"}).text
    assert "nozzle 300" in page
    assert "shield 300" not in page
    page = tech.get("/shelf", params={"find": "<b>nothing"}).text
    assert "Nothing on the shelf has" in page
    assert "<b>nothing" not in page
    answer = tech.get("/shelf", params={"find": "x" * 120})
    assert answer.status_code == 422
    assert 'id="find-why"' in answer.text


def photo(*codes: str) -> bytes:
    """A photo of labels lying on a bench, as a JPEG."""
    scene = np.full((900, 1200), 120, np.uint8)
    scene += np.random.default_rng(3).integers(0, 20, scene.shape, dtype=np.uint8)
    for n, code in enumerate(codes):
        made = np.array(segno.make(code, error="m", micro=False).matrix, np.uint8)
        symbol = np.kron(
            np.pad(255 * (1 - made), 4, constant_values=255), np.ones((8, 8), np.uint8)
        )
        turned = cv2.getRotationMatrix2D((symbol.shape[0] / 2, symbol.shape[0] / 2), 17, 1.0)
        turned[:, 2] += (120 + 520 * n, 250)
        cv2.warpAffine(
            symbol.astype(np.uint8),
            turned,
            (1200, 900),
            dst=scene,
            borderMode=cv2.BORDER_TRANSPARENT,
        )
    return cv2.imencode(".jpg", cv2.GaussianBlur(scene, (0, 0), 1.0))[1].tobytes()


def send(client: TestClient, data: bytes, name: str = "box.jpg") -> tuple[int, str, str]:
    answer = client.post("/shelf/scan/photo", files={"photo": (name, data, "image/jpeg")})
    return answer.status_code, answer.headers.get("location", ""), html.unescape(answer.text)


def test_a_photo_of_a_label_leads_to_its_item(
    kept: Kept, tech: TestClient, lead: TestClient
) -> None:
    code = kept.line(kept.electrode).code
    assert send(tech, photo(code))[:2] == (303, f"/shelf/items/{kept.electrode}")
    status, _, page = send(tech, photo(code, kept.line(kept.nozzle).code))
    assert status == 200
    assert "Which one?" in page
    for item in (kept.electrode, kept.nozzle):
        assert f'href="/shelf/items/{item}"' in page
    status, _, page = send(lead, photo("4006381333931?<i>"))
    assert "nothing in the book has this code" in page
    assert "/shelf/items/new?code=4006381333931%3F%3Ci%3E#other" in page


def test_a_photo_without_a_code_says_what_to_do(kept: Kept, tech: TestClient) -> None:
    for data, words in (
        (photo(), "no code: none could be read in the photo"),
        (b"GIF89a" + bytes(100), "not read"),
        (photo()[:3000], "not read"),
    ):
        status, _, page = send(tech, data)
        assert status == 422
        assert words in page.lower()
        assert "do this:" in page.lower()
        assert "Take another photo" in page
    answer = tech.post("/shelf/scan/photo", data={"x": "y"})
    assert answer.status_code == 422
    assert "none was chosen" in answer.text.lower()


def test_a_count_round_answers_line_by_line(kept: Kept, tech: TestClient) -> None:
    page = tech.get("/shelf/count").text
    assert "<b>0</b> of 9 counted" in page
    url = f"/shelf/count/{kept.nozzle}"
    fields = form(page, url)
    touch = {"HX-Request": "true"}
    answer = tech.post(url, data={**fields, "counted": "7"}, headers=touch)
    assert answer.status_code == 200
    assert answer.text.lstrip().startswith(f'<li id="i-{kept.nozzle}"')
    assert "7 there now" in answer.text
    assert "<b>1</b> of 9 counted" in answer.text
    answer = tech.post(url, data={**fields, "counted": "8", "key": kept.floor.key()}, headers=touch)
    assert answer.status_code == 409
    assert "moved from 0 to 7" in answer.text
    assert 'value="8"' in answer.text
    plain = form(tech.get("/shelf/count").text, url)
    answer = tech.post(url, data={**plain, "counted": "no"})
    assert answer.status_code == 422
    assert "of 9 counted" in answer.text
    assert (
        tech.post(url, data={**plain, "counted": "8"})
        .headers["location"]
        .endswith(f"#i-{kept.nozzle}")
    )
    assert kept.line(kept.nozzle).on_shelf == 8
    assert (
        tech.post("/shelf/count/999", data={"key": kept.floor.key(), "counted": "1"}).status_code
        == 404
    )


def test_goods_come_in_by_the_line_of_an_order(
    kept: Kept, tech: TestClient, lead: TestClient
) -> None:
    fields = form(lead.get("/shelf/orders").text, "/shelf/orders")
    given = {**fields, "supplier_id": str(kept.supplier), f"piece-{kept.electrode}": "12"}
    answer = lead.post("/shelf/orders", data=given)
    assert answer.status_code == 422
    assert "packs of 10" in answer.text
    assert f'name="piece-{kept.electrode}"' in answer.text
    assert form(answer.text, "/shelf/orders")[f"piece-{kept.electrode}"] == "12"
    assert lead.post("/shelf/orders", data=fields).status_code == 422
    assert tech.post("/shelf/orders", data=given).status_code == 403
    given[f"piece-{kept.electrode}"] = "20"
    answer = lead.post("/shelf/orders", data=given)
    assert answer.status_code == 303
    url = answer.headers["location"].split("?")[0]
    page = tech.get(url).text
    assert "20 pieces still to come" in page
    receive = form(page, f"{url}/receive")
    assert receive["pieces"] == "20"
    answer = tech.post(f"{url}/receive", data={**receive, "pieces": "few", "lot": "L-1"})
    assert answer.status_code == 422
    assert form(answer.text, f"{url}/receive")["lot"] == "L-1"
    part = {**receive, "pieces": "8", "lot": "L-1"}
    assert tech.post(f"{url}/receive", data=part).status_code == 303
    assert kept.line(kept.electrode).on_shelf == 8
    # Another tablet with the same page: the boxes are in already.
    other = {**receive, "pieces": "8", "key": kept.floor.key()}
    answer = tech.post(f"{url}/receive", data=other)
    assert answer.status_code == 409
    assert "8 of 20 have come by now; this page said 0" in answer.text
    assert form(answer.text, f"{url}/receive")["seen"].endswith(":8")
    assert tech.post(f"{url}/receive", data={**other, "seen": ""}).status_code == 422
    stranger = tech.post("/shelf/orders/999/receive", data=other)
    assert stranger.status_code in (404, 422)
    page = tech.get(url).text
    assert "12 pieces still to come" in page
    many = {**form(page, f"{url}/receive"), "pieces": "13"}
    answer = tech.post(f"{url}/receive", data=many)
    assert answer.status_code == 409
    assert "Only 12 of 20 are still to come" in answer.text
    # The item's own form goes by the same figures.
    goods = f"/shelf/items/{kept.electrode}/goods-in"
    fields = form(tech.get(f"/shelf/items/{kept.electrode}").text, goods)
    stale = {**fields, "order_line_id": receive["line_id"], "pieces": "8"}
    answer = tech.post(goods, data={**stale, "seen": f"{receive['line_id']}:0"})
    assert answer.status_code == 409
    assert "8 of 20 have come by now" in answer.text
    assert tech.post(goods, data={**stale, "seen": "9999:0"}).status_code == 422
    answer = tech.post(goods, data={**stale, "pieces": "13"})
    assert answer.status_code == 409
    assert kept.line(kept.electrode).on_shelf == 8
    # Orders say what is still to come of what.
    assert "20 × electrode 300 (12 to come)" in tech.get("/shelf/orders").text
    assert "12 to come" in tech.get(f"/shelf/items/{kept.electrode}").text
    assert tech.post(f"{url}/close", data={"reason": "x"}).status_code == 403
    assert lead.post(f"{url}/close").status_code == 422
    assert lead.post(f"{url}/close", data={"reason": "no longer made"}).status_code == 303
    page = tech.get(url).text
    assert "no longer made" in page
    assert "Put them on the shelf" not in page


def test_terms_and_rules_are_leads_work_and_keep_what_was_typed(
    kept: Kept, tech: TestClient, lead: TestClient
) -> None:
    item = f"/shelf/items/{kept.nozzle}"
    assert 'action="/shelf/items' not in tech.get(item).text.split('id="terms"')[1]
    fields = form(lead.get(item).text, f"{item}/terms")
    given = {**fields, "supplier_id": str(kept.supplier), "price": "9.40", "lead_days": "soon"}
    answer = lead.post(f"{item}/terms", data=given)
    assert answer.status_code == 422
    assert 'id="terms-lead_days-why"' in answer.text
    assert form(answer.text, f"{item}/terms")["price"] == "9.40"
    assert lead.post(f"{item}/terms", data={**given, "lead_days": "5,5"}).status_code == 303
    page = tech.get(item).text
    assert "9.40 EUR" in page
    rule = form(lead.get(item).text, f"{item}/rule")
    assert (rule["service"], rule["hold_rate"]) == ("95", "20")
    answer = lead.post(f"{item}/rule", data={**rule, "service": "100"})
    assert answer.status_code == 422
    assert 'id="rule-service-why"' in answer.text
    # A share typed where per cent are asked for is asked about, not taken.
    for name, typed, meant in (("service", "0.95", "95"), ("hold_rate", "0.2", "20")):
        answer = lead.post(f"{item}/rule", data={**rule, name: typed})
        assert answer.status_code == 422
        assert f'id="rule-{name}-why"' in answer.text
        assert f"Did you mean {meant} %?" in answer.text
        assert form(answer.text, f"{item}/rule")[name] == typed
    assert lead.post(f"{item}/rule", data={**rule, "hold_rate": "12.5 %"}).status_code == 303
    assert kept.line(kept.nozzle).rule.hold_rate == pytest.approx(0.125)
    assert kept.line(kept.nozzle).rule.of == "item"
    shop = form(lead.get("/shelf/setup").text, "/shelf/rule")
    assert lead.post("/shelf/rule", data={**shop, "service": "98"}).status_code == 303
    assert kept.line(kept.electrode).rule.service == pytest.approx(0.98)
    assert "The shop's rule." in html.unescape(tech.get("/shelf/setup").text)
    assert lead.post("/shelf/suppliers", data={"name": "Harbour Supply"}).status_code == 409
    assert lead.post("/shelf/suppliers", data={"name": "Northgaet"}).status_code == 303
    page = lead.get("/shelf/setup").text
    assert "/shelf/suppliers/" not in tech.get("/shelf/setup").text
    named = re.findall(r'action="(/shelf/suppliers/\d+)"', page)
    url = next(u for u in named if form(page, u)["name"] == "Northgaet")
    fields = form(page, url)
    assert tech.post(url, data={**fields, "name": "Northgate"}).status_code == 403
    answer = lead.post(url, data={**fields, "name": "harbour supply"})
    assert answer.status_code == 409
    assert form(answer.text, url)["name"] == "harbour supply"
    assert lead.post(url, data={**fields, "name": "Northgate"}).status_code == 303
    fields = form(lead.get("/shelf/setup").text, url)
    assert lead.post(url, data={**fields, "active": ""}).status_code == 303
    assert "Northgate</b> <small>(put aside)" in tech.get("/shelf/setup").text
    assert ">Northgate</option>" not in lead.get(item).text
    fields = form(lead.get("/shelf/setup").text, url)
    assert lead.post(url, data={**fields, "active": "yes"}).status_code == 303
    assert ">Northgate</option>" in lead.get(item).text


def test_two_tablets_edit_one_supplier(kept: Kept, lead: TestClient) -> None:
    url = f"/shelf/suppliers/{kept.supplier}"
    shown = form(lead.get("/shelf/setup").text, url)
    assert lead.post(url, data={**shown, "name": "Harbour Spares"}).status_code == 303
    # The same form once more is the same touch.
    assert lead.post(url, data={**shown, "name": "Harbour Spares"}).status_code == 303
    answer = lead.post(url, data={**shown, "name": "Old Harbour", "note": "ask for Odd"})
    assert answer.status_code == 409
    text = html.unescape(answer.text)
    why = text.split(f'id="supplier-{kept.supplier}-name-why"')[1].split("</p>")[0]
    assert "The name is 'Harbour Spares' by now; this page showed 'Harbour Supply'" in why
    assert "<b>Harbour Spares</b>" in text
    again = form(answer.text, url)
    # What was typed stays, and goes by what is shown now.
    assert (again["name"], again["note"]) == ("Old Harbour", "ask for Odd")
    assert again["shown_name"] == "Harbour Spares"
    assert lead.post(url, data=again).status_code == 303
    assert "<b>Old Harbour</b>: ask for Odd" in lead.get("/shelf/setup").text
    # The first page once more: its name is old, but nobody touched it there; the note was.
    answer = lead.post(url, data={**shown, "note": "customer 17"})
    assert answer.status_code == 409
    again = form(answer.text, url)
    assert (again["name"], again["note"]) == ("Old Harbour", "customer 17")
    assert lead.post(url, data={**shown, "active": ""}).status_code == 303
    assert "<b>Old Harbour</b>: ask for Odd <small>(put aside)" in lead.get("/shelf/setup").text
    # A page that does not say what it showed takes nothing from anybody.
    assert lead.post(url, data={"name": "Harbour Supply"}).status_code == 409


def test_names_codes_and_kits(kept: Kept, lead: TestClient) -> None:
    item = f"/shelf/items/{kept.nozzle}"
    edit = form(lead.get(item).text, f"{item}/edit")
    answer = lead.post(f"{item}/edit", data={**edit, "code": "two words"})
    assert answer.status_code == 422
    assert 'id="edit-code-why"' in answer.text
    moved = {**edit, "code": "4006381333931", "place": "Rack 9"}
    assert lead.post(f"{item}/edit", data=moved).status_code == 303
    assert "Rack 9" in lead.get("/shelf?find=rack+9").text
    new = form(lead.get("/shelf/items/new").text.split('id="kit"')[1], "/shelf/items/new")
    answer = lead.post("/shelf/items/new", data={**new, "name": "Nothing in it"})
    assert answer.status_code == 422
    assert "Nothing in it" in answer.text
    full = {
        **new,
        "name": "Two and one",
        f"piece-{kept.nozzle}": "2",
        f"piece-{kept.electrode}": "1",
    }
    answer = lead.post("/shelf/items/new", data=full)
    assert answer.status_code == 303
    number = int(answer.headers["location"].split("?")[0].rsplit("/", 1)[1])
    assert {k.item_id: k.pieces for k in kept.line(number).kit} == {
        kept.nozzle: 2,
        kept.electrode: 1,
    }
    other = {"kind": "other", "name": "Grease", "code": "", "place": ""}
    assert lead.post("/shelf/items/new", data=other).status_code == 303
    assert lead.post("/shelf/items/new", data=other).status_code == 409


def test_labels_come_as_a_pdf_or_as_the_page_with_what_is_wrong(
    kept: Kept, tech: TestClient
) -> None:
    code = kept.line(kept.electrode).code
    page = tech.get(f"/shelf/labels?item={kept.electrode}").text
    assert f'name="item-{kept.electrode}" inputmode="numeric" maxlength="4"' in page
    assert form(page, "/shelf/labels.pdf")[f"item-{kept.electrode}"] == "1"
    tag = re.search(r'href="/parts/(\d+)">([^<]+)<', tech.get("/parts").text)
    assert tag is not None
    assert f">{tag[2]}</textarea>" in tech.get(f"/shelf/labels?part={tag[1]}").text
    wanted = {"paper": "a4-24", "skip": "2", f"item-{kept.electrode}": "3", "tags": tag[2]}
    answer = tech.get("/shelf/labels.pdf", params=wanted)
    assert answer.headers["content-type"] == "application/pdf"
    (sheet,) = pypdf.PdfReader(BytesIO(answer.content)).pages
    assert sheet.extract_text().count(code) == 3
    assert tag[2] in sheet.extract_text()
    for name, value, words in (
        ("paper", "a3", "is not known"),
        ("skip", "24", "give 0 to 23"),
        ("tags", "X-404", "no part has the tag"),
        (f"item-{kept.electrode}", "many", "is not a whole number"),
    ):
        answer = tech.get("/shelf/labels.pdf", params={**wanted, name: value})
        assert answer.status_code == 422, name
        assert words in answer.text.lower().replace("\n", " "), name
        assert f'id="labels-{name}-why"' in answer.text, name
    answer = tech.get("/shelf/labels.pdf", params={"paper": "a4-24"})
    assert answer.status_code == 422
    assert "none was asked for" in answer.text
    assert (
        tech.get("/shelf/labels.pdf", params={"paper": "a4-24", "item-9999": "1"}).status_code
        == 404
    )


def test_pages_of_nothing_are_not_there(kept: Kept, tech: TestClient) -> None:
    for path in ("/shelf/items/999", "/shelf/orders/999", "/shelf/labels?part=999"):
        assert tech.get(path).status_code == 404, path
    assert tech.get(f"/shelf/items/{kept.nozzle}?page=7").status_code == 200


def test_a_long_ledger_comes_in_pages(kept: Kept, tech: TestClient) -> None:
    for _ in range(shelf_movements.PAGE + 2):
        shelf_ledger.goods_in(
            kept.floor.shop,
            kept.floor.tech,
            item_id=kept.nozzle,
            pieces="1",
            key=kept.floor.key(),
        )
    page = tech.get(f"/shelf/items/{kept.nozzle}").text
    assert "Page 1 of 2" in page
    page = tech.get(f"/shelf/items/{kept.nozzle}?page=2").text
    assert len(re.findall(r'id="m-\d+"', page)) == 2
    # The newest line can be undone from any page.
    assert f'action="/shelf/items/{kept.nozzle}/undo"' in page


def test_the_head_leads_to_the_shelf(kept: Kept, tech: TestClient) -> None:
    page = tech.get("/shelf").text
    assert 'href="/shelf" aria-current="page"' in page
    assert 'href="/money"' in page
    more = tech.get("/more").text
    for path in ("/life", "/change", "/month"):
        assert f'href="{path}"' in more


def test_a_line_is_undone_on_its_own_items_page_alone(kept: Kept, tech: TestClient) -> None:
    counted(tech, kept.electrode, "4")
    page = tech.get(f"/shelf/items/{kept.electrode}").text
    undo = form(page, f"/shelf/items/{kept.electrode}/undo") | {"reason": "wrong number"}
    answer = tech.post(f"/shelf/items/{kept.nozzle}/undo", data=undo)
    assert answer.status_code == 422
    assert "is of another item" in answer.text
    assert kept.line(kept.electrode).on_shelf == 4
    assert "Your own lines you can undo for 24 hours" in page


def test_the_round_fills_in_the_new_figure_and_keeps_what_was_typed(
    kept: Kept, tech: TestClient
) -> None:
    counted(tech, kept.nozzle, "3")
    url = f"/shelf/count/{kept.nozzle}"
    fields = form(tech.get("/shelf/count").text, url)
    assert (fields["counted"], fields["seen"]) == ("3", "3")
    counted(tech, kept.nozzle, "2")
    for typed, stands in (("3", "2"), ("5", "5"), (" 3 ", "2")):
        sent = {**fields, "counted": typed, "key": kept.floor.key()}
        answer = tech.post(url, data=sent, headers={"HX-Request": "true"})
        assert answer.status_code == 409
        again = form(answer.text, url)
        assert (again["counted"], again["seen"]) == (stands, "2")
    assert kept.line(kept.nozzle).on_shelf == 2


def test_a_book_without_parts_does_not_say_that_all_are_kept(lite: Floor, lead: TestClient) -> None:
    for torch in (lite.torch, lite.other):
        with lite.shop.database.read() as session:
            parts = list(fittings.fitted(session, torch))
        for part in parts:
            fittings.remove_part(lite.shop, lite.lead, torch, part)
    page = lead.get("/shelf/items/new").text
    assert "All part types in use" not in page
    assert "No part type is in a torch yet" in page


def test_a_replacement_says_where_the_new_part_lies_and_what_was_taken(
    kept: Kept, tech: TestClient
) -> None:
    floor = kept.floor
    item = kept.line(kept.nozzle)
    shelf_items.edit_item(
        floor.shop, floor.lead, item.id, name=item.name, code=item.code, place="Rack 1", active=True
    )
    shelf_ledger.goods_in(
        floor.shop, floor.tech, item_id=kept.kit, pieces="2", key=floor.key(), lot="K-7"
    )
    number = floor.draft()
    drafts.set_mark(floor.shop, floor.tech, number, "nozzle", "arc-marks", "seen")
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.40 mm", key=floor.key())
    page = tech.get(f"/bench/{number}?part=sign").text
    assert "nozzle 300: 2 in kits, Rack 1" in page
    assert "electrode 300: 2 in kits</li>" in page
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    page = tech.get(f"/records/{number}").text
    assert f'<a href="/shelf/items/{kept.nozzle}">nozzle 300</a>' in page
    assert "(lot K-7)" in page
    assert "put back since" not in page
    before = views.record(floor.shop, floor.tech, number).sha256
    signing.correct(floor.shop, floor.tech, number, reason="typed wrong", key=floor.key())
    assert views.record(floor.shop, floor.tech, number).sha256 == before


def test_a_part_that_was_in_the_torch_comes_off_no_shelf(kept: Kept, tech: TestClient) -> None:
    counted(tech, kept.nozzle, "2")
    url = f"/torches/{kept.floor.other}/fit"
    page = tech.get(f"/torches/{kept.floor.other}").text
    assert 'name="was_in" value="yes"' in page
    kind = str(kept.line(kept.nozzle).part_type_id)
    fields = torch_form(page, url) | {"part_type_id": kind}
    assert tech.post(url, data={**fields, "was_in": "yes"}).status_code == 303
    assert kept.line(kept.nozzle).on_shelf == 2
    fields = torch_form(tech.get(f"/torches/{kept.floor.other}").text, url)
    assert tech.post(url, data={**fields, "part_type_id": kind}).status_code == 303
    assert kept.line(kept.nozzle).on_shelf == 1


def torch_form(page: str, url: str) -> dict[str, str | list[str]]:
    """The key of a form of the torch page, and the parts it says it showed."""
    text = page.split(f'action="{url}"')[1].split("</form>")[0]
    seen = re.findall(r'name="seen" value="([^"]*)"', text)
    (key,) = re.findall(r'name="key" value="([^"]+)"', text)
    assert "data-key" in text.split(">")[0]
    return {"key": key, "seen": seen}


def test_a_double_tap_fits_and_takes_out_once(kept: Kept, tech: TestClient) -> None:
    counted(tech, kept.nozzle, "5")
    here = f"/torches/{kept.floor.torch}"
    kind = str(kept.line(kept.nozzle).part_type_id)
    page = tech.get(here).text
    fields = torch_form(page, f"{here}/fit") | {"part_type_id": kind}
    assert len(fields["seen"]) == 8
    for _ in range(2):
        assert tech.post(f"{here}/fit", data=fields).status_code == 303
    assert kept.line(kept.nozzle).on_shelf == 4
    # The same page again with a key of its own: another part is in by now.
    answer = tech.post(f"{here}/fit", data=fields | {"key": kept.floor.key()})
    assert answer.status_code == 409
    assert "is in it by now, and this page showed another" in answer.text
    for left_out, words in (("key", "carries no key"), ("seen", "says not which parts")):
        given = {name: x for name, x in fields.items() if name != left_out}
        answer = tech.post(f"{here}/fit", data=given)
        assert answer.status_code == 422
        assert words in answer.text
    assert kept.line(kept.nozzle).on_shelf == 4
    out = torch_form(tech.get(here).text, f"{here}/take-out")
    out |= {"part": out["seen"][0].split(":")[0]}
    for _ in range(2):
        assert tech.post(f"{here}/take-out", data=out).status_code == 303
    assert tech.post(f"{here}/take-out", data=out | {"key": kept.floor.key()}).status_code == 404
