"""Profiled deviance of a linear mixed model from one triangle per group.

Each group's readings are turned once so that the random columns become a q by q triangle; what
is orthogonal to them is summed over all groups. After that a deviance and its gradient cost a
few passes over the groups, however many readings there are, and no difference of large sums is
taken. Arrays have the groups along their last axis, and the small matrices (q at most 3) are
written out entry by entry, so that numpy runs along the groups.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.linalg

Floats = npt.NDArray[np.float64]

# Groups, and about how many readings, are worked on at once: few enough that what is between
# stays in the processor's cache, and that the products are not worth threads of their own.
_BLOCK = 4096
_READINGS = 8192
# A random column that is this near to the ones before it, within a group, adds nothing there.
_SAME_COLUMN = 1e-11


@dataclass(frozen=True)
class GroupSums:
    """What the deviance needs of the readings, with Z_i = Q_i R_i in group i.

    Attributes
    ----------
    turned : (q, q+p+1, m) array
        R_i, Q_i'X_i and Q_i'y_i side by side; a row of zeros where Z_i has fewer than q
        independent columns. With `same`, (q, q+1, m): Q_i'X_i is R_i and left out.
    within : (p+1, p+1) array
        Triangle W whose W'W is [X y]'[X y] of what is orthogonal to the Z_i, over all groups.
        A triangle, for the squares themselves would lose a small noise beside X's part of y.
    n : int
        Readings.
    own_freedom : int
        Readings less the random columns that each group's own fit takes.
    same : bool
        X and Z are the same columns.
    """

    turned: Floats
    within: Floats
    n: int
    own_freedom: int
    same: bool

    @property
    def q(self) -> int:
        """Random coefficients per group."""
        return int(self.turned.shape[0])

    @property
    def p(self) -> int:
        """Fixed coefficients."""
        return int(self.within.shape[0]) - 1

    @property
    def fixed_at(self) -> range:
        """Where X's columns stand in `turned`."""
        return range(self.q) if self.same else range(self.q, self.q + self.p)


def group_sums(
    y: Floats,
    x: Floats,
    z: Floats,
    inverse: npt.NDArray[np.int64],
    counts: npt.NDArray[np.int64],
) -> GroupSums:
    """Turn each group's readings (Gram-Schmidt, modified) and sum the rest.

    Parameters
    ----------
    y : (n,) array
    x : (p, n) array
    z : (q, n) array
        The same object as `x` where the columns are the same, which saves half of the work.
    inverse : (n,) array
        Number of each reading's group, 0 to m-1.
    counts : (m,) array
        Readings in each group, at least 1.
    """
    same = z is x
    p, q = x.shape[0], z.shape[0]
    order = None if (inverse[1:] >= inverse[:-1]).all() else _order(inverse, counts.size)
    ends = np.cumsum(counts)
    width = q + 1 if same else q + p + 1
    turned = np.zeros((q, width, counts.size))
    within = np.zeros((p + 1, p + 1))
    rank = 0
    group = 0
    while group < counts.size:
        first = int(ends[group] - counts[group])
        # Whole groups, one at the least.
        last = max(group + 1, int(np.searchsorted(ends, first + _READINGS, side="right")))
        rows = slice(first, int(ends[last - 1]))
        picked = rows if order is None else order[rows]
        left = [
            *(column[picked] for column in z),
            *(() if same else (column[picked] for column in x)),
            y[picked],
        ]
        rank += _turn(left, q, counts[group:last], turned[:, :, group:last])
        if same:
            within[p, p] = np.hypot(within[p, p], np.sqrt(np.dot(left[-1], left[-1])))
        else:
            rest = np.vstack([within, np.column_stack(left[q:])])
            within = scipy.linalg.qr(rest, mode="r")[0][: p + 1]
        group = last
    return GroupSums(turned, within, y.size, y.size - rank, same)


def _order(inverse: npt.NDArray[np.int64], groups: int) -> npt.NDArray[np.int64]:
    """Sort by group; two digits of 16 bits, for which numpy's stable sort takes linear time."""
    if groups >= 2**32:
        return np.argsort(inverse, kind="stable")
    order = np.argsort(inverse.astype(np.uint16), kind="stable")
    if groups > 2**16:
        order = order[np.argsort((inverse >> 16).astype(np.uint16)[order], kind="stable")]
    return order


def _turn(left: list[Floats], q: int, counts: npt.NDArray[np.int64], turned: Floats) -> int:
    """Free the columns, in place, of the groups' first q; fill `turned`; return the ranks' sum."""
    starts = np.cumsum(counts) - counts

    def total(product: Floats) -> Floats:
        summed: Floats = np.add.reduceat(product, starts)
        return summed

    rank = 0
    for i in range(q):
        size = np.sqrt(total(left[i] * left[i]))
        whole = np.sqrt((turned[:i, i] ** 2).sum(axis=0) + size**2)
        there = size > _SAME_COLUMN * whole
        rank += int(there.sum())
        turned[i, i] = np.where(there, size, 0.0)
        inverse = np.divide(1.0, size, out=np.zeros_like(size), where=there)
        direction = left[i] * np.repeat(inverse, counts)
        for k in range(i + 1, len(left)):
            part = total(direction * left[k])
            turned[i, k] = part
            left[k] = left[k] - direction * np.repeat(part, counts)
    return rank


