"""Change against new: found again through turn, tilt and other light; refused where it can't be."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from face_pair import HOLE_MM, RIM_MM, View, face, put, shoot, to_mm
from pitwise.measure.photo.change import Changed, changed_area
from pitwise.measure.photo.result import PhotoRefused
from pitwise.trade.given import InputError

HOLE = (0.0, 0.0, HOLE_MM / 2)
# Turned, tilted otherwise, brighter, lit from one side, another tone.
NEW = View(px_per_mm=32, size=460, tilt_deg=5, towards_deg=20)
NOW = View(
    px_per_mm=36, size=520, turn_deg=200, tilt_deg=10, towards_deg=130, gain=1.15,
    shade=(0.4, -0.3), exponent=1.9,
)  # fmt: skip
SPOTS = ((2.5, 2.0, 0.7), (0.0, -3.5, 1.0))


def spotted(surface: np.ndarray) -> np.ndarray:
    for x, y, d in SPOTS:
        surface = put(surface, x, y, d, 0.08)
    return surface


def compared(
    new: np.ndarray, now: np.ndarray, smallest_mm2: float = 0.03
) -> Changed | PhotoRefused:
    return changed_area(
        shoot(new, NEW, 1),
        shoot(now, NOW, 2),
        to_mm(NEW),
        to_mm(NOW),
        RIM_MM,
        new_hole=HOLE,
        now_hole=HOLE,
        smallest_mm2=smallest_mm2,
    )


def assert_spots(got: Changed | PhotoRefused) -> None:
    assert isinstance(got, Changed)
    truth = sum(math.pi * d * d / 4 for *_, d in SPOTS)
    assert got.low_mm2 <= truth <= got.high_mm2
    assert got.area_mm2 == pytest.approx(truth, rel=0.15)
    found = {(round(r.distance_mm, 1), round(r.angle_deg / 3)) for r in got.regions}
    wanted = {
        (round(math.hypot(x, y), 1), round(((math.degrees(math.atan2(y, x)) + 200) % 360) / 3))
        for x, y, _ in SPOTS
    }
    assert found == wanted
    assert not any(r.lighter for r in got.regions)
    # The outline lies where the photo shows the spot.
    back = np.linalg.inv(to_mm(NOW))
    for region in got.regions:
        a = np.radians(region.angle_deg)
        at = back @ [region.distance_mm * np.cos(a), region.distance_mm * np.sin(a), 1]
        assert np.abs(region.polygon_px.mean(axis=0) - at[:2] / at[2]).max() < 3


def test_spots_are_found_by_the_parts_own_marks() -> None:
    surface = face(3)
    got = compared(surface, spotted(surface))
    assert_spots(got)
    assert isinstance(got, Changed)
    assert got.matched_by == "marks"
    assert got.turn_deg == pytest.approx(200, abs=0.2)
    assert got.picture.dtype == np.uint8
    json.dumps(got.plain(), allow_nan=False)


def test_spots_are_found_on_another_part_of_the_type() -> None:
    got = compared(face(11), spotted(face(31)))
    assert_spots(got)
    assert isinstance(got, Changed)
    assert got.matched_by == "rings"
    assert got.turn_deg is None
    assert any("ring by ring" in words for words in got.warnings)


def test_an_unchanged_face_shows_no_changed_area() -> None:
    got = compared(face(5), face(5))
    assert isinstance(got, Changed)
    assert got.area_mm2 == 0
    assert got.regions == ()
    assert got.compared_mm2 == pytest.approx(math.pi * (5.7**2 - 1), rel=0.03)


def test_spots_smaller_than_stated_are_left_out() -> None:
    surface = face(3)
    got = compared(surface, spotted(surface), smallest_mm2=0.5)
    assert isinstance(got, Changed)
    assert [r.area_mm2 for r in got.regions] == [pytest.approx(math.pi / 4, rel=0.15)]


def test_what_is_white_was_not_looked_at() -> None:
    surface = face(3)
    got = compared(surface, put(surface, -3, 1, 1.2, 0.95))
    assert isinstance(got, Changed)
    assert got.unseen_mm2 > 0.8
    assert any("not looked at" in words for words in got.warnings)


def test_pairs_that_do_not_belong_together_are_refused() -> None:
    # A new face that is more than its rings, and a photo of something else altogether.
    vents = put(put(face(5), 3, 3, 1.5, 0.05), -3, 3, 1.5, 0.05)
    rng = np.random.default_rng(1)
    scraps = np.kron(rng.uniform(0.02, 0.9, (29, 29)), np.ones((29, 29)))
    for new, now in ((vents, face(8)), (face(3), scraps)):
        got = compared(new, now)
        assert isinstance(got, PhotoRefused)
        assert got.reason == "no-match"
        assert got.mend
    with pytest.raises(InputError):
        changed_area(scraps, scraps, np.eye(3), np.eye(3), 0.0)
