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
import numpy.typing as npt

from pitwise.wear.fit import WearFit
from pitwise.wear.hazard import ENOUGH_LOSSES
from pitwise.wear.prior import Floats
from pitwise.wear.refusal import FitRefusedError
from pitwise.wear.replacement.paths import LifePaths, simulate

FLAT = 0.03
"""Rules that cost at most this share more than the best are called as good."""
LEVEL = 0.90
_LOW, _HIGH = (1 - LEVEL) / 2, (1 + LEVEL) / 2
Ints = npt.NDArray[np.intp]


class BadRuleError(FitRefusedError):
    """A rule of change, or costs, that can't be."""


@dataclass(frozen=True)
class ChangeCosts:
    """What ends and looks cost, in one money.

    Attributes
    ----------
    look : float
        Taking the torch apart to look and gauge, changed or not.
    change : float
        What a change costs on top of its look: the parts.
    loss : float
        All that a loss in the cut takes: parts, torch, plate, stop.
    """

    look: float
    change: float
    loss: float

    def __post_init__(self) -> None:
        """Refuse costs that can't be."""
        for name, value in vars(self).items():
            if not (math.isfinite(value) and value >= 0):
                raise BadRuleError(f"the cost of a {name} must be 0 or more", "correct the cost")
        if not self.change > 0:
            raise BadRuleError("a change that costs nothing is best made all day", "give its cost")


@dataclass(frozen=True)
class Rule:
    """When to look and when to change.

    Attributes
    ----------
    gaps : tuple of int
        Starts between looks; several stand for gaps that vary, each as likely.
    depth_mm : float
        Change when the reading is this deep or deeper.
    scatter_mm : float
        How far the depth acted on scatters from look to look (SD): 0 for a rule kept to.
    """

    gaps: tuple[int, ...]
    depth_mm: float
    scatter_mm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse rules that can't be."""
        if not self.gaps or min(self.gaps) < 1:
            raise BadRuleError("looks are one start apart or more", "give the starts between looks")
        if not (math.isfinite(self.depth_mm) and self.depth_mm > 0):
            raise BadRuleError("a change depth is above 0 mm", "give the depth to change at")
        if not (math.isfinite(self.scatter_mm) and self.scatter_mm >= 0):
            raise BadRuleError("a scatter is 0 mm or more", "give 0 for a rule that is kept to")


def mean_gap(gaps: Sequence[int]) -> int:
    """Return the mean of starts between looks, whole."""
    return round(sum(gaps) / len(gaps))


@dataclass(frozen=True, eq=False)
class RuleCost:
    """What a rule of change comes to, in the mean over the fit's doubt, with ranges.

    Attributes
    ----------
    rule : Rule
    per_start : float
        Cost per start.
    low, high : float
        Its range at `LEVEL`.
    se : float
        What the simulation's own chance adds to `per_start` (standard error).
    lost_share, changed_share, other_share : float
        Shares of lives that end in a loss, by the rule, and otherwise.
    past_share : float
        Share of lives whose true pit passes the limit before its change or loss.
    starts, looks : float
        Per life.
    depth_at_change_mm : float
        Mean true depth of what the rule changes.
    unused_share : float
        Mean share of the limit thrown away unused at a change.
    cut_short : float
        Share of simulated lives that neither ended nor met the rule; counted as changed.
    by_draw : float array, shape (draws,)
        Cost per start by each draw of the fit's unknowns.
    """

    rule: Rule
    per_start: float
    low: float
    high: float
    se: float
    lost_share: float
    changed_share: float
    other_share: float
    past_share: float
    starts: float
    looks: float
    depth_at_change_mm: float
    unused_share: float
    cut_short: float
    by_draw: Floats


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


@dataclass(frozen=True, eq=False)
class _Outcome:
    """Means over the electrodes of each draw, shape (draws, depths)."""

    cost: Floats
    starts: Floats
    looks: Floats
    lost: Floats
    changed: Floats
    other: Floats
    past: Floats
    depth: Floats
    unused: Floats
    cut_short: Floats
    variance: Floats

    @property
    def per_start(self) -> Floats:
        return self.cost / self.starts


