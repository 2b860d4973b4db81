"""Two photos of one kind of face laid over one another: scale and tilt by the rims, turn by marks.

Both faces are first seen from straight above at one scale (`straight`); then the turn between
them is sought over the whole circle, and a small affine rest is refined.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from pitwise.measure.photo.light import SRGB, ToneCurve, clipped_white, luminance
from pitwise.measure.photo.plane import apply_homography
from pitwise.measure.photo.result import PhotoRefused

Array = np.ndarray
# A face's picture from above is at most this many pixels across.
_MOST_ACROSS = 640
FEWEST_ACROSS = 96
_RAYS = 1440
_RINGS = 160
# How far the best turn must stand out of all others, in robust standard deviations, and how well
# the two must then agree. Chosen on our own scenes: pairs that don't belong together stay below.
_STANDS_OUT = 7.0
_AGREES = 0.25


@dataclass(frozen=True)
class Straight:
    """A face as seen from straight above: light^(1/2.2), clipped places, scale."""

    tone: Array
    colour: Array
    clipped: Array
    px_per_mm: float
    half_mm: float

    @property
    def middle(self) -> float:
        """Return the rim's centre, along either axis, in pixels."""
        return (len(self.tone) - 1) / 2


def scale_for(rim_mm: float, *to_mm: Array) -> float:
    """Return the pixels per mm at which faces are compared: that of the coarser photo, at most.

    Parameters
    ----------
    rim_mm : float
    *to_mm : ndarray, shape (3, 3)
        Pixels to mm on the face, about the rim's centre, y up.
    """
    scales: list[float] = [_MOST_ACROSS / rim_mm]
    for h in to_mm:
        inverse = np.linalg.inv(h)
        centre, right, up = apply_homography(inverse, np.array([(0, 0), (0.01, 0), (0, 0.01)]))
        area = abs(np.linalg.det(np.stack([right - centre, up - centre]))) / 1e-4
        scales.append(float(np.sqrt(area)))
    return float(min(scales))


def straight(
    image: Array, to_mm: Array, rim_mm: float, px_per_mm: float, tone: ToneCurve = SRGB
) -> Straight:
    """Return a face as seen from straight above.

    Parameters
    ----------
    image : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3)
    to_mm : ndarray, shape (3, 3)
        Pixels to mm on the face, about the rim's centre, y up.
    rim_mm, px_per_mm : float
    """
    half = 0.52 * rim_mm
    across = int(2 * np.ceil(half * px_per_mm) + 1)
    # Several samples to a pixel where the photo is finer: no moiré of the turning marks.
    own = scale_for(rim_mm * 1e-6, to_mm)
    over = int(np.clip(np.ceil(own / px_per_mm), 1, 4))
    count = across * over
    pitch = 1 / (px_per_mm * over)
    start = -(count - 1) / 2 * pitch
    # Column, row of the wanted picture to mm, to the photo's pixels.
    grid = np.array([[pitch, 0, start], [0, -pitch, -start], [0, 0, 1.0]])
    back = np.linalg.inv(to_mm) @ grid
    warped: Array = cv2.warpPerspective(
        np.ascontiguousarray(image),
        back,
        (count, count),
        flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_REPLICATE,
    )
    small = (across, across)
    light = cv2.resize(luminance(warped, tone), small, interpolation=cv2.INTER_AREA)
    clipped = cv2.resize(clipped_white(warped).astype(np.uint8), small, None, 0, 0, cv2.INTER_AREA)
    eight = warped if warped.dtype == np.uint8 else (warped >> 8).astype(np.uint8)
    if eight.ndim == 2:
        eight = np.repeat(eight[..., None], 3, axis=2)
    return Straight(
        np.power(np.maximum(light, 0), 1 / 2.2).astype(np.float32),
        cv2.resize(eight, small, interpolation=cv2.INTER_AREA),
        np.asarray(clipped > 0),
        px_per_mm,
        half,
    )


def soft(picture: Array, sigma: float) -> Array:
    """Return a picture blurred by a Gaussian of `sigma` pixels."""
    single = np.ascontiguousarray(picture, dtype=np.float32)
    return np.asarray(cv2.GaussianBlur(single, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE))


def rings(face: Straight, low_mm: float, high_mm: float) -> Array:
    """Return where the distance from the rim's centre lies between two, as a mask."""
    y, x = np.mgrid[0 : face.tone.shape[0], 0 : face.tone.shape[1]] - face.middle
    r = np.hypot(x, y) / face.px_per_mm
    return np.asarray((r >= low_mm) & (r <= high_mm))


