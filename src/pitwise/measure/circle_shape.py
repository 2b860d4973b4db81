"""The shape of a profile about a centre: lobes, and the Gaussian filter."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .circle_model import CircleError, Floats, checked

#: Lobes that are told apart unless asked for more.
LOBES = 15
# Largest condition of the normal equations: beyond it gaps make up lobes nobody measured.
_CONDITION = 100.0
# Points at once, for memory.
_AT_ONCE = 50_000
# Angles as even as this (of their step) are taken for even.
_EVEN = 1e-6
# Grid points to a wave of the cut-off where points stand unevenly.
_PER_WAVE = 64
_FEWEST_ON_GRID = 720


@dataclass(frozen=True)
class Harmonic:
    """One number of lobes round the circle: ``amplitude * cos(upr * (angle - phase))``.

    Attributes
    ----------
    upr : int
        Undulations per revolution; 1 is the centre's own place.
    amplitude : float
        Half of what the lobes stand up and down together; unit of the points, >= 0.
    phase_deg : float
        Direction of the first lobe's top, degrees anticlockwise from x, in [0, 360/upr).
    u : float
        Standard uncertainty of the amplitude from the scatter left; NaN where none is left.
    """

    upr: int
    amplitude: float
    phase_deg: float
    u: float


@dataclass(frozen=True)
class LobeFit:
    """A mean radius and lobes, with what they leave.

    Attributes
    ----------
    mean : float
    cosine, sine : (k,) arrays
        For 1 to k undulations per revolution.
    covariance : (2k + 1, 2k + 1) array
        Of mean, cosines, sines, over the variance of one point.
    """

    mean: float
    cosine: Floats
    sine: Floats
    covariance: Floats

    def at(self, angle: Floats) -> Floats:
        """Return the radius at angles (radians)."""
        out = np.full(len(angle), self.mean)
        for k, (a, b) in enumerate(zip(self.cosine, self.sine, strict=True), start=1):
            out += a * np.cos(k * angle) + b * np.sin(k * angle)
        return out


def polar(points: npt.ArrayLike, centre: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return angles (radians, in [0, 2π)) and radii of points about a centre.

    Raises
    ------
    CircleError
        Points or centre not finite, or a point on the centre.
    """
    p = checked(points)
    c = np.asarray(centre, dtype=float)
    if c.shape != (2,) or not np.isfinite(c).all():
        raise CircleError("centre", "is not a finite x and y", "give two numbers")
    away = p - c
    r = np.hypot(away[:, 0], away[:, 1])
    if not r.min() > 0:
        raise CircleError("centre", "is one of the points", "take the centre of a circle by them")
    return np.mod(np.arctan2(away[:, 1], away[:, 0]), 2 * math.pi), r


