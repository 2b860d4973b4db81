"""The uncertainty of a photo's numbers, source by source (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.edge import fit_edges
from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.light import ToneCurve, gamma
from pitwise.measure.photo.profile import WINDOW, Profile
from pitwise.measure.photo.result import Source

Array = NDArray[np.float64]

# Neighbouring sectors share texture: so many count as one (rendered faces).
CORRELATED = 3.0
# What the model of an edge leaves over on rendered faces, px of the diameter, for holes and pits.
_MODEL_PX = {"orifice": 0.05, "pit": 0.5}
# Camera's distance over the rim's radius, and its relative uncertainty: photos of small parts are
# taken from some 8 to 20 rim diameters (common practice, no source).
DISTANCE_PER_RADIUS = 26.0
U_DISTANCE = 0.35
# A phone's lens draws lengths near the middle of the picture this much wrong (no source).
_LENS = 0.0004
_STEP = 0.04
# Which part of a lit wall's pull on the edge the fit leaves over (rendered faces).
_WALL_LEFT = 0.4


def tone_sensitivity(frame: Frame, profile: Profile) -> float:
    """Return how the diameter, px, changes with the logarithm of the tone curve's exponent.

    From one Gauss–Newton step of the fitted edges under a curve with another exponent.
    """
    keep = ~(profile.masked | profile.outward)
    if not keep.any():
        return 0.0
    e = []
    for exponent in (1 - _STEP, 1 + _STEP):
        light, slope = frame.light(profile.sectors.value)
        bent = np.clip(light, 1e-6, None) ** exponent
        fit = fit_edges(
            profile.sectors,
            bent,
            slope * exponent * np.clip(light, 1e-3, None) ** (exponent - 1),
            sigma=profile.blur,
            start=profile.fit.e,
            passes=3,
            fixed_sigma=True,
        )
        e.append(float(np.median((fit.e - profile.fit.e)[keep])))
    return 2 * (e[1] - e[0]) / math.log((1 + _STEP) / (1 - _STEP))


def wall_shift(frame: Frame, profile: Profile) -> float:
    """Return by how much the diameter, px, would differ with flat levels on both sides.

    The edge is fitted with levels that may change inward and outward; where a lit wall lies
    close behind the edge the two fits differ, and what the first one leaves is some part of that.
    """
    keep = ~(profile.masked | profile.outward)
    if not keep.any():
        return 0.0
    light, slope = frame.light(profile.sectors.value)
    fit = fit_edges(
        profile.sectors,
        light,
        slope,
        sigma=profile.blur,
        start=profile.fit.e,
        passes=4,
        fixed_sigma=True,
        window=WINDOW,
    )
    return 2 * float(np.mean(np.clip(fit.e - profile.fit.e, -1.5, 1.5)[keep]))


def diameter_budget(
    profile: Profile,
    face: Face,
    *,
    diameter_px: float,
    feature: str,
    tone: ToneCurve,
    sensitivity: float,
    wall: float,
    u_rim_mm: float,
    rim_mm: float,
    u_scale: float,
    scale_from: str,
) -> tuple[Source, ...]:
    """Return the budget of the diameter."""
    scale = face.plane.px_per_mm
    mm = 1.0 / scale
    used = ~(profile.masked | profile.outward)
    count = max(int(np.count_nonzero(used)), 8)
    noise = 2 * profile.sd * math.sqrt(CORRELATED / count)
    # A nick's place counts too, but lies between edges that are seen.
    hidden = float(np.mean(profile.masked))
    gap = (
        2
        * (hidden**1.5 + 0.8 * np.mean(profile.outward) ** 1.5)
        * (0.6 * profile.waves + 2 * profile.sd)
    )
    u_tone = tone.u_exponent / max(tone.exponent, 0.1)
    diameter_mm = diameter_px * mm
    rows = [
        Source("edge noise", noise * mm, 2.0, "A", f"{count} of {used.size} places on the edge"),
        Source(
            "hidden edge",
            gap * mm,
            2.0,
            "A",
            f"{1 - count / used.size:.0%} left out, filled by the waves of the rest",
        ),
    ]
    if scale_from == "rim":
        rows += [
            Source(
                "rim in the photo",
                diameter_mm * face.u_rim_px / face.rim.axes[0],
                diameter_mm / rim_mm,
                "A",
                f"scatter of the rim's edge {face.rim.sd:.2f} px",
            ),
            Source(
                "rim's diameter",
                diameter_mm / rim_mm * u_rim_mm,
                diameter_mm / rim_mm,
                "B",
                f"{rim_mm:g} mm, taken as known to {u_rim_mm:g} mm",
            ),
        ]
    else:
        rows.append(
            Source("card's scale", diameter_mm * u_scale, diameter_mm, "B", "corners, print, plane")
        )
    tilt = math.radians(face.plane.tilt_deg)
    slant = math.sin(tilt) / DISTANCE_PER_RADIUS
    rows += [
        Source(
            "tilt and perspective",
            diameter_mm * 1.5 * slant**2,
            diameter_mm,
            "B",
            f"tilt {face.plane.tilt_deg:.1f}°, distance of the camera not known",
        ),
        Source(
            "tone curve",
            abs(sensitivity) * u_tone * mm,
            sensitivity * mm,
            "B",
            f"{tone.name}, exponent known to {tone.u_exponent:.2f}",
        ),
        Source(
            "bore wall",
            0.0 if feature == "pit" else _WALL_LEFT * abs(wall) * mm,
            1.0,
            "B",
            "light on the wall behind the edge, which a fit cannot part from it when narrow",
        ),
        Source(
            "edge model, JPEG",
            _MODEL_PX[feature] * mm,
            1.0,
            "B",
            "what is left over on rendered faces with JPEG, 8 bits and texture",
        ),
        Source("lens", diameter_mm * _LENS, diameter_mm, "B", "distortion between rim and hole"),
    ]
    return tuple(rows)


def total(rows: Sequence[Source]) -> float:
    """Return the root of the squares' sum, mm."""
    return math.sqrt(sum(row.u_mm**2 for row in rows))


def assumed(tone: ToneCurve | None) -> ToneCurve:
    """Return the tone curve to use where none is known: half-way between cameras' curves."""
    if tone is not None:
        return tone
    return gamma(2.2, (2.5 - 1.9) / math.sqrt(12))
