"""Ranges of a Weibull fit by the likelihood itself: all values it can't tell from the best."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from pitwise.wear.refusal import FitRefusedError

from .intervals import SHARES, Range, deviate, hazard_exponent
from .likelihood import Likelihood, Point
from .lives import Lives
from .weibull import WeibullFit

# Logarithms beyond which a bound is none.
_FAR, _FAR_SHAPE = 300.0, 30.0
_WARM = 5.0
_FURTHEST = 1e9
_MOST = 100
# Twice the log-likelihood that may be left on the table.
_CLOSE = 1e-13
# Steeper, and the last digit of a life already moves the likelihood.
_STEEPEST = 1e8
_NOT_DONE = "a range of the fit can't be found", "take Wald's range"


class ProfileNotDoneError(FitRefusedError):
    """The search for a bound did not come to rest."""


def profile(lives: Lives, fit: WeibullFit, level: float = 0.95) -> dict[str, Range]:
    """Return ranges of the values whose best log-likelihood is within χ²/2 of the maximum.

    Better than `wald` with few ends: they need no symmetry. A bound that the lives do not set
    (looks alone, few of them) is 0 or infinite.

    Parameters
    ----------
    lives : Lives
        Those the fit was made from.
    fit : WeibullFit
    level : float
        Such as 0.95.

    Returns
    -------
    dict of str to Range
        ``shape``, ``scale``, ``b10``, ``b50``.

    Raises
    ------
    ProfileNotDoneError
        A search did not come to rest, or the lives differ by their last digits alone.

    References
    ----------
    W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data (1998), 8.3.
    """
    if fit.shape > _STEEPEST:
        raise ProfileNotDoneError(
            "the lives differ by their last digits alone", "wait for lives that differ"
        )
    z = deviate(level)
    ready = Likelihood.of(lives)
    log_scale, log_shape = math.log(fit.scale / ready.unit), math.log(fit.shape)
    top = ready.at(log_scale, log_shape).value
    (aa, ab), (_, bb) = fit.covariance
    search = _Search(ready, top, z)
    low, high = (
        search.bound(
            _of_shape(ready), log_shape, -fit.shape * log_scale, side * math.sqrt(bb), _FAR_SHAPE
        )
        for side in (-1, 1)
    )
    found = {"shape": _around(low, high, 1.0, fit.shape)}
    # Scale is the life at which the exponent is 0.
    exponents = {"scale": 0.0} | {name: hazard_exponent(p) for name, p in SHARES.items()}
    for name, k in exponents.items():
        turn = -k / fit.shape
        se = math.sqrt(max(aa + 2 * turn * ab + turn**2 * bb, 0.0))
        best = log_scale + k / fit.shape
        along = _of_quantile(ready, k)
        low, high = (search.bound(along, best, log_shape, side * se, _FAR) for side in (-1, 1))
        found[name] = _around(low, high, ready.unit, ready.unit * _exp(best))
    return found


def _around(low: float, high: float, unit: float, value: float) -> Range:
    """Return a range with its value in it: rounding may put the three in another order."""
    return Range(min(_power(low, unit), value), max(_power(high, unit), value))


def _power(log_value: float, unit: float) -> float:
    if math.isinf(log_value):
        return 0.0 if log_value < 0 else math.inf
    return unit * _exp(log_value)


def _exp(x: float) -> float:
    """Return e^x; a step too far is infinite, and is stepped back from."""
    return math.exp(x) if x < 700 else math.inf


@dataclass(frozen=True)
class _Here:
    """Log-likelihood at one place, with slopes along what is asked and along the other."""

    value: float
    slope: float
    other: float
    bend: float


# (what is asked, the other) -> there.
_Plane = Callable[[float, float], _Here]


def _of_shape(ready: Likelihood) -> _Plane:
    """Ask for log shape; the other is z at `unit`, which stays small where the shape does."""

    def at(log_shape: float, z: float) -> _Here:
        p: Point = ready.at(-z * _exp(-log_shape), log_shape)
        # With z held, the scale follows the shape: the stretch about `unit`, not about scale.
        return _Here(p.value, p.stretch - z * p.shift, p.shift, p.curve[0])

    return at


def _of_quantile(ready: Likelihood, k: float) -> _Plane:
    """Ask for the log life at which z is k; the other is log shape."""

    def at(log_life: float, log_shape: float) -> _Here:
        # Flatter, and nothing moves any more.
        log_shape = max(log_shape, -_FAR)
        shape = _exp(log_shape)
        p = ready.at(log_life - k / shape, log_shape)
        turn = p.stretch - k * p.shift
        a, b, c = p.curve
        plane = c - 2 * k * b + k * k * a
        bend = plane + turn if plane + turn < 0.3 * plane else plane
        return _Here(p.value, -shape * p.shift, turn, bend)

    return at


@dataclass(frozen=True)
class _Search:
    ready: Likelihood
    top: float
    z: float

    def bound(self, at: _Plane, best: float, other: float, se: float, far: float) -> float:
        """Return where the likelihood has fallen enough, going the way of `se` from `best`.

        The signed root of twice the fall is nearly straight in what is asked, so Newton's
        steps on it arrive soon; a bracket holds them.
        """
        wide = abs(se)
        way = math.copysign(1.0, se)
        inside, outside = 0.0, math.inf
        # From a shape of nearly 0 the way back up can't be seen.
        least = other - _WARM
        step = min(self.z * wide, far / 30)
        for _ in range(_MOST):
            here, other = self._best(at, best + way * step, max(other, least), step)
            fall = math.sqrt(max(2 * self.ready.total * (self.top - here.value), 0.0))
            if fall < self.z:
                inside = step
            else:
                outside = step
            rise = -way * self.ready.total * here.slope / fall if fall > 0 else 0.0
            move = (self.z - fall) / rise if rise > 0 else math.inf
            # A tenth of a millionth of a standard error: fine enough for any use.
            if abs(move) <= 1e-9 * wide or outside - inside <= 1e-12 * step:
                self._check(fall)
                return best + way * (step + move if abs(move) < wide else step)
            if inside >= far:
                return way * math.inf
            new = step + move
            if not inside < new < outside or new > 4 * step:
                new = 0.5 * (inside + outside) if math.isfinite(outside) else 2 * step
            step = min(new, far) if inside < far else new
        raise ProfileNotDoneError(*_NOT_DONE)

    def _check(self, fall: float) -> None:
        """Refuse a bound at which the likelihood has not fallen as it ought to."""
        rounding = 1e-13 * self.ready.total * (1 + abs(self.top))
        if abs(fall**2 - self.z**2) > 1e-5 * self.z**2 + rounding:
            raise ProfileNotDoneError(*_NOT_DONE)

    def _best(self, at: _Plane, asked: float, other: float, near: float) -> tuple[_Here, float]:
        """Maximise over the other parameter, from where it was."""
        here = at(asked, other)
        back = 1.0
        while back < 1e4 and self._beyond(here):
            other, back = other - back, 2 * back
            here = at(asked, other)
        for _ in range(_MOST):
            if self._at_rest(here):
                return here, other
            if not (here.bend < 0 and math.isfinite(here.value)):
                break
            move = -here.other / here.bend
            move = math.copysign(min(abs(move), 1.0 + near), move)
            for _ in range(60):
                there = at(asked, other + move)
                if there.value >= here.value - 1e-14 * abs(here.value):
                    break
                move *= 0.3
            other, here = other + move, there
        return self._between(at, asked, other)

    def _between(self, at: _Plane, asked: float, other: float) -> tuple[_Here, float]:
        """Maximise over the other parameter by halving: where Newton's steps are far too short.

        The slope along it has one change of sign, from up to down.
        """
        up = down = other
        step = 1.0
        while self._rises(at(asked, down)) and step < _FURTHEST:
            up, down, step = down, down + step, 2 * step
        while not self._rises(at(asked, up)) and step < _FURTHEST:
            up, down, step = up - step, up, 2 * step
            if self._at_rest(here := at(asked, up)):
                return here, up
        middle = 0.5 * (up + down)
        while step < _FURTHEST and min(up, down) < middle < max(up, down):
            here = at(asked, middle)
            if self._at_rest(here):
                break
            if self._rises(here):
                up = middle
            else:
                down = middle
            middle = 0.5 * (up + down)
        here = at(asked, middle)
        if not math.isfinite(here.value):
            # The slope falls off within one place of a number: the near side of it.
            middle, here = up, at(asked, up)
        if step < _FURTHEST and math.isfinite(here.value):
            return here, middle
        raise ProfileNotDoneError(*_NOT_DONE)

    def _at_rest(self, here: _Here) -> bool:
        """Tell whether a step promises no more; never where hazards are beyond numbers.

        Without an end, the best may lie at a shape of 0, which steps of log shape come near
        by and by.
        """
        if not (math.isfinite(here.value) and math.isfinite(here.bend)):
            return False
        promised = self.ready.total * here.other * here.other
        return promised <= max(_CLOSE * abs(here.bend), _CLOSE**2)

    @staticmethod
    def _rises(here: _Here) -> bool:
        """Tell whether more of the other is likelier; beyond numbers it never is."""
        return math.isfinite(here.value) and here.other > 0

    def _beyond(self, here: _Here) -> bool:
        """Tell whether hazards are beyond numbers, or nearly: Newton would take one unit a step.

        Both a lower z and a lower shape take them down.
        """
        if not (math.isfinite(here.value) and math.isfinite(here.bend)):
            return True
        return here.value < self.top - 100 and here.other < 0
