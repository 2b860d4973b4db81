"""Photos on the bench and part types when new, over the web."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import Any

import pytest
from fastapi.testclient import TestClient
from pypdf import PdfReader

from hole_kit import REFUSED, answer, body, picture, quick_intake
from kit import Floor
from pitwise.services import (
    drafts,
    intake,
    limits,
    measure_worker,
    part_faces,
    setup,
    signing,
)
from pitwise.services.errors import ServiceError
from pitwise.web.security import MAX_BODY, PHOTO_BODY, most_of


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(intake, "take", quick_intake)


@pytest.fixture
def gives(monkeypatch: pytest.MonkeyPatch) -> Callable[[dict[str, Any]], None]:
    def set_to(result: dict[str, Any]) -> None:
        monkeypatch.setattr(measure_worker, "measure", lambda *_a, **_k: answer(result))

    return set_to


def send(
    client: TestClient, number: int, *, key: str = "test-key-0001", htmx: bool = True, **more: str
) -> Any:
    return client.post(
        f"/bench/{number}/photo",
        data={"key": key, "part": "nozzle", "rim": "18.5", **more},
        files={"photo": ("../../hole.png", picture(), "image/png")},
        headers={"HX-Request": "true"} if htmx else {},
    )


def test_a_photo_its_numbers_and_the_finding_it_bears_on(
    lite: Floor, tech: TestClient, gives: Any
) -> None:
    gives(body(roundness=0.09))
    limits.add_limit(
        lite.shop,
        lite.lead,
        depth="0.08 mm",
        compare=">",
        process_id=None,
        source="manual p. 4",
        reason="r",
        on="nozzle/orifice-roundness",
    )
    number = lite.draft()
    url = f"/bench/{number}?part=nozzle"
    shown = tech.get(url).text
    assert 'accept="image/*" capture="environment"' in shown
    assert "asked once for this part type" in shown
    assert "Measured:" not in shown
    answer = send(tech, number)
    assert answer.status_code == 200
    assert "0.090 mm ± 0.008 mm" in answer.text
    assert "manual p. 4" in answer.text
    assert "It sets nothing by itself" in answer.text
    assert "asked once" not in answer.text
    draft = drafts.read_draft(lite.shop, lite.tech, number)
    assert draft.marks == {}, "a number sets no finding"
    measure = draft.holes["nozzle"][0].row.id
    seen = tech.get(f"/measures/{measure}/picture")
    assert seen.headers["content-type"] == "image/jpeg"
    assert seen.headers["cache-control"].startswith("private")
    assert "sandbox" in seen.headers["content-security-policy"]
    assert tech.get(f"/measures/{measure}/change").status_code == 404
    assert tech.get("/measures/999/picture").status_code == 404
    marked = {"part": "nozzle", "finding": "orifice-out-of-round", "state": "absent"}
    assert tech.post(f"/bench/{number}/mark", data=marked).status_code == 303
    page = tech.get(url).text
    cell = page[page.index('id="f-orifice-out-of-round"') :][:2500]
    assert ">absent<" in cell
    out = tech.post(f"/bench/{number}/photo/out", data={"measure_id": measure, "out": "yes"})
    assert out.status_code == 303
    assert "Put it back" in tech.get(url).text


def test_the_same_photo_sent_twice_is_one_and_works_without_script(
    lite: Floor, tech: TestClient, gives: Any
) -> None:
    gives(body())
    number = lite.draft()
    for _ in range(2):
        answer = send(tech, number, htmx=False)
        assert answer.status_code == 303
        assert answer.headers["location"] == f"/bench/{number}?part=nozzle"
    assert len(drafts.read_draft(lite.shop, lite.tech, number).holes["nozzle"]) == 1


def test_a_refusal_is_said_in_big_words_with_its_mend(
    lite: Floor, tech: TestClient, gives: Any
) -> None:
    gives(REFUSED)
    text = send(tech, lite.draft()).text
    assert "Not measured." in text
    assert "Hold it still" in text
    assert "Take it again" in text
    assert "Measured:" not in text


def test_the_other_tablet_sees_the_photo(
    lite: Floor, tech: TestClient, lead: TestClient, gives: Any
) -> None:
    gives(body())
    number = lite.draft()
    page = lead.get(f"/bench/{number}?part=nozzle").text
    ask = re.search(r'hx-get="(/bench/\d+/photos[^"]*)"', page)
    assert ask is not None
    url = ask[1].replace("&amp;", "&")
    assert lead.get(url).status_code == 204
    send(tech, number)
    told = lead.get(url, headers={"HX-Request": "true"})
    assert told.status_code == 200
    assert "2.050 mm" in told.text


def test_a_photo_without_a_rim_waits_for_it_and_a_wrong_rim_is_put_right(
    lite: Floor, tech: TestClient, gives: Any
) -> None:
    no_scale = {"reason": "card-needed", "text": "no scale", "mend": "give the rim"}
    gives({**REFUSED, "refused": no_scale})
    number = lite.draft()
    url = f"/bench/{number}?part=nozzle"
    send(tech, number, rim="")
    assert "the photo waits" in tech.get(url).text
    # A slip of the finger: nothing can be measured with it, so the part type doesn't get it.
    small = {"reason": "too-small-scale", "text": "6 px/mm", "mend": "come closer"}
    gives({**REFUSED, "px_per_mm": 0.4, "refused": small})

    def again(key: str, rim: str) -> Any:
        data = {"key": key, "part": "nozzle", "rim": rim}
        return tech.post(f"/bench/{number}/photo/again", data=data)

    assert again("again-0001", "112").status_code == 303
    told = tech.get(url).text
    assert "Is the rim 112 mm?" in told
    assert "asked once" in told
    gives(body(diameter=1.834))
    again("again-0002", "11")
    assert "1.834 mm" in tech.get(url).text
    assert "Rim 11 mm" in tech.get(url).text
    gives(body(diameter=2.0))
    again("again-0003", "12")
    told = tech.get(url).text
    assert "1.834 mm" not in told
    assert "2.000 mm" in told
    assert "Rim 12 mm" in told
    measure = drafts.read_draft(lite.shop, lite.tech, number).holes["nozzle"][0]
    assert measure.body["rim_mm"] == 12
    shown = tech.get(f"/measures/{measure.row.id}").text
    assert f'href="/bench/{number}?part=nozzle"' in shown
    assert "Rim used" in shown
    # A lead changes it elsewhere: the number made with 12 mm is marked, and out of the decision.
    assert measure.photo.part_type_id is not None
    part_faces.set_face(
        lite.shop, lite.lead, measure.photo.part_type_id, rim="12.5", reason="better caliper"
    )
    assert "Measured with a rim of 12 mm" in tech.get(url).text
    assert drafts.read_draft(lite.shop, lite.tech, number).decision.parts["nozzle"].holes == ()
    assert again("again-0004", "12").status_code == 409, "what a lead entered, a lead changes"
    again("again-0005", "")
    assert "Measured with a rim" not in tech.get(url).text


def test_a_photo_without_a_result_is_shown_and_a_key_is_for_one_photo(
    lite: Floor, tech: TestClient, gives: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = lite.draft()
    url = f"/bench/{number}?part=nozzle"

    def broken(*_args: object, **_how: object) -> dict[str, Any]:
        raise ServiceError("photo", "stopped", "send it again")

    monkeypatch.setattr(measure_worker, "measure", broken)
    assert send(tech, number).status_code == 422
    assert "Photo without a result" in tech.get(url).text
    gives(body())
    other = send(tech, number, part="shield")
    assert other.status_code == 409
    assert "another photo" in other.text
    data = {"key": "again-0001", "part": "nozzle"}
    tech.post(f"/bench/{number}/photo/again", data=data)
    assert "without a result" not in tech.get(url).text
    assert "2.050 mm" in tech.get(url).text
    assert send(tech, number, part="shield").status_code == 409
    monkeypatch.setattr(measure_worker, "measure", broken)
    send(tech, number, key="test-key-0002")
    photo = re.search(r'name="photo_id" value="(\d+)"', tech.get(url).text)
    assert photo is not None
    tech.post(f"/bench/{number}/photo/withdraw", data={"photo_id": photo[1]})
    assert "without a result" not in tech.get(url).text


def test_the_card_is_there_to_print(tech: TestClient) -> None:
    card = tech.get("/photo-cards.pdf")
    assert card.headers["content-type"] == "application/pdf"
    assert len(PdfReader(io.BytesIO(card.content)).pages) == 1
    assert "/photo-cards.pdf" in tech.get("/more").text


def test_what_is_no_photo_is_refused(lite: Floor, tech: TestClient, gives: Any) -> None:
    gives(body())
    number = lite.draft()
    nothing = tech.post(f"/bench/{number}/photo", data={"key": "k" * 9, "part": "nozzle"})
    assert nothing.status_code == 422
    assert send(tech, number, part="torch-head").status_code == 404
    assert send(tech, number, key="x").status_code == 422
    assert send(tech, number, turn="9").status_code == 422
    assert send(tech, 999).status_code == 404


def test_only_photo_routes_take_large_bodies() -> None:
    assert most_of("/bench/3/photo") == PHOTO_BODY
    assert most_of("/shop/part-type/3/photo") == PHOTO_BODY
    for path in ("/bench/3/photo/out", "/bench/3/sign", "/bench/x/photo", "/limits"):
        assert most_of(path) == MAX_BODY


def test_a_part_type_when_new(lite: Floor, tech: TestClient, lead: TestClient, gives: Any) -> None:
    kinds = setup.shop_list(lite.shop, lite.tech).part_types
    nozzle = next(t.id for t in kinds if t.part == "nozzle")
    ring = next(t.id for t in kinds if t.part == "swirl-ring")
    url = f"/shop/part-type/{nozzle}"
    assert url in tech.get("/shop").text
    assert "A lead can change it" in tech.get(url).text
    assert tech.get(f"/shop/part-type/{ring}").status_code == 422
    entry = {"rim": "18.5", "hole": "2.00", "reason": "pin gauge"}
    assert tech.post(f"{url}/face", data=entry).status_code == 403
    assert lead.post(f"{url}/face", data=entry).status_code == 303
    assert "2.000 mm ± 0.035 mm" in tech.get(url).text
    gives(REFUSED)

    def send_new(client: TestClient, key: str, hole_from: str = "record") -> Any:
        return client.post(
            f"{url}/photo",
            data={"key": key, "rim": "18.5", "hole_from": hole_from},
            files={"photo": ("new.png", picture(), "image/png")},
        )

    assert send_new(tech, "new-photo-1").status_code == 403
    refused = send_new(lead, "new-photo-1")
    assert refused.status_code == 422
    assert "Hold it still" in refused.text
    gives(body(diameter=2.013))
    assert send_new(lead, "new-photo-2").status_code == 303
    assert "2.000 mm ± 0.035 mm" in tech.get(url).text, "a pin gauge is not replaced unasked"
    assert send_new(lead, "new-photo-3", "photo").status_code == 303
    form = lead.get(url).text
    fields = dict(re.findall(r'name="(rim|hole|hole_u)"[^>]* value="([^"]+)"', form))
    again = {**fields, "rim": "18.51", "reason": "better caliper"}
    assert lead.post(f"{url}/face", data=again).status_code == 303
    assert "/pictures/" in tech.get(url).text, "the photo when new stays"
    page = tech.get(url).text
    assert "2.013 mm ± 0.006 mm" in page
    assert "pin gauge" in page


def test_record_and_document_show_the_picture_small_with_its_numbers(
    lite: Floor, tech: TestClient, gives: Any
) -> None:
    number = lite.draft()
    gives(body(roundness=0.041))
    send(tech, number)
    gives(REFUSED)
    send(tech, number, key="test-key-0002")
    lite.look_all(number)
    drafts.add_reading(lite.shop, lite.tech, number, "0.4", key=lite.key())
    signing.sign(lite.shop, lite.tech, number, key=lite.key())
    shown = tech.get(f"/records/{number}").text
    assert re.search(r'<img src="/measures/\d+/picture"', shown)
    assert "0.041 mm ± 0.008 mm" in shown
    assert "<b>Not measured.</b>" in shown
    document = tech.get(f"/records/{number}/sheet.pdf")
    assert document.status_code == 200
    pages = PdfReader(io.BytesIO(document.content)).pages
    text = " ".join(" ".join(p.extract_text().split()) for p in pages)
    assert "0.041 mm ± 0.008 mm; noise floor 0.005 mm" in text
    assert "Hole out of round" in text
    assert b"/DCTDecode" in document.content, "the picture is in it"
    assert tech.get(f"/records/{number}/sheet.pdf").content == document.content


def test_a_shape_that_is_not_known_is_said_everywhere(
    lite: Floor, tech: TestClient, gives: Any
) -> None:
    unseen = body()
    unseen["roundness_mm"] = {
        "value": None,
        "at_least": 0.03,
        "noise_floor": 0.005,
        "u": None,
        "not_known": "a stretch of the edge is not seen",
    }
    unseen["nicks"] = None
    number = lite.draft()
    for count, result in enumerate((unseen, body(roundness=0.041), unseen)):
        gives(result)
        answer = tech.post(
            f"/bench/{number}/photo",
            data={"key": f"test-key-000{count}", "part": "nozzle", "rim": "18.5"},
            files={"photo": ("a.png", picture(90 + count), "image/png")},
            headers={"HX-Request": "true"},
        )
        assert answer.status_code == 200
    assert "out of round not known" in answer.text, "a folded one"
    assert "<b>not known</b>" in answer.text, "the newest"
    assert tech.get(f"/bench/{number}?part=nozzle").status_code == 200
    lite.look_all(number)
    drafts.add_reading(lite.shop, lite.tech, number, "0.4", key=lite.key())
    draft = drafts.read_draft(lite.shop, lite.tech, number)
    for measure in draft.holes["nozzle"]:
        assert tech.get(f"/measures/{measure.row.id}").status_code == 200
    drafts.set_overrule(lite.shop, lite.lead, number, "nozzle", "replace", "edge not seen")
    signing.sign(lite.shop, lite.tech, number, key=lite.key())
    shown = tech.get(f"/records/{number}")
    assert shown.status_code == 200
    assert "Out of round <b>not known" in shown.text
    document = tech.get(f"/records/{number}/sheet.pdf")
    assert document.status_code == 200
    pages = PdfReader(io.BytesIO(document.content)).pages
    text = " ".join(" ".join(p.extract_text().split()) for p in pages)
    assert "not known" in text
    item = draft.fitted["nozzle"].item.id
    assert tech.get(f"/parts/{item}").status_code == 200