def fit_lobes(angle: Floats, radius: Floats, count: int = LOBES) -> LobeFit:
    """Return mean and lobes of least squares, for angles that need not be even.

    Parameters
    ----------
    angle, radius : (n,) arrays
        Radians; any unit.
    count : int
        Most lobes; fewer are fitted where the points are too few (2·count + 1 > n) or leave
        gaps too wide to tell so many apart (condition of the normal equations above 100).
    """
    n = len(angle)
    most = max(0, min(count, (n - 1) // 2))
    middle = float(radius.mean())
    # Σ exp(imθ) and Σ r exp(imθ) make up the normal equations.
    ones, with_r = np.zeros(2 * most + 1, complex), np.zeros(most + 1, complex)
    for first in range(0, n, _AT_ONCE):
        turn = np.exp(1j * angle[first : first + _AT_ONCE])
        left = radius[first : first + _AT_ONCE] - middle
        wave = np.ones(len(turn), complex)
        for m in range(2 * most + 1):
            ones[m] += wave.sum()
            if m <= most:
                with_r[m] += left @ wave
            wave *= turn
    k = np.arange(most + 1)
    minus = ones[np.abs(k[:, None] - k)]
    minus = np.where(k[:, None] >= k, minus, minus.conj())
    plus = ones[k[:, None] + k]
    # cos·cos, cos·sin (rows cosine, columns sine) and sin·sin of all pairs of lobes.
    cc, ss = (plus + minus).real / 2, (minus - plus).real / 2
    cs = (plus.imag - minus.imag) / 2
    used = _well_told(cc, cs, ss, most)
    rows = slice(1, used + 1)
    inverse = np.asarray(np.linalg.inv(_normal(cc, cs, ss, used)), dtype=float)
    found = inverse @ np.concatenate([with_r.real[: used + 1], with_r.imag[rows]])
    return LobeFit(middle + float(found[0]), found[1 : used + 1], found[used + 1 :], inverse)


def _normal(cc: Floats, cs: Floats, ss: Floats, k: int) -> Floats:
    """Return the normal equations of mean, k cosines and k sines."""
    top, rows = slice(0, k + 1), slice(1, k + 1)
    out: Floats = np.block([[cc[top, top], cs[top, rows]], [cs[top, rows].T, ss[rows, rows]]])
    return out


def _well_told(cc: Floats, cs: Floats, ss: Floats, most: int) -> int:
    """Return how many lobes the angles tell apart; fewer lobes are never told worse."""

    def fine(k: int) -> bool:
        values = np.linalg.eigvalsh(_normal(cc, cs, ss, k))
        return bool(values[0] * _CONDITION >= values[-1])

    low, high = 0, most
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (middle, high) if fine(middle) else (low, middle - 1)
    return low


def harmonics(
    points: npt.ArrayLike, centre: npt.ArrayLike, count: int = LOBES
) -> tuple[Harmonic, ...]:
    """Return the lobes of points about a centre, from 1 undulation per revolution up.

    Parameters
    ----------
    points : (n, 2) array-like
        Need not stand evenly round.
    centre : (2,) array-like
        Best the least-squares circle's: about another one a part of the shape is the centre's.
    count : int
        Most lobes; see `fit_lobes` for when there are fewer, down to none.

    Returns
    -------
    tuple of Harmonic

    Raises
    ------
    CircleError
        As `polar`; a count below 0.
    """
    if count < 0:
        raise CircleError("count", f"{count} lobes can't be", "ask for 0 or more")
    angle, radius = polar(points, centre)
    fit = fit_lobes(angle, radius, count)
    k = len(fit.cosine)
    left = radius - fit.at(angle)
    free = len(angle) - 2 * k - 1
    variance = float(left @ left) / free if free > 0 else math.nan
    out = []
    for m in range(1, k + 1):
        a, b = float(fit.cosine[m - 1]), float(fit.sine[m - 1])
        size = math.hypot(a, b)
        own = fit.covariance[np.ix_([m, k + m], [m, k + m])]
        way = np.array([a, b]) / size if size > 0 else np.array([1.0, 0.0])
        phase = math.degrees(math.atan2(b, a)) / m % (360 / m)
        out.append(Harmonic(m, size, phase, math.sqrt(variance * float(way @ own @ way))))
    return tuple(out)


def gaussian_upr(radii: npt.ArrayLike, cutoff_upr: float) -> Floats:
    r"""Return a closed profile after the Gaussian filter.

    Parameters
    ----------
    radii : (n,) array-like
        At even angles all round; any unit.
    cutoff_upr : float
        Undulations per revolution of which half the amplitude passes, > 0.

    Returns
    -------
    (n,) array

    Raises
    ------
    CircleError
        Not one row of finite numbers, or no such cut-off.

    Notes
    -----
    :math:`T(k) = e^{-\pi (\alpha k / k_c)^2} = 2^{-(k/k_c)^2}`, :math:`\alpha^2 = \ln 2/\pi`
    (ISO 16610-21 on a closed profile; from memory), applied to the discrete Fourier transform,
    so it is exact for each undulation.
    """
    r = np.asarray(radii, dtype=float)
    if r.ndim != 1 or len(r) < 1 or not np.isfinite(r).all():
        raise CircleError("radii", "are not one row of finite numbers", "give radii at even angles")
    _cutoff(cutoff_upr)
    return _filtered(r, cutoff_upr)


def _cutoff(cutoff_upr: float) -> None:
    if not (math.isfinite(cutoff_upr) and cutoff_upr > 0):
        raise CircleError(
            "cutoff_upr", f"{cutoff_upr:g} is no cut-off", "give undulations per revolution, > 0"
        )


def _filtered(r: Floats, cutoff_upr: float) -> Floats:
    """Filter along the last axis."""
    n = r.shape[-1]
    pass_on = np.exp2(-((np.arange(n // 2 + 1) / cutoff_upr) ** 2))
    middle = r.mean(axis=-1, keepdims=True)
    out: Floats = middle + np.fft.irfft(np.fft.rfft(r - middle, axis=-1) * pass_on, n=n, axis=-1)
    return out


def filter_profile(angle: Floats, radius: Floats, cutoff_upr: float) -> tuple[Floats, Floats]:
    """Return even angles and the filtered radii of points that may stand unevenly.

    Parameters
    ----------
    angle, radius : (n,) arrays
        Radians in [0, 2π); any unit.
    cutoff_upr : float

    Returns
    -------
    angle, radius : (m,) arrays
        m = n where the angles are even; else on a grid of 64 to a wave of the cut-off. There
        the weighted mean under the Gaussian is taken, each point weighing the angle it stands
        for (a regression filter of order 0, ISO 16610-31 without its robust part; from memory).

    Raises
    ------
    CircleError
        No such cut-off, or a gap wider than half its wave: what lies in it can't be told.
    """
    _cutoff(cutoff_upr)
    order = np.argsort(angle, kind="stable")
    a, r = angle[order], radius[order]
    n = len(a)
    gap = np.diff(a, append=a[0] + 2 * math.pi)
    step = 2 * math.pi / n
    widest = float(gap.max())
    # Even points at just half a wave are let pass, whatever rounding says.
    if widest > math.pi / cutoff_upr * (1 + _EVEN):
        raise CircleError(
            "points",
            f"leave a gap of {math.degrees(widest):.3g}° from {math.degrees(a[gap.argmax()]):.4g}°",
            f"measure there too, or filter at {math.pi / widest:.3g} undulations or fewer",
        )
    if float(np.abs(gap - step).max()) <= _EVEN * step:
        return a, _filtered(r, cutoff_upr)
    m = max(_FEWEST_ON_GRID, math.ceil(_PER_WAVE * cutoff_upr))
    weight = (gap + np.roll(gap, 1)) / 2
    at = np.round(a / (2 * math.pi) * m).astype(np.intp) % m
    middle = float(r.mean())
    mass: Floats = np.bincount(at, weight, m).astype(float)
    moved: Floats = np.bincount(at, weight * (r - middle), m).astype(float)
    grid = np.asarray(np.arange(m) * (2 * math.pi / m), dtype=float)
    return grid, middle + _filtered(moved, cutoff_upr) / _filtered(mass, cutoff_upr)
