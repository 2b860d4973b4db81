"""Our photo card: drawn by a renderer of the test's own, found again, or refused with the mend."""

from __future__ import annotations

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from card_scene import Scene, render, to_px
from pitwise.measure.photo.card import (
    CARDS,
    CardPrint,
    CardSeen,
    card_svg,
    find_card,
    sheet_svg,
    wrong_scale,
)
from pitwise.measure.photo.card_layout import CARD_OF, SHEET_MM, marker_cells
from pitwise.measure.photo.plane import apply_homography
from pitwise.measure.photo.result import PhotoRefused
from pitwise.trade.given import InputError

SMALL = CARDS[0]
BASE = Scene(SMALL, size=560, px_per_mm=18.0)


def seen_in(scene: Scene, **given: object) -> CardSeen:
    found = find_card(render(scene), **given)  # type: ignore[arg-type]
    assert isinstance(found, CardSeen), found
    return found


def refused_in(picture: np.ndarray) -> str:
    found = find_card(picture)
    assert isinstance(found, PhotoRefused), found
    assert found.reason == "card"
    assert found.mend
    return found.text


def miss_px(scene: Scene, found: CardSeen) -> float:
    """Return the largest error of the homography over the middle of the window."""
    r = 0.3 * scene.card.window_mm
    places = np.random.default_rng(0).uniform(-r, r, (60, 2))
    gap = apply_homography(found.homography, places * found_scale(scene)) - to_px(scene, places)
    return float(np.abs(gap).max())


def found_scale(scene: Scene) -> np.ndarray:
    return np.array(scene.stretch)


@pytest.fixture(scope="module")
def plain() -> np.ndarray:
    return render(BASE)


@pytest.mark.parametrize(
    "scene",
    [
        replace(BASE, tilt_deg=14, exponent=1.9, spread_mm=0.02, shading=(0.3, 0.2)),
        replace(BASE, tilt_deg=0, k1=-0.01, exponent=2.5, spread_mm=-0.01),
        Scene(CARDS[3], size=560, px_per_mm=18.0, turn_deg=100),
    ],
    ids=["tilted, inky", "lens", "open, turned"],
)
def test_scale_tilt_and_tone_come_back(scene: Scene) -> None:
    found = seen_in(scene)
    assert found.card is scene.card
    assert miss_px(scene, found) < (0.02 if not scene.k1 else 0.3)
    step = to_px(scene, np.array([(0.01, 0.0), (0.0, 0.01)])) - to_px(scene, np.zeros((2, 2)))
    truth = float(np.sqrt(abs(np.linalg.det(step)))) / 0.01
    assert abs(found.px_per_mm / truth - 1) < max(4 * found.u_corners, 3e-4)
    assert abs(found.tilt_deg - scene.tilt_deg) < (0.4 if scene.tilt_deg else 0.8)
    assert found.spread_mm == pytest.approx(scene.spread_mm, abs=0.008)
    assert found.tone is not None
    assert abs(found.tone.exponent - scene.exponent) < 0.1
    # Not quite in the card's plane counts for most: 0.15 mm of a phone's distance.
    assert found.u_plane > found.u_print > found.u_corners


def test_a_stretched_print_is_put_right_by_its_check_lines() -> None:
    scene = replace(BASE, stretch=(1.02, 0.99))
    found = seen_in(scene, printed=CardPrint(across_mm=51.0, down_mm=49.5))
    assert miss_px(scene, found) < 0.02
    assert abs(found.tilt_deg - scene.tilt_deg) < 0.3
    # Uncorrected, it looks like another tilt, within its stated uncertainty or not far from it.
    assert seen_in(scene).tilt_deg > 9


def test_entered_greys_make_a_surer_tone() -> None:
    odd = (0.06, 0.1, 0.22, 0.35, 0.5, 0.74)
    scene = replace(BASE, greys=odd, exponent=2.3)
    told = seen_in(scene, printed=CardPrint(reflectances=odd)).tone
    nominal = seen_in(scene).tone
    assert told is not None
    assert nominal is not None
    assert abs(told.exponent - 2.3) < 0.03
    assert told.u_exponent < nominal.u_exponent
    assert abs(nominal.exponent - 2.3) < 3 * nominal.u_exponent


def test_mirrored_hidden_bent_and_doubled_cards_are_refused(plain: np.ndarray) -> None:
    assert "mirror" in refused_in(np.ascontiguousarray(plain[:, ::-1]))
    assert "of the card's 8 markers" in refused_in(np.ascontiguousarray(plain[:, :270]))
    assert "not flat" in refused_in(render(replace(BASE, bend_mm=2.5)))
    other = render(Scene(CARDS[3], size=560, px_per_mm=18.0))
    assert "two cards" in refused_in(np.hstack([plain, other]))


