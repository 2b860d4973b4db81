"""What a group of lives tells: how long they last, the curve, and how they ended."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.services.life_book import AskedEnd, Measure, PartLife, interval_of
from pitwise.wear.life.intervals import Range, survival_range
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.ratio import LifeRatio, life_ratio
from pitwise.wear.life.steps import cumulative_incidence, kaplan_meier
from pitwise.wear.life.tell import Compared, LifeTold, TooFewToTell, compare, tell
from pitwise.wear.life.turnbull import turnbull
from pitwise.wear.refusal import FitRefusedError

_POINTS = 80
LEVEL = 0.95


@dataclass(frozen=True)
class Share:
    """A share of some, with its 95 % range (Clopper and Pearson)."""

    of: int
    all: int
    low: float
    high: float


@dataclass(frozen=True)
class Ended:
    """How many of a group ended each way, or run."""

    lost: int
    worn: int
    changed: int
    running: int

    @property
    def ended(self) -> int:
        """All that are no longer in a torch."""
        return self.lost + self.worn + self.changed


@dataclass(frozen=True, eq=False)
class GroupTold:
    """A group of lives and what they tell of the asked end.

    Attributes
    ----------
    name : str
    parts : tuple of PartLife
    counts : Ended
    told : LifeTold or TooFewToTell
    lives : Lives or None
        None: no part of it has use on record.
    half, tenth : (middle, Range) or None
        By which use half, and one in ten, have come to the asked end; None: too few to tell.
    longest : float
        The longest use any of them is known to have had.
    steps : tuple of (use, share not ended)
        Corners of the curve of the lives themselves, joined by straight lines; one that slants
        says that the end lay somewhere in between.
    """

    name: str
    parts: tuple[PartLife, ...]
    counts: Ended
    told: LifeTold | TooFewToTell
    lives: Lives | None
    half: tuple[float, Range] | None
    tenth: tuple[float, Range] | None
    longest: float
    steps: tuple[tuple[float, float], ...]

    @property
    def half_seen(self) -> bool:
        """Tell whether the middle lies within the lives seen, not beyond all of them."""
        return self.half is not None and self.half[0] <= self.longest

    def curve(self, top: float) -> tuple[tuple[float, float, float, float], ...]:
        """Return (use, share, low, high) of the fit up to a use; () where nothing is told."""
        if not isinstance(self.told, LifeTold) or not top > 0:
            return ()
        at = np.linspace(0, top, _POINTS + 1)[1:]
        share = self.told.fit.survival(at)
        low, high = survival_range(self.told.fit, at, LEVEL)
        drawn = zip(at, share, low, high, strict=True)
        return (
            (0.0, 1.0, 1.0, 1.0),
            *((float(a), float(s), float(b), float(c)) for a, s, b, c in drawn),
        )


def ended_ways(parts: Sequence[PartLife]) -> Ended:
    """Count how parts ended."""
    ends = [p.end for p in parts]
    return Ended(
        ends.count("lost"), ends.count("worn"), ends.count("changed"), ends.count("running")
    )


def told_group(name: str, parts: Sequence[PartLife], end: AskedEnd, measure: Measure) -> GroupTold:
    """Tell how long a group's parts last until the asked end."""
    between = [x for x in (interval_of(p, end, measure) for p in parts) if x is not None]
    lives = None
    told: LifeTold | TooFewToTell = TooFewToTell(
        0.0,
        0.0,
        "no part of it has any use on record",
        "read the counters at the inspections",
    )
    steps: tuple[tuple[float, float], ...] = ()
    longest = 0.0
    if between:
        lives = Lives.of([low for low, _ in between], [high for _, high in between])
        told = tell(lives, LEVEL)
        longest = max(high if math.isfinite(high) else low for low, high in between)
        steps = step_corners(lives, longest)
    half = tenth = None
    if isinstance(told, LifeTold):
        half = (float(told.fit.quantile(0.5)), told.ranges["b50"])
        tenth = (float(told.fit.quantile(0.1)), told.ranges["b10"])
    return GroupTold(
        name, tuple(parts), ended_ways(parts), told, lives, half, tenth, longest, steps
    )


def step_corners(lives: Lives, longest: float) -> tuple[tuple[float, float], ...]:
    """Return the corners of the curve of the lives themselves, up to the longest of them."""
    corners = [(0.0, 1.0)]
    if lives.stepwise:
        steps = kaplan_meier(lives)
        for at, share in zip(steps.time, steps.survival, strict=True):
            corners += [(float(at), corners[-1][1]), (float(at), float(share))]
    else:
        try:
            found = turnbull(lives)
        except FitRefusedError:
            # Without its steps the fitted curve still stands; the picture says which is which.
            return ()
        for begun, done, mass in zip(found.from_, found.to, found.mass, strict=True):
            left = corners[-1][1]
            corners.append((float(begun), left))
            if math.isfinite(done):
                corners.append((float(done), max(0.0, left - float(mass))))
    if corners[-1][0] < longest and corners[-1][1] > 0:
        corners.append((longest, corners[-1][1]))
    return tuple(corners)


def compared(groups: Sequence[GroupTold]) -> Compared | TooFewToTell | None:
    """Compare the groups that have lives; None where there are not two of them."""
    known: Mapping[str, Lives] = {g.name: g.lives for g in groups if g.lives is not None}
    return compare(known) if len(known) > 1 else None


def ratio_of(
    groups: Sequence[GroupTold], *, after_first: bool = False
) -> LifeRatio | TooFewToTell | None:
    """Return how many times as long the first of two groups lasts as the second.

    Parameters
    ----------
    groups : sequence of GroupTold
    after_first : bool
        The second over the first instead.

    Returns
    -------
    LifeRatio, TooFewToTell or None
        None where there are not two groups with lives.
    """
    if len(groups) != 2:
        return None
    one, other = (g.lives for g in (reversed(groups) if after_first else groups))
    return life_ratio(one, other, LEVEL) if one is not None and other is not None else None


def way_corners(
    parts: Sequence[PartLife], measure: Measure
) -> dict[str, tuple[tuple[float, float], ...]]:
    """Return the share of all fitted that ended each way, by use: corners of a step curve.

    Ends found at an inspection count at the use they were found at.
    """
    uses = [(float(p.starts) if measure == "starts" else p.arc_minutes, p.end) for p in parts]
    known = [(use, "" if end == "running" else end) for use, end in uses if use > 0]
    if not any(end for _, end in known):
        return {}
    found = cumulative_incidence([use for use, _ in known], [end for _, end in known])
    longest = max(use for use, end in known if end)
    out = {}
    for way, steps in found.items():
        corners = [(0.0, 0.0)]
        for at, left in zip(steps.time, steps.survival, strict=True):
            corners += [(float(at), corners[-1][1]), (float(at), 1 - float(left))]
        if corners[-1][0] < longest:
            corners.append((longest, corners[-1][1]))
        out[way] = tuple(corners)
    return out
