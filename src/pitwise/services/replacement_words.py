"""What the page of when to change says, in plain sentences made from the numbers."""

from __future__ import annotations

import math
from typing import Literal

from scipy.stats import binomtest

from pitwise.services.metres import Ranged
from pitwise.services.periods import day_words
from pitwise.services.replacement_costs import LOSS_LINES
from pitwise.services.replacement_model import BookedUse, CostsUsed, LossesKnown, RuleLine
from pitwise.wear.hazard import ENOUGH_LOSSES
from pitwise.wear.replacement.age import AgeRange
from pitwise.wear.replacement.depth import FLAT, DepthPolicy
from pitwise.wear.replacement.rule import mean_gap
from pitwise.wear.state import Basis

SURE = 0.9
"""Chance of a saving below which it is called doubtful (our own choice)."""
_DISAGREES = 0.05
_CUT_SHORT = 0.01


def amount(value: float) -> str:
    """Write an amount to three figures, no finer than it is known."""
    size = abs(value)
    if size >= 1000:
        digits = 10 ** (len(str(int(size))) - 3)
        return f"{round(value / digits) * digits:,.0f}".replace(",", "\u202f")
    if size >= 100:
        return f"{value:.0f}"
    if size >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if size >= 0.1 or size == 0 else f"{value:.3f}"


def ranged(figure: Ranged) -> str:
    """Write a figure with its range in brackets."""
    if figure.low is None or figure.high is None:
        return amount(figure.value)
    return f"{amount(figure.value)} ({amount(figure.low)} to {amount(figure.high)})"


def choose(
    habit: RuleLine | None, same: RuleLine | None, best: RuleLine
) -> Literal["habit", "same", "best"]:
    """Choose what is advised: nothing new, a new depth alone, or looks and depth."""
    gain = best.saving
    if habit is None or gain is None:
        return "best"
    within = habit.cost.past_share <= best.accepted_risk
    if within and (gain.share <= FLAT or gain.sure < 0.5):
        return "habit"
    if same is not None and same.saving is not None and same.saving.share >= gain.share - FLAT:
        return "same"
    return "best"


def verdict(choice: str, habit: RuleLine | None, advised: RuleLine) -> str:
    """Return the head of the page: what to do, or that there is nothing to be won."""
    if choice == "habit":
        return "The habit is about as good as the best: there is nothing to be won by changing it."
    depth = f"change when the pit reads {advised.cost.rule.depth_mm:.2f} mm or more"
    if choice == "same":
        said = f"Look as often as now, and {depth}."
    else:
        said = f"Look every {advised.every} starts, and {depth}."
    gain = advised.saving
    if habit is not None and gain is not None and gain.share <= FLAT:
        said += " That is for the limit’s sake, not for the money."
    return said


