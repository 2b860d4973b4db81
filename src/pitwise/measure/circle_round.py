"""Roundness: the number, what noise alone would show, and its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from .circle_fit import least_squares
from .circle_model import CircleError, Floats
from .circle_reach import maximum_inscribed, minimum_circumscribed
from .circle_shape import LOBES, filter_profile, fit_lobes, gaussian_upr, polar
from .circle_zone import minimum_zone

Reference = Literal["MZ", "LS", "MC", "MI"]
REFERENCES: tuple[Reference, ...] = ("MZ", "LS", "MC", "MI")

# Made-up profiles: as many as memory and time allow.
_MOST_DRAWS, _FEWEST_DRAWS = 128, 24
_NUMBERS = 2_000_000
_MOST_POINTS = 20_000
_SEED = 12181
# Scatter is told from so many points more than lobes fitted.
_FREE = 10
_MAD = 1.482602218505602
_EXCHANGES = 100


@dataclass(frozen=True)
class Roundness:
    """How far a profile is from round.

    Attributes
    ----------
    value : float
        Largest less least distance from the reference circle's centre; unit of the points. Not
        corrected for noise.
    noise_floor : float or None
        What a perfect circle would show on the mean with this noise, as many points and the same
        filter: a range of noisy points is never 0. None where the noise can't be told.
    u : float or None
        Standard uncertainty of `value` from that noise. It holds the chance part: that noise
        also makes the value too large on the mean is what `noise_floor` says.
    reference : {"MZ", "LS", "MC", "MI"}
        Minimum zone, least squares, minimum circumscribed, maximum inscribed.
    cutoff_upr : float or None
    noise_sd : float or None
        Of one point along the radius.
    """

    value: float
    noise_floor: float | None
    u: float | None
    reference: Reference
    cutoff_upr: float | None
    noise_sd: float | None


def spread_about(points: npt.ArrayLike, reference: Reference = "MZ") -> float:
    """Return largest less least distance of points from a reference circle's centre."""
    if reference == "MZ":
        return minimum_zone(points).width
    find = {
        "LS": least_squares,
        "MC": minimum_circumscribed,
        "MI": maximum_inscribed,
    }.get(reference)
    if find is None:
        raise CircleError("reference", f"'{reference}' is none", f"use {', '.join(REFERENCES)}")
    circle = find(points)
    _, r = polar(points, (circle.x, circle.y))
    return float(r.max() - r.min())


