"""A photo read in parts and halves, many fits at once, and rims on grounds that are all alike."""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest

from pitwise.measure.photo.ellipse import fit_ellipse, fit_ellipses
from pitwise.measure.photo.face import locate_rim
from pitwise.measure.photo.frame import Frame, half
from pitwise.measure.photo.light import LINEAR, clipped_white
from pitwise.measure.photo.seek import closed_path, closed_paths


def disc(size: int, radius: float, ground: float, face: float) -> np.ndarray:
    """Return a disc on an exactly even ground, blurred by a lens."""
    y, x = np.mgrid[0:size, 0:size]
    apart = np.hypot(x - size / 2 - 7.3, y - size / 2 + 4.6)
    light = ground + (face - ground) * np.clip(radius - apart + 0.5, 0, 1)
    light = np.where(apart < 0.2 * radius, 10.0, light)
    return np.rint(cv2.GaussianBlur(light, (0, 0), 1.0)).astype(np.uint8)


@pytest.mark.parametrize("bits", [8, 16])
def test_parts_of_a_frame_are_those_of_the_whole(bits: int) -> None:
    kind = np.uint8 if bits == 8 else np.uint16
    top = np.iinfo(kind).max
    rng = np.random.default_rng(4)
    image: np.ndarray = rng.integers(0, top, (41, 63, 3), endpoint=True).astype(kind)
    image[5:9, 6:20] = top
    frame = Frame.of(image, LINEAR)
    whole = cv2.cvtColor(image, cv2.COLOR_RGB2GRAY) / top
    assert frame.grey.shape == (41, 63)
    assert frame.grey[3:9, 4:30] == pytest.approx(whole[3:9, 4:30], abs=1e-6)
    iy, ix = np.array([0, 40, 7]), np.array([62, 1, 8])
    assert frame.grey[iy, ix] == pytest.approx(whole[iy, ix], abs=1e-6)
    assert np.array_equal(frame.white[2:30, 1:40], clipped_white(image)[2:30, 1:40])
    assert np.array_equal(frame.white[iy, ix], clipped_white(image)[iy, ix])
    assert frame.colour is not None
    hue = (image[..., 0].astype(float) - image[..., 2]) / top
    assert frame.colour[iy, ix] == pytest.approx(hue[iy, ix], abs=1e-6)
    grey, colour = frame.halved(1)
    assert grey.shape == (20, 31)
    assert colour is not None
    # The mean of four pixels, rounded; an odd last row and column are left out.
    four = hue[:40, :62].reshape(20, 2, 31, 2).mean((1, 3))
    assert np.abs(colour - four).max() < 1.5 / 255
    assert half(frame.image).dtype == kind


def test_many_ellipses_at_once_are_those_fitted_one_by_one() -> None:
    turn = np.arange(120) * (2 * math.pi / 120)
    rng = np.random.default_rng(3)
    points = np.stack(
        [
            np.column_stack([50 + a * np.cos(turn), 40 + 30 * np.sin(turn)])
            + rng.normal(0, 0.1, (120, 2))
            for a in (30, 33, 36)
        ]
    )
    weight = np.ones((3, 120))
    weight[1, 5:] = 0.0
    many = fit_ellipses(points, weight)
    assert many[1] is None
    for k in (0, 2):
        alone = fit_ellipse(points[k])
        assert alone is not None
        got = many[k]
        assert got is not None
        assert got.axes == pytest.approx(alone.axes, abs=1e-6)
        assert got.axes == pytest.approx((30 + 3 * k, 30), abs=0.06)


def test_many_paths_at_once_are_those_followed_one_by_one() -> None:
    gains = np.random.default_rng(8).random((3, 40, 25))
    paths, means = closed_paths(gains, 0.05)
    for gain, path, mean in zip(gains, paths, means, strict=True):
        own, level = closed_path(gain, 0.05)
        assert np.array_equal(own, path)
        assert level == pytest.approx(mean)
        assert level == pytest.approx(float(gain[np.arange(40), path].mean()))


@pytest.mark.parametrize(("ground", "face"), [(0, 150), (60, 150), (255, 120)])
def test_a_rim_on_an_exactly_even_ground_is_found(ground: float, face: float) -> None:
    rim = locate_rim(Frame.of(disc(500, 180, ground, face), LINEAR))
    assert rim is not None
    assert rim.fit.axes == pytest.approx((180, 180), abs=0.1)


def test_the_rim_of_a_large_picture_is_found_on_a_halved_one_at_its_place() -> None:
    rim = locate_rim(Frame.of(disc(1801, 760, 40, 150), LINEAR))
    assert rim is not None
    assert rim.fit.axes == pytest.approx((760, 760), abs=0.3)
    assert rim.fit.centre == pytest.approx((907.8, 895.9), abs=0.3)
