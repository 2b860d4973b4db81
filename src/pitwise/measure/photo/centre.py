"""How far the hole or pit is off the middle, with the perspective term.

The centre of the rim's ellipse is not the picture of the rim's centre: the near side looks
larger. On the face the two are R² sin t / D apart, towards the side that lies farther (R the
rim's radius, t the tilt, D the camera's distance; pinhole, first order). An ellipse tells t but
neither D nor which side is the far one. The far side is told by the bore: its wall is seen on
that side. D follows from the camera's focal length where the caller knows it; else it is taken
from common practice, and what is left goes into the uncertainty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.budget import DISTANCE_PER_RADIUS, U_DISTANCE, U_FOCAL, correlated
from pitwise.measure.photo.emitter import Emitter
from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.pose import centres_of_rim
from pitwise.measure.photo.profile import Profile
from pitwise.measure.photo.result import Estimate, seen_angle_deg
from pitwise.measure.photo.shape import Shape

Array = NDArray[np.float64]

# What the centre of a fuzzy edge leaves over on rendered faces, px.
_MODEL_PX = {"orifice": 0.05, "pit": 0.2}


@dataclass(frozen=True)
class OffCentre:
    """Distance and direction from the rim's centre, and from the emitter's where seen.

    `view_u_mm` is the part of `off.u` that photos taken alike share: perspective and tilt.
    """

    off: Estimate
    angle_deg: float
    xy_mm: tuple[float, float]
    emitter: Estimate | None
    emitter_mm: float | None
    view_u_mm: float = 0.0


def off_centre_of(
    frame: Frame,
    face: Face,
    profile: Profile,
    shape: Shape,
    feature: str,
    on_card: bool,
    emitter: Emitter | None = None,
    marks: float = 0.0,
    texture: float = 0.0,
    focal_px: float | None = None,
) -> OffCentre:
    """Return how far the feature is off the rim's centre."""
    scale = face.plane.px_per_mm
    x, y = shape.x_mm, shape.y_mm
    u_term = 0.0
    if not on_card:
        towards = math.radians(face.plane.tilt_towards_deg)
        side, sure = _far_side(frame, face, profile, towards) if feature == "orifice" else (1.0, 0)
        (fx, fy), (nx, ny), u_far = _shifts(frame, face, towards, shape.diameter_mm, focal_px)
        if side < 0:
            (fx, fy), (nx, ny) = (nx, ny), (fx, fy)
        # Unless the wall tells for sure, half-way between the two.
        mx, my = (fx + nx) / 2, (fy + ny) / 2
        x -= mx + sure * (fx - mx)
        y -= my + sure * (fy - my)
        half = math.hypot(fx - nx, fy - ny) / 2
        u_term = half * math.hypot(sure * u_far, 1 - sure)
    used = max(int(np.count_nonzero(~(profile.masked | profile.outward))), 8)
    hidden = 1 - used / profile.radius.size
    own = math.hypot(
        profile.sd * math.sqrt(2 * correlated(profile) / used) + hidden**1.5 * profile.waves,
        marks,
        # Of its waves a single one of the lowest order moves the centre.
        texture / 2,
        face.u_rim_px,
        _MODEL_PX[feature],
    )
    off = math.hypot(x, y)
    return OffCentre(
        Estimate(off, math.hypot(own / scale, u_term)),
        seen_angle_deg(x, y),
        (x, y),
        None if emitter is None else _from_emitter(face, shape, emitter, own),
        None if emitter is None else emitter.diameter_px / scale,
        view_u_mm=u_term,
    )


def _from_emitter(face: Face, shape: Shape, emitter: Emitter, own_px: float) -> Estimate:
    """Return how far a pit is off its emitter.

    The perspective term of both lies the same way, and only the difference of their areas is left.
    """
    scale = face.plane.px_per_mm
    x = shape.x_mm - emitter.outline.centre[0] / scale
    y = shape.y_mm + emitter.outline.centre[1] / scale
    wide, narrow = emitter.diameter_px / 2 / scale, shape.diameter_mm / 2
    rim = face.rim.axes[0] / scale
    term = (
        abs(wide**2 - narrow**2)
        / rim
        * math.sin(math.radians(face.plane.tilt_deg))
        / DISTANCE_PER_RADIUS
    )
    pit = math.sqrt(max(own_px**2 - face.u_rim_px**2, 0.0))
    return Estimate(math.hypot(x, y), math.hypot(pit / scale, emitter.u_centre_px / scale, term))


def _shifts(
    frame: Frame, face: Face, towards: float, hole_mm: float, focal_px: float | None
) -> tuple[tuple[float, float], tuple[float, float], float]:
    """Return how far the rim's true centre may lie from its ellipse's, mm, y up.

    The first for the far side at `towards`, the second for the other; and how well they are known
    as a share. The hole's own ellipse is off its centre too, by the ratio of the areas.
    """
    scale = face.plane.px_per_mm
    radius = face.rim.axes[0]
    own = 1 - (hole_mm * scale / 2 / radius) ** 2
    if focal_px is None:
        lean = math.sin(math.radians(face.plane.tilt_deg))
        shift = own * radius / scale * lean / DISTANCE_PER_RADIUS
        x, y = shift * math.cos(towards), shift * math.sin(towards)
        return (x, y), (-x, -y), U_DISTANCE
    h, w = frame.grey.shape
    middle = np.array([(w - 1) / 2, (h - 1) / 2])
    found = []
    for px, py in centres_of_rim(face.rim, focal_px, middle):
        fx, fy = face.plane.to_face(np.array([px]), np.array([py]))
        found.append((own * float(fx[0]) / scale, -own * float(fy[0]) / scale))
    found.sort(key=lambda xy: -(xy[0] * math.cos(towards) + xy[1] * math.sin(towards)))
    return found[0], found[1], U_FOCAL


def _far_side(frame: Frame, face: Face, profile: Profile, towards: float) -> tuple[float, float]:
    """Return +1 or −1 for which of the two directions is the far one, and how sure, 0…1.

    The wall of the bore is seen on the far side: inside the hole that side is the lighter one,
    and lighter than light falling straight into a bore would make it.
    """
    turn = np.arange(120) * (2 * math.pi / 120)
    rings = []
    for share in (0.72, 0.8, 0.88):
        r = share * np.interp(turn, profile.angle, profile.smooth, period=2 * math.pi)
        px, py = face.plane.to_px(
            profile.centre[0] + r * np.cos(turn), profile.centre[1] + r * np.sin(turn)
        )
        h, w = frame.grey.shape
        ix = np.clip(np.rint(px).astype(int), 0, w - 1)
        iy = np.clip(np.rint(py).astype(int), 0, h - 1)
        rings.append(np.where(frame.white[iy, ix], np.nan, frame.grey[iy, ix]))
    stack = np.array(rings)
    known = np.isfinite(stack).any(0)
    if np.count_nonzero(known) < 0.7 * turn.size:
        return 1.0, 0.0
    inside = np.full(turn.size, np.nan)
    inside[known] = np.nanmedian(stack[:, known], 0)
    inside = np.where(known, inside, np.nanmedian(inside))
    # y is down in the profile: the direction `towards` is anticlockwise as seen.
    along = np.cos(-turn - towards)
    plus = float(np.median(inside[along > 0.5]))
    minus = float(np.median(inside[along < -0.5]))
    gap = abs(plus - minus)
    sure = float(np.clip((gap - 0.02) / 0.06, 0, 1))
    return (1.0 if plus > minus else -1.0), sure
