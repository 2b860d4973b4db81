"""Several photos of one hole made into one result, and four turns that cancel the view's own error.

What every photo has in common (the rim's diameter, the tone, the print) doesn't average away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2 as chi2_law

from pitwise.measure.photo.result import Estimate, HoleMeasured, PhotoRefused, seen_angle_deg
from pitwise.trade.given import InputError

Array = np.ndarray
# Below this probability of the scatter the photos contradict one another.
_DOUBT = 0.01
# Of a roundness, this share of its uncertainty is taken to change from photo to photo.
_MOST_PHOTOS = 50


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
        return self.p_value >= _DOUBT

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
        between = float(brentq(lambda b: about(b)[1] - freedom, 0.0, top))
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
        float(chi2_law.sf(chi2, freedom)),
        math.sqrt(chi2 / freedom),
    )


@dataclass(frozen=True)
class Combined:
    """Several photos of one hole.

    Attributes
    ----------
    n : int
    diameter, roundness, off_centre : Estimate
        mm. Off-centre is the length of the mean vector when the photos' directions agree.
    off_centre_angle_deg : float or None
        None: the part was turned between photos, so that only the length is a mean.
    means : dict
        The means of "diameter", "roundness", "off-centre", with chi² and Birge ratio.
    consistent : bool
        All quantities agree at 1 %.
    outlier : int or None
        Which photo (0 the first) the others agree without. It is named and kept in the mean:
        whoever leaves it out does so knowingly.
    warnings : tuple of str
    """

    n: int
    feature: str
    diameter: Estimate
    roundness: Estimate
    off_centre: Estimate
    off_centre_angle_deg: float | None
    means: dict[str, Mean]
    consistent: bool
    outlier: int | None
    warnings: tuple[str, ...]

    @property
    def chi2(self) -> float:
        """Return the diameter's chi²."""
        return self.means["diameter"].chi2

    def plain(self) -> dict[str, Any]:
        """Return it for JSON, with the keys of a single photo."""
        return {
            "feature": self.feature,
            "photos": self.n,
            "diameter_mm": self.diameter.plain(),
            "roundness_mm": self.roundness.plain(),
            "off_centre_mm": {**self.off_centre.plain(), "angle_deg": self.off_centre_angle_deg},
            "consistent": self.consistent,
            "outlier": self.outlier,
            "agreement": {
                name: {
                    "chi2": float(f"{m.chi2:.7g}"),
                    "p_value": float(f"{m.p_value:.7g}"),
                    "birge_ratio": float(f"{m.birge:.7g}"),
                    "between_mm": float(f"{m.between:.7g}"),
                    "u_common_mm": float(f"{m.u_common:.7g}"),
                }
                for name, m in self.means.items()
            },
            "warnings": list(self.warnings),
            "refused": None,
        }


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


def combine(results: Sequence[HoleMeasured]) -> Combined:
    """Combine photos of one hole, the part not turned or moved to another between them.

    Parameters
    ----------
    results : sequence of HoleMeasured
        Two to fifty, of one feature; three or more for a say about an outlier.

    Raises
    ------
    InputError
        Fewer than two, or orifice and pit mixed.
    """
    results = list(results)
    if not 2 <= len(results) <= _MOST_PHOTOS:
        raise InputError(
            "photos", f"{len(results)} measured photos", "give 2 to 50 that could be measured"
        )
    features = {r.feature for r in results}
    if len(features) > 1:
        raise InputError("photos", "orifice and pit mixed", "combine photos of one feature")
    parts = [split(r) for r in results]
    own, common = np.array([a for a, _ in parts]), np.array([b for _, b in parts])
    warnings: list[str] = []
    # Diameters' own part holds what each photo's noise does; views differ on top of it, which a
    # photo can't see of itself. Agreement is judged with the whole uncertainty of each.
    means = {"diameter": _judged([r.diameter.value for r in results], own, common)}
    floor = [max(r.roundness_u_mm, 1e-7) for r in results]
    means["roundness"] = weighted_mean([r.roundness_mm for r in results], floor, [0.0] * len(floor))
    off, angle, told = _off_centres(results)
    means["off-centre"] = off
    warnings += told
    outlier = _outlier(results, own, common, means)
    consistent = all(m.consistent for m in means.values())
    if not consistent:
        names = ", ".join(name for name, m in means.items() if not m.consistent)
        who = "" if outlier is None else f" Photo {outlier + 1} is the one that differs."
        warnings.append(f"The photos differ in {names} by more than their uncertainty.{who}")
    if len(results) == 2:
        warnings.append("Two photos: neither can be told to be the odd one. Take a third.")
    for number, r in enumerate(results, start=1):
        warnings += [f"Photo {number}: {words}" for words in r.warnings]
    return Combined(
        len(results),
        results[0].feature,
        means["diameter"].estimate(),
        means["roundness"].estimate(),
        off.estimate(),
        angle,
        means,
        consistent,
        outlier,
        tuple(warnings),
    )