def detail(tone: Array, mask: Array, sigma: float) -> Array:
    """Return what's finer than `sigma` pixels of a picture, evened in strength, 0 off the mask."""
    weight = mask.astype(np.float32)
    share = np.maximum(soft(weight, sigma), 1e-3)
    fine = np.where(mask, tone - soft(tone * weight, sigma) / share, 0)
    strength = np.sqrt(soft(fine * fine * weight, 2 * sigma) / share)
    floor = 0.3 * float(np.median(strength[mask])) + 1e-4 if mask.any() else 1.0
    return np.asarray(np.clip(fine / (strength + floor), -3, 3) * weight, dtype=np.float32)


@dataclass(frozen=True)
class RingLook:
    """A face by its rings alone, for another part of its type that shares no marks with it.

    Attributes
    ----------
    picture : ndarray
        The median of each ring, smoothed over rings: turning marks differ from part to part.
    noise : float
        Robust spread of the face's own departures from its rings, averaged over a spot.
    strays : float
        What 99.5 % of these departures stay below.
    odd_share : float
        Share of the face that departs by more than 4.5 spreads and 5 % of its brightness.
    """

    picture: Array
    noise: float
    strays: float
    odd_share: float


def ring_look(new: Straight, inner_mm: float, outer_mm: float, sigma: float) -> RingLook:
    """Return a face by its rings; `sigma` is the averaging over a spot, in pixels."""
    mask = rings(new, inner_mm, outer_mm) & ~new.clipped
    y, x = np.mgrid[0 : new.tone.shape[0], 0 : new.tone.shape[1]] - new.middle
    r = np.hypot(x, y)
    low, high = inner_mm * new.px_per_mm, outer_mm * new.px_per_mm
    edges = np.linspace(low, high, max(int((high - low) / 2), 8) + 1)
    middles = (edges[1:] + edges[:-1]) / 2
    # Uneven light is taken out first: it is not the part's.
    flat = new.tone - soft(np.where(mask, new.tone, np.median(new.tone[mask])), 0.25 * len(r))
    which = np.digitize(r[mask], edges) - 1
    values = flat[mask]
    level = np.array(
        [np.median(values[which == k]) if np.any(which == k) else 0.0 for k in range(len(middles))]
    )
    width = max(0.02 * high / 2, 1.0)
    level = gaussian_filter1d(level, width, mode="nearest")
    ringwise = np.interp(r, middles, level)
    weight = np.maximum(soft(mask, sigma), 0.2)
    miss = (soft((flat - ringwise) * mask, sigma) / weight)[mask]
    spread = 1.4826 * float(np.median(np.abs(miss - np.median(miss))))
    bright = float(np.median(new.tone[mask]))
    odd = float(np.mean(np.abs(miss) > max(4.5 * spread, 0.05 * bright)))
    picture = bright + ringwise - np.median(ringwise[mask])
    return RingLook(picture, spread, float(np.quantile(np.abs(miss), 0.995)), odd)


@dataclass(frozen=True)
class Match:
    """How the new face lies in the picture of the face now.

    Attributes
    ----------
    warp : ndarray, shape (2, 3)
        Pixels of `now` (straight) to pixels of `new` (straight).
    turn_deg : float
        By which the part is turned, anticlockwise, from the new photo to the one now.
    stretch : float
        Scale that was left after the rims' own, new over now.
    shift_mm : (float, float)
        Likewise, x right and y up.
    agreement : float
        Correlation of the two faces' details, to 1.
    stands_out : float
        Of the best turn over all turns, robust standard deviations.
    """

    warp: Array
    turn_deg: float
    stretch: float
    shift_mm: tuple[float, float]
    agreement: float
    stands_out: float


def find_turns(new: Straight, now: Straight, inner_mm: float, outer_mm: float) -> Array:
    """Return the correlation over turns, shape (1440,): index k is k quarter degrees.

    Ring by ring, the ring's mean and first two waves taken out: turning marks tell nothing of a
    turn, and light that falls unevenly does not turn with the part.
    """

    def unrolled(face: Straight) -> Array:
        mask = rings(face, inner_mm, outer_mm) & ~face.clipped
        fine = detail(face.tone, mask, 0.03 * face.tone.shape[0])
        t = np.radians(np.arange(_RAYS) * 360 / _RAYS)
        r = np.linspace(inner_mm, outer_mm, _RINGS) * face.px_per_mm
        x = (face.middle + r[:, None] * np.cos(t)).astype(np.float32)
        y = (face.middle - r[:, None] * np.sin(t)).astype(np.float32)
        spectrum = np.fft.rfft(cv2.remap(soft(fine, 1.2), x, y, cv2.INTER_LINEAR), axis=1)
        spectrum[:, :3] = 0
        # A ring counts by its length.
        return np.asarray(spectrum * np.sqrt(r)[:, None])

    a, b = unrolled(new), unrolled(now)
    cross = np.conj(a) * b
    # Partly whitened: long waves would make a broad hump in place of a peak.
    power = np.sqrt((np.abs(a) ** 2).mean(axis=0) * (np.abs(b) ** 2).mean(axis=0))
    weight = 1 / np.sqrt(power + 0.05 * power.max() + 1e-12)
    return np.asarray(np.fft.irfft((cross * weight).sum(axis=0), _RAYS))


