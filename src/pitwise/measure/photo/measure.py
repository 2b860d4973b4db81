"""Measure the hole or the pit of a part's face from one photo."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.budget import (
    assumed,
    diameter_budget,
    marks_shift,
    texture_shift,
    tone_shift,
    total,
    wall_shift,
)
from pitwise.measure.photo.card import CardPrint, CardSeen, find_card, wrong_scale
from pitwise.measure.photo.card_window import only_window
from pitwise.measure.photo.centre import off_centre_of
from pitwise.measure.photo.ellipse import EllipseFit, fit_ellipse
from pitwise.measure.photo.emitter import Emitter, find_emitter, pit_doubt
from pitwise.measure.photo.face import Face, Frame, locate_rim, refine
from pitwise.measure.photo.front import Front, find_front
from pitwise.measure.photo.hole import Outline, seek_hole
from pitwise.measure.photo.light import SRGB, ToneCurve
from pitwise.measure.photo.pose import Plane
from pitwise.measure.photo.profile import Profile, longest, trace_profile
from pitwise.measure.photo.result import (
    Ellipse,
    Estimate,
    Feature,
    HoleMeasured,
    PhotoRefused,
    Reason,
    ToneFrom,
    Unmasked,
)
from pitwise.measure.photo.round_budget import roundness_budget
from pitwise.measure.photo.shape import Shape, shape_of
from pitwise.trade.given import InputError

Array = NDArray[np.float64]

FILTER_UPR = 15.0
"""Gaussian filter of the roundness: 50 % of a wave of so many per turn passes."""
LEAST_PX_PER_MM = 30.0
MOST_TILT_DEG = 25.0
U_RIM_MM = 0.005
"""Standard uncertainty of the rim's diameter where none is given."""
_LEAST_SIDE = 120
_LEAST_HOLE_PX = 24.0
_MOST_BLUR_PX = 3.2
_MOST_WHITE = 0.35
_MOST_MASKED = 0.45
_LEAST_CONTRAST = {"orifice": 0.2, "pit": 0.14}
# Texture alone makes closed curves on an even emitter that are seen for 0.6 of the turn (rendered).
_LEAST_SEEN = {"orifice": 0.5, "pit": 0.75}
_PIT_MEND = (
    "light the pit from the side, come closer, take the photo in colour; if it stays so, "
    "gauge the pit by hand"
)
# A spattered or glaring edge is refused where the numbers would hang on what is hidden: the
# longest gap of the edge as a share of it, and the part of the diameter that the gap may move.
_LONGEST_GAP = 0.3
# From this lean of the light beside the edge on (`Profile.lean`) it is a narrow bevel's, whose
# inner and outer edge a photo mixes up: rendered bevels have 0.025 and more, plain edges 0.020.
_MOST_LEAN = 0.023
_MOST_GAP_PX = 0.15


@dataclass(frozen=True)
class _Seen:
    """What was found so far: kept for a refusal's picture."""

    feature: Feature
    px_per_mm: float | None = None
    rim: Ellipse | None = None
    hole: Ellipse | None = None

    def refuse(self, reason: Reason, text: str, mend: str) -> PhotoRefused:
        return PhotoRefused(reason, text, mend, self.feature, self.px_per_mm, self.rim, self.hole)


