"""What a photo tells of a hole or a pit: numbers with their uncertainty, or a typed refusal."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Feature = Literal["orifice", "pit"]
ScaleFrom = Literal["rim", "card"]
ToneFrom = Literal["card", "assumed", "given"]
Reason = Literal[
    "bad-picture",
    "too-small",
    "too-small-scale",
    "saturated",
    "blurred",
    "uniform",
    "rim-not-found",
    "hole-not-found",
    "too-tilted",
    "spatter",
    "cut-off",
    "card-needed",
    "card",
    "edge-hidden",
    "pit-edge-doubtful",
    "turns",
    "no-match",
]


def _tidy(value: float) -> float:
    """Return a number as it is printed: seven significant digits are more than a photo holds."""
    return float(f"{value:.7g}")


@dataclass(frozen=True)
class Estimate:
    """A value and its standard uncertainty (JCGM 100), both in millimetres."""

    value: float
    u: float

    def plain(self) -> dict[str, float]:
        """Return it for JSON."""
        return {"value": _tidy(self.value), "u": _tidy(self.u)}


@dataclass(frozen=True)
class Source:
    """One row of the uncertainty budget of the diameter.

    Attributes
    ----------
    name : str
    u_mm : float
        What it adds to the standard uncertainty of the diameter, in mm.
    sensitivity : float
        Change of the diameter per unit of the source's own quantity.
    kind : {"A", "B"}
        From scatter seen in this photo, or from other knowledge (JCGM 100, 4.2 and 4.3).
    text : str
        Where the number comes from, in words.
    """

    name: str
    u_mm: float
    sensitivity: float
    kind: Literal["A", "B"]
    text: str

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "name": self.name,
            "u_mm": _tidy(self.u_mm),
            "sensitivity": _tidy(self.sensitivity),
            "kind": self.kind,
            "text": self.text,
        }


@dataclass(frozen=True)
class NickFound:
    """A place where the edge is missing: depth outward from the edge around it.

    `strength` is the matched filter's answer in multiples of its threshold (more than 1).
    """

    angle_deg: float
    depth_mm: float
    width_mm: float
    strength: float

    def plain(self) -> dict[str, float]:
        """Return it for JSON."""
        return {
            "angle_deg": _tidy(self.angle_deg),
            "depth_mm": _tidy(self.depth_mm),
            "width_mm": _tidy(self.width_mm),
            "strength": _tidy(self.strength),
        }


@dataclass(frozen=True)
class PlaneCircle:
    """A circle on the face, in mm from the rim's centre (x right, y up, as seen in the photo)."""

    x_mm: float
    y_mm: float
    r_mm: float

    def plain(self) -> dict[str, float]:
        """Return it for JSON."""
        return {"x_mm": _tidy(self.x_mm), "y_mm": _tidy(self.y_mm), "r_mm": _tidy(self.r_mm)}


@dataclass(frozen=True)
class Circles:
    """The four reference circles of ISO 12181-1 of the filtered profile."""

    least_squares: PlaneCircle
    zone_inner: PlaneCircle
    zone_outer: PlaneCircle
    circumscribed: PlaneCircle
    inscribed: PlaneCircle

    def plain(self) -> dict[str, Any]:
        """Return them for JSON."""
        return {
            "least_squares": self.least_squares.plain(),
            "zone_inner": self.zone_inner.plain(),
            "zone_outer": self.zone_outer.plain(),
            "circumscribed": self.circumscribed.plain(),
            "inscribed": self.inscribed.plain(),
        }


@dataclass(frozen=True)
class Ellipse:
    """An ellipse in the photo: centre, semi-axes a ≥ b in px, angle of a in degrees.

    Pixel coordinates have (0, 0) at the middle of the first pixel, x right, y down; the angle is
    anticlockwise from 3 o'clock as seen.
    """

    x: float
    y: float
    a: float
    b: float
    angle_deg: float

    def plain(self) -> dict[str, float]:
        """Return it for JSON."""
        return {
            "x": _tidy(self.x),
            "y": _tidy(self.y),
            "a": _tidy(self.a),
            "b": _tidy(self.b),
            "angle_deg": _tidy(self.angle_deg),
        }


