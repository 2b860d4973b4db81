"""Circles against published and independently computed values (tests/data/circles.json)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from pitwise.measure.circle import (
    least_squares,
    maximum_inscribed,
    minimum_circumscribed,
    minimum_zone,
)

SETS: list[dict[str, Any]] = json.loads(
    (Path(__file__).parents[1] / "data" / "circles.json").read_text("utf-8")
)["sets"]
BY_NAME = {s["name"]: s for s in SETS}
each = pytest.mark.parametrize("own", SETS, ids=[s["name"] for s in SETS])


def points(own: dict[str, Any]) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.column_stack([own["x"], own["y"]]).astype(float)


@each
def test_least_squares(own: dict[str, Any]) -> None:
    fit = least_squares(points(own))
    # The values kept were found by a general minimiser, which stops at some 1e-8 of the radius.
    assert [fit.x, fit.y, fit.r] == pytest.approx(own["computed"]["LSC"], rel=1e-7, abs=1e-9)
    p = points(own)
    d = np.hypot(*(p - [fit.x, fit.y]).T) - fit.r
    assert d @ d <= own["computed"]["LSC_sumsq"] * (1 + 1e-12)


@each
def test_minimum_zone(own: dict[str, Any]) -> None:
    ring, wanted = minimum_zone(points(own)), own["computed"]["MZ_global"]
    assert ring.width == pytest.approx(wanted["width"], rel=1e-9)
    assert [ring.x, ring.y] == pytest.approx(wanted["c"], rel=1e-9, abs=1e-9)
    assert ring.inner_r == pytest.approx(wanted["rin"], rel=1e-9)
    assert ring.outer_r == pytest.approx(wanted["rout"], rel=1e-9)


@each
def test_circumscribed_and_inscribed(own: dict[str, Any]) -> None:
    around, within = minimum_circumscribed(points(own)), maximum_inscribed(points(own))
    assert [around.x, around.y, around.r] == pytest.approx(
        own["computed"]["MCC"], rel=1e-12, abs=1e-12
    )
    assert [within.x, within.y, within.r] == pytest.approx(
        own["computed"]["MIC_centre_in_hull"], rel=1e-10, abs=1e-10
    )
    assert within.held


@each
def test_circumscribed_beside_opencv(own: dict[str, Any]) -> None:
    """OpenCV works in single precision and adds 1e-4 to its radius."""
    around = minimum_circumscribed(points(own))
    (x, y), r = cv2.minEnclosingCircle(points(own).astype(np.float32))
    large = float(np.abs(points(own)).max())
    assert [around.x, around.y, around.r] == pytest.approx([x, y, r], abs=3e-7 * large + 2e-4)


def test_as_published() -> None:
    gander = least_squares(points(BY_NAME["GGS1994 6 points"]))
    assert [gander.x, gander.y, gander.r] == pytest.approx([4.7398, 2.9835, 4.7142], abs=5e-5)
    cookbook = BY_NAME["SciPy cookbook full circle"]
    fit = least_squares(points(cookbook))
    assert [fit.x, fit.y, fit.r] == pytest.approx([10.50009, 9.65995, 23.33353], abs=5e-6)
    left = np.hypot(*(points(cookbook) - [fit.x, fit.y]).T) - fit.r
    assert float(left @ left) == pytest.approx(7.711852, abs=1e-6)
    jts = minimum_circumscribed(points(BY_NAME["JTS MBC quadrilateral"]))
    assert [jts.x, jts.y, jts.r] == pytest.approx(
        [26284.84180271327, 65267.114509082545, 247.4360455914027], abs=1e-9
    )


def test_the_zone_that_successive_programmes_miss() -> None:
    ring = minimum_zone(points(BY_NAME["GGS1994 6 points"]))
    assert ring.width == pytest.approx(1.35362, abs=5e-6)
    assert BY_NAME["GGS1994 6 points"]["computed"]["MZ_LP_local"]["width"] > 1.3878


def test_zones_known_by_their_making() -> None:
    for name, width, centre in (
        ("MZ-gen-1", 0.04, (3.0, -2.0)),
        ("MZ-gen-2", 0.02, (0.1, 0.2)),
        ("5-lobe cosine, 4n points", 0.2, (0.0, 0.0)),
    ):
        ring = minimum_zone(points(BY_NAME[name]))
        assert ring.width == pytest.approx(width, abs=1e-11)
        assert (ring.x, ring.y) == pytest.approx(centre, abs=1e-10)
