"""What a rendered specimen shows: sizes, pose, light, dirt and camera, all stated."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.trade.given import InputError

Lobe = tuple[int, float, float]
Nick = tuple[float, float, float]

BACKGROUNDS = ("bench", "cloth", "glove")
FEATURES = ("orifice", "pit")
_MOST_TILT_DEG = 60.0


@dataclass(frozen=True)
class Scene:
    """A worn part before a camera.

    Angles are degrees anticlockwise from 3 o'clock as seen in the picture; those of ``lobes``,
    ``nicks`` and ``off_centre_mm`` are in the part's own frame, which ``turn_deg`` turns.

    Attributes
    ----------
    width, height : int
        Size of the picture in pixels.
    px_per_mm : float
        Scale at the rim's centre.
    rim_mm, hole_mm : float
        Outer diameter of the face; mean diameter of the hole (or pit).
    hole_new_mm : float
        What the hole measured when new; 0 where that isn't known.
    lobes : tuple of (upr, amplitude_mm, phase_deg)
        Waves on the hole's radius: ``amplitude * cos(upr * (angle - phase))``, upr >= 2.
    nicks : tuple of (angle_deg, depth_mm, width_mm)
        Bites into the hole's edge (a negative depth is a burr): raised cosine, the width at
        half depth, so that depth times width is the area.
    off_centre_mm : (x, y)
        The hole's nominal centre from the rim's, x right and y up.
    tilt_deg, tilt_towards_deg : float
        How far the face leans, and the direction whose rim lies farther away.
    distance_mm : float
        From the lens to the rim's centre; infinite for no perspective.
    turn_deg : float
        The part turned about its axis, anticlockwise.
    aim_px : (x, y)
        The rim's centre from the picture's centre, x right and y down.
    blur_px : float
        Standard deviation of the lens's Gaussian blur; the pixel's square comes on top.
    noise : float
        Standard deviation at full white in linear light; its variance falls with the light
        (shot noise) to a read noise of `READ_SHARE` times as much.
    gamma : float
        The tone curve is ``x ** (1 / gamma)``.
    sharpen : float
        Strength of the camera's own sharpening (an unsharp mask of 1 px on the toned picture).
    jpeg_quality : int or None
        None for no JPEG.
    texture : float
        Strength of turning marks and cast grain, 0 to 1.
    bore_depth_mm, side_depth_mm : float
        Depth of the bore's wall and of the part's outer side, seen when tilted.
    chamfer_mm : float
        Width of a bevel inside the hole's edge.
    rim_chamfer_mm : float
        Width of a bevel inside the rim.
    wall_light : float
        Light on the bore's wall, as a share of the face's.
    face_light : float
        Light of the face in linear light, 0 to 1.
    light_from_deg, light_fall : float
        Where the light comes from, and how unevenly it falls (share lost across the face).
    soot : float
        Darkening about the hole, 0 to 1.
    glare, glare_on_edge : int
        Number of saturated patches on the face, and across the hole's edge.
    spatter, spatter_on_edge : int
        Number of drops on the face, and sticking into the hole.
    feature : {'orifice', 'pit'}
    pit_contrast : float
        Share of light that the pit loses against the emitter.
    pit_fuzz_mm : float
        Standard deviation of the soft edge of a pit.
    emitter_mm : float
        Diameter of the emitter about the pit; 0 for none.
    background : {'bench', 'cloth', 'glove'}
    """

    width: int = 1000
    height: int = 1000
    px_per_mm: float = 60.0
    rim_mm: float = 14.0
    hole_mm: float = 2.4
    hole_new_mm: float = 0.0
    lobes: tuple[Lobe, ...] = ()
    nicks: tuple[Nick, ...] = ()
    off_centre_mm: tuple[float, float] = (0.0, 0.0)
    tilt_deg: float = 0.0
    tilt_towards_deg: float = 0.0
    distance_mm: float = 150.0
    turn_deg: float = 0.0
    aim_px: tuple[float, float] = (0.0, 0.0)
    blur_px: float = 0.8
    noise: float = 0.01
    gamma: float = 2.2
    sharpen: float = 0.0
    jpeg_quality: int | None = 92
    texture: float = 0.5
    bore_depth_mm: float = 3.0
    side_depth_mm: float = 4.0
    chamfer_mm: float = 0.0
    rim_chamfer_mm: float = 0.15
    wall_light: float = 0.35
    face_light: float = 0.45
    light_from_deg: float = 120.0
    light_fall: float = 0.2
    soot: float = 0.2
    glare: int = 0
    glare_on_edge: int = 0
    spatter: int = 0
    spatter_on_edge: int = 0
    feature: str = "orifice"
    pit_contrast: float = 0.5
    pit_fuzz_mm: float = 0.03
    emitter_mm: float = 0.0
    background: str = "bench"

    def __post_init__(self) -> None:
        """Refuse sizes that no picture has (InputError)."""
        for name, low, high in (
            ("width", 8, 20_000),
            ("height", 8, 20_000),
            ("px_per_mm", 1e-3, 1e5),
            ("rim_mm", 1e-3, 1e4),
            ("hole_mm", 1e-4, self.rim_mm),
            ("tilt_deg", 0.0, _MOST_TILT_DEG),
            ("distance_mm", self.rim_mm, math.inf),
            ("blur_px", 0.0, 50.0),
            ("noise", 0.0, 1.0),
            ("gamma", 0.2, 5.0),
            ("sharpen", 0.0, 5.0),
            ("texture", 0.0, 1.0),
            ("bore_depth_mm", 0.0, 1e3),
            ("side_depth_mm", 0.0, 1e3),
            ("chamfer_mm", 0.0, self.hole_mm / 4),
            ("rim_chamfer_mm", 0.0, self.rim_mm / 4),
            ("pit_contrast", -1.0, 1.0),
            ("pit_fuzz_mm", 0.0, self.hole_mm),
            ("emitter_mm", 0.0, self.rim_mm),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(name, f"{value!r} is out of range", f"between {low} and {high}")
        if self.feature not in FEATURES:
            raise InputError("feature", f"'{self.feature}' is unknown", f"one of {FEATURES}")
        if self.background not in BACKGROUNDS:
            raise InputError("background", f"'{self.background}' is unknown", f"of {BACKGROUNDS}")
        if any(upr < 2 for upr, _, _ in self.lobes):
            raise InputError("lobes", "fewer than 2 lobes per turn is no shape", "use 2 or more")


@dataclass(frozen=True)
class Ground:
    """A flat sheet in the plane of the face, such as a printed card the part lies on.

    Attributes
    ----------
    light : (h, w) float array
        Linear reflectance, 0 to 1.
    mm_per_px : float
        Size of one cell of ``light``.
    corner_mm : (x, y)
        Where the upper left corner of the sheet lies, from the rim's centre; x right, y up.
    """

    light: NDArray[np.float32]
    mm_per_px: float
    corner_mm: tuple[float, float]
