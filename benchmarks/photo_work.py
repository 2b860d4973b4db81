"""Measure seeded scenes, and note how far from the truth the answers are."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.photo_peers import canny_px, hough_px
from benchmarks.photo_scenes import SEED, TURN_SLIP_DEG, TURNS, draw
from pitwise.measure.photo.combine import four_turns
from pitwise.measure.photo.light import ToneCurve, gamma
from pitwise.measure.photo.measure import measure_photo
from pitwise.measure.photo.result import HoleMeasured, PhotoRefused
from pitwise.measure.specimen import Scene, Truth, develop, exposure, noise_sd, render

_NICK_APART_DEG = 6.0
_LOST = 0.05
"""Off by more than this share of the diameter, another edge was taken for the hole's."""


@dataclass(frozen=True)
class Row:
    """One measurement of one picture; errors are ours less the truth."""

    group: str
    number: int
    tone: str
    scale: float
    tilt_deg: float
    circle: bool
    refused: str | None
    seconds: float
    error_px: float = math.nan
    u_px: float = math.nan
    roundness_px: float = math.nan
    aside_um: float = math.nan
    aside_u_um: float = math.nan
    nicks: int = 0
    found: int = 0
    false: int = 0
    depth_px: float = math.nan
    diameter_px: float = math.nan

    @property
    def located(self) -> bool:
        return self.refused is None and abs(self.error_px) < _LOST * self.diameter_px


@dataclass(frozen=True)
class Peers:
    """What the peers make of a picture: errors of the diameter in px, None where none is found."""

    number: int
    tilt_deg: float
    circle: bool
    hough_px: float | None
    canny_px: float | None
    canny_told_tilt_px: float | None


@dataclass(frozen=True)
class Repeats:
    """Scatter of the diameter over noise alone, against the Cramér–Rao bound, in px."""

    number: int
    sd_px: float
    bound_px: float
    taken: int
    asked: int


def judge(
    scene: Scene, truth: Truth, image: NDArray[np.uint8], where: tuple[str, int], known: bool
) -> tuple[Row, HoleMeasured | PhotoRefused]:
    """Measure one picture, its tone curve told or not."""
    tone: ToneCurve | None = gamma(scene.gamma) if known else None
    begun = time.perf_counter()
    result = measure_photo(
        image,
        rim_mm=scene.rim_mm,
        feature="pit" if scene.feature == "pit" else "orifice",
        tone=tone,
        card=False,
    )
    row = Row(
        group=where[0],
        number=where[1],
        tone="known" if known else "unknown",
        scale=scene.px_per_mm,
        tilt_deg=scene.tilt_deg,
        circle=not scene.lobes or all(a == 0 for _, a, _ in scene.lobes),
        refused=result.reason if isinstance(result, PhotoRefused) else None,
        seconds=time.perf_counter() - begun,
        nicks=len(truth.nicks),
        diameter_px=truth.smooth_diameter_mm * scene.px_per_mm,
    )
    if isinstance(result, PhotoRefused):
        return row, result
    scale = scene.px_per_mm
    angle = math.radians(truth.off_centre_angle_deg)
    aside = np.array([truth.off_centre_mm * math.cos(angle), truth.off_centre_mm * math.sin(angle)])
    found, false, depth = 0, len(result.nicks), math.nan
    for at, true_depth, _ in truth.nicks:
        near = [n for n in result.nicks if _apart(n.angle_deg, at) < _NICK_APART_DEG]
        if near:
            found += 1
            false -= len(near)
            depth = (max(n.depth_mm for n in near) - true_depth) * scale
    return (
        replace(
            row,
            error_px=(result.diameter.value - truth.smooth_diameter_mm) * scale,
            u_px=result.diameter.u * scale,
            roundness_px=math.nan
            if result.shape_unknown
            else (result.roundness_mm - truth.roundness_at(result.filter_upr)) * scale,
            aside_um=1000 * float(np.hypot(*(np.array(result.off_centre_xy_mm) - aside))),
            aside_u_um=1000 * result.off_centre.u,
            found=found,
            false=false,
            depth_px=depth,
        ),
        result,
    )


def _apart(a: float, b: float) -> float:
    return abs((a - b + 180) % 360 - 180)


