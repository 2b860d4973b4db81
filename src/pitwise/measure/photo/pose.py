"""From the rim's ellipse to the plane of the face.

A circle seen at an angle is an ellipse. Scaled and turned so that the ellipse is a circle again,
the picture is the face seen straight on, up to perspective: nearer parts are larger, and the
circle's centre is not the ellipse's. One ellipse cannot tell that term without knowing the
camera: it goes into the uncertainty (see `budget`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.ellipse import EllipseFit

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Plane:
    """Pixels of the photo to pixels on the face (straight on; y still down), and back.

    Attributes
    ----------
    forward : (3, 3) array
        Homography, photo to face pixels about the rim's centre.
    back : (3, 3) array
    px_per_mm : float
    tilt_deg, tilt_towards_deg : float
        The second is one of two opposite directions that an ellipse can't tell apart.
    """

    forward: Array
    back: Array
    px_per_mm: float
    tilt_deg: float
    tilt_towards_deg: float

    def to_face(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return face pixels of photo pixels."""
        return _apply(self.forward, x, y)

    def to_px(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return photo pixels of face pixels."""
        return _apply(self.back, x, y)


def _apply(m: Array, x: Array, y: Array) -> tuple[Array, Array]:
    if m[2, 0] == 0 and m[2, 1] == 0:
        return (m[0, 0] * x + m[0, 1] * y + m[0, 2], m[1, 0] * x + m[1, 1] * y + m[1, 2])
    z = m[2, 0] * x + m[2, 1] * y + m[2, 2]
    return (
        (m[0, 0] * x + m[0, 1] * y + m[0, 2]) / z,
        (m[1, 0] * x + m[1, 1] * y + m[1, 2]) / z,
    )


def centres_of_rim(
    fit: EllipseFit, focal_px: float, principal: Array
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return where the circle's centre is seen, for the two leans that an ellipse allows.

    Parameters
    ----------
    fit : EllipseFit
        The rim in the photo.
    focal_px : float
        The camera's distance from lens to picture, px.
    principal : (2,) array
        Where the lens's axis meets the picture, px.

    Notes
    -----
    The cone through the ellipse, Q = Kᵀ C K with eigenvalues λ₁ ≥ λ₂ > 0 > λ₃, is cut in circles
    by planes with the normals ± √((λ₁−λ₂)/(λ₁−λ₃)) v₁ + √((λ₂−λ₃)/(λ₁−λ₃)) v₃. The picture of
    the centre is the pole C⁻¹ K⁻ᵀ n of the plane's vanishing line.
    """
    a = fit.shape.T @ fit.shape
    c = fit.centre - principal
    conic = np.empty((3, 3))
    conic[:2, :2] = a
    conic[:2, 2] = conic[2, :2] = -a @ c
    conic[2, 2] = c @ a @ c - 1.0
    # In units of the focal length, about the principal point: K is diag(f, f, 1).
    k = np.diag([focal_px, focal_px, 1.0])
    value, vector = np.linalg.eigh(k @ conic @ k)
    least, middle, most = (float(v) for v in value)
    span = most - least
    seen = []
    for sign in (1.0, -1.0):
        normal = (
            sign * math.sqrt(max(most - middle, 0.0) / span) * vector[:, 2]
            + math.sqrt(max(middle - least, 0.0) / span) * vector[:, 0]
        )
        pole = np.linalg.solve(conic, normal / np.diag(k))
        seen.append(
            (
                float(pole[0] / pole[2] + principal[0]),
                float(pole[1] / pole[2] + principal[1]),
            )
        )
    return seen[0], seen[1]


def plane_of_rim(fit: EllipseFit, rim_mm: float) -> Plane:
    """Return the plane of the face from its rim (no perspective).

    Parameters
    ----------
    fit : EllipseFit
        The rim in the photo.
    rim_mm : float
        Its true diameter.

    Notes
    -----
    The minor axis is foreshortened by the cosine of the tilt; the major one is not, and gives
    the scale: 2a px are `rim_mm`.
    """
    a, b = fit.axes
    vectors = np.linalg.eigh(fit.shape)[1]
    minor = vectors[:, 1]
    m = a * fit.shape
    forward = np.eye(3)
    forward[:2, :2] = m
    forward[:2, 2] = -m @ fit.centre
    tilt = math.degrees(math.acos(min(b / a, 1.0)))
    towards = math.degrees(math.atan2(-minor[1], minor[0])) % 360.0
    return Plane(forward, np.asarray(np.linalg.inv(forward)), 2 * a / rim_mm, tilt, towards)
