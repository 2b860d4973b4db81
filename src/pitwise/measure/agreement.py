"""Agreement between people who sort the same specimens: Fleiss' kappa."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, stdtrit

from pitwise.trade.given import InputError

Floats = npt.NDArray[np.float64]

LEVEL = 0.95
#: From kappa on, word. J. R. Landis, G. G. Koch, Biometrics 33 (1977) 159 (from memory).
WORDS = (
    (0.81, "almost perfect"),
    (0.61, "substantial"),
    (0.41, "moderate"),
    (0.21, "fair"),
    (0.0, "slight"),
    (-math.inf, "worse than chance"),
)
#: Of a kappa below zero whose interval reaches zero.
UNTOLD = "not told from chance"
METHOD = (
    "95 % interval over specimens: Bayesian bootstrap with one specimen's weight of what was not "
    "seen but could be, percentiles widened by Student's t"
)
# Weighings of the specimens; a fixed seed, so that the same table gives the same interval.
_DRAWS, _SEED = 4000, 1971
# Cells (weighings × different rows) held at once.
_CELLS = 2_000_000


class AgreementError(InputError):
    """Counts that are no agreement study: names place, problem and mend."""


class CategoryKappa(NamedTuple):
    """Agreement on one category against all others.

    Attributes
    ----------
    category : str
    kappa, low, high : float or None
        None where nobody, or everybody always, chose it: there is nothing to agree about.
    share : float
        Of all judgements, 0 to 1.
    """

    category: str
    kappa: float | None
    low: float | None
    high: float | None
    share: float


@dataclass(frozen=True)
class Kappa:
    """Fleiss' kappa with its interval.

    Attributes
    ----------
    kappa : float
        1: all agree on every specimen; 0: as chance would; below: worse than chance.
    low, high : float
        95 % interval for specimens like these and these people, by `interval`.
    se : float
        Standard error.
    per_category : tuple of CategoryKappa
    word : str
        See `WORDS`; `UNTOLD` below zero where the interval reaches zero.
    observed, expected : float
        Share of pairs of people who agree, and what chance alone would give.
    specimens, people : int
    interval : str
    """

    kappa: float
    low: float
    high: float
    se: float
    per_category: tuple[CategoryKappa, ...]
    word: str
    observed: float
    expected: float
    specimens: int
    people: int
    interval: str = METHOD

    def plain(self) -> dict[str, Any]:
        """Return it as data."""
        return {
            "kappa": self.kappa,
            "low": self.low,
            "high": self.high,
            "se": self.se,
            "word": self.word,
            "observed": self.observed,
            "expected": self.expected,
            "specimens": self.specimens,
            "people": self.people,
            "per_category": [c._asdict() for c in self.per_category],
            "interval": self.interval,
        }


def word_of(kappa: float) -> str:
    """Return the word of a kappa (at two decimals)."""
    return next(word for low, word in WORDS if round(kappa, 2) >= low)


def fleiss_kappa(counts: npt.ArrayLike, categories: Sequence[str] = ()) -> Kappa:
    r"""Return the agreement of n people who each put every specimen in one category.

    Parameters
    ----------
    counts : (specimens, categories) array-like
        How many people chose each category; every row adds up to the same n >= 2.
    categories : sequence of str, optional
        Names; numbers from 1 otherwise.

    Returns
    -------
    Kappa

    Raises
    ------
    AgreementError
        Fewer than two specimens, categories or people; not whole counts; rows that add up
        differently; all judgements in one category.

    Notes
    -----
    :math:`\kappa = (P_o - P_e)/(1 - P_e)`,
    :math:`P_i = \sum_j x_{ij}(x_{ij}-1)/(n(n-1))`, :math:`P_e = \sum_j p_j^2` [1]_. For a
    category: kappa of "this one or another".

    Interval: specimens are weighed anew, weights Dirichlet with one unit for each specimen [2]_,
    and one unit more spread evenly over what a specimen could have shown: all in category j, or
    all but one person in j and that one in the next (of the categories used). Without that unit
    a finding seen on one specimen gives an interval of no width. Ends are the percentiles
    Φ(∓ t √(N/(N−1))), t Student's quantile with N − 1 [3]_. Unit, rows and combination are our
    own choice. Simulated coverage: see ``docs/maths.md`` and
    ``tests/measure/test_agreement_coverage.py``. It speaks for other specimens of the same
    kind, not for other people. Where all agree on all N specimens at most a share
    1 − 0.025^(1/N) of specimens is disputed (binomial), each taken to have one person against
    the others (our own rule): the lower end is no higher than that.

    .. [1] J. L. Fleiss, Psychological Bulletin 76 (1971) 378.
    .. [2] D. B. Rubin, Annals of Statistics 9 (1981) 130 (from memory).
    .. [3] T. Hesterberg, The American Statistician 69 (2015) 371 (from memory).
    """
    x = _checked(counts)
    k = x.shape[1]
    names = [str(c) for c in categories] if len(categories) else [str(j + 1) for j in range(k)]
    if len(names) != k:
        raise AgreementError("categories", f"{len(names)} names for {k}", "name each once")
    if int((x.sum(axis=0) > 0).sum()) < 2:
        raise AgreementError(
            "counts",
            "everybody chose one category throughout: chance would give the same",
            "take specimens of which some are otherwise",
        )
    kappa, low, high, se, observed, expected = _kappa(x)
    n = int(x[0].sum())
    shares = x.sum(axis=0) / x.sum()
    per = []
    for j, name in enumerate(names):
        own = np.column_stack([x[:, j], n - x[:, j]])
        if 0 < own[:, 0].sum() < own.sum():
            one, one_low, one_high, *_ = _kappa(own)
            per.append(CategoryKappa(name, one, one_low, one_high, float(shares[j])))
        else:
            per.append(CategoryKappa(name, None, None, None, float(shares[j])))
    word = UNTOLD if round(kappa, 2) < 0 <= high else word_of(kappa)
    return Kappa(kappa, low, high, se, tuple(per), word, observed, expected, len(x), n)


def _checked(counts: npt.ArrayLike) -> Floats:
    x = np.asarray(counts, dtype=float)
    if x.ndim != 2 or x.shape[0] < 2:
        raise AgreementError("specimens", "there are fewer than two", "judge more of them")
    if x.shape[1] < 2:
        raise AgreementError("categories", "there are fewer than two", "give at least two")
    for i, row in enumerate(x):
        if not np.isfinite(row).all() or (row < 0).any() or (row != np.round(row)).any():
            raise AgreementError(
                f"specimen {i + 1}", "has a count that is not 0, 1, 2 …", "count the people"
            )
    sums = x.sum(axis=1)
    if sums[0] < 2:
        raise AgreementError("specimen 1", "was judged by fewer than two", "let two or more judge")
    odd = np.flatnonzero(sums != sums[0])
    if len(odd):
        i = int(odd[0])
        raise AgreementError(
            f"specimen {i + 1}",
            f"was judged by {sums[i]:g}, the first by {sums[0]:g}",
            "let the same number of people judge each, or leave that one out",
        )
    return x


def _kappa(x: Floats) -> tuple[float, float, float, float, float, float]:
    """Return kappa, its interval, standard error, observed and expected agreement."""
    many, n = len(x), float(x[0].sum())
    p = x.sum(axis=0) / x.sum()
    each = (x * (x - 1)).sum(axis=1) / (n * (n - 1))
    observed, expected = float(each.mean()), float(p @ p)
    kappa = (observed - expected) / (1 - expected)
    draws = _weighed(x)
    tail = float(ndtr(-stdtrit(many - 1, (1 + LEVEL) / 2) * math.sqrt(many / (many - 1))))
    low, high = (float(q) for q in np.quantile(draws, (tail, 1 - tail)))
    se = float(draws.std())
    if not (each < 1).any():
        disputed = 1 - ((1 - LEVEL) / 2) ** (1 / many)
        low = min(low, 1 - disputed * (2 / n) / (1 - expected))
        return 1.0, max(low, -1 / (n - 1)), 1.0, se, observed, expected
    return kappa, min(low, kappa), max(high, kappa), se, observed, expected


def _weighed(x: Floats) -> Floats:
    """Return kappa of the specimens weighed anew, (draws,); see `fleiss_kappa`."""
    n = float(x[0].sum())
    used = x[:, x.sum(axis=0) > 0]
    rows, times = np.unique(used, axis=0, return_counts=True)
    one = np.eye(used.shape[1])
    beside = np.roll(one, 1, axis=1)
    could = np.unique(np.vstack([n * one, (n - 1) * one + beside, one + (n - 1) * beside]), axis=0)
    rows = np.vstack([rows, could])
    units = np.concatenate([times.astype(float), np.full(len(could), 1 / len(could))])
    agree = (rows * (rows - 1)).sum(axis=1) / (n * (n - 1))
    rng = np.random.default_rng(_SEED)
    draws = min(_DRAWS, max(1000, 10 * _CELLS // len(rows)))
    step = max(1, _CELLS // len(rows))
    out = []
    for start in range(0, draws, step):
        weight = rng.standard_gamma(units, size=(min(step, draws - start), len(units)))
        weight /= weight.sum(axis=1, keepdims=True)
        share = weight @ rows / n
        expected = (share * share).sum(axis=1)
        # Weighings that leave one category alone have no kappa; all agree in them.
        told = expected < 1 - 1e-9
        kappa = np.ones(len(weight))
        kappa[told] = ((weight @ agree)[told] - expected[told]) / (1 - expected[told])
        out.append(kappa)
    return np.concatenate(out)
