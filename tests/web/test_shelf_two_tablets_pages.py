"""Two tablets at one form of the shelf: the refusal names what stands, and keeps what was typed."""

from __future__ import annotations

import html
from dataclasses import dataclass, field
from html.parser import HTMLParser

import pytest
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import shelf_suppliers
from pitwise.services.shelf_model import ItemLine
from shelf_kit import Shelf, shelf_on


@dataclass
class Tablet:
    """A form as a tablet has it: what its page showed, sent with what is typed over it."""

    client: TestClient
    page: str
    url: str
    text: str = field(init=False, default="")
    status: int = field(init=False, default=200)
    fields: dict[str, str] = field(init=False)

    def __post_init__(self) -> None:
        self.open()

    def open(self) -> None:
        self._read(self.client.get(self.page).text)

    def _read(self, text: str) -> None:
        self.text = html.unescape(text)
        self.fields = Fields.of(text, self.url)

    def send(self, *untick: str, **typed: str) -> int:
        """Type and press the button; a refusal is the page that is open then."""
        data = {k: v for k, v in {**self.fields, **typed}.items() if k not in untick}
        answer = self.client.post(self.url, data=data)
        if answer.status_code != 303:
            self._read(answer.text)
        return answer.status_code

    def why(self, field_id: str) -> str:
        """What is said beside a field."""
        return self.text.split(f'id="{field_id}-why">')[1].split("</p>")[0]


class Fields(HTMLParser):
    """What a browser would send of a form."""

    def __init__(self) -> None:
        super().__init__()
        self.sent: dict[str, str] = {}
        self._select = ""

    @classmethod
    def of(cls, page: str, url: str) -> dict[str, str]:
        reader = cls()
        reader.feed(page.split(f'action="{url}"')[1].split("</form>")[0])
        return reader.sent

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        have = dict(attrs)
        name, value = have.get("name") or "", have.get("value") or ""
        if tag == "select":
            self._select = name
        elif tag == "option" and ("selected" in have or self._select not in self.sent):
            # Without a choice a browser sends the first one.
            self.sent[self._select] = value
        elif tag == "input" and name and (have.get("type") != "checkbox" or "checked" in have):
            self.sent[name] = value


@pytest.fixture
def shelf(lite: Floor) -> Shelf:
    return shelf_on(lite)


def test_at_name_code_and_place(shelf: Shelf, lead: TestClient) -> None:
    item = f"/shelf/items/{shelf.nozzle}"

    def stands() -> ItemLine:
        return shelf.line(shelf.nozzle)

    one, two, three, four = (Tablet(lead, item, f"{item}/edit") for _ in range(4))
    assert one.send(place="Rack 1") == 303
    # The same touch twice is one; another field leaves the place alone.
    assert one.send(place="Rack 1") == 303
    assert two.send(name="Nozzle 300 A") == 303
    assert (stands().name, stands().place) == ("Nozzle 300 A", "Rack 1")
    assert three.send(place="Rack 2", code="N-300") == 409
    assert "The place is 'Rack 1' by now; this page showed empty." in three.why("edit-place")
    assert "Place: <b>Rack 1</b>" in three.text
    assert 'id="edit-form" open' in three.text
    # What was typed stays, what was not touched is as it stands, and goes by what is shown now.
    typed = {"name": "Nozzle 300 A", "code": "N-300", "place": "Rack 2", "active": "yes"}
    shown = {"shown_name": "Nozzle 300 A", "shown_place": "Rack 1", "shown_active": "yes"}
    assert three.fields == typed | shown | {"shown_code": stands().code}
    assert stands().place == "Rack 1"
    assert three.send() == 303
    assert (stands().code, stands().place) == ("N-300", "Rack 2")
    # Mending a slip is not reading what stands.
    assert four.send(name=" ", place="Rack 3") == 422
    assert "is empty" in four.why("edit-name").casefold()
    assert (four.fields["place"], four.fields["shown_place"]) == ("Rack 3", "")
    assert four.send(name="Nozzle 300 A") == 409
    assert "The place is 'Rack 2' by now; this page showed empty." in four.why("edit-place")
    assert four.send() == 303
    assert (stands().code, stands().place) == ("N-300", "Rack 3")
    # A page that does not say what it showed takes nothing from anybody.
    data = {"name": "Grease", "code": "N-300", "place": "", "active": "yes"}
    assert lead.post(f"{item}/edit", data=data).status_code == 409


