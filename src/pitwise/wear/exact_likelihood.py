"""Log-likelihoods of exact readings of a gamma process, with analytic gradients."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import digamma, gammaln

from pitwise.wear.nodes import log_mixture, node_grid

Floats = npt.NDArray[np.float64]

# The grid of the random-scale quadrature: wide, for the log of a gamma has a long left tail.
_SCALE_HALF_WIDTH = 10.0
_SCALE_COUNT = 401
# Keeps the mixing shape finite where units show no spread at all.
_LEAST_SPREAD = 1e-12


@dataclass(frozen=True)
class Increments:
    """Growth between successive readings, unit after unit.

    Attributes
    ----------
    before, after : (n,) array
        Ages at both ends, at least 0 and after > before.
    growth : (n,) array
        Depth gained, over 0.
    starts : (m,) array
        Where each unit's increments begin.
    """

    before: Floats
    after: Floats
    growth: Floats
    starts: npt.NDArray[np.int64]

    def per_unit(self, values: Floats) -> Floats:
        """Sum over each unit's increments along the first axis."""
        summed: Floats = np.add.reduceat(values, self.starts, axis=0)
        return summed

    def aged(self, power: float) -> tuple[Floats, Floats]:
        """Return Δ(age**power) and its derivative's ratio, d log Δ / d log power."""
        later, earlier = self.after**power, self.before**power
        step = later - earlier
        logs = np.log(self.after)
        early_logs = np.log(self.before, out=np.zeros_like(self.before), where=self.before > 0)
        return step, power * (later * logs - earlier * early_logs) / step


def gamma_loglik(data: Increments, rate: float, phi: float, power: float) -> tuple[float, Floats]:
    """One rate for all units.

    Increments are gamma with shape a = rate·Δ(age**power)/phi and scale phi.

    Returns
    -------
    loglik : float
    gradient : (3,) array
        With respect to log rate, log phi, log power.
    """
    step, bend = data.aged(power)
    x = data.growth
    a = rate * step / phi
    loglik = float(((a - 1) * np.log(x) - a * math.log(phi) - x / phi - gammaln(a)).sum())
    push = a * (np.log(x / phi) - digamma(a))
    total = float(push.sum())
    explicit = float((x / phi - a).sum())
    return loglik, np.array([total, explicit - total, float((push * bend).sum())])


def lognormal_loglik(
    data: Increments, rate: float, phi: float, tau: float, power: float, count: int = 85
) -> tuple[float, Floats]:
    """Each unit's rate is b·rate with log b ~ N(0, tau²), summed over a grid of nodes.

    `tau` may have either sign, which makes no difference.

    Returns
    -------
    loglik : float
    gradient : (4,) array
        With respect to log rate, log phi, tau, log power.
    """
    standard, log_weights = node_grid(1.0, count=count)
    step, bend = data.aged(power)
    x = data.growth[:, None]
    a = (rate * step / phi)[:, None] * np.exp(tau * standard)
    at_nodes = (a - 1) * np.log(x) - a * math.log(phi) - x / phi - gammaln(a)
    mixed, posterior = log_mixture(data.per_unit(at_nodes), log_weights)
    push = a * (np.log(x / phi) - digamma(a))
    per_unit = data.per_unit(push)
    total = float((posterior * per_unit).sum())
    explicit = float((posterior * data.per_unit(x / phi - a)).sum())
    spread = float((posterior * per_unit * standard).sum())
    bent = float((posterior * data.per_unit(push * bend[:, None])).sum())
    return float(mixed.sum()), np.array([total, explicit - total, spread, bent])


# From this mixing shape on, Stirling's series with the terms below errs by less than rounding.
_LARGE_SHAPE = 1e3


def _log_rising(delta: float, gain: Floats) -> Floats:
    """Return log Γ(delta + gain) - log Γ(delta) - gain·log delta, exact at large delta too."""
    if delta < _LARGE_SHAPE:
        plain: Floats = gammaln(delta + gain) - gammaln(delta) - gain * math.log(delta)
        return plain

    def tail(x: Floats | float) -> Floats | float:
        return 1 / (12 * x) - 1 / (360 * x**3)

    main = (delta + gain - 0.5) * np.log1p(gain / delta) - gain
    return np.asarray(main + tail(delta + gain) - tail(delta))


