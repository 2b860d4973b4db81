r"""The age at which a part is cheapest changed before it is lost, of Weibull lives.

A part is changed at age `T` for the cost :math:`c_p`, or when it is lost before that for
:math:`c_f`. In the long run a unit of use costs

.. math:: C(T) = \frac{c_p R(T) + c_f F(T)}{\int_0^T R(x)\,dx},

least where :math:`h(T) \int_0^T R - F(T) = c_p/(c_f - c_p)` (R. E. Barlow & L. C. Hunter,
Oper. Res. 8 (1960) 90; Barlow & F. Proschan, Mathematical Theory of Reliability, 1965, ch. 4;
both from memory). Of a Weibull life of shape :math:`\beta` and scale :math:`\eta`, with
:math:`v = (T/\eta)^\beta`,

.. math:: \int_0^T R = \eta\, \Gamma(1 + 1/\beta)\, P(1/\beta, v),

`P` the regularised lower incomplete gamma function. The left side rises with `T` where
:math:`\beta > 1`; elsewhere, and where a loss costs no more than a change, no age pays.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt
from scipy.special import gamma, gammainc

from pitwise.wear.refusal import FitRefusedError

Floats = npt.NDArray[np.float64]

# e^-40: not one part in 10^17 lives so long, and the cost is that of running to loss.
_MOST_V = 40.0
_LEAST_LOG_V = -690.0
_HALVINGS = 90
# Beyond these a figure is a slip.
_SHAPES, _SIZES = (0.01, 1e6), (1e-50, 1e50)
FLAT = 0.02
"""Ages that cost at most this share more than the best are called as good."""
DRAWS = 2000


class FittedLife(Protocol):
    """What is taken of a fitted Weibull life."""

    @property
    def shape(self) -> float:
        """Return the shape."""

    @property
    def scale(self) -> float:
        """Return the scale, in the unit of the ages."""

    @property
    def covariance(self) -> Floats:
        """Return the covariance of (log scale, log shape), shape (2, 2)."""


class BadCostsError(FitRefusedError):
    """Costs, a shape or a scale that can't be."""


@dataclass(frozen=True)
class AgePolicy:
    """When to change a part by its age, and what that costs.

    Ages and rates are in the unit of the scale: starts, arc minutes.

    Attributes
    ----------
    age : float
        inf: never by age.
    cost_rate : float
        Cost per unit of use at that age.
    run_to_loss_rate : float
        Cost per unit of use when nothing is changed by age.
    lost_share : float
        Share of parts lost before that age.
    flat_from, flat_to : float
        Ages between which the cost is at most `FLAT` above the least.
    reason : str
        Why never; empty where there is an age.
    """

    age: float
    cost_rate: float
    run_to_loss_rate: float
    lost_share: float
    flat_from: float
    flat_to: float
    reason: str = ""

    @property
    def saving_share(self) -> float:
        """Share of the cost of running to loss that changing at this age saves."""
        return 1.0 - self.cost_rate / self.run_to_loss_rate


@dataclass(frozen=True)
class AgeRange:
    """The best age with the range that the doubt in shape and scale gives it.

    Attributes
    ----------
    best : AgePolicy
        At the fitted shape and scale.
    age_low, age_high : float
        Range of the best age; `age_high` may be inf.
    rate_low, rate_high : float
        Range of the cost rate at the fitted best age.
    saving_low, saving_high : float
        Range of the share that the fitted best age saves against running to loss; below 0
        where changing then would cost more.
    never_chance : float
        Share of the draws in which no age pays.
    level : float
        Probability of the ranges.
    """

    best: AgePolicy
    age_low: float
    age_high: float
    rate_low: float
    rate_high: float
    saving_low: float
    saving_high: float
    never_chance: float
    level: float


