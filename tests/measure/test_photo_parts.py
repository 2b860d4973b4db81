"""The parts of the photo measurement: ellipses, edges, paths, nicks."""

from __future__ import annotations

import math

import numpy as np
import pytest

from kit_photo import RIM_MM, face
from pitwise.measure.photo.ellipse import fit_ellipse
from pitwise.measure.photo.light import gamma
from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.nick import find_nicks
from pitwise.measure.photo.picture import draw_result
from pitwise.measure.photo.pose import plane_of_rim
from pitwise.measure.photo.result import HoleMeasured, PhotoRefused
from pitwise.measure.photo.seek import closed_path


def _ellipse(a: float, b: float, turn: float, count: int = 200) -> np.ndarray:
    t = np.arange(count) * (2 * math.pi / count)
    p = np.column_stack([a * np.cos(t), b * np.sin(t)])
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(p @ np.array([[c, s], [-s, c]]) + np.array([310.0, 205.0]))


def test_an_exact_ellipse_is_found_exactly_with_strangers_in_it() -> None:
    points = _ellipse(120, 111, 0.7)
    points[::9] += 14
    fit = fit_ellipse(points)
    assert fit is not None
    assert fit.axes == pytest.approx((120, 111), abs=1e-3)
    assert fit.centre == pytest.approx((310, 205), abs=1e-3)
    plane = plane_of_rim(fit, 12.0)
    assert plane.px_per_mm == pytest.approx(20, abs=1e-3)
    assert plane.tilt_deg == pytest.approx(math.degrees(math.acos(111 / 120)), abs=0.01)
    x, y = plane.to_face(points[1::9, 0], points[1::9, 1])
    assert np.hypot(x, y) == pytest.approx(np.full(x.size, 120), abs=1e-2)
    assert fit_ellipse(points[:5]) is None


def test_a_closed_path_follows_a_wave_and_closes() -> None:
    turns, steps = 90, 60
    wave = 30 + 12 * np.cos(np.arange(turns) * (4 * math.pi / turns))
    gain = np.exp(-0.5 * (np.arange(steps) - wave[:, None]) ** 2)
    path, mean = closed_path(gain, 0.01)
    assert np.abs(path - wave).max() <= 1
    assert abs(int(path[0]) - int(path[-1])) <= 2
    assert mean > 0.8


def test_noise_alone_seldom_makes_a_nick_and_a_nick_is_found() -> None:
    n, r = 300, 70.0
    angle = (np.arange(n, dtype=np.float64) + 0.5) * (2 * math.pi / n)
    none = np.zeros(n, bool)
    false = 0
    for seed in range(200):
        noise = np.random.default_rng(seed).normal(0, 0.12, n)
        false += bool(find_nicks(angle, r + noise, np.full(n, r), none, 0.01, 1.0))
    # 1 % of 200 is 2; five standard errors above it.
    assert false <= 9
    along = np.abs((angle - 1.0) * r)
    bite = np.where(along < 4, 0.9 * np.cos(math.pi * along / 8) ** 2, 0)
    found = 0
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0, 0.06, n)
        nicks = find_nicks(angle, r + bite + noise, np.full(n, r), none, 0.01, 1.0)
        found += any(abs(nick.angle - 1.0) * r < 3 for nick in nicks)
    assert found >= 38


def test_pictures_of_a_result_and_of_a_refusal() -> None:
    image = face(nick=(60, 0.3, 0.3))
    found = measure_photo(image, rim_mm=RIM_MM, tone=gamma(2.2), card=False)
    # A nick does not drag the circle, and is as deep as it was made.
    assert isinstance(found, HoleMeasured)
    assert (found.diameter.value - 2.2) * found.px_per_mm == pytest.approx(0, abs=0.1)
    assert found.nicks[0].depth_mm == pytest.approx(0.3, abs=0.03)
    drawn = draw_result(image, found, label="Rendered")
    assert drawn.dtype == np.uint8
    assert drawn.shape[2] == 3
    # The edge is drawn in the photo's half.
    left = drawn[30:740, 30:740].astype(int)
    assert np.count_nonzero((left[..., 0] > 230) & (left[..., 1] > 180) & (left[..., 2] < 60)) > 200
    refused = PhotoRefused("blurred", "edges are soft", "hold still", rim_px=found.rim_px)
    assert draw_result(image, refused).shape == drawn.shape
