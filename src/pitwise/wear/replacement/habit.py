r"""What a shop does at present: at which depth it changes, and how strictly.

Of every look that gauged the pit and kept the electrode, or changed it for its pit, a probit
regression is made: the chance of a change at reading `d` is :math:`\Phi((d - h)/s)`. A depth
`h` acted on with scatter `s` is just what `pitwise.wear.replacement.rule.Rule` simulates. A weak
prior holds `h` to the middle between the deepest kept and the shallowest changed, and `s` to
some hundredths of a millimetre, where the looks say nothing more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import minimize
from scipy.special import log_ndtr

LEAST_CHANGES = 3
"""Fewer changes tell no habit (our own choice)."""
_LOG_SCATTER = (math.log(0.03), 1.0)
_DEPTH_SD_MM = 0.3


@dataclass(frozen=True)
class HabitFit:
    """A depth acted on and its scatter, mm, and what they rest on."""

    depth_mm: float
    scatter_mm: float
    changed: int
    kept: int


@dataclass(frozen=True)
class TooFewChanges:
    """Too few changes for the pit's sake to tell a habit. Falsy."""

    changed: int
    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Return False."""
        return False


def fit_habit(reading_mm: npt.ArrayLike, changed: npt.ArrayLike) -> HabitFit | TooFewChanges:
    """Return the depth a shop changes at, from its looks.

    Parameters
    ----------
    reading_mm : array_like, shape (looks,)
        Depth read, mm, finite.
    changed : array_like of bool, shape (looks,)
        Whether the electrode was changed for its pit then.

    Returns
    -------
    HabitFit or TooFewChanges
    """
    depth, done = np.asarray(reading_mm, float), np.asarray(changed, bool)
    if depth.shape != done.shape or depth.ndim != 1 or not np.isfinite(depth).all():
        raise ValueError("one finite reading for each look is needed")
    count = int(done.sum())
    if count < LEAST_CHANGES:
        are = "change" if count == 1 else "changes"
        return TooFewChanges(
            count,
            f"Only {count} {are} because of the pit on record: too few to tell at what depth "
            f"this shop changes ({LEAST_CHANGES} at least).",
            "gauge the pit at every look, and sign changes as they are made",
        )
    kept = depth[~done]
    low = float(np.quantile(depth[done], 0.25))
    centre = 0.5 * (low + float(kept.max())) if len(kept) else low
    sign = np.where(done, 1.0, -1.0)

    def objective(v: npt.NDArray[np.float64]) -> float:
        z = sign * (depth - v[0]) / math.exp(v[1])
        return float(
            -log_ndtr(z).sum()
            + 0.5 * ((v[0] - centre) / _DEPTH_SD_MM) ** 2
            + 0.5 * ((v[1] - _LOG_SCATTER[0]) / _LOG_SCATTER[1]) ** 2
        )

    found = minimize(
        objective,
        np.array([centre, _LOG_SCATTER[0]]),
        method="L-BFGS-B",
        bounds=[(0.01, 10.0), (math.log(1e-3), math.log(2.0))],
    )
    return HabitFit(float(found.x[0]), math.exp(float(found.x[1])), count, len(kept))
