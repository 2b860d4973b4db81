"""Profiled deviance of a linear mixed model from one set of sums per group.

After the sums are taken, a deviance and its gradient cost a few passes over the groups,
however many readings there are. Arrays have the groups along their last axis, and the small
matrices (q at most 3) are written out entry by entry, so that numpy runs along the groups.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class GroupSums:
    """What the deviance needs of the readings.

    Attributes
    ----------
    zz : (q(q+1)/2, m) array
        Z'Z of each group, lower triangle row by row.
    zw : (q, p+1, m) array
        Z'[X y] of each group.
    ww : (p+1, p+1) array
        [X y]'[X y] over all groups.
    counts : (m,) array
        Readings in each group.
    """

    zz: Floats
    zw: Floats
    ww: Floats
    counts: npt.NDArray[np.int64]

    @property
    def q(self) -> int:
        """Random coefficients per group."""
        return int(self.zw.shape[0])

    @property
    def p(self) -> int:
        """Fixed coefficients."""
        return int(self.zw.shape[1]) - 1

    @property
    def n(self) -> int:
        """Readings."""
        return int(self.counts.sum())


def lower_pairs(q: int) -> list[tuple[int, int]]:
    """Return the (row, column) of each entry of a lower triangle, row by row."""
    return [(i, j) for i in range(q) for j in range(i + 1)]


def pair_rows(q: int) -> dict[tuple[int, int], int]:
    """Where each (row, column) of `lower_pairs` stands."""
    return {pair: row for row, pair in enumerate(lower_pairs(q))}


def to_factor(theta: Floats, q: int) -> Floats:
    """Lay the parameters out as the lower-triangular relative factor Λ (q, q)."""
    factor = np.zeros((q, q))
    factor[np.tril_indices(q)] = theta
    return factor


# Groups worked on at once: small enough that what is between stays in the processor's cache.
_BLOCK = 4096


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
    rss : float
        Penalised residual sum of squares at `beta`.
    sigma : float
        Residual standard deviation.
    information : (p, p) array
        X'V⁻¹X with V = I + ZΛΛ'Z' (the residual variance taken out).
    spherical : (q, m) array
        Predicted spherical random effects u; the random effects are Λu.
    """

    deviance: float
    gradient: Floats
    beta: Floats
    rss: float
    sigma: float
    information: Floats
    spherical: Floats


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
        Its deviance is inf where the residual sum of squares is lost in rounding.

    Notes
    -----
    With M_i = I + Λ'Z_i'Z_iΛ = L_iL_i' and C_i = L_i⁻¹Λ'Z_i'[X y], the matrix
    [X y]'[X y] - Σ C_i'C_i holds X'V⁻¹X, X'V⁻¹y and y'V⁻¹y, whence β and the penalised
    residual sum of squares r². The deviance is [1]_

    .. math:: \sum_i \log|M_i| + n\,(1 + \log(2\pi r^2/n))

    and for REML n gives way to n - p and log|X'V⁻¹X| is added. With u_i = M_i⁻¹Λ'Z_i'e,
    e = y - Xβ, the gradient is the lower triangle of

    .. math:: 2\sum_i S_i Λ P_i - 2\sum_i Z_i'(w\,e\,u_i' + X A^{-1}U_i')

    where S_i = Z_i'Z_i, P_i = M_i⁻¹ + w u_iu_i' + U_i'A⁻¹U_i, w = n/r², and the terms in
    U_i = M_i⁻¹Λ'Z_i'X and A = X'V⁻¹X are there for REML only.

    .. [1] D. Bates, M. Mächler, B. Bolker, S. Walker, J. Stat. Softw. 67(1) (2015), section 3.4.
    """
    q, p, n = sums.q, sums.p, sums.n
    m = sums.counts.size
    factor = to_factor(theta, q)
    pairs = lower_pairs(q)

    # M is linear in Z'Z: one small matrix product gives all its entries for all groups.
    spread = np.empty((len(pairs), len(pairs)))
    for row, (c, d) in enumerate(pairs):
        for column, (a, b) in enumerate(pairs):
            spread[row, column] = factor[a, c] * factor[b, d]
            if a != b:
                spread[row, column] += factor[b, c] * factor[a, d]
    blocks = [_factorised(sums, factor, spread, slice(k, k + _BLOCK)) for k in range(0, m, _BLOCK)]

    left = sums.ww.copy()
    log_det = 0.0
    for block in blocks:
        log_det += block.log_det
        for row in block.work:
            left -= row @ row.T
    information = left[:p, :p]
    beta: Floats = np.linalg.solve(information, left[:p, p]).astype(np.float64, copy=False)
    rss = float(left[p, p] - left[:p, p] @ beta)
    freedom = n - p if reml else n
    if not rss > 1e-13 * float(sums.ww[p, p]):
        nothing = np.full(theta.shape, np.nan)
        return Profile(math.inf, nothing, beta, rss, 0.0, information, np.zeros((q, m)))
    deviance = log_det + freedom * (1.0 + math.log(2.0 * math.pi * rss / freedom))
    if reml:
        deviance += float(np.linalg.slogdet(information)[1])

    weight = freedom / rss
    weights = np.append(-beta, 1.0)[None, :]
    reml_weights: Floats | None = None
    if reml:
        weights = np.vstack([weights, np.eye(p, p + 1)])
        reml_weights = np.linalg.inv(information).astype(np.float64, copy=False)
    both = np.zeros((len(pairs), len(pairs)))
    pulled = np.zeros((q, q))
    spherical = np.empty((q, m))
    for block in blocks:
        kernel, pull, u = _pull(block, sums.zw, weights, weight, reml_weights)
        both += sums.zz[:, block.where] @ kernel.T
        pulled += pull
        spherical[:, block.where] = u
    at = pair_rows(q)
    index = np.array([[at[max(a, b), min(a, b)] for b in range(q)] for a in range(q)])
    table = both[index[:, :, None, None], index[None, None, :, :]]
    gradient = 2.0 * np.einsum("abdc,bd->ac", table, factor) - 2.0 * pulled
    return Profile(
        deviance,
        gradient[np.tril_indices(q)],
        beta,
        rss,
        math.sqrt(rss / freedom),
        information,
        spherical,
    )


@dataclass(frozen=True)
class _Block:
    """Some groups' Cholesky factors L (below the diagonal, and 1/diagonal) and C = `work`."""

    where: slice
    low: dict[tuple[int, int], Floats]
    inverse_diagonal: list[Floats]
    work: Floats
    log_det: float


