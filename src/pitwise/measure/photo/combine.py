"""Several photos of one hole made into one result.

What every photo has in common (the rim's diameter, the tone, the print) doesn't average away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.special import chdtrc

from pitwise.measure.photo.mean import DOUBT, Mean, split, weighted_mean
from pitwise.measure.photo.result import Estimate, HoleMeasured, seen_angle_deg
from pitwise.measure.photo.turns import FourTurns, four_turns
from pitwise.trade.given import InputError

__all__ = ["Combined", "FourTurns", "Mean", "combine", "four_turns", "split", "weighted_mean"]

Array = np.ndarray
_MOST_PHOTOS = 50


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
    shapes = _shapes(results)
    floor = [max(r.roundness_u_mm, 1e-7) for r in shapes]
    means["roundness"] = weighted_mean([r.roundness_mm for r in shapes], floor, [0.0] * len(floor))
    if all(r.shape_unknown for r in results):
        warnings.append("Out of round and nicks are not known: no photo shows the whole edge.")
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
        float(chdtrc(freedom, chi2)),
        math.sqrt(chi2 / freedom),
    )


def _off_centres(results: Sequence[HoleMeasured]) -> tuple[Mean, float | None, list[str]]:
    v = np.array([r.off_centre_xy_mm for r in results])
    u = np.array([max(r.off_centre.u, 1e-7) for r in results])
    w = 1 / u**2
    mean = (w[:, None] * v).sum(axis=0) / w.sum()
    miss = ((v - mean) ** 2).sum(axis=1)
    chi2, freedom = float((w * miss).sum()), 2 * len(v) - 2
    p = float(chdtrc(freedom, chi2))
    length = [float(np.hypot(*x)) for x in v]
    if p < DOUBT:
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


def _shapes(results: Sequence[HoleMeasured]) -> Sequence[HoleMeasured]:
    """Return the photos that show the whole edge, or all where none does."""
    return [r for r in results if not r.shape_unknown] or results


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
        shapes = _shapes(kept)
        floor = [max(r.roundness_u_mm, 1e-7) for r in shapes]
        p = min(
            _judged([r.diameter.value for r in kept], own[rest], common[rest]).p_value,
            weighted_mean([r.roundness_mm for r in shapes], floor, [0.0] * len(shapes)).p_value,
            _off_centres(kept)[0].p_value,
        )
        if p >= DOUBT and (best is None or p > best[0]):
            best = (p, leave)
    return None if best is None else best[1]
