"""Integrals over an unseen normal quantity: a dense grid of nodes, summed in logarithms."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from pitwise.wear.refusal import BadShapeError

Floats = npt.NDArray[np.float64]


def node_grid(sd: float, half_width: float = 4.2, count: int = 85) -> tuple[Floats, Floats]:
    """Lay a trapezoid rule over N(0, sd²).

    Parameters
    ----------
    sd : float
        Standard deviation, at least 0; with 0 every node is 0.
    half_width : float
        Half the width of the grid in standard deviations, over 0.
    count : int
        Nodes, at least 3.

    Returns
    -------
    nodes : (count,) array
        Evenly spaced over ±`half_width`·`sd`.
    log_weights : (count,) array
        Natural logarithms of the weights, which sum to 1.

    Raises
    ------
    BadShapeError
        An argument out of its range.

    Notes
    -----
    The trapezoid rule converges faster than any power of the spacing for a smooth integrand that
    has died away at both ends [1]_; it needs a spacing below about one standard deviation of
    what is integrated, prior times likelihood, which is why the grid is dense.

    .. [1] L. N. Trefethen, J. A. C. Weideman, SIAM Review 56 (2014) 385.
    """
    if not (math.isfinite(sd) and sd >= 0):
        raise BadShapeError(f"a standard deviation of {sd}", "give a finite number of at least 0")
    if not (math.isfinite(half_width) and half_width > 0 and count >= 3):
        raise BadShapeError(
            f"a grid of {count} nodes over ±{half_width} standard deviations",
            "give a width over 0 and 3 nodes or more",
        )
    z = np.linspace(-half_width, half_width, count)
    log_weights = -0.5 * z * z
    log_weights[[0, -1]] -= math.log(2.0)
    return sd * z, log_weights - logsumexp(log_weights)


def log_mixture(loglik: Floats, log_weights: Floats) -> tuple[Floats, Floats]:
    """Integrate each unit's likelihood over the nodes.

    Parameters
    ----------
    loglik : (units, nodes) array
        Log-likelihood of each unit at each node; -inf where it can't be.
    log_weights : (nodes,) array
        Logarithms of the nodes' weights.

    Returns
    -------
    mixed : (units,) array
        log Σ_k exp(loglik + log_weights); -inf for a unit that no node allows.
    posterior : (units, nodes) array
        Each node's share of that sum; rows sum to 1. For a unit that no node allows, the
        prior weights, normalised.

    Raises
    ------
    BadShapeError
        Arrays that don't belong together.
    """
    if loglik.ndim != 2 or log_weights.shape != loglik.shape[1:]:
        raise BadShapeError(
            f"log-likelihoods of shape {loglik.shape} with weights of shape {log_weights.shape}",
            "give one weight for each column",
        )
    joint = loglik + log_weights
    peak = joint.max(axis=1, keepdims=True)
    lost = ~np.isfinite(peak[:, 0])
    if lost.any():
        joint[lost] = log_weights
        peak[lost] = log_weights.max()
    joint -= peak
    np.exp(joint, out=joint)
    total = joint.sum(axis=1, keepdims=True)
    mixed = peak[:, 0] + np.log(total[:, 0])
    mixed[lost] = -np.inf
    return mixed, joint / total
