"""Photos combined: what is common stays, what differs is said; four turns cancel the view."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitwise.measure.photo.combine import combine, four_turns, weighted_mean
from pitwise.measure.photo.result import (
    Circles,
    Ellipse,
    Estimate,
    HoleMeasured,
    NickFound,
    PhotoRefused,
    PlaneCircle,
    Source,
    Unmasked,
)
from pitwise.trade.given import InputError

CIRCLE = PlaneCircle(0, 0, 1)


def photo(
    diameter: float = 2.0,
    off: tuple[float, float] = (0.05, 0.0),
    own: float = 0.002,
    common: float = 0.006,
    roundness: float = 0.02,
    u_off: float = 0.012,
) -> HoleMeasured:
    """Return a measurement as `measure_photo` gives it, its numbers chosen."""
    one = np.zeros(360)
    return HoleMeasured(
        feature="orifice",
        diameter=Estimate(diameter, math.hypot(own, common)),
        roundness_mm=roundness,
        noise_floor_mm=0.004,
        roundness_u_mm=0.003,
        roundness_without_nicks_mm=roundness,
        off_centre=Estimate(math.hypot(*off), u_off),
        off_centre_angle_deg=math.degrees(math.atan2(off[1], off[0])) % 360,
        off_centre_xy_mm=off,
        off_centre_emitter=None,
        emitter_diameter_mm=None,
        nicks=(),
        px_per_mm=60.0,
        tilt_deg=3.0,
        scale_from="rim",
        tone_from="assumed",
        tone="sRGB",
        circles=Circles(CIRCLE, CIRCLE, CIRCLE, CIRCLE, CIRCLE),
        edge_px=np.zeros((360, 2)),
        edge_angle_deg=np.arange(360.0),
        edge_radius_mm=one,
        filtered_radius_mm=one,
        masked=one > 0,
        unmasked=Unmasked(diameter, roundness),
        budget=(
            Source("edge", own, 1.0, "A", "scatter of the edge"),
            Source("rim's diameter", common, 1.0, "B", "the rim's diameter"),
        ),
        filter_upr=50.0,
        false_alarm=0.01,
        edge_sd_px=0.1,
        blur_px=1.0,
        rim_px=Ellipse(0, 0, 1, 1, 0),
        hole_px=Ellipse(0, 0, 1, 1, 0),
        homography=np.eye(3),
    )


def test_the_mean_of_equal_readings_by_hand() -> None:
    # Three readings, u 2 each, common 3: scatter as expected, u² = 4/3 + 9.
    mean = weighted_mean([10.0, 12.0, 11.0], [2.0] * 3, [3.0] * 3)
    assert mean.value == pytest.approx(11)
    assert mean.between == 0
    assert mean.chi2 == pytest.approx(2 / 4)
    assert mean.u == pytest.approx(math.sqrt(4 / 3 + 9))


def test_scatter_beyond_the_stated_widens_the_mean() -> None:
    # u 1 each, variance of the readings 16: Paule and Mandel's between² is 16 - 1 by hand.
    mean = weighted_mean([6.0, 10.0, 14.0], [1.0] * 3, [0.0] * 3)
    assert mean.between == pytest.approx(math.sqrt(15))
    assert mean.u == pytest.approx(4 / math.sqrt(3))
    assert mean.birge == pytest.approx(4)
    assert not mean.consistent


@given(st.lists(st.floats(-1, 1), min_size=2, max_size=8), st.floats(0.001, 0.1))
@settings(max_examples=60, deadline=None)
def test_no_number_of_photos_averages_the_common_part_away(x: list[float], c: float) -> None:
    mean = weighted_mean(x, [0.01] * len(x), [c] * len(x))
    assert mean.u >= c
    assert min(x) - 1e-12 <= mean.value <= max(x) + 1e-12
    assert mean.u_scatter >= 0.01 / math.sqrt(len(x)) - 1e-12


def test_coverage_of_the_combined_diameter() -> None:
    rng = np.random.default_rng(7)
    inside = 0
    for _ in range(300):
        shared = rng.normal(0, 0.006)
        photos = [photo(2 + shared + rng.normal(0, 0.002)) for _ in range(3)]
        got = combine(photos)
        inside += abs(got.diameter.value - 2) <= 2 * got.diameter.u
    assert 0.93 <= inside / 300 <= 0.985


def test_agreeing_photos_combine_and_say_so() -> None:
    got = combine([photo(2.001), photo(1.999, (0.048, 0.004)), photo(2.0, (0.052, -0.004))])
    assert got.consistent
    assert got.outlier is None
    assert got.diameter.value == pytest.approx(2)
    assert 0.006 <= got.diameter.u < 0.0075
    assert got.off_centre.value == pytest.approx(0.05, abs=1e-3)
    assert got.off_centre_angle_deg == pytest.approx(0, abs=1e-6)
    assert not got.warnings
    json.dumps(got.plain(), allow_nan=False)


def test_an_odd_photo_is_named_and_kept() -> None:
    odd = [photo(2.0), photo(2.002), photo(2.09), photo(1.999)]
    got = combine(odd)
    assert not got.consistent
    assert got.outlier == 2
    assert any("Photo 3" in words for words in got.warnings)
    # Kept, and the uncertainty owns up to it.
    assert got.diameter.value > 2.01
    assert got.diameter.u > 0.02


def test_a_part_turned_between_photos_has_a_length_but_no_direction() -> None:
    around = [(0.08, 0.0), (0.0, 0.08), (-0.08, 0.0)]
    got = combine([photo(off=v) for v in around])
    assert got.off_centre.value == pytest.approx(0.08)
    assert got.off_centre_angle_deg is None
    assert any("turned" in words for words in got.warnings)


def test_what_cannot_be_combined_is_refused() -> None:
    with pytest.raises(InputError, match="1 measured photos"):
        combine([photo()])
    with pytest.raises(InputError, match="mixed"):
        combine([photo(), replace(photo(), feature="pit")])


def test_nicks_are_matched_and_every_pinned_key_is_there() -> None:
    deep = replace(photo(), nicks=(NickFound(40.0, 0.3, 0.2, 5.0),))
    near = replace(
        photo(), nicks=(NickFound(43.0, 0.28, 0.2, 5.0), NickFound(200.0, 0.05, 0.05, 2.0))
    )
    got = combine([deep, near, replace(photo(), px_per_mm=45.0)])
    assert [(n.angle_deg, n.photos) for n in got.nicks] == [(40.0, 2), (200.0, 1)]
    plain = got.plain()
    assert plain["nicks"][0]["depth_mm"] == 0.3
    assert plain["px_per_mm"] == 45
    assert plain["roundness_mm"]["noise_floor"] == 0.004
    assert combine([photo(), photo()]).plain()["nicks"] == []


def test_one_photos_doubt_makes_the_shape_not_known() -> None:
    doubted = replace(photo(roundness=0.03), shape_unknown="a nick or spatter at 75°")
    got = combine([photo(), doubted, photo()])
    plain = got.plain()
    assert plain["nicks"] is None
    assert plain["roundness_mm"]["value"] is None
    assert plain["roundness_mm"]["at_least"] == 0.03
    assert "photo 2" in plain["roundness_mm"]["not_known"]


def test_two_parts_give_no_number() -> None:
    got = combine([photo(2.4), photo(3.2)])
    plain = got.plain()
    assert plain["refused"]["reason"] == "photos-differ"
    assert {plain[key] for key in ("diameter_mm", "roundness_mm", "off_centre_mm", "nicks")} == {
        None
    }


def test_more_photos_never_lower_what_noise_adds_to_roundness() -> None:
    assert combine([photo()] * 9).roundness.u == pytest.approx(0.003)


def test_a_shared_error_can_not_hide_a_difference() -> None:
    # Apart by twice the rim's u: the rim is the same in both.
    assert not combine([photo(2.0), photo(2.012)]).means["diameter"].consistent


def test_a_worse_view_does_not_spoil_the_off_centre() -> None:
    straight = replace(photo(u_off=0.0041), off_centre_view_u_mm=0.0)
    tilted = replace(photo(u_off=0.0187), off_centre_view_u_mm=0.0182)
    got = combine([straight, tilted, straight])
    assert got.off_centre.u < 0.0041
    # Taken alike, the view's part stays whole.
    assert combine([tilted] * 4).off_centre.u > 0.0182


def test_coverage_of_the_combined_off_centre() -> None:
    rng = np.random.default_rng(5)
    inside = 0
    for _ in range(400):
        shared = rng.normal(0, 0.006)
        us = rng.choice([0.002, 0.006], 4)
        x = [0.05 + shared + rng.normal(0, u) for u in us]
        y = [rng.normal(0, u) for u in us]
        photos = [
            replace(photo(off=(a, b), u_off=math.hypot(0.006, u)), off_centre_view_u_mm=0.006)
            for a, b, u in zip(x, y, us, strict=True)
        ]
        got = combine(photos).off_centre
        inside += abs(got.value - 0.05) <= 2 * got.u
    assert 0.925 <= inside / 400 <= 0.985


@pytest.mark.parametrize(("e", "p"), [(0.01, 0.03), (0.3, 0.0)])
def test_slips_of_the_turns_cost_direction_not_length(e: float, p: float) -> None:
    rng = np.random.default_rng(2)
    length, across, us, angles = [], [], [], []
    for _ in range(200):
        turns = [90 * k + rng.normal(0, 5) for k in range(4)]
        got = four_turns(turned(e, p, turns, rng))
        if isinstance(got, PhotoRefused):
            continue
        length.append(got.off_centre.value - e)
        across.append(math.remainder(got.off_centre_angle_deg, 360))
        us.append(got.off_centre.u)
        angles.append(got.off_centre_angle_u_deg)
    # Slips beyond 2 u in more than one turn may be refused.
    assert len(us) > 190
    assert 0.3 < np.sqrt(np.mean(np.square(length))) / np.mean(us) < 1.2
    assert 0.6 < np.sqrt(np.mean(np.square(across))) / np.mean(angles) < 1.3


def turned(
    e: complex, p: complex, turns: list[float], rng: np.random.Generator | None = None
) -> list[HoleMeasured]:
    out = []
    for turn in turns:
        v = e * np.exp(1j * np.radians(turn)) + p
        if rng is not None:
            v += complex(*rng.normal(0, 0.0015, 2))
        out.append(photo(off=(float(v.real), float(v.imag))))
    return out


@given(st.floats(0, 0.2), st.floats(0, 6.28), st.floats(0, 0.04), st.floats(0, 6.28), st.booleans())
@settings(max_examples=60, deadline=None)
def test_the_views_own_error_cancels(
    off: float, at: float, view: float, towards: float, other_way: bool
) -> None:
    e, p = off * np.exp(1j * at), view * np.exp(1j * towards)
    way = -1 if other_way else 1
    got = four_turns(turned(e, p, [way * 90.0 * k for k in range(4)]))
    assert not isinstance(got, PhotoRefused)
    assert got.off_centre.value == pytest.approx(off, abs=1e-9)
    if off > 0.03:
        assert got.turned == ("clockwise" if other_way else "anticlockwise")
        assert complex(*got.off_centre_xy_mm) == pytest.approx(e, abs=1e-9)
        assert complex(*got.view_xy_mm) == pytest.approx(p, abs=1e-9)


def test_four_turns_reach_5_micrometres_with_turns_by_hand() -> None:
    rng = np.random.default_rng(3)
    miss, inside = [], 0
    for _ in range(300):
        e = 0.08 * np.exp(2j * np.pi * rng.random())
        p = 0.02 * np.exp(2j * np.pi * rng.random())
        turns = [90 * k + (rng.normal(0, 3) if k else 0.0) for k in range(4)]
        got = four_turns(turned(e, p, turns, rng))
        assert not isinstance(got, PhotoRefused)
        miss.append(abs(got.off_centre.value - 0.08))
        inside += miss[-1] <= 2 * got.off_centre.u
    assert np.quantile(miss, 0.95) <= 0.005
    assert inside / 300 >= 0.93


def test_photos_that_are_no_turns_are_refused() -> None:
    stray = [photo(off=v) for v in [(0.1, 0.0), (0.1, 0.01), (0.1, 0.0), (0.0, 0.1)]]
    got = four_turns(stray)
    assert isinstance(got, PhotoRefused)
    assert got.reason == "turns"
    with pytest.raises(InputError, match="one side"):
        four_turns(stray, [0, 10, 20, 30])
    with pytest.raises(InputError, match="give four"):
        four_turns(stray[:3])
