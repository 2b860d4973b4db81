"""A shop's own numbers out of its verified cases: how often a cause, how often its signs.

The sheet's numbers are the prior: Beta distributions worth a stated number of cases. Each
case says which causes were confirmed (all others are taken as not there) and which symptoms
were looked at; a symptom that was not looked at teaches nothing. Whether a link fired cannot
be seen when several causes or the leak may have made the symptom, so links and leak are
learnt by EM. In the coordinates -log(1 - p) the penalised log-likelihood is concave, so
there is one mode and EM finds it from any start.

References
----------
.. [1] A. P. Dempster, N. M. Laird, D. B. Rubin, "Maximum likelihood from incomplete data via
   the EM algorithm", J. R. Stat. Soc. B 39(1), 1977, 1-38.
.. [2] T. A. Louis, "Finding the observed information matrix when using the EM algorithm",
   J. R. Stat. Soc. B 44(2), 1982, 226-233.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pitwise.trade.model import Sheet

Floats = NDArray[np.float64]

# Ends of a 90 % interval.
_LOW, _HIGH = 0.05, 0.95
_TOLERANCE = 1e-10
# A link of exactly 1 has no logarithm of its miss.
_SURE = 1 - 1e-15
_MOST_SWEEPS = 5000
TEACHES_FROM = 4.0
"""Odds from which on what a reading or a model leans to teaches (our own choice, no source)."""
# A probability this near 0 or 1 has no log-odds to be unsure of.
_CERTAIN = 1e-12


@dataclass(frozen=True)
class Estimate:
    """A learnt probability.

    Attributes
    ----------
    mean : float
        The number to use, in (0, 1).
    cases : int
        How many cases told on it.
    low, high : float
        5 % and 95 % points of its Beta distribution, what the prior is worth included.
    worth : float
        Cases the Beta is worth, its prior's included: less than were told where other makers of
        the symptom may have the credit.
    """

    mean: float
    cases: int
    low: float
    high: float
    worth: float


@dataclass(frozen=True)
class Case:
    """A closed case whose causes were verified.

    Attributes
    ----------
    causes : frozenset of str
        Confirmed causes; every other is taken as not there.
    looked : mapping of str to bool
        Symptoms looked at: True seen, False looked at and absent.
    """

    causes: frozenset[str]
    looked: Mapping[str, bool]


@dataclass(frozen=True)
class Worth:
    """How many cases the sheet's numbers are worth."""

    link: float
    leak: float
    base: float


@dataclass(frozen=True)
class Learnt:
    """A shop's numbers, each in place of the sheet's.

    Attributes
    ----------
    base, link, leak : mappings
        By cause, by (cause, symptom), by symptom.
    cases : int
        How many cases they were learnt from.
    left_out : tuple of int
        Positions of cases left out, since they confirm a cause the sheet does not know.
    unsettled : tuple of str
        Symptoms whose numbers still moved after the last sweep allowed (none in practice).
    """

    base: Mapping[str, Estimate] = field(default_factory=dict)
    link: Mapping[tuple[str, str], Estimate] = field(default_factory=dict)
    leak: Mapping[str, Estimate] = field(default_factory=dict)
    cases: int = 0
    left_out: tuple[int, ...] = ()
    unsettled: tuple[str, ...] = ()


def worth_of(sheet: Sheet) -> Worth:
    """Read from the sheet how many cases its numbers are worth."""
    return Worth(
        float(sheet.constant("link-cases")),
        float(sheet.constant("leak-cases")),
        float(sheet.constant("base-cases")),
    )


@dataclass(frozen=True, eq=False)
class Fired:
    """What cases say on one symptom: rows of causes that held, and how often it was seen.

    Attributes
    ----------
    held : (k, c) bool array
        Which of the c linked causes held in each of the k kinds of case.
    seen, absent : (k,) float arrays
        Cases of each kind in which the symptom was seen, or looked at and absent.
    """

    held: NDArray[np.bool_]
    seen: Floats
    absent: Floats


