"""The uncertainty of a photo's numbers, source by source (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from pitwise.measure.photo.edge import fit_edges
from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.light import ToneCurve, gamma
from pitwise.measure.photo.profile import WINDOW, Profile
from pitwise.measure.photo.result import Source

Array = NDArray[np.float64]

# Neighbouring sectors share texture: so many count as one (rendered faces).
CORRELATED = 3.0
_MOST_CORRELATED, _LAGS = 6.0, 5
# What the model of an edge leaves over on rendered faces, px of the diameter, for holes and pits.
_MODEL_PX = {"orifice": 0.05, "pit": 0.2}
# How much of the light's unevenness along the edge, in blurs per contrast, moves the edge: a pit's
# soft slope cannot be told from it (rendered faces).
TEXTURE = {"orifice": 0.5, "pit": 1.0}
# Waves of 2 to 15 per turn are told apart, some 8 of them in a mean.
_PATCHES = 8.0
_TEXTURE_UPR = 15
# Camera's distance over the rim's radius, and its relative uncertainty: photos of small parts are
# taken from some 8 to 20 rim diameters (common practice, no source).
DISTANCE_PER_RADIUS = 26.0
U_DISTANCE = 0.35
# A focal length told by the camera or a ruler: focusing changes it (common practice, no source).
U_FOCAL = 0.05
# A phone's lens draws lengths near the middle of the picture this much wrong (no source).
_LENS = 0.0004
_STEP = 0.04
# Marks of turning are some 2 px wide in a photo of 40 to 150 px/mm (rendered faces).
MARK_PX = 2.0
_BIN = 0.5
# Which part of a lit wall's pull on the edge the fit leaves over (rendered faces).
WALL_LEFT = 0.4


def correlated(profile: Profile) -> float:
    """Return how many neighbouring sectors count as one: 1 + 2 Σ ρ over the first lags."""
    used = ~(profile.masked | profile.outward)
    off = np.where(used, np.nan_to_num(profile.radius - profile.smooth), 0.0)
    off = np.clip(off, -4 * profile.sd, 4 * profile.sd)
    square = float(np.sum(off**2))
    if square <= 0:
        return CORRELATED
    rho = [float(np.sum(off * np.roll(off, k))) / square for k in range(1, _LAGS + 1)]
    return float(np.clip(1 + 2 * sum(max(r, 0.0) for r in rho), 1.0, _MOST_CORRELATED))


def tone_shift(frame: Frame, profile: Profile) -> Array:
    """Return how each edge, px, moves with the logarithm of the tone curve's exponent.

    From one Gauss–Newton step of the fitted edges under a curve with another exponent.
    """
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
        e.append(fit.e)
    return np.asarray((e[1] - e[0]) / math.log((1 + _STEP) / (1 - _STEP)))


def wall_shift(frame: Frame, profile: Profile) -> Array:
    """Return by how much each edge, px, would differ with flat levels on both sides.

    The edge is fitted with levels that may change inward and outward; where a lit wall lies
    close behind the edge the two fits differ, and what the first one leaves is some part of that.
    """
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
    kept = profile.fit.e - profile.taken_back
    return np.asarray(np.clip(fit.e - kept, -1.5, 1.5))


def texture_shift(profile: Profile, feature: str) -> float:
    """Return how far uneven light along the edge may move it here and there, px of the radius.

    A level that changes by δ over the blur σ of an edge of contrast C moves it by some δσ/C; δ is
    the scatter of the levels beside the edge in waves of 2 to 15 per turn.
    """
    keep = ~(profile.masked | profile.outward)
    contrast = float(np.median((profile.fit.bright - profile.fit.dark)[keep])) if keep.any() else 0
    if contrast <= 0:
        return 0.0
    square = 0.0
    for level in (profile.fit.bright, profile.fit.dark):
        middle = float(np.median(level[keep]))
        near = 6.0 * float(np.median(np.abs(level[keep] - middle)))
        flow = np.fft.rfft(np.where(keep, np.clip(level - middle, -near, near), 0.0))
        flow[:2] = 0
        flow[_TEXTURE_UPR + 1 :] = 0
        square += float(np.mean(np.fft.irfft(flow, level.size) ** 2))
    return TEXTURE[feature] * profile.blur * math.sqrt(square) / contrast


def marks_shift(frame: Frame, profile: Profile) -> float:
    """Return how far marks that run along the edge may move it, px of the radius.

    Turning marks lie beside the edge all around, and no mean over the sectors takes them out.
    What they do is seen in the mean over the sectors of the light across the edge, less the
    edge fitted: a scatter s of the contrast, the same over ℓ px, moves an edge of blur σ by
    s √(2 √π σ ℓ), the information of an edge per px of length being 1/(2 √π σ s²).
    """
    keep = ~(profile.masked | profile.outward)
    fit, s = profile.fit, profile.sectors
    contrast = np.maximum(fit.bright - fit.dark, 1e-6)
    keep &= contrast > 0.3 * float(np.median(contrast[keep])) if keep.any() else False
    if np.count_nonzero(keep) < 16:
        return 0.0
    light, _ = frame.light(s.value)
    t = s.t - fit.e[:, None]
    share = (light - fit.dark[:, None]) / contrast[:, None]
    reach = 3.0 * profile.blur + 1.0
    use = s.used & keep[:, None] & (np.abs(t) < reach)
    edges = np.arange(-reach, reach + _BIN, _BIN)
    place = np.digitize(t[use], edges) - 1
    count = np.bincount(place, minlength=edges.size)
    total = np.bincount(place, share[use], minlength=edges.size)
    full = count >= max(8, 0.1 * np.count_nonzero(keep))
    mid = (edges + 0.5 * _BIN)[full]
    mean = total[full] / count[full]
    z = mid / profile.blur
    step = ndtr(z)
    columns = np.column_stack([step, 1 - step, mid * step, mid * (1 - step)])
    if mid.size < columns.shape[1] + 4:
        return 0.0
    left = mean - columns @ np.linalg.lstsq(columns, mean, rcond=None)[0]
    # The fit has taken the edge and four levels out of it.
    free = max(mid.size * _BIN / MARK_PX - columns.shape[1], 1.0) / (mid.size * _BIN / MARK_PX)
    s_mark = float(np.sqrt(np.mean(left**2) / free))
    return s_mark * math.sqrt(2 * math.sqrt(math.pi) * profile.blur * MARK_PX)


def diameter_budget(
    profile: Profile,
    face: Face,
    *,
    diameter_px: float,
    feature: str,
    tone: ToneCurve,
    tone_by: Array,
    wall_by: Array,
    marks: float,
    texture: float,
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
    sensitivity = 2 * float(np.median(tone_by[used])) if used.any() else 0.0
    wall = 2 * float(np.mean(wall_by[used])) if used.any() else 0.0
    noise = 2 * profile.sd * math.sqrt(correlated(profile) / count)
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
            "marks along the edge",
            2 * marks * mm,
            2.0,
            "A",
            "turning marks and texture beside the edge, the same all around",
        ),
        Source(
            "uneven light along the edge",
            2 * texture / math.sqrt(_PATCHES) * mm,
            2.0,
            "A",
            "texture and shine that change from place to place, mean of some 8 waves",
        ),
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
            0.0 if feature == "pit" else math.hypot(WALL_LEFT * abs(wall), profile.unparted) * mm,
            1.0,
            "B",
            "light on the wall behind the edge, which a fit cannot part from it when narrow; "
            "of a ring only hinted at all that it may pull (rectangular)",
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