def measure_photo(
    image: NDArray[np.generic],
    *,
    rim_mm: float | None,
    feature: Feature = "orifice",
    tone: ToneCurve | None = None,
    card: bool = True,
    printed: CardPrint | None = None,
    false_alarm: float = 0.01,
    filter_upr: float = FILTER_UPR,
    u_rim_mm: float = U_RIM_MM,
    focal_px: float | None = None,
) -> HoleMeasured | PhotoRefused:
    """Measure a hole or pit.

    Parameters
    ----------
    image : uint8 or uint16 array, shape (h, w) or (h, w, 3) in the order R, G, B
    rim_mm : float or None
        Outer diameter of the face, mm; None: the scale comes from the card in view.
    feature : {"orifice", "pit"}
    tone : ToneCurve, optional
        Else the card's, else a power of 2.2 known to ± 0.17.
    card : bool
        Whether our printed card is used. One in view is found in any case, so that its paper's
        edge is not taken for a rim.
    printed : CardPrint, optional
        What the shop measured on its print of the card.
    false_alarm : float
        Chance of a nick reported on an edge that has none.
    filter_upr : float
        Cut-off of the Gaussian filter of the roundness, waves per turn.
    u_rim_mm : float
        Standard uncertainty of `rim_mm`.
    focal_px : float, optional
        The camera's focal length in pixels of this picture, which must not be cropped: then the
        rim's true centre is known better. It changes nothing but `off_centre`.

    Returns
    -------
    HoleMeasured or PhotoRefused

    Raises
    ------
    InputError
        The array is no picture, or a number given makes no sense.

    Notes
    -----
    Linear light; the rim's ellipse gives scale and tilt; the hole's edge is an error function
    fitted to the pixels, sector by sector (`edge`), at the front of the bore (`front`).
    Diameter: least squares, nicks and masked places left out. Roundness: minimum zone of the
    profile behind a Gaussian filter, nicks at full depth. The Cramér–Rao bound of the diameter
    for an ideal edge of height C under noise s per pixel and blur σ along a circumference of
    N px is var(D) = 4 s² 2√π σ / (C² N) px²: the information of one edge point is
    C²/(2√π σ s²) per px of length, and the mean of the edge moves the diameter twice as far.
    """
    _check(image, rim_mm, feature, false_alarm, filter_upr)
    if focal_px is not None and not focal_px >= max(image.shape[:2]) / 4:
        raise InputError(
            "focal_px",
            f"{focal_px:g} px is no lens for a picture of {max(image.shape[:2])} px",
            "give the focal length in pixels: 35 mm equivalent / 43.3 mm × the picture's diagonal",
        )
    seen = _Seen(feature)
    h, w = image.shape[:2]
    if min(h, w) < _LEAST_SIDE:
        return seen.refuse(
            "too-small", f"the picture is {w} × {h} px", "send the photo itself, not a thumbnail"
        )
    on_card = _card(image, tone, printed)
    if not card:
        # Its numbers are not wanted, but its paper and window are still as round as a rim.
        if isinstance(on_card, PhotoRefused):
            mend = "take the card out of the picture, or show the whole of it"
            on_card = replace(on_card, mend=mend)
        elif on_card is not None:
            image, on_card = only_window(image, on_card), None
    if isinstance(on_card, PhotoRefused):
        return replace(on_card, feature=feature)
    tone_from: ToneFrom = "assumed" if tone is None else "given"
    if tone is None and on_card is not None and on_card.tone is not None:
        tone, tone_from = on_card.tone, "card"
    if on_card is not None:
        # The paper's edge around the window is as round as a rim.
        image = only_window(image, on_card)
    if rim_mm is None and on_card is None:
        return seen.refuse(
            "card-needed",
            "nothing in the photo gives its scale",
            "give the rim's diameter, or lay the printed card around the face",
        )
    frame = Frame.of(image, assumed(tone))
    dull = _dull(frame, seen)
    if dull is not None:
        return dull
    face = _face(frame, rim_mm, on_card, seen)
    if isinstance(face, PhotoRefused):
        return face
    seen = replace(seen, px_per_mm=face.plane.px_per_mm, rim=face.rim.ellipse())
    wrong = _bad_view(frame, face, seen)
    if wrong is not None:
        return wrong
    emitter = find_emitter(image, face, frame.tone) if feature == "pit" else None
    edge = _edge(frame, face, seen, emitter)
    if isinstance(edge, PhotoRefused):
        return edge
    front, profile = edge
    shape = shape_of(profile, face.plane, filter_upr, false_alarm, nicks=feature == "orifice")
    return _result(
        frame, face, front, profile, shape, seen, tone_from, on_card, rim_mm, u_rim_mm,
        filter_upr, false_alarm, emitter, focal_px,
    )  # fmt: skip


