"""Pits: the pit's edge is measured, not the emitter's, or the photo is refused."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.result import HoleMeasured, PhotoRefused
from pitwise.measure.specimen import Scene, render

PIT = Scene(
    width=520, height=520, px_per_mm=48.0, rim_mm=9.0, hole_mm=1.9, emitter_mm=3.0,
    off_centre_mm=(0.06, -0.04), tilt_deg=5.0, tilt_towards_deg=70.0, texture=0.4, feature="pit",
    pit_contrast=0.3, pit_fuzz_mm=0.025, rim_chamfer_mm=0.1, side_depth_mm=2.0, background="cloth",
)  # fmt: skip


def test_pit_and_emitter_come_out_within_their_uncertainty() -> None:
    image, truth = render(PIT, 1)
    got = measure_photo(image, rim_mm=9.0, feature="pit", card=False)
    assert isinstance(got, HoleMeasured)
    assert abs(got.diameter.value - truth.smooth_diameter_mm) <= 2 * got.diameter.u
    assert got.diameter.u * PIT.px_per_mm < 1.0
    assert got.emitter_diameter_mm is not None
    assert got.emitter_u_mm is not None
    assert abs(got.emitter_diameter_mm - PIT.emitter_mm) <= 2 * got.emitter_u_mm
    assert got.off_centre_emitter is not None
    off = abs(got.off_centre_emitter.value - math.hypot(*PIT.off_centre_mm))
    assert off <= 2 * got.off_centre_emitter.u < 0.03
    round_off = got.roundness_mm - truth.roundness_at(got.filter_upr)
    assert abs(round_off) <= 2 * got.roundness_u_mm
    # Nicks of a pit are not sought, and that is said.
    plain = got.plain()
    assert plain["nicks"] is None
    assert plain["nicks_sought"] is False
    assert any("Nicks are not looked for" in words for words in got.warnings)


@pytest.mark.parametrize("grey", [False, True])
def test_an_emitter_without_a_pit_is_no_pit(grey: bool) -> None:
    image, _ = render(replace(PIT, pit_contrast=0.0), 4)
    if grey:
        image = np.ascontiguousarray(image[..., 2])
    got = measure_photo(image, rim_mm=9.0, feature="pit", card=False)
    assert isinstance(got, PhotoRefused)
    assert got.reason in ("hole-not-found", "pit-edge-doubtful")
    assert got.mend


def test_in_grey_a_sharp_edge_may_be_the_emitters() -> None:
    # A dark insert without a pit: in grey its edge is all there is to see.
    image, _ = render(replace(PIT, emitter_mm=0.0, pit_contrast=0.5, pit_fuzz_mm=0.0), 5)
    got = measure_photo(np.ascontiguousarray(image[..., 1]), rim_mm=9.0, feature="pit", card=False)
    assert isinstance(got, PhotoRefused)
    assert got.reason == "pit-edge-doubtful"
    assert "colour" in got.text
