"""Pages and touches: what they show, and what bad forms are told."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import drafts

HX = {"HX-Request": "true"}
Client = Callable[[str | None], TestClient]


def open_bench(floor: Floor, client: TestClient) -> str:
    answer = client.post(f"/torches/{floor.torch}/inspect", data={"key": floor.key()})
    bench = answer.headers["location"]
    client.post(f"{bench}/cautions", headers=HX)
    return bench


def test_the_whole_job_over_http(lite: Floor, tech: TestClient) -> None:
    bench = open_bench(lite, tech)
    page = tech.get(bench).text
    assert 'data-step="shield-cap"' in page
    for part in lite.shop.base.parts:
        data = {"part": part.id, "key": lite.key()}
        if part.id == "electrode":
            data["pit"] = "1,52"
        answer = tech.post(f"{bench}/look", data=data, headers=HX)
        assert answer.status_code == 200
    assert 'data-step="sign"' in answer.text
    revision = re.search(r'name="revision" value="(\d+)"', answer.text)
    assert revision
    done = tech.post(
        f"{bench}/sign",
        headers=HX,
        data={"key": lite.key(), "revision": revision[1], "starts": "1 200", "note": "<b>&"},
    )
    assert done.status_code == 204
    record = tech.get(done.headers["hx-redirect"])
    assert "Work: clean or replace" in record.text
    assert "&lt;b&gt;&amp;" in record.text
    number = bench.rsplit("/", 1)[1]
    sheet = tech.get(f"/records/{number}/sheet.pdf")
    assert sheet.headers["content-type"] == "application/pdf"
    assert sheet.content == tech.get(f"/records/{number}/sheet.pdf").content
    assert tech.get(bench).headers["location"] == f"/records/{number}"


def test_a_refused_signature_shows_what_is_open_and_keeps_what_was_typed(
    lite: Floor, tech: TestClient
) -> None:
    bench = open_bench(lite, tech)
    answer = tech.post(
        f"{bench}/sign", data={"key": lite.key(), "starts": "777", "note": "keep me"}, headers=HX
    )
    assert answer.status_code == 422
    assert "Shield cap: not looked over" in answer.text
    assert 'value="777"' in answer.text
    assert "keep me" in answer.text


def test_a_signature_after_another_tablets_touch_is_refused(
    lite: Floor, tech: TestClient, lead: TestClient
) -> None:
    bench = open_bench(lite, tech)
    number = int(bench.rsplit("/", 1)[1])
    lite.look_all(number)
    draft = drafts.add_reading(lite.shop, lite.tech, number, "0.4", key=lite.key())
    lead.post(
        f"{bench}/mark", headers=HX, data={"part": "nozzle", "finding": "crack", "state": "seen"}
    )
    answer = tech.post(
        f"{bench}/sign", headers=HX, data={"key": lite.key(), "revision": draft.row.revision}
    )
    assert answer.status_code == 409
    assert "touched on another tablet" in answer.text
    assert "replace" in answer.text


BAD = [
    ("look", {}, "Part"),
    ("look", {"part": "nozle"}, "not a part"),
    ("look", {"part": "electrode", "pit": "1.4 cm", "key": "key-for-test"}, "unknown unit"),
    ("look", {"part": "electrode", "pit": "1.4 mm", "key": ""}, "no key"),
    ("mark", {"part": "nozzle"}, "Finding"),
    ("mark", {"part": "nozzle", "finding": "x", "state": "seen"}, "no finding"),
    ("mark", {"part": "nozzle", "finding": "crack", "state": "on"}, "seen, absent or none"),
    ("reading", {"pit": "", "key": "key-for-test"}, "empty"),
    ("reading", {"pit": "-1", "key": "key-for-test"}, "negative"),
    ("reading", {"pit": "१.२.३", "key": "key-for-test"}, "can"),
    ("reading", {"pit": "9" * 500, "key": "key-for-test"}, "too long"),
    ("reading", {"pit": "1.4", "key": "<script>"}, "no key"),
    ("reading/remove", {"reading_id": "x"}, "Reading id"),
    ("answer", {"code": "nothing"}, "not open any more"),
    ("overrule", {"part": "nozzle", "action": "polish", "reason": "because"}, "not an action"),
    ("overrule", {"part": "nozzle", "action": "keep", "reason": ""}, "Reason"),
    ("overrule", {"part": "nozzle", "action": "keep", "reason": "was fine"}, "not looked at"),
    ("use", {"starts": "many"}, "whole number"),
    ("use", {"arc_minutes": "1:30"}, "not a number"),
    ("use", {"note": "n" * 2000}, "longer than 1000"),
    ("sign", {"key": ""}, "no key"),
    ("sign", {"key": "key-for-test", "revision": "x"}, "Revision"),
]


@pytest.mark.parametrize(("touch", "data", "word"), BAD)
def test_bad_touches_name_the_place_and_mend(
    lite: Floor, tech: TestClient, touch: str, data: dict[str, str], word: str
) -> None:
    bench = open_bench(lite, tech)
    answer = tech.post(f"{bench}/{touch}", data=data, headers=HX)
    assert 400 <= answer.status_code < 500
    assert word in answer.text
    assert "Traceback" not in answer.text
    if answer.status_code != 409 and "outcome" not in answer.text:
        assert answer.headers["hx-retarget"] == "#message"


FITTING = {"key": "tests-key", "seen": "nozzle:0"}

ADMIN_BAD = [
    ("/people", {"login": "x y", "name": "n", "password": "long enough words"}, "Sign-in name"),
    ("/people", {"login": "x", "name": "n", "password": "short"}, "shorter than 10"),
    ("/people", {"login": "tom", "name": "n", "password": "long enough words"}, "taken"),
    ("/people/1", {"role": "lead"}, "last admin"),
    ("/people/99", {"role": "lead"}, "no person"),
    ("/shop/station", {"name": ""}, "is empty"),
    ("/shop/station", {"name": "Table 1"}, "already"),
    ("/shop/station", {"name": "x", "coolant": "beer"}, "not known"),
    ("/shop/process", {"name": "x", "amps": "3e5"}, "not a number"),
    ("/shop/process", {"name": "x", "amps": "99999"}, "out of range"),
    ("/shop/gauge", {"name": "x", "unit": "furlong"}, "not a unit"),
    ("/shop/gauge", {"name": "x", "u_mm": "0.02"}, "Say where the figure"),
    ("/shop/gauge", {"name": "x", "u_mm": "20", "source": "s"}, "out of range"),
    ("/shop/torch", {"name": "x"}, "no station"),
    (
        "/shop/torch",
        {"name": "x", "station_id": "1", "process_id": "1", "gauge_id": "1", "due_starts": "0"},
        "out of range",
    ),
    ("/shop/part-type", {"part": "hat", "name": "x"}, "not a part"),
    ("/limits", {"depth": "1.2", "compare": ">", "source": "s", "reason": "r"}, "no unit"),
    ("/limits/9/withdraw", {"reason": "r"}, "not in the book"),
    ("/torches/1/fit", FITTING, "no part type"),
    ("/torches/1/fit", FITTING | {"item_tag": "none"}, "has the tag"),
    ("/torches/99/fit", FITTING | {"part_type_id": "1"}, "no torch"),
    ("/torches/1/take-out", FITTING | {"part": "hat"}, "is fitted"),
    ("/records/99/correct", {"reason": "r", "key": "key-for-test"}, "no signed inspection"),
    ("/me", {"old": "wrong", "new": "long enough words"}, "not right"),
]


@pytest.mark.parametrize(("path", "data", "word"), ADMIN_BAD)
def test_bad_forms_name_the_place_and_mend(
    admin: TestClient, path: str, data: dict[str, str], word: str
) -> None:
    answer = admin.post(path, data=data, headers=HX)
    assert 400 <= answer.status_code < 500
    assert word in answer.text
    whole = admin.post(path, data=data)
    assert whole.status_code == answer.status_code
    assert "Nothing was changed" in whole.text


@pytest.mark.parametrize(
    "path",
    [
        "/torches/99",
        "/records/99",
        "/parts/99",
        "/bench/99",
        "/torches/x",
        "/records?page_number=x",
        "/nowhere",
        "/records/1/sheet.pdf",
        "/torches/99999999999999999999999",
    ],
)
def test_what_is_not_there_answers_4xx(tech: TestClient, path: str) -> None:
    answer = tech.get(path)
    assert 400 <= answer.status_code < 500
    assert "Traceback" not in answer.text


def test_names_that_look_like_markup_are_shown_as_typed(lite: Floor, admin: TestClient) -> None:
    name = "<img src=x onerror=alert(1)> & “Söhne”"
    admin.post("/shop/station", data={"name": name})
    page = admin.get("/shop").text
    assert "<img" not in page
    assert "&lt;img src=x onerror=alert(1)&gt; &amp; “Söhne”" in page


def test_every_page_and_chart_of_a_worked_book(lite: Floor, client_of: Client) -> None:
    for pit in ("0.40", "0.62", "0.88"):
        number = lite.inspect(pit, starts=str(1000 + int(float(pit) * 400)))
    tech = client_of("tom")
    wrong = tech.post(f"/records/{number}/correct", data={"reason": "x", "key": "key-for-test"})
    assert wrong.headers["location"].startswith("/bench/")
    for path in (
        "/torches",
        f"/torches/{lite.torch}",
        "/records",
        "/records/1",
        "/parts",
        "/parts?find=EL",
        "/limits",
        "/people",
        "/shop",
        "/about",
        "/me",
        wrong.headers["location"],
    ):
        answer = tech.get(path)
        assert answer.status_code == 200, path
        assert " style=" not in answer.text, path
        assert "<style" not in answer.text, path
    link = re.search(r'href="(/parts/\d+)">EL-', tech.get(f"/torches/{lite.torch}").text)
    assert link
    page = tech.get(link[1]).text
    assert page.count('class="pit-chart') == 2
    assert " style=" not in page
