"""What circles through points are, and points made fit for reckoning."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pitwise.trade.given import InputError

Floats = npt.NDArray[np.float64]

# Below this share of their length, the points' breadth is taken for rounding.
_FLAT = 1e-12
_EPS = float(np.finfo(float).eps)


class CircleError(InputError):
    """Points that have no such circle: names place, problem and mend."""


@dataclass(frozen=True)
class Circle:
    """A circle; unit of the points.

    Attributes
    ----------
    x, y, r : float
    """

    x: float
    y: float
    r: float


@dataclass(frozen=True)
class Inscribed(Circle):
    """A circle among points.

    Attributes
    ----------
    held : bool
        Three points hold it; False: only the rule that its centre stays in the hull does.
    """

    held: bool


@dataclass(frozen=True)
class Zone:
    """The ring between two circles of one centre; unit of the points.

    Attributes
    ----------
    x, y : float
    width : float
        ``outer_r - inner_r``, reckoned without that subtraction's rounding of large radii.
    inner_r, outer_r : float
    """

    x: float
    y: float
    width: float
    inner_r: float
    outer_r: float


@dataclass(frozen=True)
class Fit(Circle):
    """A circle by least squares of the distances.

    Attributes
    ----------
    residual_sd : float
        √(Σ residual² / (n − 3)); NaN with three points, which leave nothing to tell it from.
    covariance : (3, 3) array
        Of x, y, r, for independent points of that scatter; NaN with three points.
    """

    residual_sd: float
    covariance: Floats = field(compare=False, repr=False)


@dataclass(frozen=True)
class Cloud:
    """Distinct points moved to their middle and scaled to about 1: ``p = own * scale + middle``."""

    own: Floats
    scale: float
    middle: Floats

    def centre(self, c: Floats) -> tuple[float, float]:
        """Return a place in the units of the points."""
        x, y = c * self.scale + self.middle
        return float(x), float(y)


def checked(points: npt.ArrayLike) -> Floats:
    """Return points as an (n, 2) array of finite numbers, n >= 3.

    Raises
    ------
    CircleError
        Wrong shape, fewer than three points, a number that is not finite.
    """
    p = np.asarray(points, dtype=float)
    if p.ndim != 2 or p.shape[1] != 2:
        raise CircleError("points", f"the shape is {p.shape}", "give two numbers, x and y, a point")
    if len(p) < 3:
        raise CircleError("points", f"there are {len(p)}", "a circle needs three or more points")
    bad = ~np.isfinite(p).all(axis=1)
    if bad.any():
        k = int(np.argmax(bad))
        raise CircleError(f"point {k + 1}", "is not finite", "leave it out, or measure it again")
    return p


def cloud(points: npt.ArrayLike, *, distinct: bool = True) -> Cloud:
    """Return points moved and scaled, doubles dropped; refuses points on one line.

    Parameters
    ----------
    points : (n, 2) array-like
    distinct : bool
        Drop points that stand twice: they weigh nothing for circles that touch.

    Raises
    ------
    CircleError
        As `checked`; fewer than three places; all on one line.
    """
    p = checked(points)
    low, high = p.min(axis=0), p.max(axis=0)
    # Halves first: the sum or the difference of two large numbers may not be finite.
    middle = low / 2 + high / 2
    scale = float((high / 2 - low / 2).max())
    if scale <= 0:
        raise CircleError("points", "are all in one place", "measure points round the circle")
    own = (p - middle) / scale
    if distinct:
        # As complex numbers they sort in one go.
        flat = np.unique(np.ascontiguousarray(own).view(complex).ravel())
        own = flat.view(float).reshape(-1, 2)
    if distinct and len(own) < 3:
        raise CircleError("points", "are in two places only", "measure points round the circle")
    lean = np.linalg.eigvalsh(np.cov(own.T, bias=True))
    # What rounding of the numbers as given may show as breadth.
    rounding = 4 * _EPS * float(np.abs(p).max()) / scale
    if math.sqrt(max(lean[0], 0.0)) <= max(_FLAT, rounding) * math.sqrt(lean[1]):
        raise CircleError(
            "points", "lie on one line", "measure points round the circle, not along one side"
        )
    return Cloud(own, scale, middle)


def line_like(what: str) -> CircleError:
    """Return the refusal of points that no circle fits better than a line does."""
    return CircleError(
        "points",
        f"fit a line as well as any {what}",
        "measure points further round the circle",
    )
