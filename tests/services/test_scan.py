"""Codes in photos: read turned, tilted, small and in bad light; what is no photo is refused."""

from __future__ import annotations

import dataclasses
import io
import math

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import segno

from kit import Floor
from pitwise.services import scan
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.limited import Limits
from pitwise.services.scan_child import LONGEST, read_codes
from pitwise.services.shelf_items import add_item, add_items_for_types, item_lines, missing_types
from pitwise.services.shelf_model import ASSUMED_RULE, ItemLine
from pitwise.services.shelf_view import shelf_page, state_of

Grey = npt.NDArray[np.uint8]
# ISO/IEC 15420 (EAN/UPC), from memory: the seven modules of a digit of number set A, and which
# of the sets A and B the left half takes for each leading digit. Set C is A's complement, B is C
# read backwards.
# fmt: off
SET_A = ("0001101", "0011001", "0010011", "0111101", "0100011",
         "0110001", "0101111", "0111011", "0110111", "0001011")
LEADING = ("AAAAAA", "AABABB", "AABBAB", "AABBBA", "ABAABB",
           "ABBAAB", "ABBBAA", "ABABAB", "ABABBA", "ABBABA")
# fmt: on


def bars(number: str) -> Grey:
    """A box's EAN-13 bars, drawn module by module, with its quiet zones."""
    flip = str.maketrans("01", "10")
    left = ""
    for digit, which in zip(number[1:7], LEADING[int(number[0])], strict=True):
        a = SET_A[int(digit)]
        left += a if which == "A" else a.translate(flip)[::-1]
    right = "".join(SET_A[int(d)].translate(flip) for d in number[7:])
    modules = "0" * 11 + "101" + left + "01010" + right + "101" + "0" * 7
    row = np.array([255 * (1 - int(m)) for m in modules], np.uint8)
    return np.tile(np.repeat(row, 5), (240, 1)).astype(np.uint8)


def symbol(code: str, module: int = 8) -> Grey:
    matrix = np.array(segno.make(code, error="m", micro=False).matrix, np.uint8)
    return np.kron(
        np.pad(255 * (1 - matrix), 4, constant_values=255), np.ones((module, module), np.uint8)
    ).astype(np.uint8)


def scene(
    label: Grey,
    *,
    size: tuple[int, int] = (1600, 1200),
    share: float = 0.35,
    turned: float = 0.0,
    tilt: float = 0.2,
    dim: bool = False,
) -> Grey:
    """A photo of a label on a bench: turned (radian), tilted, a little blurred and noisy."""
    random = np.random.default_rng(5)
    width, height = size
    high, wide = label.shape
    corners = np.array([[0, 0], [wide, 0], [wide, high], [0, high]], np.float32)
    c, s = math.cos(turned), math.sin(turned)
    points = (corners - [wide / 2, high / 2]) * share * width / wide
    points = points @ np.array([[c, s], [-s, c]])
    points[:, 0] *= 1 - tilt * points[:, 1] / (share * width)
    points += [0.52 * width, 0.47 * height]
    picture = random.integers(70, 110, (height, width)).astype(np.uint8)
    warp = cv2.getPerspectiveTransform(corners, points.astype(np.float32))
    cv2.warpPerspective(
        label, warp, size, dst=picture, borderMode=cv2.BORDER_TRANSPARENT, flags=cv2.INTER_AREA
    )
    out = cv2.GaussianBlur(picture, (0, 0), 1.2).astype(float)
    if dim:
        # A third of the light on one side, a lamp's glare beside the code.
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        far = (x - 0.3 * width) ** 2 + (y - 0.2 * height) ** 2
        out = out * (0.3 + 0.5 * x / width) + 90 * np.exp(-far / (0.02 * width**2))
    return np.clip(out + random.normal(0, 5, out.shape), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("turned", "dim"), [(0.0, False), (0.5, True), (1.7, False), (3.1, True)])
def test_a_label_is_read_however_it_lies(turned: float, dim: bool) -> None:
    assert read_codes(scene(symbol("E-00412"), turned=turned, dim=dim)) == ["E-00412"]


@pytest.mark.parametrize(
    ("size", "share"), [((4000, 3000), 0.12), ((2400, 1800), 0.8), ((900, 700), 0.3)]
)
def test_a_label_is_read_near_and_far(size: tuple[int, int], share: float) -> None:
    assert read_codes(scene(symbol("S-0007"), size=size, share=share)) == ["S-0007"]


def test_a_boxs_own_bars_are_read() -> None:
    # The check digit by GS1's rule: weights 1 and 3 from the left, up to the next ten.
    number = "400638133393"
    check = -sum(int(d) * (3 if k % 2 else 1) for k, d in enumerate(number)) % 10
    assert check == 1
    assert read_codes(scene(bars(number + "1"), share=0.5, tilt=0.05)) == [number + "1"]


