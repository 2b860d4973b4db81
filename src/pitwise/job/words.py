"""An outlook said in words."""

from __future__ import annotations

from pitwise.job.outlook import (
    Change,
    Outlook,
)

_MOST_NAMED = 4


def percent(p: float) -> str:
    """Say a chance: never 0 % or 100 %, which no forecast knows."""
    if p > 0.995:
        return "over 99 %"
    if p < 0.005:
        return "under 1 %"
    return f"{100 * p:.0f} %"


def change_words(change: Change, outlook: Outlook) -> str:
    """Say one change of the plan."""
    if change.cut is not None:
        name = outlook.plates[change.after].plate.name
        # A drawing's cuts stand in no line of a program.
        where = "next pierce" if change.line is None else f"pierce in line {change.line}"
        return (
            f"change in plate {change.after + 1} ({name}), before the {where}, "
            f"{change.cut} cuts done"
        )
    if change.after == 0:
        return "change now, before the first plate"
    return f"change after plate {change.after} ({outlook.plates[change.after - 1].plate.name})"


def plan_words(outlook: Outlook) -> tuple[str, ...]:
    """Say the plan, sentence by sentence."""
    last = outlook.plates[-1]
    n = len(outlook.plates)
    plates = "the plate" if n == 1 else f"all {n} plates"
    sentences = []
    if not outlook.changes:
        sentences.append(
            f"Run on: the present set finishes {plates} below the limit with a chance of "
            f"{percent(last.p_finish)}."
        )
    else:
        named = [change_words(c, outlook) for c in outlook.changes[:_MOST_NAMED]]
        more = len(outlook.changes) - len(named)
        if more:
            named.append(f"{more} more change{'s' if more > 1 else ''} further on")
        done = ", ".join(named[:-1]) + " and " + named[-1] if len(named) > 1 else named[0]
        sentences.append(f"{done[0].upper()}{done[1:]}.")
        sentences.append(
            f"Without a change the set finishes {plates} with a chance of {percent(last.p_finish)}."
        )
    if any(c.cut is not None for c in outlook.changes):
        sentences.append(
            "A change inside a plate is planned only where the plate alone outlasts a new set."
        )
    for number in outlook.too_long:
        sentences.append(
            f"Plate {number} ({outlook.plates[number - 1].plate.name}) asks more of a set than "
            "even a new one gives within the accepted risk, and has no pierce to change at: "
            "look at its process or part the job."
        )
    if outlook.sets_to_have:
        spare = (
            f", {outlook.spare_sets} of them in case one is lost in the cut"
            if outlook.spare_sets
            else ""
        )
        sets = "set" if outlook.sets_to_have == 1 else "sets"
        sentences.append(
            f"Have {outlook.sets_to_have} new {sets} (electrode and nozzle) on the bench{spare}."
        )
    return tuple(sentences)
