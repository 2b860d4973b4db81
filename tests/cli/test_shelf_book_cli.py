"""`pitwise shelf stock|forecast|order-list|alerts` on a book."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

from kit import Floor, open_floor
from pitwise.cli.main import run
from pitwise.services import shelf_items, shelf_ledger, shelf_suppliers, shelf_terms, shopfloor


@pytest.fixture(scope="module")
def book(
    tmp_path_factory: pytest.TempPathFactory, session_folder: Path
) -> Iterator[tuple[str, Floor]]:
    """A book with a year's wear in small, one nozzle on the shelf, terms for it."""
    folder = tmp_path_factory.mktemp("shelf")
    with open_floor("sqlite", folder, session_folder) as floor:
        starts = 0
        for k in range(6):
            floor.inspect(f"{0.2 * k:.2f} mm", starts=str(starts), minutes=str(starts // 2))
            floor.clock.forward(days=2)
            starts += 270
        with floor.shop.database.read() as session:
            types = [t.id for t in shelf_items.missing_types(session)]
        shelf_items.add_items_for_types(floor.shop, floor.lead, types)
        lines = shelf_items.item_lines(floor.shop, floor.lead)
        nozzle = next(x.id for x in lines if x.part == "nozzle")
        shelf_terms.set_terms(
            floor.shop,
            floor.lead,
            nozzle,
            supplier_id=shelf_suppliers.add_supplier(
                floor.shop, floor.lead, name="[Hearth] & Vale"
            ),
            price="21.50",
            currency="EUR",
            pack="5",
            lead_days="20",
            lead_days_sd="3",
        )
        shelf_ledger.goods_in(floor.shop, floor.tech, item_id=nozzle, pieces="1", key=floor.key())
        yield str(floor.shop.database.url), floor


@pytest.fixture
def at_its_day(book: tuple[str, Floor], monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The command's words up to `shelf`, with the clock where the book ends."""
    now: dt.datetime = book[1].clock.now
    defaults = shopfloor.Shop.__init__.__defaults__
    assert defaults is not None
    monkeypatch.setattr(shopfloor.Shop.__init__, "__defaults__", (lambda: now, *defaults[1:]))
    return ["--database", book[0], "shelf"]


def ask(words: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(words) == 0
    return capsys.readouterr().out


def test_stock(at_its_day: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    shown = ask([*at_its_day, "stock"], capsys)
    assert "nozzle 300" in shown
    assert "9 times in 10" in shown
    items = json.loads(ask([*at_its_day, "stock", "--json"], capsys))["items"]
    nozzle = next(x for x in items if x["item"] == "nozzle 300")
    assert nozzle["on_shelf"] == 1
    assert nozzle["days_left"]["p05"] <= nozzle["days_left"]["median"]
    assert nozzle["advice"]["order_now"] % 5 == 0
    assert nozzle["advice"]["rule"] == "assumed"
    electrode = next(x for x in items if x["item"] == "electrode 300")
    assert "no supplier" in electrode["advice"]["cant_tell"]


def test_forecast(at_its_day: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    shown = ask([*at_its_day, "forecast"], capsys)
    assert "nozzle 300: " in shown
    assert " in 4 weeks, " in shown
    own = json.loads(ask([*at_its_day, "forecast", "NOZZLE 300", "--json"], capsys))["items"]
    assert len(own) == 1
    assert len(own[0]["weeks"]) == 12
    one = ask([*at_its_day, "forecast", own[0]["code"].lower()], capsys)
    assert "Week from" in one
    assert "starts a day by its counters" in one
    assert run([*at_its_day, "forecast", "S-9999"]) == 2
    assert "no item has this code" in capsys.readouterr().err


def test_order_list(
    at_its_day: list[str], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    shown = ask([*at_its_day, "order-list"], capsys)
    assert "[Hearth] & Vale" in shown
    assert "All of it: " in shown
    found = json.loads(ask([*at_its_day, "order-list", "--json"], capsys))
    (supplier,) = found["suppliers"]
    (row,) = supplier["items"]
    assert supplier["total"] == row["sum"] == row["pieces"] * 21.5
    table = list(csv.DictReader(io.StringIO(ask([*at_its_day, "order-list", "--csv"], capsys))))
    assert [int(r["pieces"]) for r in table] == [row["pieces"]]
    place = tmp_path / "list.pdf"
    ask([*at_its_day, "order-list", "--pdf", str(place)], capsys)
    assert place.read_bytes().startswith(b"%PDF")
    assert run([*at_its_day, "order-list", "--pdf", str(tmp_path / "no" / "x.pdf")]) == 2
    assert "can't be written" in capsys.readouterr().err
    assert run([*at_its_day, "order-list", "--csv", "--json"]) == 2
    assert "choose one" in capsys.readouterr().err


def test_alerts(at_its_day: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    shown = ask([*at_its_day, "alerts"], capsys)
    assert shown.startswith(("SHORT: nozzle 300: order ", "ORDER: nozzle 300: order "))
    assert "NO TERMS: electrode 300" in shown
    found = json.loads(ask([*at_its_day, "alerts", "--json"], capsys))["alerts"]
    assert found[0]["item"] == "nozzle 300"
    assert found[0]["level"] in ("short", "order-now")


def test_an_empty_shelf(
    tmp_path: Path, session_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with open_floor("sqlite", tmp_path, session_folder) as floor:
        words = ["--database", str(floor.shop.database.url), "shelf"]
        assert "Nothing is kept" in ask([*words, "stock"], capsys)
        assert "Nothing is kept" in ask([*words, "forecast"], capsys)
        assert "Nothing is to be ordered" in ask([*words, "order-list"], capsys)
        assert "Nothing that can't wait" in ask([*words, "alerts"], capsys)
