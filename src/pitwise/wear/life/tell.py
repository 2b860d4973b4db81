"""What lives tell, or why they don't yet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from pitwise.wear.refusal import FitRefusedError

from . import permuted
from .intervals import Range, wald
from .lives import Lives
from .profile import ProfileNotDoneError, profile
from .steps import LogRank, logrank
from .weibull import AllFoundFailedError, NoEndError, WeibullFit, fit_weibull

# Our own choices, no source: a shape from fewer ends is chance, and a middle life that may be
# 30 times as long as it may be short helps nobody.
FEWEST_ENDS = 3
WIDEST = 30.0
# Ranges by the curvature serve from so many ends on (our own choice, from simulation: of 5 to 8
# lives those of 95 % hold the truth in 80 to 88 of 100).
CURVATURE_FROM = 20

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
class LeftOut:
    """A group without a fit of its own.

    Attributes
    ----------
    name, reason : str
    at : str
        The uses at which all were past use, as they are said; empty for other reasons.
    may_be : {"shortest", "longest", "either", "few"}
        What stays open for it: all found past use at their first look, none ended though the
        others mostly would have, another reason, or fewer than 3 ends.
    """

    name: str
    reason: str
    may_be: Literal["shortest", "longest", "either", "few"]
    at: str = ""


@dataclass(frozen=True)
class Compared:
    """Groups of lives beside each other.

    Attributes
    ----------
    logrank : LogRank or None
        None where an end is only known between two looks, or no two groups were at risk.
    likelihood_ratio : LogRank or None
        One Weibull fit for all against one each; None where fewer than two groups count.
    words : str
        What they say, in a sentence or two.
    compared, left_out : tuple of str
        Groups in the likelihood ratio, and those without a fit of their own.
    why : tuple of LeftOut
        Of those without a fit. One all found past use at their first look is in the likelihood
        ratio all the same: with the 0 its log-likelihood rises to as the scale goes to 0.
    """

    logrank: LogRank | None
    likelihood_ratio: LogRank | None
    words: str
    compared: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    why: tuple[LeftOut, ...] = ()

    @property
    def names_shortest(self) -> bool:
        """Whether the shortest can be named: no group is left out that may be it."""
        return not any(x.may_be in ("shortest", "either") for x in self.why)

    @property
    def names_longest(self) -> bool:
        """Whether the longest can be named: no group is left out that may be it."""
        return not any(x.may_be in ("longest", "either") for x in self.why)


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
    difference of log-likelihoods against χ² of 2(K − 1) degrees of freedom. With few ends both
    tests have a chance from dealing the labels again beside that: see `permuted`.
    """
    ends = sum(g.ends for g in groups.values())
    total = sum(g.total for g in groups.values())
    if len(groups) < 2:
        return TooFewToTell(ends, total, "there are no two groups", "choose another grouping")
    try:
        steps = logrank(groups)
    except FitRefusedError:
        steps = None
    try:
        joint = fit_weibull(joined(list(groups.values())))
    except FitRefusedError:
        joint = None
    fits: dict[str, WeibullFit] = {}
    why = []
    tops: dict[str, float] = {}
    for name, lives in groups.items():
        try:
            fits[name] = fit_weibull(lives)
            tops[name] = fits[name].loglik
        except FitRefusedError as refused:
            why.append(_left_out(name, lives, refused, joint))
            if isinstance(refused, AllFoundFailedError):
                tops[name] = 0.0
    ratio = _ratio(groups, tops)
    if steps is None and ratio is None:
        return TooFewToTell(
            ends,
            total,
            "in fewer than two groups have lives ended that can be compared",
            "wait for more lives that have ended",
        )
    every = list(groups.values())
    if permuted.wanted(every):
        if steps:
            luck = permuted.chance(permuted.logrank_scores(every), every)
            steps = replace(steps, p_permuted=luck)
        if ratio and joint:
            scores = np.concatenate([permuted.weibull_scores(g, joint) for g in every])
            ratio = replace(ratio, p_permuted=permuted.chance(scores, every))
    found = Compared(steps, ratio, "", tuple(tops), tuple(x.name for x in why), tuple(why))
    return replace(found, words=_words(found, fits))


def _left_out(
    name: str, lives: Lives, refused: FitRefusedError, joint: WeibullFit | None
) -> LeftOut:
    """Say why a group has no fit, and what it may be all the same."""
    many = _number(lives.total)
    if isinstance(refused, AllFoundFailedError):
        low, high = float(lives.upper.min()), float(lives.upper.max())
        at = f"{low:.4g}" if low == high else f"{low:.4g} to {high:.4g}"
        who = f"all {many} of {name} were" if lives.total > 1 else f"the one of {name} was"
        return LeftOut(name, f"{who} past use at the first look", "shortest", at)
    if isinstance(refused, NoEndError):
        due = 0.0 if joint is None else float(lives.count @ (1 - joint.survival(lives.lower)))
        # One end or more would have come, had they lasted as the others do.
        if due >= 1:
            return LeftOut(name, f"none of {many} of {name} has ended yet", "longest")
    elif lives.ends >= FEWEST_ENDS:
        return LeftOut(name, f"{name} has no curve of its own: {refused.reason}", "either")
    return LeftOut(name, f"{_number(lives.ends)} of {many} of {name} ended", "few")


def left_out_words(why: Sequence[LeftOut], unit: str = "") -> str:
    """Return sentences on the groups without a fit, those with few ends together.

    Parameters
    ----------
    why : sequence of LeftOut
    unit : str
        Of the lives, such as "starts".
    """
    said = ""
    for x in why:
        if x.may_be != "few":
            at = f", at {x.at} {unit}".rstrip() if x.at else ""
            maybe = "" if x.may_be == "either" else f": may be the {x.may_be}"
            said += f" {x.reason[:1].upper()}{x.reason[1:]}{at}{maybe}."
    few = ", ".join(x.name for x in why if x.may_be == "few")
    return f"{said} Too few ended for a curve of their own: {few}." if few else said


def _ratio(groups: Mapping[str, Lives], tops: Mapping[str, float]) -> LogRank | None:
    """Test one fit for all against the highest log-likelihood of each, 0 where it has no fit."""
    if len(tops) < 2:
        return None
    try:
        joint = fit_weibull(joined([groups[name] for name in tops]))
    except FitRefusedError:
        # All found at their first look; or a slip of rounding.
        return None
    gain = max(2 * (sum(tops.values()) - joint.loglik), 0.0)
    df = 2 * (len(tops) - 1)
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


def _words(found: Compared, fits: Mapping[str, WeibullFit]) -> str:
    """Say it; the log-rank test leads where it can be made: it takes no formula for granted."""
    steps, ratio = found.logrank, found.likelihood_ratio
    lead = steps or ratio
    if lead is None:
        raise ValueError("there is nothing to say")
    luck = p_words(lead.luck)
    if lead.luck < _SAID:
        said = f"The groups last differently: as much by luck alone has a chance of {luck}."
        halves = sorted(((float(f.quantile(0.5)), name) for name, f in fits.items()), reverse=True)
        if len(halves) > 1:
            said += f" Half outlive {halves[0][0]:.3g} in {halves[0][1]}"
            said += f" and {halves[-1][0]:.3g} in {halves[-1][1]}."
    else:
        said = f"The difference is within chance: as much by luck alone has a chance of {luck}."
    if steps and ratio and (steps.luck < _SAID) != (ratio.luck < _SAID):
        said += (
            f" The other test, of the fitted curves, gives {p_words(ratio.luck)}: the two disagree,"
            " so more lives are needed."
        )
    return said + left_out_words(found.why)