@dataclass(frozen=True)
class Unmasked:
    """The numbers with nothing masked: what glare and spatter would have made of them."""

    diameter_mm: float
    roundness_mm: float

    def plain(self) -> dict[str, float]:
        """Return it for JSON."""
        return {
            "diameter_mm": _tidy(self.diameter_mm),
            "roundness_mm": _tidy(self.roundness_mm),
        }


@dataclass(frozen=True)
class HoleMeasured:
    """A hole or pit measured from one photo.

    Attributes
    ----------
    feature : {"orifice", "pit"}
    diameter : Estimate
        Least-squares diameter of the edge with nicks and spatter left out, mm.
    roundness_mm : float
        Width of the minimum zone of the profile, filtered at `filter_upr`, nicks with their full
        depth. Noise only adds to it: nothing is taken off.
    noise_floor_mm : float
        What a perfect circle seen with this photo's noise shows as roundness, mean of many.
    roundness_u_mm : float
    roundness_without_nicks_mm : float
    off_centre : Estimate
        Distance from the rim's centre, mm; `off_centre_angle_deg` its direction.
    off_centre_xy_mm : tuple of float
        The same as a vector, x right, y up.
    off_centre_view_u_mm : float or None
        The part of its u that photos taken alike share (tilt, perspective); None: not told.
    off_centre_emitter : Estimate or None
        Of a pit: its distance from the emitter's centre, where the emitter is seen.
    emitter_diameter_mm, emitter_u_mm : float or None
        Its diameter and the standard uncertainty of it.
    nicks : tuple of NickFound
        The deepest first. Not looked for on pits (`nicks_sought`).
    px_per_mm, tilt_deg : float
    scale_from : {"rim", "card"}
    tone_from : {"card", "assumed", "given"}
    tone : str
        Name of the tone curve used.
    circles : Circles
    edge_px : (n, 2) array
        The edge in the photo, x and y.
    edge_angle_deg, edge_radius_mm : (n,) arrays
        The unfiltered profile about the least-squares centre, on the face.
    filtered_radius_mm : (n,) array
    masked : (n,) array of bool
        Rays left out for glare, spatter or a hidden edge.
    unmasked : Unmasked
    budget, roundness_budget : tuple of Source
        The diameter's and the roundness's.
    filter_upr, false_alarm : float
    edge_sd_px, blur_px : float
        Scatter of the edge from ray to ray, and the blur (standard deviation) of the edges.
    rim_px, hole_px : Ellipse
    homography : (3, 3) array
        Pixels to mm on the face, about the rim's centre.
    warnings : tuple of str
    shape_unknown : str
        Why roundness and nicks are not known, "" where they are: a stretch of the edge is unseen
        that could hide a nick. `roundness_mm` is then what the rest shows, a lower bound, and
        `nicks` those found in the rest.

    Angles are in degrees anticlockwise from 3 o'clock, as seen in the photo.
    """

    feature: Feature
    diameter: Estimate
    roundness_mm: float
    noise_floor_mm: float
    roundness_u_mm: float
    roundness_without_nicks_mm: float
    off_centre: Estimate
    off_centre_angle_deg: float
    off_centre_xy_mm: tuple[float, float]
    off_centre_emitter: Estimate | None
    emitter_diameter_mm: float | None
    nicks: tuple[NickFound, ...]
    px_per_mm: float
    tilt_deg: float
    scale_from: ScaleFrom
    tone_from: ToneFrom
    tone: str
    circles: Circles
    edge_px: Array
    edge_angle_deg: Array
    edge_radius_mm: Array
    filtered_radius_mm: Array
    masked: NDArray[np.bool_]
    unmasked: Unmasked
    budget: tuple[Source, ...]
    filter_upr: float
    false_alarm: float
    edge_sd_px: float
    blur_px: float
    rim_px: Ellipse
    hole_px: Ellipse
    homography: Array
    warnings: tuple[str, ...] = ()
    emitter_u_mm: float | None = None
    roundness_budget: tuple[Source, ...] = ()
    shape_unknown: str = ""
    off_centre_view_u_mm: float | None = None

    @property
    def refused(self) -> bool:
        """Return False: there are numbers."""
        return False

    @property
    def nicks_sought(self) -> bool:
        """Return whether nicks were looked for: a pit's soft edge has none a photo could tell."""
        return self.feature == "orifice"

    @property
    def masked_share(self) -> float:
        """Return which share of the edge was left out."""
        return float(np.mean(self.masked)) if self.masked.size else 0.0

    def plain(self) -> dict[str, Any]:
        """Return it for JSON; the keys `pitwise photo` pins are among them."""
        emitter = self.off_centre_emitter
        return {
            "feature": self.feature,
            "diameter_mm": self.diameter.plain(),
            "roundness_mm": {
                "value": None if self.shape_unknown else _tidy(self.roundness_mm),
                "noise_floor": _tidy(self.noise_floor_mm),
                "u": None if self.shape_unknown else _tidy(self.roundness_u_mm),
                "at_least": _tidy(self.roundness_mm) if self.shape_unknown else None,
                "not_known": self.shape_unknown or None,
                "without_nicks": _tidy(self.roundness_without_nicks_mm),
            },
            "off_centre_mm": {
                **self.off_centre.plain(),
                "angle_deg": _tidy(self.off_centre_angle_deg),
                "x": _tidy(self.off_centre_xy_mm[0]),
                "y": _tidy(self.off_centre_xy_mm[1]),
                "u_view": None
                if self.off_centre_view_u_mm is None
                else _tidy(self.off_centre_view_u_mm),
                "from_emitter": None if emitter is None else emitter.plain(),
            },
            # None found in an edge that wasn't all seen is not "none".
            "nicks": [nick.plain() for nick in self.nicks]
            if self.nicks or (self.nicks_sought and not self.shape_unknown)
            else None,
            "nicks_sought": self.nicks_sought,
            "px_per_mm": _tidy(self.px_per_mm),
            "tilt_deg": _tidy(self.tilt_deg),
            "scale_from": self.scale_from,
            "tone_from": self.tone_from,
            "tone": self.tone,
            "masked_share": _tidy(self.masked_share),
            "unmasked": self.unmasked.plain(),
            "circles": self.circles.plain(),
            "emitter_diameter_mm": None
            if self.emitter_diameter_mm is None
            else _tidy(self.emitter_diameter_mm),
            "emitter_diameter_u_mm": None
            if self.emitter_u_mm is None
            else _tidy(self.emitter_u_mm),
            "budget": [row.plain() for row in self.budget],
            "roundness_budget": [row.plain() for row in self.roundness_budget],
            "filter_upr": _tidy(self.filter_upr),
            "false_alarm": _tidy(self.false_alarm),
            "edge_sd_px": _tidy(self.edge_sd_px),
            "blur_px": _tidy(self.blur_px),
            "rim_px": self.rim_px.plain(),
            "hole_px": self.hole_px.plain(),
            "warnings": list(self.warnings),
            "refused": None,
        }


