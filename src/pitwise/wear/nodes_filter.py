r"""The scalar Kalman filter of a growing depth, on every node of a grid of rates at once.

True depth grows from 0 by independent increments of mean :math:`\mu = r\,\Delta\Lambda`
and variance :math:`\varphi\mu`; a reading is :math:`D = X + N(0, \sigma^2)`. Given the
rate `r` this is a linear Gaussian state space model once the increments are taken as
normal, and the filter gives its likelihood (R. E. Kalman, J. Basic Eng. 82 (1960) 35).
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np

from pitwise.wear.history import Pack
from pitwise.wear.prior import GAMMA, KAPPA, PHI, SIGMA, STARTS_PER_AGE, Floats

_LOG_2PI = float(np.log(2 * np.pi))
_ROWS_AT_ONCE = 160


@dataclass(frozen=True)
class NodeLikelihood:
    """Log likelihood of each electrode at each rate, with its gradient.

    Attributes
    ----------
    value : float array, shape (electrodes, nodes)
    gradient : float array, shape (4, electrodes, nodes), or None
        By log kappa, gamma, log sigma, log phi.
    """

    value: Floats
    gradient: Floats | None


def absorb(
    mean: Floats, variance: Floats, reading: Floats | float, noise_variance: Floats | float
) -> tuple[Floats, Floats, Floats]:
    """Update depth by a reading: one Kalman step.

    Parameters
    ----------
    mean, variance : ndarray
        Depth before, mm and mm²; any shape.
    reading, noise_variance : float or ndarray
        mm and mm², broadcast to it.

    Returns
    -------
    mean, variance, log_density : ndarray
        Depth after, and the log density of the reading.
    """
    spread = variance + noise_variance
    miss = reading - mean
    gain = variance / spread
    return (
        mean + gain * miss,
        variance * (noise_variance / spread),
        -0.5 * (_LOG_2PI + np.log(spread) + miss * miss / spread),
    )


def _age_steps(pack: Pack, theta: Floats, offsets: Floats) -> tuple[Floats, Floats]:
    """Age gained in each step, and its derivatives by log kappa and gamma."""
    kappa, gamma = float(np.exp(theta[KAPPA])), float(theta[GAMMA])
    use = (pack.starts + kappa * pack.arc_minutes) / STARTS_PER_AGE
    with np.errstate(divide="ignore", invalid="ignore"):
        power = use**gamma
        by_kappa = np.where(use > 0, gamma * power / use, 0.0) * (
            kappa * pack.arc_minutes / STARTS_PER_AGE
        )
        by_gamma = np.where(use > 0, power * np.log(use), 0.0)
    stacked = np.stack([power, by_kappa, by_gamma])
    gained = np.diff(stacked, axis=2, prepend=0.0) * np.exp(offsets)[pack.process]
    return gained[0], gained[1:]


def node_likelihood(
    pack: Pack, theta: Floats, log_rates: Floats, offsets: Floats, *, gradient: bool
) -> NodeLikelihood:
    """Run the filter of every electrode of a pack on every node.

    Parameters
    ----------
    pack : Pack
        n electrodes.
    theta : float array, shape (7,)
        The shared unknowns; see `pitwise.wear.prior`.
    log_rates : float array, shape (nodes,)
        Logarithm of the rate in the pack's own process, mm per unit age.
    offsets : float array, shape (processes,)
        Logarithm of each process' rate over the pack's own.
    gradient : bool
        Also differentiate.

    Returns
    -------
    NodeLikelihood
    """
    rate = np.exp(log_rates)
    sigma2, phi = float(np.exp(2 * theta[SIGMA])), float(np.exp(theta[PHI]))
    gained, by = _age_steps(pack, theta, offsets)
    n, nodes = len(pack.counts), len(rate)
    value = np.zeros((n, nodes))
    slopes = np.zeros((4, n, nodes)) if gradient else None
    blocks = [slice(at, min(n, at + _ROWS_AT_ONCE)) for at in range(0, n, _ROWS_AT_ONCE)]

    def run(rows: slice) -> None:
        _filter_rows(pack, rows, gained, by, rate, sigma2, phi, value, slopes)

    if len(blocks) < 2:
        for rows in blocks:
            run(rows)
    else:
        # Blocks write to rows of their own, so the result does not depend on the threads.
        with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
            list(pool.map(run, blocks))
    return NodeLikelihood(value, slopes)


def _filter_rows(
    pack: Pack,
    rows: slice,
    gained: Floats,
    by: Floats,
    rate: Floats,
    sigma2: float,
    phi: float,
    value: Floats,
    slopes: Floats | None,
) -> None:
    counts = pack.counts[rows]
    shape = (len(counts), len(rate))
    mean, variance = np.zeros(shape), np.zeros(shape)
    d_mean = d_variance = np.zeros((0, *shape))
    if slopes is not None:
        d_mean, d_variance = np.zeros((4, *shape)), np.zeros((4, *shape))
    for k in range(int(counts[0])):
        live = int(np.searchsorted(-counts, -k))
        at = slice(rows.start, rows.start + live)
        grown = gained[at, k, None] * rate
        mean[:live] += grown
        variance[:live] += phi * grown
        if slopes is not None:
            d_grown = by[:, at, k, None] * rate
            d_mean[:2, :live] += d_grown
            d_variance[:2, :live] += phi * d_grown
            d_variance[3, :live] += phi * grown
        depth = pack.depth_mm[at, k]
        read = np.isfinite(depth)
        if not read.any():
            continue
        # Not gauged here: an endless noise leaves the depth as it was.
        noise2 = (sigma2 * pack.noise[at, k] ** 2)[:, None]
        seen = read[:, None].astype(float)
        m, p = mean[:live], variance[:live]
        inverse = seen / (p + noise2)
        miss = np.where(read, depth, 0.0)[:, None] - m
        scaled = miss * inverse
        gain = p * inverse
        value[at] -= 0.5 * (seen * _LOG_2PI - np.log(np.where(seen > 0, inverse, 1.0)))
        value[at] -= 0.5 * miss * scaled
        if slopes is not None:
            dm, dp = d_mean[:, :live], d_variance[:, :live]
            ds = dp.copy()
            ds[2] += 2 * noise2
            slopes[:, at] += dm * scaled - 0.5 * ds * (inverse - scaled * scaled)
            d_gain = (dp - gain * ds) * inverse
            d_mean[:, :live] = dm * (1 - gain) + d_gain * miss
            d_variance[:, :live] = dp * (1 - gain) - d_gain * p
        mean[:live] = m + gain * miss
        variance[:live] = p * (1 - gain)
