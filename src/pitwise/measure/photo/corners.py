"""Corners to a few hundredths of a pixel: saddle points of boards, sides and corners of markers.

Two models are fitted, each to many places at once: two crossing blurred edges (the inner corner
of a chequered board) and one blurred edge on a profile (a marker's side, whose four lines meet in
its corners).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter, map_coordinates
from scipy.special import erf

from pitwise.trade.given import InputError

_MOST_STEPS = 60
_SQRT2 = np.sqrt(2.0)
Array = np.ndarray
# Parameters (n, k) to model values (n, m).
Model = Callable[[Array], Array]


@dataclass(frozen=True)
class Batch:
    """Least-squares fits of one model at many places.

    Attributes
    ----------
    params : ndarray, shape (n, k)
    covariance : ndarray, shape (n, k, k)
        Of the parameters, from each fit's own residuals.
    residual_sd : ndarray, shape (n,)
        In the unit of the data.
    converged : ndarray of bool, shape (n,)
    """

    params: Array
    covariance: Array
    residual_sd: Array
    converged: Array


def fit_batch(model: Model, start: Array, data: Array, weight: Array) -> Batch:
    """Fit a model at many places at once by Levenberg's and Marquardt's damped steps.

    Parameters
    ----------
    model : callable
        Parameters of shape (n, k) to values of shape (n, m).
    start : ndarray, shape (n, k)
    data, weight : ndarray, shape (n, m)
        `weight` multiplies the squared residuals.

    Notes
    -----
    Marquardt (1963), J. Soc. Indust. Appl. Math. 11, 431 (number from memory). The Jacobian is
    by forward differences: k more calls of the model for all places together.
    """
    p = np.array(start, dtype=float)
    n, k = p.shape
    step_of = 1e-6 * np.maximum(1.0, np.abs(p).max(axis=0))
    eye = np.eye(k)

    def jacobian(at: Array, here: Array) -> Array:
        out = np.empty((*here.shape, k))
        for j in range(k):
            moved = at.copy()
            moved[:, j] += step_of[j]
            out[:, :, j] = (model(moved) - here) / step_of[j]
        return out

    damping = np.full(n, 1e-3)
    value = model(p)
    now = (weight * (data - value) ** 2).sum(axis=1)
    # Places whose fit goes on; each leaves as it settles.
    on = np.arange(n)
    for _ in range(_MOST_STEPS):
        j = jacobian(p[on], value[on])
        jw = (j * weight[on, :, None]).transpose(0, 2, 1)
        normal = jw @ j
        slope = jw @ (data[on] - value[on])[:, :, None]
        scale = np.einsum("nii->ni", normal) + 1e-12
        damped = normal + (damping[on, None] * scale)[:, :, None] * eye
        tried = p[on] + np.linalg.solve(damped, slope)[:, :, 0]
        tried_value = model(tried)
        cost = (weight[on] * (data[on] - tried_value) ** 2).sum(axis=1)
        better = np.isfinite(cost) & (cost <= now[on])
        settled = better & (now[on] - cost <= 1e-8 * (now[on] + 1e-30))
        moved = on[better]
        p[moved], value[moved], now[moved] = tried[better], tried_value[better], cost[better]
        damping[on] = np.clip(damping[on] * np.where(better, 0.2, 10.0), 1e-12, 1e12)
        on = on[~settled & (damping[on] < 1e9)]
        if not on.size:
            break
    converged = np.ones(n, dtype=bool)
    converged[on] = False
    j = jacobian(p, value)
    normal = (j * weight[:, :, None]).transpose(0, 2, 1) @ j
    normal += 1e-12 * np.einsum("nii->n", normal)[:, None, None] * eye + 1e-300 * eye
    counted = (weight > 0).sum(axis=1)
    variance = now / np.maximum(counted - k, 1)
    mean_weight = np.maximum(weight.sum(axis=1) / np.maximum(counted, 1), 1e-30)
    covariance = np.linalg.inv(normal) * variance[:, None, None]
    return Batch(p, covariance, np.sqrt(variance / mean_weight), converged)


@dataclass(frozen=True)
class Corners:
    """Corners found.

    Attributes
    ----------
    xy : ndarray, shape (n, 2)
        In pixels; the centre of the first pixel is (0, 0).
    u : ndarray, shape (n,)
        Standard uncertainty per axis in pixels (type A, the larger axis).
    found : ndarray of bool, shape (n,)
        False: the fit left its place or found no contrast; `xy` is then the start.
    blur_px : ndarray, shape (n,)
        The edges' Gaussian sigma.
    """

    xy: Array
    u: Array
    found: Array
    blur_px: Array


def _grey(image: Array) -> Array:
    if image.ndim != 2 or image.size == 0:
        raise InputError("image", "not one plane of grey", "give an array of shape (h, w)")
    return np.asarray(image, dtype=float)


def _taken(image: Array, x: Array, y: Array) -> Array:
    return np.asarray(map_coordinates(image, [y, x], order=1, mode="nearest"))


def refine_saddles(image: Array, corners: Array, radius_px: float = 5.0) -> Corners:
    r"""Refine the inner corners of a chequered board.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Grey, any unit; linear light is best, though a saddle hardly cares.
    corners : ndarray, shape (n, 2)
        To within about two pixels.
    radius_px : float
        Half of the fitted patch; keep it below half a square.

    Notes
    -----
    Model of the patch, :math:`d_1, d_2` being distances from two lines through the corner:

    .. math:: I = m + g \cdot (x, y) + a\, \mathrm{erf}(d_1 / \sqrt2 s)\,
              \mathrm{erf}(d_2 / \sqrt2 s)

    which is exact for a Gaussian blur of perpendicular edges and very near for skew ones. The
    lines' first directions are those in which the Hessian's quadratic form vanishes.
    """
    grey = _grey(image)
    start = np.asarray(corners, dtype=float).reshape(-1, 2)
    n = len(start)
    if n == 0:
        empty = np.empty(0)
        return Corners(np.empty((0, 2)), empty, empty.astype(bool), empty)
    half = max(2, round(radius_px))
    step = np.arange(-half, half + 1)
    gx, gy = (a.ravel() for a in np.meshgrid(step, step))
    base = np.rint(start)
    pixel_x, pixel_y = base[:, :1] + gx, base[:, 1:] + gy
    height, width = grey.shape
    inside = (pixel_x >= 0) & (pixel_x < width) & (pixel_y >= 0) & (pixel_y < height)
    data = grey[
        np.clip(pixel_y, 0, height - 1).astype(int), np.clip(pixel_x, 0, width - 1).astype(int)
    ]
    taper = np.exp(-0.5 * (np.hypot(gx, gy) / (0.6 * half)) ** 2)
    weight = taper[None, :] * inside

    soft = gaussian_filter(grey, 1.5)
    column = np.clip(base[:, 0], 2, width - 3).astype(int)
    row = np.clip(base[:, 1], 2, height - 3).astype(int)
    hxx = soft[row, column + 2] - 2 * soft[row, column] + soft[row, column - 2]
    hyy = soft[row + 2, column] - 2 * soft[row, column] + soft[row - 2, column]
    hxy = (
        soft[row + 1, column + 1]
        - soft[row + 1, column - 1]
        - soft[row - 1, column + 1]
        + soft[row - 1, column - 1]
    )
    # Along direction t the form is hxx cos² + 2 hxy sin cos + hyy sin² = mean + R cos 2(t - axis).
    mean, half_gap = (hxx + hyy) / 2, np.hypot((hxx - hyy) / 2, hxy)
    axis = np.arctan2(hxy, (hxx - hyy) / 2) / 2
    apart = np.arccos(np.clip(-mean / np.maximum(half_gap, 1e-12), -0.95, 0.95)) / 2
    first, second = axis + apart, axis - apart
    level = data.mean(axis=1)
    contrast = np.maximum(
        (np.quantile(data, 0.9, axis=1) - np.quantile(data, 0.1, axis=1)) / 2, 1e-9
    )

    def model(p: Array) -> Array:
        dx, dy = gx[None, :] - p[:, 0:1], gy[None, :] - p[:, 1:2]
        s = _SQRT2 * np.maximum(np.abs(p[:, 4:5]), 0.2)
        one = (-np.sin(p[:, 2:3]) * dx + np.cos(p[:, 2:3]) * dy) / s
        two = (-np.sin(p[:, 3:4]) * dx + np.cos(p[:, 3:4]) * dy) / s
        flat = p[:, 5:6] + p[:, 7:8] * gx / half + p[:, 8:9] * gy / half
        return np.asarray(flat + p[:, 6:7] * erf(one) * erf(two))

    zero = np.zeros(n)
    off = start - base
    p0 = np.stack(
        [off[:, 0], off[:, 1], first, second, zero + 1.0, level, contrast, zero, zero], axis=1
    )
    # The sign of the contrast is the one that the data shows.
    unit = model(p0) - level[:, None]
    p0[:, 6] *= np.where((weight * unit * (data - level[:, None])).sum(axis=1) < 0, -1, 1)
    fit = fit_batch(model, p0, data, weight)
    moved = np.hypot(*(fit.params[:, :2] - off).T)
    u = np.sqrt(np.maximum(fit.covariance[:, 0, 0], fit.covariance[:, 1, 1]))
    crossing = np.abs(np.sin(fit.params[:, 2] - fit.params[:, 3]))
    found = (
        (moved < 0.7 * half)
        & np.isfinite(u)
        & (u < 0.5)
        & (crossing > 0.2)
        & (np.abs(fit.params[:, 6]) > 3 * fit.residual_sd)
    )
    xy = np.where(found[:, None], base + fit.params[:, :2], start)
    return Corners(xy, u, found, np.abs(fit.params[:, 4]))


@dataclass(frozen=True)
class EdgeFits:
    """Blurred edges on profiles.

    Attributes
    ----------
    at, u, blur : ndarray, shape (n,)
        Place of half height, its standard uncertainty, Gaussian sigma; in the unit of `t`.
    height : ndarray, shape (n,)
        Rise from the profile's start to its end.
    found : ndarray of bool, shape (n,)
    """

    at: Array
    u: Array
    blur: Array
    height: Array
    found: Array


def edges_on_profiles(profiles: Array, t: Array) -> EdgeFits:
    r"""Fit one blurred edge to each profile.

    Parameters
    ----------
    profiles : ndarray, shape (n, m)
        Linear light along each profile.
    t : ndarray, shape (m,)
        Equally spaced places, rising.

    Notes
    -----
    .. math:: I(t) = m + a\, \mathrm{erf}((t - t_0) / (\sqrt2 s))
    """
    data = np.asarray(profiles, dtype=float)
    n, m = data.shape
    third = max(m // 4, 1)
    low, high = np.median(data[:, :third], axis=1), np.median(data[:, -third:], axis=1)
    rise = np.abs(np.gradient(gaussian_filter(data, (0, 1.0)), axis=1))
    pitch = t[1] - t[0]
    p0 = np.stack(
        [t[rise.argmax(axis=1)], np.full(n, 1.5 * pitch), (low + high) / 2, (high - low) / 2],
        axis=1,
    )

    def model(p: Array) -> Array:
        s = _SQRT2 * np.maximum(np.abs(p[:, 1:2]), 0.2 * pitch)
        return np.asarray(p[:, 2:3] + p[:, 3:4] * erf((t[None, :] - p[:, 0:1]) / s))

    fit = fit_batch(model, p0, data, np.ones_like(data))
    u = np.sqrt(fit.covariance[:, 0, 0])
    at, blur = fit.params[:, 0], np.abs(fit.params[:, 1])
    found = (
        (at > t[1])
        & (at < t[-2])
        & (u < 2 * pitch)
        & (blur < (t[-1] - t[0]) / 3)
        & (np.abs(fit.params[:, 3]) > 3 * fit.residual_sd)
    )
    return EdgeFits(at, u, blur, 2 * fit.params[:, 3], found)


def _line(points: Array) -> tuple[Array, Array, float]:
    """Return a point, a unit direction and the residual SD of a robust line."""
    weight = np.ones(len(points))
    centre, along, spread = points.mean(axis=0), np.array([1.0, 0.0]), 0.0
    for _ in range(8):
        centre = np.average(points, axis=0, weights=weight)
        off = points - centre
        _, vectors = np.linalg.eigh((off * weight[:, None]).T @ off)
        along = vectors[:, 1]
        miss = off @ np.array([-along[1], along[0]])
        spread = max(1.4826 * float(np.median(np.abs(miss))), 1e-3)
        weight = np.clip(1 - (miss / (4.685 * spread)) ** 2, 1e-9, 1) ** 2
    return centre, along, spread


def refine_quads(
    image: Array, quads: Array, cell_share: float = 1 / 6, most_per_side: int = 48
) -> Corners:
    """Refine the corners of dark quadrilaterals on light ground: a line to each side.

    Parameters
    ----------
    image : ndarray, shape (h, w)
        Linear light.
    quads : ndarray, shape (n, 4, 2)
        Corners in turn, to within a tenth of a side.
    cell_share : float
        Width of the dark border, and of the quiet ground around, as a share of the side.
    most_per_side : int
        Profiles on each side.

    Returns
    -------
    Corners
        Of 4 n corners in order. A quadrilateral of which a side isn't seen has found False.

    Notes
    -----
    The middle 84 % of a side counts: a corner itself is rounded by blur and ink. Lines by
    Tukey's biweight, total least squares.
    """
    grey = _grey(image)
    quads = np.asarray(quads, dtype=float).reshape(-1, 4, 2)
    xy, u = quads.reshape(-1, 2).copy(), np.full(4 * len(quads), np.inf)
    blur, found = np.zeros(4 * len(quads)), np.zeros(4 * len(quads), dtype=bool)
    for number, quad in enumerate(quads):
        lines = []
        for k in range(4):
            a, b = quad[k], quad[(k + 1) % 4]
            side = float(np.hypot(*(b - a)))
            if side < 12:
                break
            along = (b - a) / side
            across = np.array([along[1], -along[0]])
            reach = min(max(0.8 * cell_share * side, 3.0), 14.0)
            count = int(np.clip(side * 0.84, 8, most_per_side))
            at = a + np.outer(np.linspace(0.08, 0.92, count) * side, along)
            t = np.linspace(-reach, reach, int(2 * np.ceil(reach) + 1))
            px = at[:, None, :] + t[None, :, None] * across
            fits = edges_on_profiles(_taken(grey, px[..., 0], px[..., 1]), t)
            # All four sides rise the same way, else something lies over the side.
            good = fits.found & (np.sign(fits.height) == np.sign(np.median(fits.height)))
            if good.sum() < max(6, 0.5 * count):
                break
            points = at[good] + fits.at[good, None] * across
            centre, direction, spread = _line(points)
            # Neighbouring profiles share pixels: a third of them count as independent.
            lines.append(
                (centre, direction, spread * np.sqrt(3 / good.sum()), np.median(fits.blur[good]))
            )
        if len(lines) < 4:
            continue
        for k in range(4):
            (c1, d1, u1, s1), (c2, d2, u2, _) = lines[k - 1], lines[k]
            matrix = np.stack([d1, -d2], axis=1)
            if abs(np.linalg.det(matrix)) < 0.1:
                break
            reach_on = np.linalg.solve(matrix, c2 - c1)[0]
            spot = 4 * number + k
            xy[spot] = c1 + reach_on * d1
            # At a line's end its place is twice as uncertain as in its middle.
            u[spot], blur[spot], found[spot] = 2 * max(u1, u2), s1, True
    whole = found.reshape(-1, 4).all(axis=1).repeat(4)
    return Corners(xy, u, whole, blur)