def _digamma_gain(delta: float, gain: Floats) -> Floats:
    """Return ψ(delta + gain) - ψ(delta), exact at large delta too."""
    if delta < _LARGE_SHAPE:
        plain: Floats = digamma(delta + gain) - digamma(delta)
        return plain

    def tail(x: Floats | float) -> Floats | float:
        return -1 / (2 * x) - 1 / (12 * x * x) + 1 / (120 * x**4)

    return np.asarray(np.log1p(gain / delta) + tail(delta + gain) - tail(delta))


def mixing_shape(spread: float) -> tuple[float, float]:
    """Return the mixing shape δ = 1/(spread² + ε) and dδ/dspread."""
    delta = 1.0 / (spread * spread + _LEAST_SPREAD)
    return delta, -2.0 * spread * delta * delta


def random_scale_loglik(
    data: Increments, eta: float, mean_inverse: float, spread: float, power: float
) -> tuple[float, Floats]:
    """Gamma process with a gamma-distributed inverse scale per unit, in closed form.

    Increments are gamma with shape eta·Δ(age**power) and inverse scale w, and w is gamma with
    shape δ = 1/spread² and mean `mean_inverse` (Lawless & Crowder's γ is δ / `mean_inverse`).
    Written in `spread` so that no spread between units is the interior point 0 and not a δ
    at infinity.

    Returns
    -------
    loglik : float
    gradient : (4,) array
        With respect to log eta, log mean_inverse, spread, log power.

    References
    ----------
    J. Lawless, M. Crowder, Lifetime Data Analysis 10 (2004) 213.
    """
    delta, steepness = mixing_shape(spread)
    step, bend = data.aged(power)
    x = data.growth
    a = eta * step
    total_a, total_x = data.per_unit(a), data.per_unit(x)
    ratio = total_x * mean_inverse / delta
    rest = np.log1p(ratio)
    unit = _log_rising(delta, total_a) + total_a * math.log(mean_inverse) - (total_a + delta) * rest
    loglik = float(((a - 1) * np.log(x) - gammaln(a)).sum() + unit.sum())

    gain = _digamma_gain(delta, total_a)
    pull = gain + (digamma(delta) - math.log(delta)) + math.log(mean_inverse) - rest
    counts = np.diff(np.append(data.starts, x.size))
    push = a * (np.log(x) - digamma(a) + np.repeat(pull, counts))
    by_mean = total_a - (total_a + delta) * ratio / (1 + ratio)
    by_delta = gain - total_a / delta + (total_a + delta) * ratio / (delta * (1 + ratio)) - rest
    return loglik, np.array(
        [
            float(push.sum()),
            float(by_mean.sum()),
            float(by_delta.sum()) * steepness,
            float((push * bend).sum()),
        ]
    )


def random_scale_quadrature(
    data: Increments, eta: float, mean_inverse: float, spread: float, power: float
) -> tuple[float, Floats]:
    """Return what `random_scale_loglik` does, the inverse scale summed over a grid of nodes.

    Slower, and good only where the grid is fine enough: it is here to show that the nodes
    which the log-normal model rests on give what can be had in closed form.
    """
    delta, steepness = mixing_shape(spread)
    nodes, _ = node_grid(1.0 / math.sqrt(delta), _SCALE_HALF_WIDTH, _SCALE_COUNT)
    # w = mean·exp(node); the density of log w, times the trapezoid's spacing.
    log_weights = (
        delta * (math.log(delta) + nodes - np.exp(nodes))
        - gammaln(delta)
        + math.log(nodes[1] - nodes[0])
    )
    step, bend = data.aged(power)
    a = eta * step
    total_a, total_x = data.per_unit(a), data.per_unit(data.growth)
    inverse = mean_inverse * np.exp(nodes)
    at_nodes = total_a[:, None] * np.log(inverse) - total_x[:, None] * inverse
    mixed, posterior = log_mixture(at_nodes, log_weights)
    loglik = float(((a - 1) * np.log(data.growth) - gammaln(a)).sum() + mixed.sum())

    counts = np.diff(np.append(data.starts, a.size))
    pull = np.repeat(posterior @ np.log(inverse), counts)
    push = a * (np.log(data.growth) - digamma(a) + pull)
    by_mean = total_a - total_x * (posterior @ inverse)
    by_delta = math.log(delta) + 1 - digamma(delta) + posterior @ (nodes - np.exp(nodes))
    return loglik, np.array(
        [
            float(push.sum()),
            float(by_mean.sum()),
            float(by_delta.sum()) * steepness,
            float((push * bend).sum()),
        ]
    )