def test_one_hidden_marker_is_said_and_not_missed(plain: np.ndarray) -> None:
    covered = plain.copy()
    x, y = (int(v) for v in to_px(BASE, np.asarray(SMALL.centres[1])))
    covered[y - 34 : y + 34, x - 34 : x + 34] = 120
    found = find_card(covered)
    assert isinstance(found, CardSeen)
    assert 1 not in found.markers
    assert any("can't be seen" in words for words in found.warnings)
    assert miss_px(BASE, found) < 0.05


def test_a_bend_too_small_to_refuse_is_in_the_uncertainty() -> None:
    scene = replace(BASE, bend_mm=0.5)
    found = seen_in(scene)
    flat = seen_in(BASE)
    assert found.u_corners > 10 * flat.u_corners
    assert abs(found.px_per_mm / flat.px_per_mm - 1) < 3 * found.u_corners


def test_no_card_is_none_and_no_picture_is_an_error() -> None:
    rng = np.random.default_rng(1)
    noise = cv2.GaussianBlur(rng.integers(0, 256, (500, 600, 3), dtype=np.uint8), (0, 0), 3)
    for picture in (noise, np.full((400, 400), 90, np.uint8), np.zeros((3, 3), np.uint8)):
        assert find_card(picture) is None
    with pytest.raises(InputError):
        find_card(np.zeros((40, 40)))


def test_a_scale_that_contradicts_the_rim_is_refused(plain: np.ndarray) -> None:
    found = find_card(plain)
    assert isinstance(found, CardSeen)
    assert wrong_scale(found, 12.1, 12.0) is None
    refused = wrong_scale(found, 12.5, 12.0)
    assert refused is not None
    assert "check lines" in refused.mend


def test_prints_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="100 %"):
        CardPrint(across_mm=46.5)
    with pytest.raises(InputError, match="greys"):
        CardPrint(reflectances=(0.1, 0.2))
    with pytest.raises(InputError, match="rising"):
        CardPrint(reflectances=(0.1, 0.05, 0.2, 0.3, 0.4, 0.5))


def test_the_sheet_holds_every_card_once_and_1_to_1() -> None:
    svg = sheet_svg()
    assert f'width="{SHEET_MM[0]:g}mm"' in svg
    assert f'viewBox="0 0 {SHEET_MM[0]:g} {SHEET_MM[1]:g}"' in svg
    assert svg.count("<g ") == len(CARDS)
    assert len(CARD_OF) == sum(len(card.centres) for card in CARDS) <= 50
    places = re.findall(r"translate\(([\d.]+) ([\d.]+)\)", svg)
    corners = [
        (float(x) + card.side_mm / 2, float(y) + card.side_mm / 2)
        for (x, y), card in zip(places, CARDS, strict=True)
    ]
    assert max(x for x, _ in corners) <= SHEET_MM[0]
    assert max(y for _, y in corners) + 6 <= SHEET_MM[1]


@pytest.mark.parametrize("card", CARDS, ids=lambda c: c.name)
def test_the_svg_draws_the_cells_that_are_sought(card: object) -> None:
    assert isinstance(card, type(SMALL))
    scale = 40.0
    half = card.side_mm / 2 + 1
    size = int(2 * half * scale)
    drawn = np.full((size, size), 255, np.uint8)
    pattern = (
        r'<rect x="([-\d.]+)" y="([-\d.]+)" width="([\d.]+)" height="([\d.]+)" fill="#(\w+)"/>'
    )
    for x, y, w, h, fill in re.findall(pattern, card_svg(card)):
        a = [round((float(v) + half) * scale) for v in (x, y)]
        ends = (float(x) + float(w), float(y) + float(h))
        b = [round((v + half) * scale) for v in ends]
        drawn[a[1] : b[1], a[0] : b[0]] = int(fill[:2] if len(fill) == 6 else 2 * fill[0], 16)
    for number, (cx, cy) in card.centres.items():
        middle = (np.arange(7) - 3) * card.cell_mm
        at = [((v + half) * scale).astype(int) for v in (cy + middle, cx + middle)]
        assert np.array_equal(drawn[np.ix_(*at)] < 128, marker_cells(number))
    # Quiet ground of one cell around every marker: no grey comes nearer.
    for x, y, _ in card.patches:
        gap = [max(abs(x - cx), abs(y - cy)) for cx, cy in card.centres.values()]
        assert min(gap) - card.marker_mm / 2 - card.patch_mm / 2 >= card.cell_mm - 1e-9
