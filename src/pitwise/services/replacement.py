"""When to change: the habit, the best depth and interval, and the best age, with their money.

The reckoning is the wear model's own (`pitwise.wear.replacement`); this brings the book's fit,
lives, habit and costs to it. What was reckoned once is kept in memory while its fit, its costs
and the habit stand.
"""

from __future__ import annotations

import hashlib
import math
import threading
from collections import Counter, OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.measure.conformity import limit_in
from pitwise.records.tables import Gauge, InspectionRow, Process, Station, Torch
from pitwise.services.errors import NotFoundError
from pitwise.services.life_book import lives_for, part_lives
from pitwise.services.life_model import PartLife
from pitwise.services.metres import (
    MetresPerMinute,
    NoMetres,
    Ranged,
    count_for_metres,
    metres_per_minute,
)
from pitwise.services.periods import today
from pitwise.services.permissions import Actor, require
from pitwise.services.replacement_costs import NOZZLE, costs_of
from pitwise.services.replacement_habit import Looks, booked_use
from pitwise.services.replacement_model import (
    AgeAdvice,
    BookedUse,
    CantTell,
    CostsUsed,
    DepthAdvice,
    LossesKnown,
    Money,
    ProcessChoice,
    ReplacementView,
    RuleLine,
)
from pitwise.services.replacement_words import age_words, choose, trust_words, verdict
from pitwise.services.setup import selector
from pitwise.services.shelf_items import price_at
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import settings_of
from pitwise.services.wear_book import FitInForce, fit_in_force, latest_row
from pitwise.trade.model import PART_SLUGS
from pitwise.wear.life.tell import FEWEST_ENDS, TooFewToTell, tell
from pitwise.wear.refusal import FitRefusedError
from pitwise.wear.replacement.age import AgeRange, best_age_of
from pitwise.wear.replacement.depth import DepthPolicy, NoPolicy, search
from pitwise.wear.replacement.gaps import NoUsualGap, UsualGaps
from pitwise.wear.replacement.habit import HabitFit, TooFewChanges, fit_habit
from pitwise.wear.replacement.outcome import rule_cost
from pitwise.wear.replacement.paths import simulate, typical_starts
from pitwise.wear.replacement.rule import Rule, RuleCost, Saving, saving
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
class _Reckoned:
    """Everything the simulation gives for one process."""

    habit: RuleCost | None
    same: DepthPolicy | NoPolicy | None
    best: DepthPolicy | NoPolicy
    by_age: RuleCost | None
    basis: Basis
    bare: dict[Rule, RuleCost]
    """The habit and the two best rules, without the assumed cost of a lost torch and plate."""


_cache: OrderedDict[str, _Reckoned] = OrderedDict()
_lock = threading.Lock()


def replacement_view(shop: Shop, actor: Actor, process_id: int | None = None) -> ReplacementView:
    """Return when to change on a process, and what the habit costs beside it.

    Parameters
    ----------
    shop, actor
    process_id : int or None
        None: the process with the most electrodes on record.

    Raises
    ------
    NotFoundError
        There is no such process, or no electrode was ever fitted on it.
    """
    require(actor, "view")
    count_for_metres(shop)
    with shop.database.read() as session:
        lives = part_lives(session)
        electrodes = [p for p in lives if p.part == PIT_PART]
        counted = Counter((p.process_id, p.process) for p in electrodes)
        choices = tuple(ProcessChoice(k, name, n) for (k, name), n in counted.most_common())
        if process_id is None and choices:
            process_id = choices[0].id
        if process_id is None:
            return _empty()
        process = session.get(Process, process_id)
        if process is None or process_id not in {c.id for c in choices}:
            raise NotFoundError(
                "process",
                f"no electrode was ever fitted on process {process_id}",
                "choose from the list",
            )
        mine = [p for p in lives if p.process_id == process_id]
        own = [p for p in mine if p.part == PIT_PART]
        # Whichever part was lost, the torch came apart before its look was due.
        out_of_turn = {p.inspection_id for p in lives if p.end == "lost" and p.inspection_id}
        use, looks = booked_use(session, own, process_id, shop.clock(), out_of_turn)
        money = costs_of(session, mine, process_id, shop.clock())
        metres = metres_per_minute(session, torches={p.torch_id for p in own})
        sheet = shop.sheet(session)
        limit = sheet.limit_for(PIT_PART, "pit-depth", selector(process))
        limit_mm = None if limit is None else float(limit_in(limit, "mm"))
        risk = _risk(session, own, float(sheet.constant("accepted-risk")))
        force = fit_in_force(shop, session)
        basis = _losses_known(session, force, lives)
        names = {slug: sheet.part(slug).name for slug in PART_SLUGS}
        ages = _ages(session, shop, mine, money, names)
        gauge = _gauge_u_mm(session, process_id)
        process_name = process.name
    # The simulation runs outside any unit of work: nobody waits while it does.
    depth = _depth(force, process_name, limit_mm, money, use, looks, risk, gauge, metres, basis)
    return ReplacementView(
        choices,
        process_id,
        process_name,
        limit,
        limit_mm,
        risk,
        basis,
        use,
        money,
        metres,
        depth,
        ages,
    )


