"""Photos on the bench in a real browser, at both widths: axe, sizes, the flow, bad Wi-Fi."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from kit_browser import PHONE, SIZES, TABLET, Seat, browser, open_bench, seat
from PIL import Image
from test_browser_pages import problems

from pitwise.measure.specimen import Scene, render
from pitwise.services import drafts, limits, part_faces, setup, signing

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]
__all__ = ["browser", "seat"]
SCENE = Scene(
    width=640,
    height=640,
    px_per_mm=44.0,
    rim_mm=12.0,
    hole_mm=2.4,
    lobes=((2, 0.06, 20.0),),
    noise=0.01,
    blur_px=1.0,
    gamma=2.2,
)


@pytest.fixture(scope="module")
def shots(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A rendered nozzle face that can be measured, and a picture of nothing."""
    folder = tmp_path_factory.mktemp("shots")
    picture, _ = render(SCENE, 4)
    Image.fromarray(picture).save(folder / "good.jpg", quality=93)
    again, _ = render(replace(SCENE, turn_deg=30.0), 5)
    Image.fromarray(again).save(folder / "again.jpg", quality=93)
    Image.new("RGB", (400, 400), (90, 90, 90)).save(folder / "grey.jpg")
    return {p.stem: p for p in folder.iterdir()}


@pytest.mark.parametrize("size", SIZES)
def test_photo_to_number_to_finding_to_record(
    seat: Seat, size: tuple[int, int], shots: dict[str, Path]
) -> None:
    floor = seat.floor
    limits.add_limit(
        floor.shop,
        floor.lead,
        depth="0.08 mm",
        compare=">",
        process_id=None,
        source="a manual, made up",
        reason="r",
        on="nozzle/orifice-roundness",
    )
    page = seat.page(size, login="lin")
    bench = open_bench(page, floor.torch, "nozzle")
    out = problems(page, size, "bench, no photo")
    camera = page.locator("label.camera").first.bounding_box()
    assert camera is not None
    assert camera["height"] >= 88
    page.fill("#rim-field", "12")
    page.set_input_files("#photo-field", shots["grey"])
    page.wait_for_selector(".photo-refused")
    assert "Take it again" in page.inner_text("label.camera >> nth=0")
    out += problems(page, size, "bench, refused")
    page.set_input_files("#photo-field", shots["good"])
    page.wait_for_selector(".photo-result:not(.photo-no)")
    assert page.locator("#rim-field").count() == 0
    assert "0.08 mm" in page.inner_text("#now")
    assert page.get_attribute("#f-orifice-out-of-round", "aria-pressed") == "false"
    out += problems(page, size, "bench, measured")
    # The measured value sets nothing; a touch does.
    page.click(".evidence-set:has-text('Orifice out of round') >> nth=0")
    page.wait_for_selector("#f-orifice-out-of-round[aria-pressed=true]")
    page.click(".photo-refused-ones > summary")
    page.locator(".photo-no button.side-button").click()
    page.click(".photo-outs > summary")
    page.wait_for_selector(".photo-back")
    page.click("a.photo-picture >> nth=0")
    page.wait_for_selector(".photo-large")
    out += problems(page, size, "one photo")
    page.click(".back a")
    page.wait_for_selector("#findings")
    number = int(bench.rsplit("/", 1)[1])
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.5", key=floor.key())
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    page.goto(f"/records/{number}")
    page.wait_for_selector(".record-photos img")
    out += problems(page, size, "record")
    if size == PHONE:
        assert seat.slips == []
        assert out == []
        return
    item = page.get_attribute("#nozzle .verdict-part a", "href")
    assert item is not None
    page.goto(item)
    out += problems(page, size, "part")
    kinds = setup.shop_list(floor.shop, floor.lead).part_types
    nozzle = next(k.id for k in kinds if k.part == "nozzle")
    page.goto(f"/shop/part-type/{nozzle}")
    out += problems(page, size, "part type")
    page.goto("/limits")
    out += problems(page, size, "limits")
    assert seat.slips == []
    assert out == []


def test_a_photo_sent_without_connection_is_not_lost(seat: Seat, shots: dict[str, Path]) -> None:
    floor = seat.floor
    kinds = setup.shop_list(floor.shop, floor.lead).part_types
    nozzle = next(k.id for k in kinds if k.part == "nozzle")
    part_faces.set_face(floor.shop, floor.lead, nozzle, rim="12 mm", reason="caliper")
    page = seat.page(PHONE)
    bench = open_bench(page, floor.torch, "nozzle")
    other = seat.page(TABLET, login="lin")
    other.goto(f"{bench}?part=nozzle")
    page.context.set_offline(True)
    page.set_input_files("#photo-field", shots["good"])
    page.wait_for_selector("#send-again")
    assert "kept on this page" in page.inner_text("#net")
    page.context.set_offline(False)
    page.wait_for_selector(".photo-result:not(.photo-no)", timeout=20_000)
    number = int(bench.rsplit("/", 1)[1])
    assert len(drafts.read_draft(floor.shop, floor.tech, number).holes["nozzle"]) == 1
    # The tablet on the bench shows what the phone took, without being touched.
    other.wait_for_selector(".photo-result:not(.photo-no)", timeout=15_000)
