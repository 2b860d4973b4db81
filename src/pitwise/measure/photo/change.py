"""Where a face looks other than in the photo when new: changed area, its place, its picture.

It says where and how much, lighter or darker; never what it is. That is for whoever looks.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from scipy.ndimage import maximum_filter, minimum_filter

from pitwise.measure.photo.light import SRGB, ToneCurve
from pitwise.measure.photo.match import (
    FEWEST_ACROSS,
    Match,
    RingLook,
    Straight,
    match,
    ring_look,
    rings,
    scale_for,
    soft,
    straight,
)
from pitwise.measure.photo.plane import apply_homography
from pitwise.measure.photo.result import HoleMeasured, PhotoRefused, seen_angle_deg
from pitwise.trade.given import InputError

Array = np.ndarray
# Of the rim, the outer part isn't compared: bevel and background shine in there.
_RIM_SHARE = 0.95
# Threshold in robust standard deviations of the difference, and the least one, of the face's own
# brightness. Chosen on our own scenes: equal faces show no changed area.
_TIMES = 4.5
_LEAST = 0.05
# More than this share changed: a robust spread can't tell noise from change any more.
_MOST_SHARE = 0.5
# How far the blur of a white place reaches, of the picture's width.
_HALO = 0.01
# By rings: how far past the new face's own strays, and how much of it may stray.
_STRAY = 1.5
_MOST_ODD = 0.03
# A threshold higher than this share of the brightness would let nearly everything pass as equal.
_MOST_DOUBT = 0.2
_INK, _CASING = (20, 24, 28), (246, 244, 238)


@dataclass(frozen=True)
class Region:
    """One place that changed.

    Attributes
    ----------
    polygon_px : ndarray, shape (n, 2)
        Its outline in the photo now.
    area_mm2 : float
    distance_mm, angle_deg : float
        Of its middle from the rim's centre; anticlockwise from 3 o'clock in the photo now.
    lighter : bool
    """

    polygon_px: Array
    area_mm2: float
    distance_mm: float
    angle_deg: float
    lighter: bool

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "area_mm2": float(f"{self.area_mm2:.5g}"),
            "distance_mm": float(f"{self.distance_mm:.5g}"),
            "angle_deg": float(f"{self.angle_deg:.4g}"),
            "lighter": self.lighter,
            "outline_px": [[round(float(v), 1) for v in p] for p in self.polygon_px],
        }


@dataclass(frozen=True)
class Changed:
    """How a face changed since the photo when new.

    Attributes
    ----------
    area_mm2 : float
        Changed area, spots smaller than `smallest_mm2` left out.
    low_mm2, high_mm2 : float
        With the threshold half as high again and a pixel off all round, and with it a quarter
        lower and a pixel on.
    compared_mm2 : float
        Area that both photos show well enough; `unseen_mm2` is the rest of the ring.
    regions : tuple of Region
        The largest first.
    matched_by : {"marks", "rings"}
        Marks of the very part; or, where none fit, the look of each ring of a new part.
    turn_deg, agreement : float or None
        As in `Match`; None by rings.
    threshold : float
        Of the difference, as a share of the face's brightness (light ** (1 / 2.2)).
    smallest_mm2 : float
    picture : ndarray, shape (h, w, 3), uint8
        The face when new (turned to fit, by marks) and now, with the outlines, side by side.
    warnings : tuple of str
    """

    area_mm2: float
    low_mm2: float
    high_mm2: float
    compared_mm2: float
    unseen_mm2: float
    regions: tuple[Region, ...]
    matched_by: str
    turn_deg: float | None
    agreement: float | None
    threshold: float
    smallest_mm2: float
    picture: Array = field(repr=False)
    warnings: tuple[str, ...] = ()

    @property
    def refused(self) -> bool:
        """Return False: the two could be compared."""
        return False

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "changed_area_mm2": {
                "value": float(f"{self.area_mm2:.5g}"),
                "low": float(f"{self.low_mm2:.5g}"),
                "high": float(f"{self.high_mm2:.5g}"),
            },
            "compared_mm2": float(f"{self.compared_mm2:.5g}"),
            "unseen_mm2": float(f"{self.unseen_mm2:.5g}"),
            "smallest_mm2": self.smallest_mm2,
            "places": [r.plain() for r in self.regions],
            "matched_by": self.matched_by,
            "turn_deg": None if self.turn_deg is None else float(f"{self.turn_deg:.5g}"),
            "agreement": None if self.agreement is None else float(f"{self.agreement:.4g}"),
            "threshold": float(f"{self.threshold:.4g}"),
            "warnings": list(self.warnings),
            "refused": None,
        }


def changed_between(
    new_image: Array,
    new: HoleMeasured,
    image_now: Array,
    now: HoleMeasured,
    rim_mm: float,
    *,
    smallest_mm2: float = 0.03,
    tone: ToneCurve = SRGB,
) -> Changed | PhotoRefused:
    """Compare two measured photos: `changed_area` with what the measurements found."""
    holes = []
    for r in (new, now):
        c = r.circles.least_squares
        holes.append((c.x_mm, c.y_mm, c.r_mm))
    return changed_area(
        new_image,
        image_now,
        np.asarray(new.homography),
        np.asarray(now.homography),
        rim_mm,
        new_hole=holes[0],
        now_hole=holes[1],
        smallest_mm2=smallest_mm2,
        tone=tone,
    )


def changed_area(
    new_image: Array,
    image_now: Array,
    new_to_mm: Array,
    now_to_mm: Array,
    rim_mm: float,
    *,
    new_hole: tuple[float, float, float] = (0.0, 0.0, 0.0),
    now_hole: tuple[float, float, float] = (0.0, 0.0, 0.0),
    smallest_mm2: float = 0.03,
    tone: ToneCurve = SRGB,
) -> Changed | PhotoRefused:
    """Find where a face changed since the photo when new.

    Parameters
    ----------
    new_image, image_now : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3)
        The shop's photo of that part type when new, and the photo now.
    new_to_mm, now_to_mm : ndarray, shape (3, 3)
        Pixels to mm on the face, about the rim's centre, y up (`HoleMeasured.homography`).
    rim_mm : float
        The rim's diameter.
    new_hole, now_hole : (x, y, r) in mm
        The hole in each: what both show as hole is not compared, the wall of the bore least of
        all. An edge that grew since is.
    smallest_mm2 : float
        Spots smaller than this are left out.
    tone : ToneCurve

    Returns
    -------
    Changed, or PhotoRefused with reason "no-match"

    Notes
    -----
    The new face's brightness is fitted to the one now by gain and offset that vary smoothly over
    the face (robust: Tukey's weights); a place counts as changed where the face now lies outside
    of all that the new one shows within a pixel around, by more than `threshold`.
    """
    if not rim_mm > 0 or not smallest_mm2 > 0:
        raise InputError("rim_mm", "not above zero", "give the rim's diameter in mm")
    scale = scale_for(rim_mm, new_to_mm, now_to_mm)
    new = straight(new_image, new_to_mm, rim_mm, scale, tone)
    now = straight(image_now, now_to_mm, rim_mm, scale, tone)
    outer = _RIM_SHARE * rim_mm / 2
    inner = min(max(math.hypot(h[0], h[1]) + h[2] for h in (new_hole, now_hole)), 0.8 * outer)
    ring_mm = (max(inner + 2 / scale, 0.08 * rim_mm), outer)
    found = match(new, now, *ring_mm)
    if isinstance(found, Match):
        laid = _laid(new, now, found)
        return _compare(laid, now, found, now_to_mm, (0.0, outer), new_hole, now_hole, smallest_mm2)
    # Another part of the type shares no scratch with it; a turned face is its rings all the same.
    look = ring_look(new, *ring_mm, _spot_sigma(smallest_mm2, scale))
    if look.odd_share > _MOST_ODD or new.tone.shape[0] < FEWEST_ACROSS:
        return found
    laid = Straight(look.picture, new.colour, new.clipped & False, scale, new.half_mm)
    return _compare(laid, now, look, now_to_mm, ring_mm, new_hole, now_hole, smallest_mm2)


def _spot_sigma(smallest_mm2: float, px_per_mm: float) -> float:
    """Return the averaging over a spot of the smallest size that counts, in pixels."""
    # No more than a quarter of a millimetre's spot needs: averaging rounds outlines off.
    return max(0.5 * math.sqrt(min(smallest_mm2, 0.05) / math.pi) * px_per_mm, 0.7)


def _laid(new: Straight, now: Straight, found: Match) -> Straight:
    size = (now.tone.shape[1], now.tone.shape[0])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP

    def laid(picture: Array) -> Array:
        return np.asarray(
            cv2.warpAffine(picture, found.warp, size, flags=flags, borderMode=cv2.BORDER_REPLICATE)
        )

    clipped = laid(new.clipped.astype(np.float32)) > 0
    return Straight(laid(new.tone), laid(new.colour), clipped, new.px_per_mm, new.half_mm)


def _compare(
    new: Straight,
    now: Straight,
    found: Match | RingLook,
    now_to_mm: Array,
    ring_mm: tuple[float, float],
    new_hole: tuple[float, float, float],
    now_hole: tuple[float, float, float],
    smallest_mm2: float,
) -> Changed | PhotoRefused:
    by_marks = isinstance(found, Match)
    before, after = new.tone, now.tone
    clipped = new.clipped | now.clipped
    ring = rings(now, *ring_mm)
    t = math.radians(found.turn_deg) if isinstance(found, Match) else 0.0
    turned = (
        new_hole[0] * math.cos(t) - new_hole[1] * math.sin(t),
        new_hole[0] * math.sin(t) + new_hole[1] * math.cos(t),
        new_hole[2],
    )
    # The hole is a hole in both: not compared. Two pixels of slack for the edge itself.
    hole = _disc(now, turned, -2 / now.px_per_mm) & _disc(now, now_hole, -2 / now.px_per_mm)
    ring &= ~hole
    halo = maximum_filter(clipped, 2 * max(2, round(_HALO * len(after))) + 1)
    mask = ring & ~halo
    pixel = 1 / now.px_per_mm**2
    if mask.sum() < 0.3 * ring.sum():
        return PhotoRefused(
            "no-match",
            "too much of the face is white in one of the photos",
            "turn the light aside, or cover it with paper",
        )
    before = _exposed(before, after, mask)
    # Equal sharpness, as far as one pass makes it: what one lens can't show isn't a change.
    before, after = soft(before, 1.0), soft(after, 1.0)
    slack = 3
    over = np.maximum(after - maximum_filter(before, slack), 0)
    under = np.minimum(after - minimum_filter(before, slack), 0)
    sigma = _spot_sigma(smallest_mm2, now.px_per_mm)
    weight = soft(mask.astype(float), sigma)
    difference = soft((over + under) * mask, sigma) / np.maximum(weight, 0.2)
    plain = soft((after - before) * mask, sigma) / np.maximum(weight, 0.2)
    bright = float(np.median(after[mask]))
    spread = 1.4826 * float(np.median(np.abs(plain[mask] - np.median(plain[mask]))))
    threshold = max(_TIMES * spread, _LEAST * bright)
    if isinstance(found, RingLook):
        # As much as the new part strays from its own rings tells nothing.
        threshold = max(threshold, _STRAY * found.strays)

    # A strong spot's blurred skirt is no part of it: its edge is where half of it is left.
    strength = np.abs(difference)
    half_left = 0.5 * maximum_filter(strength, int(2 * np.ceil(2 * sigma) + 1))

    if not by_marks and threshold > _MOST_DOUBT * bright:
        return PhotoRefused(
            "no-match",
            "the two photos share no marks and differ all over",
            "clean the face, take it in the light of the photo when new, and check the part's type",
        )

    def at(times: float) -> Array:
        over_it = strength > np.maximum(times * threshold, half_left)
        return _large(mask & over_it, smallest_mm2 / pixel)

    # A lighter place beside a white one is its halo: light, and no more looked at than the white.
    beside = _touching(mask & (difference > 0.75 * threshold), maximum_filter(halo, 5))
    mask &= ~beside
    spots = at(1.0)
    # An outline is known to a pixel: the area is at most a pixel's width along it off.
    low = at(1.5) & minimum_filter(spots, 3)
    high = at(0.75) | (maximum_filter(spots, 3) & mask)
    compared = float(mask.sum()) * pixel
    area = float(spots.sum()) * pixel
    if area > _MOST_SHARE * compared:
        return PhotoRefused(
            "no-match",
            "more than half of the face looks other than in the photo when new",
            "clean the face and take it in the light of the photo when new; else judge by eye",
        )
    regions = _regions(spots, difference, now, now_to_mm)
    unseen = float((ring & ~mask).sum()) * pixel
    warnings = []
    if not by_marks:
        warnings.append(
            "No marks that both photos show: compared ring by ring with the new face, so that only "
            "what differs from its ring is found."
        )
    if unseen >= smallest_mm2:
        warnings.append(
            f"{unseen:.2f} mm² could not be compared: white in one of the photos. "
            "What is there was not looked at."
        )
    if spread * _TIMES > 0.25 * bright:
        warnings.append("The two photos differ all over: only strong changes can be told.")
    return Changed(
        area,
        float(low.sum()) * pixel,
        float(high.sum()) * pixel,
        compared,
        unseen,
        regions,
        "marks" if by_marks else "rings",
        found.turn_deg if isinstance(found, Match) else None,
        found.agreement if isinstance(found, Match) else None,
        threshold / max(bright, 1e-9),
        smallest_mm2,
        _picture(new.colour, now.colour, spots),
        tuple(warnings),
    )


def _disc(face: Straight, circle: tuple[float, float, float], more_mm: float) -> Array:
    y, x = np.mgrid[0 : face.tone.shape[0], 0 : face.tone.shape[1]] - face.middle
    off = np.hypot(x / face.px_per_mm - circle[0], -y / face.px_per_mm - circle[1])
    return np.asarray(off < circle[2] + more_mm)


def _exposed(before: Array, after: Array, mask: Array) -> Array:
    """Return `before` with gain and offset, both smooth over the face, fitted to `after`."""
    y, x = (a / a.shape[0] - 0.5 for a in np.mgrid[0 : before.shape[0], 0 : before.shape[1]])
    base = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    columns = np.concatenate([base[..., :3] * before[..., None], base], axis=-1)
    chosen = np.flatnonzero(mask.ravel())[:: max(1, int(mask.sum() / 20_000))]
    a, b = columns.reshape(-1, columns.shape[-1])[chosen], after.ravel()[chosen]
    weight = np.ones(len(b))
    fit = np.zeros(a.shape[1])
    fit[0] = 1
    for _ in range(15):
        root = np.sqrt(weight)
        fit = np.linalg.lstsq(a * root[:, None], b * root, rcond=None)[0]
        miss = b - a @ fit
        spread = max(1.4826 * float(np.median(np.abs(miss))), 1e-4)
        weight = np.clip(1 - (miss / (4.685 * spread)) ** 2, 0, 1) ** 2 + 1e-6
    return np.asarray(columns @ fit)


def _large(mask: Array, least: float) -> Array:
    """Return a mask without its spots of fewer than `least` pixels."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(
        mask.astype(np.uint8), connectivity=8
    )
    keep = np.zeros(count, dtype=bool)
    keep[1:] = stats[1:, cv2.CC_STAT_AREA] >= max(least, 2)
    return np.asarray(keep[labels])


