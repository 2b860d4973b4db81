"""Ends of parts without a pit, day by day: renewed by their own lives.

Weibull where enough ended, else Poisson per start with a gamma belief about the rate (the
conjugate pair; any textbook, from memory).
"""

from __future__ import annotations

import numpy as np

from pitwise.shelf.paths import Ints
from pitwise.shelf.torch_load import Counted, LifeBelief
from pitwise.wear.prior import Floats

# A life shorter than this share of the horizon's starts can't be told from it.
_MOST_LIVES = 2000
_AT_ONCE = 50_000


def counted_ends(
    counted: Counted, starts: Floats, shared: np.random.Generator, random: np.random.Generator
) -> Ints:
    """Count Poisson ends on each day, the rate drawn once for every path.

    As many in all as a Poisson gives, each on a day by the starts made: the same law, and few
    numbers are drawn where little goes.
    """
    days, paths = starts.shape
    rate = shared.gamma(counted.ends, 1 / counted.starts, paths)
    total = np.cumsum(starts, axis=0)
    row = np.repeat(np.arange(paths), random.poisson(rate * total[-1]))
    at = random.random(len(row)) * total[-1, row]
    pieces = np.zeros((paths, days), np.int64)
    for some in np.array_split(np.arange(len(row)), len(row) // _AT_ONCE + 1):
        day = (total[:, row[some]] <= at[some]).sum(axis=0)
        np.add.at(pieces, (row[some], np.minimum(day, days - 1)), 1)
    return pieces


def renewals(
    life: LifeBelief,
    behind: float,
    starts: Floats,
    shared: np.random.Generator,
    random: np.random.Generator,
) -> Ints:
    """Count renewals on each day, from a part with so many starts behind it."""
    days, paths = starts.shape
    total = np.cumsum(starts, axis=0)
    scatter = _root(life.covariance) @ shared.standard_normal((2, paths))
    scale = life.scale * np.exp(np.clip(scatter[0], -3.0, 3.0))
    shape = np.clip(life.shape * np.exp(np.clip(scatter[1], -3.0, 3.0)), 0.05, 50.0)
    pieces = np.zeros((paths, days), np.int64)
    rows = np.arange(paths)
    done = (behind / scale) ** shape
    at = scale * (done + random.standard_exponential(paths)) ** (1 / shape) - behind
    least = max(float(total[-1].max(initial=0.0)), 1.0) / _MOST_LIVES
    while True:
        # On the day whose work reaches it; a part that ends past the last day is not changed.
        day = (total < at).sum(axis=0)
        ended = day < days
        if not ended.any():
            return pieces
        np.add.at(pieces, (rows[ended], day[ended]), 1)
        at = at + np.maximum(scale * random.standard_exponential(paths) ** (1 / shape), least)


def _root(covariance: Floats) -> Floats:
    """Return a matrix whose square is the covariance, rounding below nothing taken as none."""
    values, axes = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray(axes * np.sqrt(np.maximum(values, 0.0)), float)
