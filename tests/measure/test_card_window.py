"""A hole measured with the card around the part: its paper's edge is no rim."""

from __future__ import annotations

import math

import numpy as np
import pytest

from card_scene import Scene, render
from pitwise.measure.photo.card import CARDS, CardPrint, CardSeen, find_card
from pitwise.measure.photo.card_window import only_window
from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.result import HoleMeasured, PhotoRefused

HOLE_MM, OFF = 2.4, (0.06, 0.03)


def part(rim_mm: float, mm: np.ndarray) -> np.ndarray:
    """Return the light of a part in the window: a turned face with a hole."""
    x, y = mm[..., 0], mm[..., 1]

    def within(d: np.ndarray) -> np.ndarray:
        return np.asarray(1 / (1 + np.exp(np.clip(d / 0.004, -50, 50))))

    r, hole = np.hypot(x, y), np.hypot(x - OFF[0], y - OFF[1])
    face = 0.06 + (0.4 + 0.02 * np.sin(40 * r)) * within(r - rim_mm / 2)
    return np.asarray(face * (1 - 0.95 * within(hole - HOLE_MM / 2)))


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    scene = Scene(CARDS[0], size=980, px_per_mm=32.0, tilt_deg=8, exponent=2.4)
    return render(scene, paint=lambda mm: part(12.0, mm))


@pytest.mark.parametrize("rim_mm", [None, 12.0])
def test_a_part_in_the_card_is_measured(picture: np.ndarray, rim_mm: float | None) -> None:
    got = measure_photo(picture, rim_mm=rim_mm)
    assert isinstance(got, HoleMeasured), got
    assert got.scale_from == ("card" if rim_mm is None else "rim")
    assert got.tone_from == "card"
    assert abs(got.diameter.value - HOLE_MM) < 3 * got.diameter.u
    assert abs(got.diameter.value - HOLE_MM) < 0.006
    assert got.off_centre.value == pytest.approx(math.hypot(*OFF), abs=0.006)


def test_what_the_shop_measured_on_its_print_counts(picture: np.ndarray) -> None:
    wide = CardPrint(across_mm=51.0, down_mm=51.0)
    got = measure_photo(picture, rim_mm=None, printed=wide)
    assert isinstance(got, HoleMeasured)
    assert got.diameter.value == pytest.approx(1.02 * HOLE_MM, abs=0.006)
    # And such a print contradicts the rim that is known.
    refused = measure_photo(
        picture, rim_mm=12.0, printed=CardPrint(across_mm=52.9, down_mm=52.9, u_mm=0.02)
    )
    assert isinstance(refused, PhotoRefused)
    assert refused.reason == "card"


def test_outside_of_the_window_nothing_is_left(picture: np.ndarray) -> None:
    seen = find_card(picture)
    assert isinstance(seen, CardSeen)
    bare = only_window(picture, seen)
    assert bare.shape == picture.shape
    assert find_card(bare) is None
    x, y = (int(v) for v in seen.window_px.mean(axis=0))
    assert np.array_equal(
        bare[y - 180 : y + 180, x - 130 : x + 130], picture[y - 180 : y + 180, x - 130 : x + 130]
    )
    # As dark as the ground that the part stands on.
    assert abs(float(bare[:40].mean()) - float(picture[y, x - 235].mean())) < 6


def test_a_card_in_view_that_is_not_wanted_is_no_rim(picture: np.ndarray) -> None:
    got = measure_photo(picture, rim_mm=12.0, card=False)
    assert isinstance(got, HoleMeasured), got
    assert got.scale_from == "rim"
    assert got.tone_from == "assumed"
    assert abs(got.diameter.value - HOLE_MM) < max(3 * got.diameter.u, 0.02)
    # With half of the card cut away its paper can't be told from a face: refused.
    cut = measure_photo(picture[:, 250:], rim_mm=12.0, card=False)
    assert isinstance(cut, PhotoRefused)
    assert cut.reason == "card"
    assert "out of the picture" in cut.mend
