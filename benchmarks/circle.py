"""Minimum zone and circumscribed circle against named peers, in the same run.

Made-up profiles: lobes of 2 and 3, noise, the points uneven round the circle.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog

from benchmarks.result import Result, Spread
from pitwise.measure.circle import least_squares, minimum_circumscribed, minimum_zone

Floats = npt.NDArray[np.float64]

ZONE_POINTS, AROUND_POINTS = 1_000, 100_000
ROUNDS = 12
# The best of so many, on both sides.
TRIES = 3
_PROGRAMMES = 50


def profile(start: int, n: int) -> Floats:
    """Return points of a made-up hole, about 5 across its radius."""
    rng = np.random.default_rng(start)
    t = rng.uniform(0, 2 * np.pi, n)
    two, three, turn = rng.uniform(0, 0.05, 3)
    r = 5 + two * np.cos(2 * t) + three * np.cos(3 * (t - turn)) + rng.normal(0, 0.005, n)
    return np.column_stack([r * np.cos(t) + 30, r * np.sin(t) - 20])


def programmes(p: Floats) -> float:
    """Return the width of the ring that successive linear programmes stop at."""
    fit = least_squares(p)
    c = np.array([fit.x, fit.y])
    width = np.inf
    for _ in range(_PROGRAMMES):
        away = p - c
        d = np.hypot(*away.T)
        here = float(np.ptp(d))
        if not here < width * (1 - 1e-13):
            break
        width = here
        u = away / d[:, None]
        # d - u·m between the two radii, their difference least.
        one, none = np.ones((len(p), 1)), np.zeros((len(p), 1))
        rows = np.vstack([np.hstack([-u, none, -one]), np.hstack([u, one, none])])
        done = linprog(
            [0, 0, -1, 1],
            A_ub=rows,
            b_ub=np.concatenate([-d, d]),
            bounds=[(None, None)] * 4,
            method="highs",
        )
        c = c + done.x[:2]
    return min(width, float(np.ptp(np.hypot(*(p - c).T))))


def _best_of(work: Callable[[], Any]) -> tuple[float, Any]:
    best, out = np.inf, None
    for _ in range(TRIES):
        start = time.perf_counter()
        out = work()
        best = min(best, time.perf_counter() - start)
    return best, out


def zone(folder: Path) -> Result:  # noqa: ARG001
    """The minimum zone, global here and local there."""
    ratios, mine, theirs, gains = [], [], [], []
    for start in range(ROUNDS):
        p = profile(start, ZONE_POINTS)
        seconds, ring = _best_of(partial(minimum_zone, p))
        other, width = _best_of(partial(programmes, p))
        if ring.width > width * (1 + 1e-9):
            raise RuntimeError(f"a narrower ring was found: {width} < {ring.width}")
        mine.append(seconds)
        theirs.append(other)
        gains.append(width / ring.width - 1)
        ratios.append(other / seconds)
    return Result(
        "circle_zone",
        f"minimum zone of {ZONE_POINTS:,} points, global: {Spread.of(mine).median * 1000:.1f} ms",
        "successive linear programmes (scipy linprog, HiGHS), local: "
        f"{Spread.of(theirs).median * 1000:.1f} ms (slower × below)",
        Spread.of(ratios),
        figures={"peer's ring wider by": f"{max(gains):.1e} at most"},
        raw={"seconds": Spread.of(mine).median, "peer_seconds": Spread.of(theirs).median},
    )


def around(folder: Path) -> Result:  # noqa: ARG001
    """The circumscribed circle, double precision here and single there."""
    ratios, mine, theirs, apart = [], [], [], 0.0
    cv2.setNumThreads(1)
    for start in range(ROUNDS):
        p = profile(start, AROUND_POINTS)
        single = p.astype(np.float32)
        seconds, circle = _best_of(partial(minimum_circumscribed, p))
        other, (_, r) = _best_of(partial(cv2.minEnclosingCircle, single))
        apart = max(apart, abs(r - circle.r) / circle.r)
        mine.append(seconds)
        theirs.append(other)
        ratios.append(other / seconds)
    if apart > 1e-4:
        raise RuntimeError(f"the two differ by {apart:g}: they do not answer the same question")
    return Result(
        "circle_around",
        f"least circle about {AROUND_POINTS:,} points: {Spread.of(mine).median * 1000:.1f} ms",
        "OpenCV minEnclosingCircle, single precision: "
        f"{Spread.of(theirs).median * 1000:.1f} ms (slower × below)",
        Spread.of(ratios),
        figures={"radii differ by": f"{apart:.1e} of them at most (OpenCV adds 1e-4)"},
        raw={"seconds": Spread.of(mine).median, "peer_seconds": Spread.of(theirs).median},
    )
