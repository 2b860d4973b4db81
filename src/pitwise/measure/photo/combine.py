"""Several photos of one hole made into one result.

What every photo has in common (the rim's diameter, the tone, the print) doesn't average away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.special import chdtrc

from pitwise.measure.photo.mean import (
    DOUBT,
    LEAST,
    Mean,
    Photographed,
    differing,
    shared_mean,
    split,
    weighted_mean,
)
from pitwise.measure.photo.nicks_seen import NickSeen, matched
from pitwise.measure.photo.result import Estimate, seen_angle_deg
from pitwise.measure.photo.turns import FourTurns, four_turns
from pitwise.trade.given import InputError

__all__ = ["Combined", "FourTurns", "Mean", "combine", "four_turns", "split", "weighted_mean"]

Array = np.ndarray
_MOST_PHOTOS = 50
# Diameters that differ by more than this share of themselves are of two holes (our own choice):
# no wear, light or tilt makes one hole read so differently.
_TWO_HOLES = 0.05
# The keys `pitwise photo` pins, with nothing in them.
NOTHING: dict[str, Any] = {
    "diameter_mm": None,
    "roundness_mm": None,
    "off_centre_mm": None,
    "nicks": None,
    "px_per_mm": None,
}


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
    noise_floor_mm : float
        The largest of the photos'.
    shape_unknown : str
        Why roundness and nicks are not known, "" where they are: one photo's doubt is enough.
        `roundness` is then the most that any photo shows, a lower bound.
    nicks : tuple of NickSeen
        With the number of photos each was found in, the deepest first.
    px_per_mm : float
        The coarsest photo's.
    contradiction : str
        Why the photos are of no one hole, "" where they may be; then no number is given out.
    warnings : tuple of str
    """

    n: int
    feature: str
    diameter: Estimate
    roundness: Estimate
    noise_floor_mm: float
    shape_unknown: str
    nicks: tuple[NickSeen, ...]
    nicks_sought: bool
    px_per_mm: float
    off_centre: Estimate
    off_centre_angle_deg: float | None
    means: dict[str, Mean]
    consistent: bool
    outlier: int | None
    contradiction: str
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
            **(NOTHING if self.contradiction else self._numbers()),
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
            "agreement_against": "what can differ between photos, not what all share",
            "refused": {
                "reason": "photos-differ",
                "text": self.contradiction,
                "mend": "leave out the photo of another part, or take all anew",
            }
            if self.contradiction
            else None,
        }

    def _numbers(self) -> dict[str, Any]:
        unknown = self.shape_unknown
        shape = self.roundness.plain()
        return {
            "diameter_mm": self.diameter.plain(),
            "roundness_mm": {
                "value": None if unknown else shape["value"],
                "noise_floor": float(f"{self.noise_floor_mm:.7g}"),
                "u": None if unknown else shape["u"],
                "at_least": shape["value"] if unknown else None,
                "not_known": unknown or None,
            },
            "off_centre_mm": {**self.off_centre.plain(), "angle_deg": self.off_centre_angle_deg},
            # None found in an edge that wasn't all seen is not "none".
            "nicks": [nick.plain() for nick in self.nicks]
            if self.nicks or (self.nicks_sought and not unknown)
            else None,
            "nicks_sought": self.nicks_sought,
            "px_per_mm": float(f"{self.px_per_mm:.7g}"),
        }


