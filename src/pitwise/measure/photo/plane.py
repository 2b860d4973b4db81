"""A plane seen through a lens: homography with covariance, radial distortion of our own fit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from pitwise.trade.given import InputError

Array = np.ndarray


@dataclass(frozen=True)
class Lens:
    """Radial distortion about a centre.

    A straight-lens place is ``c + (p - c) (1 + k1 q + k2 q² + …)`` of the seen place p, with
    ``q = |p - c|² / scale_px²``.
    """

    centre_px: tuple[float, float]
    scale_px: float
    k: tuple[float, ...] = ()

    def straight(self, px: Array) -> Array:
        """Return seen places (…, 2) as a lens without distortion would show them."""
        off = np.asarray(px, dtype=float) - self.centre_px
        q = (off * off).sum(axis=-1, keepdims=True) / self.scale_px**2
        factor = np.ones_like(q)
        for power, k in enumerate(self.k, start=1):
            factor = factor + k * q**power
        return np.asarray(self.centre_px + off * factor)

    def seen(self, px: Array) -> Array:
        """Return where places (…, 2) of a straight lens are seen; Newton on the radius."""
        off = np.asarray(px, dtype=float) - self.centre_px
        target = np.sqrt((off * off).sum(axis=-1, keepdims=True)) / self.scale_px
        r = target.copy()
        for _ in range(12):
            value, slope = r.copy(), np.ones_like(r)
            for power, k in enumerate(self.k, start=1):
                value = value + k * r ** (2 * power + 1)
                slope = slope + (2 * power + 1) * k * r ** (2 * power)
            r = r - (value - target) / np.where(np.abs(slope) < 0.1, 0.1, slope)
        ratio = np.where(target > 1e-12, r / np.maximum(target, 1e-12), 1.0)
        return np.asarray(self.centre_px + off * ratio)


def apply_homography(h: Array, xy: Array) -> Array:
    """Map places of shape (…, 2)."""
    xy = np.asarray(xy, dtype=float)
    out = xy @ h[:, :2].T + h[:, 2]
    return np.asarray(out[..., :2] / out[..., 2:])


def _normaliser(xy: Array) -> Array:
    centre = xy.mean(axis=0)
    scale = np.sqrt(2) / max(float(np.sqrt(((xy - centre) ** 2).sum(axis=1)).mean()), 1e-12)
    return np.array([[scale, 0, -scale * centre[0]], [0, scale, -scale * centre[1]], [0, 0, 1.0]])


def _direct(source: Array, target: Array) -> Array:
    """Direct linear transform on normalised places (Hartley 1997, from memory)."""
    ts, tt = _normaliser(source), _normaliser(target)
    s, t = apply_homography(ts, source), apply_homography(tt, target)
    one, zero = np.ones(len(s)), np.zeros((len(s), 3))
    p = np.column_stack([s, one])
    rows = np.vstack([np.hstack([p, zero, -t[:, :1] * p]), np.hstack([zero, p, -t[:, 1:] * p])])
    _, _, vt = np.linalg.svd(rows, full_matrices=len(rows) < 9)
    h = np.linalg.inv(tt) @ vt[-1].reshape(3, 3) @ ts
    return np.asarray(h / h[2, 2])


def _jacobian(h: Array, source: Array) -> Array:
    """Derivative of the mapped places by the first 8 entries of h, shape (2 n, 8)."""
    x, y = source.T
    w = h[2, 0] * x + h[2, 1] * y + 1
    u, v = apply_homography(h, source).T
    zero = np.zeros_like(x)
    du = np.stack([x, y, zero + 1, zero, zero, zero, -u * x, -u * y], axis=1)
    dv = np.stack([zero, zero, zero, x, y, zero + 1, -v * x, -v * y], axis=1)
    return np.asarray(np.stack([du, dv], axis=1) / w[:, None, None]).reshape(-1, 8)


def fit_homography(source: Array, target: Array) -> tuple[Array, Array]:
    """Fit a homography by least squares of the target's places.

    Parameters
    ----------
    source, target : ndarray, shape (n, 2), n >= 4

    Returns
    -------
    h : ndarray, shape (3, 3)
        ``h[2, 2]`` is 1.
    residual : ndarray, shape (n, 2)
        Target minus mapped source.

    Raises
    ------
    InputError
        Fewer than four places, or they lie on a line.
    """
    source, target = np.asarray(source, float), np.asarray(target, float)
    if len(source) < 4 or np.linalg.matrix_rank(source - source.mean(axis=0), tol=1e-9) < 2:
        raise InputError("points", "four places that don't lie on a line are needed", "give more")
    ts, tt = _normaliser(source), _normaliser(target)
    s, t = apply_homography(ts, source), apply_homography(tt, target)
    h = _direct(s, t)
    for _ in range(10):
        r = (t - apply_homography(h, s)).ravel()
        step = np.linalg.lstsq(_jacobian(h, s), r, rcond=None)[0]
        h = (h.ravel() + np.append(step, 0.0)).reshape(3, 3)
        if np.abs(step).max() < 1e-12:
            break
    h = np.linalg.inv(tt) @ h @ ts
    h = h / h[2, 2]
    return h, target - apply_homography(h, source)


@dataclass(frozen=True)
class PlaneView:
    """One view of a plane.

    Attributes
    ----------
    h : ndarray, shape (3, 3)
        Plane's unit (mm, squares) to straight-lens pixels.
    lens : Lens
    residual : ndarray, shape (n, 2)
        Straight-lens pixels, seen minus mapped.
    covariance : ndarray, shape (8, 8)
        Of the first eight entries of `h`, from the residuals.
    spread : float
        How far marks' outlines stand out from their own centres (ink, light), plane's unit.
    joint : ndarray, shape (8 + terms + 1, 8 + terms + 1)
        Covariance of `h`, the lens's terms and the spread together (this view's share of a lens
        that several views have in common is not told apart); 0 for what wasn't fitted.
    """

    h: Array
    lens: Lens
    residual: Array
    covariance: Array = field(repr=False)
    joint: Array = field(repr=False)
    spread: float = 0.0

    def to_plane(self, px: Array) -> Array:
        """Map seen pixels (…, 2) to the plane."""
        return apply_homography(np.linalg.inv(self.h), self.lens.straight(px))

    def to_px(self, xy: Array) -> Array:
        """Map places (…, 2) of the plane to where they are seen."""
        return self.lens.seen(apply_homography(self.h, xy))


def fit_views(
    plane: Sequence[Array],
    seen: Sequence[Array],
    shape: tuple[int, int],
    *,
    terms: int = 0,
    free_centre: bool = False,
    outward: Sequence[Array] | None = None,
) -> list[PlaneView]:
    """Fit one homography to each view and one lens to all of them.

    Parameters
    ----------
    plane, seen : sequence of ndarray, shape (n_i, 2)
        Known places and the pixels they are seen at, view by view.
    shape : (int, int)
        The pictures' height and width in pixels.
    terms : int
        Radial terms k1, k2 …: 0 to 3.
    free_centre : bool
        Whether the distortion's centre is fitted too: needs many views.
    outward : sequence of ndarray, shape (n_i, 2), optional
        Unit directions in which each place moves when outlines spread by one unit.

    Notes
    -----
    Separable least squares: the lens (and the spread) outside, each homography inside (Golub &
    Pereyra 1973, from memory). Minimises straight-lens pixels.
    """
    height, width = shape
    middle = ((width - 1) / 2, (height - 1) / 2)
    scale = float(np.hypot(width, height)) / 2
    places = [np.asarray(p, float) for p in plane]
    pixels = [np.asarray(s, float) for s in seen]

    def unpack(p: Array) -> tuple[Lens, float]:
        k = tuple(float(x) for x in p[:terms])
        centre, rest = middle, p[terms:]
        if free_centre:
            centre = (middle[0] + scale * rest[0], middle[1] + scale * rest[1])
            rest = rest[2:]
        return Lens(centre, scale, k), float(rest[0]) if outward is not None else 0.0

    def solved(p: Array) -> tuple[Lens, float, list[tuple[Array, Array]]]:
        lens, spread = unpack(p)
        moved = places
        if outward is not None:
            moved = [x + spread * o for x, o in zip(places, outward, strict=True)]
        fits = [fit_homography(x, lens.straight(s)) for x, s in zip(moved, pixels, strict=True)]
        return lens, spread, fits

    count = terms + 2 * free_centre + (outward is not None)
    best = np.zeros(count)
    if count:
        # Only several views of a card or a board need it, and it takes long to import.
        from scipy.optimize import least_squares

        best = least_squares(
            lambda p: np.concatenate([r.ravel() for _, r in solved(p)[2]]),
            best,
            x_scale=np.array(
                [0.1] * terms + [0.02] * (2 * free_centre) + [0.02] * (outward is not None)
            ),
            diff_step=1e-5,
            xtol=1e-12,
        ).x
    lens, spread, fits = solved(best)
    total = sum(float((r * r).sum()) for _, r in fits)
    freedom = max(2 * sum(len(x) for x in places) - 8 * len(places) - count, 1)
    ways = outward or [np.zeros_like(x) for x in places]
    return [
        _as_view(h, lens, residual, x, s, spread, total / freedom, o)
        for (h, residual), x, s, o in zip(fits, places, pixels, ways, strict=True)
    ]


def _as_view(
    h: Array,
    lens: Lens,
    residual: Array,
    place: Array,
    pixel: Array,
    spread: float,
    variance: float,
    ways: Array,
) -> PlaneView:
    """Return a view with its covariance: inverse normal matrix times the residuals' variance."""
    terms = len(lens.k)
    p0 = np.concatenate([h.ravel()[:8], lens.k, [spread]])

    def miss(p: Array) -> Array:
        bent = Lens(lens.centre_px, lens.scale_px, tuple(p[8 : 8 + terms]))
        mapped = apply_homography(np.append(p[:8], 1.0).reshape(3, 3), place + p[-1] * ways)
        return np.asarray(bent.straight(pixel) - mapped).ravel()

    reach = np.abs(place).max()
    size = np.abs(h).max(axis=1)
    eps = np.concatenate(
        [np.repeat(size, 3)[:8] / np.tile([reach, reach, 1], 3)[:8], [0.1] * terms, [0.1 * reach]]
    )
    eps = 1e-6 * np.maximum(eps, 1e-9)
    j = np.stack([(miss(p0 + e) - miss(p0 - e)) / 2 for e in np.diag(eps)], axis=1)
    # Columns in steps of eps are of like size: the normal matrix of raw entries is near singular.
    length = np.maximum(np.linalg.norm(j, axis=0), 1e-300)
    fitted = length > 1e-30
    inverse = np.linalg.pinv((j / length)[:, fitted], rcond=1e-12)
    joint = np.zeros((len(p0), len(p0)))
    unit = (eps / length)[fitted]
    joint[np.ix_(fitted, fitted)] = inverse @ inverse.T * variance * np.outer(unit, unit)
    return PlaneView(h, lens, residual, joint[:8, :8], joint, spread)
