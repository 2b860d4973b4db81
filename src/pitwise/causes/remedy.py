"""Which of a cause's remedies comes first: not one whose own finding was looked for in vain."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping

from pitwise.causes.observe import State
from pitwise.trade.cause_rows import Remedy
from pitwise.trade.model import Sheet

# From these odds on, what a reading tells counts as seen or absent where it is held against
# plain words (our own choice, no source).
PLAIN_ODDS = math.log(9)


def plainly_absent(states: Mapping[str, State], ratios: Mapping[str, float]) -> frozenset[str]:
    """Return the findings looked for and not there, or told so by a reading at 9 to 1.

    Parameters
    ----------
    states : mapping of str to str
        What was looked at; it goes before what was read.
    ratios : mapping of str to float
        Natural-log likelihood ratios of what was read or reckoned.
    """
    read = {s for s, ratio in ratios.items() if ratio <= -PLAIN_ODDS and s not in states}
    return frozenset({s for s, state in states.items() if state == "absent"} | read)


def first_remedy(
    sheet: Sheet, cause: str, absent: Collection[str], tried: Collection[str] = ()
) -> Remedy | None:
    """Return the remedy of a cause to try now; None where all were tried.

    One whose own findings (`Remedy.unless_absent`) are all absent is passed over while
    another is left.
    """
    left = [r for r in sheet.remedies_of(cause) if r.id not in tried]
    fit = [r for r in left if not r.unless_absent or not set(r.unless_absent) <= set(absent)]
    return next(iter(fit or left), None)


def first_remedies(sheet: Sheet, absent: Collection[str]) -> dict[str, Remedy]:
    """Return the remedy of each cause to try first."""
    found = {c.id: first_remedy(sheet, c.id, absent) for c in sheet.causes}
    return {cause: row for cause, row in found.items() if row is not None}