def _look_steps(paths: LifePaths, gaps: Sequence[int]) -> Ints:
    """Steps of each look, shape (draws, electrodes, looks), or (1, 1, looks) for even ones."""
    step = paths.step_starts
    if len(set(gaps)) == 1:
        stride = gaps[0] // step
        return np.arange(stride, paths.steps + 1, stride, dtype=np.intp)[None, None, :]
    apart = np.maximum(np.rint(np.array(sorted(gaps)) / step).astype(np.intp), 1)
    shape = paths.depth_mm.shape[:2]
    # The throws hang on the shape alone, so that a habit is costed alike each time.
    random = np.random.default_rng(len(apart))
    count = math.ceil(1.5 * paths.steps / float(apart.mean())) + 4
    thrown = random.integers(len(apart), size=(*shape, count))
    at = np.cumsum(apart[thrown], axis=2)
    return np.asarray(np.minimum(at, paths.steps), np.intp)


def _checked_gaps(paths: LifePaths, gaps: Sequence[int]) -> None:
    step = paths.step_starts
    if len(set(gaps)) == 1 and (gaps[0] % step or gaps[0] > paths.steps * step):
        raise BadRuleError(
            f"looks every {gaps[0]} starts don't fit steps of {step}", "ask for multiples of them"
        )


def _outcome(
    paths: LifePaths,
    gaps: Sequence[int],
    depths_mm: Floats,
    limit_mm: float,
    costs: ChangeCosts,
    scatter_mm: float = 0.0,
) -> _Outcome:
    """What one interval comes to at each of several depths."""
    _checked_gaps(paths, gaps)
    looks = _look_steps(paths, gaps)
    shape = (*paths.depth_mm.shape[:2], looks.shape[2])
    at = np.broadcast_to(looks, shape)

    def taken(values: Floats, steps: Ints) -> Floats:
        return np.take_along_axis(values, steps, axis=2)

    read = taken(paths.depth_mm + paths.noise_mm, at)
    if scatter_mm:
        wobble = np.random.default_rng(shape[2]).standard_normal(shape)
        read = read + scatter_mm * wobble
    deepest = np.maximum.accumulate(read, axis=2)
    # Looks before the one that changes, for every depth; the last look changes at any reading.
    before = np.stack([(deepest < d).sum(axis=2) for d in depths_mm], axis=2)
    cut = before >= shape[2]
    which = np.minimum(before, shape[2] - 1)
    stop = np.take_along_axis(at, which, axis=2)
    seen = np.take_along_axis(np.cumsum(taken(paths.alive, at), axis=2), which, axis=2)
    alive, lost, other, made, depth = (
        taken(x, stop) for x in (paths.alive, paths.lost, paths.other, paths.made, paths.depth_mm)
    )
    passed = (paths.depth_mm < limit_mm).sum(axis=2)[:, :, None]
    within = np.minimum(passed, paths.steps)
    past = np.where(passed <= stop, taken(paths.alive, within), 0.0)
    # What ends otherwise is found at a look and costs its parts.
    cost = costs.look * (seen + other) + costs.change * (alive + other) + costs.loss * lost
    mean_cost, mean_made = cost.mean(axis=1), made.mean(axis=1)
    ratio = (mean_cost / mean_made)[:, None, :]
    variance = (cost - ratio * made).var(axis=1, ddof=1) / shape[1] / mean_made**2
    weight = np.maximum(alive.sum(axis=1), 1e-300)
    return _Outcome(
        mean_cost,
        mean_made,
        seen.mean(axis=1),
        lost.mean(axis=1),
        alive.mean(axis=1),
        other.mean(axis=1),
        past.mean(axis=1),
        (alive * depth).sum(axis=1) / weight,
        (alive * np.clip(1 - depth / limit_mm, 0, 1)).sum(axis=1) / weight,
        cut.mean(axis=1),
        variance,
    )


def _rule_cost(rule: Rule, found: _Outcome, k: int) -> RuleCost:
    each = found.per_start[:, k]

    def mean(values: Floats) -> float:
        return float(values[:, k].mean())

    low, high = np.quantile(each, [_LOW, _HIGH])
    return RuleCost(
        rule,
        float(each.mean()),
        float(low),
        float(high),
        math.sqrt(float(found.variance[:, k].sum())) / len(each),
        mean(found.lost),
        mean(found.changed),
        mean(found.other),
        mean(found.past),
        mean(found.starts),
        mean(found.looks),
        mean(found.depth),
        mean(found.unused),
        mean(found.cut_short),
        each,
    )


