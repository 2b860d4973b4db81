"""Planned work, an item ahead and the order list over HTTP."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable

from fastapi.testclient import TestClient
from pypdf import PdfReader

from kit import Floor
from pitwise.services import (
    planned_work,
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
    assert lead.post(f"/shelf/plan/{plan.id}/withdraw").status_code == 303
    assert lead.post(f"/shelf/plan/{plan.id}/withdraw").status_code == 303
    assert "for the bridge" not in tech.get("/shelf/plan").text


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
    form = {
        "supplier": str(items["supplier"]),
        "currency": "EUR",
        f"pieces-{items['nozzle']}": row["pieces"],
        "key": lite.key(),
    }
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
