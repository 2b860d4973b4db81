"""Minimum of a smooth function of a few unbounded parameters, from its analytic gradient."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
ValueAndGradient = Callable[[Floats], tuple[float, Floats]]

# What the quadratic model still promises, in units of a deviance or log-likelihood, where 1e-5
# of a standard error is 1e-10: good enough below the first where rounding stops the descent,
# and done below the second.
_NEGLIGIBLE = 1e-12
_DONE = 1e-16
_HALVINGS = 25
# Steps that lower nothing, in a valley so ill-conditioned that rounding moves the search about:
# after so many it is over, and good where no more than this was still promised.
_STALE = 6
_STALE_PROMISE = 1e-6


@dataclass(frozen=True)
class Minimum:
    """Where the search ended.

    Attributes
    ----------
    point, gradient : (k,) array
    value : float
    hessian : (k, k) array
        By forward differences of the gradient, at `point`: good to some 1e-6.
    converged : bool
        The Newton decrement is negligible and no direction curves down; or rounding stops the
        descent where the decrement is below 1e-6, a thousandth of a standard error.
    evaluations : int
        Calls of the function, those for the Hessian included.
    """

    point: Floats
    value: float
    gradient: Floats
    hessian: Floats
    converged: bool
    evaluations: int


class _Counted:
    def __init__(self, function: ValueAndGradient) -> None:
        self.function = function
        self.calls = 0

    def __call__(self, point: Floats) -> tuple[float, Floats]:
        self.calls += 1
        return self.function(point)

    def hessian(self, point: Floats, gradient: Floats) -> Floats:
        """Forward differences of the gradient."""
        rows = []
        for j in range(point.size):
            step = np.zeros_like(point)
            step[j] = 1e-6 * max(1.0, abs(float(point[j])))
            rows.append((self(point + step)[1] - gradient) / step[j])
        found = np.array(rows)
        even: Floats = 0.5 * (found + found.T)
        return even


def _newton_step(hessian: Floats, gradient: Floats) -> tuple[Floats, float, Floats, Floats]:
    """Step along |H|: down the curve of a valley, and away from a ridge."""
    values, vectors = np.linalg.eigh(hessian)
    floor = max(1e-10 * float(np.abs(values).max()), 1e-100)
    along = vectors.T @ gradient
    scaled = along / np.maximum(np.abs(values), floor)
    return -(vectors @ scaled), 0.5 * float(along @ scaled), values, vectors


def minimise(
    function: ValueAndGradient,
    start: Floats,
    *,
    longest_step: float = 2.0,
    max_steps: int = 200,
) -> Minimum:
    """Minimise by Newton steps with a Hessian differenced from the gradient, then updated.

    The Hessian is taken by differences at the start, kept up by BFGS updates, and taken anew
    where a step fails or the search seems done.

    Parameters
    ----------
    function : callable
        Point -> (value, gradient). A value that is not finite is stepped back from.
    start : (k,) array
        A point whose value is finite.
    longest_step : float
        Steps are shortened to this length, the parameters being of order 1.
    max_steps : int

    Returns
    -------
    Minimum
        With ``converged`` false where `max_steps` did not do, or no step went down.

    References
    ----------
    J. Nocedal, S. J. Wright, Numerical Optimization, 2nd ed. (2006), ch. 3 and 6.
    """
    counted = _Counted(function)
    point = np.array(start, dtype=float)
    value, gradient = counted(point)
    hessian = counted.hessian(point, gradient)
    fresh = True
    promised = math.inf
    best, stale = value, 0
    for _ in range(max_steps):
        step, decrement, values, vectors = _newton_step(hessian, gradient)
        if stale >= _STALE:
            if not fresh:
                hessian, fresh = counted.hessian(point, gradient), True
                decrement = _newton_step(hessian, gradient)[1]
            over = decrement < _STALE_PROMISE
            return Minimum(point, value, gradient, hessian, over, counted.calls)
        stuck = decrement < _NEGLIGIBLE and decrement > 0.1 * promised
        promised = decrement
        if stuck or decrement < _DONE:
            if not fresh:
                # Only a true Hessian may say that it is over.
                hessian, fresh = counted.hessian(point, gradient), True
                continue
            if values[0] > -1e-6 * max(1.0, float(np.abs(values).max())):
                return Minimum(point, value, gradient, hessian, True, counted.calls)
            # A saddle: leave it along its steepest descent.
            step = vectors[:, 0] * 0.1
        length = float(np.linalg.norm(step))
        step *= min(1.0, longest_step / length)
        noise = 8e-16 * (1.0 + abs(value))
        for _ in range(_HALVINGS):
            trial, slope = counted(point + step)
            if math.isfinite(trial) and trial <= value + noise and np.isfinite(slope).all():
                break
            step = step * 0.3
        else:
            if not fresh:
                hessian, fresh = counted.hessian(point, gradient), True
                continue
            break
        change = slope - gradient
        curve = float(change @ step)
        push = hessian @ step
        held = float(step @ push)
        expected = -float(gradient @ step) - 0.5 * held
        stale = stale + 1 if trial > best - 1e-10 * (1.0 + abs(best)) else 0
        best = min(best, trial)
        good = curve > 1e-12 and held > 0 and (value - trial) > 0.25 * expected - noise
        point, value, gradient = point + step, trial, slope
        if good:
            hessian = hessian + np.outer(change, change) / curve - np.outer(push, push) / held
            fresh = False
        else:
            hessian, fresh = counted.hessian(point, gradient), True
    hessian = counted.hessian(point, gradient)
    return Minimum(point, value, gradient, hessian, False, counted.calls)
