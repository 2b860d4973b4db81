"""Will the set finish the plates ahead, and between which two is it best changed?

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
from itertools import pairwise

import numpy as np

from pitwise.job.model import Cut
from pitwise.wear.forecast import (
    Components,
    chances,
    depth_quantiles,
    unused_share,
)
from pitwise.wear.prior import Floats

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
class Band:
    """5 %, 50 % and 95 % points of a depth, mm."""

    p05: float
    median: float
    p95: float


@dataclass(frozen=True)
class PlateOutlook:
    """One plate ahead.

    Attributes
    ----------
    plate : Plate
    p_finish, p_limit, p_lost : float
        With the present set and no change, from now to the end of this plate.
    depth : Band
        Of the present set at its end, no change.
    set_number : int
        Which set finishes it in the plan: 0 the present one, 1 the first new one.
    planned_p_finish : float
        Chance that the plan's set, from its fitting, finishes it.
    planned_depth : Band
        Of that set at its end.
    """

    plate: Plate
    p_finish: float
    p_limit: float
    p_lost: float
    depth: Band
    set_number: int
    planned_p_finish: float
    planned_depth: Band


@dataclass(frozen=True)
class Change:
    """A change of the set in the plan.

    Attributes
    ----------
    after : int
        Plates finished before it; 0: before the first.
    line : int or None
        Inside plate ``after + 1``: the program's line that lights the next cut.
    cut : int or None
        Inside it: cuts of that plate done before.
    """

    after: int
    line: int | None = None
    cut: int | None = None


@dataclass(frozen=True)
class Outlook:
    """The plates ahead, the plan, and what it costs.

    Attributes
    ----------
    plates : tuple of PlateOutlook
    changes : tuple of Change
    expected_cost : float
    cost_of_no_change : float
        Of running on with the present set, limit or not (not a plan that is offered).
    too_long : tuple of int
        Plates (from 1) with a single cut no new set finishes within the accepted risk, or
        without known cuts to part them at.
    spare_sets : int
        Sets to have beside those planned, so that losses run the shelf out with no more
        than the accepted risk.
    accepted_risk : float
    """

    plates: tuple[PlateOutlook, ...]
    changes: tuple[Change, ...]
    expected_cost: float
    cost_of_no_change: float
    too_long: tuple[int, ...]
    spare_sets: int
    accepted_risk: float

    @property
    def sets_to_have(self) -> int:
        """Sets to have on the bench: those planned and the spare ones."""
        return len(self.changes) + self.spare_sets


@dataclass(frozen=True)
class _Unit:
    """A plate, or a piece of one that no set finishes whole."""

    plate: int
    first_cut: int
    starts: float
    minutes: float
    line: int | None


def _pieces(
    number: int, plate: Plate, fresh: Components, limit_mm: float, risk: float
) -> tuple[list[_Unit], bool]:
    """Part a plate at pierces where a new set can't finish it; tell whether it still can't."""
    whole = _Unit(number, 0, plate.starts, plate.arc_minutes, None)
    if chances(fresh, plate.starts, plate.arc_minutes, limit_mm).past <= risk:
        return [whole], False
    if not plate.cuts:
        return [whole], True
    minutes = np.cumsum([cut.seconds / 60 for cut in plate.cuts])
    units: list[_Unit] = []
    at, too_long = 0, False
    while at < len(plate.cuts):
        base = minutes[at - 1] if at else 0.0
        ahead = np.arange(1, len(plate.cuts) - at + 1)
        past = chances(fresh, ahead, minutes[at:] - base, limit_mm).past > risk
        take = int(np.argmax(past)) if past.any() else len(ahead)
        if take == 0:
            take, too_long = 1, True
        units.append(
            _Unit(
                number,
                at,
                float(take),
                float(minutes[at + take - 1] - base),
                plate.cuts[at].line if at else None,
            )
        )
        at += take
    return units, too_long


@dataclass(frozen=True)
class _Stretches:
    """Stretches one set may cut from a place on: chances and unused share after each unit."""

    past: Floats
    lost: Floats
    unused: Floats


def _stretches(
    parts: Components, starts: Floats, minutes: Floats, limit_mm: float, risk: float
) -> _Stretches:
    """Follow a set over cumulative units until it may not go on."""
    found: list[Floats] = []
    for at in range(0, len(starts), _BLOCK):
        s, h = starts[at : at + _BLOCK], minutes[at : at + _BLOCK]
        end = chances(parts, s, h, limit_mm)
        found.append(np.stack([end.past, end.lost, unused_share(parts, s, h, limit_mm)]))
        if end.past[-1] > risk:
            break
    past, lost, unused = np.concatenate(found, axis=1) if found else np.zeros((3, 0))
    return _Stretches(past, lost, unused)


def _plan(
    current: Components,
    fresh: Components,
    units: Sequence[_Unit],
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

    def extend(place: int, base: float, parts: Components, first: bool) -> None:
        nonlocal end_cost, end_from
        run = _stretches(
            parts,
            starts[place + 1 :] - starts[place],
            minutes[place + 1 :] - minutes[place],
            limit_mm,
            risk,
        )
        for step in range(len(run.past)):
            # A new set must take at least one unit, however long that is.
            forced = step == 0 and not first
            if run.past[step] > risk and not forced:
                break
            k = place + 1 + step
            cost = base + run.lost[step] * costs.loss
            if k == n and cost < end_cost:
                end_cost, end_from = cost, (-1 if first else place)
            cost += costs.stop + costs.set_value * run.unused[step]
            if k < n and cost < best[k]:
                best[k], came[k] = cost, (-1 if first else place)

    extend(0, 0.0, current, True)
    for place in range(n):
        if math.isfinite(best[place]):
            extend(place, float(best[place]), fresh, False)
    changes: list[int] = []
    place = end_from
    while place >= 0:
        changes.append(place)
        place = int(came[place])
    return changes[::-1], end_cost


def _bands(parts: Components, starts: Floats, minutes: Floats) -> list[Band]:
    if not len(starts):
        return []
    low, middle, high = depth_quantiles(parts, starts, minutes)
    return [Band(float(a), float(b), float(c)) for a, b, c in zip(low, middle, high, strict=True)]


def look_ahead(
    current: Components,
    fresh: Components,
    plates: Sequence[Plate],
    limit_mm: float,
    costs: Costs,
    accepted_risk: float = 0.05,
) -> Outlook:
    """Forecast plates in order and find the cheapest plan of changes.

    Parameters
    ----------
    current, fresh : Components
        The set in the torch now, and a new one.
    plates : sequence of Plate
        In the order they are cut; at least one.
    limit_mm : float
        Depth limit, mm, above zero.
    costs : Costs
    accepted_risk : float
        Greatest chance that a set passes the limit before it is changed, in (0, 1).

    Returns
    -------
    Outlook

    Raises
    ------
    ValueError
        No plate, or a limit or risk that can't be.
    """
    if not plates:
        raise ValueError("there is no plate ahead")
    if not (math.isfinite(limit_mm) and limit_mm > 0):
        raise ValueError("a limit is above zero")
    if not 0 < accepted_risk < 1:
        raise ValueError("the accepted risk is between 0 and 1")
    units: list[_Unit] = []
    too_long: list[int] = []
    for number, plate in enumerate(plates):
        pieces, still = _pieces(number, plate, fresh, limit_mm, accepted_risk)
        units += pieces
        if still:
            too_long.append(number + 1)
    places, cost = _plan(current, fresh, units, limit_mm, costs, accepted_risk)
    changes = tuple(
        Change(units[p].plate, units[p].line, units[p].first_cut or None) for p in places
    )
    starts, minutes = (
        np.cumsum([p.starts for p in plates]),
        np.cumsum([p.arc_minutes for p in plates]),
    )
    unchanged = chances(current, starts, minutes, limit_mm)
    bands = _bands(current, starts, minutes)
    planned = _planned(current, fresh, units, places, len(plates), limit_mm)
    rows = tuple(
        PlateOutlook(
            plate,
            float(unchanged.finish[k]),
            float(unchanged.limit[k]),
            float(unchanged.lost[k]),
            bands[k],
            *planned[k],
        )
        for k, plate in enumerate(plates)
    )
    losses = sum(lost for _, lost in _set_losses(current, fresh, units, places, limit_mm))
    return Outlook(
        rows,
        changes,
        cost,
        float(unchanged.lost[-1]) * costs.loss,
        tuple(too_long),
        _spares(losses, accepted_risk),
        accepted_risk,
    )


def _sets(
    current: Components, fresh: Components, units: Sequence[_Unit], places: Sequence[int]
) -> list[tuple[Components, Sequence[_Unit]]]:
    edges = [0, *places, len(units)]
    return [
        (fresh if number else current, units[a:b]) for number, (a, b) in enumerate(pairwise(edges))
    ]


def _set_losses(
    current: Components,
    fresh: Components,
    units: Sequence[_Unit],
    places: Sequence[int],
    limit_mm: float,
) -> list[tuple[int, float]]:
    found = []
    for number, (parts, own) in enumerate(_sets(current, fresh, units, places)):
        if own:
            end = chances(parts, sum(u.starts for u in own), sum(u.minutes for u in own), limit_mm)
            found.append((number, float(end.lost)))
    return found


def _planned(
    current: Components,
    fresh: Components,
    units: Sequence[_Unit],
    places: Sequence[int],
    count: int,
    limit_mm: float,
) -> list[tuple[int, float, Band]]:
    """For each plate the set that finishes it, its chance and depth (the last piece's)."""
    found: dict[int, tuple[int, float, Band]] = {}
    for number, (parts, own) in enumerate(_sets(current, fresh, units, places)):
        if not own:
            continue
        starts = np.cumsum([u.starts for u in own])
        minutes = np.cumsum([u.minutes for u in own])
        end = chances(parts, starts, minutes, limit_mm)
        for k, band in enumerate(_bands(parts, starts, minutes)):
            found[own[k].plate] = (number, float(end.finish[k]), band)
    return [found[k] for k in range(count)]


def _spares(losses: float, risk: float) -> int:
    """Least n with P(more than n losses) <= risk, losses Poisson."""
    n, term = 0, math.exp(-losses)
    total = term
    while 1 - total > risk and n < 1000:
        n += 1
        term *= losses / n
        total += term
    return n


@dataclass(frozen=True)
class TorchAhead:
    """A torch that takes plates from a shared queue."""

    name: str
    current: Components
    fresh: Components
    limit_mm: float
    costs: Costs
    accepted_risk: float = 0.05


@dataclass(frozen=True)
class TorchPlan:
    """What one torch gets of the queue, and its outlook (None: no plate came its way)."""

    name: str
    plates: tuple[int, ...]
    arc_minutes: float
    outlook: Outlook | None


def share_queue(torches: Sequence[TorchAhead], plates: Sequence[Plate]) -> tuple[TorchPlan, ...]:
    """Deal a queue to torches, each next plate to the one with least arc time so far.

    Parameters
    ----------
    torches : sequence of TorchAhead
        At least one.
    plates : sequence of Plate
        In order.

    Returns
    -------
    tuple of TorchPlan
        ``plates`` are numbers in the queue, from 1.
    """
    if not torches:
        raise ValueError("there is no torch")
    busy = [0.0] * len(torches)
    dealt: list[list[int]] = [[] for _ in torches]
    for number, plate in enumerate(plates):
        free = min(range(len(torches)), key=lambda t: busy[t])
        dealt[free].append(number)
        busy[free] += plate.arc_minutes
    return tuple(
        TorchPlan(
            torch.name,
            tuple(k + 1 for k in own),
            busy[t],
            look_ahead(
                torch.current,
                torch.fresh,
                [plates[k] for k in own],
                torch.limit_mm,
                torch.costs,
                torch.accepted_risk,
            )
            if own
            else None,
        )
        for t, (torch, own) in enumerate(zip(torches, dealt, strict=True))
    )
