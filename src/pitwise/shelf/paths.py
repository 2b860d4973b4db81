"""Pieces of an item that go on each day, path by path, and what is made of such paths."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.wear.prior import Floats

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class DemandPaths:
    """Pieces of one item that go on each day, path by path.

    Attributes
    ----------
    pieces : int array, shape (paths, days)
    """

    pieces: Ints

    @property
    def days(self) -> int:
        """Days looked ahead."""
        return int(self.pieces.shape[1])

    @property
    def paths(self) -> int:
        """How many paths."""
        return int(self.pieces.shape[0])

    def total(self, from_day: int, to_day: int) -> Ints:
        """Return the pieces that go from one day up to, not with, another; shape (paths,)."""
        return np.asarray(self.pieces[:, max(0, from_day) : to_day].sum(axis=1), np.int64)

    def running(self) -> Ints:
        """Return the pieces gone by the end of each day, shape (paths, days)."""
        return np.asarray(np.cumsum(self.pieces, axis=1), np.int64)

    def probabilities(self, days: int) -> Floats:
        """Return P(0), P(1), ... of the pieces that go within so many days."""
        total = self.total(0, days)
        return np.bincount(total) / len(total)

    def quantiles(
        self, days: int, levels: Sequence[float] = (0.05, 0.5, 0.95)
    ) -> tuple[float, ...]:
        """Return quantiles of the pieces that go within so many days (observed values)."""
        found = np.quantile(self.total(0, days), levels, method="inverted_cdf")
        return tuple(float(x) for x in np.atleast_1d(found))

    def __add__(self, other: DemandPaths) -> DemandPaths:
        """Add another's pieces, path by path."""
        return DemandPaths(self.pieces + other.pieces)

    @classmethod
    def none(cls, paths: int, days: int) -> DemandPaths:
        """Return paths on which nothing goes."""
        return cls(np.zeros((paths, days), np.int64))


def takings(
    events: int, days_seen: float, sizes: Sequence[int], *, days: int, paths: int, seed: int
) -> DemandPaths:
    """Return paths of pieces taken by hand: as often and as many at a time as before.

    Parameters
    ----------
    events : int
        Takings seen, of the `sizes`.
    days_seen : float
        Over so many days, > 0. The rate's belief is Jeffreys', gamma(events + 1/2, days).
    sizes : sequence of int
    days, paths, seed : int
    """
    random = np.random.default_rng([seed, 11])
    rate = random.gamma(events + 0.5, 1 / days_seen, paths)
    times = random.poisson(np.broadcast_to(rate[:, None], (paths, days)))
    pieces = np.zeros((paths, days), np.int64)
    often = np.asarray(sizes or (1,), np.int64)
    for n in range(1, int(times.max(initial=0)) + 1):
        more = times >= n
        pieces[more] += random.choice(often, int(more.sum()))
    return DemandPaths(pieces)


def lead_times(days: float, days_sd: float, count: int, random: np.random.Generator) -> Floats:
    """Draw lead times: gamma of a mean and an SD, days."""
    if days <= 0:
        return np.zeros(count)
    if days_sd <= 0:
        return np.full(count, float(days))
    share = days_sd / days
    return np.asarray(random.gamma(1 / share**2, days * share**2, count), float)


def kits_needed(
    needs: Mapping[int, DemandPaths], loose: Mapping[int, int], holds: Mapping[int, int]
) -> DemandPaths:
    """Return the kits opened, day by day, when loose pieces go first.

    Parameters
    ----------
    needs : mapping of item to DemandPaths
    loose : mapping of item to int
        Pieces lying loose.
    holds : mapping of item to int
        Pieces in one kit.
    """
    opened: Ints | None = None
    for item, pieces in holds.items():
        if item not in needs:
            continue
        short = np.maximum(needs[item].running() - max(0, loose.get(item, 0)), 0)
        kits = -(-short // pieces)
        opened = kits if opened is None else np.maximum(opened, kits)
    if opened is None:
        raise ValueError("no piece of the kit has a forecast")
    return DemandPaths(np.diff(opened, axis=1, prepend=0))
