"""Weighted means of readings that have part of their error in common."""

from __future__ import annotations

import math
from collections.abc import Sequence, Sized
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from scipy.special import chdtrc

from pitwise.measure.photo.result import Estimate, Feature, NickFound, Source
from pitwise.trade.given import InputError

Array = np.ndarray
# Below this probability of the scatter the photos contradict one another.
DOUBT = 0.01
# A standard uncertainty of nothing would be a weight without end, mm.
LEAST = 1e-7


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
        Of the scatter about the mean against what can differ between readings.
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


def shared_mean(values: Sequence[float] | Array, u: Sequence[float] | Array) -> Mean:
    r"""Return the weighted mean of readings whose errors may be one error.

    Parameters
    ----------
    values, u : sequence of float, n >= 2
        Readings and their standard uncertainties, 0 or more.

    Notes
    -----
    Weights as of `weighted_mean`. All of u counts as shared (JCGM 100:2008, 5.2.2 note 1; number
    from memory), so repeats never lower it: :math:`u^2 = (\sum w_i u_i / \sum w_i)^2 + b^2 / n`,
    b the standard deviation between readings that u does not explain.
    """
    own = np.maximum(np.asarray(u, dtype=float), LEAST)
    mean = weighted_mean(values, own, own)
    scatter = mean.between / math.sqrt(len(own))
    return replace(mean, u=math.hypot(scatter, mean.u_common), u_scatter=scatter)


class Photographed(Protocol):
    """What combining photos reads of each: of `HoleMeasured`, or of a result as it was kept."""

    @property
    def feature(self) -> Feature:
        """ "orifice" or "pit"."""
        ...

    @property
    def diameter(self) -> Estimate:
        """Of the edge, mm."""
        ...

    @property
    def roundness_mm(self) -> float:
        """Where `shape_unknown`: the least that it is."""
        ...

    @property
    def roundness_u_mm(self) -> float:
        """Standard uncertainty of it."""
        ...

    @property
    def noise_floor_mm(self) -> float:
        """What a perfect circle reads."""
        ...

    @property
    def shape_unknown(self) -> str:
        """Why roundness and nicks are not known, or ""."""
        ...

    @property
    def off_centre(self) -> Estimate:
        """Distance from the rim's centre, mm."""
        ...

    @property
    def off_centre_xy_mm(self) -> tuple[float, float]:
        """The same as a vector."""
        ...

    @property
    def off_centre_view_u_mm(self) -> float | None:
        """What photos taken alike share of its u."""
        ...

    @property
    def nicks(self) -> tuple[NickFound, ...]:
        """Those found."""
        ...

    @property
    def nicks_sought(self) -> bool:
        """Whether nicks were looked for."""
        ...

    @property
    def budget(self) -> tuple[Source, ...]:
        """The diameter's."""
        ...

    @property
    def edge_sd_px(self) -> float:
        """Scatter of the edge."""
        ...

    @property
    def edge_px(self) -> Sized:
        """The edge, one point a ray."""
        ...

    @property
    def px_per_mm(self) -> float:
        """Scale."""
        ...

    @property
    def warnings(self) -> tuple[str, ...]:
        """What the photo says of itself."""
        ...


def split(result: Photographed) -> tuple[float, float]:
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


# Rows of kind B that another photo of the same part, with the same rim and camera, has alike.
_ALIKE = frozenset({"rim's diameter", "card's scale", "tone curve", "lens"})


def differing(result: Photographed) -> float:
    """Return the part of a diameter's u that may differ from photo to photo, mm.

    Rows of kind A, and those of kind B that depend on the view (tilt, bore wall, edge model):
    what two photos of one hole may differ by. Rim, tone and lens can't make them differ.
    """
    view = sum(row.u_mm**2 for row in result.budget if row.kind == "B" and row.name not in _ALIKE)
    return max(math.hypot(split(result)[0], math.sqrt(view)), LEAST)


def alike(result: Photographed) -> float:
    """Return the part of a diameter's u that all photos with the same rim and camera share, mm."""
    return math.sqrt(sum(row.u_mm**2 for row in result.budget if row.name in _ALIKE))
