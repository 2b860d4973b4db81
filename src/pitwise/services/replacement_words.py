"""What the page of when to change says, in plain sentences made from the numbers."""

from __future__ import annotations

import math

from pitwise.services.metres import Ranged
from pitwise.services.replacement_model import CostsUsed, RuleLine
from pitwise.wear.hazard import ENOUGH_LOSSES
from pitwise.wear.replacement.age import AgeRange
from pitwise.wear.replacement.depth import FLAT, DepthPolicy
from pitwise.wear.state import Basis

SURE = 0.9
"""Chance of a saving from which it is called likely (our own choice)."""


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


def verdict(
    habit: RuleLine | None, same: DepthPolicy | None, best: DepthPolicy, lines: dict[str, RuleLine]
) -> str:
    """Return the head of the page: what to do, or that there is nothing to be won."""
    if habit is None:
        return (
            f"Look every {best.every_starts} starts and change when the pit reads "
            f"{best.depth_mm:.2f} mm or more."
        )
    over = habit.cost.past_share > best.accepted_risk
    gain = lines["best"].saving
    if gain is None or gain.share <= FLAT or gain.sure < 0.5:
        if over:
            return (
                f"The habit is about as cheap as the best, but under it "
                f"{100 * habit.cost.past_share:.0f} % of the electrodes pass the limit before "
                f"they are changed: change at {best.depth_mm:.2f} mm, looking every "
                f"{best.every_starts} starts."
            )
        return "The habit is about as good as the best: there is nothing to be won by changing it."
    if same is not None and (kept := lines["same"].saving) and kept.share >= 0.8 * gain.share:
        return (
            f"Look as often as now, and change when the pit reads {same.depth_mm:.2f} mm or more."
        )
    return (
        f"Look every {best.every_starts} starts and change when the pit reads "
        f"{best.depth_mm:.2f} mm or more."
    )


def trust_words(
    best: DepthPolicy,
    habit: RuleLine | None,
    best_line: RuleLine,
    money: CostsUsed,
    basis: Basis,
    process: str,
) -> tuple[str, ...]:
    """Return how far the advice may be trusted, most important first."""
    out = []
    gain, year = best_line.saving, best_line.saving_a_year
    if habit is not None and gain is not None and year is not None:
        said = (
            f"Against the habit that saves {amount(year.value)} {money.currency} a year "
            f"({amount(year.low or 0)} to {amount(year.high or 0)}), "
            f"{100 * gain.share:.0f} % of what electrodes cost now"
        )
        if gain.per_start <= 0:
            said = (
                f"Against the habit that costs {amount(-year.value)} {money.currency} a year more "
                f"({amount(-(year.high or 0))} to {amount(-(year.low or 0))})"
            )
        elif gain.sure < SURE:
            said += f"; that it saves anything at all has a chance of {100 * gain.sure:.0f} % only"
        out.append(f"{said}.")
    out.append(_flat_words(best))
    if best.few_losses:
        count = best.losses_on_record
        many = "No loss" if not count else f"Only {count} loss{'' if count == 1 else 'es'}"
        out.append(
            f"{many} in the cut on record, and {ENOUGH_LOSSES} are needed: how the chance of a "
            "loss grows with depth rests on the trade sheet’s prior, not on this shop. By that "
            f"doubt the best depth may lie anywhere from {best.depth_low_mm:.2f} to "
            f"{best.depth_high_mm:.2f} mm."
        )
    elif best.depth_high_mm > best.depth_low_mm:
        out.append(
            f"By the doubt of the fit the best depth lies between {best.depth_low_mm:.2f} and "
            f"{best.depth_high_mm:.2f} mm."
        )
    out.append(_limit_words(best))
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


def _flat_words(best: DepthPolicy) -> str:
    if best.flat_to_mm - best.flat_from_mm < 1e-9:
        return ""
    also = [n for n in best.flat_every if n != best.every_starts]
    looks = f", and looking every {also[0]} to {also[-1]} starts" if len(also) > 1 else ""
    return (
        f"The curve is flat: from {best.flat_from_mm:.2f} to {best.flat_to_mm:.2f} mm{looks} costs "
        f"the same within {100 * FLAT:.0f} %. The exact figure does not matter."
    )


def _limit_words(best: DepthPolicy) -> str:
    risk = f"{100 * best.accepted_risk:.3g} %"
    free = best.money_alone
    if free.past_share > best.accepted_risk and free.per_start < best.cost_per_start:
        less = 100 * (1 - free.per_start / best.cost_per_start)
        return (
            f"The limit decides, not the money: changing at {free.rule.depth_mm:.2f} mm, looking "
            f"every {free.rule.gaps[0]} starts, would cost {less:.0f} % less, but "
            f"{100 * free.past_share:.0f} % of the electrodes would pass {best.limit_mm:g} mm "
            f"before they are changed; {risk} is accepted. It is not advised."
        )
    return (
        f"Under this rule {100 * best.best.past_share:.1f} % of the electrodes pass the limit of "
        f"{best.limit_mm:g} mm before they are changed; {risk} is accepted. A pit at the limit is "
        "changed, whatever this page says."
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
    flat_to = "any later" if math.isinf(best.flat_to) else f"{best.flat_to:.0f}"
    return (
        f"Changing by age saves {100 * found.saving_low:.0f} to {100 * found.saving_high:.0f} % "
        f"against running to the loss, which costs {amount(best.run_to_loss_rate)} {currency} a "
        f"start. From {best.flat_from:.0f} to {flat_to} starts it costs nearly the same."
    )