def mixed_columns(weights: Floats, columns: Floats) -> Floats:
    """Return weights' `columns` for weights (k, j) and columns (k, n).

    Not by BLAS, whose threads take longer to meet than a product as thin as this takes.
    """
    found: Floats = weights[0][:, None] * columns[0]
    for row, column in zip(weights[1:], columns[1:], strict=True):
        found += row[:, None] * column
    return found


def to_factor(theta: Floats, q: int) -> Floats:
    """Lay the parameters out as the lower-triangular relative factor Λ (q, q)."""
    factor = np.zeros((q, q))
    factor[np.tril_indices(q)] = theta
    return factor


@dataclass(frozen=True)
class Profile:
    """The deviance at one θ, and what was profiled out.

    Attributes
    ----------
    deviance : float
        -2 log-likelihood (or of the restricted likelihood).
    gradient : (k,) array
        With respect to θ.
    beta : (p,) array
    sigma : float
        Residual standard deviation.
    information : (p, p) array
        X'V⁻¹X with V = I + ZΛΛ'Z' (the residual variance taken out).
    pull : (q, m) array
        Z_i'V_i⁻¹(y_i - X_iβ); the random effects are predicted as ΛΛ' times it.
    """

    deviance: float
    gradient: Floats
    beta: Floats
    sigma: float
    information: Floats
    pull: Floats


def profile(sums: GroupSums, theta: Floats, *, reml: bool) -> Profile:
    r"""Evaluate the profiled deviance and its gradient.

    Parameters
    ----------
    sums : GroupSums
    theta : (q(q+1)/2,) array
        Lower triangle of Λ, row by row; the random effects' covariance is σ²ΛΛ'. Any sign is
        allowed: the deviance depends on ΛΛ' alone.
    reml : bool

    Returns
    -------
    Profile

    Notes
    -----
    With N_i = I + R_iΛΛ'R_i' = L_iL_i' and C_i = L_i⁻¹[R_i, Q_i'X_i, Q_i'y_i], the sum of
    C_i'C_i over groups, with what is orthogonal to the Z_i added, holds Z'V⁻¹Z, X'V⁻¹X, X'V⁻¹y
    and y'V⁻¹y, whence β and the penalised residual sum of squares r². The deviance is [1]_

    .. math:: \sum_i \log|N_i| + n\,(1 + \log(2\pi r^2/n))

    and for REML n gives way to n - p and log|X'V⁻¹X| is added. With g_i = Z_i'V_i⁻¹(y_i - X_iβ)
    and H_i = Z_i'V_i⁻¹X_i the gradient is the lower triangle of

    .. math:: 2\Bigl[\sum_i Z_i'V_i^{-1}Z_i - \frac{n}{r^2} g_ig_i'
              - H_i (X'V^{-1}X)^{-1} H_i'\Bigr]Λ

    whose last term is there for REML only.

    .. [1] D. Bates, M. Mächler, B. Bolker, S. Walker, J. Stat. Softw. 67(1) (2015), section 3.4.
    """
    q, p = sums.q, sums.p
    width, m = sums.turned.shape[1:]
    fixed_at = sums.fixed_at
    factor = to_factor(theta, q)
    products = np.zeros((width, width))
    log_det = 0.0
    blocks = []
    for k in range(0, m, _BLOCK):
        work, part = _solved(sums.turned[:, :, k : k + _BLOCK], factor)
        blocks.append(work)
        log_det += part
        for row in work:
            for a in range(width):
                for b in range(a + 1):
                    products[a, b] += np.dot(row[a], row[b])
    products += np.tril(products, -1).T
    whole = (
        sums.within.T @ sums.within
        + products[np.ix_([*fixed_at, width - 1], [*fixed_at, width - 1])]
    )
    information = whole[:p, :p]
    beta: Floats = np.linalg.solve(information, whole[:p, p]).astype(np.float64)

    # r² from residuals, group by group: a difference of sums would lose it to rounding.
    weights = np.append(-beta, 1.0)
    rss = float(((sums.within @ weights) ** 2).sum())
    pull = np.empty((q, m))
    pulled = np.zeros((q, q))
    spread = np.zeros((q, q))
    inverse: Floats | None = np.linalg.inv(information).astype(np.float64) if reml else None
    for k, work in zip(range(0, m, _BLOCK), blocks, strict=True):
        residual = work[:, -1].copy()
        for j, at in enumerate(fixed_at):
            residual -= beta[j] * work[:, at]
        rss += sum(float(np.dot(row, row)) for row in residual)
        block = _against_random(work, residual)
        pull[:, k : k + _BLOCK] = block
        for i in range(q):
            for j in range(i + 1):
                pulled[i, j] += np.dot(block[i], block[j])
        if inverse is not None:
            crossed = [_against_random(work, work[:, at]) for at in fixed_at]
            for j in range(q):
                for c in range(p):
                    mixed = sum(inverse[c, d] * crossed[d][j] for d in range(p))
                    for i in range(j, q):
                        spread[i, j] += np.dot(crossed[c][i], mixed)
    pulled += np.tril(pulled, -1).T
    spread += np.tril(spread, -1).T
    freedom = sums.n - p if reml else sums.n
    deviance = log_det + freedom * (1.0 + math.log(2.0 * math.pi * rss / freedom))
    if reml:
        deviance += float(np.linalg.slogdet(information)[1])
    inner = products[:q, :q] - (freedom / rss) * pulled - spread
    return Profile(
        deviance,
        2.0 * (inner @ factor)[np.tril_indices(q)],
        beta,
        math.sqrt(rss / freedom),
        information,
        pull,
    )