def _checked(shape: npt.ArrayLike, scale: npt.ArrayLike, planned: float, lost: float) -> None:
    for name, value in (("shape", shape), ("scale", scale)):
        at = np.asarray(value, float)
        if not (np.isfinite(at).all() and (at > 0).all()):
            raise BadCostsError(f"{name} must be a number above 0", f"give a {name} above 0")
    for name, cost in (("planned", planned), ("lost", lost)):
        if not (math.isfinite(cost) and cost > 0):
            raise BadCostsError(
                f"the {name} cost must be a number above 0", f"give a {name} cost above 0"
            )


def _within(shape: float, scale: float, planned: float, lost: float) -> None:
    """Refuse what is a slip, and would lead beyond numbers."""
    asked = {
        "shape": (shape, *_SHAPES),
        "scale": (scale, *_SIZES),
        "planned cost": (planned, *_SIZES),
        "lost cost": (lost, *_SIZES),
    }
    for name, (value, least, most) in asked.items():
        if not least <= value <= most:
            raise BadCostsError(
                f"a {name} of {value:g} can't be reckoned with",
                f"give one from {least:g} to {most:g}",
            )


def _mean_use(v: Floats, shape: Floats) -> Floats:
    """Mean use up to the age, in units of the scale."""
    return np.asarray(gamma(1 + 1 / shape) * gammainc(1 / shape, v), float)


def _rate(v: Floats, shape: Floats, planned: float, lost: float) -> Floats:
    """Cost per scale of use of changing at v = (age/scale)^shape."""
    gone = -np.expm1(-v)
    with np.errstate(divide="ignore", over="ignore"):
        return np.asarray((planned * np.exp(-v) + lost * gone) / _mean_use(v, shape), float)


def age_cost_rate(
    age: npt.ArrayLike, shape: npt.ArrayLike, scale: npt.ArrayLike, planned: float, lost: float
) -> Floats:
    r"""Return the long-run cost per unit of use of changing at an age.

    Parameters
    ----------
    age : array_like
        >= 0, inf for never; broadcast with shape and scale. At 0 the rate is inf.
    shape, scale : array_like
        Of the Weibull life, above 0; the scale in the unit of the age.
    planned, lost : float
        Cost of a change by age and of a loss, above 0.

    Returns
    -------
    ndarray
        :math:`(c_p R + c_f F)/\int_0^T R`, cost per unit of age.

    Raises
    ------
    BadCostsError
        A value that can't be.
    """
    _checked(shape, scale, planned, lost)
    at, b, s = (np.asarray(x, float) for x in (age, shape, scale))
    if np.isnan(at).any() or (at < 0).any():
        raise BadCostsError("an age is 0 or more", "give an age of 0 or more, or inf for never")
    with np.errstate(over="ignore"):
        v = np.asarray((at / s) ** b, float)
    return np.asarray(_rate(v, b, planned, lost) / s, float)


