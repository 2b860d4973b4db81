"""The hole (or pit) on the face: found at a reduced size, followed at full resolution."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pitwise.measure.photo.ellipse import distance_from
from pitwise.measure.photo.face import Face, Frame
from pitwise.measure.photo.seek import (
    Gradient,
    closed_paths,
    gradient_of,
    peaks,
    radial_gradient,
    votes,
)

Array = NDArray[np.float64]
Grey = NDArray[np.float32]

# Radius of the rim in the reduced picture, px.
_SMALL_RIM = 200.0
_TURNS = 128
_CANDIDATES = 5
# A hole narrower than this share of the rim is taken for a speck, a wider one for another rim.
_NARROWEST, _WIDEST = 0.035, 0.75
# How far off the middle a hole may lie before it counts less, as a share of the rim's radius.
_NEAR_MIDDLE = 0.3


@dataclass(frozen=True)
class Outline:
    """A closed curve on the face: centre and radius at equally spaced angles, face pixels.

    `contrast` is the step of light across it over the light outside; `covered` the share of the
    directions where it is plainly seen.
    """

    centre: Array
    radius: Array
    contrast: float
    covered: float


def seek_hole(frame: Frame, face: Face, within: Outline | None = None) -> list[Outline]:
    """Return outlines that may be the hole's edge, the likeliest first.

    A hole is darker than the face about it all around; of such places the one counts most that
    has the largest step of light over the longest edge, near the middle. A pit is sought only
    `within` the emitter where that is seen.
    """
    small, white, scale, origin = _small_face(frame, face)
    h, w = small.shape
    if within is not None:
        white = white | ~_inside_of(within, face, scale, origin, (h, w))
    g = _without_glare(gradient_of(small, 1.0), white)
    yy, xx = np.mgrid[0:h, 0:w]
    points = np.column_stack([xx.ravel(), yy.ravel()]) * scale + origin
    inside = (
        distance_from(face.rim.centre, face.rim.shape, points) < -0.06 * face.rim.axes[1]
    ).reshape(h, w)
    centre = (face.rim.centre - origin) / scale
    least, most = _NARROWEST * _SMALL_RIM, _WIDEST * _SMALL_RIM
    if within is not None:
        most = min(most, 1.1 * float(within.radius.max()) / scale)
    field, cell = votes(g, 3.0, most, inward_dark=True, within=inside)
    starts = [(float(centre[0]), float(centre[1])), *peaks(field, cell, _CANDIDATES, 12.0)]
    bright = float(np.percentile(small[inside], 60)) if inside.any() else 1.0
    found: list[tuple[float, Outline]] = []
    near = [at for at in starts if math.dist(at, centre) <= 0.7 * _SMALL_RIM]
    for traced in _trace(g, small, near, least * 0.7, most, bright):
        cx, cy, radius, contrast, covered = traced
        r = float(radius.mean())
        if not least <= r <= most:
            continue
        off = math.hypot(cx - centre[0], cy - centre[1]) / _SMALL_RIM
        score = contrast * covered**2 * math.sqrt(r / _SMALL_RIM) / (1 + (off / _NEAR_MIDDLE) ** 2)
        found.append((score, _on_face(face, cx, cy, radius, scale, origin, contrast, covered)))
    found.sort(key=lambda pair: -pair[0])
    return [outline for _, outline in found]


def _small_face(frame: Frame, face: Face) -> tuple[Grey, NDArray[np.bool_], float, Array]:
    """Return the face's part of the photo in linear light, where it is clipped, its scale."""
    a = face.rim.axes[0]
    x, y = face.rim.centre
    h, w = frame.grey.shape
    x0, x1 = max(int(x - a) - 4, 0), min(int(x + a) + 5, w)
    y0, y1 = max(int(y - a) - 4, 0), min(int(y + a) + 5, h)
    scale = max(a / _SMALL_RIM, 1.0)
    # Halved first, which is cheap; the rest in one step.
    times = max(int(math.log2(scale / 1.4)), 0)
    k = 1 << times
    x0, y0 = x0 // k * k, y0 // k * k
    part = frame.halved(times)[0][y0 // k : y1 // k, x0 // k : x1 // k]
    shrink = scale / k
    size = (max(round(part.shape[1] / shrink), 8), max(round(part.shape[0] / shrink), 8))
    small = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    light = frame.tone.to_linear(np.clip(small, 0, 1))
    own = part.shape[1] * k / size[0]
    white = cv2.resize(
        frame.white[y0:y1:k, x0:x1:k].astype(np.uint8) * 255, size, interpolation=cv2.INTER_AREA
    )
    glare = cv2.dilate(white, np.ones((7, 7), np.uint8)) > 40
    return np.asarray(light, np.float32), glare, own, np.array([x0, y0]) + 0.5 * own - 0.5


def _inside_of(
    within: Outline, face: Face, scale: float, origin: Array, shape: tuple[int, int]
) -> NDArray[np.bool_]:
    """Return the reduced picture's places clear inside of an outline."""
    angle = np.arange(within.radius.size) * (2 * math.pi / within.radius.size)
    r = within.radius - 2 * scale - 2
    px, py = face.plane.to_px(
        within.centre[0] + r * np.cos(angle), within.centre[1] + r * np.sin(angle)
    )
    ring = (np.column_stack([px, py]) - origin) / scale
    area = np.zeros(shape, np.uint8)
    cv2.fillPoly(area, [np.rint(ring).astype(np.int32)], (1,))
    return np.asarray(area > 0)


def _without_glare(g: Gradient, white: NDArray[np.bool_]) -> Gradient:
    keep = (~white).astype(np.float32)
    return Gradient(g.grey, g.gx * keep, g.gy * keep, g.size * keep, g.floor)


def _trace(
    g: Gradient,
    small: Grey,
    starts: list[tuple[float, float]],
    least: float,
    most: float,
    bright: float,
) -> list[tuple[float, float, Array, float, float]]:
    """Follow the strongest rise of light around each start: centre, radii, contrast, cover."""
    radii = np.arange(max(least, 2.0), most, 1.0)
    angle = np.arange(_TURNS, dtype=np.float64) * (2 * math.pi / _TURNS)
    cos, sin = np.cos(angle), np.sin(angle)
    curves: list[tuple[float, float, Array, Array, float]]
    curves = [(float(x), float(y), cos, sin, 0.0) for x, y in starts]
    for _ in range(2):
        live, rises, tops = [], [], []
        for x, y, *_rest in curves:
            rise = np.clip(np.nan_to_num(radial_gradient(g, x, y, radii, _TURNS)), 0, None)
            top = float(np.median(rise.max(1)))
            if top > 0:
                live.append((x, y))
                rises.append(rise.astype(np.float64))
                tops.append(top)
        if not live:
            return []
        rise = np.stack(rises)
        gain = rise / (rise + 0.35 * np.array(tops)[:, None, None])
        paths, _ = closed_paths(gain, 0.035)
        curves = []
        for (x, y), path, own, top in zip(live, paths, rise, tops, strict=True):
            px, py = x + radii[path] * cos, y + radii[path] * sin
            nx, ny = np.roll(px, -1), np.roll(py, -1)
            cross = px * ny - nx * py
            area = 0.5 * float(np.sum(cross))
            if abs(area) < 1:
                continue
            cx = float(np.sum((px + nx) * cross) / (6 * area))
            cy = float(np.sum((py + ny) * cross) / (6 * area))
            covered = float(np.mean(own[np.arange(_TURNS), path] > 0.3 * top))
            curves.append((cx, cy, px, py, covered))
    out = []
    for x, y, px, py, covered in curves:
        contrast = _step_across(small, px, py, x, y) / max(bright, 1e-6)
        # About the area's centre the curve's radii are told anew.
        turn = np.arctan2(py - y, px - x) % (2 * math.pi)
        order = np.argsort(turn)
        radius = np.interp(angle, turn[order], np.hypot(px - x, py - y)[order], period=2 * math.pi)
        out.append((x, y, radius, contrast, covered))
    return out


def _step_across(small: Grey, px: Array, py: Array, x: float, y: float) -> float:
    """Return the median step of light across a curve, from 3 px inside to 3 px outside."""
    r = np.hypot(px - x, py - y)
    ux, uy = (px - x) / np.maximum(r, 1e-9), (py - y) / np.maximum(r, 1e-9)
    reach = np.minimum(3.0, 0.5 * r)

    def at(sign: float) -> Grey:
        return np.asarray(
            cv2.remap(
                small,
                (px + sign * reach * ux).astype(np.float32)[None],
                (py + sign * reach * uy).astype(np.float32)[None],
                cv2.INTER_LINEAR,
                borderMode=cv2.BORDER_REPLICATE,
            )[0],
            np.float32,
        )

    return float(np.median(at(1.0) - at(-1.0)))


def _on_face(
    face: Face,
    x: float,
    y: float,
    radius: Array,
    scale: float,
    origin: Array,
    contrast: float,
    covered: float,
) -> Outline:
    angle = np.arange(radius.size) * (2 * math.pi / radius.size)
    px = (x + radius * np.cos(angle)) * scale + origin[0]
    py = (y + radius * np.sin(angle)) * scale + origin[1]
    fx, fy = face.plane.to_face(px, py)
    cx, cy = face.plane.to_face(
        np.array([x * scale + origin[0]]), np.array([y * scale + origin[1]])
    )
    centre = np.array([float(cx[0]), float(cy[0])])
    return about(centre, fx, fy, radius.size, contrast, covered)


def about(
    centre: Array, fx: Array, fy: Array, count: int, contrast: float, covered: float
) -> Outline:
    """Return a curve given by points as radii about a centre at equally spaced angles."""
    turn = np.arctan2(fy - centre[1], fx - centre[0]) % (2 * math.pi)
    order = np.argsort(turn)
    r = np.hypot(fx - centre[0], fy - centre[1])
    grid = np.arange(count) * (2 * math.pi / count)
    return Outline(
        centre, np.interp(grid, turn[order], r[order], period=2 * math.pi), contrast, covered
    )
