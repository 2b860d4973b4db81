"""Chances by luck from the lives themselves: group labels dealt again at random.

With few ends the chi-squared of the textbooks calls too many differences real. Where the
groups last alike, and were looked at alike, any dealing of their labels is as likely as any
other, so the share of dealings that differ as much is a chance that needs no large sample.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from .likelihood import interval_slopes
from .lives import Floats, Lives
from .weibull import WeibullFit

# Our own choices, no source: chi-squared from so many ends on, in all and a group; how many
# dealings, and lives in all dealings together (about 0.1 s).
ENOUGH, ENOUGH_EACH = 40, 20
_DEALINGS, _FEWEST, _WORK = 1999, 499, 2_000_000
_MOST = _WORK // _FEWEST
SEED = 20
_SAME = 1e-9


def wanted(groups: Sequence[Lives]) -> bool:
    """Tell whether ends are too few for chi-squared, and lives such as can be dealt."""
    ends = sum(g.ends for g in groups)
    few = ends < ENOUGH or ends < ENOUGH_EACH * len(groups)
    whole = all(bool((g.count == np.round(g.count)).all()) for g in groups)
    return few and whole and sum(g.total for g in groups) <= _MOST


def weibull_scores(lives: Lives, fit: WeibullFit) -> Floats:
    """Return each life's slope of the log-likelihood at a fit.

    Parameters
    ----------
    lives : Lives
    fit : WeibullFit
        Of all groups together.

    Returns
    -------
    (n, 2) array
        By (−shape · log scale, log shape), a row for each row of `lives`.

    References
    ----------
    C. R. Rao, Proc. Cambridge Phil. Soc. 44 (1948) 50: the score form of the likelihood ratio.
    """
    with np.errstate(divide="ignore", over="ignore", invalid="ignore", under="ignore"):
        low = fit.shape * (np.log(lives.lower) - math.log(fit.scale))
        high = fit.shape * (np.log(lives.upper) - math.log(fit.scale))
        hazard = np.exp(low)
        found = np.zeros((lives.count.size, 2))
        known = lives.lower > 0
        found[known, 0] = -hazard[known]
        found[known, 1] = -(hazard * low)[known]
        found[lives.exact] += np.column_stack([np.ones(low.size), 1 + low])[lives.exact]
        between = ~(lives.exact | lives.running)
        gap = np.where(known, high - low, np.inf)
        if between.any():
            found[between] += interval_slopes(high[between], gap[between])
    return found


def logrank_scores(groups: Sequence[Lives]) -> Floats:
    """Return each exact or running life's ends less those expected of it, all groups as one.

    Returns
    -------
    (n, 1) array
        A row for each row of the groups, one after the other.

    References
    ----------
    R. Peto, J. Peto, J. Roy. Statist. Soc. A 135 (1972) 185.
    """
    time = np.concatenate([g.lower for g in groups])
    count = np.concatenate([g.count for g in groups])
    ended = np.concatenate([g.exact for g in groups])
    times, place = np.unique(time, return_inverse=True)
    own = np.bincount(place, weights=np.where(ended, count, 0.0), minlength=times.size)
    at_risk = np.cumsum(np.bincount(place, weights=count, minlength=times.size)[::-1])[::-1]
    found: Floats = (ended - np.cumsum(own / at_risk)[place])[:, None]
    return found


def chance(scores: Floats, groups: Sequence[Lives], seed: int = SEED) -> float:
    r"""Return the share of dealings of the labels at which the groups differ as much.

    Parameters
    ----------
    scores : (n, k) array
        A row for each row of the groups, one after the other.
    groups : sequence of Lives
        With whole counts.
    seed : int

    Returns
    -------
    float
        :math:`(1 + b)/(1 + N)`, b of N dealings with a :math:`\sum_g u_g' S^{-1} u_g / n_g` as
        large, u the sum of a group's scores, S their covariance over all.

    References
    ----------
    E. J. G. Pitman, J. Roy. Statist. Soc. Suppl. 4 (1937) 119.
    B. Phipson, G. K. Smyth, Statist. Appl. Genet. Mol. Biol. 9 (2010) 39: the ones added.
    """
    counts = np.concatenate([g.count for g in groups]).astype(np.intp)
    each = np.repeat(scores, counts, axis=0)
    each = each - each.mean(axis=0)
    # Into axes in which the scores are uncorrelated and of one size.
    u, size, _ = np.linalg.svd(each, full_matrices=False)
    each = u[:, size > 1e-12 * max(float(size.max()), 1e-300)]
    sizes = np.array([int(g.total) for g in groups])
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    seen = float(_spread(each[None], starts, sizes)[0])
    dealings = int(np.clip(_WORK // len(each), _FEWEST, _DEALINGS))
    random = np.random.default_rng(seed)
    as_much = done = 0
    block = max(1, 200_000 // len(each))
    while done < dealings:
        now = min(block, dealings - done)
        dealt: npt.NDArray[np.intp] = np.argsort(random.random((now, len(each))), axis=1)
        as_much += int((_spread(each[dealt], starts, sizes) >= seen * (1 - _SAME)).sum())
        done += now
    return (1 + as_much) / (1 + dealings)


def _spread(each: Floats, starts: npt.NDArray[np.intp], sizes: npt.NDArray[np.intp]) -> Floats:
    """Return (dealings,) of Σ over groups of the squared sum of scores over its size."""
    sums = np.add.reduceat(each, starts, axis=1)
    found: Floats = (sums**2 / sizes[:, None]).sum(axis=(1, 2))
    return found