def trust_words(
    policy: DepthPolicy,
    habit: RuleLine | None,
    advised: RuleLine,
    use: BookedUse,
    money: CostsUsed,
    basis: Basis,
    process: str,
    known: LossesKnown,
    without_assumed: Ranged | None,
) -> tuple[str, ...]:
    """Return how far the advice may be trusted, most important first.

    Parameters
    ----------
    policy : DepthPolicy
        The one the advised rule is the best of.
    habit : RuleLine or None
    advised : RuleLine
    use : BookedUse
    money : CostsUsed
    basis : str
    process : str
    known : LossesKnown
    without_assumed : Ranged or None
        What the advice saves a year where the assumed cost of a lost torch and plate is left
        at 0; None where the shop has set both.
    """
    out = []
    if habit is not None:
        leans = _leans_words(money, policy.few_losses)
        said = _gain_words(habit, advised, money.currency, leans)
        if said and without_assumed is not None:
            said += f" {_bare_words(without_assumed, money)}"
        out.append(said)
        if habit.cost.past_share > policy.accepted_risk:
            out.append(
                f"Under the habit {100 * habit.cost.past_share:.0f} % of the electrodes pass the "
                f"limit of {policy.limit_mm:g} mm before they are changed: the looks, every "
                f"{habit.every} starts, come too late for a change at "
                f"{habit.cost.rule.depth_mm:.2f} mm."
            )
    out.append(_flat_words(policy))
    if policy.few_losses:
        out.append(
            f"{_known_words(known)}, and {ENOUGH_LOSSES} are needed: how the chance of a "
            "loss grows with depth rests on the trade sheet’s prior, not on this shop."
            + (f" {_doubt_words(policy)}" if policy.depth_high_mm > policy.depth_low_mm else "")
        )
    elif policy.depth_high_mm > policy.depth_low_mm:
        out.append(_doubt_words(policy))
    out.append(_limit_words(policy))
    if habit is not None:
        out.append(_against_the_book(habit, use))
    if advised.cost.cut_short > _CUT_SHORT:
        out.append(
            f"{100 * advised.cost.cut_short:.0f} % of the simulated electrodes wore so slowly that "
            "they were not followed to their end: they count as changed there."
        )
    if basis != "this-process":
        whose = "the shop’s other processes" if basis == "other-processes" else "the trade sheet"
        out.append(f"No reading on {process} yet: how fast its pits grow is guessed from {whose}.")
    if money.assumed:
        out.append(f"Assumed, not set by the shop: {', '.join(money.assumed)}.")
    out.append(
        "Only the electrode is reckoned with. Looks also find other worn parts: before looking "
        "less often, see on the page of lives what they find."
    )
    return tuple(x for x in out if x)


def _known_words(known: LossesKnown) -> str:
    """Say how many losses the fit knew, and how many there are by now where that differs."""

    def losses(count: int) -> str:
        return f"{count} loss{'' if count == 1 else 'es'} in the cut"

    if known.fitted_on is None:
        return f"No wear fit knows a loss yet ({losses(known.now)} on record)"
    day = day_words(known.fitted_on)
    if known.now == known.by_fit:
        many = f"only {losses(known.by_fit)}" if known.by_fit else "no loss in the cut"
        return f"The wear fit of {day} knows {many}, all that are on record"
    return (
        f"The wear fit of {day} knew {losses(known.by_fit)}; {known.now} are on record now, "
        "and the next fit will take them in"
    )


def _leans_words(money: CostsUsed, few_losses: bool) -> str:
    """Say in few words what a figure of money leans on; "" for nothing but the shop's own."""
    leans = []
    if money.assumed:
        leans.append("partly assumed costs")
    if few_losses:
        leans.append("the trade sheet’s chance of a loss")
    return f"Against the habit, by {' and '.join(leans)}," if leans else "Against the habit,"


def _gain_words(habit: RuleLine, advised: RuleLine, currency: str, leans: str) -> str:
    gain, year = advised.saving, advised.saving_a_year
    if gain is None or year is None:
        return ""
    if gain.per_start <= 0:
        return (
            f"{leans} it costs {amount(-year.value)} {currency} a year more "
            f"({amount(-(year.high or 0))} to {amount(-(year.low or 0))}; below 0 it saves)."
        )
    said = (
        f"{leans} it saves {amount(year.value)} {currency} a year "
        f"({amount(year.low or 0)} to {amount(year.high or 0)}), {100 * gain.share:.0f} % of what "
        f"looks, changes and losses cost now ({ranged(habit.money.per_year)} {currency})"
    )
    if gain.sure < SURE:
        said += f"; that it saves anything at all has a chance of {100 * gain.sure:.0f} % only"
    elif gain.low <= 0:
        said += f"; that it saves anything at all has a chance of {100 * gain.sure:.0f} %"
    return f"{said}."


def _bare_words(saves: Ranged, money: CostsUsed) -> str:
    """Say what is left of a saving without the assumed cost of a lost torch and plate."""
    what = " and ".join(
        f"{line.name} ({amount(line.value)} {money.currency})"
        for line in money.lines
        if line.assumed and line.name in LOSS_LINES and line.value
    )
    if saves.value <= 0:
        size, span = -saves.value, (-(saves.high or 0), -(saves.low or 0))
        left, below = "cost more, by", "; below 0 it saves"
    else:
        size, span = saves.value, (saves.low or 0, saves.high or 0)
        left, below = "save", ""
    return (
        f"Not set by the shop but assumed: {what}. At 0 the same advice would {left} "
        f"{amount(size)} {money.currency} a year ({amount(span[0])} to {amount(span[1])}{below}): "
        "set them before you act on it."
    )


