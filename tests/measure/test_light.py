"""Tone curves: known curves come back, whatever the camera and the lighting."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pitwise.measure.photo.light import (
    LINEAR,
    SRGB,
    ToneCurve,
    clipped_white,
    clipping,
    from_steps,
    gamma,
    luminance,
)
from pitwise.trade.given import InputError

GREYS = [0.045, 0.09, 0.17, 0.3, 0.48, 0.7]


def off_by(curve: ToneCurve, truth: np.ndarray, levels: np.ndarray) -> float:
    """Return the largest difference of light after the best factor: no edge sees a factor."""
    light = curve.to_linear(levels).astype(float)
    factor = (light @ truth) / (truth @ truth)
    return float(np.abs(light / factor - truth).max())


def test_srgb_has_the_standards_values() -> None:
    # IEC 61966-2-1: the linear piece, its end, the middle grey of 8 bits (worked by hand).
    light = SRGB.to_linear(np.array([0, 10, 118, 255], dtype=np.uint8))
    assert light == pytest.approx([0, 10 / 255 / 12.92, 0.18116, 1], abs=1e-5)


@given(st.floats(1.8, 2.6), st.floats(0.4, 1.1))
@settings(max_examples=25, deadline=None)
def test_steps_give_a_power_curve_back(exponent: float, exposure: float) -> None:
    levels = (np.array(GREYS) * exposure) ** (1 / exponent)
    curve = from_steps(levels.tolist(), GREYS)
    at = np.linspace(0.1, 0.97, 40)
    assert off_by(curve, at**exponent, at) < 2e-3
    assert curve.exponent == pytest.approx(exponent, abs=0.03)


def test_steps_give_srgb_back_and_say_how_sure_they_are() -> None:
    light = np.array(GREYS) * 0.9
    levels = 1.055 * light ** (1 / 2.4) - 0.055
    curve = from_steps(levels.tolist(), GREYS, u_reflectance=0.15)
    at = np.linspace(0.15, 0.95, 40)
    assert off_by(curve, SRGB.to_linear(at).astype(float), at) < 0.015
    assert 0.03 < curve.u_exponent < 0.3


@given(st.lists(st.floats(0.05, 0.95), min_size=4, max_size=6, unique=True))
@settings(max_examples=40, deadline=None)
def test_a_curve_never_falls(levels: list[float]) -> None:
    try:
        curve = from_steps(sorted(levels), GREYS[: len(levels)])
    except InputError:
        return
    assert np.all(np.diff(curve.to_linear(np.arange(256, dtype=np.uint8))) >= 0)


def test_steps_that_contradict_one_another_are_refused() -> None:
    with pytest.raises(InputError, match="darker step came out lighter"):
        from_steps([0.3, 0.7, 0.4, 0.8, 0.85, 0.9], GREYS)
    with pytest.raises(InputError, match="told apart"):
        from_steps([0.5, 0.51, 0.52, 0.99, 1.0, 1.0], GREYS)


def test_16_bits_and_8_bits_are_the_same_light() -> None:
    eight = np.arange(256, dtype=np.uint8)
    sixteen = eight.astype(np.uint16) * 257
    for curve in (SRGB, gamma(2.1), LINEAR):
        assert curve.to_linear(sixteen) == pytest.approx(curve.to_linear(eight), abs=1e-6)


def test_luminance_of_colours_and_clipping() -> None:
    picture = np.zeros((2, 2, 3), dtype=np.uint8)
    picture[0, 0], picture[0, 1], picture[1, 0] = (255, 0, 0), (0, 255, 0), (255, 255, 255)
    assert luminance(picture).ravel() == pytest.approx([0.2126, 0.7152, 1, 0], abs=1e-6)
    assert clipping(picture).white == 0.75
    assert clipping(picture).black == 0.25
    assert clipped_white(picture).tolist() == [[True, True], [True, False]]


@pytest.mark.parametrize("bad", [np.zeros((2, 2)), np.zeros((0, 2), np.uint8)])
def test_what_is_no_picture_is_refused(bad: np.ndarray) -> None:
    with pytest.raises(InputError):
        luminance(bad)