def test_at_put_aside(shelf: Shelf, lead: TestClient) -> None:
    shield = shelf.items["shield"]
    item = f"/shelf/items/{shield}"
    one, two = (Tablet(lead, item, f"{item}/edit") for _ in range(2))
    assert one.send("active") == 303
    assert not shelf.line(shield).active
    # Who renames it does not bring it back; who wants it back ticks it.
    assert two.send(name="Shield 300 A") == 303
    assert not shelf.line(shield).active
    one.open()
    assert "active" not in one.fields
    assert one.send(active="yes") == 303
    assert shelf.line(shield).active


def test_at_price_and_lead_time(shelf: Shelf, lead: TestClient) -> None:
    for name in ("Spares 1", "Spares 2"):
        shelf_suppliers.add_supplier(shelf.floor.shop, shelf.floor.lead, name=name)
    item = f"/shelf/items/{shelf.nozzle}"
    one, two = (Tablet(lead, item, f"{item}/terms") for _ in range(2))
    typed = {"price": "11.505", "currency": "EUR", "lead_days": "7.5"}
    assert one.send(**typed) == 303
    # Both enter the first ones.
    assert two.send(**(typed | {"price": "12", "reason": "their list"})) == 409
    assert "The price is 11.505 by now; this page showed empty." in two.why("terms-price")
    assert "11.505 EUR" in two.text
    assert (two.fields["price"], two.fields["shown_price"]) == ("12", "11.505")
    assert two.fields["reason"] == "their list"
    assert two.send() == 303
    one, two, three = (Tablet(lead, item, f"{item}/terms") for _ in range(3))
    assert one.send(price="13") == 303
    assert two.send(lead_days="9", pack="5") == 303
    terms = shelf.line(shelf.nozzle).terms
    assert terms is not None
    assert (terms.price, terms.lead_days, terms.pack) == (13.0, 9.0, 5)
    # Both fields that were changed by both are named, and both are kept.
    assert three.send(price="14", lead_days="soon") == 422
    assert three.send(lead_days="10") == 409
    why = three.why("terms-price")
    assert "The price is 13.00 by now; this page showed 12.00" in why
    assert "the lead time in days is 9 by now; this page showed 7.5." in why
    assert (three.fields["price"], three.fields["lead_days"]) == ("14", "10")
    assert three.fields["pack"] == "5"
    assert three.send() == 303
    # A figure of the one supplier is not told of the other.
    one, two = (Tablet(lead, item, f"{item}/terms") for _ in range(2))
    other = next(n for n in ("1", "2") if n != one.fields["supplier_id"])
    assert one.send(supplier_id=other, price="9") == 303
    assert two.send(lead_days="3") == 409
    assert "The supplier is 'Spares 2' by now; this page showed 'Spares 1'." in two.why(
        "terms-supplier"
    )
    assert (two.fields["supplier_id"], two.fields["lead_days"]) == (other, "3")
    assert two.send() == 303
    terms = shelf.line(shelf.nozzle).terms
    assert terms is not None
    assert (terms.supplier, terms.price, terms.lead_days) == ("Spares 2", 9.0, 3.0)
    fields = {k: v for k, v in two.fields.items() if not k.startswith("shown_")}
    assert lead.post(f"{item}/terms", data=fields | {"price": "1"}).status_code == 409


@pytest.mark.parametrize("own", [True, False], ids=["of an item", "of the shop"])
def test_at_a_rule(shelf: Shelf, lead: TestClient, *, own: bool) -> None:
    page = f"/shelf/items/{shelf.nozzle}" if own else "/shelf/setup"
    url = f"{page}/rule" if own else "/shelf/rule"
    one, two, three = (Tablet(lead, page, url) for _ in range(3))
    assert one.send(service="97") == 303
    assert two.send(hold_rate="57", keep_least="2") == 303
    rule = shelf.line(shelf.nozzle).rule
    assert (rule.service, rule.keep_least, rule.of) == (0.97, 2, "item" if own else "shop")
    assert three.send(service="99", hold_rate="0.2", reason="too often short") == 422
    assert three.send(hold_rate="20 %") == 409
    why = three.why("rule-service")
    # 20 % typed anew where 20 was shown is no change: the other's 57 % is not in question.
    assert "a year" not in why
    assert "The share to be met is 97 % by now; this page showed 95 %" in why
    assert "<b>97.0 %</b> of what is needed" in three.text
    assert 'id="rule-form" open' in three.text
    assert (three.fields["service"], three.fields["reason"]) == ("99", "too often short")
    assert (three.fields["shown_service"], three.fields["hold_rate"]) == ("97", "57")
    assert three.send() == 303
    rule = shelf.line(shelf.nozzle).rule
    assert (rule.service, rule.keep_least) == (0.99, 2)
    assert rule.hold_rate == pytest.approx(0.57)