def _doubt_words(policy: DepthPolicy) -> str:
    return (
        f"By the doubt of the fit the best depth may lie anywhere from {policy.depth_low_mm:.2f} "
        f"to {policy.depth_high_mm:.2f} mm."
    )


def _against_the_book(habit: RuleLine, use: BookedUse) -> str:
    """Hold the model's losses under the habit against those on record."""
    if not use.ended:
        return ""
    share = min(max(habit.cost.lost_share, 1e-9), 1 - 1e-9)
    chance = float(binomtest(use.lost, use.ended, share).pvalue)
    were = "was" if use.lost == 1 else "were"
    said = (
        f"Held against the book: under the habit the model expects {share * use.ended:.1f} of "
        f"{use.ended} electrodes lost in the cut, and {use.lost} {were}"
    )
    if chance < _DISAGREES:
        return (
            f"{said}. Chance alone seldom makes such a difference: trust the advice less, and look "
            "for what else takes electrodes on this process."
        )
    return f"{said}: they agree within chance."


def _flat_words(best: DepthPolicy) -> str:
    if best.flat_to_mm - best.flat_from_mm < 1e-9:
        return ""
    looks = ""
    if len(best.flat_every) > 1:
        looks = (
            f" So does looking every {best.flat_every[0]} to {best.flat_every[-1]} starts, each "
            "with its own best depth."
        )
    return (
        f"The curve is flat: changing at {best.flat_from_mm:.2f} to {best.flat_to_mm:.2f} mm costs "
        f"the same within {100 * FLAT:.0f} %. The exact figure does not matter.{looks}"
    )


def _limit_words(best: DepthPolicy) -> str:
    risk = f"{100 * best.accepted_risk:.3g} %"
    free = best.money_alone
    if free.past_share > best.accepted_risk and free.per_start < best.cost_per_start:
        less = 100 * (1 - free.per_start / best.cost_per_start)
        return (
            f"The limit decides, not the money: changing at {free.rule.depth_mm:.2f} mm, looking "
            f"every {mean_gap(free.rule.gaps)} starts, would cost {less:.0f} % less, but "
            f"{100 * free.past_share:.0f} % of the electrodes would pass {best.limit_mm:g} mm "
            f"before they are changed; {risk} is accepted. It is not advised."
        )
    return (
        f"Under this rule {100 * best.best.past_share:.1f} % of the electrodes pass the limit of "
        f"{best.limit_mm:g} mm before they are changed; {risk} is accepted. A pit at the limit is "
        "changed, whatever this page says."
    )


_CHANGED_EARLY = (
    "Parts changed because they looked bad were the next to be lost, and are counted as if they "
    "were like the rest: lives, and the best age, come out too long."
)


def age_words(found: AgeRange, currency: str) -> str:
    """Say what the best age is worth, and how sure it is."""
    best = found.best
    if math.isinf(best.age):
        return best.reason
    if found.saving_low <= 0:
        return (
            "The lives do not tell whether changing by age pays at all: it may cost more than "
            "waiting for the loss."
        )
    age_range = f"from {found.age_low:.0f} starts on, or never comes"
    if math.isfinite(found.age_high):
        age_range = f"between {found.age_low:.0f} and {found.age_high:.0f} starts"
    flat_to = "any later" if math.isinf(best.flat_to) else f"{best.flat_to:.0f}"
    return (
        f"Changing by age saves {100 * found.saving_low:.0f} to {100 * found.saving_high:.0f} % "
        f"against running to the loss, which costs {amount(best.run_to_loss_rate)} {currency} a "
        f"start. From {best.flat_from:.0f} to {flat_to} starts it costs nearly the same. The best "
        f"age lies {age_range} ({100 * found.level:.0f} % range). {_CHANGED_EARLY}"
    )
