"""The page of lives in the browser's hands."""

from __future__ import annotations

import re
from collections.abc import Callable

from fastapi.testclient import TestClient

from kit import Floor
from life_kit import lose_all
from pitwise.services import fittings

Clients = Callable[[str | None], TestClient]


def test_lives_need_a_person(client_of: Clients) -> None:
    for path in ("/life", "/life.csv"):
        assert client_of(None).get(path).headers["location"].startswith("/sign-in")


def test_an_empty_book_says_what_to_do(tech: TestClient) -> None:
    page = tech.get("/life").text
    assert "Too few electrodes to tell" in page
    assert "<svg" not in page.split("<main")[1]


def test_the_page_tells_compares_and_draws(client_of: Clients, lite: Floor) -> None:
    lose_all(lite, [300, 420, 360])
    lose_all(lite, [500, 640, 560], torch=lite.other)
    tech = client_of("tom")
    answer = tech.get("/life?part=electrode&by=torch")
    assert answer.status_code == 200
    text = answer.text
    for words in (
        "Torch A: half of the electrodes are lost in the cut by",
        "Torch B: half of the electrodes are lost in the cut by",
        "Why they came out",
        "Emitter blown or face melted",
        "Changed while still good",
        "In brackets: the range that holds the true figure with 95 % certainty.",
    ):
        assert words in text, words
    assert text.count('class="pit-chart"') == 4
    # Every picture says what it shows to those who can't see it.
    labels = re.findall(r'role="img" aria-label="([^"]+)"', text)
    assert sum("Torch A: half by" in x for x in labels) == 2
    links = [x for x in re.findall(r'href="(/life[^"#]*)', text) if "part=" in x]
    assert links
    # One part, one group against the others, and the file: each drawn page takes its time.
    for link in list(dict.fromkeys(links))[:1] + links[-2:]:
        assert tech.get(link.replace("&amp;", "&")).status_code == 200, link
    assert "selected>torch</option>" in text


def test_the_csv_is_kept_under_its_name(client_of: Clients, lite: Floor) -> None:
    lose_all(lite, [300, 420])
    answer = client_of("tom").get("/life.csv?part=electrode&end=worn&by=torch")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    assert "lives-electrode-worn-starts.csv" in answer.headers["content-disposition"]
    assert answer.text.splitlines() == [
        "lower,upper,count,group",
        "300,,1,Torch A",
        "420,,1,Torch A",
    ]


def test_what_is_not_known_is_refused_in_words(tech: TestClient) -> None:
    for query, status in (
        ("part=cap", 422),
        ("by=colour", 422),
        ("process=x", 422),
        ("process=77", 404),
        ("by=torch&one=Torch+Z", 404),
        ("by=cure&case=5", 404),
        ("case=x", 422),
        ("part=" + "x" * 300, 422),
    ):
        answer = tech.get(f"/life?{query}")
        assert answer.status_code == status, query
        assert "Lives" not in re.findall(r"<h1>(.*?)</h1>", answer.text)


def test_names_people_typed_stay_text(client_of: Clients, lite: Floor) -> None:
    lose_all(lite, [300])
    with lite.shop.database.read() as session:
        kind = fittings.fitted(session, lite.torch)["electrode"].item.part_type_id
    lite.clock.forward(hours=1)
    fittings.fit_part(
        lite.shop, lite.tech, lite.torch, part_type_id=kind, lot="<script>alert(1)</script>"
    )
    lite.clock.forward(days=1)
    lite.inspect("0.40 mm", starts="400", minutes="300")
    lite.inspect("0.40 mm", starts="450", minutes="300")
    page = client_of("tom").get("/life?part=electrode&by=lot").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert(1)" in page


def test_no_case_yet_leads_to_the_causes(tech: TestClient) -> None:
    page = tech.get("/life?by=cure").text
    assert "No case is closed yet" in page
    assert 'href="/causes"' in page