def combine(results: Sequence[Photographed]) -> Combined:
    """Combine photos of one hole, the part not turned or moved to another between them.

    Parameters
    ----------
    results : sequence of HoleMeasured, or what was kept of them
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
    means = {"diameter": _diameters(results, own, common)}
    means["roundness"] = _roundnesses(results)
    off, angle, told = _off_centres(results)
    means["off-centre"] = off
    warnings += told
    unknown = next(
        (f"photo {k}: {r.shape_unknown}" for k, r in enumerate(results, 1) if r.shape_unknown), ""
    )
    roundness = means["roundness"].estimate()
    if unknown:
        warnings.append(f"Out of round and nicks are not known ({unknown}).")
        roundness = Estimate(max(r.roundness_mm for r in results), roundness.u)
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
        roundness,
        max(r.noise_floor_mm for r in results),
        unknown,
        matched([(r.nicks, r.diameter.value) for r in results], turned=angle is None),
        all(r.nicks_sought for r in results),
        min(r.px_per_mm for r in results),
        off.estimate(),
        angle,
        means,
        consistent,
        outlier,
        _two_holes(results, means["diameter"]),
        tuple(warnings),
    )


def _two_holes(results: Sequence[Photographed], mean: Mean) -> str:
    values = [r.diameter.value for r in results]
    if mean.consistent or max(values) - min(values) <= _TWO_HOLES * min(values):
        return ""
    return (
        f"the photos read diameters from {min(values):.3f} to {max(values):.3f} mm: "
        "no one hole is read so differently"
    )


def _diameters(results: Sequence[Photographed], own: Array, common: Array) -> Mean:
    """Return the mean weighted by the own part, its agreement by what can differ."""
    values = [r.diameter.value for r in results]
    mean = weighted_mean(values, own, common)
    told = weighted_mean(values, [differing(r) for r in results], common)
    # What views differ by on top of noise may be all of the scatter; `common` has it in full.
    return replace(mean, chi2=told.chi2, p_value=told.p_value, birge=told.birge)


def _roundnesses(results: Sequence[Photographed]) -> Mean:
    """Return the mean out-of-roundness: noise only adds to it, in every photo alike.

    Of the photos that show the whole edge, where there are two; a lower bound is no repeat.
    """
    whole = [r for r in results if not r.shape_unknown]
    used = whole if len(whole) > 1 else results
    return shared_mean([r.roundness_mm for r in used], [r.roundness_u_mm for r in used])


def _off_centres(results: Sequence[Photographed]) -> tuple[Mean, float | None, list[str]]:
    r"""Return the mean off-centre, its direction, and what is to be said.

    Notes
    -----
    Weights :math:`w_i = 1 / (u_i^2 + b^2)` for both axes; b² between photos by DerSimonian's and
    Laird's moments (Control. Clin. Trials 7 (1986) 177, from memory). With the view's part c of
    each u, which photos taken alike share, and the rest e:
    :math:`u^2 = \sum w^2 (e^2 + b^2) / (\sum w)^2 + (\sum w c / \sum w)^2`.
    """
    v = np.array([r.off_centre_xy_mm for r in results])
    u = np.array([max(r.off_centre.u, LEAST) for r in results])
    view = np.array([min(_view(r), x) for r, x in zip(results, u, strict=True)])
    own = np.sqrt(np.maximum(u * u - view * view, LEAST**2))
    w = 1 / u**2
    mean = (w[:, None] * v).sum(axis=0) / w.sum()
    miss = ((v - mean) ** 2).sum(axis=1)
    chi2, freedom = float((w * miss).sum()), 2 * len(v) - 2
    p = float(chdtrc(freedom, chi2))
    length = [float(np.hypot(*x)) for x in v]
    if p < DOUBT:
        apart = weighted_mean(length, own, view)
        if apart.consistent:
            return (
                apart,
                None,
                ["The off-centre's direction differs between photos: the part was turned."],
            )
    excess = (chi2 - freedom) / (2 * (w.sum() - (w * w).sum() / w.sum()))
    between = math.sqrt(max(0.0, float(excess)))
    w = 1 / (u**2 + between**2)
    mean = (w[:, None] * v).sum(axis=0) / w.sum()
    scatter = math.sqrt(float((w**2 * (own**2 + between**2)).sum())) / float(w.sum())
    shared = float((w * view).sum() / w.sum())
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


def _view(result: Photographed) -> float:
    """Return the view's part of an off-centre's u; all of it where nobody told."""
    told = result.off_centre_view_u_mm
    return result.off_centre.u if told is None else told


def _outlier(
    results: Sequence[Photographed], own: Array, common: Array, means: dict[str, Mean]
) -> int | None:
    """Return the photo without which the others agree and with which they don't."""
    if len(results) < 3 or all(m.consistent for m in means.values()):
        return None
    best: tuple[float, int] | None = None
    for leave in range(len(results)):
        rest = [k for k in range(len(results)) if k != leave]
        kept = [results[k] for k in rest]
        p = min(
            _diameters(kept, own[rest], common[rest]).p_value,
            _roundnesses(kept).p_value,
            _off_centres(kept)[0].p_value,
        )
        if p >= DOUBT and (best is None or p > best[0]):
            best = (p, leave)
    return None if best is None else best[1]
