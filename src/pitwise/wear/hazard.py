r"""The chance that the arc destroys a part in the cut, growing with the depth of its pit.

Hazard per start :math:`\lambda_0 e^{\eta x}` at depth `x`. Between two steps depth is taken
to grow evenly with starts, so the integral over `n` starts from `x` to `x + d` is
:math:`n \lambda_0 e^{\eta x} (e^{\eta d} - 1)/(\eta d)`. The likelihood is that of a
Poisson process stopped at its first event (Andersen, Borgan, Gill & Keiding, Statistical
Models Based on Counting Processes, 1993, ch. II; from memory). A replacement is no failure.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize

from pitwise.wear.prior import Floats, GrowthPrior

ENOUGH_LOSSES = 20
_WEAK_SD = 1.5


@dataclass(frozen=True)
class LossFit:
    """Posterior of (log lambda0, log eta): normal, with what it rests on.

    Attributes
    ----------
    mean : float array, shape (2,)
    covariance : float array, shape (2, 2)
    losses : int
        Losses on record.
    """

    mean: Floats
    covariance: Floats
    losses: int


def growth_factor(exponent: Floats) -> Floats:
    """Return (e^x - 1)/x, smooth through 0."""
    safe = np.where(np.abs(exponent) < 1e-8, 1.0, exponent)
    return np.where(np.abs(exponent) < 1e-8, 1.0 + exponent / 2, np.expm1(safe) / safe)


def _segment(eta: float, x: Floats, d: Floats) -> tuple[Floats, Floats]:
    """Mean of e^(eta x) over a segment, and its derivative by eta."""
    t = eta * d
    base = np.exp(eta * x)
    value = base * growth_factor(t)
    small = np.abs(t) < 1e-4
    safe = np.where(small, 1.0, t)
    slope = np.where(small, 0.5 + t / 3, (np.exp(safe) * (safe - 1) + 1) / safe**2)
    return value, x * value + base * d * slope


def fit_losses(
    prior: GrowthPrior, starts: Floats, from_mm: Floats, to_mm: Floats, lost_at_mm: Floats
) -> LossFit:
    """Estimate the loss hazard.

    Parameters
    ----------
    prior : GrowthPrior
        Its prior on eta is held while losses are few and fades as they come in: its weight
        falls evenly to a weak one (SD 1.5 in the log) at 20 losses.
    starts, from_mm, to_mm : float array, shape (segments,)
        Starts made and depths passed, of every segment of every life.
    lost_at_mm : float array, shape (losses,)
        Depth at each loss.

    Returns
    -------
    LossFit
    """
    mean = np.array(prior.loss_mean)
    losses = len(lost_at_mm)
    fading = max(0.0, 1 - losses / ENOUGH_LOSSES)
    weight = np.array(
        [
            1 / prior.loss_sd[0] ** 2,
            1 / _WEAK_SD**2 + fading * (1 / prior.loss_sd[1] ** 2 - 1 / _WEAK_SD**2),
        ]
    )
    # Gauged shallower than before by noise: the path is flat there, not healing.
    grown = np.maximum(to_mm - from_mm, 0.0)
    start_at = np.maximum(from_mm, 0.0)
    deep = np.maximum(lost_at_mm, 0.0)

    def objective(v: Floats) -> tuple[float, Floats]:
        base, eta = float(np.exp(v[0])), float(np.exp(v[1]))
        per, by_eta = _segment(eta, start_at, grown)
        expected = base * float(starts @ per)
        value = expected - losses * v[0] - eta * float(deep.sum())
        slope = np.array(
            [
                expected - losses,
                eta * (base * float(starts @ by_eta) - float(deep.sum())),
            ]
        )
        off = v - mean
        return value + 0.5 * float(weight @ off**2), slope + weight * off

    found = minimize(
        objective,
        mean,
        jac=True,
        method="L-BFGS-B",
        bounds=[(m - 8, m + 8) if k == 0 else (m - 4, m + 2.5) for k, m in enumerate(mean)],
        options={"ftol": 1e-14, "gtol": 1e-8},
    )
    at = np.asarray(found.x, float)
    hessian = np.zeros((2, 2))
    for k in range(2):
        step = np.zeros(2)
        step[k] = 1e-4
        hessian[k] = (objective(at + step)[1] - objective(at - step)[1]) / 2e-4
    hessian = 0.5 * (hessian + hessian.T)
    roots, axes = np.linalg.eigh(hessian)
    covariance = (axes / np.maximum(roots, 0.3)) @ axes.T
    return LossFit(at, covariance, losses)
