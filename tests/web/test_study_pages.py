"""Studies and practice over HTTP: one form each, nothing shown too early, nothing of others'."""

from __future__ import annotations

import re
from typing import Any

import pytest
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.services import agreement_studies, gauge_studies
from pitwise.services.practice_scenes import KINDS, LABEL

FORM = {
    "name": "Before the audit",
    "gauge_id": "1",
    "person": ["Tom Reed", "Ada Quill"],
    "parts": "3",
    "trials": "2",
}


def started(client: TestClient, floor: Floor, **more: object) -> str:
    answer = client.post("/studies/gauge", data={"key": floor.key(), **FORM, **more})
    assert answer.status_code == 303, answer.text
    return str(answer.headers["location"])


def turn(page: str) -> dict[str, str]:
    """The hidden fields of the form that takes a reading."""
    form = page.split('id="reading-form"')[1].split("</form>")[0]
    return dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', form))


def read(client: TestClient, url: str, typed: str, *, where: str = "", **more: str) -> Any:
    fields = turn(client.get(url + where).text)
    return client.post(f"{url}/reading", data={**fields, "reading": typed, **more})


def measure_all(client: TestClient, url: str) -> list[str]:
    typed: list[str] = []
    for _ in range(100):
        page = client.get(url).text
        if 'id="reading-form"' not in page:
            return typed
        fields = turn(page)
        # The order is drawn by lot; a slot's value is not.
        part, who, trial = (int(fields[name]) for name in ("part", "person", "trial"))
        value = f"{0.3 * part + 0.0137 * ((part + who + trial) % 3):.4f}"
        # No page shows a value before the end.
        assert [t for t in typed if t in page] == []
        client.post(f"{url}/reading", data={**fields, "reading": value})
        typed.append(value)
    raise AssertionError("it never ends")


def test_a_gauge_study_from_start_to_adoption(
    lite: Floor, tech: TestClient, lead: TestClient
) -> None:
    url = started(tech, lite, tolerance_of="1.0 mm")
    typed = measure_all(tech, url)
    assert len(typed) == 12
    assert tech.get(f"{url}/readings.csv").status_code == 409
    assert 'id="finish"' in tech.get(url).text
    assert tech.post(f"{url}/finish").status_code == 303
    page = tech.get(url).text
    assert "The components" in page
    assert "of the tolerance" in page
    assert page.count("<svg") >= 4
    assert "A lead can adopt it" in page
    assert tech.post(f"{url}/adopt", data={"shown_u": "0.02"}).status_code == 403
    assert lead.post(f"{url}/adopt", data={"shown_u": "0.5"}).status_code == 409
    # It falls from 0.02 mm by nearly half: asked about first.
    assert 'id="adopt-sure"' in lead.get(url).text
    assert lead.post(f"{url}/adopt", data={"shown_u": "0.02"}).status_code == 409
    sure = {"shown_u": "0.02", "sure": "yes"}
    assert lead.post(f"{url}/adopt", data=sure).status_code == 303
    page = lead.get(url).text
    assert "Put 0.02 mm back" in page
    assert "our study" in page
    assert "gauge study 1" in lead.get("/shop").text
    assert lead.post(f"{url}/put-back").status_code == 303
    csv = tech.get(f"{url}/readings.csv")
    assert csv.headers["content-type"].startswith("text/csv")
    assert "attachment" in csv.headers["content-disposition"]
    answer = tech.post(
        "/studies/gauge/import",
        data={"key": lite.key(), "name": "again", "gauge_id": "", "tolerance": ""},
        files={"file": ("../../study.csv", csv.content, "text/csv")},
    )
    assert answer.status_code == 303
    assert "again" in tech.get(answer.headers["location"].split("?")[0]).text


def test_a_slip_is_asked_about_before_anything_is_kept(lite: Floor, tech: TestClient) -> None:
    url = started(tech, lite)
    answer = read(tech, url, "57")
    assert answer.status_code == 200
    assert "Was it 57 thou" in answer.text
    assert "0 of 12 readings in" in answer.text
    sure = dict(
        re.findall(
            r'type="hidden" name="(\w+)" value="([^"]*)"',
            answer.text.split('class="question"')[1].split("</form>")[0],
        )
    )
    assert (sure["reading"], sure["sure"]) == ("57", "yes")
    assert tech.post(f"{url}/reading", data=sure).status_code == 303
    # The same touch again is the same reading.
    assert tech.post(f"{url}/reading", data=sure).status_code == 303
    assert "1 of 12 readings in" in tech.get(url).text


@pytest.mark.parametrize("typed", ["", "deep", "-1", "1/2", "<b>"])
def test_what_is_no_reading_is_refused(lite: Floor, tech: TestClient, typed: str) -> None:
    url = started(tech, lite)
    answer = read(tech, url, typed)
    assert answer.status_code == 422
    assert "<b>" not in answer.text.split("<main")[1].replace("<b>part", "")


