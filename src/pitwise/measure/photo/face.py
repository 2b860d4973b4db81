"""The face in the photo: its rim found at a reduced size, then located at full resolution."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.edge import collect, fit_edges
from pitwise.measure.photo.ellipse import EllipseFit, fit_ellipse
from pitwise.measure.photo.frame import Frame
from pitwise.measure.photo.pose import Plane, plane_of_rim
from pitwise.measure.photo.rim import RimFound, rims_near
from pitwise.measure.photo.seek import Ring, find_rims

__all__ = ["Face", "Frame", "coarse_rims", "locate_rim", "refine"]

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

# Long side of the reduced picture, px.
_SMALL = 480
# Halving, which is cheap, goes no further than this; the rest is done in one step.
_LEAST_HALVED = 720
# The rim is told from its bevel on a picture in which its radius is at least so large, px.
_LEAST_RADIUS = 350.0
_STARTS = 4
# Support (less half the scatter) that an ellipse needs to be the rim, and how near to the best
# one a wider one must come to be preferred: with colour the best is nearly always the rim, without
# it a bevel's inner edge often has the better contrast. Chosen on rendered faces.
_LEAST_SUPPORT = 0.6
_NEAR_BEST = {True: 0.78, False: 0.72}
_NEARBY_PX, _NEARBY = 3.5, 0.007
_RIM_SECTORS = 480
# A sector of a large rim is told by its middle.
_RIM_STRIP_PX = 6.0
# Uncertainty of a rim edge that scatter alone does not show, px.
_EDGE_FLOOR_PX = 0.05


@dataclass(frozen=True)
class Face:
    """The face's rim, its plane, and what is known about the rim's edge."""

    rim: EllipseFit
    plane: Plane
    support: float
    blur_px: float
    u_rim_px: float


def _reduced(image: Grey, size: tuple[int, int]) -> Grey:
    return np.asarray(cv2.resize(image, size, interpolation=cv2.INTER_AREA), np.float32)


def coarse_rims(frame: Frame) -> list[EllipseFit]:
    """Return ellipses that may be near the rim, in pixels of the photo, the likeliest first."""
    h, w = frame.grey.shape
    times = max(int(math.log2(max(h, w) / _LEAST_HALVED)), 0)
    full, hue = frame.halved(times)
    shrink = max(max(full.shape) / _SMALL, 1.0)
    size = (max(round(full.shape[1] / shrink), 8), max(round(full.shape[0] / shrink), 8))
    grey = _reduced(full, size) * 255
    colour = None if hue is None else _reduced(hue, size) * 255
    rings = find_rims(grey, colour)
    kept: list[Ring] = []
    for ring in rings:
        if all(_apart(ring, other) for other in kept):
            kept.append(ring)
        if len(kept) == _STARTS:
            break
    sx, sy = (full.shape[1] << times) / size[0], (full.shape[0] << times) / size[1]
    scale = math.sqrt(sx * sy)
    return [
        replace(
            ring.fit,
            centre=(ring.fit.centre + 0.5) * np.array([sx, sy]) - 0.5,
            shape=ring.fit.shape / scale,
        )
        for ring in kept
    ]


def _apart(one: Ring, other: Ring) -> bool:
    return (
        abs(one.radius - other.radius) > 0.012 * other.radius
        or float(np.max(np.abs(one.fit.centre - other.fit.centre))) > 0.02 * other.radius
    )


def _quality(ring: RimFound) -> float:
    return ring.support - 0.5 * ring.fit.sd


def _outdone(ring: RimFound, found: list[RimFound]) -> bool:
    """Return whether an ellipse nearby is better seen: then this one is a mixture with it."""
    mean = math.sqrt(math.prod(ring.fit.axes))
    for other in found:
        apart = abs(math.sqrt(math.prod(other.fit.axes)) - mean)
        if apart < max(_NEARBY_PX, _NEARBY * mean) and _quality(other) > _quality(ring):
            return True
    return False


def locate_rim(frame: Frame) -> RimFound | None:
    """Return the rim among all ellipses found, or None where none is seen well enough."""
    starts = coarse_rims(frame)
    if not starts:
        return None
    widest = max(math.sqrt(math.prod(start.axes)) for start in starts)
    times = max(int(math.log2(widest / _LEAST_RADIUS)), 0)
    values = [plane for plane in frame.halved(times) if plane is not None]
    found: list[RimFound] = []
    for start in starts:
        found += rims_near(values, _scaled(start, 0.5**times))
        if found and max(_quality(r) for r in found) > 0.85:
            break
    if not found:
        return None
    best = max(_quality(r) for r in found)
    needed = max(_LEAST_SUPPORT, _NEAR_BEST[frame.colour is not None] * best)
    fit = [r for r in found if _quality(r) >= needed and not _outdone(r, found)]
    if not fit:
        return None
    rim = max(fit, key=lambda r: math.prod(r.fit.axes))
    return replace(rim, fit=_scaled(rim.fit, 2.0**times))


def _scaled(fit: EllipseFit, by: float) -> EllipseFit:
    """Return an ellipse in a picture of another size."""
    return replace(
        fit,
        centre=(fit.centre + 0.5) * by - 0.5,
        shape=fit.shape / by,
        distance=fit.distance * by,
        sd=fit.sd * by,
    )


def refine(frame: Frame, rim: RimFound, rim_mm: float) -> Face:
    """Locate the rim's edge in linear light and fit the ellipse to it."""
    fit = rim.fit
    sigma = 1.2
    support = rim.support
    for _ in range(2):
        plane = plane_of_rim(fit, rim_mm)
        a = fit.axes[0]
        sectors = collect(
            frame.grey,
            frame.white,
            plane,
            np.zeros(2),
            np.full(64, a),
            3.2 * sigma + 2.5,
            3.2 * sigma + 2.5,
            _RIM_SECTORS,
            _RIM_STRIP_PX,
        )
        light, slope = frame.light(sectors.value)
        edges = fit_edges(sectors, light, slope, sigma=sigma, window=(2.2, 2.2), rising=False)
        sigma = float(np.clip(edges.sigma, 0.5, 4.0))
        angle = (np.arange(_RIM_SECTORS) + 0.5) * (2 * math.pi / _RIM_SECTORS)
        good = (
            np.isfinite(edges.u)
            & (edges.u < 0.6)
            & (np.abs(edges.e) < 2.5)
            & (np.mean(sectors.white, 1) < 0.02)
        )
        if np.mean(good) < 0.25:
            break
        e = np.where(good, edges.e, 0.0)
        x, y = plane.to_px((a + e) * np.cos(angle), (a + e) * np.sin(angle))
        weight = np.where(good, 1 / (edges.u**2 + _EDGE_FLOOR_PX**2), 0.0)
        finer = fit_ellipse(
            np.column_stack([x, y]),
            weight / max(float(weight.max()), 1e-12),
            start=(fit.centre, fit.shape),
            least_sd=0.05,
        )
        if finer is None:
            break
        fit = finer
    turn = 2 * math.pi
    # Texture goes on over several sectors: count every third one as independent.
    u = fit.sd * math.sqrt(3.0 * turn / _RIM_SECTORS)
    return Face(fit, plane_of_rim(fit, rim_mm), support, sigma, u)
