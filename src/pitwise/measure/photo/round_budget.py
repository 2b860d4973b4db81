"""The uncertainty of the roundness, source by source (JCGM 100:2008).

Roundness is a range, and whatever moves single places of the edge adds to it: most sources here
work one way only. Nothing is taken off the value for that (a worn hole shall never look rounder
than the photo shows), so the uncorrected offset counts as an uncertainty (JCGM 100, F.2.4.5).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.circle import gaussian_upr
from pitwise.measure.photo.budget import DISTANCE_PER_RADIUS, WALL_LEFT
from pitwise.measure.photo.face import Face
from pitwise.measure.photo.light import ToneCurve
from pitwise.measure.photo.profile import Profile
from pitwise.measure.photo.result import NickFound, Source

Array = NDArray[np.float64]

# What a range gains from waves of standard deviation 1 that run across the edge: two extremes.
_RANGE = 2.0
# What the model of an edge leaves over from place to place on rendered faces, px.
_MODEL_PX = {"orifice": 0.04, "pit": 0.25}
# How well the depth of a nick is known on rendered faces, px, besides the edge's scatter.
_NICK_PX = 0.15
# And a share of the depth: the bottom of a narrow deep nick is lighter than the hole.
_NICK_SHARE = 0.1


def roundness_budget(
    profile: Profile,
    face: Face,
    *,
    feature: str,
    tone: ToneCurve,
    tone_by: Array,
    wall: Array,
    texture: float,
    off_px: float,
    roundness_px: float,
    floor_px: float,
    spread_px: float,
    nicks: Sequence[NickFound],
    cutoff: float,
) -> tuple[Source, ...]:
    """Return the budget of the roundness.

    Parameters
    ----------
    profile : Profile
    face : Face
    feature : {"orifice", "pit"}
    tone : ToneCurve
    tone_by : (n,) array
        How each edge moves with the logarithm of the tone's exponent, px.
    wall : (n,) array
        How each edge moves with flat levels, px.
    texture : float
        How far uneven light may move the edge here and there, px.
    off_px : float
        Distance of the feature from the rim's centre.
    roundness_px, floor_px, spread_px : float
        Without nicks; what noise alone shows, and its scatter.
    nicks : sequence of NickFound
    cutoff : float
        The Gaussian filter, waves per turn.
    """
    mm = 1.0 / face.plane.px_per_mm
    r = float(np.mean(profile.smooth))
    offset = roundness_px - math.sqrt(max(roundness_px**2 - floor_px**2, 0.0))
    slant = math.sin(math.radians(face.plane.tilt_deg)) / DISTANCE_PER_RADIUS / face.rim.axes[0]
    u_tone = tone.u_exponent / max(tone.exponent, 0.1)
    keep = ~(profile.masked | profile.outward)
    rows = [
        Source(
            "noise taken for shape",
            offset / math.sqrt(3) * mm,
            1.0,
            "A",
            "noise alone shows "
            f"{floor_px * mm:.4f} mm; it only adds and is not taken off (rectangular)",
        ),
        Source("scatter of that noise", spread_px * mm, 1.0, "A", "from seeded draws of it"),
        Source(
            "uneven light along the edge",
            _RANGE * texture * mm,
            _RANGE,
            "A",
            f"texture and shine move it by {texture:.2f} px here and there",
        ),
        Source(
            "rim's ellipse",
            2 * math.sqrt(2) * r * face.u_rim_px / face.rim.axes[0] * mm,
            2 * r / face.rim.axes[0],
            "A",
            "an ellipse wrong by its scatter makes a circle oval",
        ),
        Source(
            "perspective",
            2 * r * off_px * slant * mm,
            1.0,
            "B",
            f"tilt {face.plane.tilt_deg:.1f}°: off the middle the scale differs along and across",
        ),
        Source(
            "tone curve",
            _range(profile.angle, tone_by, keep, cutoff) * u_tone * mm,
            1.0,
            "B",
            f"{tone.name}, where the contrast changes around the edge",
        ),
        Source(
            "bore wall",
            0.0 if feature == "pit" else WALL_LEFT * _range(profile.angle, wall, keep, cutoff) * mm,
            1.0,
            "B",
            "light on one side of the wall moves that side's edge",
        ),
        Source(
            "edge model, JPEG",
            _MODEL_PX[feature] * mm,
            1.0,
            "B",
            "what is left over on rendered faces with JPEG, 8 bits and texture",
        ),
    ]
    if nicks:
        deep = max(nick.depth_mm for nick in nicks)
        rows.append(
            Source(
                "depth of the deepest nick",
                math.hypot(math.hypot(_NICK_PX, profile.sd) * mm, _NICK_SHARE * deep),
                1.0,
                "A",
                "scatter of the edge in it, its narrowness under the blur, a tenth of its depth",
            )
        )
    return tuple(rows)


def _range(angle: Array, by: Array, keep: NDArray[np.bool_], cutoff: float) -> float:
    """Return the filtered range of a change of the edge, mean and shift of the centre left out."""
    if not keep.any():
        return 0.0
    middle = float(np.median(by[keep]))
    near = 4.0 * 1.4826 * float(np.median(np.abs(by[keep] - middle))) + 1e-9
    wave = np.where(keep, np.clip(by - middle, -near, near), 0.0)
    smooth = gaussian_upr(wave, cutoff)
    c, s = 2 * np.mean(smooth * np.cos(angle)), 2 * np.mean(smooth * np.sin(angle))
    return float(np.ptp(smooth - c * np.cos(angle) - s * np.sin(angle)))