def noise_of(angle: Floats, radius: Floats, count: int = LOBES) -> float | None:
    """Return the standard deviation of single points about a smooth profile of so many lobes.

    By the median of absolute deviations, which a few nicks don't move. Fewer lobes with few
    points, so that ten more than numbers fitted are there; None below 15 points.
    """
    count = min(count, (len(angle) - _FREE - 1) // 2)
    if count < 2:
        return None
    fit = fit_lobes(angle, radius, count)
    free = len(angle) - 2 * len(fit.cosine) - 1
    left = np.abs(radius - fit.at(angle))
    return _MAD * float(np.median(left)) * math.sqrt(len(angle) / free)


def roundness(
    points: npt.ArrayLike,
    cutoff_upr: float | None = None,
    reference: Reference = "MZ",
    *,
    noise_sd: float | None = None,
) -> Roundness:
    """Return the roundness of points, with what noise alone would show.

    Parameters
    ----------
    points : (n, 2) array-like
    cutoff_upr : float, optional
        Gaussian filter first, about the least-squares centre.
    reference : {"MZ", "LS", "MC", "MI"}
    noise_sd : float, optional
        Standard deviation of one point along the radius, >= 0, if known; else from what a
        profile of 15 lobes leaves (so that shorter waves count as noise).

    Returns
    -------
    Roundness

    Raises
    ------
    CircleError
        As the reference circles and `filter_profile`.

    Notes
    -----
    Floor and u are simulated with a fixed start: independent normal noise on a perfect circle,
    and on the fitted lobes, filtered and measured in the same way. For small deviations distances
    from a centre moved by (a, b) change by -(a cos θ + b sin θ), so the minimum zone is the best
    approximation by 1, cos, sin, found for all profiles at once by exchange of its four points.
    """
    if noise_sd is not None and not (math.isfinite(noise_sd) and noise_sd >= 0):
        raise CircleError("noise_sd", f"{noise_sd:g} is none", "give 0 or more")
    fit = least_squares(points)
    angle, radius = polar(points, (fit.x, fit.y))
    if noise_sd is None:
        noise_sd = noise_of(angle, radius)
    lobes = fit_lobes(angle, radius)
    if cutoff_upr is None:
        value = spread_about(points, reference)
    else:
        grid, smooth = filter_profile(angle, radius, cutoff_upr)
        ring = smooth[:, None] * np.column_stack([np.cos(grid), np.sin(grid)])
        value = spread_about(ring, reference)
        # As many even places as there were points: the filter spreads their noise alike.
        angle = np.linspace(0.0, 2 * math.pi, len(angle), endpoint=False)
    floor = u = None
    angle = np.asarray(np.unique(angle), dtype=float)
    if noise_sd is not None and len(angle) >= 4 and noise_sd > 0:
        if len(angle) > _MOST_POINTS:
            # Ranges of more points would be no longer by more than some hundredths.
            angle = angle[:: math.ceil(len(angle) / _MOST_POINTS)]
        floor, u = _simulated(angle, lobes.at(angle), noise_sd, cutoff_upr, reference)
    elif noise_sd == 0:
        floor = u = 0.0
    return Roundness(value, floor, u, reference, cutoff_upr, noise_sd)


def _simulated(
    angle: Floats, shape: Floats, noise_sd: float, cutoff_upr: float | None, reference: Reference
) -> tuple[float, float]:
    draws = int(np.clip(_NUMBERS // len(angle), _FEWEST_DRAWS, _MOST_DRAWS))
    if reference in ("MC", "MI"):
        draws = _FEWEST_DRAWS
    rng = np.random.default_rng(_SEED)
    noise = rng.standard_normal((draws, len(angle))) * noise_sd
    middle = float(shape.mean())
    plain = np.full(len(angle), middle)
    shown = []
    for own in (plain, shape):
        radii = own + noise
        if cutoff_upr is not None:
            radii = np.array([gaussian_upr(row, cutoff_upr) for row in radii])
        shown.append(_spreads(angle, radii, reference))
    return float(shown[0].mean()), float(shown[1].std(ddof=1))


def _spreads(angle: Floats, radii: Floats, reference: Reference) -> Floats:
    """Return the roundness of many profiles at the same angles."""
    if reference in ("MC", "MI"):
        way = np.column_stack([np.cos(angle), np.sin(angle)])
        return np.array([spread_about(row[:, None] * way, reference) for row in radii])
    basis = np.column_stack([np.ones(len(angle)), np.cos(angle), np.sin(angle)])
    q, _ = np.linalg.qr(basis)
    left: Floats = radii - (radii @ q) @ q.T
    if reference == "LS":
        out: Floats = np.ptp(left, axis=1)
        return out
    return _chebyshev(basis, left)


def _chebyshev(basis: Floats, rows: Floats) -> Floats:
    """Return twice the least maximum of |row − basis·x| over x, for each row.

    Angles ascend and differ, so that 1, cos, sin are a Haar system on them: the best x has four
    points of one size with signs in turn, and exchanging one at a time ends there.
    """
    count, n = rows.shape
    at = np.tile((np.arange(4) * n) // 4, (count, 1))
    out = np.zeros(count)
    live = np.arange(count)
    sign = np.array([1.0, -1.0, 1.0, -1.0])
    for _ in range(_EXCHANGES):
        own = at[live]
        system = np.concatenate(
            [basis[own], np.broadcast_to(sign[None, :, None], (len(live), 4, 1))], axis=2
        )
        right = np.take_along_axis(rows[live], own, axis=1)
        x = np.linalg.solve(system, right[:, :, None])[:, :, 0]
        left = rows[live] - x[:, :3] @ basis.T
        level = x[:, 3]
        worst = np.argmax(np.abs(left), axis=1)
        peak = left[np.arange(len(live)), worst]
        out[live] = 2 * np.abs(level)
        going = np.abs(peak) > np.abs(level) * (1 + 1e-9) + 1e-300
        if not going.any():
            break
        live, own, worst, peak, level = (v[going] for v in (live, own, worst, peak, level))
        # The new point takes the place of its neighbour of the same sign.
        before = (own < worst[:, None]).sum(axis=1)
        left_of = (before - 1) % 4
        same = np.sign(peak) == np.sign(level) * sign[left_of]
        place = np.where(same, left_of, before % 4)
        own[np.arange(len(live)), place] = worst
        # In order again; a turn by one changes all signs, which is the level's sign.
        at[live] = np.sort(own, axis=1)
    return out
