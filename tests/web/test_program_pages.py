"""Programs and station settings over HTTP: who may, what is refused, what is shown."""

from __future__ import annotations

import io
import re
from typing import Any

import pytest
from ezdxf.filemanagement import new as new_drawing
from fastapi.testclient import TestClient

from kit import Floor
from pitwise.job.reader import read_program
from pitwise.services import imports, program_counts, programs, station_settings
from pitwise.web import security

HX = {"HX-Request": "true"}
GOOD = b"G21\nM3\nG4 P1\nG1 X100 F6000\nM5\n"
SETTINGS = "/shop/station/1/settings"


def send(client: TestClient, *files: tuple[str, bytes], **data: str) -> Any:
    return client.post(
        "/programs/import",
        files=[("files", (name, content, "text/plain")) for name, content in files],
        data=data,
    )


def test_empty_pages_say_what_to_do(tech: TestClient) -> None:
    page = tech.get("/programs").text
    assert "No program is in the book yet" in page
    assert "pitwise watch FOLDER" in page
    assert "None is withdrawn" in tech.get("/programs?withdrawn=1").text
    assert "has “x” in its name" in tech.get("/programs?find=x").text
    assert "on this page" in tech.get("/programs?page_number=7").text


def test_several_files_each_say_what_became_of_them(tech: TestClient) -> None:
    answer = send(
        tech,
        ("good.nc", GOOD),
        ("../../again.nc", GOOD),
        ("bad.nc", b"M3\n<script>\n"),
        ("use.csv", b"torch,at,starts,arc_minutes\nTorch A,2031-03-03T05:00Z,5,1\n"),
        station="1",
    )
    assert answer.status_code == 200
    assert "Imported in part" in answer.text
    assert "1 of 4 files was refused" in answer.text
    assert "Imported: 1 program, 1 start" in answer.text
    assert "In the book already, as &#39;good.nc&#39;" in answer.text
    assert "bad.nc, line 2" in answer.text
    assert "<script>" not in answer.text.replace("<script src=", "")
    assert "Imported: 1 use report." in answer.text
    page = tech.get("/programs").text
    assert re.search(r'href="/programs/1\?station=1">good.nc</a>', page)


def test_all_refused_is_no_success(tech: TestClient) -> None:
    answer = send(tech, ("a.nc", b"what?"))
    assert answer.status_code == 422
    assert "Not imported" in answer.text


def test_nothing_chosen_is_told(tech: TestClient) -> None:
    for answer in (
        tech.post("/programs/import"),
        tech.post("/programs/import", files={"files": ("", b"", "text/plain")}),
        tech.post("/programs/import", data={"files": "not a file"}),
    ):
        assert answer.status_code == 422
        assert "none was chosen" in answer.text


@pytest.mark.parametrize(
    ("body", "kind"),
    [
        (b"--x\r\nbroken", "multipart/form-data; boundary=x"),
        (b"", "multipart/form-data"),
        (b"{}", "application/json"),
    ],
)
def test_a_broken_form_is_refused(tech: TestClient, body: bytes, kind: str) -> None:
    answer = tech.post("/programs/import", content=body, headers={"Content-Type": kind})
    assert 400 <= answer.status_code < 500


def test_too_many_files_at_once_are_refused(lite: Floor, tech: TestClient) -> None:
    answer = send(tech, *((f"{n}.nc", GOOD + f"({n})\n".encode()) for n in range(41)))
    assert answer.status_code == 400
    assert programs.programs(lite.shop, lite.tech).total == 0