@dataclass(frozen=True, eq=False)
class Fit:
    """Links (c,) and leak of one symptom, sweeps taken, and whether they came to rest.

    `link_worth` (c,) and `leak_worth` are what their distributions are worth in cases.
    """

    link: Floats
    leak: float
    sweeps: int
    settled: bool
    link_worth: Floats
    leak_worth: float


def fit_symptom(
    told: Fired,
    link: Floats,
    leak: float,
    *,
    link_cases: float,
    leak_cases: float,
    sweeps: int | None = None,
) -> Fit:
    """Learn the links and the leak of one symptom by EM from its prior.

    Parameters
    ----------
    told : Fired
    link : (c,) array
        Prior means of the links, each in (0, 1]; also the start.
    leak : float
        Prior mean of the leak, in (0, 1).
    link_cases, leak_cases : float
        What the prior means are worth, above 0.
    sweeps : int, optional
        Exactly so many sweeps; default until nothing moves by more than 1e-10.

    Returns
    -------
    Fit

    Notes
    -----
    E-step, for a case in which the symptom was seen and the causes A held: link i in A fired
    with probability q_i / P, the leak with l / P, where P = 1 - (1-l) prod_A (1-q). M-step:
    the posterior mean, (prior cases x prior mean + expected firings) / (prior cases + cases).

    Which of several makers fired is not seen, so a case is not worth a whole trial of each. The
    observed information [2]_ of their log-odds, that of firings seen less the spread of firings
    given what was seen, has the inverse v; the Beta is worth 1 / (v q (1 - q)) cases, at least
    the prior's.
    """
    prior, prior_leak = np.asarray(link, dtype=float), float(leak)
    if not (np.all((prior > 0) & (prior <= 1)) and 0 < prior_leak < 1):
        raise ValueError("prior means lie above 0 and below 1 (a link's may be 1)")
    held = told.held.astype(float)
    looks = told.seen + told.absent
    link_n = link_cases + held.T @ looks
    leak_n = leak_cases + float(looks.sum())
    q, base = prior.copy(), prior_leak
    done, moved = 0, math.inf
    while done < (sweeps if sweeps is not None else _MOST_SWEEPS):
        done += 1
        p_seen = -np.expm1(np.log1p(-base) + held @ np.log1p(-np.minimum(q, _SURE)))
        share = np.divide(told.seen, p_seen, out=np.zeros_like(p_seen), where=told.seen > 0)
        new_q = (link_cases * prior + q * (held.T @ share)) / link_n
        new_base = (leak_cases * prior_leak + base * float(share.sum())) / leak_n
        moved = max(float(np.abs(new_q - q).max(initial=0.0)), abs(new_base - base))
        q, base = new_q, new_base
        if sweeps is None and moved < _TOLERANCE:
            break
    settled = sweeps is not None or moved < _TOLERANCE
    worth = _worth_left(held, told.seen, np.append(q, base), np.append(link_n, leak_n))
    prior_worth = np.append(np.full(len(q), link_cases), leak_cases)
    worth = np.clip(worth, prior_worth, np.append(link_n, leak_n))
    return Fit(q, base, done, settled, worth[:-1], float(worth[-1]))


def _worth_left(held: Floats, seen: Floats, p: Floats, trials: Floats) -> Floats:
    """Return what links and leak (last) are worth in cases, their makers' credit being shared."""
    makers = np.column_stack([held, np.ones(len(held))])
    p_seen = -np.expm1(makers @ np.log1p(-np.minimum(p, _SURE)))
    with np.errstate(divide="ignore", invalid="ignore"):
        # Given that the symptom was seen: P(i fired) = q/P, P(i and j fired) = q q'/P.
        once = np.where(seen > 0, seen / p_seen, 0.0)
        both = np.where(seen > 0, seen * (1 - p_seen) / p_seen**2, 0.0)
    fired_one = makers.T @ once
    spread = -np.outer(p, p) * (makers.T @ (both[:, None] * makers))
    each = makers.T @ np.where(seen > 0, seen / np.maximum(p_seen, 1e-300) ** 2, 0.0)
    np.fill_diagonal(spread, p * fired_one - p**2 * each)
    inside = p * (1 - p)
    out = trials.copy()
    free = inside > _CERTAIN
    information = np.diag(trials * inside) - spread
    own = information[np.ix_(free, free)]
    out[free] = 1 / (np.diag(np.linalg.inv(own)) * inside[free])
    return out