def rule_cost(paths: LifePaths, rule: Rule, limit_mm: float, costs: ChangeCosts) -> RuleCost:
    """Cost any rule, the shop's present habit for one, on simulated lives.

    Parameters
    ----------
    paths : LifePaths
    rule : Rule
        Its depth may be above the limit: a habit is what it is. Even gaps are multiples of
        the paths' step; gaps that vary are rounded to it.
    limit_mm : float
    costs : ChangeCosts

    Raises
    ------
    BadRuleError
        Even gaps that don't fit the paths' step.
    """
    depths = np.array([rule.depth_mm])
    return _rule_cost(rule, _outcome(paths, rule.gaps, depths, limit_mm, costs, rule.scatter_mm), 0)


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
    step = math.gcd(*rule.gaps) if len(set(rule.gaps)) == 1 else max(1, min(rule.gaps) // 2)
    paths = simulate(
        fit,
        process,
        to_mm=max(limit_mm, rule.depth_mm + 3 * rule.scatter_mm),
        step_starts=max(1, _finest(step)),
        minutes_per_start=minutes_per_start,
        gauge_sigma_mm=gauge_sigma_mm,
        seed=seed,
        others_per_start=others_per_start,
    )
    return rule_cost(paths, rule, limit_mm, costs)


def _finest(step: int) -> int:
    """Part a step into 2 to 5 equal ones where it can be, for the loss between looks."""
    return next((step // k for k in (4, 5, 3, 2) if step % k == 0), step)


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
    if not 0 < depths[0] or depths[-1] > limit_mm * (1 + 1e-9):
        raise BadRuleError(
            f"change depths lie above 0 and not above the limit of {limit_mm:g} mm",
            "leave the others out",
        )
    if not 0 < accepted_risk <= 1:
        raise BadRuleError("an accepted risk lies above 0 and at most at 1", "give such a one")
    means = tuple(mean_gap(gaps) for gaps in asked)
    found = [_outcome(paths, gaps, np.array(depths), limit_mm, costs) for gaps in asked]
    per = np.stack([f.per_start for f in found])  # (every, draws, depths)
    grid = per.mean(axis=1)
    past = np.stack([f.past.mean(axis=0) for f in found])
    allowed = past <= accepted_risk

    def at(e: int, k: int) -> RuleCost:
        return _rule_cost(Rule(asked[e], depths[k]), found[e], k)

    if not allowed.any():
        e, k = np.unravel_index(int(past.argmin()), past.shape)
        return NoPolicy(
            f"Even looking every {mean_gap(asked[int(e)])} starts and changing at {depths[int(k)]:.2f} mm, "
            f"{100 * past[e, k]:.0f} % of the electrodes would pass the limit before their change: "
            f"more than the accepted {100 * accepted_risk:.3g} %.",
            "look more often, or gather readings: a forecast this wide allows no rule",
        )
    cost = np.where(allowed, grid, np.inf)
    e, k = (int(x) for x in np.unravel_index(int(cost.argmin()), cost.shape))
    least = cost[e, k]
    near = np.array(depths)[cost[e] <= (1 + FLAT) * least]
    by_draw = np.where(allowed[e], per[e], np.inf).argmin(axis=1)
    low, high = np.quantile(np.array(depths)[by_draw], [_LOW, _HIGH], method="inverted_cdf")
    free = np.unravel_index(int(grid.argmin()), grid.shape)
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
        at(int(free[0]), int(free[1])),
        means,
        depths,
        grid,
        np.quantile(per, _LOW, axis=1),
        np.quantile(per, _HIGH, axis=1),
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
        step_starts=_finest(math.gcd(*every)),
        minutes_per_start=minutes_per_start,
        gauge_sigma_mm=gauge_sigma_mm,
        seed=seed,
        others_per_start=others_per_start,
    )
    return search(paths, limit_mm, costs, every, depths_mm, accepted_risk)


@dataclass(frozen=True)
class Saving:
    """What one rule saves per start against another; below 0: it costs more.

    Attributes
    ----------
    per_start, low, high : float
        Mean and range at `LEVEL` over the fit's doubt.
    share : float
        Of the other rule's cost.
    sure : float
        Chance that it saves anything at all.
    """

    per_start: float
    low: float
    high: float
    share: float
    sure: float


def saving(habit: RuleCost, best: RuleCost) -> Saving:
    """Compare two rules costed on the same lives, draw by draw."""
    each = habit.by_draw - best.by_draw
    low, high = np.quantile(each, [_LOW, _HIGH])
    mean = float(each.mean())
    return Saving(mean, float(low), float(high), mean / habit.per_start, float((each > 0).mean()))
