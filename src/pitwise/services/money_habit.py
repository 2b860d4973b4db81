"""What the present habit of changing costs, told for the money page; see `replacement`."""

from __future__ import annotations

from dataclasses import dataclass

from pitwise.services.amounts import fine_text, money_text
from pitwise.services.permissions import Actor, require
from pitwise.services.replacement import replacement_view
from pitwise.services.replacement_model import ReplacementView
from pitwise.services.shopfloor import Shop
from pitwise.wear.cant_tell import CantTell


@dataclass(frozen=True)
class HabitLine:
    """One process' habit.

    Attributes
    ----------
    process_id : int
    process : str
    verdict : str
        What is advised, or why it can't be told.
    cost : str
        What looks, changes and losses cost under the habit, with its range; "" when not told.
    saves : str
        What the advice saves a year, with its range; "" when not told.
    """

    process_id: int
    process: str
    verdict: str
    cost: str
    saves: str


def habit_lines(shop: Shop, actor: Actor) -> list[HabitLine]:
    """Return every process' habit; takes seconds when it was not reckoned yet."""
    require(actor, "view")
    first = replacement_view(shop, actor)
    out = []
    for choice in first.choices:
        same = choice.id == first.process_id
        out.append(_line(first if same else replacement_view(shop, actor, choice.id), choice.id))
    return out


def _line(view: ReplacementView, process_id: int) -> HabitLine:
    depth = view.depth
    if isinstance(depth, CantTell):
        return HabitLine(process_id, view.process, f"{depth.reason} {depth.mend}", "", "")
    cost = saves = ""
    unit = view.money.currency if view.money is not None else ""
    if not isinstance(depth.habit, CantTell):
        money = depth.habit.money
        year, start = money.per_year, money.per_start
        cost = f"{money_text(year.value)} {unit} a year"
        if year.low is not None and year.high is not None:
            cost += f" ({money_text(year.low)} to {money_text(year.high)})"
        cost += f", {fine_text(start.value)} {unit} a start"
    gain = depth.advised.saving_a_year if depth.advised is not None else None
    if gain is not None and gain.value > 0:
        saves = f"{money_text(gain.value)} {unit} a year"
        if gain.low is not None and gain.high is not None:
            low = money_text(gain.low).replace("-", "−")
            saves += f" ({low} to {money_text(gain.high)})"
            if gain.low <= 0:
                saves += ": it may be nothing"
        if view.money is not None and view.money.assumed:
            saves += ", by partly assumed costs"
    return HabitLine(process_id, view.process, depth.verdict, cost, saves)