def _empty() -> ReplacementView:
    none = CantTell(
        "No electrode was ever fitted: there is nothing to reckon with.",
        "fit the sets on the torches’ pages, and sign inspections",
    )
    nothing = NoMetres(none.reason, none.mend)
    return ReplacementView(
        (), None, "", None, None, 0.0, LossesKnown(0, None, 0), None, None, nothing, none, ()
    )


def _losses_known(session: Session, force: FitInForce, lives: Sequence[PartLife]) -> LossesKnown:
    """What the fit knew of losses in the cut, and what the book holds by now."""
    row = latest_row(session) if force.id is not None else None
    now = sum(p.part == PIT_PART and p.end == "lost" for p in lives)
    return LossesKnown(force.fit.losses.losses, None if row is None else today(row.fitted_at), now)


def _risk(session: Session, lives: Sequence[PartLife], of_sheet: float) -> float:
    """The least accepted risk of the stations that run the process."""
    torches = {p.torch_id for p in lives}
    stations = session.scalars(
        select(Station.id).join(Torch, Torch.station_id == Station.id).where(Torch.id.in_(torches))
    )
    own = [settings_of(session, s).accepted_risk for s in stations]
    return min([of_sheet if r is None else r for r in own], default=of_sheet)


def _gauge_u_mm(session: Session, process_id: int) -> float | None:
    """Uncertainty of a reading with the gauge last used on the process; None: not known."""
    u = session.scalar(
        select(Gauge.u_mm)
        .join(InspectionRow, InspectionRow.gauge_id == Gauge.id)
        .where(InspectionRow.process_id == process_id, InspectionRow.state == "signed")
        .order_by(InspectionRow.signed_at.desc())
        .limit(1)
    )
    return u if u else None


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


def _depth(
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
    reckoned = _reckon(force, process, limit_mm, money, use, use.gaps, mix, habit, risk, gauge_u_mm)

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


def _reckon(
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
) -> _Reckoned:
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
    found = _Reckoned(
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


def _ages(
    session: Session,
    shop: Shop,
    lives: Sequence[PartLife],
    money: CostsUsed,
    names: dict[str, str],
) -> tuple[AgeAdvice, ...]:
    """Best ages of the parts that were lost in the cut, by their lives alone."""
    out = []
    for slug in PART_SLUGS:
        mine = [p for p in lives if p.part == slug]
        lost = sum(p.end == "lost" for p in mine)
        if not lost and slug != PIT_PART:
            continue
        price = money.parts
        if slug not in (PIT_PART, NOZZLE):
            newest = max(mine, key=lambda p: (p.fitted_at, p.item_id))
            known = price_at(session, newest.part_type_id, shop.clock())
            if known is None or known[1] != money.currency:
                why = CantTell(f"The shelf has no price of the {names[slug].lower()}.", "set one")
                out.append(AgeAdvice(slug, names[slug], len(mine), lost, 0, 0, why, why.reason))
                continue
            price = known[0]
        planned = money.costs.look + money.costs.change - money.parts + price
        loss = money.costs.loss - money.parts + price
        found = _age_of(mine, lost, planned, loss, names[slug])
        words = found.reason if isinstance(found, CantTell) else age_words(found, money.currency)
        out.append(AgeAdvice(slug, names[slug], len(mine), lost, planned, loss, found, words))
    return tuple(out)


def _age_of(
    lives: Sequence[PartLife], lost: int, planned: float, loss: float, name: str
) -> AgeRange | CantTell:
    if lost < FEWEST_ENDS:
        so_far = "None" if not lost else f"Only {lost}"
        return CantTell(
            f"{so_far} of {len(lives)} {'were' if lost > 1 else 'was'} lost in the cut: too few to "
            f"tell an age ({FEWEST_ENDS} at least).",
            "nothing to do: every loss that is signed counts",
        )
    try:
        told = tell(lives_for(lives, "lost", "starts"))
    except FitRefusedError as error:
        return CantTell(f"{name}: {error.reason}.", error.mend)
    if isinstance(told, TooFewToTell):
        return CantTell(f"{told.reason[:1].upper()}{told.reason[1:]}.", told.mend)
    return best_age_of(told.fit, planned, loss, draws_seed=SEED)
