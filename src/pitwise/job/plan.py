"""The cheapest plan of changes over plates ahead, and the pieces a too long plate is parted in.

A plan is a list of changes. Each stretch between changes is cut by one set: the present one
first, then new ones. Over all plans the cheapest is found exactly by dynamic programming
over the places where a set may have been fitted (R. Bellman, Dynamic Programming, 1957).

Cost of a stretch of plates:

- its chance of a loss in the cut times what a loss costs (torch, plate, stop, set);
- where a change ends it, the stop and the value thrown away: the set's price times the mean
  share of the limit it had not used, E[(1 - X/L)+].

No plan lets a set's chance of passing the limit grow over the accepted risk. A plate that a
new set alone can't finish within that risk is parted at a pierce; no other is.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.job.model import Cut
from pitwise.wear.forecast import Components, chances, unused_share

_BLOCK = 24


@dataclass(frozen=True)
class Plate:
    """A plate to be cut: what it asks of the torch.

    Attributes
    ----------
    name : str
    starts, arc_minutes : float
    cuts : tuple of Cut
        In order, where known; a plate too long for a set is parted between them.
    """

    name: str
    starts: float
    arc_minutes: float
    cuts: tuple[Cut, ...] = ()


@dataclass(frozen=True)
class Costs:
    """What a change and a loss cost, in the shop's own money.

    The values here are made up, to have something to reckon with until a shop sets its own.

    Attributes
    ----------
    set_value : float
        Price of the parts changed together.
    stop_minutes, stop_cost_per_hour : float
        A change's stop, and what the station's standing costs.
    lost_torch_cost, scrapped_plate_cost : float
        What a loss in the cut destroys, set apart.
    """

    set_value: float = 80.0
    stop_minutes: float = 10.0
    stop_cost_per_hour: float = 120.0
    lost_torch_cost: float = 1500.0
    scrapped_plate_cost: float = 400.0

    def __post_init__(self) -> None:
        """Refuse costs that can't be."""
        for name, value in vars(self).items():
            if not (math.isfinite(value) and 0 <= value <= 1e9):
                raise ValueError(f"{name} must be a number of 0 or more")

    @property
    def stop(self) -> float:
        """Cost of one stop."""
        return self.stop_minutes / 60 * self.stop_cost_per_hour

    @property
    def loss(self) -> float:
        """Cost of one loss in the cut."""
        return self.lost_torch_cost + self.scrapped_plate_cost + self.stop + self.set_value


@dataclass(frozen=True)
class Unit:
    """A plate, or a piece of one that no set finishes whole."""

    plate: int
    first_cut: int
    starts: float
    minutes: float
    line: int | None


def pieces_of(
    plate: Plate, fresh: Components, limit_mm: float, risk: float
) -> tuple[list[Unit], bool]:
    """Part a plate at pierces where a new set can't finish it; tell whether it still can't."""
    whole = Unit(0, 0, plate.starts, plate.arc_minutes, None)
    if chances(fresh, plate.starts, plate.arc_minutes, limit_mm).past <= risk:
        return [whole], False
    if not plate.cuts:
        return [whole], True
    minutes = np.concatenate([[0.0], np.cumsum([cut.seconds / 60 for cut in plate.cuts])])

    def holds(at: int, take: int) -> bool:
        more = float(minutes[at + take] - minutes[at])
        return float(chances(fresh, float(take), more, limit_mm).past) <= risk

    units: list[Unit] = []
    at, too_long = 0, False
    while at < len(plate.cuts):
        # The chance of passing the limit rises with every cut: search the last that holds.
        take, over = 0, len(plate.cuts) - at + 1
        while over - take > 1:
            middle = (take + over) // 2
            take, over = (middle, over) if holds(at, middle) else (take, middle)
        if take == 0:
            take, too_long = 1, True
        units.append(
            Unit(
                0,
                at,
                float(take),
                float(minutes[at + take] - minutes[at]),
                (plate.cuts[at].line or None) if at else None,
            )
        )
        at += take
    return units, too_long


class _Stretches:
    """What becomes of one set over stretches of use, each looked up once."""

    def __init__(self, parts: Components, limit_mm: float) -> None:
        self._parts, self._limit_mm = parts, limit_mm
        self._known: dict[tuple[float, float], tuple[float, float, float]] = {}

    def after(self, uses: Sequence[tuple[float, float]]) -> list[tuple[float, float, float]]:
        """Return chance of passing the limit, of a loss, and unused share, after each use.

        Plates of one program make the same stretches wherever a set is fitted, so that a
        long queue asks for few that are new.
        """
        new = [use for use in dict.fromkeys(uses) if use not in self._known]
        if new:
            s, h = np.array(new).T
            end = chances(self._parts, s, h, self._limit_mm)
            unused = unused_share(self._parts, s, h, self._limit_mm)
            for use, *found in zip(new, end.past, end.lost, unused, strict=True):
                self._known[use] = (float(found[0]), float(found[1]), float(found[2]))
        return [self._known[use] for use in uses]


def cheapest(
    current: Components,
    fresh: Components,
    units: Sequence[Unit],
    limit_mm: float,
    costs: Costs,
    risk: float,
) -> tuple[list[int], float]:
    """Return the places of the cheapest plan's changes (units done before) and its cost."""
    n = len(units)
    starts = np.concatenate([[0.0], np.cumsum([u.starts for u in units])])
    minutes = np.concatenate([[0.0], np.cumsum([u.minutes for u in units])])
    now = unused_share(current, np.zeros(1), np.zeros(1), limit_mm)[0]
    # best[k]: least cost with k units done and a new set just fitted; came[k]: fitted before.
    best = np.full(n + 1, math.inf)
    came = np.full(n + 1, -1)
    best[0] = costs.stop + costs.set_value * now
    end_cost, end_from = math.inf, -1

    def extend(place: int, base: float, set_: _Stretches, first: bool) -> None:
        nonlocal end_cost, end_from
        for at in range(place + 1, n + 1, _BLOCK):
            ends = range(at, min(n + 1, at + _BLOCK))
            # Rounded, so that equal stretches are seen to be equal.
            uses = [
                (
                    float(round(starts[k] - starts[place], 9)),
                    float(round(minutes[k] - minutes[place], 9)),
                )
                for k in ends
            ]
            for k, (past, lost, unused) in zip(ends, set_.after(uses), strict=True):
                # A new set must take at least one unit, however long that is.
                if past > risk and (first or k > place + 1):
                    return
                cost = base + lost * costs.loss
                if k == n:
                    if cost < end_cost:
                        end_cost, end_from = cost, (-1 if first else place)
                    return
                cost += costs.stop + costs.set_value * unused
                if cost < best[k]:
                    best[k], came[k] = cost, (-1 if first else place)

    new_set = _Stretches(fresh, limit_mm)
    extend(0, 0.0, _Stretches(current, limit_mm), True)
    for place in range(n):
        if math.isfinite(best[place]):
            extend(place, float(best[place]), new_set, False)
    changes: list[int] = []
    place = end_from
    while place >= 0:
        changes.append(place)
        place = int(came[place])
    return changes[::-1], end_cost
