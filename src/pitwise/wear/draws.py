r"""Draws of the shared unknowns from their posterior: what is not known, made plain.

With few readings the posterior is skewed: a scatter of growth too small to be seen may be
any number below what would be. So with up to some thousand readings draws come from a split
normal (each principal axis of the Laplace approximation has an SD of its own either side of
the mode; Rue, Martino & Chopin, J. R. Stat. Soc. B 71 (2009) 319, from memory), are weighted
by the exact posterior over it with the largest weights truncated (Ionides, J. Comput. Graph.
Stat. 17 (2008) 295, from memory), and thinned to equal weights. With more the Laplace
approximation itself is as good, and is drawn from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pitwise.wear.pool import Belief
from pitwise.wear.posterior import BOX, Problem, curvature
from pitwise.wear.prior import RATE, Floats

_LEAST_CURVATURE = 0.12
FEW_READINGS = 1500
"""Up to so many, evaluating the posterior a few hundred times takes a second or so."""
_TRIES_PER_DRAW = 4
_WIDER = 1.1


@dataclass(frozen=True)
class SharedDraws:
    """Equally weighted draws.

    Attributes
    ----------
    theta : float array, shape (draws, 7)
    rate_mean, rate_sd : float array, shape (draws, processes)
        Normal belief about each process' log rate, given the draw.
    covariance : float array, shape (7, 7)
        Of the Laplace approximation, prior-scaled.
    mean_by : float array, shape (processes, 7)
        How each process' log rate moves with the unknowns.
    effective : float or None
        How many independent draws the weighted ones were worth; None: none were weighted.
    """

    theta: Floats
    rate_mean: Floats
    rate_sd: Floats
    covariance: Floats
    mean_by: Floats
    effective: float | None


def draw_shared(
    problem: Problem,
    z: Floats,
    beliefs: tuple[Belief, ...],
    random: np.random.Generator,
    count: int,
) -> SharedDraws:
    """Draw from the posterior about its mode.

    Parameters
    ----------
    problem : Problem
    z : float array, shape (7,)
        The mode.
    beliefs : tuple of Belief
        Of the processes' rates at the mode.
    random : numpy.random.Generator
    count : int
        How many, even.
    """
    hessian, mean_by, log_sd_by = curvature(problem, z)
    roots, axes = np.linalg.eigh(hessian)
    roots = np.maximum(roots, _LEAST_CURVATURE)
    scaled = axes / np.sqrt(roots)
    covariance = scaled @ scaled.T
    if problem.packed.readings <= FEW_READINGS:
        found = _weighted(problem, z, scaled, random, count)
        return SharedDraws(*found[:3], covariance, mean_by, found[3])
    half = random.standard_normal((count // 2, len(z)))
    at = np.clip(z + np.vstack([half, -half]) @ scaled.T, -BOX, BOX)
    rate_mean = np.array([b.mean for b in beliefs]) + (at - z) @ mean_by.T
    rate_sd = np.array([b.sd for b in beliefs]) * np.exp(np.clip((at - z) @ log_sd_by.T, -1.5, 1.5))
    return SharedDraws(problem.theta(at), rate_mean, rate_sd, covariance, mean_by, None)


def _sides(problem: Problem, z: Floats, scaled: Floats) -> Floats:
    """SD of each axis below and above the mode, as multiples of Laplace's; shape (2, 7).

    Where the posterior has fallen by d at a distance of t SDs, the normal that falls alike
    has t/sqrt(2d) of them.
    """
    top = problem.log_posterior(z)
    sides = np.ones((2, len(z)))
    for side, sign in enumerate((-1.0, 1.0)):
        for k in range(len(z)):
            for _ in range(2):
                distance = math.sqrt(2) * sides[side, k]
                at = np.clip(z + sign * distance * scaled[:, k], -BOX, BOX)
                fall = max(top - problem.log_posterior(at), 0.02)
                sides[side, k] = float(np.clip(distance / math.sqrt(2 * fall), 0.3, 6.0))
    return sides


def _even(count: int, dimensions: int, random: np.random.Generator) -> Floats:
    """Return evenly spread points of the unit cube: a lattice with a random shift.

    The Kronecker sequence of the generalised golden ratio. Even points make the forecast of a
    shop with few readings smooth in them, where as many random ones would jitter.
    """
    golden = 2.0
    for _ in range(40):
        golden = (1 + golden) ** (1 / (dimensions + 1))
    step = golden ** -np.arange(1, dimensions + 1)
    points = random.uniform(size=dimensions) + np.arange(1, count + 1)[:, None] * step
    return np.asarray(points % 1.0, float)


def _weighted(
    problem: Problem, z: Floats, scaled: Floats, random: np.random.Generator, count: int
) -> tuple[Floats, Floats, Floats, float]:
    sides = _WIDER * _sides(problem, z, scaled)
    tries = _TRIES_PER_DRAW * count
    # Each side is drawn as often as its SD asks, which joins the halves without a step.
    share = sides[0] / sides.sum(axis=0)
    u = _even(tries, len(z), random)
    below = u < share
    size = np.abs(
        ndtri(
            np.where(below, u / share / 2, 0.5 + (u - share) / (1 - share) / 2).clip(1e-9, 1 - 1e-9)
        )
    )
    steps = size * np.where(below, -sides[0], sides[1])
    at = z + steps @ scaled.T
    log_w = np.full(tries, -np.inf)
    rate_mean = np.zeros((tries, len(problem.packed.processes)))
    rate_sd = np.ones_like(rate_mean)
    for n in np.flatnonzero(np.all(np.abs(at) <= BOX, axis=1)):
        log_w[n] = problem.log_posterior(at[n]) + 0.5 * float(size[n] @ size[n])
        rate_mean[n] = [b.mean for b in problem.found]
        rate_sd[n] = [b.sd for b in problem.found]
    w = np.exp(log_w - log_w.max())
    w = np.minimum(w, w.mean() * math.sqrt(tries))
    w /= w.sum()
    # Thinned in order of the common rate, which matters most, so that its spread is kept evenly.
    order = np.argsort(at[:, RATE], kind="stable")
    edges = np.cumsum(w[order])
    keep = order[np.searchsorted(edges, (np.arange(count) + 0.5) / count * edges[-1])]
    theta = np.array([problem.theta(row) for row in at[keep]])
    return theta, rate_mean[keep], rate_sd[keep], 1 / float(w @ w)
