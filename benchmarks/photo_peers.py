"""What general tools make of the same pictures, told the hole's true centre."""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from skimage.feature import canny
from skimage.measure import EllipseModel

from pitwise.measure.specimen import Truth

Grey = NDArray[np.uint8]
# Untyped in scikit-image.
_canny: Any = canny
_Ellipse: Any = EllipseModel
# Both peers look within this share of the true radius only: no search, which flatters them.
_NEAR = (0.7, 1.35)


def grey_of(image: NDArray[np.uint8]) -> Grey:
    return np.asarray(cv2.cvtColor(image, cv2.COLOR_RGB2GRAY), np.uint8)


def hough_px(image: NDArray[np.uint8], truth: Truth) -> float | None:
    """Return the diameter in px of OpenCV's Hough circle nearest to the true centre."""
    radius = truth.smooth_diameter_mm * truth.px_per_mm / 2
    cx, cy = truth.hole_centre_px
    reach = math.ceil(radius * 2)
    x0, y0 = max(int(cx) - reach, 0), max(int(cy) - reach, 0)
    part = cv2.GaussianBlur(grey_of(image)[y0 : y0 + 2 * reach, x0 : x0 + 2 * reach], (0, 0), 1.2)
    found = cv2.HoughCircles(
        part,
        cv2.HOUGH_GRADIENT_ALT,
        dp=1,
        minDist=3,
        param1=150,
        param2=0.5,
        minRadius=int(_NEAR[0] * radius),
        maxRadius=math.ceil(_NEAR[1] * radius),
    )
    if found is None:
        return None
    circles = np.asarray(found, float).reshape(-1, found.shape[-1])
    far = np.hypot(circles[:, 0] + x0 - cx, circles[:, 1] + y0 - cy)
    return float(2 * circles[int(np.argmin(far)), 2])


def canny_px(image: NDArray[np.uint8], truth: Truth) -> tuple[float, float] | None:
    """Return the diameter in px of an ellipse through scikit-image's Canny edges, in two ways.

    The major axis, which is what a circle keeps of its diameter under tilt; and, told the tilt
    as well, the diameter of the circle of the ellipse's area, which an oval hole can't mislead.
    """
    radius = truth.smooth_diameter_mm * truth.px_per_mm / 2
    cx, cy = truth.hole_centre_px
    reach = math.ceil(radius * 1.6)
    x0, y0 = max(int(cx) - reach, 0), max(int(cy) - reach, 0)
    part = grey_of(image)[y0 : y0 + 2 * reach, x0 : x0 + 2 * reach]
    rows, columns = np.nonzero(_canny(part / 255.0, sigma=2.0))
    points = np.column_stack([columns + x0, rows + y0]).astype(float)
    far = np.hypot(points[:, 0] - cx, points[:, 1] - cy) / radius
    points = points[(far > _NEAR[0]) & (far < _NEAR[1])]
    if len(points) < 20:
        return None
    # Fit, leave out what lies far from the fit (edges of the bore, drops), fit again.
    for _ in range(8):
        fitted = _Ellipse.from_estimate(points)
        if not fitted:
            return None
        off = np.abs(_off_px(points, fitted))
        kept = off < max(1.0, 2.5 * float(np.median(off)))
        if kept.all() or kept.sum() < 20:
            break
        points = points[kept]
    a, b = fitted.axis_lengths
    level = math.cos(math.radians(truth.tilt_deg))
    return float(2 * max(a, b)), float(2 * math.sqrt(a * b / level))


def _off_px(points: NDArray[np.float64], fitted: EllipseModel) -> NDArray[np.float64]:
    """Return how far points lie from an ellipse, along the radius."""
    a, b = fitted.axis_lengths
    dx, dy = (points - fitted.center).T
    cos, sin = math.cos(fitted.theta), math.sin(fitted.theta)
    u, v = dx * cos + dy * sin, dy * cos - dx * sin
    return np.asarray(np.hypot(u, v) * (1 - 1 / np.hypot(u / a, v / b)))
