"""The wear engine's special case without noise: a gamma process whose readings are exact.

Depth grows from 0 with independent gamma increments of mean b·c·ΔΛ and variance φ times that
mean (shape b·c·ΔΛ/φ, scale φ), Λ = age**power. A gauge is never that good; this is the case
whose likelihood is known in closed form or nearly so, and that published fits can check. It
also gives starting values of c, φ, the spread between units and the power where the noise is
small beside the growth.

Three models of what differs between units:

- ``same``: nothing, b = 1;
- ``lognormal``: the rate, log b ~ N(0, τ²), as the engine has it;
- ``random-scale``: the scale, whose inverse is gamma distributed (Lawless & Crowder 2004).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from pitwise.wear.exact_likelihood import (
    Floats,
    Increments,
    gamma_loglik,
    lognormal_loglik,
    mixing_shape,
    random_scale_loglik,
    random_scale_quadrature,
)
from pitwise.wear.groups import group_codes
from pitwise.wear.newton import Minimum, minimise
from pitwise.wear.refusal import (
    BadShapeError,
    NoNoiseError,
    NotFiniteError,
    NotGrowingError,
    TooFewError,
)

Model = Literal["same", "lognormal", "random-scale"]
# A spread between units, as a standard deviation of the log rate, that is none.
_NO_SPREAD = 1e-4
_NO_SCATTER = 1e-12
# Shape of an increment, whose relative scatter is 1/√shape, that is as good as exact.
_LARGEST_SHAPE = 1e10

_SCATTERLESS = (
    "every unit grows along its own curve, without scatter",
    "give the readings as they were taken, not values computed from a curve",
)


@dataclass(frozen=True)
class ExactFit:
    """A gamma process fitted to exact readings.

    Attributes
    ----------
    model : {"same", "lognormal", "random-scale"}
    estimates : mapping of str to float
        ``same``: ``rate`` (depth per unit of Λ), ``phi`` (depth), ``shape_per_age`` = rate/phi,
        ``inverse_scale`` = 1/phi. ``lognormal``: ``rate`` (of the median unit), ``phi``,
        ``tau``. ``random-scale``: ``eta`` (shape per unit of Λ), ``delta`` and ``gamma`` (shape
        and inverse scale of the gamma distribution of a unit's inverse scale). All: ``power``.
    standard_errors : mapping of str to float
        From the observed information; 0 for a given ``power``, nan where it tells nothing.
    loglik : float
        Of the increments, at the estimates.
    units, increments : int
    no_spread : bool
        The units differ no more than chance has it: ``tau`` is 0, or ``delta`` as good as
        infinite.
    converged : bool
    """

    model: Model
    estimates: Mapping[str, float]
    standard_errors: Mapping[str, float]
    loglik: float
    units: int
    increments: int
    no_spread: bool
    converged: bool


def fit_exact(
    age: npt.ArrayLike,
    depth: npt.ArrayLike,
    unit: npt.ArrayLike | Sequence[str],
    *,
    model: Model = "same",
    power: float | None = 1.0,
    quadrature: bool = False,
) -> ExactFit:
    """Fit a gamma process to readings without noise, by maximum likelihood.

    Parameters
    ----------
    age : (n,) array_like
        Age of the unit at each reading, at least 0, in a unit that makes it of order 1 to 100.
    depth : (n,) array_like
        Depth at that age, the depth at age 0 being 0; readings at age 0 may be given or not.
    unit : (n,) array_like
        Label of each reading's unit; rows in any order.
    model : {"same", "lognormal", "random-scale"}
    power : float or None
        Power of the age, over 0; None estimates it.
    quadrature : bool
        Sum the random scale over nodes rather than in closed form (``random-scale`` only).

    Returns
    -------
    ExactFit

    Raises
    ------
    BadShapeError
        Lengths that differ, an unknown model, a power out of range.
    NotFiniteError
        A value that is nan or infinite.
    NotGrowingError
        A depth that stands still or goes back, a negative age, depth at age 0, two readings at
        one age.
    TooFewError
        Too few increments or units for the model.
    NoNoiseError
        Growth without any scatter.

    Notes
    -----
    Newton's method on logarithms of the parameters, with analytic gradients (digamma); the
    spread between units enters as a standard deviation, which may reach 0 [1]_ [2]_.

    .. [1] J. Lawless, M. Crowder, Lifetime Data Analysis 10 (2004) 213.
    .. [2] J. M. van Noortwijk, Reliab. Eng. Syst. Saf. 94 (2009) 2.
    """
    if model not in ("same", "lognormal", "random-scale"):
        raise BadShapeError(f"no model is called '{model}'", "use same, lognormal or random-scale")
    if power is not None and not (math.isfinite(power) and 0 < power <= 20):
        raise BadShapeError(f"a power of {power}", "give a number over 0, 1 for linear growth")
    if quadrature and model != "random-scale":
        raise BadShapeError(f"quadrature with model '{model}'", "it is for random-scale only")
    data = increments(age, depth, unit)
    _enough(data, model, power)
    law = _law(model, data, quadrature)
    fixed_power = power
    start = law.start if fixed_power is not None else np.append(law.start, 0.0)

    def loss(working: Floats) -> tuple[float, Floats]:
        with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
            exponent = fixed_power if fixed_power is not None else math.exp(min(working[-1], 50))
            loglik, gradient = law.loglik(working[: law.start.size], exponent)
        if fixed_power is not None:
            gradient = gradient[:-1]
        if not (math.isfinite(loglik) and np.isfinite(gradient).all()):
            return math.inf, gradient
        return -loglik, -gradient

    found = minimise(loss, start, longest_step=1.0)
    return _natural(model, law, found, fixed_power, data)


def increments(
    age: npt.ArrayLike, depth: npt.ArrayLike, unit: npt.ArrayLike | Sequence[str]
) -> Increments:
    """Order readings by unit and age and take their differences, from depth 0 at age 0 on.

    Parameters and errors are those of `fit_exact`.
    """
    ages = np.asarray(age, dtype=np.float64)
    depths = np.asarray(depth, dtype=np.float64)
    if ages.ndim != 1 or ages.shape != depths.shape:
        raise BadShapeError(
            f"age and depth have shapes {ages.shape} and {depths.shape}",
            "give one of each for every reading",
        )
    codes, names = group_codes(unit, ages.size)
    for name, values in (("age", ages), ("depth", depths)):
        if not np.isfinite(values).all():
            row = int(np.flatnonzero(~np.isfinite(values))[0])
            raise NotFiniteError(f"{name} in row {row} is not a finite number", "leave it out")
    for row in np.flatnonzero((ages < 0) | ((ages == 0) & (depths != 0)))[:1]:
        raise NotGrowingError(
            f"unit {names[codes[row]]} has depth {depths[row]:g} at age {ages[row]:g}",
            "count age from when the part was new, at depth 0",
        )
    later = ages > 0
    ages, depths, codes = ages[later], depths[later], codes[later]
    if ages.size == 0:
        raise TooFewError("no reading after age 0", "add readings")
    order = np.lexsort((ages, codes))
    ages, depths, codes = ages[order], depths[order], codes[order]
    first = np.append(True, codes[1:] != codes[:-1])
    before = np.where(first, 0.0, np.append(0.0, ages[:-1]))
    growth = depths - np.where(first, 0.0, np.append(0.0, depths[:-1]))
    for row in np.flatnonzero((ages <= before) | (growth <= 0))[:1]:
        name = names[codes[row]]
        if ages[row] <= before[row]:
            raise NotGrowingError(
                f"unit {name} has two readings at age {ages[row]:g}",
                "keep one, or fit the model with noise, which takes repeats",
            )
        raise NotGrowingError(
            f"unit {name} does not grow between age {before[row]:g} and {ages[row]:g} "
            f"(by {growth[row]:g})",
            "readings with noise need the model with noise: this one takes them as exact",
        )
    return Increments(before, ages, growth, np.flatnonzero(first).astype(np.int64))


def _enough(data: Increments, model: Model, power: float | None) -> None:
    count, units = data.growth.size, data.starts.size
    wanted = (2 if model == "same" else 3) + (power is None)
    if count < wanted:
        raise TooFewError(f"{count} increments for {wanted} parameters", "add readings")
    if model != "same" and (units < 2 or units == count):
        raise TooFewError(
            f"{units} units with {count} increments",
            "give two units or more, and to some of them two readings or more: "
            "else the spread between units can't be told from the growth's own",
        )
    if power is None and np.ptp(data.after) == 0 and np.ptp(data.before) == 0:
        raise TooFewError(
            "all increments lie between the same two ages", "give the power, or readings at others"
        )
    exponent = 1.0 if power is None else power
    step = data.aged(exponent)[0]
    per_age = data.growth / step
    own = (
        np.full(units, data.growth.sum() / step.sum())
        if model == "same"
        else data.per_unit(data.growth) / data.per_unit(step)
    )
    counts = np.diff(np.append(data.starts, count))
    if np.abs(per_age / np.repeat(own, counts) - 1).max() < _NO_SCATTER:
        raise NoNoiseError(*_SCATTERLESS)


@dataclass(frozen=True)
class _Law:
    """A model: its start, its likelihood and its natural parameters, from the working ones."""

    start: Floats
    loglik: Callable[[Floats, float], tuple[float, Floats]]
    natural: Callable[[Floats], dict[str, float]]


def _law(model: Model, data: Increments, quadrature: bool) -> _Law:
    # Starts by moments, at power 1.
    step, x = data.after - data.before, data.growth
    rate = float(x.sum() / step.sum())
    counts = np.diff(np.append(data.starts, x.size))
    unit_rates = data.per_unit(x) / data.per_unit(step)
    base = rate if model == "same" else np.repeat(unit_rates, counts)
    freedom = x.size if model == "same" else max(x.size - unit_rates.size, 1)
    phi = float(((x - base * step) ** 2 / (base * step)).sum() / freedom)
    spread = max(float(np.log(unit_rates).std()), 0.05)
    log = math.log

    if model == "same":
        return _Law(
            np.array([log(rate), log(phi)]),
            lambda w, power: gamma_loglik(data, math.exp(w[0]), math.exp(w[1]), power),
            lambda w: {
                "rate": math.exp(w[0]),
                "phi": math.exp(w[1]),
                "shape_per_age": math.exp(w[0] - w[1]),
                "inverse_scale": math.exp(-w[1]),
            },
        )
    if model == "lognormal":
        return _Law(
            np.array([log(rate), log(phi), spread]),
            lambda w, power: lognormal_loglik(
                data, math.exp(w[0]), math.exp(w[1]), float(w[2]), power
            ),
            lambda w: {"rate": math.exp(w[0]), "phi": math.exp(w[1]), "tau": abs(float(w[2]))},
        )
    likelihood = random_scale_quadrature if quadrature else random_scale_loglik

    def mixing(w: Floats) -> dict[str, float]:
        delta, _ = mixing_shape(float(w[2]))
        return {"eta": math.exp(w[0]), "delta": delta, "gamma": delta / math.exp(w[1])}

    return _Law(
        np.array([log(rate / phi), -log(phi), spread]),
        lambda w, power: likelihood(data, math.exp(w[0]), math.exp(w[1]), float(w[2]), power),
        mixing,
    )


def _natural(
    model: Model, law: _Law, found: Minimum, power: float | None, data: Increments
) -> ExactFit:
    count = law.start.size

    def natural(working: Floats) -> dict[str, float]:
        exponent = power if power is not None else math.exp(working[-1])
        return {**law.natural(working[:count]), "power": exponent}

    estimates = natural(found.point)
    shape = estimates["eta"] if model == "random-scale" else estimates["rate"] / estimates["phi"]
    if shape * float(data.aged(estimates["power"])[0].mean()) > _LARGEST_SHAPE:
        raise NoNoiseError(*_SCATTERLESS)
    # Delta method; the map is smooth and of order 1 in the working parameters.
    columns = []
    for j in range(found.point.size):
        nudge = np.zeros_like(found.point)
        nudge[j] = 1e-6
        ahead, behind = natural(found.point + nudge), natural(found.point - nudge)
        columns.append([(ahead[name] - behind[name]) / 2e-6 for name in estimates])
    jacobian = np.array(columns).T
    errors = np.full(len(estimates), np.nan)
    if np.linalg.eigvalsh(found.hessian)[0] > 0:
        errors = np.sqrt(np.diag(jacobian @ np.linalg.inv(found.hessian) @ jacobian.T))
    if power is not None:
        errors[-1] = 0.0
    names: list[Any] = list(estimates)
    return ExactFit(
        model=model,
        estimates=estimates,
        standard_errors=dict(zip(names, errors.tolist(), strict=True)),
        loglik=-found.value,
        units=data.starts.size,
        increments=data.growth.size,
        no_spread=model != "same" and abs(float(found.point[2])) < _NO_SPREAD,
        converged=found.converged,
    )