def match(new: Straight, now: Straight, inner_mm: float, outer_mm: float) -> Match | PhotoRefused:
    """Lay the new face over the one now.

    Parameters
    ----------
    new, now : Straight
        At one scale.
    inner_mm, outer_mm : float
        The ring of the face that is compared.

    Returns
    -------
    Match, or PhotoRefused with reason "no-match"

    Notes
    -----
    The refinement is OpenCV's enhanced correlation coefficient (Evangelidis & Psarakis 2008,
    IEEE PAMI 30, 1858, from memory), affine, on the details alone.
    """
    if new.tone.shape[0] < FEWEST_ACROSS:
        return _refused("the face is too small in one of the photos", "come closer")
    score = find_turns(new, now, inner_mm, outer_mm)
    centre = float(np.median(score))
    spread = max(1.4826 * float(np.median(np.abs(score - centre))), 1e-12)
    mask = rings(now, inner_mm, outer_mm) & ~now.clipped
    sigma = 0.03 * now.tone.shape[0]
    fine_new = detail(new.tone, rings(new, inner_mm, outer_mm) & ~new.clipped, sigma)
    fine_now = detail(now.tone, mask, sigma)
    best: tuple[float, Array, float] | None = None
    left = score.copy()
    for _ in range(3):
        k = int(left.argmax())
        out = (float(score[k]) - centre) / spread
        if out < _STANDS_OUT:
            break
        tried = _refine(fine_new, fine_now, mask, now.middle, k * 360 / _RAYS)
        if tried is not None and (best is None or tried[0] > best[0]):
            best = (*tried, out)
        if best is not None and best[0] > 0.6:
            break
        left[(np.arange(-20, 21) + k) % _RAYS] = -np.inf
    if best is None or best[0] < _AGREES:
        return _refused(
            "the two photos can't be laid over one another: too few marks that both show",
            "take both with the same light, sharp and near, and check that it's the same type of "
            "part",
        )
    agreement, warp, out = best
    a = warp[:, :2]
    stretch = float(np.sqrt(abs(np.linalg.det(a))))
    if not 0.93 < stretch < 1.07:
        return _refused(
            "the two faces differ in size once their rims are laid over one another",
            "check both rims' diameters",
        )
    # Rows run down: a turn that is anticlockwise as seen is one the other way in (x, y down).
    turn = float(np.degrees(np.arctan2(a[0, 1] - a[1, 0], a[0, 0] + a[1, 1]))) * -1
    middle = np.array([now.middle, now.middle])
    off = (a @ middle + warp[:, 2] - new.middle) / now.px_per_mm
    return Match(warp, turn % 360, stretch, (float(off[0]), float(-off[1])), agreement, out)


def _refine(
    new: Array, now: Array, mask: Array, middle: float, turn_deg: float
) -> tuple[float, Array] | None:
    t = np.radians(turn_deg)
    # A place of `now` was turned here from where `new` has it: turn it back.
    a = np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]])
    start = np.column_stack([a, middle - a @ np.array([middle, middle])])
    # Turned before: OpenCV's rigid step takes angles beyond 90° for their mirror images.
    turned = cv2.warpAffine(
        new, start, (now.shape[1], now.shape[0]), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    )
    rest: Array = np.eye(2, 3, dtype=np.float32)
    rules = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
    try:
        # Roughly and stiffly first: an affine map from a degree away would go astray.
        _, rest = cv2.findTransformECC(
            now, turned, rest, cv2.MOTION_EUCLIDEAN, rules, mask.astype(np.uint8), 7
        )
        score, rest = cv2.findTransformECC(
            now, turned, rest, cv2.MOTION_AFFINE, rules, mask.astype(np.uint8), 5
        )
    except cv2.error:
        # OpenCV raises where the correlation can't rise: this turn is none.
        return None
    whole = np.vstack([start, [0, 0, 1]]) @ np.vstack([rest, [0, 0, 1]])
    return float(score), np.asarray(whole[:2])


def _refused(text: str, mend: str) -> PhotoRefused:
    return PhotoRefused("no-match", text, mend)
