"""A hole's edge as a closed analytic curve, and its circles by means of its own.

Nothing here leans on the room that measures, so that one can be held against the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from pitwise.measure.specimen.scene import Lobe, Nick, Scene

Floats = NDArray[np.float64]

_TABLE = 16384
_GRID = 11
_ZOOMS = 8


@dataclass(frozen=True)
class Curve:
    """r(angle) = radius + lobes + nicks about a centre, in mm; angles in radians."""

    radius_mm: float
    centre_mm: tuple[float, float]
    lobes: tuple[Lobe, ...] = ()
    nicks: tuple[Nick, ...] = ()

    @classmethod
    def of(cls, scene: Scene) -> Curve:
        """Return the edge of a scene's hole, in the part's frame."""
        return cls(scene.hole_mm / 2, scene.off_centre_mm, scene.lobes, scene.nicks)

    def r(self, angle: Floats) -> Floats:
        """Return the radius in mm at angles."""
        r = np.full_like(angle, self.radius_mm)
        for upr, amplitude, phase in self.lobes:
            r += amplitude * np.cos(upr * (angle - math.radians(phase)))
        for at, depth, width in self.nicks:
            along = self.radius_mm * _wrapped(angle - math.radians(at))
            r += np.where(
                np.abs(along) < width, depth * np.cos(math.pi * along / (2 * width)) ** 2, 0.0
            )
        return r

    def smooth(self) -> Curve:
        """Return the curve without its nicks."""
        return replace(self, nicks=())

    def filtered(self, cutoff_upr: float) -> Curve:
        """Return the curve with its lobes behind a Gaussian filter; nicks keep their depth.

        A lobe of n undulations per turn passes as exp(-ln 2 (n / cutoff)^2): half of it at the
        cut-off (the Gaussian of ISO 16610-21 on a closed profile).
        """
        lobes = tuple(
            (n, amplitude * math.exp(-math.log(2.0) * (n / cutoff_upr) ** 2), phase)
            for n, amplitude, phase in self.lobes
        )
        return replace(self, lobes=lobes)

    def table(self) -> tuple[Floats, Floats]:
        """Return r and dr/dangle at equally spaced angles from 0."""
        angle = _even(_TABLE)
        r = self.r(angle)
        slope = (np.roll(r, -1) - np.roll(r, 1)) * (_TABLE / (4 * math.pi))
        return r, slope

    def points(self, count: int) -> Floats:
        """Return (count, 2) points in mm, equally spaced in angle about the centre."""
        angle = _even(count)
        r = self.r(angle)
        x, y = self.centre_mm
        return np.column_stack([x + r * np.cos(angle), y + r * np.sin(angle)])


def _even(count: int) -> Floats:
    return np.arange(count, dtype=np.float64) * (2 * math.pi / count)


def _wrapped(angle: Floats) -> Floats:
    return np.asarray((angle + math.pi) % (2 * math.pi) - math.pi)


def least_squares_circle(points: Floats) -> tuple[float, float, float]:
    """Return x, y, r of the circle of least squared radial deviations (Gauss-Newton)."""
    x, y = points.mean(axis=0)
    r = float(np.hypot(*(points - (x, y)).T).mean())
    for _ in range(50):
        dx, dy = (points - (x, y)).T
        rho = np.hypot(dx, dy)
        design = np.column_stack([dx / rho, dy / rho, np.ones_like(rho)])
        step = np.linalg.lstsq(design, rho - r, rcond=None)[0]
        x, y, r = x + step[0], y + step[1], r + step[2]
        if np.abs(step).max() < 1e-13 * r:
            break
    return float(x), float(y), float(r)


def minimum_zone_width(points: Floats) -> float:
    """Return the width of the narrowest ring that holds all points.

    Brute force, so that no local optimum is taken for the least: a grid of centres about the
    least-squares one, zoomed in on its best cells, and a linear programme to finish each.
    """
    x0, y0, r = least_squares_circle(points)
    rho = np.hypot(*(points - (x0, y0)).T)
    reach = float(np.ptp(rho))
    if reach < 1e-12 * r:
        return reach
    best = [(x0, y0)]
    for zoom in range(_ZOOMS):
        span = reach * 0.35**zoom
        steps = np.linspace(-span, span, _GRID)
        centres = np.concatenate(
            [np.stack(np.meshgrid(x + steps, y + steps), axis=-1).reshape(-1, 2) for x, y in best]
        )
        # The first looks are from afar: an eighth of the points tells the valleys.
        widths = _widths(points[:: 8 if zoom < 3 else 1], centres)
        order = np.argsort(widths)
        kept: list[tuple[float, float]] = []
        for index in order:
            x, y = (float(v) for v in centres[index])
            if all(math.hypot(x - a, y - b) > span / 4 for a, b in kept):
                kept.append((x, y))
            if len(kept) == 3:
                break
        best = kept
    finished = [_finish(points, x, y, span) for x, y in best]
    return min([float(_widths(points, np.array(best)).min()), *finished])


def _widths(points: Floats, centres: Floats) -> Floats:
    # Only the points that can be extreme for some centre on the grid are looked at.
    middle = centres.mean(axis=0)
    rho = np.hypot(*(points - middle).T)
    far = float(np.hypot(*(centres - middle).T).max())
    near = points[(rho >= rho.max() - 2 * far) | (rho <= rho.min() + 2 * far)]
    distance = np.hypot(
        near[None, :, 0] - centres[:, 0, None], near[None, :, 1] - centres[:, 1, None]
    )
    return np.asarray(np.ptp(distance, axis=1))


def _finish(points: Floats, x: float, y: float, span: float) -> float:
    """Polish a centre by linear programmes: least outer - inner of the linearised distances."""
    width = float(_widths(points, np.array([[x, y]]))[0])
    for _ in range(6):
        dx, dy = (points - (x, y)).T
        rho = np.hypot(dx, dy)
        # Within a step of `span` no other point can come to touch.
        chosen = (rho > rho.max() - 3 * span) | (rho < rho.min() + 3 * span)
        ux, uy, d = dx[chosen] / rho[chosen], dy[chosen] / rho[chosen], rho[chosen]
        one, nought = np.ones_like(d), np.zeros_like(d)
        # d - ux a - uy b <= outer; d - ux a - uy b >= inner
        rows = np.vstack(
            [np.column_stack([-ux, -uy, -one, nought]), np.column_stack([ux, uy, nought, one])]
        )
        limits = np.concatenate([-d, d])
        bounds = [(-span, span), (-span, span), (None, None), (None, None)]
        solved = linprog([0.0, 0.0, 1.0, -1.0], rows, limits, bounds=bounds, method="highs")
        if solved.status != 0:
            break
        moved = (x + float(solved.x[0]), y + float(solved.x[1]))
        trial = float(_widths(points, np.array([moved]))[0])
        if trial >= width * (1 - 1e-12):
            break
        (x, y), width = moved, trial
    return width
