"""Lobes, the Gaussian filter, roundness and its noise floor."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitwise.measure.circle import CircleError, gaussian_upr, harmonics, minimum_zone, roundness
from pitwise.measure.circle_round import REFERENCES, noise_of, spread_about
from pitwise.measure.circle_shape import filter_profile, polar

Floats = npt.NDArray[np.float64]


def around(t: Floats, r: Floats, centre: tuple[float, float] = (0.0, 0.0)) -> Floats:
    return np.column_stack([r * np.cos(t) + centre[0], r * np.sin(t) + centre[1]])


def even(n: int) -> Floats:
    return np.linspace(0, 2 * math.pi, n, endpoint=False)


@settings(max_examples=40, deadline=None)
@given(
    st.integers(0, 1000),
    st.integers(2, 15),
    st.floats(1e-6, 0.2),
    st.floats(0, 1),
    st.booleans(),
)
def test_lobes_come_back(start: int, upr: int, size: float, phase: float, evenly: bool) -> None:
    rng = np.random.default_rng(start)
    t = even(80) if evenly else rng.uniform(0, 2 * math.pi, 400)
    tops = phase * 360 / upr
    r = 5 + size * np.cos(upr * (t - math.radians(tops)))
    found = harmonics(around(t, r, (2, -3)), (2, -3))
    assert len(found) == 15
    own = found[upr - 1]
    assert own.amplitude == pytest.approx(size, abs=1e-12)
    off = (own.phase_deg - tops + 180 / upr) % (360 / upr) - 180 / upr
    assert abs(off) * size < 1e-9
    assert all(h.amplitude < 1e-12 for h in found if h.upr != upr)
    assert all(h.u < 1e-12 for h in found)


def test_lobes_beside_the_fourier_transform() -> None:
    rng = np.random.default_rng(1)
    r = 3 + rng.normal(0, 0.1, 64)
    wave = np.fft.rfft(r) * 2 / 64
    for h in harmonics(around(even(64), r), (0, 0), 20):
        assert h.amplitude == pytest.approx(abs(wave[h.upr]), abs=1e-12)


def test_fewer_lobes_with_few_points_or_wide_gaps() -> None:
    assert harmonics(around(even(3), np.full(3, 2.0)), (0, 0), 0) == ()
    assert len(harmonics(around(even(3), np.full(3, 2.0)), (0, 0))) == 1
    assert len(harmonics(around(even(20), np.full(20, 2.0)), (0, 0))) == 9
    half = np.linspace(0, math.pi, 200)
    assert len(harmonics(around(half, np.full(200, 2.0)), (0, 0))) < 4
    with pytest.raises(CircleError, match="centre"):
        harmonics(around(even(8), np.full(8, 2.0)), (2, 0))


def test_uncertainty_of_an_amplitude() -> None:
    rng = np.random.default_rng(5)
    t = even(180)
    got, said = [], []
    for _ in range(300):
        r = 5 + 0.05 * np.cos(3 * t) + rng.normal(0, 0.01, 180)
        h = harmonics(around(t, r), (0, 0))[2]
        got.append(h.amplitude)
        said.append(h.u)
    # 300 values: standard error of their sd 4 %.
    assert np.std(got) == pytest.approx(np.mean(said), rel=0.16)


@pytest.mark.parametrize("n", [16, 63, 720])
@pytest.mark.parametrize("cutoff", [5.0, 15.0, 150.0])
def test_the_filter_passes_each_wave_as_it_should(n: int, cutoff: float) -> None:
    t = even(n)
    for k in range(0, n // 2, 1 + n // 60):
        r = 4 + 0.5 * np.cos(k * t + 0.3)
        wanted = 4 + 0.5 * 2 ** -((k / cutoff) ** 2) * np.cos(k * t + 0.3)
        assert gaussian_upr(r, cutoff) == pytest.approx(wanted, abs=1e-12)
    # The same as the weighted mean under a Gaussian wrapped round the circle.
    rng = np.random.default_rng(2)
    r = 1 + rng.normal(0, 0.1, 720)
    alpha = math.sqrt(math.log(2) / math.pi)
    wave = 2 * math.pi / 15
    s = even(720)[:, None] + 2 * math.pi * np.arange(-3, 4)
    weight = np.exp(-math.pi * (s / (alpha * wave)) ** 2).sum(axis=1)
    weight /= weight.sum()
    plain = np.array([np.roll(weight, k) @ r for k in range(720)])
    assert gaussian_upr(r, 15) == pytest.approx(plain, abs=1e-12)


def test_the_filter_on_uneven_points() -> None:
    rng = np.random.default_rng(4)
    t = np.sort(rng.uniform(0, 2 * math.pi, 3000))
    r = 5 + 0.02 * np.cos(3 * t) + 0.01 * np.cos(15 * t)
    a, f = filter_profile(t, r, 15.0)
    wanted = 5 + 0.02 * 2 ** -(9 / 225) * np.cos(3 * a) + 0.005 * np.cos(15 * a)
    assert f == pytest.approx(wanted, abs=2e-4)
    gap = t[(t < 1) | (t > 1.5)]
    with pytest.raises(CircleError, match="gap of 29") as caught:
        filter_profile(gap, np.full(len(gap), 5.0), 15.0)
    assert "6." in caught.value.mend
    # So many even points are as far apart as any others.
    with pytest.raises(CircleError, match="gap of 18"):
        filter_profile(even(20), np.full(20, 5.0), 200.0)
    filter_profile(even(20), np.full(20, 5.0), 10.0)
    # A gap of less than half a wave is bridged.
    a, f = filter_profile(gap, np.full(len(gap), 5.0), 5.0)
    assert f == pytest.approx(5.0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_no_such_filter(bad: float) -> None:
    with pytest.raises(CircleError, match="cut-off"):
        gaussian_upr([1.0, 2.0], bad)
    with pytest.raises(CircleError, match="finite"):
        gaussian_upr([1.0, math.nan], 5)


def test_noise_is_told_from_lobes_and_nicks() -> None:
    rng = np.random.default_rng(6)
    t = even(720)
    r = 5 + 0.05 * np.cos(3 * t) + rng.normal(0, 0.004, 720)
    r[100:120] += 0.5
    angle, radius = polar(around(t, r), (0, 0))
    assert noise_of(angle, radius) == pytest.approx(0.004, rel=0.6)
    r[100:120] -= 0.5
    assert noise_of(t, r) == pytest.approx(0.004, rel=0.1)
    assert noise_of(t[:14], r[:14]) is None


@pytest.mark.parametrize("reference", REFERENCES)
@pytest.mark.parametrize("cutoff", [None, 15.0])
def test_a_perfect_circle_shows_the_noise_floor(reference: str, cutoff: float | None) -> None:
    rng = np.random.default_rng(8)
    t = even(240)
    shown, floor, u = [], [], []
    for _ in range(6):
        p = around(t, 5 + rng.normal(0, 0.003, 240), (1, 2))
        own = roundness(p, cutoff, reference, noise_sd=0.003)  # type: ignore[arg-type]
        assert own.noise_floor is not None
        assert own.u is not None
        shown.append(own.value)
        floor.append(own.noise_floor)
        u.append(own.u)
    assert np.mean(shown) == pytest.approx(np.mean(floor), rel=0.15)
    assert 0.2 < np.std(shown) / np.mean(u) < 2.5


def test_the_zone_of_many_made_up_profiles_is_the_real_one() -> None:
    from pitwise.measure.circle_round import _spreads

    rng = np.random.default_rng(9)
    t = np.sort(rng.uniform(0, 2 * math.pi, 100))
    e = rng.normal(0, 1e-4, (20, 100))
    wanted = [minimum_zone(around(t, 1 + row)).width for row in e]
    assert _spreads(t, 1 + e, "MZ") == pytest.approx(np.array(wanted), rel=1e-4)


def test_roundness_refusals_and_exact_points() -> None:
    t = even(100)
    exact = roundness(around(t, 5 + 0.01 * np.cos(2 * t)), noise_sd=0.0)
    assert exact.noise_floor == 0
    # Moved lobes of 2 stay inside the ring to second order.
    assert exact.value == pytest.approx(0.02, abs=1e-4)
    with pytest.raises(CircleError, match="noise_sd"):
        roundness(around(t, np.full(100, 5.0)), noise_sd=-1)
    with pytest.raises(CircleError, match="MZ, LS"):
        spread_about(around(t, np.full(100, 5.0)), "XX")  # type: ignore[arg-type]
    few = roundness(around(even(6), np.array([1.0, 1.1, 1, 1.2, 1, 1.1])))
    assert few.noise_floor is None
    assert few.u is None
