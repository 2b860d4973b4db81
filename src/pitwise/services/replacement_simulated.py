"""Rules of change costed on simulated lives of a process, kept in memory while all stands."""

from __future__ import annotations

import hashlib
import math
import threading
from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

from pitwise.services.replacement_model import BookedUse, CostsUsed
from pitwise.services.wear_book import FitInForce
from pitwise.wear.replacement.depth import DepthPolicy, NoPolicy, search
from pitwise.wear.replacement.gaps import UsualGaps
from pitwise.wear.replacement.habit import HabitFit, TooFewChanges
from pitwise.wear.replacement.outcome import rule_cost
from pitwise.wear.replacement.paths import simulate, typical_starts
from pitwise.wear.replacement.rule import Rule, RuleCost
from pitwise.wear.state import Basis

SEED = 20
_EVERY = (2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50)
_NICE = (1, 2, 4, 5, 10, 20, 25, 40, 50, 100, 200)
_STEPS_OF_A_LIFE = 50
_DEPTHS = 24
# A rule that changes at its first look, whatever the pit.
_BY_AGE_MM = 1e-3
_KEPT = 32


@dataclass(frozen=True, eq=False)
class Reckoned:
    """Everything the simulation gives for one process."""

    habit: RuleCost | None
    same: DepthPolicy | NoPolicy | None
    best: DepthPolicy | NoPolicy
    by_age: RuleCost | None
    basis: Basis
    bare: dict[Rule, RuleCost]
    """The habit and the two best rules, without the assumed cost of a lost torch and plate."""


_cache: OrderedDict[str, Reckoned] = OrderedDict()
_lock = threading.Lock()


def grid_of(typical: float, limit_mm: float) -> tuple[int, tuple[int, ...], tuple[float, ...]]:
    """Return the starts of a step, the intervals and the depths that are tried.

    Parameters
    ----------
    typical : float
        Starts in which a middling electrode reaches the limit.
    limit_mm : float
    """
    wanted = max(typical / _STEPS_OF_A_LIFE, 1.0)
    step = min(_NICE, key=lambda k: abs(math.log(k / wanted)))
    apart = next(x for x in (0.01, 0.02, 0.05, 0.1, 0.2, 0.5) if limit_mm / x <= 1.6 * _DEPTHS)
    count = math.floor(limit_mm / apart + 1e-9)
    least = max(1, round(0.2 * count))
    depths = [round(apart * k, 4) for k in range(least, count + 1)]
    if limit_mm - depths[-1] > 1e-6:
        depths.append(limit_mm)
    return step, tuple(step * k for k in _EVERY), tuple(depths)


def on_steps(gaps: Sequence[int], step: int, steps: int) -> tuple[int, ...]:
    """Return gaps between looks as whole steps of the simulation, none past its end."""
    return tuple(step * min(max(1, round(gap / step)), steps) for gap in gaps)


def reckon(
    force: FitInForce,
    process: str,
    limit_mm: float,
    money: CostsUsed,
    use: BookedUse,
    usual: UsualGaps,
    mix: float,
    habit: HabitFit | TooFewChanges,
    risk: float,
    gauge_u_mm: float | None,
) -> Reckoned:
    """Return what the habit and the best rules come to.

    Kept in memory while fit, costs and habit stand. `usual` are the gaps of `use`, `mix` its
    arc minutes a start; the rest as `pitwise.services.replacement_depth.depth_advice`.
    """
    fit = force.fit
    others = use.other / use.starts
    costs, without = money.costs, money.without_assumed_loss
    named = (
        force.id,
        process,
        limit_mm,
        costs,
        without,
        usual.starts,
        mix,
        habit,
        risk,
        gauge_u_mm,
        others,
    )
    key = hashlib.sha256(repr((named, fit.theta.tobytes())).encode()).hexdigest()
    with _lock:
        if key in _cache:
            _cache.move_to_end(key)
            return _cache[key]
    step, every, depths = grid_of(typical_starts(fit, process, limit_mm, mix), limit_mm)
    deepest = limit_mm
    if isinstance(habit, HabitFit):
        deepest = max(deepest, habit.depth_mm + 2 * habit.scatter_mm)
    paths = simulate(
        fit,
        process,
        to_mm=deepest,
        step_starts=step,
        minutes_per_start=mix,
        gauge_sigma_mm=gauge_u_mm,
        seed=SEED,
        others_per_start=others,
    )
    every = tuple(n for n in every if n <= paths.steps * step)
    now, same = None, None
    gaps = on_steps(usual.starts, step, paths.steps)
    if isinstance(habit, HabitFit):
        now = rule_cost(paths, Rule(gaps, habit.depth_mm, habit.scatter_mm), limit_mm, costs)
        same = search(paths, limit_mm, costs, (gaps,), depths, risk)
    aged = search(paths, limit_mm, costs, every, (_BY_AGE_MM,), risk)
    best = search(paths, limit_mm, costs, every, depths, risk)
    bare = {}
    if without is not None and now is not None:
        policies = [x for x in (same, best) if isinstance(x, DepthPolicy)]
        bare = {
            rule: rule_cost(paths, rule, limit_mm, without)
            for rule in (now.rule, *(x.best.rule for x in policies))
        }
    found = Reckoned(
        now,
        same,
        best,
        aged.best if isinstance(aged, DepthPolicy) else None,
        paths.basis,
        bare,
    )
    with _lock:
        _cache[key] = found
        while len(_cache) > _KEPT:
            _cache.popitem(last=False)
    return found
