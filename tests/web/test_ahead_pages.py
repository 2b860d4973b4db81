"""The card's starts left and the page of what lies ahead, over HTTP: every state, any address."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import unescape
from urllib.parse import parse_qsl, urlencode, urlsplit

import pytest
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import ahead as ahead_service
from pitwise.services import ahead_page, fittings, imports, programs
from pitwise.services.forecasts import keep_up
from pitwise.services.limits import limits_view
from pitwise.web.ahead_pages import address, worked

HX = {"HX-Request": "true"}
Client = Callable[[str | None], TestClient]
CUT = "G0 X{0}\nM3\nG4 P0.5\nG1 Y{1} F2500\nM5\n"


def bring(floor: Floor, name: str = "bracket-12.nc", starts: int = 60) -> int:
    text = "G21\n" + "".join(CUT.format(n, 40 + n % 7) for n in range(starts))
    floor.clock.forward(minutes=1)
    return imports.import_file(
        floor.shop, floor.tech, name, text.encode(), way="upload"
    ).program_ids[0]


def asked(*pairs: tuple[str, object]) -> str:
    return "/ahead?" + urlencode(pairs)


def test_the_card_tells_starts_left(lite: Floor, client_of: Client) -> None:
    tech = client_of("tom")
    page = tech.get("/torches").text
    assert "starts left" in page
    assert "prior speaking" in page
    assert "No program to tell it in plates" in page
    assert 'href="/ahead?torch=1"' in page
    bring(lite)
    lite.inspect("0.02 mm", starts="10", minutes="4")
    lite.inspect("0.40 mm", starts="310", minutes="124")
    keep_up(lite.shop)
    tech = client_of("tom")
    page = tech.get("/torches/1").text
    assert re.search(r"About <b>[\d\u202f]+</b> starts left", page)
    assert "of bracket-12.nc" in page
    fittings.remove_part(lite.shop, lite.tech, 1, "electrode")
    assert "No electrode fitted" in tech.get("/torches/1").text


def test_at_the_limit_the_card_says_so_in_words(
    lite: Floor, tech: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(
        "pitwise.services.views.starts_left",
        lambda *_: ahead_service.StartsLeft(0.0, 0.0, 3.2, 0.5, 1.5, "Basis.", None),
    )
    page = tech.get("/torches/1").text
    assert "At the limit, by the forecast" in page
    assert "at best about 3 starts more" in page
    monkeypatch.setattr("pitwise.services.views.starts_left", lambda *_: None)
    assert "No limit holds" in tech.get("/torches/1").text


def test_empty_states_say_what_to_do(lite: Floor, tech: TestClient) -> None:
    assert "Choose a torch above" in tech.get("/ahead").text
    page = tech.get("/ahead?torch=1").text
    assert "No cut program is in the book yet" in page
    assert "/programs#import" in page
    one = bring(lite)
    page = tech.get("/ahead?torch=1").text
    assert "Choose a program above" in page
    assert f'<option value="{one}">bracket-12.nc' in page
    fittings.remove_part(lite.shop, lite.tech, 1, "electrode")
    page = tech.get(asked(("torch", 1), ("p", one), ("n", 2))).text
    assert "No electrode is fitted" in page
    assert 'href="/torches/1"' in page


def test_without_a_limit_there_is_nothing_to_stay_below(
    lite: Floor, tech: TestClient, lead: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = bring(lite)
    assert limits_view(lite.shop, lite.tech)
    monkeypatch.setattr(ahead_page, "_lack", lambda *_: "limit")
    url = asked(("torch", 1), ("p", one), ("n", 2))
    assert "Ask a lead to enter" in tech.get(url).text
    assert 'href="/limits"' in lead.get(url).text


def test_an_answer_is_whole_without_scripts(lite: Floor, tech: TestClient) -> None:
    one, two = bring(lite), bring(lite, "flange.nc", 90)
    answer = tech.get(asked(("torch", 1), ("p", one), ("n", 4), ("p", two), ("n", 3)))
    assert answer.status_code == 200
    page = unescape(answer.text)
    assert page.count("<svg") >= 3
    assert "Plates finished" in page
    assert "Replace at or above 1.5 mm / 60 thou" in page
    assert "assumed, not set by the shop" in page
    assert 'href="/shop/station/1/settings"' in page
    assert "cost units" in page
    assert "A forecast is an estimate; the limit stands" in page
    assert "prior speaking" in page
    assert not re.search(r"\b(0|100) %</b>", page)
    assert "style=" not in page
    assert "data-print" in page


def test_buttons_lead_to_an_address_that_holds_all(lite: Floor, tech: TestClient) -> None:
    one, two = bring(lite), bring(lite, "flange.nc", 90)
    base = [("torch", 1), ("p", one), ("n", 4), ("p", two), ("n", 3)]

    def after(*more: tuple[str, object]) -> list[tuple[str, str]]:
        answer = tech.get(asked(*base, *more))
        assert answer.status_code == 303
        return parse_qsl(urlsplit(answer.headers["location"]).query)

    a, b = str(one), str(two)
    same = [("torch", "1"), ("p", a), ("n", "4"), ("p", b), ("n", "3")]
    assert after(("do", "more:0")) == [*same[:2], ("n", "5"), *same[3:]]
    assert after(("do", "fewer:1")) == [*same[:4], ("n", "2")]
    assert after(("do", "down:0")) == [same[0], *same[3:], *same[1:3]]
    assert after(("do", "up:0")) == same
    assert after(("do", "off:0")) == [same[0], *same[3:]]
    assert after(("add", two)) == [*same, ("p", b), ("n", "1")]
    for nothing in ("more:9", "more:-1", "more:x", "burn:0", ":", "more:٣"):
        assert after(("do", nothing)) == same
    # With htmx the page's middle comes at once, and the address follows.
    touch = tech.get(asked(*base, ("do", "more:0")), headers=HX)
    assert touch.status_code == 200
    assert touch.headers["hx-push-url"] == address(["1"], [(a, "5"), (b, "3")])
    assert "<html" not in touch.text
    assert 'value="5"' in touch.text


def test_counting_down_stops_at_one_and_up_at_the_most() -> None:
    assert worked([("7", "1")], "fewer:0", "") == [("7", "1")]
    assert worked([("7", "200")], "more:0", "") == [("7", "200")]
    assert worked([("7", "abc")], "more:0", "") == [("7", "1")]
    assert worked([("7", "9" * 50)], "more:0", "") == [("7", "1")]


@pytest.mark.parametrize(
    "query",
    [
        "torch=1&p=1&n=999999999999999999999",
        "torch=1&p=1&n=-4",
        "torch=1&p=1&n=two",
        "torch=1&p=1&n=%F0%9F%94%A5",
        "torch=1&p=1&n=1e309",
        "torch=1&p=1",
        "torch=1&n=5",
        "torch=1&p=&n=",
        "torch=1&p=99999999999&n=1",
        "torch=99999999999999&p=1&n=1",
        "torch=-1&p=1&n=1",
        "torch=%00&p=%00&n=%00&find=%00",
        "torch=<script>&p=<script>alert(1)</script>&n=<b>",
        "torch=1&p=1&n=1&find=%25%27%22",
        "torch=1&p=1&n=1&unknown=7",
        "torch=" + "9" * 4000,
        "find=" + "x" * 4000,
    ],
)
def test_no_address_breaks_the_page(lite: Floor, tech: TestClient, query: str) -> None:
    bring(lite)
    answer = tech.get(f"/ahead?{query}")
    assert answer.status_code == 200
    assert "<script>alert" not in answer.text
    assert "<h1>Ahead" in answer.text


def test_ten_thousand_programs_in_the_address_are_cut_short(lite: Floor, tech: TestClient) -> None:
    one = bring(lite, starts=3)
    answer = tech.get(asked(("torch", 1), *[("p", one)] * 10_000))
    assert answer.status_code == 200
    assert "Only the first 60 of 10000" in answer.text
    assert answer.text.count('name="p"') == 60


def test_a_withdrawn_program_is_named_and_the_rest_works(lite: Floor, tech: TestClient) -> None:
    one, two = bring(lite), bring(lite, "gone.nc", 7)
    programs.withdraw(lite.shop, lite.tech, two)
    page = tech.get(asked(("torch", 1), ("p", one), ("n", 2), ("p", two), ("n", 1))).text
    assert "it is withdrawn" in page
    assert f'href="/programs/{two}"' in page
    assert "Look ahead: 2 plates" in page
    assert "Plates finished" in page


def test_many_plates_fold_and_more_than_the_most_are_refused(lite: Floor, tech: TestClient) -> None:
    one = bring(lite, starts=4)
    page = tech.get(asked(("torch", 1), ("p", one), ("n", 120))).text
    assert "odds and depth after the last" in page
    assert page.count("<tr") < 60
    page = tech.get(asked(("torch", 1), ("p", one), ("n", 150), ("p", one), ("n", 150))).text
    assert "look less far ahead" in page


def test_a_shared_queue_is_a_table_that_leads_to_each_torch(lite: Floor, tech: TestClient) -> None:
    one = bring(lite)
    page = tech.get(asked(("torch", 1), ("torch", 2), ("p", one), ("n", 5))).text
    assert "5 plates for 2 torches" in page
    links = [unescape(x) for x in re.findall(r'href="(/ahead\?torch=\d[^"]+)"', page)]
    assert len(links) == 2
    for link in links:
        assert "Plates finished" in tech.get(link).text
    fittings.remove_part(lite.shop, lite.tech, 2, "electrode")
    page = tech.get(asked(("torch", 1), ("torch", 2), ("p", one), ("n", 5))).text
    assert "Torch B takes no plate" in page


def test_what_the_book_does_not_have_stays_as_it_was_asked(lite: Floor, tech: TestClient) -> None:
    one = bring(lite)
    page = tech.get(asked(("torch", 1), ("p", "abc"), ("n", 1), ("p", 77), ("n", 2), ("p", one)))
    assert 'name="p" value="abc"' in page.text
    assert 'name="p" value="77"' in page.text
    assert 'href="/programs/77"' not in page.text
    assert f'href="/programs/{one}"' in page.text