def _check(
    image: NDArray[np.generic], rim_mm: float | None, feature: str, alarm: float, upr: float
) -> None:
    if image.dtype not in (np.uint8, np.uint16) or not (
        image.ndim == 2 or (image.ndim == 3 and image.shape[2] == 3)
    ):
        raise InputError(
            "image", f"{image.dtype} {image.shape} is no picture", "give 8 or 16 bits, grey or RGB"
        )
    if rim_mm is not None and not 0.5 <= rim_mm <= 200:
        raise InputError("rim_mm", f"{rim_mm:g} mm is no rim", "give 0.5 to 200 mm")
    if feature not in ("orifice", "pit"):
        raise InputError("feature", f"'{feature}' is unknown", "use orifice or pit")
    if not 1e-6 <= alarm <= 0.5:
        raise InputError("false_alarm", f"{alarm:g}", "give 0.000001 to 0.5")
    if not 2 <= upr <= 500:
        raise InputError("filter_upr", f"{upr:g}", "give 2 to 500 waves per turn")


def _card(
    image: NDArray[np.generic], tone: ToneCurve | None, printed: CardPrint | None
) -> CardSeen | PhotoRefused | None:
    return find_card(image, printed=printed, tone=SRGB if tone is None else tone)


def _dull(frame: Frame, seen: _Seen) -> PhotoRefused | None:
    small = frame.grey[:: max(frame.grey.shape[0] // 200, 1), :: max(frame.grey.shape[1] // 200, 1)]
    if float(np.percentile(small, 98) - np.percentile(small, 2)) < 0.03:
        return seen.refuse(
            "uniform", "the picture is one even tone", "take the photo with light on the face"
        )
    if frame.white_share > 0.6:
        return seen.refuse(
            "saturated",
            f"{frame.white_share:.0%} of the picture is white",
            "use less light or a shorter exposure",
        )
    return None


def _face(
    frame: Frame, rim_mm: float | None, on_card: CardSeen | None, seen: _Seen
) -> Face | PhotoRefused:
    rim = locate_rim(frame)
    if rim is None:
        return seen.refuse(
            "rim-not-found",
            "no full rim of a face was found",
            "lay the part on a plain dark cloth, the whole face in the picture, and hold steady",
        )
    face = refine(frame, rim, rim_mm or 10.0)
    if on_card is None:
        return face
    return _on_card(face, rim_mm, on_card, seen)


def _on_card(
    face: Face, rim_mm: float | None, on_card: CardSeen, seen: _Seen
) -> Face | PhotoRefused:
    """Take tilt and perspective (and the scale, without a rim's diameter) from the card."""
    points = _ring(face.rim)
    back = np.linalg.inv(on_card.homography)
    on_face = np.column_stack([points, np.ones(len(points))]) @ back.T
    flat = on_face[:, :2] / on_face[:, 2:]
    circle = fit_ellipse(flat, least_sd=1e-6)
    if circle is None:
        return seen.refuse(
            "card", "the rim does not lie on the card", "lay the face in the card's window"
        )
    diameter = 2 * math.sqrt(math.prod(circle.axes))
    if rim_mm is not None:
        odd = wrong_scale(on_card, diameter, rim_mm)
        if odd is not None:
            return replace(odd, feature=seen.feature, rim_px=face.rim.ellipse())
    ratio = 1.0 if rim_mm is None else rim_mm / diameter
    scale = face.rim.axes[0] * 2 / (rim_mm or diameter)
    # The card may lie turned: turn its axes to the photo's, at the rim's centre.
    centre = circle.centre
    here = on_card.homography @ np.array([centre[0], centre[1], 1.0])
    there = on_card.homography @ np.array([centre[0] + 0.5, centre[1], 1.0])
    along = there[:2] / there[2] - here[:2] / here[2]
    turn = math.atan2(along[1], along[0])
    c, s = math.cos(turn), math.sin(turn)
    k = ratio * scale
    shift = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1.0]])
    forward = np.diag([k, k, 1.0]) @ np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]]) @ shift @ back
    plane = Plane(
        np.asarray(forward / forward[2, 2]),
        np.asarray(np.linalg.inv(forward / forward[2, 2])),
        scale,
        on_card.tilt_deg,
        face.plane.tilt_towards_deg,
    )
    return replace(face, plane=plane)