def test_skipping_and_a_tablet_of_ones_own(lite: Floor, tech: TestClient) -> None:
    url = started(tech, lite)
    first = turn(tech.get(url).text)
    skip = re.search(r'id="skip" href="([^"]+)"', tech.get(url).text)
    assert skip is not None
    after = tech.get(skip[1]).text
    assert turn(after)["part"] != first["part"] or turn(after)["person"] != first["person"]
    assert "1 skipped on this tablet" in after
    for who in ("0", "1"):
        page = tech.get(f"{url}?who={who}").text
        assert turn(page)["person"] == who
        answer = read(tech, url, "0.4", where=f"?who={who}")
        assert answer.headers["location"].endswith(f"?who={who}")
    page = tech.get(url).text
    out = re.search(r'name="reading_id" value="(\d+)"', page)
    assert out is not None
    assert tech.post(f"{url}/take-out", data={"reading_id": out[1]}).status_code == 303
    assert "1 of 12 readings in" in tech.get(url).text


def test_another_tablet_was_first(lite: Floor, tech: TestClient, lead: TestClient) -> None:
    url = started(tech, lite)
    fields = turn(lead.get(url).text)
    assert read(tech, url, "0.41").status_code == 303
    answer = lead.post(f"{url}/reading", data={**fields, "reading": "0.43"})
    assert answer.status_code == 409
    assert "this number was not kept" in answer.text
    assert "0.41" not in answer.text


def test_a_touch_within_the_page_gets_the_next_part(lite: Floor, tech: TestClient) -> None:
    url = started(tech, lite)
    fields = turn(tech.get(url).text)
    answer = tech.post(
        f"{url}/reading", data={**fields, "reading": "0.4"}, headers={"HX-Request": "true"}
    )
    assert answer.status_code == 200
    assert answer.text.lstrip().startswith('<div id="study"')
    assert answer.headers["hx-push-url"] == url


def test_an_agreement_study_over_two_people(
    lite: Floor, tech: TestClient, lead: TestClient
) -> None:
    answer = tech.post(
        "/studies/agreement",
        data={"key": lite.key(), "name": "Both shifts", "part": "nozzle", "specimens": "3"},
    )
    url = answer.headers["location"]
    for client, action in ((tech, "keep"), (lead, "replace")):
        for specimen in ("1", "2", "3"):
            data = {
                "key": lite.key(),
                "specimen": specimen,
                "seen": ["crack", "scale"] if specimen == "1" else [],
                "action": action if specimen == "2" else "clean",
            }
            assert client.post(f"{url}/judge", data=data).status_code == 303
    page = lead.get(url).text
    assert "Finish and see where people disagree" in page
    assert "Two people, one specimen" not in page
    assert tech.get(f"{url}/table.csv").status_code == 409
    assert tech.post(f"{url}/finish").status_code == 303
    page = tech.get(url).text
    assert "Everyone gave the same action for 2 of 3 specimens" in page
    assert "Nobody saw on any specimen" in page
    assert tech.get(f"{url}/table.csv").text.splitlines()[0] == "keep,clean,replace"
    assert tech.get(f"{url}/table.csv?of=crack").text.splitlines()[1] == "2,0"
    assert tech.post(f"{url}/discard", data={"reason": "wrong parts"}).status_code == 303
    assert "Discarded" in tech.get("/studies").text


def test_practice_shows_the_truth_after_the_answer_and_only_to_oneself(
    lite: Floor, tech: TestClient, lead: TestClient
) -> None:
    page = tech.get("/practice/judge/beginner").text
    assert LABEL in page
    picture = re.search(r'src="(/practice/pictures/[^"]+)"', page)
    assert picture is not None
    shown = tech.get(picture[1])
    assert shown.headers["content-type"] == "image/jpeg"
    assert shown.content[:3] == b"\xff\xd8\xff"
    fields = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', page))
    answer = tech.post("/practice/judge", data={**fields, "said": KINDS[0]})
    assert answer.status_code == 303
    url = answer.headers["location"]
    told = tech.get(url).text
    assert LABEL in told
    assert "the bound of" in told
    for part in ("whole", "hole"):
        assert tech.get(f"{url}/{part}.jpg").headers["content-type"] == "image/jpeg"
        assert lead.get(f"{url}/{part}.jpg").status_code == 404
    assert tech.get(f"{url}/other.jpg").status_code == 404
    assert lead.get(url).status_code == 404
    assert "Nothing judged yet" in lead.get("/practice").text
    assert "of 1 right" in tech.get("/practice").text
    assert tech.get("/practice/judge/expert").status_code == 404
    assert tech.get("/practice/pictures/beginner/99999999999.jpg").status_code == 404


def test_pages_that_are_not_there(lite: Floor, tech: TestClient) -> None:
    for path in (
        "/studies/gauge/99",
        "/studies/agreement/99",
        "/practice/tries/99",
        "/studies/gauge/99/readings.csv",
    ):
        assert tech.get(path).status_code == 404, path
    assert tech.post("/studies/gauge/import").status_code == 422
    assert tech.get("/studies/gauge/1?skip=1.x.99999.²").status_code == 404


def test_the_heads_page_of_more_leads_to_all(lite: Floor, tech: TestClient) -> None:
    page = tech.get("/more").text
    for path in ("/practice", "/studies", "/people", "/about"):
        assert f'href="{path}"' in page
        assert 'aria-current="true">More' in tech.get(path).text
    assert "None yet" in tech.get("/studies").text
    gauge_studies.start(
        lite.shop, lite.tech, key=lite.key(), name="x", gauge_id=None, unit="mm", people=["A"]
    )
    agreement_studies.start(
        lite.shop, lite.tech, key=lite.key(), name="y", part="shield", specimens=3
    )
    page = tech.get("/studies").text
    assert "None yet" not in page
    assert page.count("Running:") == 2
