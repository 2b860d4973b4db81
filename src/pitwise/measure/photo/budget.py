"""The uncertainty of a photo's numbers, source by source (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.light import ToneCurve, gamma
from pitwise.measure.photo.profile import Profile
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


def tone_sensitivity(frame: Frame, profile: Profile) -> float:
    """Return how the diameter, px, changes with the logarithm of the tone curve's exponent.

    From one Gauss–Newton step of the fitted edges under a curve with another exponent.
    """
    from pitwise.measure.photo.edge import fit_edges

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


def diameter_budget(
    profile: Profile,
    face: Face,
    *,
    diameter_px: float,
    feature: str,
    tone: ToneCurve,
    sensitivity: float,
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
    hidden = 1 - count / used.size
    waves = float(np.std(profile.smooth))
    gap = 2 * hidden**1.5 * (0.6 * waves + 2 * profile.sd)
    u_tone = tone.u_exponent / max(tone.exponent, 0.1)
    diameter_mm = diameter_px * mm
    rows = [
        Source("edge noise", noise * mm, 2.0, "A", f"{count} of {used.size} places on the edge"),
        Source(
            "hidden edge",
            gap * mm,
            2.0,
            "A",
            f"{hidden:.0%} left out for glare, spatter or nicks, filled by the rest's waves",
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
            _wall(profile, feature) * mm,
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


def _wall(profile: Profile, feature: str) -> float:
    """Return the wall's row, px: it grows with the light found just inside of the edge."""
    if feature == "pit":
        return 0.0
    used = ~(profile.masked | profile.outward)
    outside = np.median(profile.fit.bright[used])
    inside = np.percentile(profile.fit.dark[used], 80)
    return 0.3 * float(np.clip(inside / max(outside, 1e-9), 0, 0.6))


def total(rows: Sequence[Source]) -> float:
    """Return the root of the squares' sum, mm."""
    return math.sqrt(sum(row.u_mm**2 for row in rows))


def assumed(tone: ToneCurve | None) -> ToneCurve:
    """Return the tone curve to use where none is known: half-way between cameras' curves."""
    if tone is not None:
        return tone
    return gamma(2.2, (2.5 - 1.9) / math.sqrt(12))
