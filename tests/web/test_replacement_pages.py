"""The page of when to change over HTTP."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from kit import PASSWORD, Floor
from kit_replacement_book import look, open_worn
from pitwise.services import people, setup
from pitwise.web.app import create_app
from web_fixture import ORIGIN


def signed_in(floor: Floor) -> TestClient:
    client = TestClient(create_app(floor.shop), base_url=ORIGIN, follow_redirects=False)
    token = people.sign_in(floor.shop, login="tom", password=PASSWORD, address="test")
    client.cookies.set("pitwise_session", token)
    return client


@pytest.fixture
def worn(tmp_path: Path, session_folder: Path) -> Iterator[Floor]:
    with open_worn(tmp_path, session_folder) as floor:
        yield floor


def test_before_any_use(tech: TestClient) -> None:
    answer = tech.get("/change")
    assert answer.status_code == 200
    assert "Can’t tell." in answer.text
    assert "No use is on record" in answer.text
    assert "<svg" not in answer.text.split("<main")[1]
    assert "The limit stands" in answer.text


def test_a_process_that_is_none_is_named_with_its_mend(tech: TestClient) -> None:
    for wrong in ("0", "4711", "x", "-1", "9" * 20):
        answer = tech.get("/change", params={"process": wrong})
        assert answer.status_code in (404, 422)
        assert "process" in answer.text.lower()


def test_nobody_sees_it_without_signing_in(lite: Floor) -> None:
    client = TestClient(create_app(lite.shop), base_url=ORIGIN, follow_redirects=False)
    answer = client.get("/change")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/sign-in?next=/change"


def test_habit_and_advice_stand_side_by_side(worn: Floor) -> None:
    with signed_in(worn) as client:
        page = client.get("/change").text
    main = page.split("<main")[1]
    assert main.count("<svg") == 2
    for words in (
        "The habit now",
        "Best looks and depth",
        "By starts alone, without gauging",
        "– advised",
        "Past the limit",
        "rests on the trade sheet’s prior",
        "Assumed, not set by the shop",
        "By age alone",
        "too few to tell an age",
        "Metres can’t be told",
    ):
        assert words in main, words
    # Every depth that is advised is at or below the limit of 1.5 mm.
    depths = [float(x) for x in re.findall(r"reads (\d\.\d\d) mm or more", main)]
    assert depths
    assert max(depths) <= 1.5
    # Inline styles and scripts would be refused by the content policy.
    assert "style=" not in main
    assert "<script" not in main


def test_a_process_is_chosen_from_the_list(worn: Floor) -> None:
    with signed_in(worn) as client:
        first = client.get("/change").text
        assert '<select name="process"' not in first
        assert client.get("/change", params={"process": "1"}).status_code == 200
        other = setup.add_process(
            worn.shop,
            worn.lead,
            name="130 A <b>mild</b> steel",
            amps=130,
            material="mild steel",
            plasma_gas="oxygen",
            shield_gas="air",
        )
        # Nothing ran on it yet: it is not offered, and asking for it names the mend.
        answer = client.get("/change", params={"process": str(other)})
        assert answer.status_code == 404
        assert "choose from the list" in answer.text.lower()


def test_the_usual_gap_has_its_range_and_says_what_cut_it_short(worn: Floor) -> None:
    def said() -> str:
        with signed_in(worn) as client:
            main = client.get("/change").text.split("<main")[1]
        found = re.search(r"Starts between looks</dt><dd>(.*?)</dd>", main)
        assert found is not None
        return re.sub(r"<[^>]+>", "", found[1])

    before = re.fullmatch(
        r"(\d+) \((\d+) to (\d+)\) on average, by the last \d+ looks; 1 of them came before "
        r"they were due, for a loss in the cut",
        said(),
    )
    assert before is not None
    mean, low, high = (int(n) for n in before.groups())
    assert 100 <= low < mean < high <= 140
    look(worn, (100_000, 50_000.0), 0.3, lost=True)
    assert said().startswith("at least ")
