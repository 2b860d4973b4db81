"""What is true of a rendered specimen, from its analytic edge alone."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.specimen import curve
from pitwise.measure.specimen.camera import Camera
from pitwise.measure.specimen.curve import Curve
from pitwise.measure.specimen.scene import Nick, Scene

_POINTS = 2880


@dataclass(frozen=True)
class Truth:
    """The exact answer to a rendered specimen.

    Angles are degrees anticlockwise from 3 o'clock as seen in the picture; millimetres lie in
    the plane of the face, x right and y up.

    Attributes
    ----------
    diameter_mm : float
        Of the least-squares circle of the whole edge.
    roundness_mm : float
        Width of the minimum zone of the whole edge, nothing filtered.
    smooth_diameter_mm, smooth_roundness_mm : float
        The same of the edge without its nicks.
    off_centre_mm, off_centre_angle_deg : float
        The least-squares centre of the edge without its nicks from the rim's centre.
    nicks : tuple of (angle_deg, depth_mm, width_mm)
    hole_centre_px, rim_centre_px : (x, y)
        The centre of the first pixel is (0, 0).
    edge_px, rim_px : (n, 2) float arrays
        The edge and the rim as projected.
    edge_mm : (n, 2) float array
        The edge from the rim's centre.
    edge_angle_deg : (n,) float array
        About the hole's centre.
    hidden : (n,) bool array
        Where glare or spatter covers the edge.
    px_per_mm, tilt_deg : float
    area_mm2 : float
        Enclosed by the edge.
    drops, glares : (k, 3) float arrays
        x, y and radius in pixels.
    edge : Curve
        The edge in the part's own frame, before it is turned.
    hole_new_mm, emitter_mm : float
        As the scene has them; 0 where there is none.
    feature : str
    """

    diameter_mm: float
    roundness_mm: float
    smooth_diameter_mm: float
    smooth_roundness_mm: float
    off_centre_mm: float
    off_centre_angle_deg: float
    nicks: tuple[Nick, ...]
    hole_centre_px: tuple[float, float]
    rim_centre_px: tuple[float, float]
    edge_px: NDArray[np.float64]
    rim_px: NDArray[np.float64]
    edge_mm: NDArray[np.float64]
    edge_angle_deg: NDArray[np.float64]
    hidden: NDArray[np.bool_]
    px_per_mm: float
    tilt_deg: float
    area_mm2: float
    drops: NDArray[np.float64]
    glares: NDArray[np.float64]
    edge: Curve
    hole_new_mm: float
    emitter_mm: float
    feature: str

    def roundness_at(self, cutoff_upr: float) -> float:
        """Return the roundness in mm with lobes behind a Gaussian filter, nicks at full depth."""
        return curve.minimum_zone_width(self.edge.filtered(cutoff_upr).points(_POINTS))


def truth_of(
    scene: Scene,
    drops: NDArray[np.float64] | None = None,
    glares: NDArray[np.float64] | None = None,
) -> Truth:
    """Return what is true of a scene, with the drops and glares that a seed laid on it."""
    edge = Curve.of(scene)
    smooth = edge.smooth()
    camera = Camera(scene)
    turn = math.radians(scene.turn_deg)
    turned = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
    own = edge.points(_POINTS)
    own_x, own_y, own_r = curve.least_squares_circle(smooth.points(_POINTS))
    x, y = np.array([own_x, own_y]) @ turned
    edge_mm = own @ turned
    edge_px = camera.project(own)
    ring = np.arange(_POINTS) * (2 * math.pi / _POINTS)
    rim = scene.rim_mm / 2 * np.column_stack([np.cos(ring), np.sin(ring)])
    drops = np.zeros((0, 3)) if drops is None else drops
    glares = np.zeros((0, 3)) if glares is None else glares
    hidden = np.zeros(_POINTS, dtype=bool)
    for bx, by, br in np.concatenate([drops, glares]):
        hidden |= np.hypot(edge_px[:, 0] - bx, edge_px[:, 1] - by) < br
    centre = camera.project(np.array([[own_x, own_y], [0.0, 0.0]]))
    ahead = np.roll(own, -1, axis=0)
    area = 0.5 * abs(float(np.sum(own[:, 0] * ahead[:, 1] - ahead[:, 0] * own[:, 1])))
    smooth_roundness = curve.minimum_zone_width(smooth.points(_POINTS))
    return Truth(
        diameter_mm=2 * curve.least_squares_circle(own)[2],
        roundness_mm=curve.minimum_zone_width(own) if edge.nicks else smooth_roundness,
        smooth_diameter_mm=2 * own_r,
        smooth_roundness_mm=smooth_roundness,
        off_centre_mm=math.hypot(float(x), float(y)),
        off_centre_angle_deg=math.degrees(math.atan2(float(y), float(x))) % 360.0,
        nicks=tuple(((a + scene.turn_deg) % 360.0, d, w) for a, d, w in scene.nicks),
        hole_centre_px=(float(centre[0, 0]), float(centre[0, 1])),
        rim_centre_px=(float(centre[1, 0]), float(centre[1, 1])),
        edge_px=edge_px,
        rim_px=camera.project(rim),
        edge_mm=edge_mm,
        edge_angle_deg=np.degrees(np.arctan2(edge_mm[:, 1] - y, edge_mm[:, 0] - x)) % 360.0,
        hidden=hidden,
        px_per_mm=scene.px_per_mm,
        tilt_deg=scene.tilt_deg,
        area_mm2=area,
        drops=drops,
        glares=glares,
        edge=edge,
        hole_new_mm=scene.hole_new_mm,
        emitter_mm=scene.emitter_mm,
        feature=scene.feature,
    )
