"""A hole measured from a photo, on faces whose truth is known."""

from __future__ import annotations

import json
import math
from collections.abc import Callable

import numpy as np
import pytest

from kit_photo import RIM_MM, face
from pitwise.measure.photo.light import gamma
from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.result import HoleMeasured, PhotoRefused
from pitwise.trade.given import InputError

KNOWN = gamma(2.2)


def _measured(image: np.ndarray, **more: object) -> HoleMeasured:
    found = measure_photo(image, rim_mm=RIM_MM, tone=KNOWN, card=False, **more)  # type: ignore[arg-type]
    assert isinstance(found, HoleMeasured), found
    return found


def test_a_round_hole_is_measured_to_a_few_hundredths_of_a_pixel() -> None:
    found = _measured(face(off_mm=(0.15, 0.10)))
    assert (found.diameter.value - 2.2) * found.px_per_mm == pytest.approx(0, abs=0.05)
    assert found.off_centre_xy_mm == pytest.approx((0.15, 0.10), abs=0.004)
    assert found.off_centre.value == pytest.approx(math.hypot(0.15, 0.10), abs=0.004)
    assert found.roundness_mm * found.px_per_mm < 0.3
    assert found.nicks == ()
    assert found.tilt_deg < 3
    plain = json.loads(json.dumps(found.plain()))
    assert plain["refused"] is None
    assert plain["diameter_mm"]["u"] == pytest.approx(
        math.sqrt(sum(row["u_mm"] ** 2 for row in plain["budget"])), rel=1e-4
    )


def test_tilt_oval_and_nick_come_out_as_they_went_in() -> None:
    found = _measured(
        face(tilt_deg=11, lobes=((2, 0.04, 30),), nick=(200, 0.12, 0.12), off_mm=(-0.1, 0.05))
    )
    assert found.tilt_deg == pytest.approx(11, abs=0.7)
    assert (found.diameter.value - 2.2) * found.px_per_mm == pytest.approx(0, abs=0.12)
    assert found.roundness_without_nicks_mm == pytest.approx(0.08, abs=0.008)
    assert len(found.nicks) == 1
    assert found.nicks[0].angle_deg == pytest.approx(200, abs=2)
    assert found.nicks[0].depth_mm == pytest.approx(0.12, abs=0.02)
    assert found.roundness_mm > found.roundness_without_nicks_mm


def test_an_unknown_tone_is_in_the_uncertainty() -> None:
    image = face(gamma=2.45)
    found = measure_photo(image, rim_mm=RIM_MM, card=False)
    assert isinstance(found, HoleMeasured)
    assert found.tone_from == "assumed"
    assert abs(found.diameter.value - 2.2) < 2 * found.diameter.u
    tone = next(row for row in found.budget if row.name == "tone curve")
    assert tone.u_mm * found.px_per_mm > 0.05


def test_glare_across_the_edge_is_left_out_or_the_photo_refused() -> None:
    image = face()
    yy, xx = np.mgrid[0 : image.shape[0], 0 : image.shape[1]]
    image[np.hypot(xx - 256, yy - 210) < 9] = 255
    found = measure_photo(image, rim_mm=RIM_MM, tone=KNOWN, card=False)
    if isinstance(found, HoleMeasured):
        assert found.masked_share > 0.03
        assert (found.diameter.value - 2.2) * found.px_per_mm == pytest.approx(0, abs=0.2)
    else:
        assert found.reason in ("saturated", "spatter")


def test_sixteen_bits_and_grey_measure_alike() -> None:
    image = face()
    grey = image[..., 0]
    wide = (image.astype(np.uint16)) * 257
    for other in (wide, grey):
        found = _measured(other)
        assert (found.diameter.value - 2.2) * found.px_per_mm == pytest.approx(0, abs=0.05)


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("tiny", "too-small"),
        ("even", "uniform"),
        ("white", "saturated uniform"),
        ("noise", "rim-not-found"),
        ("text", "rim-not-found"),
        ("cut", "cut-off rim-not-found too-small-scale"),
        ("far", "too-small-scale"),
        ("solid", "hole-not-found"),
        ("soft", "blurred"),
    ],
)
def test_what_cannot_be_measured_is_refused_with_a_mend(name: str, reason: str) -> None:
    rng = np.random.default_rng(5)
    lines = np.full((300, 300), 230, np.uint8)
    lines[40:260:24, 30:270] = 20
    lines[40:260, 30:270:17] = 20
    made: dict[str, Callable[[], np.ndarray]] = {
        "tiny": lambda: face(size=60, px_per_mm=6),
        "even": lambda: np.full((200, 200, 3), 90, np.uint8),
        "white": lambda: np.clip(face().astype(int) * 9, 0, 255) | 252,
        "noise": lambda: rng.integers(0, 255, (300, 300, 3), np.uint8),
        "text": lambda: lines,
        "cut": lambda: np.ascontiguousarray(face()[:, 110:]),
        "far": lambda: face(size=240, px_per_mm=24),
        "solid": lambda: face(hole_mm=0.01),
        "soft": lambda: face(blur_px=5),
    }
    image = made[name]()
    found = measure_photo(np.asarray(image, np.uint8), rim_mm=RIM_MM, card=False)
    assert isinstance(found, PhotoRefused), found
    assert found.reason in reason.split()
    plain = found.plain()
    assert plain["diameter_mm"] is None
    assert plain["nicks"] is None
    assert plain["refused"]["mend"]


def test_no_scale_no_measurement() -> None:
    found = measure_photo(face(), rim_mm=None, card=False)
    assert isinstance(found, PhotoRefused)
    assert found.reason == "card-needed"


def test_nonsense_is_refused_by_name() -> None:
    with pytest.raises(InputError, match="rim_mm"):
        measure_photo(face(size=130, px_per_mm=12, over=2), rim_mm=-1.0)
    with pytest.raises(InputError, match="image"):
        measure_photo(np.zeros((200, 200)), rim_mm=8.0)
