"""Step curves of lives (Kaplan–Meier), and the log-rank test between groups."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from pitwise.wear.refusal import BadShapeError, FitRefusedError, TooFewError

from .intervals import deviate
from .lives import Bools, Floats, Lives


class NotStepwiseError(FitRefusedError):
    """Ends known only to lie between two looks, where exact ones are needed."""


@dataclass(frozen=True, eq=False)
class Steps:
    """A curve that falls where a life ended.

    Attributes
    ----------
    time : (k,) array
        Lives at which parts ended, rising.
    survival : (k,) array
        Share that outlives each; of competing ends, 1 less the share that has ended this way.
    se : (k,) array
        Standard error of it; NaN where nobody was left (it can't be told then).
    low, high : (k,) array
        Pointwise range; NaN likewise.
    at_risk, ended : (k,) array
        How many were at risk just before, and ended there.
    """

    time: Floats
    survival: Floats
    se: Floats
    low: Floats
    high: Floats
    at_risk: Floats
    ended: Floats


@dataclass(frozen=True)
class LogRank:
    """A test of alikeness.

    Attributes
    ----------
    chi2, df : float, int
    p : float
        Chance of as much by luck by the chi-squared distribution: right with many ends.
    p_permuted : float or None
        The same with few ends, from dealing the group labels again; None where ends are many.
    """

    chi2: float
    df: int
    p: float
    p_permuted: float | None = None

    @property
    def way(self) -> Literal["permuted", "large-sample"]:
        """How `luck` was reckoned."""
        return "large-sample" if self.p_permuted is None else "permuted"

    @property
    def luck(self) -> float:
        """The chance to go by."""
        return self.p if self.p_permuted is None else self.p_permuted


def _check_stepwise(lives: Lives) -> None:
    if not lives.stepwise:
        raise NotStepwiseError(
            "some ends are only known to lie between two looks",
            "use Turnbull's estimate, which needs no exact ends",
        )


def log_log_limits(survival: Floats, se: Floats, level: float) -> tuple[Floats, Floats]:
    """Return the range of a share, symmetric in log(−log share); NaN where it can't be told.

    Parameters
    ----------
    survival, se : (k,) array
        A share of 0 to 1 and its standard error.
    level : float
        Such as 0.95.
    """
    z = deviate(level)
    # A share of which rounding alone is left has limits beyond what a number holds: 0 and 1.
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        middle = np.log(-np.log(survival))
        wide = z * se / (survival * -np.log(survival))
        low, high = np.exp(-np.exp(middle + wide)), np.exp(-np.exp(middle - wide))
    certain = (survival == 1) & (se == 0)
    return np.where(certain, 1.0, low), np.where(certain, 1.0, high)


def kaplan_meier(lives: Lives, level: float = 0.95) -> Steps:
    """Return Kaplan and Meier's curve with Greenwood's standard error.

    A life still running at t counts as at risk at t.

    Parameters
    ----------
    lives : Lives
        Exact and running ones only; of running ones alone the curve has no step.
    level : float
        Of the pointwise ranges, which are symmetric in log(−log S).

    Raises
    ------
    NotStepwiseError
        Ends between two looks, or found failed.

    References
    ----------
    E. L. Kaplan, P. Meier, J. Amer. Statist. Assoc. 53 (1958) 457.
    J. D. Kalbfleisch, R. L. Prentice, The Statistical Analysis of Failure Time Data (2002), 1.4.
    """
    _check_stepwise(lives)
    time, ended, at_risk = _table(lives.lower, ~lives.running, lives.count)
    left = _left(at_risk, ended)
    survival = np.cumprod(left / at_risk, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        se = survival * np.sqrt(np.cumsum(ended / (at_risk * left), dtype=np.float64))
    low, high = log_log_limits(survival, se, level)
    return Steps(time, survival, se, low, high, at_risk, ended)


def _left(at_risk: Floats, ended: Floats) -> Floats:
    """Return how many are left; what is left of a sum of counts that all ended is rounding."""
    left = at_risk - ended
    return np.where(left < 1e-12 * at_risk, 0.0, left)


def _table(time: Floats, ended: Bools, count: Floats) -> tuple[Floats, Floats, Floats]:
    """Return the times of ends, how many ended there, how many were at risk."""
    order = np.argsort(time, kind="stable")
    t, w = time[order], count[order]
    # From the end, so that the few who are left are not the rest of a large difference.
    after = np.cumsum(w[::-1])[::-1]
    times, first = np.unique(t, return_index=True)
    at_risk = after[first]
    ended_there = np.add.reduceat(np.where(ended[order], w, 0.0), first)
    kept = ended_there > 0
    return times[kept], ended_there[kept], at_risk[kept]


def logrank(groups: Mapping[str, Lives]) -> LogRank:
    """Test whether groups of lives last alike: the log-rank test, ties by the hypergeometric.

    Parameters
    ----------
    groups : mapping of str to Lives
        Two groups or more, exact and running lives only.

    Raises
    ------
    TooFewError
        Fewer than two groups, or no end at which two groups were at risk.
    NotStepwiseError
        Ends that are not exact.

    References
    ----------
    N. Mantel, Cancer Chemotherapy Reports 50 (1966) 163.
    R. Peto, J. Peto, J. Roy. Statist. Soc. A 135 (1972) 185.
    """
    if len(groups) < 2:
        raise TooFewError(f"there is {len(groups)} group", "give two groups or more")
    for lives in groups.values():
        _check_stepwise(lives)
    every = list(groups.values())
    times = np.unique(np.concatenate([g.lower[g.exact] for g in every]))
    if not times.size:
        raise TooFewError("no life has ended yet", "wait until some have")
    ended = np.array([_ended_at(g, times) for g in every])
    at_risk = np.array([_at_risk(g, times) for g in every])
    n, d = at_risk.sum(axis=0), ended.sum(axis=0)
    share = at_risk / n
    observed_less = (ended - share * d).sum(axis=1)
    # The last one at risk, and a count below one, leave nothing to chance.
    spread = d * np.where(n > 1, (n - d) / np.where(n > 1, n - 1, 1.0), 0.0)
    variance = np.diag((share * spread).sum(axis=1)) - (share * spread) @ share.T
    # One group follows from the others; one that was never at risk with others tells nothing.
    told = np.diag(variance) > 1e-12 * max(float(np.diag(variance).max()), 1e-300)
    df = int(told.sum()) - 1
    if df < 1:
        raise TooFewError(
            "no two groups were at risk when a life ended", "wait for more lives that have ended"
        )
    u, v = observed_less[told][:-1], variance[np.ix_(told, told)][:-1, :-1]
    statistic = float(u @ np.linalg.lstsq(v, u, rcond=1e-12)[0])
    rank = int(np.linalg.matrix_rank(v, tol=1e-12 * float(np.diag(v).max())))
    return LogRank(statistic, rank, float(chdtrc(rank, statistic)))


def _ended_at(lives: Lives, times: Floats) -> Floats:
    exact = lives.exact
    place = np.searchsorted(times, lives.lower[exact])
    return _sums_at(place, lives.count[exact], times.size)


def _sums_at(place: npt.NDArray[np.intp], weight: Floats, size: int) -> Floats:
    # An empty row of weights would give whole numbers.
    return np.bincount(place, weights=weight, minlength=size).astype(np.float64)


def _at_risk(lives: Lives, times: Floats) -> Floats:
    order = np.argsort(lives.lower)
    after = np.append(np.cumsum(lives.count[order][::-1])[::-1], 0.0)
    found: Floats = after[np.searchsorted(lives.lower[order], times, side="left")]
    return found


def cumulative_incidence(
    time: npt.ArrayLike,
    end: Sequence[str],
    count: npt.ArrayLike | None = None,
    level: float = 0.95,
) -> dict[str, Steps]:
    """Return the share that has ended in each way by each life: Aalen and Johansen.

    A way to end takes parts from the others: 1 less Kaplan–Meier of one end alone would say
    how many would end so if nothing else ended them, and is too high.

    Parameters
    ----------
    time : (n,) array_like
        Lives, above 0 (0 where still running).
    end : sequence of str
        How each ended; ``""`` is still running.
    count : (n,) array_like, optional
    level : float
        Of the pointwise ranges.

    Returns
    -------
    dict of str to Steps
        For each way to end, in order of its name: at the times of its ends, ``survival`` is 1
        less the share that has ended so; ``at_risk`` those not ended in any way.

    Raises
    ------
    TooFewError
        No life has ended.
    FitRefusedError
        As `Lives.of`.

    References
    ----------
    O. O. Aalen, S. Johansen, Scand. J. Statist. 5 (1978) 141.
    E. Marubini, M. G. Valsecchi, Analysing Survival Data from Clinical Trials (1995), 10.3: the
    variance by the delta method (from memory).
    """
    at = np.asarray(time, dtype=np.float64)
    ways = np.array(list(end), dtype=np.str_)
    if at.shape != ways.shape:
        raise BadShapeError(f"{at.size} lives and {ways.size} ends", "give as many of each")
    lives = Lives.of(at, np.where(ways == "", np.inf, at), count)
    if not lives.ends:
        raise TooFewError("no life has ended yet", "wait until some have")
    times, ended, at_risk = _table(lives.lower, ~lives.running, lives.count)
    left = _left(at_risk, ended)
    before = np.concatenate([[1.0], np.cumprod(left / at_risk)[:-1]])
    with np.errstate(divide="ignore"):
        # Where all ended, what multiplies this is zero.
        hazard = np.where(left > 0, ended / (at_risk * left), 0.0)
    found = {}
    for way in sorted(set(ways.tolist()) - {""}):
        chosen = ways == way
        here = np.searchsorted(times, lives.lower[chosen])
        own = _sums_at(here, lives.count[chosen], times.size)
        share = np.cumsum(before * own / at_risk)
        se = np.sqrt(np.maximum(_incidence_variance(share, own, hazard, before, at_risk), 0.0))
        survival: Floats = 1 - share
        low, high = log_log_limits(survival, se, level)
        kept = own > 0
        found[way] = Steps(
            *(a[kept] for a in (times, survival, se, low, high, at_risk, own)),
        )
    return found


def _incidence_variance(
    share: Floats, own: Floats, hazard: Floats, before: Floats, at_risk: Floats
) -> Floats:
    """Sum over earlier ends of (I(t) − Iᵢ)²hᵢ + Sᵢ²(nᵢ − dᵢ)dᵢ/nᵢ³ − 2(I(t) − Iᵢ)Sᵢdᵢ/nᵢ²."""
    h0, h1, h2 = (np.cumsum(hazard * share**k) for k in range(3))
    pull = before * own / at_risk**2
    p0, p1 = np.cumsum(pull), np.cumsum(pull * share)
    found: Floats = share**2 * h0 - 2 * share * h1 + h2
    found += np.cumsum(before**2 * (at_risk - own) * own / at_risk**3)
    found -= 2 * (share * p0 - p1)
    return found