def _factorised(sums: GroupSums, factor: Floats, spread: Floats, where: slice) -> _Block:
    q = sums.q
    at = pair_rows(q)
    entries = spread @ sums.zz[:, where]
    right = sums.zw[:, :, where]
    work = (factor.T @ right.reshape(q, -1)).reshape(right.shape)
    low: dict[tuple[int, int], Floats] = {}
    inverse_diagonal: list[Floats] = []
    log_det = 0.0
    for i in range(q):
        for j in range(i):
            value = entries[at[i, j]]
            for k in range(j):
                value = value - low[i, k] * low[j, k]
            low[i, j] = value * inverse_diagonal[j]
            work[i] -= low[i, j] * work[j]
        pivot = entries[at[i, i]] + 1.0
        for k in range(i):
            pivot = pivot - low[i, k] ** 2
        # Exactly, no pivot is below 1; rounding may lose it where the groups' spread is
        # beyond 1e8 of the noise.
        pivot = np.maximum(pivot, 1e-300)
        log_det += float(np.log(pivot).sum())
        inverse_diagonal.append(1.0 / np.sqrt(pivot))
        work[i] *= inverse_diagonal[i]
    return _Block(where, low, inverse_diagonal, work, log_det)


def _pull(
    block: _Block, zw: Floats, weights: Floats, weight: float, reml_weights: Floats | None
) -> tuple[Floats, Floats, Floats]:
    """Return the lower triangle of P, the sum that Λ's own pull is, and u."""
    low, inverse_diagonal = block.low, block.inverse_diagonal
    q = len(inverse_diagonal)
    # Back substitution: spherical effects of e, and for REML of X's columns too.
    solved = np.matmul(weights, block.work)
    for i in reversed(range(q)):
        for k in range(i + 1, q):
            solved[i] -= low[k, i] * solved[k]
        solved[i] *= inverse_diagonal[i]
    u = solved[:, 0]

    inverse: dict[tuple[int, int], Floats] = {}
    for j in range(q):
        inverse[j, j] = inverse_diagonal[j]
        for i in range(j + 1, q):
            value = low[i, j] * inverse[j, j]
            for k in range(j + 1, i):
                value = value + low[i, k] * inverse[k, j]
            inverse[i, j] = -value * inverse_diagonal[i]

    cross = np.matmul(weights, zw[:, :, block.where])
    pairs = lower_pairs(q)
    kernel = np.empty((len(pairs), u.shape[1]))
    for row, (c, d) in enumerate(pairs):
        value = weight * u[c] * u[d]
        for k in range(c, q):
            value += inverse[k, c] * inverse[k, d]
        if reml_weights is not None:
            value += ((reml_weights @ solved[c, 1:]) * solved[d, 1:]).sum(axis=0)
        kernel[row] = value
    pull = weight * (cross[:, 0] @ u.T)
    if reml_weights is not None:
        for c in range(q):
            turned = reml_weights @ solved[c, 1:]
            for a in range(q):
                pull[a, c] += float(np.vdot(turned, cross[a, 1:]))
    return kernel, pull, u


def moment_start(sums: GroupSums) -> Floats | None:
    """Start θ from moments; None where the groups' own lines fit their readings exactly.

    With t_i = Z_i'y, y being free of its least-squares fit on X, E Σ t_it_i' is about
    Σ S_iΣS_i + σ²Σ S_i: linear in the covariance Σ, and σ² is what the groups' own lines leave.
    The covariance is then held away from singular, so that the search starts inside.
    """
    q = sums.q
    pairs = lower_pairs(q)
    own = profile(sums, np.array([1e5 if i == j else 0.0 for i, j in pairs]), reml=False)
    if not math.isfinite(own.deviance):
        return None
    variance = own.rss / float(np.maximum(sums.counts - q, 0).sum())
    at = pair_rows(q)
    squares = sums.zz @ sums.zz.T
    total = sums.zz.sum(axis=1)
    t = sums.zw[:, -1]
    products = t @ t.T
    system = np.zeros((len(pairs), len(pairs)))
    wanted = np.empty(len(pairs))
    for row, (a, d) in enumerate(pairs):
        wanted[row] = products[a, d] - variance * total[row]
        for b in range(q):
            for c in range(q):
                column = at[max(b, c), min(b, c)]
                system[row, column] += squares[at[max(a, b), min(a, b)], at[max(c, d), min(c, d)]]
    found = np.linalg.lstsq(system, wanted, rcond=None)[0] / variance
    relative = np.empty((q, q))
    for row, (i, j) in enumerate(pairs):
        relative[i, j] = relative[j, i] = found[row]
    values, vectors = np.linalg.eigh(relative)
    held = np.clip(values, 1e-3 + 1e-3 * abs(float(values[-1])), 1e8)
    return np.linalg.cholesky((vectors * held) @ vectors.T)[np.tril_indices(q)]