def estimate(mean: float, worth: float, cases: int) -> Estimate:
    """Give a learnt mean the 90 % interval of a Beta worth so many cases, its prior included."""
    # A diagnosis imports this module for its rows alone, and scipy takes a third of a second.
    from scipy.special import betaincinv

    a, b = mean * worth, (1 - mean) * worth
    if b <= 0:
        return Estimate(mean, cases, mean, mean, worth)
    low, high = (float(betaincinv(a, b, x)) for x in (_LOW, _HIGH))
    return Estimate(mean, cases, low, high, worth)


def learn(sheet: Sheet, cases: Sequence[Case], *, worth: Worth | None = None) -> Learnt:
    """Learn base rates, links and leaks from verified cases.

    Parameters
    ----------
    sheet : Sheet
        Whose causes, symptoms and links are learnt, and whose numbers are the prior.
    cases : sequence of Case
        In any order: the result does not depend on it. A symptom the sheet does not know is
        passed over; a case that confirms an unknown cause is left out and named, since that
        cause may have made its symptoms.
    worth : Worth, optional
        Default: the sheet's constants.

    Returns
    -------
    Learnt
        With no cases the means are the sheet's own numbers.
    """
    worth = worth or worth_of(sheet)
    known = {row.id for row in sheet.causes}
    used = [case for case in cases if case.causes <= known]
    n = len(used)
    base = {}
    for row in sheet.causes:
        count = sum(row.id in case.causes for case in used)
        mean = (worth.base * row.base_rate + count) / (worth.base + n)
        base[row.id] = estimate(mean, worth.base + n, n)
    linked: dict[str, list[tuple[str, float]]] = {row.id: [] for row in sheet.symptoms}
    for arrow in sheet.links:
        linked[arrow.symptom].append((arrow.cause, arrow.p))
    links: dict[tuple[str, str], Estimate] = {}
    leaks: dict[str, Estimate] = {}
    unsettled = []
    for symptom in sheet.symptoms:
        causes = [cause for cause, _ in linked[symptom.id]]
        told = fired(used, symptom.id, causes)
        prior = np.array([p for _, p in linked[symptom.id]], dtype=float)
        fit = fit_symptom(told, prior, symptom.leak, link_cases=worth.link, leak_cases=worth.leak)
        looks = told.seen + told.absent
        counts = told.held.T.astype(float) @ looks
        for cause, mean, left, count in zip(causes, fit.link, fit.link_worth, counts, strict=True):
            links[cause, symptom.id] = estimate(float(mean), float(left), round(float(count)))
        leaks[symptom.id] = estimate(fit.leak, fit.leak_worth, round(float(looks.sum())))
        if not fit.settled:
            unsettled.append(symptom.id)
    out = tuple(i for i, case in enumerate(cases) if not case.causes <= known)
    return Learnt(base, links, leaks, n, out, tuple(unsettled))


def fired(cases: Iterable[Case], symptom: str, causes: Sequence[str]) -> Fired:
    """Count the cases that looked at a symptom, by which of its linked causes held."""
    seen: Counter[tuple[bool, ...]] = Counter()
    absent: Counter[tuple[bool, ...]] = Counter()
    for case in cases:
        state = case.looked.get(symptom)
        if state is not None:
            kind = tuple(cause in case.causes for cause in causes)
            (seen if state else absent)[kind] += 1
    kinds = sorted({*seen, *absent})
    return Fired(
        np.array(kinds, dtype=bool).reshape(len(kinds), len(causes)),
        np.array([seen[kind] for kind in kinds], dtype=float),
        np.array([absent[kind] for kind in kinds], dtype=float),
    )
