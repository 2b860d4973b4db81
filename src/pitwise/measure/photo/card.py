"""Our photo card found in a picture: scale, tilt and the tone curve, or why it can't be used."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from pitwise.measure.photo.card_greys import grey_steps
from pitwise.measure.photo.card_layout import (
    CARD_OF,
    CARDS,
    CHECK_LINE_MM,
    DICTIONARY,
    DICTIONARY_NAME,
    NOMINAL_REFLECTANCES,
    Card,
    CardPrint,
    card_svg,
    outward,
    sheet_svg,
)
from pitwise.measure.photo.corners import refine_quads
from pitwise.measure.photo.light import SRGB, ToneCurve, luminance
from pitwise.measure.photo.plane import Lens, PlaneView, apply_homography, fit_views
from pitwise.measure.photo.result import PhotoRefused
from pitwise.trade.given import InputError

__all__ = [
    "CARDS",
    "DICTIONARY_NAME",
    "NOMINAL_REFLECTANCES",
    "Card",
    "CardPrint",
    "CardSeen",
    "card_svg",
    "find_card",
    "sheet_svg",
    "wrong_scale",
]

Array = np.ndarray
# Markers are sought on a picture of at most this many pixels along its longer side.
_SEEK_PX = 1600
_GLANCE_PX = 1000
_FEWEST = 4
# A flat card's corners lie this near to their places; more is a bend. Chosen on our own scenes.
_FLAT_MM = 0.03
_FLAT_PX = 0.5
# Focal length in multiples of the longer side, of a phone's main camera: 26 mm on 36 mm (common
# practice, no source). Only a term of the uncertainty hangs on it.
_FOCAL_SHARE = 0.72


@dataclass(frozen=True)
class CardSeen:
    """The card as found.

    Attributes
    ----------
    card : Card
    homography : ndarray, shape (3, 3)
        Card's mm (about the window's centre, x right and y down on the card) to pixels, as good
        as a homography can be within the window; `view` has the lens as well.
    px_per_mm : float
        At the window's centre: root of the area's scale.
    u_scale : float
        Relative standard uncertainty of a length on the face by this card (JCGM 100): corners,
        print and check line, and the face not being quite in the card's plane.
    tilt_deg, u_tilt_deg : float
        From the foreshortening at the window's centre.
    u_corners, u_print, u_plane : float
        The parts of `u_scale`.
    flatness_mm : float
        RMS of the corners about a flat card.
    spread_mm : float
        How far black stands out from where it was drawn: ink, and a wrong tone curve.
    markers : tuple of int
        Those used.
    steps : tuple of float
        Mean stored level in [0, 1] of each grey, darkest first; lighting evened out.
    tone : ToneCurve or None
        None: the greys can't be used, `warnings` says why.
    outline_px, window_px : ndarray, shapes (4, 2) and (72, 2)
        The card's corners and the window's edge in the picture.
    printed_scale : ndarray, shape (2,)
        True mm per nominal mm, across and down.
    warnings : tuple of str
    """

    card: Card
    homography: Array
    view: PlaneView
    px_per_mm: float
    u_scale: float
    tilt_deg: float
    u_tilt_deg: float
    u_corners: float
    u_print: float
    u_plane: float
    flatness_mm: float
    spread_mm: float
    markers: tuple[int, ...]
    steps: tuple[float, ...]
    tone: ToneCurve | None
    outline_px: Array
    window_px: Array
    printed_scale: Array
    warnings: tuple[str, ...]


def find_card(
    image: Array,
    *,
    printed: CardPrint | None = None,
    tone: ToneCurve = SRGB,
    plane_offset_mm: float = 0.15,
    focal_px: float | None = None,
) -> CardSeen | PhotoRefused | None:
    """Find our card.

    Parameters
    ----------
    image : ndarray of uint8 or uint16, shape (h, w) or (h, w, 3) in the order R, G, B
    printed : CardPrint, optional
        What the shop measured on its print; default: 50 mm to ±0.15 mm, nominal greys.
    tone : ToneCurve
        For the markers' edges; they don't much care.
    plane_offset_mm : float
        Standard uncertainty of the face's height over or under the card's plane.
    focal_px : float, optional
        The camera's focal length in pixels; default: a phone's usual one.

    Returns
    -------
    CardSeen, PhotoRefused or None
        None: no card of ours is in view. PhotoRefused (reason "card"): one is, but hidden in
        part, mirrored, bent, or not alone.

    Notes
    -----
    A length on a face that stands δ nearer to the camera than the card is seen too large by δ/D,
    D being the camera's distance, here focal length over scale.
    """
    printed = printed or CardPrint()
    grey8 = _eight_bits(image)
    # A first look at a small picture: markers that it does not show are too small to measure by.
    seen, odd = _markers(grey8, _GLANCE_PX)
    if seen and max(grey8.shape) > _GLANCE_PX:
        seen = {**seen, **_markers(grey8)[0]}
    card, others = _which_card(seen)
    if card is None:
        if odd >= 3 and _mirrored(grey8):
            return _refused(
                "the card is a mirror image",
                "print the sheet unmirrored, or switch the camera's mirroring off",
            )
        return None
    if others:
        return _refused("two cards are in view", "leave one card in view")
    quads = {number: quad for number, quad in seen.items() if number in card.centres}
    if len(quads) < 2:
        return None
    if len(quads) < _FEWEST or not _around(card, quads):
        return _refused(
            f"{len(quads)} of the card's {len(card.centres)} markers can be seen",
            "show the whole card: nothing on its markers, none cut off by the picture's edge",
        )
    fine = _refined(image, quads, tone, card)
    warnings = []
    if len(quads) < len(card.centres):
        warnings.append(f"{len(card.centres) - len(quads)} markers of the card can't be seen")
    if len(fine) < len(quads):
        warnings.append(f"{len(quads) - len(fine)} markers of the card are not clear: left out")
    if len(fine) < _FEWEST or not _around(card, fine):
        return _refused(
            "the card's markers are not clear",
            "wipe the card, keep shine and shadow off it, and come nearer or hold steady",
        )
    shape = (grey8.shape[0], grey8.shape[1])
    view, fine, dropped = _flat_view(card, fine, printed, shape)
    if dropped is not None:
        warnings.append(f"marker {dropped} of the card lies out of place: left out")
    scale, ratio = _scale_and_ratio(view.h, view.lens)
    flatness = float(np.sqrt((view.residual**2).mean())) / scale
    if flatness > max(_FLAT_MM, _FLAT_PX / scale):
        return _refused(
            f"the card is not flat, or its print is not true: its corners miss a plane by "
            f"{flatness:.3f} mm",
            "lay it flat on something stiff, or print it anew",
        )
    u_corners, u_ratio = _u_view(view)
    # Each direction's check line is measured by itself; the mean of both makes the scale.
    u_print = printed.u_mm / CHECK_LINE_MM / np.sqrt(2)
    distance = (focal_px or _FOCAL_SHARE * max(shape)) / scale
    u_plane = plane_offset_mm / distance
    # The two directions' prints err apart from one another: that looks like a tilt.
    u_ratio = float(np.hypot(u_ratio, 2 * u_print))
    tilt = float(np.degrees(np.arccos(min(ratio, 1.0))))
    # cos t = ratio: near zero tilt the derivative vanishes, and the second order tells.
    u_tilt = float(np.degrees(u_ratio / max(np.sin(np.radians(tilt)), np.sqrt(2 * u_ratio), 1e-9)))
    levels, curve, words = grey_steps(image, card, view, printed)
    warnings += words
    spread = float(view.spread)
    return CardSeen(
        card=card,
        homography=_local(view, card),
        view=view,
        px_per_mm=scale,
        u_scale=float(np.sqrt(u_corners**2 + u_print**2 + u_plane**2)),
        tilt_deg=tilt,
        u_tilt_deg=u_tilt,
        u_corners=u_corners,
        u_print=float(u_print),
        u_plane=float(u_plane),
        flatness_mm=flatness,
        spread_mm=spread,
        markers=tuple(sorted(fine)),
        steps=levels,
        tone=curve,
        outline_px=view.to_px(outward() * card.side_mm / 2 * printed.scale),
        window_px=view.to_px(_circle(card.window_mm / 2) * printed.scale),
        printed_scale=printed.scale,
        warnings=tuple(warnings),
    )


def wrong_scale(
    seen: CardSeen, rim_by_card_mm: float, rim_mm: float, u_rim_mm: float = 0.05
) -> PhotoRefused | None:
    """Refuse a card whose scale contradicts the part's known outer diameter.

    Parameters
    ----------
    seen : CardSeen
    rim_by_card_mm, rim_mm : float
        The rim's diameter as the card tells it, and as it is known to be.
    u_rim_mm : float
        Standard uncertainty of the known one.

    Returns
    -------
    PhotoRefused or None
        None: they agree within three standard uncertainties, or within 1.5 %.
    """
    gap = rim_by_card_mm / rim_mm - 1
    if abs(gap) <= max(3 * float(np.hypot(seen.u_scale, u_rim_mm / rim_mm)), 0.015):
        return None
    return _refused(
        f"by the card the rim measures {rim_by_card_mm:.2f} mm, {abs(gap):.1%} "
        f"{'more' if gap > 0 else 'less'} than the {rim_mm:g} mm given",
        "measure the card's check lines and enter them, check the rim's diameter, and keep the "
        "face in the card's plane",
    )


def _refused(text: str, mend: str) -> PhotoRefused:
    return PhotoRefused("card", text, mend)


def _eight_bits(image: Array) -> Array:
    image = np.asarray(image)
    if image.ndim not in (2, 3) or image.size == 0 or image.dtype not in (np.uint8, np.uint16):
        raise InputError("image", "not a picture of 8 or 16 bits", "give (h, w) or (h, w, 3)")
    if image.ndim == 3:
        # Green is the sharpest of a colour sensor's channels.
        image = np.asarray(cv2.extractChannel(image, 1))
    return np.ascontiguousarray(image if image.dtype == np.uint8 else (image >> 8).astype("u1"))


def _markers(grey8: Array, seek_px: int = _SEEK_PX) -> tuple[dict[int, Array], int]:
    """Return the markers of any of our cards by number, corners of shape (4, 2).

    The second is how many square frames hold no marker: a mirrored one among them.
    """
    small = grey8
    while max(small.shape) >= 2 * seek_px:
        # Halving is much the cheapest way down.
        h, w = small.shape[0] // 2, small.shape[1] // 2
        small = cv2.resize(small[: 2 * h, : 2 * w], (w, h), interpolation=cv2.INTER_AREA)
    # Pixels left out at an odd edge don't count in the scale.
    times = round(math.log2(max(grey8.shape) / max(small.shape)))
    whole = (small.shape[0] << times, small.shape[1] << times)
    factor = max(1.0, max(small.shape) / seek_px)
    if factor > 1:
        size = (round(small.shape[1] / factor), round(small.shape[0] / factor))
        small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    if min(small.shape) < 24:
        return {}, 0
    rules = cv2.aruco.DetectorParameters()
    rules.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    rules.minMarkerPerimeterRate = 0.02
    book = cv2.aruco.getPredefinedDictionary(DICTIONARY)
    found, numbers, others = cv2.aruco.ArucoDetector(book, rules).detectMarkers(small)
    if numbers is None:
        return {}, len(others)
    # A pixel of the small picture covers several pixels: its middle is not at a multiple.
    scale = np.array([whole[1] / small.shape[1], whole[0] / small.shape[0]])
    out = {}
    for quad, number in zip(found, np.ravel(numbers), strict=True):
        if int(number) in CARD_OF:
            out[int(number)] = (np.reshape(quad, (4, 2)) + 0.5) * scale - 0.5
    return out, len(others)


def _which_card(seen: dict[int, Array]) -> tuple[Card | None, bool]:
    """Return the card that most markers belong to, and whether another is in view as well."""
    counts = {card.name: sum(n in card.centres for n in seen) for card in CARDS}
    card = max(CARDS, key=lambda c: counts[c.name])
    others = any(n >= 2 for name, n in counts.items() if name != card.name)
    return (card if counts[card.name] else None), others


def _mirrored(grey8: Array) -> bool:
    seen, _ = _markers(np.ascontiguousarray(grey8[:, ::-1]), _GLANCE_PX)
    card, _ = _which_card(seen)
    return card is not None and sum(n in card.centres for n in seen) >= 3


def _around(card: Card, quads: dict[int, Array]) -> bool:
    """Return whether the markers surround the window, so that nothing is extrapolated."""
    hull = cv2.convexHull(np.array([card.centres[n] for n in quads], dtype=np.float32))
    if len(hull) < 3:
        return False
    return float(cv2.pointPolygonTest(hull, (0.0, 0.0), True)) > 0.15 * card.window_mm


def _refined(
    image: Array, quads: dict[int, Array], tone: ToneCurve, card: Card
) -> dict[int, Array]:
    out = {}
    for number, quad in quads.items():
        side = float(np.hypot(*(quad[1] - quad[0])))
        # The quiet ground around, one cell wide, is part of the fit.
        margin = int(2 + max(side * 1.3 * card.cell_mm / card.marker_mm, 16))
        low = np.maximum(np.floor(quad.min(axis=0)).astype(int) - margin, 0)
        high = np.ceil(quad.max(axis=0)).astype(int) + margin
        part = luminance(image[low[1] : high[1], low[0] : high[0]], tone)
        fine = refine_quads(part, (quad - low)[None], card.cell_mm / card.marker_mm)
        if fine.found.all() and np.abs(fine.xy + low - quad).max() < 0.08 * side + 2:
            out[number] = fine.xy + low
    return out


def _view(
    card: Card, fine: dict[int, Array], printed: CardPrint, shape: tuple[int, int]
) -> PlaneView:
    places = np.concatenate([card.corners(n) for n in fine]) * printed.scale
    pixels = np.concatenate(list(fine.values()))
    ways = np.tile(outward(), (len(fine), 1))
    # Distortion needs corners at more than one distance from the middle.
    terms = 1 if len(fine) >= 6 else 0
    return fit_views([places], [pixels], shape, terms=terms, outward=[ways])[0]


def _flat_view(
    card: Card, fine: dict[int, Array], printed: CardPrint, shape: tuple[int, int]
) -> tuple[PlaneView, dict[int, Array], int | None]:
    """Fit the card; one marker that lies out of place by itself is named and left out."""
    view = _view(card, fine, printed, shape)
    whole = float((view.residual**2).mean())
    if len(fine) < 6:
        return view, fine, None
    worst, best = None, whole
    for number in fine:
        rest = {n: quad for n, quad in fine.items() if n != number}
        if not _around(card, rest):
            continue
        tried = float((_view(card, rest, printed, shape).residual ** 2).mean())
        if tried < best:
            worst, best = number, tried
    if worst is None or best > whole / 16:
        return view, fine, None
    rest = {n: quad for n, quad in fine.items() if n != worst}
    return _view(card, rest, printed, shape), rest, worst


def _scale_and_ratio(h: Array, lens: Lens) -> tuple[float, float]:
    """Return px per mm at the window's centre, and the smaller over the larger stretch."""
    step = 0.01
    at = np.array([(step, 0.0), (-step, 0.0), (0.0, step), (0.0, -step)])
    px = lens.seen(apply_homography(h, at))
    jacobian = np.stack([px[0] - px[1], px[2] - px[3]], axis=1) / (2 * step)
    large, small = np.linalg.svd(jacobian, compute_uv=False)
    return float(np.sqrt(large * small)), float(small / large)


