"""What is left on the shelf day by day, and how long it lasts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.shelf.paths import DemandPaths, Ints
from pitwise.wear.prior import Floats

LEVELS = (0.05, 0.5, 0.95)


@dataclass(frozen=True)
class Band:
    """5 %, 50 % and 95 % points; inf: not within the days looked ahead."""

    p05: float
    median: float
    p95: float


def days_left(
    demand: DemandPaths, on_shelf: int, on_order: Sequence[tuple[int, float]] = ()
) -> Band:
    """Return the days until the first piece is missing, with what is on order."""
    return band(first_day(shelf_ahead(demand, max(0, on_shelf), on_order) < 0))


def band(values: Floats | Ints) -> Band:
    """Return 5 %, 50 % and 95 % points, each a value that was seen."""
    low, middle, high = np.quantile(values, LEVELS, method="inverted_cdf")
    return Band(float(low), float(middle), float(high))


def bands(values: Ints) -> list[Band]:
    """Return the same of every column; `values` of shape (paths, columns)."""
    found = np.quantile(values, LEVELS, axis=0, method="inverted_cdf")
    return [Band(*(float(x) for x in column)) for column in found.T]


def shelf_ahead(demand: DemandPaths, free: int, on_order: Sequence[tuple[int, float]]) -> Ints:
    """Return what is on the shelf at each day's end, short counted below zero; (paths, days)."""
    come = np.zeros(demand.days, np.int64)
    for pieces, day in on_order:
        at = max(1, math.ceil(day))
        if at < demand.days:
            come[at] += pieces
    return np.asarray(free + np.cumsum(come) - demand.running(), np.int64)


def first_day(which: npt.NDArray[np.bool_]) -> Floats:
    """Return the first day on which something is so, inf for never; shape (paths,)."""
    found = which.argmax(axis=1).astype(float)
    return np.where(which[np.arange(len(which)), found.astype(int)], found, math.inf)


def gone_within(demand: DemandPaths, waits: Floats, random: np.random.Generator) -> Ints:
    """Return the pieces that go while each path's order takes its time, shape (paths,)."""
    running = np.hstack([np.zeros((demand.paths, 1), np.int64), demand.running()])
    whole = np.minimum(np.floor(waits + random.random(demand.paths)), demand.days).astype(int)
    return np.asarray(running[np.arange(demand.paths), whole], np.int64)
