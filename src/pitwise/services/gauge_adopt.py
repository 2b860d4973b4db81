"""What of a finished gauge study may become a gauge's uncertainty, and why so much.

A gauge's u taken too small makes wrong *keeps*. So a study that knows its spread only roughly
gives the upper end of that spread's 95 % range, and one of two parts gives nothing. The bounds
here are our own choice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from pitwise.measure.gauge import GaugeStudy

#: Fewer parts show too little of the depths a gauge meets.
FEWEST_PARTS = 3
#: A 95 % range that runs up to more times the spread tells it only roughly. About this much it
#: is with five degrees of freedom, u then known to a third (JCGM 100, E.4.3: 1/√(2 df)).
ROUGH = 2.5
LARGEST_MM = 1.0
#: A u that falls below so much of the one that held is asked about.
ASK_BELOW = 0.7


@dataclass(frozen=True)
class Adoptable:
    """A gauge's u by a study.

    Attributes
    ----------
    u_mm : float or None
        To three figures; None where the study may not set it, `problem` and `mend` say why.
    upper : bool
        It is the upper end of the 95 % range.
    why : str
        What it is and why, in words.
    problem, mend : str
        Empty where there is a u.
    """

    u_mm: float | None
    upper: bool
    why: str
    problem: str = ""
    mend: str = ""

    def asks(self, now_mm: float) -> bool:
        """Return whether so large a fall of the gauge's u is asked about first."""
        return self.u_mm is not None and self.u_mm < ASK_BELOW * now_mm


def _refused(problem: str, mend: str) -> Adoptable:
    return Adoptable(None, False, "", problem, mend)


def adoptable(g: GaugeStudy, rounding: float, mm_per_unit: float) -> Adoptable:
    """Return the u that a study allows.

    Parameters
    ----------
    g : GaugeStudy
        By analysis of variance.
    rounding : float
        Standard uncertainty of rounding to the gauge's steps, in the study's unit.
    mm_per_unit : float

    Returns
    -------
    Adoptable
    """
    if g.parts < FEWEST_PARTS:
        return _refused(
            f"a study of {g.parts} parts is too small to set a gauge’s u",
            "study ten parts from shallow to deep, or set the u on the Shop page",
        )
    high = g.gauge.high if g.gauge.high is not None else math.inf
    few = high > ROUGH * g.gauge.sd
    upper = few or g.people == 1
    spread = high if upper else g.gauge.sd
    u = max(spread, rounding)
    u_mm = u * mm_per_unit
    if not u_mm > 0:
        return _refused(
            "every reading of a part was the same, and no steps of the gauge are seen",
            "study parts that differ, with a gauge that shows finer steps",
        )
    if u_mm > LARGEST_MM:
        return _refused(
            f"{u_mm:.3g} mm can’t be a gauge’s"
            + (", and that is how far the spread’s 95 % range runs" if upper else ""),
            "study more parts with more people"
            if upper
            else "look at how the gauge is used, then study again",
        )
    if u > spread:
        why = "rounding to the gauge’s steps alone; the readings scattered less"
    elif g.people == 1:
        why = (
            "the upper end of the 95 % range: one person measured, and how far others read "
            "otherwise is not in it"
        )
    elif few:
        why = (
            "the upper end of the 95 % range: so small a study knows the spread only roughly "
            f"(the range runs up to {high / g.gauge.sd:.2g} times it); more people bring it down"
            if g.gauge.sd > 0
            else "the upper end of the 95 % range; no spread was seen"
        )
    else:
        why = "the spread of one reading by any of these people"
    return Adoptable(float(f"{u_mm:.3g}"), upper, why)