def _judged(values: Sequence[float], own: Array, common: Array) -> Mean:
    """Return the mean weighted by the own part, its agreement by the whole uncertainty."""
    mean = weighted_mean(values, own, common)
    whole = np.hypot(own, common)
    x = np.asarray(values, dtype=float)
    w = 1 / whole**2
    chi2 = float((w * (x - (w * x).sum() / w.sum()) ** 2).sum())
    freedom = len(x) - 1
    return Mean(
        mean.value,
        mean.u,
        mean.u_scatter,
        mean.u_common,
        mean.between,
        chi2,
        float(chi2_law.sf(chi2, freedom)),
        math.sqrt(chi2 / freedom),
    )


def _off_centres(results: Sequence[HoleMeasured]) -> tuple[Mean, float | None, list[str]]:
    v = np.array([r.off_centre_xy_mm for r in results])
    u = np.array([max(r.off_centre.u, 1e-7) for r in results])
    w = 1 / u**2
    mean = (w[:, None] * v).sum(axis=0) / w.sum()
    miss = ((v - mean) ** 2).sum(axis=1)
    chi2, freedom = float((w * miss).sum()), 2 * len(v) - 2
    p = float(chi2_law.sf(chi2, freedom))
    length = [float(np.hypot(*x)) for x in v]
    if p < _DOUBT:
        apart = weighted_mean(length, u, np.zeros(len(u)))
        if apart.consistent:
            return (
                apart,
                None,
                ["The off-centre's direction differs between photos: the part was turned."],
            )
    # Per-axis scatter between the photos; a photo's tilt may be common to all, so that the mean
    # is credited with no less than half of a single photo's uncertainty.
    between = math.sqrt(max(0.0, float(miss.sum()) / freedom - float((u * u).mean())))
    scatter = math.sqrt((float((u * u).mean()) + between**2) / len(v))
    shared = 0.5 * float(u.min())
    off = Mean(
        float(np.hypot(*mean)),
        math.hypot(scatter, shared),
        scatter,
        shared,
        between,
        chi2,
        p,
        math.sqrt(chi2 / freedom),
    )
    return off, seen_angle_deg(float(mean[0]), float(mean[1])), []


def _outlier(
    results: Sequence[HoleMeasured], own: Array, common: Array, means: dict[str, Mean]
) -> int | None:
    """Return the photo without which the others agree and with which they don't."""
    if len(results) < 3 or all(m.consistent for m in means.values()):
        return None
    best: tuple[float, int] | None = None
    for leave in range(len(results)):
        rest = [k for k in range(len(results)) if k != leave]
        kept = [results[k] for k in rest]
        floor = [max(r.roundness_u_mm, 1e-7) for r in kept]
        p = min(
            _judged([r.diameter.value for r in kept], own[rest], common[rest]).p_value,
            weighted_mean([r.roundness_mm for r in kept], floor, [0.0] * len(kept)).p_value,
            _off_centres(kept)[0].p_value,
        )
        if p >= _DOUBT and (best is None or p > best[0]):
            best = (p, leave)
    return None if best is None else best[1]


@dataclass(frozen=True)
class FourTurns:
    """Off-centre from photos with the part turned between them and the camera still.

    Attributes
    ----------
    n : int
    off_centre : Estimate
    off_centre_angle_deg : float
        In the first photo.
    off_centre_xy_mm : tuple of float
    view_xy_mm : tuple of float
        What the view itself added to every photo (tilt, perspective): it turns with nothing and
        cancels.
    turned : {"anticlockwise", "clockwise"}
        As the photos show it.
    scatter_mm : float
        Standard deviation per axis about the model.
    chi2, p_value : float
    warnings : tuple of str
    """

    n: int
    off_centre: Estimate
    off_centre_angle_deg: float
    off_centre_xy_mm: tuple[float, float]
    view_xy_mm: tuple[float, float]
    turned: str
    scatter_mm: float
    chi2: float
    p_value: float
    warnings: tuple[str, ...]

    def plain(self) -> dict[str, Any]:
        """Return it for JSON."""
        return {
            "photos": self.n,
            "off_centre_mm": {
                **self.off_centre.plain(),
                "angle_deg": float(f"{self.off_centre_angle_deg:.7g}"),
            },
            "view_mm": {"x": self.view_xy_mm[0], "y": self.view_xy_mm[1]},
            "turned": self.turned,
            "scatter_mm": float(f"{self.scatter_mm:.7g}"),
            "chi2": float(f"{self.chi2:.7g}"),
            "p_value": float(f"{self.p_value:.7g}"),
            "warnings": list(self.warnings),
            "refused": None,
        }


