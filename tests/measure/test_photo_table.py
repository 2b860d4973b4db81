"""The table of the photo evaluation: what counts as met, and its bound against an integral."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.photo_eval import Line, lines_of
from benchmarks.photo_scenes import draw
from benchmarks.photo_work import Peers, Row, bound_px, size_bound_px
from scipy.integrate import quad
from scipy.stats import norm

from pitwise.measure.specimen import Scene, exposure, noise_sd

ROW = Row(
    group="hole",
    number=0,
    tone="known",
    scale=60.0,
    tilt_deg=10.0,
    circle=True,
    refused=None,
    seconds=0.5,
    error_px=0.03,
    u_px=0.02,
    roundness_px=0.1,
    aside_um=4.0,
    aside_u_um=5.0,
    diameter_px=120.0,
)


def line(rows: list[object], what: str) -> Line:
    return next(x for x in lines_of(rows) if x.what == what)  # type: ignore[arg-type]


def test_what_was_not_measured_meets_no_goal() -> None:
    gone = replace(ROW, refused="blurred", error_px=math.nan)
    assert line([gone], "diameter, RMS, tone known").met is False
    assert line([gone], "located").value == 0.0
    nick = replace(gone, group="nick", nicks=1)
    found = replace(ROW, group="nick", nicks=1, found=1)
    assert line([nick, found], "nicks of 1 px × 3 px found").value == 0.5


def test_another_edge_taken_for_the_hole_s_is_not_located() -> None:
    rows: list[object] = [ROW, replace(ROW, error_px=9.0)]
    assert line(rows, "located").value == 0.5


def test_peers_are_compared_on_the_photos_all_could_measure() -> None:
    rows: list[object] = [
        ROW,
        replace(ROW, number=1, error_px=5.0),
        Peers(0, 10.0, True, 0.9, -0.6, 0.3),
        Peers(1, 10.0, True, None, 0.1, 0.1),
    ]
    best = line(rows, "tilted circular holes: ours over the best peer")
    assert best.value == pytest.approx(0.03 / 0.6)
    assert best.met is True


def test_spatter_may_be_refused_but_not_wrong() -> None:
    good = replace(ROW, group="spatter")
    wrong = replace(good, error_px=-0.21)
    refused = replace(good, refused="spatter", error_px=math.nan)
    what = "spatter: diameter within 0.2 px or refused"
    assert line([good, refused], what).met is True
    assert line([good, wrong], what).value == 0.5


def test_the_bound_is_that_of_a_blurred_edge_in_shot_noise() -> None:
    scene: Scene = replace(
        draw("repeat", 1), light_fall=0.0, width=500, height=500, rim_mm=30.0, lobes=()
    )
    light, _ = exposure(scene, 1)
    mid = light.shape[0] // 2
    dark = float(light[mid, mid, 1])
    radius = scene.hole_mm / 2 * scene.px_per_mm
    bright = float(np.mean(light[mid - 2 : mid + 3, mid + round(radius) + 12, 1]))
    spread = math.hypot(scene.blur_px, 1 / math.sqrt(12))

    def information(x: float) -> float:
        level = dark + (bright - dark) * norm.cdf(x / spread)
        step = scene.gamma * level ** (1 - 1 / scene.gamma) / 255
        variance = float(noise_sd(np.float32([level]), scene)[0]) ** 2 + step**2 / 12  # type: ignore[arg-type]
        slope = float((bright - dark) * norm.pdf(x / spread) / spread / 2)
        return float(slope**2 / variance)

    total = 2 * math.pi * radius * quad(information, -8, 8)[0]
    bound = size_bound_px(scene, 1, lambda by: replace(scene, hole_mm=scene.hole_mm + by))
    assert bound == pytest.approx(1 / math.sqrt(total), rel=0.03)
    # No rim in the picture: no scale.
    assert bound_px(scene, 1) == math.inf
