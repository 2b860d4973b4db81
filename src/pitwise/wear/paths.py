"""The likely depth of each electrode along its life, and how surprising each reading was."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.wear.history import Pack
from pitwise.wear.nodes_filter import absorb
from pitwise.wear.pool import Belief
from pitwise.wear.prior import GAMMA, KAPPA, PHI, SIGMA, TAU, Floats, age

_NODES = np.linspace(-4.2, 4.2, 43)


@dataclass(frozen=True)
class Paths:
    """Electrodes of one pack along their steps, in the pack's order.

    Attributes
    ----------
    before_mm, after_mm : float array, shape (electrodes, steps)
        Depth expected just before and after the step's reading; NaN past the last step.
    surprise : float array, shape (electrodes, steps)
        The reading less its expectation, in SDs of the prediction; NaN where not gauged.
    log_density : float array, shape (electrodes,)
        Log density of all its readings.
    """

    before_mm: Floats
    after_mm: Floats
    surprise: Floats
    log_density: Floats


def follow(pack: Pack, theta: Floats, beliefs: Sequence[Belief]) -> Paths:
    """Filter the electrodes of a pack at given shared unknowns, their own rates unknown.

    Parameters
    ----------
    pack : Pack
        Of at least one electrode.
    theta : float array, shape (7,)
    beliefs : sequence of Belief
        About the log rate of each process.

    Returns
    -------
    Paths
    """
    phi, sigma2 = float(np.exp(theta[PHI])), float(np.exp(2 * theta[SIGMA]))
    ages = age(pack.starts, pack.arc_minutes, np.exp(theta[KAPPA]), theta[GAMMA])
    centres = np.exp([b.mean for b in beliefs])
    gained = np.diff(ages, axis=1, prepend=0.0) * centres[pack.process]
    sd = np.array([b.sd for b in beliefs])[pack.process[:, 0]]
    own = np.exp(np.hypot(np.exp(theta[TAU]), sd)[:, None] * _NODES)
    log_w = np.tile(-0.5 * _NODES**2, (len(pack.counts), 1))
    log_w -= np.log(np.exp(log_w[0]).sum())
    mean, variance = np.zeros_like(own), np.zeros_like(own)
    shape = pack.starts.shape
    before, after, surprise = (np.full(shape, np.nan) for _ in range(3))
    total = np.zeros(len(pack.counts))
    for k in range(shape[1]):
        live = int(np.searchsorted(-pack.counts, -k))
        grown = own[:live] * gained[:live, k, None]
        mean[:live] += grown
        variance[:live] += phi * grown
        w = np.exp(log_w[:live])
        expected = (w * mean[:live]).sum(axis=1)
        before[:live, k] = expected
        read = np.flatnonzero(np.isfinite(pack.depth_mm[:live, k]))
        if len(read):
            noise2 = sigma2 * pack.noise[read, k] ** 2
            spread = (w[read] * (variance[read] + mean[read] ** 2)).sum(axis=1)
            spread -= expected[read] ** 2
            depth = pack.depth_mm[read, k]
            surprise[read, k] = (depth - expected[read]) / np.sqrt(np.maximum(spread, 0) + noise2)
            mean[read], variance[read], density = absorb(
                mean[read], variance[read], depth[:, None], noise2[:, None]
            )
            joint = log_w[read] + density
            top = joint.max(axis=1, keepdims=True)
            norm = top + np.log(np.exp(joint - top).sum(axis=1, keepdims=True))
            log_w[read] = joint - norm
            total[read] += norm[:, 0]
        after[:live, k] = (np.exp(log_w[:live]) * mean[:live]).sum(axis=1)
    return Paths(before, after, surprise, total)
