"""What to advise by depth: the habit, the best depth and interval, and what each costs."""

from __future__ import annotations

import math

from pitwise.services.metres import MetresPerMinute, NoMetres, Ranged
from pitwise.services.replacement_habit import Looks
from pitwise.services.replacement_model import (
    BookedUse,
    CostsUsed,
    DepthAdvice,
    LossesKnown,
    Money,
    RuleLine,
)
from pitwise.services.replacement_simulated import reckon
from pitwise.services.replacement_words import choose, trust_words, verdict
from pitwise.services.wear_book import FitInForce
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.replacement.depth import DepthPolicy, NoPolicy
from pitwise.wear.replacement.gaps import NoUsualGap, UsualGaps
from pitwise.wear.replacement.habit import TooFewChanges, fit_habit
from pitwise.wear.replacement.rule import RuleCost, Saving, saving


def depth_advice(
    force: FitInForce,
    process: str,
    limit_mm: float | None,
    money: CostsUsed,
    use: BookedUse,
    looks: Looks,
    risk: float,
    gauge_u_mm: float | None,
    metres: MetresPerMinute | NoMetres,
    known: LossesKnown,
) -> DepthAdvice | CantTell:
    """Return the rules by depth with their money, and which of them is advised.

    Parameters
    ----------
    force : FitInForce
    process : str
    limit_mm : float or None
        None: no limit holds, and nothing is advised.
    money : CostsUsed
    use, looks : BookedUse, Looks
        What the shop does now.
    risk : float
        Accepted chance of passing the limit before the change.
    gauge_u_mm : float or None
        Uncertainty of a reading; None: not known.
    metres : MetresPerMinute or NoMetres
    known : LossesKnown
    """
    if limit_mm is None:
        return CantTell(
            "No limit of the pit holds for this process, and without one nothing is advised.",
            "set one on the page of limits",
        )
    if not use.starts:
        return CantTell(
            "No use is on record: nothing says how often this shop looks, or how it cuts.",
            "type the counters at inspections, and sign them",
        )
    if isinstance(use.gaps, NoUsualGap):
        return CantTell(
            f"{use.gaps.reason}: nothing says how often this shop looks.", use.gaps.mend
        )
    mix = use.arc_minutes / use.starts
    habit = fit_habit(looks.reading_mm, looks.changed)
    reckoned = reckon(force, process, limit_mm, money, use, use.gaps, mix, habit, risk, gauge_u_mm)

    def line(name: str, cost: RuleCost) -> RuleLine:
        gain = None
        if reckoned.habit is not None and cost is not reckoned.habit:
            gain = saving(reckoned.habit, cost)
        year = use.starts_a_year
        per_year = None if gain is None else _yearly(gain, year)
        return RuleLine(name, cost, _money(cost, mix, year, metres), gain, per_year, risk)

    now = None if reckoned.habit is None else line("The habit now", reckoned.habit)
    habit_said: RuleLine | CantTell
    if now is not None:
        habit_said = now
    elif isinstance(habit, TooFewChanges):
        habit_said = CantTell(habit.reason, habit.mend)
    else:
        raise AssertionError("a habit that was told was not costed")
    same, best = _policy(reckoned.same), _policy(reckoned.best)
    same_line = None
    if isinstance(same, DepthPolicy):
        same_line = line("Looks as now, best depth", same.best)
    aged = line("By starts alone, without gauging", reckoned.by_age) if reckoned.by_age else None
    if not isinstance(best, DepthPolicy):
        lines = tuple(x for x in (now, same_line, aged) if x is not None)
        return DepthAdvice(
            habit_said, same, best, None, None, lines, best.reason, (f"{best.mend}.",)
        )
    best_line = line("Best looks and depth", best.best)
    lines = tuple(x for x in (now, same_line, best_line, aged) if x is not None)
    choice = choose(now, same_line, best_line)
    advised, policy = best_line, best
    if choice == "same" and isinstance(same, DepthPolicy) and same_line is not None:
        advised, policy = same_line, same
    bare = None
    if now is not None and reckoned.bare:
        gain = saving(reckoned.bare[now.cost.rule], reckoned.bare[advised.cost.rule])
        bare = _yearly(gain, use.starts_a_year)
    words = trust_words(policy, now, advised, use, money, reckoned.basis, process, known, bare)
    if reckoned.same is not None and not same:
        words = (*words[:2], _no_depth_at(use.gaps), *words[2:])
    return DepthAdvice(
        habit_said,
        same,
        best,
        now if choice == "habit" else advised,
        policy,
        lines,
        verdict(choice, now, advised),
        words,
    )


def _no_depth_at(gaps: UsualGaps) -> str:
    return (
        f"At the looks made now, about every {gaps.mean:.0f} starts, no change depth keeps the "
        "limit as often as is asked: look more often, whatever the depth."
    )


def _policy(found: DepthPolicy | NoPolicy | None) -> DepthPolicy | CantTell:
    if isinstance(found, DepthPolicy):
        return found
    if found is None:
        return CantTell("The habit is not known.", "sign inspections with readings")
    return CantTell(found.reason, found.mend)


def _yearly(gain: Saving, starts_a_year: float) -> Ranged:
    return Ranged(
        gain.per_start * starts_a_year, gain.low * starts_a_year, gain.high * starts_a_year
    )


def _money(
    cost: RuleCost, mix: float, starts_a_year: float, metres: MetresPerMinute | NoMetres
) -> Money:
    per_start = Ranged(cost.per_start, cost.low, cost.high)
    per_metre: Ranged | NoMetres
    if isinstance(metres, NoMetres):
        per_metre = metres
    elif mix <= 0:
        per_metre = NoMetres("no arc minutes are on record", "type them at inspections")
    else:
        per_metre = _over(per_start, metres.metres(mix))
    per_hour: Ranged | CantTell
    if mix > 0:
        per_hour = per_start.times(60.0 / mix)
    else:
        per_hour = CantTell("No arc minutes are on record.", "type them at inspections")
    return Money(per_start, per_hour, per_metre, per_start.times(starts_a_year))


def _over(money: Ranged, length: Ranged) -> Ranged:
    """Divide, both ranges taken as independent and of one sign (in the log)."""
    value = money.value / length.value
    if None in (money.low, money.high, length.low, length.high):
        return Ranged(value)
    a, b, c, d = (float(x) for x in (money.low, money.high, length.low, length.high) if x)
    down = math.hypot(math.log(money.value / a), math.log(d / length.value))
    up = math.hypot(math.log(b / money.value), math.log(length.value / c))
    return Ranged(value, value * math.exp(-down), value * math.exp(up))