def _solved(turned: Floats, factor: Floats) -> tuple[Floats, float]:
    """Return L⁻¹[R, Q'X, Q'y] of each group and Σ log|N|."""
    q = turned.shape[0]
    root = np.matmul(factor.T, turned[:, :q])
    work = turned.copy()
    low: dict[tuple[int, int], Floats] = {}
    inverse_diagonal: list[Floats] = []
    log_det = 0.0
    for i in range(q):
        for j in range(i + 1):
            value = root[i, 0] * root[j, 0]
            for k in range(1, q):
                value += root[i, k] * root[j, k]
            for k in range(j):
                value -= low[i, k] * low[j, k]
            if j < i:
                low[i, j] = value * inverse_diagonal[j]
                work[i] -= low[i, j] * work[j]
        # No pivot is below 1, save by rounding at a spread beyond 1e7 of the noise.
        pivot = np.maximum(value + 1.0, 1.0)
        log_det += float(np.log(pivot).sum())
        inverse_diagonal.append(1.0 / np.sqrt(pivot))
        work[i] *= inverse_diagonal[i]
    return work, log_det


def _against_random(work: Floats, other: Floats) -> Floats:
    """Return C_R' `other` of each group, (q, groups); R, so C_R, is not triangular here."""
    q = work.shape[0]
    found = np.empty((q, work.shape[2]))
    for a in range(q):
        found[a] = work[0, a] * other[0]
        for i in range(1, q):
            found[a] += work[i, a] * other[i]
    return found


def moment_start(sums: GroupSums) -> Floats:
    """Start θ from moments.

    With t_i = Z_i'y_i, y being free of its least-squares fit on X, and S_i = Z_i'Z_i, E Σ t_it_i'
    is about Σ S_iΣS_i + σ²Σ S_i: linear in the covariance Σ, and σ² is what the groups' own
    lines leave. The covariance is then held away from singular, so that the search starts inside.
    """
    q = sums.q
    variance = own_rss(sums)[0] / sums.own_freedom
    r = sums.turned[:, :q]
    s = np.einsum("iam,ibm->abm", r, r)
    t = np.einsum("iam,im->am", r, sums.turned[:, -1])
    rows, columns = np.tril_indices(q)
    # Symmetric unknowns: the columns of (b, c) and (c, b) are added up.
    full = np.einsum("abm,cdm->adbc", s, s)
    system = (full + full.transpose(0, 1, 3, 2))[rows, columns][:, rows, columns]
    system[:, rows == columns] /= 2.0
    wanted = (np.einsum("am,bm->ab", t, t) - variance * s.sum(axis=2))[rows, columns]
    found = np.linalg.lstsq(system, wanted, rcond=None)[0] / variance
    relative = np.empty((q, q))
    relative[rows, columns] = relative[columns, rows] = found
    values, vectors = np.linalg.eigh(relative)
    held = np.maximum(values, 1e-3 + 1e-3 * abs(float(values[-1])))
    start: Floats = np.linalg.cholesky((vectors * held) @ vectors.T)[rows, columns]
    return start


def own_rss(sums: GroupSums) -> tuple[float, int]:
    """Squares that lines of their own leave, β fitted to what they leave; and β's rank there."""
    p = sums.p
    x, y = sums.within[:, :p], sums.within[:, p]
    used = np.sqrt((x**2).sum(axis=0)) > 1e-8 * math.sqrt(sums.n)
    beta, _, rank, _ = np.linalg.lstsq(x[:, used], y, rcond=1e-8)
    return float(((y - x[:, used] @ beta) ** 2).sum()), int(rank)