def test_only_this_route_takes_large_bodies(
    lite: Floor, tech: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    large = b"(" + b"a" * 70 + b")\n"
    assert send(tech, ("a.nc", GOOD + large * 8000)).status_code == 200
    assert tech.post("/programs", content=b"a" * (security.MAX_BODY + 1)).status_code == 413
    monkeypatch.setitem(security.LARGER_BODY, "/programs/import", 1 << 20)
    answer = send(tech, ("b.nc", GOOD + large * 20_000))
    assert answer.status_code == 413
    assert "at most 1 MB" in answer.text

    def chunks() -> Any:
        yield b'--x\r\nContent-Disposition: form-data; name="files"; filename="c.nc"\r\n\r\n'
        yield GOOD
        for _ in range(40):
            yield large * 1000
        yield b"\r\n--x--\r\n"

    # Told no length, it is stopped at the cap and nothing is done with it.
    answer = tech.post(
        "/programs/import",
        content=chunks(),
        headers={"Content-Type": "multipart/form-data; boundary=x"},
    )
    assert answer.status_code == 422
    assert "send fewer at a time" in answer.text.lower()
    assert programs.programs(lite.shop, lite.tech).total == 1


def test_nobody_signed_in_is_turned_away_before_the_body_is_read(
    client_of: Any, lite: Floor
) -> None:
    answer = send(client_of(None), ("a.nc", GOOD))
    assert answer.status_code == 303
    assert programs.programs(lite.shop, lite.tech).total == 0


def test_withdraw_and_undo(tech: TestClient) -> None:
    send(tech, ("a.nc", GOOD))
    for _ in range(2):
        gone = tech.post("/programs/1/withdraw", headers=HX)
        assert gone.headers["hx-redirect"] == "/programs?done=withdrawn&undo=1"
    page = tech.get("/programs?done=withdrawn&undo=1").text
    assert 'action="/programs/1/bring-back"' in page
    assert "Withdrawn (1)" in page
    assert "off the lists" in tech.get("/programs/1").text
    back = tech.post("/programs/1/bring-back")
    assert back.headers["location"] == "/programs/1?done=brought-back"
    assert "Brought back." in tech.get(back.headers["location"]).text
    assert tech.post("/programs/9/withdraw").status_code == 404


def test_a_programs_page_shows_warnings_by_line_and_the_first_cuts(
    lite: Floor, tech: TestClient
) -> None:
    cuts = b"".join(b"G0 X%d\nM3\nG1 Y%d F1000\nM5\n" % (n, n % 9 + 1) for n in range(250))
    send(tech, ("many.nc", b"G21\n" + cuts + b"M3\nG1 X3\n"))
    page = tech.get("/programs/1").text
    assert page.count("<tr><td") == programs.SHOWN_CUTS
    assert "51 more cuts" in page
    assert "Line 1" in page
    assert "times are length / feed" in page
    assert " style=" not in page
    dark = b"G21\nM64 P1\nG1 X5 F100\n"
    imports.import_file(lite.shop, lite.tech, "dark.nc", dark, way="watch")
    assert "It lights no torch" in tech.get("/programs/2").text


def test_plates_of_a_list_show_what_the_list_says(tech: TestClient) -> None:
    send(tech, ("week.csv", b"name,starts,arc_minutes\n<b>P1</b>,12,3.5\n"))
    page = tech.get("/programs").text
    assert "&lt;b&gt;P1&lt;/b&gt;" in page
    assert "not told" in page
    assert "there is no program to count" in tech.get("/programs/1").text


def test_a_drawing_is_set_on_its_page(tech: TestClient) -> None:
    made = new_drawing(units=4)
    made.modelspace().add_line((0, 0), (200, 0), dxfattribs={"layer": "Außen & innen"})
    out = io.StringIO()
    made.write(out)
    send(tech, ("plate.dxf", out.getvalue().encode()))
    page = tech.get("/programs/1").text
    assert "Außen &amp; innen" in page
    assert "Count this drawing otherwise" in page
    form = {"layers": "Außen & innen", "feed_mm_min": "1000", "pierce_seconds": "0"}
    done = tech.post("/programs/1/drawing", data=form)
    assert done.headers["location"] == "/programs/1?done=saved"
    page = tech.get("/programs/1").text
    assert "feed 1\u202f000 mm/min; pierce 0 s" in page
    assert tech.post("/programs/1/drawing", data={"feed_mm_min": "x"}).status_code == 422
    assert tech.post("/programs/9/drawing", data=form).status_code == 404


@pytest.mark.parametrize(
    "path",
    [
        "/programs/9",
        "/programs/x",
        "/programs?station=9",
        "/programs?station=x",
        "/programs?page_number=0",
        "/programs/1?station=99",
        "/shop/station/9/settings",
        "/programs/99999999999999999999",
    ],
)
def test_what_is_not_there_answers_4xx(tech: TestClient, path: str) -> None:
    assert 400 <= tech.get(path).status_code < 500


def test_settings_are_read_by_all_and_set_by_leads(
    lite: Floor, tech: TestClient, lead: TestClient
) -> None:
    page = tech.get(SETTINGS).text
    assert "A lead sets these" in page
    assert station_settings.ASSUMED in page
    assert '<form method="post" action="/shop/station' not in page
    assert tech.post(SETTINGS, data={"reason": "x"}).status_code == 403
    form = {"accel_mm_s2": "1200", "currency": "crowns", "reason": "measured", "based_on": "0"}
    done = lead.post(SETTINGS, headers=HX, data=form)
    assert done.headers["hx-redirect"] == f"{SETTINGS}?done=saved"
    assert 'value="1200"' in lead.get(SETTINGS).text
    assert "<b>1200</b>" in tech.get(SETTINGS).text
    assert "measured" in tech.get(SETTINGS).text
    # The same again is no conflict; something else from the old page is.
    assert lead.post(SETTINGS, data=form).status_code == 303
    late = lead.post(SETTINGS, headers=HX, data=form | {"accel_mm_s2": "900"})
    assert late.status_code == 409
    assert "Somebody saved them since" in late.text or "somebody saved them since" in late.text
    assert len(station_settings.settings_view(lite.shop, lite.tech, 1).saves) == 1


@pytest.mark.parametrize(
    ("data", "word"),
    [
        ({"accel_mm_s2": "1e9", "reason": "x"}, "Acceleration, mm/s²"),
        ({"on_codes": "fire", "reason": "x"}, "not an M word"),
        ({"set_value": "5"}, "Reason: is empty"),
        ({"set_value": "5", "reason": "x", "based_on": "x"}, "whole number"),
    ],
)
def test_bad_settings_name_the_field(lead: TestClient, data: dict[str, str], word: str) -> None:
    answer = lead.post(SETTINGS, headers=HX, data={"based_on": "0"} | data)
    assert answer.status_code == 422
    assert word in answer.text


def test_settings_without_the_save_they_rest_on_are_refused(lite: Floor, lead: TestClient) -> None:
    for more in ({}, {"based_on": ""}, {"based_on": " "}):
        answer = lead.post(SETTINGS, headers=HX, data={"set_value": "5", "reason": "x"} | more)
        assert answer.status_code == 422
        assert "does not tell which save it shows" in answer.text
    assert station_settings.settings_view(lite.shop, lite.tech, 1).saves == []


def test_one_file_that_trips_its_reader_does_not_take_the_others_along(
    lite: Floor, tech: TestClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    right = read_program

    def trips(lines: Any, settings: Any) -> Any:
        text = list(lines)
        if any("BOOM" in x for x in text):
            raise KeyError("boom")
        return right(text, settings)

    monkeypatch.setattr(program_counts, "read_program", trips)
    answer = send(tech, ("a.nc", GOOD), ("b.nc", GOOD + b"(BOOM)\n"), ("c.nc", GOOD + b"(2)\n"))
    assert answer.status_code == 200
    assert "b.nc: could not be read: KeyError" in answer.text
    assert "1 of 3 files was refused" in answer.text
    assert programs.programs(lite.shop, lite.tech).total == 2

    def fails(*_args: Any, **_more: Any) -> None:
        raise TypeError

    monkeypatch.setattr(imports, "_write", fails)
    answer = send(tech, ("d.nc", GOOD + b"(3)\n"), ("a.nc", GOOD))
    assert answer.status_code == 200
    assert "d.nc could not be kept (TypeError)" in answer.text
    assert "In the book already" in answer.text


def test_an_upload_for_a_station_that_is_none_is_refused(lite: Floor, tech: TestClient) -> None:
    answer = send(tech, ("a.nc", GOOD), station="99")
    assert answer.status_code == 422
    assert "there is no station 99" in answer.text
    assert programs.programs(lite.shop, lite.tech).total == 0


def test_the_shop_page_leads_to_the_settings(tech: TestClient) -> None:
    assert f'href="{SETTINGS}"' in tech.get("/shop").text
