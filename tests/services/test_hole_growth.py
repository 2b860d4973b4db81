"""Growth since new: what both diameters share cancels; one offset a part stays one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from pitwise.measure.photo.result import Source
from pitwise.records.photo_tables import PartFace
from pitwise.services.hole_growth import growth_u, widened
from pitwise.services.part_faces import MEASURED_WHEN_NEW, PART_SCATTER_MM
from pitwise.wear.history import Step


@dataclass(frozen=True)
class Budgeted:
    """Of a photo's result, what the growth reads."""

    budget: tuple[Source, ...]


PHOTO = Budgeted(
    (
        Source("edge noise", 0.002, 1.0, "A", ""),
        Source("rim's diameter", 0.01, 1.0, "B", ""),
        Source("tone curve", 0.003, 1.0, "B", ""),
    )
)
U_NOW = math.sqrt(0.002**2 + 0.01**2 + 0.003**2)


def face(reason: str, u: float) -> PartFace:
    return PartFace(rim_mm=14.0, hole_mm=2.4, hole_u_mm=u, photo_id=3, reason=reason)


def test_rim_and_tone_cancel_between_two_photos_and_parts_still_scatter() -> None:
    both = growth_u(U_NOW, [PHOTO], face(MEASURED_WHEN_NEW, U_NOW), True)  # type: ignore[list-item]
    assert both == pytest.approx(math.sqrt(2 * 0.002**2 + PART_SCATTER_MM**2))
    other_rim = growth_u(U_NOW, [PHOTO], face(MEASURED_WHEN_NEW, U_NOW), False)  # type: ignore[list-item]
    typed = growth_u(U_NOW, [PHOTO], face("pin gauge", 0.02), True)  # type: ignore[list-item]
    assert other_rim == pytest.approx(math.sqrt(2 * U_NOW**2 + PART_SCATTER_MM**2))
    assert typed == pytest.approx(math.hypot(U_NOW, 0.02))


def test_readings_never_average_their_common_offset_away() -> None:
    own, offset = 0.004, 0.02
    u = math.hypot(own, offset)
    steps = [Step(10.0 * k, 0.0, 0.01 * k, "p", u) for k in range(9)]
    steps.insert(4, Step(35.0, 0.0, None, "p"))
    sigmas = [s.sigma_mm for s in widened(steps, offset) if s.sigma_mm is not None]
    mean_u = 1 / math.sqrt(np.sum(1 / np.square(sigmas)))
    assert mean_u == pytest.approx(math.hypot(own / 3, offset))
    assert widened(steps[:1], offset)[0].sigma_mm == pytest.approx(u)
    unknown = [s.sigma_mm for s in widened(steps, None) if s.sigma_mm is not None]
    assert unknown == pytest.approx([3 * u] * 9)
