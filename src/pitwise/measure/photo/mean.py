"""Weighted means of readings that have part of their error in common."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from pitwise.measure.photo.result import Estimate, HoleMeasured
from pitwise.trade.given import InputError

Array = np.ndarray
# Below this probability of the scatter the photos contradict one another.
DOUBT = 0.01


@dataclass(frozen=True)
class Mean:
    """A weighted mean of one quantity.

    Attributes
    ----------
    value, u : float
        mm; `u` holds the scatter actually seen and the common part.
    u_scatter, u_common : float
        Its two parts.
    between : float
        Standard deviation between photos on top of what each says of itself.
    chi2, p_value : float
        Of the scatter about the mean against each photo's own standard uncertainty.
    birge : float
        ``sqrt(chi2 / degrees of freedom)``.
    """

    value: float
    u: float
    u_scatter: float
    u_common: float
    between: float
    chi2: float
    p_value: float
    birge: float

    @property
    def consistent(self) -> bool:
        """Return whether the photos agree, at 1 %."""
        return self.p_value >= DOUBT

    def estimate(self) -> Estimate:
        """Return value and u."""
        return Estimate(self.value, self.u)


def weighted_mean(
    values: Sequence[float] | Array, own: Sequence[float] | Array, common: Sequence[float] | Array
) -> Mean:
    r"""Return the weighted mean of readings that have an error in common.

    Parameters
    ----------
    values : sequence of float, n >= 2
    own : sequence of float
        Standard uncertainty of each from what differs between readings, above zero.
    common : sequence of float
        Standard uncertainty of each from what all have in common (fully correlated).

    Notes
    -----
    :math:`w_i = 1 / (u_i^2 + b^2)` with b, the standard deviation between readings, from Paule's
    and Mandel's equation :math:`\sum w_i (x_i - \bar x)^2 = n - 1` (0 when the scatter is no
    larger than expected). :math:`u^2 = 1 / \sum w_i + (\sum w_i c_i / \sum w_i)^2`, JCGM 100:2008,
    5.2.2 for the correlated part. Consistency: Cox (2002), Metrologia 39, 589, procedure A;
    Paule & Mandel (1982), J. Res. NBS 87, 377; Birge (1932), Phys. Rev. 40, 207 (from memory).
    """
    x, u, c = (np.asarray(a, dtype=float) for a in (values, own, common))
    if len(x) < 2 or u.shape != x.shape or c.shape != x.shape:
        raise InputError("photos", "fewer than two values", "measure at least two photos")
    if not (np.all(np.isfinite(x)) and np.all(u > 0) and np.all(c >= 0)):
        raise InputError("photos", "an uncertainty that isn't above zero", "measure them again")

    def about(between: float) -> tuple[float, float, Array]:
        w = 1 / (u * u + between * between)
        mean = float((w * x).sum() / w.sum())
        return mean, float((w * (x - mean) ** 2).sum()), w

    freedom = len(x) - 1
    chi2 = about(0.0)[1]
    between = 0.0
    if chi2 > freedom:
        top = float(np.ptp(x)) + float(u.max())
        while about(top)[1] > freedom:
            top *= 2
        # chi² falls as the spread grows: halve until nothing changes.
        low = 0.0
        while low < (between := 0.5 * (low + top)) < top:
            low, top = (between, top) if about(between)[1] > freedom else (low, between)
    mean, _, w = about(between)
    scatter = float(1 / np.sqrt(w.sum()))
    shared = float((w * c).sum() / w.sum())
    return Mean(
        mean,
        math.hypot(scatter, shared),
        scatter,
        shared,
        between,
        chi2,
        float(chdtrc(freedom, chi2)),
        math.sqrt(chi2 / freedom),
    )


def split(result: HoleMeasured) -> tuple[float, float]:
    """Return a diameter's uncertainty as (of this photo alone, in common with the others), mm.

    Rows of kind A are this photo's. Of kind B all count as common, though tilt or bore wall
    differ somewhat between photos: averaging them would promise too much.
    """
    own = math.sqrt(sum(row.u_mm**2 for row in result.budget if row.kind == "A"))
    common = math.sqrt(sum(row.u_mm**2 for row in result.budget if row.kind == "B"))
    total = result.diameter.u
    if own == 0:
        # Without a row of its own, the scatter of the edge over its rays.
        own = result.edge_sd_px / result.px_per_mm / math.sqrt(max(len(result.edge_px), 1))
    own = min(max(own, 1e-7), max(total, 1e-7))
    return own, min(common, math.sqrt(max(total * total - own * own, 0.0)))
