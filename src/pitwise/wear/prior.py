"""What is believed of a growth before the shop has readings, as a vector of numbers.

The seven unknowns that all electrodes share, in the order every vector here keeps:
``log kappa, gamma, log tau, log sigma, log phi, log c0, log omega`` (see `pitwise.wear.fit`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pitwise.trade import Sheet

Floats = npt.NDArray[np.float64]

NAMES = ("kappa", "gamma", "tau", "sigma", "phi", "rate", "omega")
KAPPA, GAMMA, TAU, SIGMA, PHI, RATE, OMEGA = range(7)
STARTS_PER_AGE = 500.0
"""Starts that make up age 1."""


@dataclass(frozen=True)
class GrowthPrior:
    r"""Prior of the wear model: independent normals of the seven shared unknowns.

    Attributes
    ----------
    quantity : str
        ``pit-depth`` or ``orifice-growth``.
    mean, sd : tuple of 7 float
        Of log kappa, gamma, log tau, log(sigma/mm), log(phi/mm), log(c0/mm), log omega.
    loss_mean, loss_sd : tuple of 2 float
        Of log lambda0 (per start) and log eta (per mm) of the loss hazard.
    deepest_mm : float
        No true reading is deeper.
    small_phi : tuple of 3 float, or None
        Share, mean and SD of log phi where growth hardly scatters; `mean` and `sd` hold for
        the other shops. None: for all.
    """

    quantity: str
    mean: tuple[float, ...]
    sd: tuple[float, ...]
    loss_mean: tuple[float, float]
    loss_sd: tuple[float, float]
    deepest_mm: float
    small_phi: tuple[float, float, float] | None = None

    @classmethod
    def of(cls, sheet: Sheet, quantity: str = "pit-depth") -> GrowthPrior:
        """Read a sheet's row of a quantity."""
        growth = sheet.growth(quantity)
        logs = (growth.kappa, growth.tau, growth.sigma_mm, growth.phi_mm)
        kappa, tau, sigma, phi = ((math.log(x.median), x.log_sd) for x in logs)
        rate, omega, base, slope = (
            (math.log(x.median), x.log_sd)
            for x in (
                growth.rate_mm_per_500,
                growth.omega,
                growth.loss_per_start,
                growth.loss_slope_per_mm,
            )
        )
        small = growth.phi_mm.small
        pairs = (kappa, (growth.gamma.mean, growth.gamma.sd), tau, sigma, phi, rate, omega)
        return cls(
            growth.quantity,
            tuple(m for m, _ in pairs),
            tuple(s for _, s in pairs),
            (base[0], slope[0]),
            (base[1], slope[1]),
            float(sheet.constant(growth.deepest)),
            None if small is None else (small.share, math.log(small.median), small.log_sd),
        )

    def with_gauge(self, u_mm: float, log_sd: float = 0.3) -> GrowthPrior:
        """Centre the noise of a reading on what the gauge study found.

        Parameters
        ----------
        u_mm : float
            Standard uncertainty of one reading, mm, above zero.
        log_sd : float
            SD of its logarithm.
        """
        if not (math.isfinite(u_mm) and u_mm > 0):
            raise ValueError("a gauge's standard uncertainty is above zero")
        mean, sd = list(self.mean), list(self.sd)
        mean[SIGMA], sd[SIGMA] = math.log(u_mm), log_sd
        return replace(self, mean=tuple(mean), sd=tuple(sd))


def penalty(prior: GrowthPrior, z: Floats) -> tuple[float, Floats]:
    """Return minus the log prior density, less a constant, and its gradient.

    Parameters
    ----------
    prior : GrowthPrior
    z : float array, shape (7,)
        The unknowns less their prior means, in their prior SDs.
    """
    value, slope = 0.5 * float(z @ z), z.copy()
    if prior.small_phi is None:
        return value, slope
    share, mean, sd = prior.small_phi
    off = (prior.mean[PHI] + prior.sd[PHI] * z[PHI] - mean) / sd
    usual = math.log((1 - share) / prior.sd[PHI]) - 0.5 * z[PHI] ** 2
    small = math.log(share / sd) - 0.5 * off**2
    both = float(np.logaddexp(usual, small))
    chance = math.exp(small - both)
    value += -both - 0.5 * float(z[PHI] ** 2)
    slope[PHI] = (1 - chance) * z[PHI] + chance * off * prior.sd[PHI] / sd
    return value, slope


def natural(vector: Floats) -> dict[str, float]:
    """Return the seven unknowns by name in their own units (kappa, gamma, … not logs)."""
    return {
        name: float(value) if k == GAMMA else math.exp(float(value))
        for k, (name, value) in enumerate(zip(NAMES, vector, strict=True))
    }


def age(
    starts: npt.ArrayLike, arc_minutes: npt.ArrayLike, kappa: npt.ArrayLike, gamma: npt.ArrayLike
) -> Floats:
    r"""Return the age :math:`\Lambda = ((s + \kappa h)/500)^\gamma`.

    Parameters
    ----------
    starts, arc_minutes : array_like
        Use since new, >= 0; broadcast together.
    kappa : array_like
        Starts one arc minute counts for, per minute.
    gamma : array_like
        Power; 1 is steady growth.

    Returns
    -------
    ndarray
        Age, no unit; 1 after 500 starts of no arc time.
    """
    use = (np.asarray(starts, float) + np.asarray(kappa) * np.asarray(arc_minutes, float)) / (
        STARTS_PER_AGE
    )
    return np.asarray(np.power(use, gamma), float)
