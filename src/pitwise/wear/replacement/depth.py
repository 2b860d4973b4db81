r"""How often to look, and at what depth to change an electrode, for the least money.

A rule of change says: look every `n` starts, change when the reading is `d` or more. One
electrode's life then costs so many looks, and at its end a change, or a loss in the cut. In
the long run a start costs the mean cost of a life over its mean starts (renewal reward; S. M.
Ross, Introduction to Probability Models, ch. 7; from memory).

The limit of the sheet stands. No rule is advised whose depth is above it, nor one under which
the true pit passes it before the change in more lives than the accepted risk, since looks and
readings let some pass. Every rule is costed on the same simulated lives
(`pitwise.wear.replacement.paths`); the fit's doubt makes the ranges.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.wear.fit import WearFit
from pitwise.wear.hazard import ENOUGH_LOSSES
from pitwise.wear.prior import Floats
from pitwise.wear.replacement.outcome import cost_at, outcome, rule_cost
from pitwise.wear.replacement.paths import LifePaths, simulate, step_for
from pitwise.wear.replacement.rule import (
    HIGH,
    LOW,
    BadRuleError,
    ChangeCosts,
    Rule,
    RuleCost,
    mean_gap,
)

FLAT = 0.03
"""Rules that cost at most this share more than the best are called as good."""


@dataclass(frozen=True, eq=False)
class DepthPolicy:
    """The rule of least cost, and how much the exact figure matters.

    Attributes
    ----------
    limit_mm, accepted_risk : float
    best : RuleCost
    depth_mm : float
    every_starts : int
    flat_from_mm, flat_to_mm : float
        Depths at the best interval, allowed, that cost at most `FLAT` more than the best.
    flat_every : tuple of int
        Intervals that with their own best depth cost at most `FLAT` more than the best.
    depth_low_mm, depth_high_mm : float
        Range of the best depth at the best interval by the fit's doubt.
    edge : bool
        The best depth is the deepest the limit allows: not the money but the limit decides.
    money_alone : RuleCost
        The cheapest of all rules asked when the accepted risk is left out; shown, not advised.
    every : tuple of int
    depths_mm : tuple of float
        The grid asked.
    grid, grid_low, grid_high, past : float array, shape (every, depths)
        Cost per start with its range, and share of lives that pass the limit.
    losses_on_record : int
    """

    limit_mm: float
    accepted_risk: float
    best: RuleCost
    flat_from_mm: float
    flat_to_mm: float
    flat_every: tuple[int, ...]
    depth_low_mm: float
    depth_high_mm: float
    edge: bool
    money_alone: RuleCost
    every: tuple[int, ...]
    depths_mm: tuple[float, ...]
    grid: Floats
    grid_low: Floats
    grid_high: Floats
    past: Floats
    losses_on_record: int

    @property
    def depth_mm(self) -> float:
        """Depth to change at."""
        return self.best.rule.depth_mm

    @property
    def every_starts(self) -> int:
        """Starts between looks, in the mean."""
        return mean_gap(self.best.rule.gaps)

    @property
    def cost_per_start(self) -> float:
        """Cost per start of the best rule."""
        return self.best.per_start

    @property
    def few_losses(self) -> bool:
        """Tell whether the chance of a loss still leans on the sheet's prior."""
        return self.losses_on_record < ENOUGH_LOSSES