def _best_log_v(shape: Floats, planned: float, lost: float) -> Floats:
    """Return log v at the best age of each shape; inf where no age pays."""
    none = np.full(shape.shape, np.inf)
    if lost <= planned:
        return none
    wanted = planned / (lost - planned)
    b = np.where(shape > 1, shape, 2.0)

    def excess(log_v: Floats) -> Floats:
        v = np.exp(log_v)
        return np.asarray(
            b * np.exp((1 - 1 / b) * log_v) * _mean_use(v, b) + np.expm1(-v) - wanted, float
        )

    low = np.full(shape.shape, _LEAST_LOG_V)
    high = np.full(shape.shape, math.log(_MOST_V))
    pays = (shape > 1) & (excess(high) > 0)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = excess(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.where(pays, 0.5 * (low + high), none)


def _flat(log_v: float, shape: Floats, planned: float, lost: float) -> tuple[float, float]:
    """Return log v where the cost is `FLAT` above the least, either side; inf: at no age."""
    top = math.log(_MOST_V) if math.isinf(log_v) else log_v
    allowed = (1 + FLAT) * float(_rate(np.exp(np.array([log_v])), shape, planned, lost)[0])

    def cheap(at: float) -> bool:
        return float(_rate(np.exp(np.array([at])), shape, planned, lost)[0]) <= allowed

    def edge(good: float, bad: float) -> float:
        for _ in range(_HALVINGS):
            middle = 0.5 * (good + bad)
            good, bad = (middle, bad) if cheap(middle) else (good, middle)
        return good

    below = edge(top, _LEAST_LOG_V)
    never = cheap(math.inf)
    return below, math.inf if never else edge(top, math.log(_MOST_V))


def best_age(shape: float, scale: float, planned: float, lost: float) -> AgePolicy:
    """Return the age of least long-run cost.

    Parameters
    ----------
    shape, scale : float
        Of the Weibull life, above 0.
    planned, lost : float
        Cost of a change by age and of a loss, above 0.

    Returns
    -------
    AgePolicy
        Its age is inf, with the reason, where changing by age does not pay.

    Raises
    ------
    BadCostsError
        A value that can't be.
    """
    _checked(shape, scale, planned, lost)
    _within(shape, scale, planned, lost)
    b = np.array([float(shape)])
    log_v = float(_best_log_v(b, planned, lost)[0])
    run = float(_rate(np.array([np.inf]), b, planned, lost)[0]) / scale
    below, above = _flat(log_v, b, planned, lost)

    def age_of(at: float) -> float:
        return math.inf if math.isinf(at) else scale * math.exp(at / shape)

    if math.isinf(log_v):
        why = _never(shape, planned, lost)
        return AgePolicy(math.inf, run, run, 1.0, age_of(below), math.inf, why)
    v = np.exp(np.array([log_v]))
    rate = float(_rate(v, b, planned, lost)[0]) / scale
    return AgePolicy(
        age_of(log_v), rate, run, float(-np.expm1(-v[0])), age_of(below), age_of(above)
    )


def _never(shape: float, planned: float, lost: float) -> str:
    if lost <= planned:
        return "A loss costs no more than a change: nothing is won by changing early."
    if shape <= 1:
        return (
            "Old parts are no likelier to be lost than new ones (shape 1 or below): a new part "
            "would be no safer."
        )
    return (
        "The chance of a loss grows so slowly with age that no part lives to the age where a "
        "change would pay."
    )


def best_age_of(
    fit: FittedLife, planned: float, lost: float, *, draws_seed: int, level: float = 0.90
) -> AgeRange:
    """Return the best age of a fitted life, with what the fit's own doubt makes of it.

    Parameters
    ----------
    fit : FittedLife
        A `pitwise.wear.life.weibull.WeibullFit`
    planned, lost : float
        Cost of a change by age and of a loss, above 0.
    draws_seed : int
        Of the draws of (log scale, log shape) from the normal about the fit.
    level : float
        Probability of the ranges, between 0 and 1.

    Returns
    -------
    AgeRange
    """
    if not 0 < level < 1:
        raise ValueError("a level lies between 0 and 1")
    best = best_age(fit.shape, fit.scale, planned, lost)
    random = np.random.default_rng(draws_seed)
    half = random.standard_normal((DRAWS // 2, 2))
    roots, axes = np.linalg.eigh(np.asarray(fit.covariance, float))
    spread = (axes * np.sqrt(np.maximum(roots, 0.0))) @ axes.T
    off = np.clip(np.vstack([half, -half]) @ spread.T, -20.0, 20.0)
    scale, shape = fit.scale * np.exp(off[:, 0]), fit.shape * np.exp(off[:, 1])
    log_v = _best_log_v(shape, planned, lost)
    ages = np.where(np.isinf(log_v), np.inf, scale * np.exp(log_v / shape))
    here = age_cost_rate(best.age, shape, scale, planned, lost)
    saving = 1 - here / age_cost_rate(np.inf, shape, scale, planned, lost)
    ends = ((1 - level) / 2, (1 + level) / 2)

    def between(values: Floats) -> tuple[float, float]:
        # Of the ordered draws themselves: an age may be inf, which can't be interpolated.
        low, high = np.quantile(values, ends, method="inverted_cdf")
        return float(low), float(high)

    return AgeRange(
        best,
        *between(ages),
        *between(here),
        *between(saving),
        float(np.isinf(log_v).mean()),
        level,
    )