def work(job: tuple[str, int, int]) -> list[Row | Peers | Repeats]:
    """Do one job: (group, number, family)."""
    cv2.setNumThreads(1)
    group, number, family = job
    scene = draw(group, number, family)
    if group == "turned":
        return _turned(scene, number)
    if group == "repeat":
        return [_repeats(scene, number)]
    image, truth = render(scene, number)
    rows: list[Row | Peers | Repeats] = [judge(scene, truth, image, (group, number), True)[0]]
    if group in ("hole", "pit"):
        rows.append(judge(scene, truth, image, (group, number), False)[0])
    if group == "hole":
        true = truth.smooth_diameter_mm * scene.px_per_mm
        hough, canny = hough_px(image, truth), canny_px(image, truth)
        rows.append(
            Peers(
                number,
                scene.tilt_deg,
                all(a == 0 for _, a, _ in scene.lobes),
                None if hough is None else hough - true,
                None if canny is None else canny[0] - true,
                None if canny is None else canny[1] - true,
            )
        )
    return rows


def _turned(scene: Scene, number: int) -> list[Row | Peers | Repeats]:
    """Four photos, the part turned by a quarter between them; unknown tone, as in a shop."""
    rows: list[Row | Peers | Repeats] = []
    results = []
    truth = None
    slips = np.random.default_rng([SEED, 99, number]).normal(0, TURN_SLIP_DEG, len(TURNS))
    for k, (turn, slip) in enumerate(zip(TURNS, slips, strict=True)):
        turned = replace(scene, turn_deg=turn + float(slip))
        image, true = render(turned, number, noise_seed=1000 * number + k)
        truth = truth or true
        row, result = judge(turned, true, image, ("turned", number), False)
        rows.append(row)
        if isinstance(result, HoleMeasured):
            results.append(result)
    if truth is None or len(results) < len(TURNS):
        return rows
    both = four_turns(results)
    if isinstance(both, PhotoRefused):
        return [*rows, replace(row, group="four", refused=both.reason)]
    error = 1000 * abs(both.off_centre.value - truth.off_centre_mm)
    return [
        *rows,
        replace(row, group="four", aside_um=error, aside_u_um=1000 * both.off_centre.u),
    ]


def _repeats(scene: Scene, number: int, count: int = 25) -> Repeats:
    """Photograph one specimen again and again, only the noise another."""
    light, _ = exposure(scene, number)
    values = []
    for k in range(count):
        image = develop(light, scene, 10_000 * (number + 1) + k)[..., 1]
        result = measure_photo(
            np.ascontiguousarray(image), rim_mm=scene.rim_mm, tone=gamma(scene.gamma), card=False
        )
        if isinstance(result, HoleMeasured):
            values.append(result.diameter.value * scene.px_per_mm)
    sd = float(np.std(values, ddof=1)) if len(values) > 2 else math.nan
    return Repeats(number, sd, bound_px(scene, number), len(values), count)


def bound_px(scene: Scene, seed: int) -> float:
    """Return the Cramér–Rao bound of the hole's diameter in px, from one green channel.

    All but the size itself (centre, tilt, blur, levels) counts as known, which makes the bound
    lower than any that can be reached. The diameter in mm is the hole's over the rim's, so the
    rim's own bound comes in.
    """
    # The texture's lathe marks hang on the rim's size; the scenes of `repeat` have none.
    hole = size_bound_px(scene, seed, lambda by: replace(scene, hole_mm=scene.hole_mm + by))
    rim = size_bound_px(scene, seed, lambda by: replace(scene, rim_mm=scene.rim_mm + by))
    return math.hypot(hole, rim * scene.hole_mm / scene.rim_mm)


def size_bound_px(scene: Scene, seed: int, grown: Callable[[float], Scene]) -> float:
    """Return the Cramér–Rao bound of one size s in px.

    The Fisher information is the sum over pixels of (dI/ds)^2 / var(I), with the variance of
    shot, read and rounding noise.
    """
    step = 0.05 / scene.px_per_mm
    more, _ = exposure(grown(step), seed)
    less, _ = exposure(grown(-step), seed)
    light = np.clip(0.5 * (more[..., 1] + less[..., 1]), 1e-6, 1.0).astype(np.float64)
    slope = (more[..., 1].astype(np.float64) - less[..., 1]) / (2 * step * scene.px_per_mm)
    # One level of 8 bits in linear light, at each pixel's tone.
    level = scene.gamma * light ** (1 - 1 / scene.gamma) / 255
    variance = noise_sd(light.astype(np.float32), scene) ** 2 + level**2 / 12
    information = float(np.sum(slope**2 / variance))
    return 1 / math.sqrt(information) if information > 0 else math.inf
