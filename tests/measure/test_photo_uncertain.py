"""What the photo says of itself: the roundness's u, and the rim's true centre."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pitwise.measure.photo.ellipse import fit_ellipse
from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.pose import centres_of_rim
from pitwise.measure.photo.result import HoleMeasured
from pitwise.measure.specimen import Scene, Truth, render
from pitwise.trade.given import InputError

HOLE = Scene(
    width=400, height=400, px_per_mm=40.0, rim_mm=8.4, hole_mm=2.4, lobes=((3, 0.008, 20.0),),
    off_centre_mm=(0.1, 0.05), wall_light=0.15, side_depth_mm=2.0, rim_chamfer_mm=0.0,
    background="cloth",
)  # fmt: skip


def _off_um(got: HoleMeasured, truth: Truth) -> float:
    angle = math.radians(truth.off_centre_angle_deg)
    true = truth.off_centre_mm * np.array([math.cos(angle), math.sin(angle)])
    return 1000 * float(np.hypot(*(np.array(got.off_centre_xy_mm) - true)))


def test_the_roundness_of_repeats_lies_within_its_uncertainty() -> None:
    values: list[float] = []
    us: list[float] = []
    inside = 0
    for k in range(4):
        scene = replace(
            HOLE, tilt_deg=3.0 * k, tilt_towards_deg=67.0 * k, light_from_deg=90.0 * k,
            gamma=2.0 + 0.08 * k,
        )  # fmt: skip
        image, truth = render(scene, 7, noise_seed=k)
        got = measure_photo(image, rim_mm=8.4, card=False)
        assert isinstance(got, HoleMeasured)
        inside += abs(got.roundness_mm - truth.roundness_at(got.filter_upr)) <= (
            2 * got.roundness_u_mm
        )
        assert got.roundness_u_mm * scene.px_per_mm < 0.4
        values.append(got.roundness_mm)
        us.append(got.roundness_u_mm)
        rows = {row.name for row in got.roundness_budget}
        assert {"noise taken for shape", "uneven light along the edge", "bore wall"} <= rows
    assert inside == 4
    # The stated u is no smaller than what repeats show.
    assert np.std(values, ddof=1) <= 1.5 * max(us)


def test_a_known_focal_length_finds_the_rims_middle() -> None:
    scene = replace(HOLE, tilt_deg=12.0, tilt_towards_deg=200.0, distance_mm=80.0, wall_light=0.5)
    image, truth = render(scene, 11)
    plain = measure_photo(image, rim_mm=8.4, card=False)
    told = measure_photo(image, rim_mm=8.4, card=False, focal_px=40.0 * 80.0)
    assert isinstance(plain, HoleMeasured)
    assert isinstance(told, HoleMeasured)
    assert _off_um(plain, truth) <= 2000 * plain.off_centre.u
    assert _off_um(told, truth) < min(8.0, _off_um(plain, truth))
    assert _off_um(told, truth) <= 2000 * told.off_centre.u
    assert told.off_centre.u < 0.5 * plain.off_centre.u
    with pytest.raises(InputError) as error:
        measure_photo(image, rim_mm=8.4, focal_px=5.0)
    assert error.value.place == "focal_px"


def test_one_of_the_two_leans_has_the_circles_centre_exactly() -> None:
    focal, middle, turn = 3000.0, np.array([400.0, 300.0]), np.arange(200) * (math.pi / 100)
    c, s = math.cos(0.2), math.sin(0.2)
    ring = 4 * np.column_stack([np.cos(turn), np.sin(turn)])

    def seen(xy: np.ndarray) -> np.ndarray:
        x, y, z = xy[:, 0] * c + 3.0, xy[:, 1] - 2.0, 60.0 + xy[:, 0] * s
        return np.asarray(middle + focal * np.column_stack([x / z, y / z]))

    fit = fit_ellipse(seen(ring), least_sd=1e-6)
    assert fit is not None
    true = seen(np.zeros((1, 2)))[0]
    found = [math.dist(true, at) for at in centres_of_rim(fit, focal, middle)]
    assert min(found) < 0.01
    assert math.dist(true, fit.centre) > 0.5
