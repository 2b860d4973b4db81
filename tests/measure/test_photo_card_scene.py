"""A rendered part on our printed card: scale, tone and off-centre from the card alone."""

from __future__ import annotations

import math

import numpy as np

from pitwise.measure.photo.card_layout import CARDS, NOMINAL_REFLECTANCES, Card, marker_cells
from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.result import HoleMeasured
from pitwise.measure.specimen import Scene, render
from pitwise.measure.specimen.scene import Ground

_PER_MM = 80


def _sheet(card: Card) -> Ground:
    """Return the card as it is printed, its window dark cloth."""
    count = round(card.side_mm * _PER_MM)
    light = np.full((count, count), 0.85, np.float32)

    def box(x: float, y: float, half: float, value: float) -> None:
        low, high = (
            [round((at + card.side_mm / 2 + by) * _PER_MM) for at in (x, y)] for by in (-half, half)
        )
        light[low[1] : high[1], low[0] : high[0]] = value

    for number, (cx, cy) in card.centres.items():
        for row, column in zip(*np.nonzero(marker_cells(number)), strict=True):
            x = cx + (int(column) - 3) * card.cell_mm
            box(x, cy + (int(row) - 3) * card.cell_mm, card.cell_mm / 2, 0.045)
    for x, y, step in card.patches:
        box(x, y, card.patch_mm / 2, NOMINAL_REFLECTANCES[step])
    at = (np.arange(count) + 0.5) / _PER_MM - card.side_mm / 2
    light[np.hypot(at[None, :], at[:, None]) < card.window_mm / 2] = 0.05
    return Ground(light, 1 / _PER_MM, (-card.side_mm / 2, card.side_mm / 2))


def test_the_card_gives_scale_tone_and_the_true_middle() -> None:
    card = CARDS[0]
    scene = Scene(
        width=960, height=960, px_per_mm=36.0, rim_mm=11.5, hole_mm=2.4, lobes=((2, 0.006, 30.0),),
        off_centre_mm=(0.1, -0.05), tilt_deg=7.0, tilt_towards_deg=30.0, distance_mm=110.0,
        gamma=2.0, noise=0.008, wall_light=0.1, side_depth_mm=0.5,
    )  # fmt: skip
    image, truth = render(scene, 1, ground=_sheet(card))
    got = measure_photo(image, rim_mm=None)
    assert isinstance(got, HoleMeasured)
    assert (got.scale_from, got.tone_from) == ("card", "card")
    assert abs(got.px_per_mm / scene.px_per_mm - 1) < 0.002
    assert abs(got.tilt_deg - scene.tilt_deg) < 0.5
    error = abs(got.diameter.value - truth.smooth_diameter_mm)
    assert error <= 2 * got.diameter.u
    # The paper is printed to a per cent or so: that, not the edge, is what the u is made of.
    assert got.diameter.u < 0.03
    assert max(got.budget, key=lambda row: row.u_mm).name == "card's scale"
    angle = math.radians(truth.off_centre_angle_deg)
    true = truth.off_centre_mm * np.array([math.cos(angle), math.sin(angle)])
    assert float(np.hypot(*(np.array(got.off_centre_xy_mm) - true))) < 0.008
    # The rim's diameter told as well: the scale is its, tone and perspective stay the card's.
    both = measure_photo(image, rim_mm=11.5)
    assert isinstance(both, HoleMeasured)
    assert (both.scale_from, both.tone_from) == ("rim", "card")
    assert abs(both.diameter.value - truth.smooth_diameter_mm) <= 2 * both.diameter.u
    assert both.diameter.u < 0.5 * got.diameter.u
