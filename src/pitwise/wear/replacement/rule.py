"""A rule of change, what ends and looks cost, and what a rule comes to."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.wear.prior import Floats
from pitwise.wear.refusal import FitRefusedError

LEVEL = 0.90
"""Probability of the ranges."""
LOW, HIGH = (1 - LEVEL) / 2, (1 + LEVEL) / 2


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
    low, high = np.quantile(each, [LOW, HIGH])
    mean = float(each.mean())
    return Saving(mean, float(low), float(high), mean / habit.per_start, float((each > 0).mean()))
