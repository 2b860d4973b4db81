"""Will the set finish the plates ahead, and between which two is it best changed?

How a plan is found: `pitwise.job.plan`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from pitwise.job.plan import Costs, Plate, Unit, cheapest, pieces_of
from pitwise.wear.forecast import (
    Components,
    chances,
    depth_quantiles,
    mean_depth,
)
from pitwise.wear.prior import Floats

_MOST_BANDS = 120


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


def _bands(parts: Components, starts: Floats, minutes: Floats) -> list[Band]:
    """Depth bands after cumulative uses; a long list's are interpolated over the mean depth."""
    if len(starts) <= _MOST_BANDS:
        found = depth_quantiles(parts, starts, minutes)
    else:
        mean = mean_depth(parts, starts, minutes)
        at = np.argsort(mean)[np.linspace(0, len(mean) - 1, _MOST_BANDS).astype(int)]
        knots = depth_quantiles(parts, starts[at], minutes[at])
        found = np.array([np.interp(mean, mean[at], row) for row in knots])
    return [Band(float(a), float(b), float(c)) for a, b, c in found.T]


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
    units: list[Unit] = []
    too_long: list[int] = []
    parted: dict[tuple[float, float, int], tuple[list[Unit], bool]] = {}
    for number, plate in enumerate(plates):
        # Copies of a plate share their cuts: parted once.
        key = (plate.starts, plate.arc_minutes, id(plate.cuts))
        if key not in parted:
            parted[key] = pieces_of(plate, fresh, limit_mm, accepted_risk)
        pieces, still = parted[key]
        units += [replace(piece, plate=number) for piece in pieces]
        if still:
            too_long.append(number + 1)
    places, cost = cheapest(current, fresh, units, limit_mm, costs, accepted_risk)
    changes = tuple(
        Change(units[p].plate, units[p].line, units[p].first_cut or None) for p in places
    )
    starts, minutes = (
        np.cumsum([p.starts for p in plates]),
        np.cumsum([p.arc_minutes for p in plates]),
    )
    unchanged = chances(current, starts, minutes, limit_mm)
    bands = _bands(current, starts, minutes)
    planned, losses = _by_the_plan(current, fresh, units, places, limit_mm)
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
    return Outlook(
        rows,
        changes,
        cost,
        float(unchanged.lost[-1]) * costs.loss,
        tuple(too_long),
        _spares(losses, accepted_risk),
        accepted_risk,
    )


@dataclass(frozen=True)
class _Planned:
    """One set's use at the end of one unit, in the plan, and what comes of it."""

    set_number: int
    unit: int
    starts: float
    minutes: float


def _by_the_plan(
    current: Components,
    fresh: Components,
    units: Sequence[Unit],
    places: Sequence[int],
    limit_mm: float,
) -> tuple[dict[int, tuple[int, float, Band]], float]:
    """For each plate the set that finishes it, its chance and depth; and losses in all.

    All new sets start alike, so that their uses are forecast in one go.
    """
    rows: list[_Planned] = []
    for number, (first, last) in enumerate(pairwise([0, *places, len(units)])):
        starts = minutes = 0.0
        for k in range(first, last):
            starts, minutes = starts + units[k].starts, minutes + units[k].minutes
            rows.append(_Planned(number, k, starts, minutes))
    found: dict[int, tuple[int, float, Band]] = {}
    losses = 0.0
    for parts, own in (
        (current, [r for r in rows if r.set_number == 0]),
        (fresh, [r for r in rows if r.set_number > 0]),
    ):
        if not own:
            continue
        order = sorted(own, key=lambda r: (r.starts, r.minutes))
        starts_, minutes_ = (
            np.array([getattr(r, f) for r in order]) for f in ("starts", "minutes")
        )
        end = chances(parts, starts_, minutes_, limit_mm)
        bands = _bands(parts, starts_, minutes_)
        ends = {p - 1 for p in places} | {len(units) - 1}
        for row, finish, lost, band in sorted(
            zip(order, end.finish, end.lost, bands, strict=True), key=lambda x: x[0].unit
        ):
            # A plate's last piece overwrites those before it.
            found[units[row.unit].plate] = (row.set_number, float(finish), band)
            losses += float(lost) if row.unit in ends else 0.0
    return found, losses


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
