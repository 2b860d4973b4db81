"""The wear page over HTTP, fitting again, and what follows a signature."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Any

import pytest
from fastapi.testclient import TestClient
from sqlalchemy import func, select

from kit import Floor
from pitwise.records.wear_tables import Forecast, WearFit
from pitwise.services import drafts, signing
from pitwise.services.forecasts import Coverage, keep_up
from pitwise.web import keeping_up
from pitwise.web.keeping_up import KeepingUp

HX = {"HX-Request": "true"}
Client = Callable[[str | None], TestClient]


def sign_some(floor: Floor, count: int = 4) -> None:
    for k in range(count):
        floor.inspect(f"{0.02 + 0.2 * k:.2f} mm", starts=str(10 + 200 * k), minutes=str(4 + 80 * k))
        keep_up(floor.shop)


def count(floor: Floor, table: Any) -> int:
    with floor.shop.database.read() as session:
        return session.scalar(select(func.count()).select_from(table)) or 0


def test_before_any_reading(tech: TestClient, lead: TestClient) -> None:
    page = tech.get("/wear").text
    assert "No fit yet" in page
    assert "No forecast has met its reading yet" in page
    assert "Fit again" not in page
    assert 'action="/wear/fit"' not in lead.get("/wear").text
    answer = lead.post("/wear/fit")
    assert answer.status_code == 422
    assert "no signed pit reading" in answer.text


def test_a_lead_fits_and_old_stands_by_new(lite: Floor, client_of: Client) -> None:
    sign_some(lite, 2)
    lead = client_of("lin")
    page = lead.get("/wear").text
    assert "by Pitwise as readings came in" in page
    assert "Fit again" in page
    lite.inspect("0.50 mm", starts="600", minutes="240")
    lead, tech = client_of("lin"), client_of("tom")
    assert "<b>2</b> readings more" in lead.get("/wear").text
    answer = lead.post("/wear/fit")
    assert answer.headers["location"] == "/wear?done=fitted"
    page = lead.get("/wear?done=fitted").text
    assert "Old and new rates stand side by side" in page
    assert "By the fit before" in page
    assert "by Lin Ödegård" in page
    assert "300 A mild steel" in page
    assert "<svg" in page
    assert "style=" not in page
    assert tech.post("/wear/fit").status_code == 403
    assert lead.post("/wear/fit", headers={"Origin": "http://evil.example"}).status_code == 403


def test_few_scored_forecasts_tell_nothing_and_many_do(
    lite: Floor, client_of: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    sign_some(lite)
    tech = client_of("tom")
    page = tech.get("/wear").text
    assert "Too few to tell" in page
    assert "tenth of their forecast" not in page
    for scored, inside, low, high, word in (
        (45, 41, 0.79, 0.97, "That agrees with 90 %"),
        (200, 150, 0.69, 0.81, "Too few inside"),
        (400, 396, 0.97, 0.997, "More inside than said"),
    ):
        bins = tuple(scored // 10 for _ in range(10))
        found = Coverage(scored, inside, low, high, 2, scored - inside - 2, bins, 0.05)
        monkeypatch.setattr("pitwise.services.wear_page.coverage", lambda _, f=found: f)
        page = tech.get("/wear").text
        assert f"<b>{inside} of {scored}</b> readings fell inside" in page
        assert f"interval of the true share {round(100 * low)} to" in page
        assert word in page
        assert "tenth of their forecast" in page


def ready(floor: Floor) -> int:
    number = floor.draft()
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.31 mm", key=floor.key())
    return number


def test_a_signature_on_the_web_is_followed_by_its_forecast(lite: Floor, client_of: Client) -> None:
    sign_some(lite, 2)
    tech = client_of("tom")
    before = count(lite, Forecast)
    number = ready(lite)
    answer = tech.post(
        f"/bench/{number}/sign",
        data={"key": lite.key(), "starts": "420", "arc_minutes": "170"},
        headers=HX,
    )
    assert answer.status_code == 204
    assert count(lite, Forecast) == before + 1
    with lite.shop.database.read() as session:
        assert (
            session.scalars(
                select(Forecast.scored_inspection_id).where(Forecast.scored_at.is_not(None))
            ).all()[-1]
            == number
        )
    # And so is a correction: what was forecast from the old record is void.
    lite.clock.forward(minutes=5)
    fixed = signing.correct(lite.shop, lite.tech, number, reason="slip", key=lite.key())
    drafts.add_reading(lite.shop, lite.tech, fixed, "0.33 mm", key=lite.key())
    answer = tech.post(
        f"/bench/{fixed}/sign",
        data={"key": lite.key(), "starts": "420", "arc_minutes": "170"},
        headers=HX,
    )
    assert answer.status_code == 204, answer.text
    with lite.shop.database.read() as session:
        void = session.scalars(select(Forecast.inspection_id).where(Forecast.void)).all()
        assert number in void


def test_what_fails_after_a_signature_is_logged_and_the_record_stands(
    lite: Floor,
    tech: TestClient,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    def fail(_: object) -> None:
        raise RuntimeError("no room left")

    monkeypatch.setattr(keeping_up, "keep_up", fail)
    number = ready(lite)
    with caplog.at_level(logging.ERROR):
        answer = tech.post(f"/bench/{number}/sign", data={"key": lite.key()}, headers=HX)
    assert answer.status_code == 204
    assert tech.get(f"/records/{number}").status_code == 200
    assert "no room left" in caplog.text
    assert "Forecasts were not brought up to date" in caplog.text


def test_signatures_meanwhile_are_one_more_round(
    lite: Floor, monkeypatch: pytest.MonkeyPatch
) -> None:
    rounds: list[int] = []
    begun, go_on = threading.Event(), threading.Event()

    def slow(_: object) -> None:
        rounds.append(1)
        begun.set()
        assert go_on.wait(10)

    monkeypatch.setattr(keeping_up, "keep_up", slow)
    own = KeepingUp(lite.shop)
    first = threading.Thread(target=own.after_signing)
    first.start()
    assert begun.wait(10)
    for _ in range(5):
        own.after_signing()
    go_on.set()
    first.join(10)
    assert len(rounds) == 2
    own.after_signing()
    assert len(rounds) == 3


def test_fits_are_in_the_book_once_each(lite: Floor, client_of: Client) -> None:
    sign_some(lite, 2)
    lead = client_of("lin")
    before = count(lite, WearFit)
    lead.post("/wear/fit")
    assert count(lite, WearFit) == before + 1
