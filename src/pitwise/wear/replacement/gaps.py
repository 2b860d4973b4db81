r"""How many starts a shop lets pass between looks, from gaps some of which a loss cut short.

A loss in the cut brings a look before it is due, and long gaps meet one more often than short
ones. Left out, those gaps make the shop look more often than it does; taken as they are, more
often still. Each says that its look was due no earlier: it is right-censored, and Kaplan and
Meier's estimate takes it so. With :math:`S` that curve, the mean gap and its variance are

.. math:: \mu = \int_0^L S, \quad
          \hat V = \frac{m}{m - 1} \sum_i \Bigl(\int_{t_i}^L S\Bigr)^2 \frac{d_i}{n_i(n_i - d_i)},

with :math:`L` the longest gap, :math:`m` whole gaps (Kaplan & Meier 1958, sec. 2.4; Klein &
Moeschberger, Survival Analysis, sec. 4.5; both from memory). What the curve leaves beyond
:math:`L` is laid at :math:`L` (Efron, Proc. Fifth Berkeley Symp. 4 (1967) 831; from memory).

Assumed: a loss does not hang on when the next look was due, and gaps are alike whatever the
depth. A shop that looks more often as the pit deepens loses electrodes chiefly in its short
gaps, and its mean comes out too long.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.wear.life.intervals import deviate
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.steps import Steps, kaplan_meier
from pitwise.wear.prior import Floats
from pitwise.wear.replacement.rule import LEVEL


@dataclass(frozen=True)
class Gap:
    """Starts from look to look, >= 1; cut short: a loss brought the look before it was due."""

    starts: int
    cut_short: bool = False


@dataclass(frozen=True)
class UsualGaps:
    """Gaps between looks, were none cut short.

    Attributes
    ----------
    starts : tuple of int
        Rising, each as likely: what `pitwise.wear.replacement.rule.Rule` takes.
    mean : float
    se : float
        Standard error of it; NaN with a single whole gap.
    whole, cut_short : int
        What it rests on.
    beyond : float
        Share of gaps of which is only known that they are no shorter than the longest: above 0
        the mean is a least one.
    """

    starts: tuple[int, ...]
    mean: float
    se: float
    whole: int
    cut_short: int
    beyond: float

    @property
    def low(self) -> float | None:
        """Lower end of the mean's range at `LEVEL`; None with a single whole gap."""
        return self._end(-1)

    @property
    def high(self) -> float | None:
        """Upper end of it."""
        return self._end(1)

    def _end(self, side: int) -> float | None:
        if math.isnan(self.se):
            return None
        return max(0.0, self.mean + side * deviate(LEVEL) * self.se)


@dataclass(frozen=True)
class NoUsualGap:
    """No look came when it was due: why nothing is told, and what mends it. Falsy."""

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Return False."""
        return False


def usual_gaps(gaps: Sequence[Gap]) -> UsualGaps | NoUsualGap:
    """Return the gaps a shop looks at, whole or cut short.

    Parameters
    ----------
    gaps : sequence of Gap
        In any order.
    """
    whole = sum(not g.cut_short for g in gaps)
    mend = "type the counters at inspections, and sign them"
    if not gaps:
        return NoUsualGap("No starts between two looks are on record", mend)
    if not whole:
        return NoUsualGap("Every look so far came of a loss in the cut", mend)
    starts = np.array([g.starts for g in gaps], float)
    ends = np.where([g.cut_short for g in gaps], np.inf, starts)
    curve = kaplan_meier(Lives.of(starts, ends))
    longest, beyond = float(starts.max()), float(curve.survival[-1])
    at = np.append(curve.time, longest)
    mass = np.append(-np.diff(curve.survival, prepend=1.0), beyond)
    return UsualGaps(
        _alike(at, mass, len(gaps)),
        float(mass @ at),
        _standard_error(curve, longest, whole),
        whole,
        len(gaps) - whole,
        beyond,
    )


def _alike(at: Floats, mass: Floats, count: int) -> tuple[int, ...]:
    """Part a distribution into so many gaps, each as likely, that keep its mean.

    Each is the mean of its own slice. With none cut short they are the gaps themselves.
    """
    reached = np.concatenate([[0.0], np.cumsum(mass)])
    summed = np.concatenate([[0.0], np.cumsum(mass * at)])
    edges = np.linspace(0.0, reached[-1], count + 1)
    slices = np.diff(np.interp(edges, reached, summed)) * count / reached[-1]
    return tuple(max(1, int(x)) for x in np.rint(slices))


def _standard_error(curve: Steps, longest: float, whole: int) -> float:
    if whole < 2:
        return math.nan
    widths = np.diff(np.append(curve.time, longest))
    beyond = np.cumsum((widths * curve.survival)[::-1])[::-1]
    left = curve.at_risk - curve.ended
    # Where all that were left ended, nothing lies beyond.
    told = (beyond > 0) & (left > 0)
    terms = beyond[told] ** 2 * curve.ended[told] / (curve.at_risk[told] * left[told])
    return math.sqrt(whole / (whole - 1) * float(terms.sum()))