def _u_view(view: PlaneView) -> tuple[float, float]:
    """Return standard uncertainties of log scale and of the ratio, by the law of propagation."""
    p0 = np.concatenate([view.h.ravel()[:8], view.lens.k, [view.spread]])
    covariance = view.joint
    eps = 1e-3 * np.sqrt(np.maximum(np.diag(covariance), 1e-24))

    def both(p: Array) -> Array:
        lens = Lens(view.lens.centre_px, view.lens.scale_px, tuple(p[8:-1]))
        scale, ratio = _scale_and_ratio(np.append(p[:8], 1.0).reshape(3, 3), lens)
        return np.array([np.log(scale), ratio])

    gradient = _gradient(both, p0, eps)
    u = np.sqrt(np.maximum(np.diag(gradient @ covariance @ gradient.T), 0))
    return float(u[0]), float(u[1])


def _gradient(f: Callable[[Array], Array], p: Array, eps: Array) -> Array:
    return np.stack([(f(p + e) - f(p - e)) / (2 * e.max()) for e in np.diag(eps)], axis=1)


def _circle(radius: float) -> Array:
    t = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    return radius * np.column_stack([np.cos(t), np.sin(t)])


def _local(view: PlaneView, card: Card) -> Array:
    """Return the homography that comes nearest to the view, lens and all, in the window."""
    places = np.concatenate([_circle(r * card.window_mm / 2) for r in (0.0, 0.3, 0.6, 1.0)])
    return fit_views([places], [view.to_px(places)], (1, 1))[0].h