def _ring(rim: EllipseFit) -> Array:
    turn = np.arange(180) * (2 * math.pi / 180)
    unit = np.column_stack([np.cos(turn), np.sin(turn)])
    return np.asarray(rim.centre + unit @ np.linalg.inv(rim.shape))


def _bad_view(frame: Frame, face: Face, seen: _Seen) -> PhotoRefused | None:
    h, w = frame.grey.shape
    ring = _ring(face.rim)
    if ring.min() < 0 or ring[:, 0].max() > w - 1 or ring[:, 1].max() > h - 1:
        return seen.refuse(
            "cut-off",
            "the rim runs out of the picture",
            "move back or aim so that the whole face is in the picture",
        )
    scale = face.plane.px_per_mm
    if scale < LEAST_PX_PER_MM:
        return seen.refuse(
            "too-small-scale",
            f"{scale:.0f} px/mm, need {LEAST_PX_PER_MM:.0f}",
            f"come closer: {scale:.0f} px/mm, need {LEAST_PX_PER_MM:.0f}",
        )
    if face.plane.tilt_deg > MOST_TILT_DEG:
        return seen.refuse(
            "too-tilted",
            f"the face is tilted by {face.plane.tilt_deg:.0f}°, at most {MOST_TILT_DEG:.0f}°",
            "hold the camera straight above the face",
        )
    x, y = face.rim.centre
    a = face.rim.axes[1] * 0.7
    # Every nth pixel of a large face tells the share.
    n = max(int(a / 200), 1)
    part = frame.white[
        int(max(y - a, 0)) : int(y + a) + 1 : n, int(max(x - a, 0)) : int(x + a) + 1 : n
    ]
    if part.size and float(np.mean(part)) > _MOST_WHITE:
        return seen.refuse(
            "saturated",
            f"{np.mean(part):.0%} of the face is white",
            "use less light or a shorter exposure, and light from the side",
        )
    return None


def _edge(
    frame: Frame, face: Face, seen: _Seen, emitter: Emitter | None
) -> tuple[Front, Profile] | PhotoRefused:
    """Return the front edge and its profile, or the reason why there is none."""
    what = "hole" if seen.feature == "orifice" else "pit"
    none = seen.refuse(
        "hole-not-found",
        f"the rim is found, no {what} in it"
        if emitter is None
        else "the emitter is seen, no clear edge of a pit in it",
        f"light the face so that the {what} is darker than the face all around, and clean it",
    )
    fuzzy = seen.feature == "pit"
    best: tuple[Front, Profile] | None = None
    reach = None if emitter is None else emitter.reach
    for outline in seek_hole(frame, face, None if emitter is None else emitter.outline)[:3]:
        if outline.contrast < _LEAST_CONTRAST[seen.feature] or outline.covered < 0.6:
            continue
        front = find_front(frame, face, outline, fuzzy=fuzzy, reach=reach)
        if front is None or front.seen < _LEAST_SEEN[seen.feature]:
            continue
        best = front, trace_profile(frame, face, front, fuzzy=fuzzy, reach=reach)
        seen = replace(seen, hole=_ellipse_of(outline, face))
        break
    if best is None:
        return none
    front, profile = best
    diameter = 2 * float(np.mean(front.smooth))
    if diameter < _LEAST_HOLE_PX:
        return seen.refuse(
            "too-small-scale",
            f"the {what} is {diameter:.0f} px wide, need {_LEAST_HOLE_PX:.0f}",
            f"come closer, so that the {what} is larger in the picture",
        )
    if not fuzzy and profile.blur > _MOST_BLUR_PX:
        return seen.refuse(
            "blurred",
            f"edges are soft over {2.56 * profile.blur:.1f} px",
            "hold still or rest the phone, let it focus on the face, wipe the lens",
        )
    if not math.isfinite(profile.sd):
        text = f"too little of the {what}'s edge is seen"
        if fuzzy:
            return seen.refuse("pit-edge-doubtful", text, _PIT_MEND)
        return seen.refuse("edge-hidden", text, "light from another side, clean the face")
    hidden = profile.masked
    if fuzzy:
        doubt = pit_doubt(frame, face, profile, emitter)
        if doubt is None and float(np.mean(hidden)) > _MOST_MASKED:
            doubt = f"{np.mean(hidden):.0%} of the pit's edge shows no clear step of light"
        if doubt is not None:
            return seen.refuse("pit-edge-doubtful", doubt, _PIT_MEND)
    if not fuzzy and profile.lean > _MOST_LEAN:
        return seen.refuse(
            "edge-hidden",
            "the edge looks bevelled: beside it the light changes, more on one side",
            "light evenly from all sides, or measure this hole with a pin gauge",
        )
    if float(np.mean(hidden)) > _MOST_MASKED or longest(hidden) > _LONGEST_GAP:
        white = float(np.mean(profile.white)) > 0.5 * float(np.mean(hidden))
        return seen.refuse(
            "saturated" if white else "spatter",
            f"{np.mean(hidden):.0%} of the {what}'s edge is hidden by "
            f"{'glare' if white else 'spatter or a lit bore wall'}",
            "turn the light away from the camera"
            if white
            else f"clean the spatter off the {what}'s edge and take the photo again",
        )
    return front, profile


