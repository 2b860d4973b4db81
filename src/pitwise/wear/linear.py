"""The wear engine's linear special case: a straight line per group, Gaussian throughout.

With the age's power at 1 and the increments' own scatter φ at 0, an electrode's pit grows on a
straight line whose rate is the electrode's own, and a reading is that line plus noise. With
Gaussian coefficients this is a linear mixed model, whose likelihood is exact and cheap. Pitwise
uses it for

- a robust starting point of the nonlinear fit: the mean rate, the rates' spread between
  electrodes and the noise of a reading, from all readings at once;
- the trend in a gauge study: readings that drift over the study, part by part.

It is also the case that published fits can check.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.linalg

from pitwise.wear.groups import group_codes
from pitwise.wear.linear_deviance import (
    Floats,
    GroupSums,
    Profile,
    group_sums,
    mixed_columns,
    moment_start,
    own_rss,
    profile,
    to_factor,
)
from pitwise.wear.newton import minimise
from pitwise.wear.refusal import (
    BadShapeError,
    NoNoiseError,
    NotFiniteError,
    RankDeficientError,
    TooFewError,
)

MOST_RANDOM = 3
# Columns closer to a combination of the others than this are taken for one.
_RANK_TOLERANCE = 1e-10
_LARGEST = 1e100


@dataclass(frozen=True)
class LinearFit:
    """A fitted linear mixed model.

    Attributes
    ----------
    beta, beta_se : (p,) array
        Fixed coefficients and their standard errors (the variances taken as known).
    cov_random : (q, q) array
        Covariance of the random coefficients between groups.
    sd : (q,) array
        Their standard deviations.
    corr : (q, q) array
        Their correlations; nan off the diagonal where a standard deviation is 0.
    resid_sd : float
        Standard deviation of the noise.
    loglik : float
        Maximised (restricted) log-likelihood.
    deviance : float
        -2 `loglik`.
    blups : (m, q) array
        Predicted random coefficients of each group, in the order of `groups`.
    groups : (m,) array
        Group labels, sorted.
    readings : int
    reml : bool
    singular : bool
        The random coefficients' covariance is of less than full rank: the readings show no
        spread between groups in some direction.
    converged : bool
    """

    beta: Floats
    beta_se: Floats
    cov_random: Floats
    sd: Floats
    corr: Floats
    resid_sd: float
    loglik: float
    deviance: float
    blups: Floats
    groups: npt.NDArray[Any]
    readings: int
    reml: bool
    singular: bool
    converged: bool


def fit_linear(
    y: npt.ArrayLike,
    fixed: npt.ArrayLike,
    random: npt.ArrayLike,
    group: npt.ArrayLike | Sequence[str],
    *,
    reml: bool = False,
) -> LinearFit:
    r"""Fit y = Xβ + Z_i b_i + e by maximum likelihood or REML.

    b_i ~ N(0, Σ) with Σ unstructured, e ~ N(0, σ²), all independent.

    Parameters
    ----------
    y : (n,) array_like
        Readings, any unit.
    fixed : (n, p) or (n,) array_like
        X: columns of the fixed coefficients, the intercept's ones included where wanted.
    random : (n, q) or (n,) array_like
        Z: columns of the random coefficients, q at most 3.
    group : (n,) array_like
        Label of each reading's group, in any order.
    reml : bool
        Restricted maximum likelihood; its criterion is that of the given `fixed` columns, so
        that it compares between fits with the same columns only.

    Returns
    -------
    LinearFit

    Raises
    ------
    BadShapeError
        Lengths that differ, more than 3 random columns, no column.
    NotFiniteError
        A value that is nan or infinite.
    TooFewError
        Fewer than two groups, no more readings than fixed coefficients, or no group with more
        readings than random coefficients.
    RankDeficientError
        `fixed` or `random` has a column that is a combination of the others.
    NoNoiseError
        The lines fit the readings to rounding.

    Notes
    -----
    The columns are made orthonormal and y is freed of its least-squares fit, then each group is
    reduced once to a triangle; the profiled deviance of Bates et al. [1]_ is minimised over the
    relative factor θ with its analytic gradient, at a cost that is independent of the number of
    readings. Digits are lost where the groups' spread exceeds the noise some 1e7 times.

    .. [1] D. Bates, M. Mächler, B. Bolker, S. Walker, J. Stat. Softw. 67(1) (2015).
    """
    values, x, z = _checked(y, fixed, random)
    inverse, labels = group_codes(group, values.size)
    x_turn, x_white = _whiten(x, "fixed")
    same = x.shape == z.shape and np.array_equal(x, z)
    z_turn, z_white = (x_turn, x_white) if same else _whiten(z, "random")
    p, n = x.shape
    q = z.shape[0]
    counts = np.bincount(inverse, minlength=labels.size)
    _enough(n, p, q, counts)

    # The fit of y on X moves β alone; taken out first, it leaves no large sums to cancel.
    first = np.einsum("pn,n->p", x_white, values) / n
    left = values - mixed_columns(first[:, None], x_white)[0]
    second = np.einsum("pn,n->p", x_white, left) / n
    left -= mixed_columns(second[:, None], x_white)[0]
    scale = float(np.sqrt(np.einsum("n,n->", left, left) / n))
    if not scale > 1e-13 * float(np.abs(values).max()):
        raise NoNoiseError(
            "one straight line fits every reading exactly",
            "give the readings as the gauge showed them, not values computed from a line",
        )
    left /= scale
    sums = group_sums(left, x_white, z_white, inverse, counts)
    _noise(sums, float(np.abs(values).max()) / scale)

    start = moment_start(sums)
    # The search wants parameters of order 1.
    unit = max(1.0, float(np.abs(start).max()))

    def deviance(theta: Floats) -> tuple[float, Floats]:
        at = profile(sums, theta * unit, reml=reml)
        return at.deviance, at.gradient * unit

    found = minimise(deviance, start / unit)
    best = profile(sums, found.point * unit, reml=reml)
    freedom = n - p if reml else n
    # Back from the whitened columns and the scaled readings to what was given.
    total = best.deviance + 2.0 * freedom * float(np.log(scale))
    if reml:
        total -= 2.0 * float(np.linalg.slogdet(x_turn)[1])
    return _given_units(
        found.point * unit, best, first + second, scale, x_turn, z_turn, total, labels, n, reml,
        found.converged,
    )  # fmt: skip


def _checked(
    y: npt.ArrayLike, fixed: npt.ArrayLike, random: npt.ArrayLike
) -> tuple[Floats, Floats, Floats]:
    values = np.asarray(y, dtype=np.float64)
    x = np.asarray(fixed, dtype=np.float64)
    z = np.asarray(random, dtype=np.float64)
    x = x[:, None] if x.ndim == 1 else x
    z = z[:, None] if z.ndim == 1 else z
    if values.ndim != 1 or x.ndim != 2 or z.ndim != 2:
        raise BadShapeError(
            f"y, fixed and random have shapes {values.shape}, {x.shape} and {z.shape}",
            "give y as one row of numbers, the others with one column per coefficient",
        )
    if not (values.size == x.shape[0] == z.shape[0]):
        raise BadShapeError(
            f"{values.size} readings, {x.shape[0]} rows of fixed and {z.shape[0]} of random",
            "give one row for each reading",
        )
    if x.shape[1] == 0 or not 1 <= z.shape[1] <= MOST_RANDOM:
        raise BadShapeError(
            f"{x.shape[1]} fixed and {z.shape[1]} random columns",
            f"give 1 or more fixed columns and 1 to {MOST_RANDOM} random ones",
        )
    for name, array in (("y", values), ("fixed", x), ("random", z)):
        # Squares are summed later: beyond this they would overflow.
        if array.size and not float(np.abs(array).max()) < _LARGEST:
            row = int(np.argwhere(~(np.abs(array) < _LARGEST))[0][0])
            raise NotFiniteError(
                f"row {row} of {name} is not a finite number below {_LARGEST:g}", "leave it out"
            )
    return values, np.ascontiguousarray(x.T), np.ascontiguousarray(z.T)


def _whiten(columns: Floats, name: str) -> tuple[Floats, Floats]:
    """Find T with (columns' T)'(columns' T) = n I; return T and T' columns, (k, n) both."""
    k, n = columns.shape
    size = np.sqrt(np.einsum("ij,ij->i", columns, columns))
    if n < k or not (size > 0).all():
        raise RankDeficientError(
            f"{name} has {k} columns that {n} readings can't tell apart",
            "leave out columns that are all zero, or add readings",
        )
    gram = np.einsum("in,jn->ij", columns, columns) / np.outer(size, size)
    lowest = float(np.linalg.eigvalsh(gram)[0])
    if lowest > 1e-6:
        triangle = np.linalg.cholesky(gram).T
    else:
        # The product of the columns has lost the digits that would tell.
        triangle = scipy.linalg.qr(columns.T / size, mode="economic")[1]
    if np.linalg.svd(triangle, compute_uv=False)[-1] < _RANK_TOLERANCE:
        raise RankDeficientError(
            f"a column of {name} is a combination of the others",
            "leave one out, or measure from nearer by (a date as days since the first reading)",
        )
    turn = np.linalg.inv(triangle * size) * np.sqrt(n)
    white = mixed_columns(turn, columns)
    if lowest > 1e-3:
        return turn, white
    # Once more: the first turn's rounding grows with the columns' closeness.
    again = np.linalg.inv(np.linalg.cholesky(white @ white.T / n).T)
    return turn @ again, mixed_columns(again, white)


def _enough(n: int, p: int, q: int, counts: npt.NDArray[np.int64]) -> None:
    if counts.size < 2:
        raise TooFewError(
            f"{counts.size} group", "give readings of two groups or more: one has no spread"
        )
    if n <= p + 1:
        raise TooFewError(f"{n} readings for {p} fixed coefficients", "add readings")
    if not (counts > q).any():
        raise TooFewError(
            f"no group has more than {q} readings, the number of random coefficients",
            "add readings to some groups, or take fewer random columns",
        )


def _noise(sums: GroupSums, largest: float) -> None:
    """Refuse readings whose noise can't be told; `largest` is the largest reading's size."""
    rss, taken = own_rss(sums)
    if sums.own_freedom <= taken:
        raise TooFewError(
            f"{sums.n} readings are as many as the groups' own lines and the fixed columns take",
            "add readings to some groups, or take fewer columns",
        )
    rounding = 1e-13 + 2e-15 * largest
    if not rss > sums.n * rounding**2:
        raise NoNoiseError(
            "a line of its own fits each group's readings exactly",
            "give the readings as the gauge showed them, or take fewer random columns",
        )


def _given_units(
    theta: Floats,
    best: Profile,
    shift: Floats,
    scale: float,
    x_turn: Floats,
    z_turn: Floats,
    deviance: float,
    labels: npt.NDArray[Any],
    n: int,
    reml: bool,
    converged: bool,
) -> LinearFit:
    q = z_turn.shape[0]
    factor = to_factor(theta, q)
    sigma = best.sigma * scale
    root = z_turn @ factor
    cov = sigma**2 * (root @ root.T)
    sd = np.sqrt(np.diag(cov))
    outer = np.outer(sd, sd)
    corr = np.divide(cov, outer, out=np.full((q, q), np.nan), where=outer > 0)
    np.fill_diagonal(corr, 1.0)
    spread = np.linalg.svd(factor, compute_uv=False)
    cov_beta = sigma**2 * (x_turn @ np.linalg.inv(best.information) @ x_turn.T)
    return LinearFit(
        beta=x_turn @ (shift + scale * best.beta),
        beta_se=np.sqrt(np.diag(cov_beta)),
        cov_random=cov,
        sd=sd,
        corr=corr,
        resid_sd=sigma,
        loglik=-0.5 * deviance,
        deviance=deviance,
        blups=scale * mixed_columns((root @ factor.T).T, best.pull).T,
        groups=labels,
        readings=n,
        reml=reml,
        singular=bool(spread[-1] < 1e-4),
        converged=converged,
    )