@dataclass(frozen=True)
class PhotoRefused:
    """A photo that can't be measured: the reason, in words, and the mend.

    What had been found by then is kept for the picture and never counts as a measurement.
    """

    reason: Reason
    text: str
    mend: str
    feature: Feature = "orifice"
    px_per_mm: float | None = None
    rim_px: Ellipse | None = None
    hole_px: Ellipse | None = None

    @property
    def refused(self) -> bool:
        """Return True: there are no numbers, and that is no good news."""
        return True

    def plain(self) -> dict[str, Any]:
        """Return it for JSON: the keys of a measurement, with nothing in them."""
        return {
            "feature": self.feature,
            "diameter_mm": None,
            "roundness_mm": None,
            "off_centre_mm": None,
            "nicks": None,
            "px_per_mm": None if self.px_per_mm is None else _tidy(self.px_per_mm),
            "refused": {"reason": self.reason, "text": self.text, "mend": self.mend},
            "rim_px": None if self.rim_px is None else self.rim_px.plain(),
            "hole_px": None if self.hole_px is None else self.hole_px.plain(),
            "warnings": [],
        }


def seen_angle_deg(x: float, y_up: float) -> float:
    """Return a direction's angle in degrees, 0 ≤ angle < 360, anticlockwise from 3 o'clock."""
    return math.degrees(math.atan2(y_up, x)) % 360.0