def _ellipse_of(outline: Outline, face: Face) -> Ellipse | None:
    turn = np.arange(outline.radius.size) * (2 * math.pi / outline.radius.size)
    px, py = face.plane.to_px(
        outline.centre[0] + outline.radius * np.cos(turn),
        outline.centre[1] + outline.radius * np.sin(turn),
    )
    fit = fit_ellipse(np.column_stack([px, py]), least_sd=0.5)
    return None if fit is None else fit.ellipse()


def _result(
    frame: Frame,
    face: Face,
    front: Front,
    profile: Profile,
    shape: Shape,
    seen: _Seen,
    tone_from: ToneFrom,
    on_card: CardSeen | None,
    rim_mm: float | None,
    u_rim_mm: float,
    filter_upr: float,
    false_alarm: float,
    emitter: Emitter | None,
    focal_px: float | None,
) -> HoleMeasured | PhotoRefused:
    scale = face.plane.px_per_mm
    tone_by, wall_by = tone_shift(frame, profile), wall_shift(frame, profile)
    marks, texture = marks_shift(frame, profile), texture_shift(profile, seen.feature)
    budget = diameter_budget(
        profile,
        face,
        diameter_px=shape.diameter_mm * scale,
        feature=seen.feature,
        tone=frame.tone,
        tone_by=tone_by,
        wall_by=wall_by,
        marks=marks,
        texture=texture,
        u_rim_mm=u_rim_mm,
        rim_mm=rim_mm or 2 * face.rim.axes[0] / scale,
        u_scale=0.0 if on_card is None else on_card.u_scale,
        scale_from="rim" if rim_mm is not None else "card",
    )
    # A nick's own place is no reason to refuse: it lies between edges that are seen.
    hidden = float(np.mean(profile.masked))
    gap = 2 * hidden**1.5 * (0.6 * profile.waves + 2 * profile.sd)
    if gap > _MOST_GAP_PX and seen.feature == "orifice":
        white = bool(np.mean(profile.white) > 0.5 * np.mean(profile.masked))
        return seen.refuse(
            "saturated" if white else "spatter",
            f"{np.mean(profile.masked):.0%} of an uneven edge is hidden: "
            f"the diameter would hang on what is not seen",
            "turn the light away from the camera"
            if white
            else "clean the edge and take the photo again",
        )
    centre = off_centre_of(
        frame,
        face,
        profile,
        shape,
        seen.feature,
        on_card is not None,
        emitter,
        marks,
        texture,
        focal_px,
    )
    roundness = roundness_budget(
        profile,
        face,
        feature=seen.feature,
        tone=frame.tone,
        tone_by=tone_by,
        wall=wall_by,
        texture=texture,
        off_px=centre.off.value * scale,
        roundness_px=shape.without_nicks_mm * scale,
        floor_px=shape.noise_floor_mm * scale,
        spread_px=shape.spread_mm * scale,
        nicks=shape.nicks,
        cutoff=filter_upr,
    )
    fit = fit_ellipse(shape.edge_px, (~shape.masked).astype(float), least_sd=0.1)
    hole = seen.hole if fit is None else fit.ellipse()
    return HoleMeasured(
        feature=seen.feature,
        diameter=Estimate(shape.diameter_mm, total(budget)),
        roundness_mm=shape.roundness_mm,
        noise_floor_mm=shape.noise_floor_mm,
        roundness_u_mm=total(roundness),
        roundness_without_nicks_mm=shape.without_nicks_mm,
        off_centre=centre.off,
        off_centre_angle_deg=centre.angle_deg,
        off_centre_xy_mm=centre.xy_mm,
        off_centre_view_u_mm=centre.view_u_mm,
        off_centre_emitter=centre.emitter,
        emitter_diameter_mm=centre.emitter_mm,
        nicks=shape.nicks,
        px_per_mm=scale,
        tilt_deg=face.plane.tilt_deg,
        scale_from="rim" if rim_mm is not None else "card",
        tone_from=tone_from,
        tone=frame.tone.name,
        circles=shape.circles,
        edge_px=shape.edge_px,
        edge_angle_deg=shape.angle_deg,
        edge_radius_mm=shape.radius_mm,
        filtered_radius_mm=shape.filtered_mm,
        masked=shape.masked,
        unmasked=Unmasked(shape.unmasked_diameter_mm, shape.unmasked_roundness_mm),
        budget=budget,
        filter_upr=filter_upr,
        false_alarm=false_alarm,
        edge_sd_px=profile.sd,
        blur_px=profile.blur,
        rim_px=face.rim.ellipse(),
        hole_px=hole or face.rim.ellipse(),
        homography=_to_mm(face.plane),
        warnings=_warnings(face, front, profile, shape, tone_from, seen.feature, emitter),
        roundness_budget=roundness,
        emitter_u_mm=None if emitter is None else emitter.u_diameter_px / scale,
        shape_unknown=_unknown(shape) if seen.feature == "orifice" else "",
    )


