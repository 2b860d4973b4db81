"""What rules of change come to on simulated lives."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.wear.prior import Floats
from pitwise.wear.replacement.paths import LifePaths
from pitwise.wear.replacement.rule import HIGH, LOW, BadRuleError, ChangeCosts, Rule, RuleCost

Ints = npt.NDArray[np.intp]
# No depth that is asked for is deeper; the lift keeps rows apart, and ten digits exact.
_DEEPEST_MM, _LIFT_MM = 50.0, 200.0


@dataclass(frozen=True, eq=False)
class Outcome:
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
        """Cost per start of each draw: mean cost of a life over its mean starts."""
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


def _counts_below(rising: Floats, levels: Floats) -> Ints:
    """Count, in each rising row, the values below each level; shape (…, rows, levels).

    All rows at once: they are laid end to end, each lifted above the one before.
    """
    rows = rising.reshape(-1, rising.shape[-1])
    lift = _LIFT_MM * np.arange(len(rows))[:, None]
    flat = (np.clip(rows, -_DEEPEST_MM, _DEEPEST_MM) + lift).ravel()
    asked = (np.clip(levels, -_DEEPEST_MM, _DEEPEST_MM) + lift).ravel()
    place = np.searchsorted(flat, asked).reshape(len(rows), len(levels))
    count = place - rows.shape[1] * np.arange(len(rows))[:, None]
    return np.asarray(count.reshape(*rising.shape[:-1], len(levels)), np.intp)


def outcome(
    paths: LifePaths,
    gaps: Sequence[int],
    depths_mm: Floats,
    limit_mm: float,
    costs: ChangeCosts,
    scatter_mm: float = 0.0,
) -> Outcome:
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
    before = _counts_below(deepest, depths_mm)
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
    return Outcome(
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


def cost_at(rule: Rule, found: Outcome, k: int) -> RuleCost:
    """Return what a rule comes to, from the outcome at its depth, the `k`th asked."""
    each = found.per_start[:, k]

    def mean(values: Floats) -> float:
        return float(values[:, k].mean())

    low, high = np.quantile(each, [LOW, HIGH])
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
    return cost_at(rule, outcome(paths, rule.gaps, depths, limit_mm, costs, rule.scatter_mm), 0)
