"""What lives tell, or why they don't yet."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from pitwise.wear.refusal import FitRefusedError

from .intervals import Range, wald
from .lives import Lives
from .profile import ProfileNotDoneError, profile
from .steps import LogRank, logrank
from .weibull import WeibullFit, fit_weibull

# Our own choices, no source: a shape from fewer ends is chance, and a middle life that may be
# 30 times as long as it may be short helps nobody.
FEWEST_ENDS = 3
WIDEST = 30.0

Kind = Literal["early", "chance", "wear"]
_SAID = 0.05


@dataclass(frozen=True)
class TooFewToTell:
    """Lives that say nothing yet.

    Attributes
    ----------
    ends, lives : float
        How many ended, of how many.
    reason, mend : str
        For a person: why, and what to wait for or do.
    """

    ends: float
    lives: float
    reason: str
    mend: str


@dataclass(frozen=True, eq=False)
class LifeTold:
    """A fit with its ranges.

    Attributes
    ----------
    fit : WeibullFit
    ranges : dict of str to Range
        ``shape``, ``scale``, ``b10``, ``b50``, of `level`.
    level : float
    way : {"likelihood", "curvature"}
        How the ranges were made: `profile`, or `wald` where that did not come to rest.
    kind : {"early", "chance", "wear"}
        Whether the range of the shape lies below 1 (early failures: most end young), above 1
        (wear: the older, the likelier to end), or holds 1 (not told from pure chance).
    """

    fit: WeibullFit
    ranges: dict[str, Range]
    level: float
    way: Literal["likelihood", "curvature"]
    kind: Kind


@dataclass(frozen=True)
class Compared:
    """Groups of lives beside each other.

    Attributes
    ----------
    logrank : LogRank or None
        None where an end is only known between two looks, or no two groups were at risk.
    likelihood_ratio : LogRank or None
        One Weibull fit for all against one each; None where fewer than two groups have a fit.
    words : str
        What they say, in a sentence or two.
    compared, left_out : tuple of str
        Groups in the likelihood ratio, and those without a fit.
    """

    logrank: LogRank | None
    likelihood_ratio: LogRank | None
    words: str
    compared: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()


def tell(lives: Lives, level: float = 0.95) -> LifeTold | TooFewToTell:
    """Fit lives, unless they are too few to tell.

    Parameters
    ----------
    lives : Lives
    level : float
        Of the ranges.

    Returns
    -------
    LifeTold or TooFewToTell
        The latter with fewer than 3 ends, where there is no best fit, and where the range of
        the life that half outlive has a high end more than 30 times its low one (our own
        choices, no source).

    Raises
    ------
    FitRefusedError
        `level` is not between 0 and 1.
    """
    ends, total = lives.ends, lives.total
    if ends < FEWEST_ENDS:
        return TooFewToTell(
            ends,
            total,
            f"{_number(ends)} of {_number(total)} lives ended: too few to tell",
            f"wait for {FEWEST_ENDS} ends",
        )
    try:
        fit = fit_weibull(lives)
    except FitRefusedError as refused:
        return TooFewToTell(ends, total, refused.reason, refused.mend)
    way: Literal["likelihood", "curvature"] = "likelihood"
    try:
        ranges = profile(lives, fit, level)
    except ProfileNotDoneError:
        way, ranges = "curvature", wald(fit, level)
    half = ranges["b50"]
    if not half.high <= WIDEST * half.low:
        return TooFewToTell(
            ends,
            total,
            "the lives leave it open how long half of them last: the range is too wide",
            "wait for more lives that have ended",
        )
    return LifeTold(fit, ranges, level, way, _kind(ranges["shape"]))


def _kind(shape: Range) -> Kind:
    if shape.low > 1:
        return "wear"
    return "early" if shape.high < 1 else "chance"


def _number(count: float) -> str:
    return f"{count:.0f}" if count == round(count) else f"{count:.4g}"


def compare(groups: Mapping[str, Lives]) -> Compared | TooFewToTell:
    """Compare groups: log-rank where every end is exact, Weibull likelihood ratio always.

    Parameters
    ----------
    groups : mapping of str to Lives

    Returns
    -------
    Compared or TooFewToTell
        The latter with fewer than two groups, or where neither test can be made.

    References
    ----------
    W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data (1998), 8.3: twice the
    difference of log-likelihoods against χ² of 2(K − 1) degrees of freedom.
    """
    ends = sum(g.ends for g in groups.values())
    total = sum(g.total for g in groups.values())
    if len(groups) < 2:
        return TooFewToTell(ends, total, "there are no two groups", "choose another grouping")
    try:
        steps = logrank(groups)
    except FitRefusedError:
        steps = None
    fits: dict[str, WeibullFit] = {}
    left_out = []
    for name, lives in groups.items():
        try:
            fits[name] = fit_weibull(lives)
        except FitRefusedError:
            left_out.append(name)
    ratio = _ratio({name: groups[name] for name in fits}, fits) if len(fits) > 1 else None
    if steps is None and ratio is None:
        return TooFewToTell(
            ends,
            total,
            "in fewer than two groups have lives ended that can be compared",
            "wait for more lives that have ended",
        )
    words = _words(steps, ratio, fits, left_out)
    return Compared(steps, ratio, words, tuple(fits), tuple(left_out))


def _ratio(groups: Mapping[str, Lives], fits: Mapping[str, WeibullFit]) -> LogRank | None:
    try:
        joint = fit_weibull(joined(list(groups.values())))
    except FitRefusedError:
        # Each has a best fit and all together have none: a slip of rounding at most.
        return None
    gain = max(2 * (sum(f.loglik for f in fits.values()) - joint.loglik), 0.0)
    df = 2 * (len(groups) - 1)
    return LogRank(gain, df, float(chdtrc(df, gain)))


def joined(groups: list[Lives]) -> Lives:
    """Put groups of lives together."""
    return Lives.of(
        np.concatenate([g.lower for g in groups]),
        np.concatenate([g.upper for g in groups]),
        np.concatenate([g.count for g in groups]),
    )


def p_words(p: float) -> str:
    """Return a chance as it is said."""
    if p < 0.001:
        return "less than 1 in 1,000"
    return f"{100 * p:.1f} %" if p < 0.1 else f"{100 * p:.0f} %"


def _words(
    steps: LogRank | None,
    ratio: LogRank | None,
    fits: Mapping[str, WeibullFit],
    left_out: list[str],
) -> str:
    """Say it; the log-rank test leads where it can be made: it takes no formula for granted."""
    lead = steps or ratio
    if lead is None:
        raise ValueError("there is nothing to say")
    luck = p_words(lead.p)
    if lead.p < _SAID:
        said = f"The groups last differently: as much by luck alone has a chance of {luck}."
        halves = sorted(((float(f.quantile(0.5)), name) for name, f in fits.items()), reverse=True)
        if len(halves) > 1:
            said += f" Half outlive {halves[0][0]:.3g} in {halves[0][1]}"
            said += f" and {halves[-1][0]:.3g} in {halves[-1][1]}."
    else:
        said = f"The difference is within chance: as much by luck alone has a chance of {luck}."
    if steps and ratio and (steps.p < _SAID) != (ratio.p < _SAID):
        said += (
            f" The other test, of the fitted curves, gives {p_words(ratio.p)}: the two disagree,"
            " so more lives are needed."
        )
    if left_out:
        said += f" No fit for {', '.join(left_out)}."
    return said