@dataclass(frozen=True)
class NoPolicy:
    """No rule can be advised: why, and what mends it. Falsy."""

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Return False."""
        return False


def policy_cost(
    fit: WearFit,
    process: str,
    rule: Rule,
    limit_mm: float,
    costs: ChangeCosts,
    *,
    minutes_per_start: float,
    gauge_sigma_mm: float | None,
    seed: int,
    others_per_start: float = 0.0,
) -> RuleCost:
    """Simulate lives and cost one rule on them; parameters as `best_depth`."""
    even = len(set(rule.gaps)) == 1
    # Gaps that vary are rounded to steps: fine ones.
    apart = rule.gaps[0] if even else max(1, min(rule.gaps) // 4)
    paths = simulate(
        fit,
        process,
        to_mm=max(limit_mm, rule.depth_mm + 3 * rule.scatter_mm),
        step_starts=step_for(fit, process, limit_mm, minutes_per_start, apart),
        minutes_per_start=minutes_per_start,
        gauge_sigma_mm=gauge_sigma_mm,
        seed=seed,
        others_per_start=others_per_start,
    )
    return rule_cost(paths, rule, limit_mm, costs)


def _least(values: Floats) -> tuple[int, int]:
    """Place of the least of a grid."""
    i, j = np.unravel_index(int(values.argmin()), values.shape)
    return int(i), int(j)


def search(
    paths: LifePaths,
    limit_mm: float,
    costs: ChangeCosts,
    every: Sequence[int | tuple[int, ...]],
    depths_mm: Sequence[float],
    accepted_risk: float,
) -> DepthPolicy | NoPolicy:
    """Return the cheapest allowed rule of a grid on simulated lives; see `best_depth`.

    An interval may be a tuple of gaps that vary, as of `Rule`.
    """
    tuples = {n if isinstance(n, tuple) else (n,) for n in every}
    asked = tuple(sorted(tuples, key=lambda gaps: (sum(gaps) / len(gaps), gaps)))
    depths = tuple(sorted(set(depths_mm)))
    if not asked or not depths:
        raise BadRuleError("no interval or no depth was asked for", "ask for one at least")
    if not depths[0] > 0 or depths[-1] > limit_mm * (1 + 1e-9):
        raise BadRuleError(
            f"change depths lie above 0 and not above the limit of {limit_mm:g} mm",
            "leave the others out",
        )
    if not 0 < accepted_risk <= 1:
        raise BadRuleError("an accepted risk lies above 0 and at most at 1", "give such a one")
    means = tuple(mean_gap(gaps) for gaps in asked)
    found = [outcome(paths, gaps, np.array(depths), limit_mm, costs) for gaps in asked]
    per = np.stack([f.per_start for f in found])  # (every, draws, depths)
    grid = per.mean(axis=1)
    past = np.stack([f.past.mean(axis=0) for f in found])
    allowed = past <= accepted_risk

    def at(e: int, k: int) -> RuleCost:
        return cost_at(Rule(asked[e], depths[k]), found[e], k)

    if not allowed.any():
        i, j = _least(past)
        return NoPolicy(
            f"Even looking every {means[i]} starts and changing at {depths[j]:.2f} mm, "
            f"{100 * past[i, j]:.0f} % of the electrodes would pass the limit before their change: "
            f"more than the accepted {100 * accepted_risk:.3g} %.",
            "look more often, or gather readings: a forecast this wide allows no rule",
        )
    cost = np.where(allowed, grid, np.inf)
    e, k = _least(cost)
    least = cost[e, k]
    near = np.array(depths)[cost[e] <= (1 + FLAT) * least]
    by_draw = np.where(allowed[e], per[e], np.inf).argmin(axis=1)
    low, high = np.quantile(np.array(depths)[by_draw], [LOW, HIGH], method="inverted_cdf")
    return DepthPolicy(
        limit_mm,
        accepted_risk,
        at(e, k),
        float(near.min()),
        float(near.max()),
        tuple(n for n, row in zip(means, cost, strict=True) if row.min() <= (1 + FLAT) * least),
        float(low),
        float(high),
        bool(k + 1 == len(depths) or not allowed[e, k + 1]),
        at(*_least(grid)),
        means,
        depths,
        grid,
        np.quantile(per, LOW, axis=1),
        np.quantile(per, HIGH, axis=1),
        past,
        paths.losses_on_record,
    )


def best_depth(
    fit: WearFit,
    process: str,
    limit_mm: float,
    costs: ChangeCosts,
    *,
    minutes_per_start: float,
    gauge_sigma_mm: float | None,
    every: Sequence[int],
    depths_mm: Sequence[float],
    seed: int,
    accepted_risk: float = 0.05,
    others_per_start: float = 0.0,
) -> DepthPolicy | NoPolicy:
    """Return the cheapest allowed interval between looks and change depth.

    Parameters
    ----------
    fit : WearFit
    process : str
    limit_mm : float
        The sheet's limit: no depth asked may be above it.
    costs : ChangeCosts
    minutes_per_start : float
        Arc minutes of each start of the work to come.
    gauge_sigma_mm : float or None
        Standard uncertainty of one reading, mm; None: the fit's own common one.
    every : sequence of int
        Starts between looks to choose from.
    depths_mm : sequence of float
        Change depths to choose from, above 0 and not above the limit.
    seed : int
        Of the simulated lives.
    accepted_risk : float
        Greatest share of lives whose true pit may pass the limit before the change; 1 leaves
        it out of account.
    others_per_start : float
        Chance per start that something other than the pit ends an electrode.

    Returns
    -------
    DepthPolicy or NoPolicy

    Raises
    ------
    BadRuleError
        A depth above the limit, or a value that can't be.
    """
    if not every or min(every) < 1:
        raise BadRuleError("looks are one start apart or more", "give the starts between looks")
    paths = simulate(
        fit,
        process,
        to_mm=limit_mm,
        step_starts=step_for(fit, process, limit_mm, minutes_per_start, math.gcd(*every)),
        minutes_per_start=minutes_per_start,
        gauge_sigma_mm=gauge_sigma_mm,
        seed=seed,
        others_per_start=others_per_start,
    )
    return search(paths, limit_mm, costs, every, depths_mm, accepted_risk)