def four_turns(
    results: Sequence[HoleMeasured],
    turns_deg: Sequence[float] | None = None,
    *,
    u_turn_deg: float = 5.0,
    u_place_mm: float = 0.0,
) -> FourTurns | PhotoRefused:
    r"""Off-centre of a part turned by a quarter between four photos, the camera still.

    Parameters
    ----------
    results : sequence of HoleMeasured
        In the order taken; four, or more.
    turns_deg : sequence of float, optional
        How far the part had been turned at each photo; default: 0, 90, 180, 270. Which way round
        is told from the photos.
    u_turn_deg : float
        Standard uncertainty of each turn: by hand and eye.
    u_place_mm : float
        Standard uncertainty of each vector per axis when larger than the scatter tells.

    Returns
    -------
    FourTurns, or PhotoRefused when the four don't belong together

    Notes
    -----
    Photo k shows :math:`v_k = R(\theta_k) e + p`: the part's own e turns with it, the view's p
    (tilt and perspective) does not. Least squares for e and p. With quarter turns
    :math:`\sum R(\theta_k) = 0`, so that p drops out of e altogether:
    :math:`e = \frac14 \sum R(-\theta_k) v_k`. A turn that is off by δ lets δ p / √n back in.
    """
    results = list(results)
    n = len(results)
    if turns_deg is None:
        turns_deg = [90.0 * k for k in range(n)]
    turns = np.radians(np.asarray(turns_deg, dtype=float))
    if n < 4 or turns.shape != (n,):
        raise InputError("photos", f"{n} photos", "give four, each with its turn")
    if abs(np.exp(1j * turns).mean()) > 0.5:
        raise InputError("turns", "the turns lie on one side", "turn the part by 90° each time")
    v = np.array([complex(*r.off_centre_xy_mm) for r in results])

    def solved(way: int) -> tuple[complex, complex, float]:
        a = np.column_stack([np.exp(1j * way * turns), np.ones(n)])
        (e, p), *_ = np.linalg.lstsq(a, v, rcond=None)
        return complex(e), complex(p), float((np.abs(v - a @ np.array([e, p])) ** 2).sum())

    fits = {1: solved(1), -1: solved(-1)}
    way = min(fits, key=lambda k: fits[k][2])
    e, p, rest = fits[way]
    freedom = 2 * n - 4
    scatter = math.sqrt(rest / freedom)
    # Of a photo's whole uncertainty of the off-centre much is p, which doesn't scatter: half is
    # allowed for in judging whether the four agree.
    # What the diameters' own rows say of an edge's noise holds for each axis of the centre too.
    own = float(np.mean([split(r)[0] for r in results])) / math.sqrt(2)
    wobble = math.radians(u_turn_deg) * abs(e)
    expected = math.hypot(max(own, u_place_mm), wobble / math.sqrt(2))
    whole = float(np.mean([r.off_centre.u for r in results]))
    chi2 = rest / max(math.hypot(expected, 0.5 * whole), 1e-9) ** 2
    p_value = float(chi2_law.sf(chi2, freedom))
    if p_value < _DOUBT:
        return PhotoRefused(
            "turns",
            f"the four photos don't fit one part turned by quarters: they miss by {scatter:.3f} mm",
            "leave the camera still, turn only the part, by 90° each time, and take all anew",
            feature=results[0].feature,
        )
    warnings = []
    if abs(fits[1][2] - fits[-1][2]) < 2 * max(rest, expected**2):
        warnings.append("The hole is so well centred that which way it was turned can't be told.")
    scale = max(r.diameter.u / max(r.diameter.value, 1e-9) for r in results)
    u = math.sqrt(
        max(scatter, own, u_place_mm) ** 2 / n
        + (math.radians(u_turn_deg) * abs(p)) ** 2 / n
        + (scale * abs(e)) ** 2
    )
    return FourTurns(
        n,
        Estimate(abs(e), u),
        seen_angle_deg(e.real, e.imag),
        (e.real, e.imag),
        (p.real, p.imag),
        "anticlockwise" if way > 0 else "clockwise",
        scatter,
        chi2,
        p_value,
        tuple(warnings),
    )
