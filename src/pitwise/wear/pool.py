r"""Integrate each electrode's own rate and each process' rate out of the likelihood.

For electrode `i` of process `g` the filter gives :math:`\ell_i(\rho)`, its log likelihood
at log rate :math:`\rho = \log b_i + \log c_g`. With :math:`\log b_i \sim N(0, \tau^2)` and
:math:`\log c_g = u \sim N(\log c_0, \omega^2)`

.. math::
    \log p(D_g) = \log \int N(u; \log c_0, \omega^2)
        \prod_{i \in g} \int N(\rho; u, \tau^2)\, e^{\ell_i(\rho)}\, d\rho\; du ,

both by the trapezoid rule on dense grids, which for smooth, quickly falling integrands is
accurate far beyond need (Trefethen & Weideman, SIAM Rev. 56 (2014) 385). Integrating `u`
out, not maximising over it, keeps :math:`\omega` from shrinking to nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pitwise.wear.history import Pack
from pitwise.wear.nodes_filter import NodeLikelihood
from pitwise.wear.prior import OMEGA, PHI, RATE, SIGMA, TAU, Floats

_HALF_WIDTH_TAU = 5.5
_STEP_TAU = 0.2
_HALF_WIDTH_U = 7.5
_STEP_U = 0.5
MOST_NODES = 640
_TINY = 1e-290


@dataclass(frozen=True)
class Belief:
    """Normal belief about the log rate of one process."""

    mean: float
    sd: float


@dataclass(frozen=True)
class Plan:
    """The two grids of one process."""

    log_rates: Floats
    u: Floats

    @property
    def step(self) -> float:
        """Between two rates."""
        return float(self.log_rates[1] - self.log_rates[0])


def rate_step(pack: Pack, theta: Floats) -> float:
    """Return the widest step of log rate that integrates a pack's likelihood without loss."""
    tau = float(np.exp(theta[TAU]))
    deepest = max(0.1, float(np.nanmax(pack.depth_mm, initial=0.1)))
    sigma2, phi = float(np.exp(2 * theta[SIGMA])), float(np.exp(theta[PHI]))
    own = math.sqrt(phi * deepest + sigma2) / deepest
    # Trapezoid error falls as exp(-2 (pi sd / step)^2): 0.5 sd leaves nothing in doubles.
    return min(_STEP_TAU * tau, 0.5 / math.sqrt(1 / tau**2 + 1 / own**2))


def make_plan(pack: Pack, theta: Floats, belief: Belief) -> Plan:
    """Lay grids wide and dense enough for what is believed at `theta`.

    The rate grid covers +-5.5 tau about every `u` at a step of 0.2 tau, or finer where the
    readings are so good that an electrode's own likelihood is narrower.
    """
    tau = float(np.exp(theta[TAU]))
    reach = _HALF_WIDTH_U * belief.sd
    points = round(_HALF_WIDTH_U / _STEP_U)
    u = belief.mean + belief.sd * _STEP_U * np.arange(-points, points + 1.0)
    step = rate_step(pack, theta)
    half = _HALF_WIDTH_TAU * tau + reach
    count = min(MOST_NODES, 2 * math.ceil(half / step) + 1)
    return Plan(np.linspace(belief.mean - half, belief.mean + half, count), u)


@dataclass(frozen=True)
class PoolResult:
    """One process' share of the log likelihood.

    Attributes
    ----------
    value : float
    gradient : float array, shape (7,), or None
    belief : Belief
        Posterior mean and SD of the process' log rate.
    """

    value: float
    gradient: Floats | None
    belief: Belief


def integrate(nodes: NodeLikelihood, theta: Floats, plan: Plan) -> PoolResult:
    """Integrate the rates of one process out.

    Parameters
    ----------
    nodes : NodeLikelihood
        On ``plan.log_rates``.
    theta : float array, shape (7,)
    plan : Plan

    Returns
    -------
    PoolResult
    """
    tau, omega = float(np.exp(theta[TAU])), float(np.exp(theta[OMEGA]))
    step = plan.step
    z = (plan.log_rates[:, None] - plan.u) / tau
    weights = np.exp(-0.5 * z * z) * (step / (tau * math.sqrt(2 * math.pi)))
    top = nodes.value.max(axis=1, keepdims=True)
    scaled = np.exp(nodes.value - top)
    marginal = np.maximum(scaled @ weights, _TINY)
    v = (plan.u - theta[RATE]) / omega
    log_joint = (
        np.log(marginal).sum(axis=0)
        + top.sum()
        - 0.5 * v * v
        + math.log((plan.u[1] - plan.u[0]) / (omega * math.sqrt(2 * math.pi)))
    )
    peak = float(log_joint.max())
    posterior = np.exp(log_joint - peak)
    total = float(posterior.sum())
    posterior /= total
    mean = float(posterior @ plan.u)
    spread = math.sqrt(float(posterior @ (plan.u - mean) ** 2))
    value = peak + math.log(total)
    belief = Belief(mean, spread)
    if nodes.gradient is None:
        return PoolResult(value, None, belief)
    shares = posterior / marginal
    at_node = scaled * (shares @ weights.T)
    gradient = np.zeros(7)
    gradient[[0, 1, SIGMA, PHI]] = np.tensordot(nodes.gradient, at_node, axes=([1, 2], [0, 1]))
    gradient[TAU] = float((shares * (scaled @ (weights * (z * z - 1)))).sum())
    gradient[RATE] = float(posterior @ v) / omega
    gradient[OMEGA] = float(posterior @ (v * v)) - 1
    return PoolResult(value, gradient, belief)
