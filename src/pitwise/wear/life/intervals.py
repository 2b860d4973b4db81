"""Ranges of a Weibull fit: by the curvature at the maximum, and by the likelihood itself."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from pitwise.wear.refusal import FitRefusedError

from .lives import Floats
from .weibull import WeibullFit

# Share ended by each named life.
SHARES = {"b10": 0.1, "b50": 0.5}


@dataclass(frozen=True)
class Range:
    """From `low` to `high`; 0 or infinite where the lives set no bound."""

    low: float
    high: float


def deviate(level: float) -> float:
    """Return the normal deviate of a two-sided level, 1.96 for 0.95."""
    if not 0 < level < 1:
        raise FitRefusedError(f"a level of {level:g}", "give one between 0 and 1, such as 0.95")
    return float(ndtri(0.5 + level / 2))


def hazard_exponent(share: float) -> float:
    """Return log(−log(1 − share)): what z is where that share has ended."""
    return math.log(-math.log1p(-share))


def wald(fit: WeibullFit, level: float = 0.95) -> dict[str, Range]:
    """Return ranges symmetric in the logarithm, from the observed information.

    Parameters
    ----------
    fit : WeibullFit
    level : float
        Such as 0.95.

    Returns
    -------
    dict of str to Range
        ``shape``, ``scale``, ``b10``, ``b50``.

    References
    ----------
    W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data (1998), 8.4.
    """
    z = deviate(level)
    (aa, ab), (_, bb) = fit.covariance
    found = {"shape": _around(math.log(fit.shape), z * math.sqrt(bb))}
    log_scale = math.log(fit.scale)
    found["scale"] = _around(log_scale, z * math.sqrt(aa))
    for name, share in SHARES.items():
        turn = -hazard_exponent(share) / fit.shape
        se = math.sqrt(max(aa + 2 * turn * ab + turn**2 * bb, 0.0))
        found[name] = _around(log_scale - turn, z * se)
    return found


def _around(log_value: float, log_wide: float) -> Range:
    with np.errstate(over="ignore", under="ignore"):
        low, high = np.exp(log_value + np.array([-log_wide, log_wide]))
    return Range(float(low), float(high))


def survival_range(fit: WeibullFit, t: npt.ArrayLike, level: float = 0.95) -> tuple[Floats, Floats]:
    """Return the pointwise range of the share that outlives t, symmetric in log(−log).

    Parameters
    ----------
    fit : WeibullFit
    t : (k,) array_like
        Above 0, in the unit of life.
    level : float

    Returns
    -------
    low, high : (k,) array
    """
    times = np.asarray(t, dtype=np.float64)
    with np.errstate(over="ignore", under="ignore"):
        z = fit.shape * (np.log(times) - math.log(fit.scale))
        (aa, ab), (_, bb) = fit.covariance
        variance = fit.shape**2 * aa - 2 * fit.shape * z * ab + z**2 * bb
        wide = deviate(level) * np.sqrt(np.maximum(variance, 0.0))
        low, high = np.exp(-np.exp(z + wide)), np.exp(-np.exp(z - wide))
    return low, high