def test_the_code_nearest_the_middle_comes_first() -> None:
    picture = np.full((900, 1600), 100, np.uint8)
    for code, x, y in (("S-0001", 20, 20), ("S-0002", 680, 330), ("S-0003", 1300, 600)):
        label = symbol(code)
        picture[y : y + label.shape[0], x : x + label.shape[1]] = label
    assert read_codes(picture)[0] == "S-0002"
    assert sorted(read_codes(picture)) == ["S-0001", "S-0002", "S-0003"]


def test_nothing_is_read_where_nothing_is() -> None:
    assert read_codes(np.full((480, 640), 128, np.uint8)) == []
    noise = np.random.default_rng(1).integers(0, 256, (800, 1000)).astype(np.uint8)
    assert read_codes(noise) == []
    assert read_codes(symbol("x" * (LONGEST + 1), 4)) == []


def jpeg(picture: Grey) -> io.BytesIO:
    return io.BytesIO(cv2.imencode(".jpg", picture)[1].tobytes())


def test_a_process_of_its_own_reads_the_photo() -> None:
    assert scan.codes_in(jpeg(scene(symbol("S-0007")))) == ["S-0007"]


@pytest.mark.parametrize(
    ("limits", "words"),
    [
        (Limits(memory=150 << 20, cpu_s=20, wall_s=30), "memory|stopped"),
        (Limits(cpu_s=20, wall_s=0.05), "took longer"),
    ],
)
def test_a_photo_that_wants_too_much_is_refused(limits: Limits, words: str) -> None:
    with pytest.raises(ServiceError, match=words):
        scan.codes_in(jpeg(scene(symbol("S-1"), size=(4000, 3000))), limits=limits)


@pytest.mark.parametrize("data", [b"", b"<svg/>" * 20, b"%PDF-1.7" + bytes(200)])
def test_what_is_no_photo_is_refused(data: bytes) -> None:
    with pytest.raises(ServiceError) as refused:
        scan.codes_in(io.BytesIO(data), name="../../box.jpg")
    assert refused.value.mend
    assert "/" not in refused.value.place


def test_a_typed_code_is_an_item_a_part_or_nobodys(lite: Floor) -> None:
    shop, lead, tech = lite.shop, lite.lead, lite.tech
    with shop.database.read() as session:
        (first, *_) = [t.id for t in missing_types(session)]
    (item,) = add_items_for_types(shop, lead, [first])
    code = item_lines(shop, lead)[0].code
    assert scan.typed(shop, tech, f" {code}\n").id == item
    with pytest.raises(NotFoundError):
        scan.typed(shop, tech, "S-9999")
    with pytest.raises(ServiceError, match="is empty"):
        scan.typed(shop, tech, "  ")
    found = scan.read_photo(shop, tech, jpeg(scene(symbol(code))))
    assert [(f.kind, f.id) for f in found.found] == [("item", item)]
    assert found.unknown == ()
    nobodys = scan.read_photo(shop, tech, jpeg(scene(symbol("no-one"))))
    assert (nobodys.found, nobodys.unknown) == ((), ("no-one",))


LINE = ItemLine(
    1, "part", "x", "S-1", "", True, "nozzle", 1, 3, 0, 0, None, ASSUMED_RULE, None, False
)


def test_how_an_item_stands_by_the_ledger_alone() -> None:
    assert state_of(LINE) == "no-terms"
    assert state_of(dataclasses.replace(LINE, on_shelf=0)) == "none-left"
    assert state_of(dataclasses.replace(LINE, on_shelf=0, in_kits=2)) == "no-terms"
    assert state_of(dataclasses.replace(LINE, below_zero=True)) == "count-it"
    assert state_of(dataclasses.replace(LINE, count_again=True)) == "count-it"


def test_the_list_says_what_the_alerts_say(lite: Floor) -> None:
    shop, lead = lite.shop, lite.lead
    with shop.database.read() as session:
        add_items_for_types(shop, lead, [t.id for t in missing_types(session)])
    view = shelf_page(shop, lead, forecast=True)
    of = {r.line.id: r for r in view.rows}
    assert len(of) == 8
    for notice in view.alerts:
        assert of[notice.item_id].line.name == notice.name
        if notice.level in ("short", "order-now", "count-it"):
            assert of[notice.item_id].state == notice.level


def test_one_walks_past_box_2_before_box_10(lite: Floor) -> None:
    for name, place in (("c", ""), ("b", "Rack A, box 10"), ("a", "Rack A, box 2")):
        add_item(lite.shop, lite.lead, kind="other", name=name, place=place)
    assert [r.line.name for r in shelf_page(lite.shop, lite.lead).rows] == ["a", "b", "c"]
