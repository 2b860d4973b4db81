"""What the page of when to change is made from."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from pitwise.services.metres import MetresPerMinute, NoMetres, Ranged
from pitwise.trade.model import Limit
from pitwise.wear.cant_tell import CantTell
from pitwise.wear.replacement.age import AgeRange
from pitwise.wear.replacement.depth import DepthPolicy
from pitwise.wear.replacement.gaps import NoUsualGap, UsualGaps
from pitwise.wear.replacement.rule import ChangeCosts, RuleCost, Saving


@dataclass(frozen=True)
class MoneyLine:
    """One figure the costs are made of, and where it is from."""

    name: str
    value: float
    origin: str
    assumed: bool


@dataclass(frozen=True)
class CostsUsed:
    """What a look, a change and a loss cost on a process.

    Attributes
    ----------
    costs : ChangeCosts
    parts : float
        Electrode and nozzle, changed together.
    currency : str
    lines : tuple of MoneyLine
    notes : tuple of str
        What could not be used, and why.
    without_assumed_loss : ChangeCosts or None
        The costs with those of a lost torch and a scrapped plate that the shop has not set
        left at 0; None where it has set both.
    """

    costs: ChangeCosts
    parts: float
    currency: str
    lines: tuple[MoneyLine, ...]
    notes: tuple[str, ...]
    without_assumed_loss: ChangeCosts | None = None

    @property
    def assumed(self) -> tuple[str, ...]:
        """Names of the figures that the shop has not set."""
        return tuple(line.name for line in self.lines if line.assumed)


@dataclass(frozen=True)
class LossesKnown:
    """Electrodes lost in the cut, of all processes.

    Attributes
    ----------
    by_fit : int
        The wear fit in force knew, and its chance of a loss is fitted to.
    fitted_on : date or None
        The day of that fit; None: none is stored, the sheet's prior speaks.
    now : int
        Those on record by now.
    """

    by_fit: int
    fitted_on: dt.date | None
    now: int


@dataclass(frozen=True)
class BookedUse:
    """What electrodes of a process did, as the book has it.

    Attributes
    ----------
    lives, ended, lost, by_pit, other : int
        Electrodes; those that ended; lost in the cut; changed for their pit; ended otherwise.
    starts, arc_minutes : float
        Made by all of them.
    days : float
        From the first fitting to now.
    gaps : UsualGaps or NoUsualGap
        Starts from look to look, or from new to the first, of the newest looks.
    looks : int
    depth_at_change_mm : float or None
        Middle of the readings at which they were changed for their pit.
    depth_low_mm, depth_high_mm : float or None
        A quarter of the changes were shallower, a quarter deeper.
    starts_at_end : float or None
        Middle of the starts of those that ended.
    """

    lives: int
    ended: int
    lost: int
    by_pit: int
    other: int
    starts: float
    arc_minutes: float
    days: float
    gaps: UsualGaps | NoUsualGap
    looks: int
    depth_at_change_mm: float | None
    depth_low_mm: float | None
    depth_high_mm: float | None
    starts_at_end: float | None

    @property
    def starts_a_year(self) -> float:
        """At the pace on record."""
        return 365.25 * self.starts / max(self.days, 1.0)


@dataclass(frozen=True)
class Money:
    """A rule's cost told four ways, each with its range.

    Attributes
    ----------
    per_start : Ranged
    per_arc_hour : Ranged or CantTell
    per_metre : Ranged or NoMetres
    per_year : Ranged
        At the pace on record.
    """

    per_start: Ranged
    per_arc_hour: Ranged | CantTell
    per_metre: Ranged | NoMetres
    per_year: Ranged


@dataclass(frozen=True, eq=False)
class RuleLine:
    """A rule of change beside others.

    Attributes
    ----------
    name : str
    cost : RuleCost
    money : Money
    saving : Saving or None
        Against the habit; None where there is none to hold it against.
    saving_a_year : Ranged or None
    accepted_risk : float
    """

    name: str
    cost: RuleCost
    money: Money
    saving: Saving | None
    saving_a_year: Ranged | None
    accepted_risk: float

    @property
    def every(self) -> int:
        """Starts between looks, in the mean."""
        return round(sum(self.cost.rule.gaps) / len(self.cost.rule.gaps))


@dataclass(frozen=True, eq=False)
class DepthAdvice:
    """Rules by depth: the habit, the best at its own looks, the best of all, by age alone.

    Attributes
    ----------
    habit : RuleLine or CantTell
    same_looks : DepthPolicy or CantTell
        The best depth at the looks the shop makes now.
    best : DepthPolicy or CantTell
        The best depth and interval.
    advised : RuleLine or None
        The line of what is advised; the habit where nothing is won by leaving it.
    policy : DepthPolicy or None
        The policy the advised line is the best of, or the best of all.
    lines : tuple of RuleLine
        For the table, the habit first.
    verdict : str
        In one sentence, for the head of the page.
    words : tuple of str
        How far the verdict may be trusted.
    """

    habit: RuleLine | CantTell
    same_looks: DepthPolicy | CantTell
    best: DepthPolicy | CantTell
    advised: RuleLine | None
    policy: DepthPolicy | None
    lines: tuple[RuleLine, ...]
    verdict: str
    words: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class AgeAdvice:
    """The best age of one part by its lives alone.

    Attributes
    ----------
    part, name : str
    lives, lost : int
    planned, loss : float
    found : AgeRange or CantTell
    words : str
    """

    part: str
    name: str
    lives: int
    lost: int
    planned: float
    loss: float
    found: AgeRange | CantTell
    words: str


@dataclass(frozen=True)
class ProcessChoice:
    """A process that can be chosen."""

    id: int
    name: str
    electrodes: int


@dataclass(frozen=True, eq=False)
class ReplacementView:
    """When to change on one process.

    Attributes
    ----------
    choices : tuple of ProcessChoice
        Most electrodes first.
    process_id : int or None
        None: the book has no electrode yet.
    process : str
    limit : Limit or None
    limit_mm : float or None
    accepted_risk : float
    losses : LossesKnown
    use : BookedUse or None
    money : CostsUsed or None
    metres : MetresPerMinute or NoMetres
    depth : DepthAdvice or CantTell
    ages : tuple of AgeAdvice
    """

    choices: tuple[ProcessChoice, ...]
    process_id: int | None
    process: str
    limit: Limit | None
    limit_mm: float | None
    accepted_risk: float
    losses: LossesKnown
    use: BookedUse | None
    money: CostsUsed | None
    metres: MetresPerMinute | NoMetres
    depth: DepthAdvice | CantTell
    ages: tuple[AgeAdvice, ...]