def _to_mm(plane: Plane) -> Array:
    mm = 1.0 / plane.px_per_mm
    return np.asarray(np.diag([mm, -mm, 1.0]) @ plane.forward)


def _unknown(shape: Shape) -> str:
    """Return where the edge isn't seen well enough to say that it has no nick, or ""."""
    if not shape.doubtful_deg:
        return ""
    return "No clear edge at " + ", ".join(f"{angle:.0f}°" for angle in shape.doubtful_deg[:6])


def _warnings(
    face: Face,
    front: Front,
    profile: Profile,
    shape: Shape,
    tone_from: ToneFrom,
    feature: Feature,
    emitter: Emitter | None,
) -> tuple[str, ...]:
    said = []
    if face.plane.tilt_deg > 15:
        said.append(f"Tilt {face.plane.tilt_deg:.0f}°: hold the camera straighter for a better u.")
    if float(np.mean(profile.masked)) > 0.03:
        said.append(f"{np.mean(profile.masked):.0%} of the edge is left out for glare or spatter.")
    if shape.doubtful_deg:
        said.append(
            f"{_unknown(shape)}: nick or spatter? Out of round and nicks are not known. "
            "Clean it and take the photo again."
        )
    if front.bevel > 0:
        said.append("The edge has a bevel: its outer edge is measured.")
    if tone_from == "assumed":
        said.append("The camera's tone curve is assumed; the printed card would tell it.")
    if feature == "pit":
        said.append("Nicks are not looked for on a pit: its edge is too soft to tell one.")
        if emitter is None:
            said.append("The emitter's edge is not seen: off-centre is from the rim alone.")
    if shape.roundness_mm < 1.5 * shape.noise_floor_mm:
        said.append("The roundness is no more than this photo's noise.")
    return tuple(said)