def _touching(mask: Array, places: Array) -> Array:
    """Return the spots of a mask that touch any of some places."""
    count, labels = cv2.connectedComponents(mask.astype(np.uint8), None, 8)
    touched = np.zeros(count, dtype=bool)
    touched[np.unique(labels[places & mask])] = True
    touched[0] = False
    return np.asarray(touched[labels])


def _regions(
    spots: Array, difference: Array, now: Straight, now_to_mm: Array
) -> tuple[Region, ...]:
    contours, _ = cv2.findContours(
        spots.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE
    )
    back = np.linalg.inv(now_to_mm)
    out = []
    for contour in contours:
        inside = np.zeros(spots.shape, dtype=np.uint8)
        cv2.drawContours(inside, [contour], -1, 1, cv2.FILLED)
        here = (inside > 0) & spots
        rows, columns = np.nonzero(here)
        x = (columns.mean() - now.middle) / now.px_per_mm
        y = -(rows.mean() - now.middle) / now.px_per_mm
        outline = (np.reshape(contour, (-1, 2)) - now.middle) / now.px_per_mm * [1, -1]
        out.append(
            Region(
                apply_homography(back, outline),
                float(here.sum()) / now.px_per_mm**2,
                math.hypot(x, y),
                seen_angle_deg(x, y),
                bool(difference[here].mean() > 0),
            )
        )
    return tuple(sorted(out, key=lambda r: -r.area_mm2))


def _picture(new: Array, now: Array, spots: Array) -> Array:
    """Return new and now side by side, the changed places outlined in both."""
    contours, _ = cv2.findContours(spots.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    panels: Sequence[Array] = (new.copy(), now.copy())
    for panel in panels:
        # Ink within a light casing: seen on bright copper and on soot alike.
        cv2.drawContours(panel, contours, -1, _CASING, 4, cv2.LINE_AA)
        cv2.drawContours(panel, contours, -1, _INK, 2, cv2.LINE_AA)
    gap = np.full((new.shape[0], 8, 3), _CASING, dtype=np.uint8)
    return np.hstack([panels[0], gap, panels[1]])
