"""Programs and station settings in a real browser, at both widths: axe, touch sizes, the job."""

from __future__ import annotations

import io
from pathlib import Path

import pytest
from ezdxf.filemanagement import new as new_drawing
from kit_browser import SIZES, Seat
from test_browser_pages import problems

from pitwise.services import imports

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
CUT = "G0 X{0}\nM3\nG4 P0.5\nG1 Y{1} F2500\nM5\n"
LONG = "Träger-12-mm-Außenkontur-mit-sehr-langem-Namen-ohne-jede-Lücke-Los-7-von-9.nc"
# Office pages: nothing one touches is lower than 48 px. Text links within a sentence are let be.
SMALL = """() => [...document.querySelectorAll(
    'main button, main .button, main input:not([type=hidden]), main select, main td a, .top a')]
  .filter(e => e.offsetParent !== null)
  .map(e => [Math.round(e.getBoundingClientRect().height), e.outerHTML.slice(0, 80)])
  .filter(([height]) => height < 48)"""


def furnish(seat: Seat) -> None:
    floor = seat.floor
    many = "G21\n" + "".join(CUT.format(n, n % 7 + 1) for n in range(260)) + "M3\nG1 X3\n"
    for name, text in (
        (LONG, many),
        ("dark.nc", "G21\nG0 X5\nM30\n"),
        ("week.csv", "name,starts,arc_minutes\nBase plate A,140,52.5\n"),
    ):
        imports.import_file(floor.shop, floor.tech, name, text.encode(), way="upload")
    made, out = new_drawing(units=4), io.StringIO()
    made.modelspace().add_line((0, 0), (200, 0), dxfattribs={"layer": "CUT"})
    made.write(out)
    text = out.getvalue()
    imports.import_file(floor.shop, floor.tech, "plate.dxf", text.encode(), way="upload")


@pytest.mark.parametrize("size", SIZES)
def test_every_page_of_programs_and_settings(seat: Seat, size: tuple[int, int]) -> None:
    settings = "/shop/station/1/settings"
    page = seat.page(size, login="lin")
    out: list[str] = []
    for path in ("/programs", "/programs?withdrawn=1", settings):
        page.goto(path)
        out += problems(page, size, f"{path}, empty")
    furnish(seat)
    for path in (
        "/programs",
        "/programs/1",
        "/programs/2",
        "/programs/3",
        "/programs/4",
        settings,
        "/shop",
    ):
        page.goto(path)
        out += problems(page, size, path)
        small = page.evaluate(SMALL)
        assert path == "/shop" or small == [], path
    reader = seat.page(size, login="tom")
    reader.goto(settings)
    out += problems(reader, size, "settings, read only")
    assert seat.slips == []
    assert out == []


@pytest.mark.parametrize("size", SIZES)
def test_import_withdraw_undo(seat: Seat, size: tuple[int, int], tmp_path: Path) -> None:
    files = []
    for name, text in (("good.nc", CUT.format(1, 2)), ("bad.nc", "M3\n??\n")):
        (tmp_path / name).write_text(text)
        files.append(tmp_path / name)
    page = seat.page(size)
    page.goto("/programs")
    page.set_input_files("input[type=file]", files)
    page.click("main .main-button")
    page.wait_for_selector("h1:has-text('Imported in part')")
    assert "bad.nc, line 2" in page.inner_text("main")
    assert problems(page, size, "import") == []
    page.click("text=Look at it")
    page.wait_for_url("**/programs/1")
    page.click("text=Withdraw it")
    page.wait_for_url("**/programs?done=withdrawn*")
    assert page.locator(".programs").count() == 0
    page.click("text=Undo: bring it back")
    page.wait_for_url("**/programs/1?done=brought-back")
    # The same file once more, on the whole page's form again.
    page.goto("/programs")
    page.set_input_files("input[type=file]", files[:1])
    page.click("main .main-button")
    page.wait_for_selector("text=In the book already")
    assert page.evaluate(SMALL) == []
    assert seat.slips == []


def test_settings_are_set_and_a_slip_keeps_what_was_typed(seat: Seat) -> None:
    page = seat.page(login="lin")
    page.goto("/shop/station/1/settings")
    page.fill("input[name=accel_mm_s2]", "1200")
    page.fill("input[name=on_codes]", "fire")
    page.fill("input[name=reason]", "measured on the table")
    page.click("main .main-button")
    page.wait_for_selector("#message:has-text('not an M word')")
    assert page.input_value("input[name=accel_mm_s2]") == "1200"
    page.fill("input[name=on_codes]", "M64 P1")
    page.click("main .main-button")
    page.wait_for_url("**/settings?done=saved")
    assert page.input_value("input[name=on_codes]") == "M64 P1"
    assert "measured on the table" in page.inner_text("main")


def test_a_program_prints_without_what_is_for_touching(seat: Seat) -> None:
    furnish(seat)
    page = seat.page()
    page.goto("/programs/1")
    page.emulate_media(media="print")
    shown = page.evaluate(
        "() => [...document.querySelectorAll('button, .button, nav, input')]"
        ".filter(e => e.offsetParent !== null).map(e => e.outerHTML.slice(0, 80))"
    )
    assert shown == []
    assert page.locator("table.cuts").is_visible()
