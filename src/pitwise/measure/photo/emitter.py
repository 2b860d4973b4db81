"""The emitter's edge around a pit: where the copper's colour begins.

Light and dark cannot tell the emitter's edge from the pit's: both are steps of light. Colour
can: a pit darkens all channels alike, and copper is redder than the insert pressed into it
(common practice, no source: hafnium and zirconium look grey). The ratio of the channels does
not know how the light falls, so it is sought there. In a grey picture no emitter is seen.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.hole import Outline, about
from pitwise.measure.photo.light import ToneCurve
from pitwise.measure.photo.profile import Profile, robust_harmonics
from pitwise.measure.photo.seek import closed_path

Array = NDArray[np.float64]

_TURNS = 240
# Narrowest and widest emitter, as a share of the rim's radius.
_NARROWEST, _WIDEST = 0.05, 0.75
_STEPS = 500
_SOFT = 1.6
# Step of (red − blue) / (red + blue) across the edge: copper's own is some 0.3 to 0.4.
_LEAST_STEP = 0.06
_LEAST_SEEN = 0.6
_NEAR_PX = 2.5
_HARMONICS = 3
# Neighbouring rays share the colour of a block of two pixels.
_CORRELATED = 4.0
# JPEG keeps colour at half the resolution, and this much of a pixel is what it may move an edge.
_COLOUR_PX = 0.2


@dataclass(frozen=True)
class Emitter:
    """The emitter's edge on the face, face pixels (y down).

    Attributes
    ----------
    outline : Outline
        About its own centre.
    diameter_px, u_diameter_px, u_centre_px : float
        With standard uncertainties.
    step : float
        Step of the channels' ratio across its edge.
    """

    outline: Outline
    diameter_px: float
    u_diameter_px: float
    u_centre_px: float
    step: float

    def reach(self, centre: Array, angle: Array) -> Array:
        """Return the radius of its edge about another centre, at angles (clockwise, y down)."""
        grid = np.arange(self.outline.radius.size) * (2 * math.pi / self.outline.radius.size)
        x = self.outline.centre[0] + self.outline.radius * np.cos(grid)
        y = self.outline.centre[1] + self.outline.radius * np.sin(grid)
        moved = about(centre, x, y, _TURNS, 0.0, 0.0).radius
        turn = np.arange(_TURNS) * (2 * math.pi / _TURNS)
        return np.asarray(np.interp(angle, turn, moved, period=2 * math.pi))


def find_emitter(image: NDArray[np.generic], face: Face, tone: ToneCurve) -> Emitter | None:
    """Return the emitter's edge, or None where colour does not show one.

    Parameters
    ----------
    image : uint8 or uint16 array, (h, w) or (h, w, 3)
    face : Face
    tone : ToneCurve

    Notes
    -----
    With q the ratio (R − B)/(R + B) in linear light and S = R + B, a pixel of which a share f
    is emitter has f = S_c (q_c − q) / (S_c (q_c − q) + S_e (q − q_e)), c the copper beside and
    e the emitter: the share is an error function of the distance from the edge, and its half
    lies on it, however the light falls.
    """
    if image.ndim != 3:
        return None
    rim = face.rim.axes[0]
    radii = np.linspace(_NARROWEST * rim, _WIDEST * rim, _STEPS)
    centre = np.zeros(2)
    found: tuple[Array, Array, Array, float] | None = None
    for turn in range(3):
        q, _ = _ratio(image, face, tone, centre, radii)
        path = _coarse(q, radii) if turn == 0 else _nearest(q, radii)
        if path is None:
            return None
        smooth, seen, step = path
        if seen < _LEAST_SEEN or step < _LEAST_STEP:
            return None
        angle = np.arange(_TURNS, dtype=np.float64) * (2 * math.pi / _TURNS)
        x, y = centre[0] + smooth * np.cos(angle), centre[1] + smooth * np.sin(angle)
        centre = centre + 2 * np.array(
            [np.mean(smooth * np.cos(angle)), np.mean(smooth * np.sin(angle))]
        )
        outline = about(centre, x, y, _TURNS, step, seen)
        mean = float(np.mean(outline.radius))
        found = centre, outline.radius, np.array([seen, step]), mean
        # From the second turn on a few pixels about the edge, at half a pixel.
        reach = max(12.0, 1.5 * float(np.ptp(outline.radius)))
        radii = np.arange(max(mean - reach, 2.0), mean + reach, 0.5)
    assert found is not None  # noqa: S101 -- each turn above sets it or returns
    q, total = _ratio(image, face, tone, centre, radii)
    last = _shares(q, total, radii, np.interp(angle, angle, found[1]))
    if last is None:
        return None
    place, good = last
    smooth, robust, sd = robust_harmonics(angle, place, good.astype(float), _HARMONICS, 0.05)
    count = int(np.count_nonzero(good & (robust > 0.05)))
    if count < _LEAST_SEEN * _TURNS:
        return None
    x, y = centre[0] + smooth * np.cos(angle), centre[1] + smooth * np.sin(angle)
    shift = 2 * np.array([np.mean(smooth * np.cos(angle)), np.mean(smooth * np.sin(angle))])
    outline = about(centre + shift, x, y, _TURNS, float(found[2][1]), float(found[2][0]))
    noise = sd * math.sqrt(_CORRELATED / count)
    return Emitter(
        outline,
        2 * float(np.mean(outline.radius)),
        math.hypot(2 * noise, 2 * _COLOUR_PX),
        math.hypot(math.sqrt(2) * noise, 0.5 * _COLOUR_PX),
        float(found[2][1]),
    )


def _ratio(
    image: NDArray[np.generic], face: Face, tone: ToneCurve, centre: Array, radii: Array
) -> tuple[Array, Array]:
    """Return (R − B)/(R + B) and R + B in linear light along rays about a place of the face."""
    angle = np.arange(_TURNS, dtype=np.float64) * (2 * math.pi / _TURNS)
    px, py = face.plane.to_px(
        centre[0] + radii * np.cos(angle)[:, None], centre[1] + radii * np.sin(angle)[:, None]
    )
    h, w = image.shape[:2]
    x0, x1 = max(int(px.min()) - 2, 0), min(int(px.max()) + 3, w)
    y0, y1 = max(int(py.min()) - 2, 0), min(int(py.max()) + 3, h)
    scale = 1.0 / (255 if image.dtype == np.uint8 else 65535)
    planes = []
    for channel in (0, 2):
        part = np.ascontiguousarray(image[y0:y1, x0:x1, channel]).astype(np.float32) * scale
        ray = cv2.remap(
            part,
            (px - x0).astype(np.float32),
            (py - y0).astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        planes.append(tone.to_linear(np.clip(ray, 0, 1)).astype(np.float64))
    red, blue = planes
    total = np.maximum(red + blue, 0.01)
    return (red - blue) / total, total


def _flow(q: Array, radii: Array, soft: float) -> Array:
    """Return the step along the rays, as high as a step of that height at its place."""
    s = max(soft / float(radii[1] - radii[0]), 0.8)
    k = np.arange(-int(4 * s) - 1, int(4 * s) + 2)
    kernel = k / s * np.exp(-0.5 * (k / s) ** 2)
    kernel /= np.sum(np.abs(kernel)) / 2
    return np.asarray(cv2.filter2D(q, cv2.CV_64F, kernel[None, :], borderType=cv2.BORDER_REPLICATE))


def _coarse(q: Array, radii: Array) -> tuple[Array, float, float] | None:
    """Return the closed curve with the largest step of colour, how well seen, and the step."""
    flow = _flow(q, radii, max(4 * float(radii[1] - radii[0]), _SOFT))
    rise = np.clip(flow, 0, None)
    top = float(np.percentile(rise.max(1), 50))
    if top < 0.5 * _LEAST_STEP:
        return None
    path, _ = closed_path(rise / (rise + 0.5 * top), 0.05)
    place = radii[path]
    on = rise[np.arange(_TURNS), path]
    return _settled(place, on, 0.01 * float(radii[-1]) + _NEAR_PX)


def _settled(place: Array, on: Array, near: float) -> tuple[Array, float, float] | None:
    angle = np.arange(_TURNS, dtype=np.float64) * (2 * math.pi / _TURNS)
    step = float(np.median(on))
    good = on > 0.4 * step
    if np.count_nonzero(good) < 0.4 * _TURNS:
        return None
    smooth, _, _ = robust_harmonics(angle, place, good.astype(float), _HARMONICS, 0.3)
    return smooth, float(np.mean(good & (np.abs(place - smooth) < near))), step


def _nearest(q: Array, radii: Array) -> tuple[Array, float, float] | None:
    flow = np.clip(_flow(q, radii, _SOFT), 0, None)
    top = float(np.percentile(flow.max(1), 50))
    if top <= 0:
        return None
    path, _ = closed_path(flow / (flow + 0.5 * top), 0.05)
    return _settled(radii[path], flow[np.arange(_TURNS), path], _NEAR_PX)


def _shares(
    q: Array, total: Array, radii: Array, curve: Array
) -> tuple[Array, NDArray[np.bool_]] | None:
    """Return where half a pixel is emitter, ray by ray, and where that is seen."""
    off = radii - curve[:, None]
    inner, outer = (off > -9) & (off < -3.5), (off > 3.5) & (off < 9)
    if not inner.any() or not outer.any():
        return None

    def level(of: Array, where: NDArray[np.bool_]) -> Array:
        own = np.sum(of * where, 1) / np.maximum(np.sum(where, 1), 1)
        # The colour of metal changes slowly along the edge.
        return np.asarray(np.median([np.roll(own, k) for k in range(-6, 7)], axis=0))

    q_e, q_c = level(q, inner), level(q, outer)
    s_e, s_c = level(total, inner), level(total, outer)
    emitter = s_c[:, None] * (q_c[:, None] - q)
    copper = s_e[:, None] * (q - q_e[:, None])
    span = (q_c - q_e)[:, None] * np.minimum(s_c, s_e)[:, None]
    share = emitter / np.where(np.abs(emitter + copper) < 0.2 * span, np.nan, emitter + copper)
    near = np.abs(off) <= 6.0
    share = np.clip(np.nan_to_num(share, nan=0.5), -0.2, 1.2)
    # The edge lies where the emitter's share adds up to: an integral leaves little to noise.
    step = float(radii[1] - radii[0])
    start = np.where(near, radii, np.inf).min(1) - 0.5 * step
    place = start + np.sum(np.where(near, share, 0.0), 1) * step
    good = ((q_c - q_e) > 0.5 * float(np.median(q_c - q_e))) & (np.abs(place - curve) < 4.0)
    return place, good


# A pit's edge that comes nearer to the emitter's than this share of the turn is not told from it.
_MOST_TOUCHING = 0.1
# A pit's edge is softer than a machined one by this factor at least, where only that tells them.
_SOFTER = 1.25
_LEAST_COLOUR = 0.08


def pit_doubt(frame: Frame, face: Face, profile: Profile, emitter: Emitter | None) -> str | None:
    """Return why the edge measured may not be the pit's, or None where it plainly is.

    With the emitter seen, the pit's edge must lie clear inside of it. Without, in a colour photo
    an edge without a step of colour is no emitter's; in a grey one only its softness tells.
    """
    if emitter is not None:
        gap = emitter.reach(profile.centre, profile.angle) - profile.smooth
        touching = float(np.mean(gap < 2.0 * face.blur_px + 2.0))
        if touching > _MOST_TOUCHING:
            return f"the edge found runs along the emitter's for {touching:.0%} of the turn"
        return None
    if _coloured(frame, face):
        return None
    if profile.blur < _SOFTER * face.blur_px:
        return "the photo has no colour, and the edge is as sharp as an emitter's edge would be"
    return None


def _coloured(frame: Frame, face: Face) -> bool:
    if frame.colour is None:
        return False
    angle = np.arange(90) * (2 * math.pi / 90)
    r = 0.85 * face.rim.axes[0]
    px, py = face.plane.to_px(r * np.cos(angle), r * np.sin(angle))
    h, w = frame.grey.shape
    ix = np.clip(np.rint(px).astype(int), 0, w - 1)
    iy = np.clip(np.rint(py).astype(int), 0, h - 1)
    own = frame.colour[iy, ix] / np.maximum(frame.grey[iy, ix], 0.05)
    return float(np.median(own)) > _LEAST_COLOUR
