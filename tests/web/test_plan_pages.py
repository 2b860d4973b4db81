"""Planned work, an item ahead and the order list over HTTP."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from collections.abc import Callable

from fastapi.testclient import TestClient
from pypdf import PdfReader

from kit import Floor
from pitwise.services import (
    planned_work,
    programs,
    shelf_items,
    shelf_ledger,
    shelf_orders,
    shelf_suppliers,
    shelf_terms,
)
from pitwise.services.imports import import_file

PROGRAM = b"G21 G90\nF3000\nG0 X0 Y0\nM3\nG1 X1000\nM5\nG0 X0\nM3\nG1 X1000 Y10\nM5\nM30\n"
Client = Callable[[str | None], TestClient]


def worked(floor: Floor) -> dict[str, int]:
    """A torch with use and wear, every part on the shelf, terms for the nozzle; one nozzle."""
    starts = 0
    for k in range(6):
        floor.inspect(f"{0.2 * k:.2f} mm", starts=str(starts), minutes=str(starts // 2))
        floor.clock.forward(days=2)
        starts += 270
    with floor.shop.database.read() as session:
        types = [t.id for t in shelf_items.missing_types(session)]
    shelf_items.add_items_for_types(floor.shop, floor.lead, types)
    items = {x.part or x.name: x.id for x in shelf_items.item_lines(floor.shop, floor.lead)}
    supplier = shelf_suppliers.add_supplier(floor.shop, floor.lead, name="=Hearth & Vale")
    shelf_terms.set_terms(
        floor.shop,
        floor.lead,
        items["nozzle"],
        supplier_id=supplier,
        price="21.50",
        currency="EUR",
        pack="5",
        lead_days="20",
        lead_days_sd="3",
    )
    shelf_ledger.goods_in(
        floor.shop, floor.tech, item_id=items["nozzle"], pieces="1", key=floor.key()
    )
    return {**items, "supplier": supplier}


def plan_form(floor: Floor, **other: str) -> dict[str, str]:
    today = planned_work.today_of(floor.shop)
    return {
        "torch": str(floor.torch),
        "program": "1",
        "plates": "40",
        "first_day": today.isoformat(),
        "last_day": (today + dt.timedelta(days=9)).isoformat(),
        "note": "for the bridge",
        "key": floor.key(),
        **other,
    }


def order_form(client: TestClient) -> dict[str, str]:
    """What the first form of the order list sends."""
    page = client.get("/shelf/order-list").text
    sent = re.search(r'<form method="post" action="/shelf/order-list".*?</form>', page, re.S)
    assert sent is not None
    return dict(re.findall(r'name="([^"]+)" value="([^"]*)"', sent[0]))


def test_an_empty_shop_says_what_to_do(lead: TestClient, tech: TestClient) -> None:
    page = lead.get("/shelf/plan").text
    assert "can’t tell, its counters were not read twice yet" in page
    assert "No program is in the book yet" in page
    assert "Nothing is kept on the shelf yet" in page
    assert "A lead plans the work" in tech.get("/shelf/plan").text
    assert "Nothing is kept on the shelf yet" in tech.get("/shelf/order-list").text
    assert lead.get("/shelf/ahead/1").status_code == 404
    assert len(list(csv.reader(io.StringIO(tech.get("/shelf/order-list.csv").text)))) == 1
    assert tech.get("/shelf/order-list.pdf").content.startswith(b"%PDF")


def test_a_lead_plans_and_takes_off(lite: Floor, client_of: Client) -> None:
    worked(lite)
    import_file(lite.shop, lite.lead, "plate.nc", PROGRAM, way="upload")
    lead, tech = client_of("lin"), client_of("tom")
    form = plan_form(lite)
    assert tech.post("/shelf/plan", data=form).status_code == 403
    for _ in range(2):
        answer = lead.post("/shelf/plan", data=form)
        assert answer.headers["location"] == "/shelf/plan?done=saved"
    page = tech.get("/shelf/plan").text
    assert page.count("for the bridge") == 1
    assert "Planned: <b>80</b> starts on 10 days, about 8 a day. That is part of the usual" in page
    assert "by its counters" in page
    assert "Withdraw" not in page
    with lite.shop.database.read() as session:
        (plan,) = planned_work.planned(session)
    assert (plan.plates, plan.starts) == (40, 2)
    off, back = (f"/shelf/plan/{plan.id}/{what}" for what in ("withdraw", "bring-back"))
    for _ in range(2):
        answer = lead.post(off)
        assert answer.headers["location"] == f"/shelf/plan?done=withdrawn&undo={plan.id}"
    page = lead.get(answer.headers["location"]).text
    assert "for the bridge" not in page
    assert page.count(f'action="{back}"') == 2
    assert "Undo: bring it back" in page
    # It can be brought back later too, by a lead.
    assert lead.get("/shelf/plan").text.count(f'action="{back}"') == 1
    assert back not in tech.get(answer.headers["location"]).text
    assert tech.post(back).status_code == 403
    for _ in range(2):
        assert lead.post(back).headers["location"] == "/shelf/plan?done=brought-back"
    page = lead.get(f"/shelf/plan?done=withdrawn&undo={plan.id}").text
    assert "for the bridge" in page
    assert back not in page
    lead.post(off)
    programs.withdraw(lite.shop, lite.lead, 1)
    refused = lead.post(back)
    assert refused.status_code == 404
    assert "program 1 is not in use" in refused.text


def test_a_refusal_stands_beside_its_field_with_what_was_typed(
    lite: Floor, client_of: Client
) -> None:
    import_file(lite.shop, lite.lead, "plate.nc", PROGRAM, way="upload")
    lead = client_of("lin")
    for field, typed, said in (
        ("plates", "none", "not a whole number"),
        ("last_day", "2020-01-01", "ies before the first"),
        ("first_day", "soon", "is no day"),
        ("program", "99", "is not in use"),
        ("torch", "99", "here is no torch 99"),
    ):
        answer = lead.post("/shelf/plan", data=plan_form(lite, **{field: typed}))
        assert answer.status_code in (404, 422), field
        assert said in answer.text
        assert "for the bridge" in answer.text
    with lite.shop.database.read() as session:
        assert planned_work.planned(session) == []


def test_usual_work_is_set_with_a_reason_and_let_go_again(lite: Floor, client_of: Client) -> None:
    worked(lite)
    lead = client_of("lin")
    url = f"/shelf/plan/torch/{lite.torch}"
    half = lead.post(url, data={"starts_per_day": "200", "reason": "night shift"})
    assert half.status_code == 422
    assert "fill in both" in half.text.lower()
    assert "night shift" in half.text
    full = {"starts_per_day": "200", "minutes_per_start": "0.5", "reason": "night shift"}
    assert lead.post(url, data=full).status_code == 303
    page = lead.get("/shelf/plan").text
    assert "set by Lin Ödegård" in page
    assert "night shift" in page
    zero = {"starts_per_day": "0", "minutes_per_start": "0", "reason": "laid up"}
    assert lead.post(url, data=zero).status_code == 303
    assert (
        "Its usual work is set to nothing, and nothing is planned" in lead.get("/shelf/plan").text
    )
    assert lead.post(url, data={"reason": "over"}).status_code == 303
    assert "set by Lin" not in lead.get("/shelf/plan").text


def test_the_order_list_and_one_tap(lite: Floor, client_of: Client) -> None:
    items = worked(lite)
    lead, tech = client_of("lin"), client_of("tom")
    page = tech.get("/shelf/order-list").text
    assert "nozzle 300" in page
    assert ", when an order of today is likely there; " in page
    assert " always " not in page
    assert "assumed figures" in page
    assert "A lead places orders" in page
    assert "electrode 300" in page.split("Can’t tell")[1]
    rows = list(csv.DictReader(io.StringIO(tech.get("/shelf/order-list.csv").text)))
    (row,) = rows
    assert row["supplier"] == "'=Hearth & Vale"
    assert float(row["sum"]) == int(row["pieces"]) * 21.5
    assert int(row["packs"]) * 5 == int(row["pieces"])
    pdf = tech.get("/shelf/order-list.pdf").content
    text = PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    assert "nozzle 300" in text
    assert row["pieces"] in text
    assert pdf == tech.get("/shelf/order-list.pdf").content
    form = order_form(lead)
    assert form[f"pieces-{items['nozzle']}"] == row["pieces"]
    form["key"] = lite.key()
    assert tech.post("/shelf/order-list", data=form).status_code == 403
    wrong = lead.post("/shelf/order-list", data={**form, f"pieces-{items['nozzle']}": "7"})
    assert wrong.status_code == 422
    assert 'value="7"' in wrong.text
    none = lead.post("/shelf/order-list", data={**form, f"pieces-{items['nozzle']}": ""})
    assert "othing is left to order" in none.text
    for _ in range(2):
        assert lead.post("/shelf/order-list", data=form).status_code == 303
    assert len(shelf_orders.orders(lite.shop, lite.lead)) == 1
    after = lead.get("/shelf/order-list").text
    assert "Write down the order" not in after
    assert "Nothing is to be ordered this week" in after


def test_of_a_kit_the_loose_pieces_last_and_it_says_so(lite: Floor, client_of: Client) -> None:
    items = worked(lite)
    holds = {items["electrode"]: 1, items["nozzle"]: 1}
    kit = shelf_items.add_item(lite.shop, lite.lead, kind="kit", name="Set 300", kit=holds)

    def goods(item: int, pieces: str) -> None:
        shelf_ledger.goods_in(lite.shop, lite.tech, item_id=item, pieces=pieces, key=lite.key())

    goods(items["electrode"], "2")
    tech = client_of("tom")
    for path in (f"/shelf/items/{kit}", f"/shelf/ahead/{kit}"):
        page = tech.get(path).text
        assert "No kit is there. The loose pieces of what it holds last <b>" in page
        assert "left when nothing new is ordered" not in page
    goods(kit, "2")
    for path in (f"/shelf/items/{kit}", f"/shelf/ahead/{kit}"):
        page = tech.get(path).text
        assert (
            "The loose pieces of what it holds go first; with the kits there they last <b>" in page
        )
        assert "Kits left when nothing new is ordered" in page
    assert "What is there lasts <b>" in tech.get(f"/shelf/items/{items['nozzle']}").text


def test_an_item_ahead(lite: Floor, client_of: Client) -> None:
    items = worked(lite)
    tech = client_of("tom")
    page = tech.get(f"/shelf/ahead/{items['nozzle']}").text
    assert "Order " in page
    assert page.count("<svg") >= 2
    assert "nothing new is ordered" in page
    assert "starts a day by its counters" in page
    assert "Used by Torch A" in page
    assert page.count('<td class="whole" data-label="Week from">') == 12


def test_a_price_below_a_cent_is_shown_as_it_is_reckoned_with(
    lite: Floor, client_of: Client
) -> None:
    items = worked(lite)
    lead = client_of("lin")
    nozzle, terms = items["nozzle"], {"supplier_id": str(items["supplier"]), "currency": "EUR"}
    terms |= {"pack": "1", "least": "1"}
    url = f"/shelf/items/{nozzle}/terms"

    def seen() -> dict[str, str]:
        page = lead.get(f"/shelf/items/{nozzle}").text
        return dict(re.findall(r'name="(shown_[a-z_]+)" value="([^"]*)"', page))

    new = lead.post(url, data={**seen(), **terms, "price": "0.125", "lead_days": "20"})
    assert new.status_code == 303
    assert '<td class="num" data-label="Each">0.125</td>' in lead.get("/shelf/order-list").text
    text = lead.get("/shelf/order-list.csv").text
    (row,) = csv.DictReader(io.StringIO(text))
    assert row["unit_price"] == "0.125"
    assert row["sum"] == f"{int(row['pieces']) * 0.125:.2f}"
    pdf = PdfReader(io.BytesIO(lead.get("/shelf/order-list.pdf").content))
    assert "0.125" in pdf.pages[0].extract_text()
    page = lead.get(f"/shelf/items/{nozzle}").text
    assert "<b>0.125 EUR</b>" in page
    # The form holds the price as it stands: new days alone change nothing about it.
    price = re.search(r'name="price" value="([^"]*)"', page)
    assert price is not None
    saved = lead.post(url, data={**seen(), **terms, "price": price[1], "lead_days": "21"})
    assert saved.status_code == 303
    line = next(x for x in shelf_items.item_lines(lite.shop, lite.lead) if x.id == nozzle)
    assert line.terms is not None
    assert (line.terms.price, line.terms.lead_days) == (0.125, 21)
    order = shelf_orders.place_order(
        lite.shop,
        lite.lead,
        supplier_id=items["supplier"],
        lines=[(nozzle, 8)],
        key=lite.key(),
    )
    page = lead.get(f"/shelf/orders/{order}").text
    assert "0.125 EUR each" in page
    assert "<b>1.00 EUR</b>" in page


def test_a_list_that_moved_is_not_ordered_and_keeps_what_was_typed(
    lite: Floor, client_of: Client
) -> None:
    items = worked(lite)
    lead, nozzle = client_of("lin"), items["nozzle"]
    field = f"pieces-{nozzle}"
    stale = order_form(lead) | {field: "15"}
    # Another lead sets a price in other money: the line stands in another form now.
    shelf_terms.set_terms(
        lite.shop,
        lite.lead,
        nozzle,
        supplier_id=items["supplier"],
        price="500",
        currency="USD",
        pack="5",
        lead_days="20",
    )
    answer = lead.post("/shelf/order-list", data=stale)
    assert answer.status_code == 409
    assert "500.00 USD each by now, this page showed 21.50 EUR" in answer.text
    assert f'name="{field}" value="15"' in answer.text
    assert "the list says" in answer.text
    for wrong in ({"currency": "EUR"}, {"currency": ""}, {f"seen-{nozzle}": "0:1"}):
        refused = lead.post("/shelf/order-list", data={**order_form(lead), **wrong})
        assert refused.status_code in (409, 422), wrong
    assert shelf_orders.orders(lite.shop, lite.lead) == []
    first, second = order_form(lead), order_form(lead) | {field: "15"}
    assert first["key"] != second["key"]
    assert lead.post("/shelf/order-list", data=first).status_code == 303
    answer = lead.post("/shelf/order-list", data=second)
    assert answer.status_code == 409
    assert f"{first[field]} on order by now, this page showed 0" in answer.text
    assert "not in this list now: 15 × nozzle 300" in answer.text
    assert len(shelf_orders.orders(lite.shop, lite.lead)) == 1


def test_an_order_noted_by_hand_is_noted_once(lite: Floor, client_of: Client) -> None:
    items = worked(lite)
    lead, nozzle = client_of("lin"), items["nozzle"]
    page = lead.get("/shelf/orders").text
    sent = dict(re.findall(r'name="(seen-[^"]+)" value="([^"]*)"', page))
    assert sent[f"seen-{nozzle}"] == "0::"
    form = sent | {"supplier_id": str(items["supplier"]), f"piece-{nozzle}": "20"}
    assert lead.post("/shelf/orders", data=form | {"key": lite.key()}).status_code == 303
    answer = lead.post("/shelf/orders", data=form | {"key": lite.key()})
    assert answer.status_code == 409
    assert "20 on order by now, this page showed 0" in answer.text
    assert "<small>20 on order</small>" in answer.text
    assert len(shelf_orders.orders(lite.shop, lite.lead)) == 1
