"""An exact pinhole camera before a tilted face."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pitwise.measure.specimen.scene import Scene

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """The projection of a scene: part's millimetres to pixels.

    The centre of the first pixel is (0, 0), x right and y down. The part's frame has x right
    and y up at no turn; depth goes into the part, along the bore.
    """

    scene: Scene

    def homography(self, depth_mm: float = 0.0) -> Floats:
        """Return the (3, 3) matrix from (x, y, 1) in mm, at a depth, to homogeneous pixels."""
        s = self.scene
        tilt, towards = math.radians(s.tilt_deg), math.radians(s.tilt_towards_deg)
        far = np.array([math.cos(towards), math.sin(towards), 0.0])
        across = np.array([-math.sin(towards), math.cos(towards), 0.0])
        away = np.array([0.0, 0.0, 1.0])
        leant = math.cos(tilt) * far + math.sin(tilt) * away
        inwards = -math.sin(tilt) * far + math.cos(tilt) * away

        def axis(angle_deg: float) -> Floats:
            a = math.radians(angle_deg) - towards
            return np.asarray(math.cos(a) * leant + math.sin(a) * across)

        place = np.array([s.aim_px[0] / s.px_per_mm, -s.aim_px[1] / s.px_per_mm, 0.0])
        columns = np.column_stack(
            [axis(s.turn_deg), axis(s.turn_deg + 90.0), place + depth_mm * inwards]
        )
        if math.isinf(s.distance_mm):
            columns[2] = (0.0, 0.0, 1.0)
            scale = s.px_per_mm
        else:
            columns[2, 2] += s.distance_mm
            scale = s.px_per_mm * s.distance_mm
        lens = np.array(
            [
                [scale, 0.0, (s.width - 1) / 2],
                [0.0, -scale, (s.height - 1) / 2],
                [0.0, 0.0, 1.0],
            ]
        )
        return np.asarray(lens @ columns)

    def project(self, points_mm: Floats, depth_mm: float = 0.0) -> Floats:
        """Return the pixels (n, 2) of points (n, 2) in the part's frame."""
        h = self.homography(depth_mm)
        seen = points_mm @ h[:, :2].T + h[:, 2]
        return np.asarray(seen[:, :2] / seen[:, 2:])
