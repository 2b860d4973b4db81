"""Rendered specimens: truth held against other ways of reckoning it, and pictures against truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize

from pitwise.measure.specimen import (
    LEVELS,
    Ground,
    Scene,
    as_new,
    develop,
    exposure,
    noise_sd,
    render,
    specimen,
    surface,
    truth_of,
    verdict,
)
from pitwise.measure.specimen.camera import Camera
from pitwise.measure.specimen.curve import Curve, least_squares_circle, minimum_zone_width
from pitwise.trade.given import InputError

PLAIN = Scene(
    width=320,
    height=320,
    px_per_mm=60,
    rim_mm=14,
    hole_mm=3,
    texture=0,
    soot=0,
    light_fall=0,
    noise=0,
    jpeg_quality=None,
    wall_light=0,
    bore_depth_mm=0,
)


def shape(rng: np.random.Generator, nicks: int = 0) -> Curve:
    lobes = tuple(
        (upr, float(rng.uniform(0, 0.04)), float(rng.uniform(0, 360))) for upr in (2, 3, 5, 9)
    )
    bites = tuple(
        (float(rng.uniform(0, 360)), float(rng.uniform(0.02, 0.3)), float(rng.uniform(0.05, 0.3)))
        for _ in range(nicks)
    )
    return Curve(1.2, (0.1, -0.2), lobes, bites)


def polygon_area(points: np.ndarray) -> float:
    x, y = points.T
    return 0.5 * abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1)))


@pytest.mark.parametrize("number", range(6))
def test_minimum_zone_against_a_search_from_many_starts(number: int) -> None:
    points = shape(np.random.default_rng(number), nicks=number % 3).points(1440)

    def width(centre: np.ndarray) -> float:
        return float(np.ptp(np.hypot(points[:, 0] - centre[0], points[:, 1] - centre[1])))

    starts = [(0.1 + a, -0.2 + b) for a in (-0.1, 0, 0.1) for b in (-0.1, 0, 0.1)]
    found = min(
        minimize(width, start, method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-11}).fun
        for start in starts
    )
    assert minimum_zone_width(points) == pytest.approx(found, abs=2e-7)


@pytest.mark.parametrize(("upr", "amplitude"), [(2, 0.03), (3, 0.02), (5, 0.04)])
def test_a_single_wave_has_a_ring_of_twice_its_amplitude(upr: int, amplitude: float) -> None:
    truth = truth_of(replace(PLAIN, lobes=((upr, amplitude, 25.0),), off_centre_mm=(0.3, 0.1)))
    assert truth.roundness_mm == pytest.approx(2 * amplitude, rel=1e-6)
    assert truth.diameter_mm == pytest.approx(3.0, abs=1e-9)
    assert truth.off_centre_mm == pytest.approx(math.hypot(0.3, 0.1), abs=1e-9)
    # Area within r + a cos(n t): pi (r^2 + a^2 / 2).
    assert truth.area_mm2 == pytest.approx(math.pi * (1.5**2 + amplitude**2 / 2), rel=1e-5)
    passed = 2 ** -((upr / 15) ** 2)
    assert truth.roundness_at(15) == pytest.approx(2 * amplitude * passed, rel=1e-6)


def test_a_nick_adds_depth_times_width_and_leaves_the_smooth_circle_alone() -> None:
    nick = (40.0, 0.05, 0.1)
    truth = truth_of(replace(PLAIN, nicks=(nick,), turn_deg=30.0))
    assert truth.smooth_diameter_mm == pytest.approx(3.0, abs=1e-9)
    assert truth.smooth_roundness_mm == pytest.approx(0.0, abs=1e-9)
    assert truth.roundness_mm == pytest.approx(0.05, rel=0.02)
    assert truth.roundness_at(15) == pytest.approx(truth.roundness_mm)
    assert truth.off_centre_mm == pytest.approx(0.0, abs=1e-9)
    more = truth.area_mm2 - math.pi * 1.5**2
    assert more == pytest.approx(0.05 * 0.1, rel=0.03)
    assert truth.nicks == ((70.0, 0.05, 0.1),)
    radii = np.hypot(*truth.edge_mm.T)
    assert truth.edge_angle_deg[int(np.argmax(radii))] == pytest.approx(70.0, abs=0.2)


def test_least_squares_circle_against_a_search() -> None:
    points = shape(np.random.default_rng(5), nicks=2).points(720)

    def cost(circle: np.ndarray) -> float:
        x, y, r = circle
        return float(np.sum((np.hypot(points[:, 0] - x, points[:, 1] - y) - r) ** 2))

    found = minimize(cost, (0.0, 0.0, 1.0), method="BFGS", options={"gtol": 1e-10})
    assert least_squares_circle(points) == pytest.approx(found.x, abs=1e-6)


@pytest.mark.parametrize("distance", [60.0, 150.0, math.inf])
def test_projection_against_rotation_by_matrices(distance: float) -> None:
    scene = replace(
        PLAIN,
        tilt_deg=13.0,
        tilt_towards_deg=35.0,
        turn_deg=70.0,
        distance_mm=distance,
        aim_px=(12.0, -7.0),
    )
    rng = np.random.default_rng(1)
    flat = rng.uniform(-7, 7, (20, 2))
    for depth in (0.0, 3.0):
        turn, tilt = math.radians(70), math.radians(13)
        spin = np.array(
            [[math.cos(turn), -math.sin(turn), 0], [math.sin(turn), math.cos(turn), 0], [0, 0, 1]]
        )
        # Rodrigues' formula; about this axis what lies towards 35 degrees goes away (+z).
        axis = np.array([math.sin(math.radians(35)), -math.cos(math.radians(35)), 0])
        k = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
        lean = np.eye(3) + math.sin(tilt) * k + (1 - math.cos(tilt)) * k @ k
        solid = (lean @ spin @ np.column_stack([flat, np.full(20, depth)]).T).T
        # Depth runs away from the lens as +z does, x right and y up.
        place = np.array([12.0 / 60, 7.0 / 60])
        shrink = 1.0 if math.isinf(distance) else distance / (distance + solid[:, 2:])
        seen = (solid[:, :2] + place) * shrink * 60
        pixels = np.column_stack([159.5 + seen[:, 0], 159.5 - seen[:, 1]])
        assert Camera(scene).project(flat, depth) == pytest.approx(pixels, abs=1e-9)


def test_the_far_side_looks_smaller() -> None:
    truth = truth_of(replace(PLAIN, tilt_deg=15.0, tilt_towards_deg=0.0, distance_mm=60.0))
    right = np.ptp(truth.edge_px[truth.edge_mm[:, 0] > 0][:, 0])
    left = np.ptp(truth.edge_px[truth.edge_mm[:, 0] < 0][:, 0])
    assert right < left


@pytest.mark.parametrize(
    "change",
    [
        {},
        {"tilt_deg": 12.0, "tilt_towards_deg": 40.0, "distance_mm": 80.0},
        {"hole_mm": 1.01, "blur_px": 0.4, "aim_px": (0.37, 0.21)},
        {"lobes": ((3, 0.05, 20.0),), "nicks": ((50.0, 0.05, 0.1),), "turn_deg": 33.0},
    ],
    ids=["plain", "tilted", "small", "shaped"],
)
def test_the_light_in_the_picture_puts_the_edge_where_the_truth_does(
    change: dict[str, object],
) -> None:
    scene = replace(PLAIN, **change)  # type: ignore[arg-type]
    light, truth = exposure(scene, 3)
    red = light[..., 0].astype(float) / surface.falling_light(scene)
    face, hole = red[3, 3], red[int(truth.hole_centre_px[1]), int(truth.hole_centre_px[0])]
    dark_px = float(np.sum((face - red) / (face - hole)))
    around = float(np.hypot(*(truth.edge_px - np.roll(truth.edge_px, -1, axis=0)).T).sum())
    assert (dark_px - polygon_area(truth.edge_px)) / around == pytest.approx(0.0, abs=0.002)


def test_the_rim_lies_where_the_truth_does_on_a_sheet_in_its_plane() -> None:
    scene = replace(
        PLAIN, rim_mm=4.0, hole_mm=1.0, rim_chamfer_mm=0.0, side_depth_mm=0.0, tilt_deg=10.0
    )
    sheet = Ground(np.full((40, 40), 0.1, np.float32), 0.5, (-10.0, 10.0))
    light, truth = exposure(scene, 3, ground=sheet)
    red = light[..., 0].astype(float) / surface.falling_light(scene)
    x, y = (round(v) for v in truth.rim_centre_px)
    behind, face, hole = red[2, 2], red[y, x + 60], red[y, x]
    disc = polygon_area(truth.rim_px)
    expected = disc * (face - behind) - polygon_area(truth.edge_px) * (face - hole)
    around = 4.0 * math.pi * 60
    off = (float(np.sum(red - behind)) - expected) / (face - behind) / around
    assert off == pytest.approx(0.0, abs=0.002)


def test_a_sheet_is_laid_where_it_lies() -> None:
    cells = np.zeros((40, 40), np.float32)
    cells[4:8, 30:36] = 0.8
    scene = replace(PLAIN, rim_mm=2.0, hole_mm=0.5, side_depth_mm=0.0)
    light, _ = exposure(scene, 1, ground=Ground(cells, 0.125, (-2.5, 2.5)))
    bright = np.argwhere(light[..., 2] > 0.4)
    # Cells 30 to 36 of 0.125 mm from -2.5 mm are x = 1.25 to 2 mm; rows y = 2 to 1.5 mm.
    top, left = bright.min(axis=0)
    bottom, right = bright.max(axis=0)
    assert (left, right) == pytest.approx((159.5 + 75, 159.5 + 120), abs=2)
    assert (top, bottom) == pytest.approx((159.5 - 120, 159.5 - 90), abs=2)


def test_the_same_seed_gives_the_same_bytes() -> None:
    scene = specimen(4, "hard")
    scene = replace(scene, width=240, height=240, px_per_mm=scene.px_per_mm * 0.3)
    first, truth = render(scene, 7)
    again, same = render(scene, 7)
    assert first.tobytes() == again.tobytes()
    assert np.array_equal(truth.hidden, same.hidden)
    other, _ = render(scene, 8)
    assert first.tobytes() != other.tobytes()


def test_only_the_noise_changes_with_its_seed() -> None:
    scene = replace(PLAIN, noise=0.01, texture=0.5, gamma=1.0, spatter=3)
    one, _ = render(scene, 7, noise_seed=1)
    two, _ = render(scene, 7, noise_seed=2)
    light, _ = exposure(scene, 7)
    difference = (one.astype(float) - two) / 255
    expected = np.sqrt(2 * noise_sd(light, scene) ** 2 + 2 / 12 / 255**2)
    assert float((difference / expected).std()) == pytest.approx(1.0, abs=0.02)


def test_tone_and_white() -> None:
    light = np.full((8, 8, 3), 0.25, np.float32)
    light[0] = 3.0
    picture = develop(light, replace(PLAIN, gamma=2.0), 0)
    assert picture[4, 4].tolist() == [128, 128, 128]
    assert picture[0, 0].tolist() == [255, 255, 255]


def test_glare_and_spatter_hide_the_edge_they_lie_on() -> None:
    scene = replace(PLAIN, spatter_on_edge=1, glare_on_edge=1)
    picture, truth = render(scene, 2)
    assert len(truth.drops) == len(truth.glares) == 1
    assert 0.02 < truth.hidden.mean() < 0.7
    clean, _ = render(PLAIN, 2)
    changed = np.abs(picture.astype(int) - clean).max(axis=2)
    x, y = np.rint(truth.edge_px).astype(int).T
    assert changed[y, x][~truth.hidden].max() <= 3
    assert changed[y, x][truth.hidden].max() > 60
    assert truth.smooth_diameter_mm == pytest.approx(3.0)


def test_the_bore_s_wall_is_seen_on_the_far_side_only() -> None:
    scene = replace(PLAIN, tilt_deg=12.0, tilt_towards_deg=0.0, bore_depth_mm=3.0, wall_light=0.6)
    light, truth = exposure(scene, 1)
    x, y = truth.hole_centre_px
    reach = 0.9 * 1.5 * 60
    towards, away = light[round(y), round(x + reach), 0], light[round(y), round(x - reach), 0]
    assert towards > 5 * away


def test_a_pit_is_soft_and_of_low_contrast() -> None:
    scene = replace(
        PLAIN, feature="pit", emitter_mm=4.0, pit_contrast=0.3, pit_fuzz_mm=0.03, hole_mm=2.0
    )
    light, truth = exposure(scene, 1)
    green = light[..., 1]
    row = green[round(truth.hole_centre_px[1])]
    assert row[160] / row[160 + 90] == pytest.approx(0.7, abs=0.05)
    # The truth's edge is where half of the step is done, along the light's own shading.
    x = round(truth.hole_centre_px[0] + 60)
    assert row[x + 12] > row[x] > row[x - 12]


@pytest.mark.parametrize("level", LEVELS)
def test_no_specimen_lies_near_a_threshold(level: str) -> None:
    seen = set()
    for seed in range(60):
        scene = specimen(seed, level)
        assert scene == specimen(seed, level)
        edge = truth_of(scene, drops=np.ones((scene.spatter, 3)))
        answer = verdict(edge)
        for look in answer.looked:
            if look.threshold:
                ratio = look.value / look.threshold
                assert ratio > 1.2 or ratio < 0.8, (seed, look)
        assert len(answer.findings) <= 1
        seen.add((answer.part, *sorted(answer.findings), answer.action))
    assert seen == {
        ("nozzle", "keep"),
        ("nozzle", "orifice-out-of-round", "replace"),
        ("nozzle", "orifice-nicked", "replace"),
        ("nozzle", "orifice-enlarged", "replace"),
        ("nozzle", "orifice-off-centre", "replace"),
        ("nozzle", "spatter-attached", "clean"),
        ("electrode", "pit-round", "keep"),
        ("electrode", "pit-ragged", "keep"),
        ("electrode", "emitter-off-centre", "replace"),
    }


def test_the_part_as_new_has_nothing_to_find() -> None:
    for seed in range(12):
        answer = verdict(truth_of(as_new(specimen(seed, "beginner"))))
        assert answer.findings <= {"pit-round"}
        assert answer.action == "keep"


def test_what_is_no_scene_is_refused() -> None:
    with pytest.raises(InputError, match=r"hole_mm.*between"):
        replace(PLAIN, hole_mm=20.0)
    with pytest.raises(InputError, match="background"):
        replace(PLAIN, background="sea")
    with pytest.raises(InputError, match="lobes"):
        replace(PLAIN, lobes=((1, 0.1, 0.0),))
    with pytest.raises(InputError, match=r"begginner.*did you mean 'beginner'"):
        specimen(1, "begginner")
