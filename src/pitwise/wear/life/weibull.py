"""Weibull distribution of lives by maximum likelihood."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from pitwise.wear.refusal import FitRefusedError

from .likelihood import Likelihood, Point
from .lives import Floats, Lives

_MOST_STEPS = 200
# A scale further off than this in its logarithm is no number that can be worked with.
_FAR = 600.0
_SOME = 2000
# Steps in units of z (a standard deviation of log life is 1.3) and of log shape.
_DONE, _SMALL, _LONGEST = 1e-13, 1e-6, 1.5
# Near enough to begin from.
_ROUGH = 1e-3


class NoEndError(FitRefusedError):
    """No life has ended: nothing says how long they last."""


class AllFoundFailedError(FitRefusedError):
    """Every life was found failed at its first look: nothing says how short they are."""


class OneLifeError(FitRefusedError):
    """One and the same life fits all: the likelihood rises for ever as the spread shrinks."""


class NoGrowthError(FitRefusedError):
    """Looks alone, and the early ones found more failed than the late ones."""


class NotConvergedError(FitRefusedError):
    """The search did not come to rest."""


@dataclass(frozen=True, eq=False)
class WeibullFit:
    """F(t) = 1 − exp(−(t / scale)^shape), fitted.

    Attributes
    ----------
    shape : float
        Below 1 early failures, 1 pure chance, above 1 wear.
    scale : float
        Life by which 63.2 % have ended, in the unit of the lives.
    loglik : float
        Densities for exact ends, probabilities for the others; in that unit.
    covariance : (2, 2) array
        Of (log scale, log shape): the inverse of the observed information.
    lives, ends : float
        How many, by count.
    steps : int
        Newton steps taken.
    slope : float
        What is left of the gradient: the largest component by (shape · log scale, log shape),
        for one life on average.
    """

    shape: float
    scale: float
    loglik: float
    covariance: Floats
    lives: float
    ends: float
    steps: int = 0
    slope: float = 0.0

    def survival(self, t: npt.ArrayLike) -> Floats:
        """Return the share that outlives t (0 or more, in the unit of life)."""
        with np.errstate(over="ignore", divide="ignore"):
            z = self.shape * (np.log(np.asarray(t, dtype=np.float64)) - math.log(self.scale))
            found: Floats = np.exp(-np.exp(z))
        return found

    def quantile(self, share: npt.ArrayLike) -> Floats:
        """Return the life by which a share (0 to 1) has ended: 0.1 gives B10."""
        with np.errstate(over="ignore", divide="ignore"):
            k = np.log(-np.log1p(-np.asarray(share, dtype=np.float64)))
            found: Floats = np.exp(math.log(self.scale) + k / self.shape)
        return found

    @property
    def mean(self) -> float:
        """Mean life; infinite where it is beyond any number."""
        with np.errstate(over="ignore"):
            return float(np.exp(math.log(self.scale) + float(gammaln(1 + 1 / self.shape))))


def fit_weibull(lives: Lives) -> WeibullFit:
    """Fit shape and scale by Newton's method on (log scale, log shape).

    The maximum, where there is one, is the only one (see `likelihood`). There is one unless no
    life ended, all were found failed at their first look, one and the same life would fit all,
    or there are looks alone and the mean log life of those found failed is not above that of
    those found running. These four are looked for first.

    Parameters
    ----------
    lives : Lives

    Raises
    ------
    NoEndError, AllFoundFailedError, OneLifeError, NoGrowthError
        There is no maximum.
    NotConvergedError
        The search did not come to rest, or only where there are no more numbers.

    References
    ----------
    W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data (1998), ch. 8 and 11.
    """
    refuse_without_maximum(lives)
    ready = Likelihood.of(lives)
    log_scale, log_shape, point, steps = _climb(ready, *_begin(lives, ready))
    shape = math.exp(log_shape)
    scale = ready.unit * float(np.exp(np.clip(log_scale, -_FAR, _FAR)))
    if not (math.isfinite(scale) and scale > 0 and abs(log_scale) < _FAR):
        raise NotConvergedError(
            "the scale of the lives is beyond any number", "wait for more lives that have ended"
        )
    return WeibullFit(
        shape=shape,
        scale=scale,
        loglik=full_loglik(ready, point),
        covariance=_covariance(point, shape, ready.total),
        lives=ready.total,
        ends=lives.ends,
        steps=steps,
        slope=max(abs(point.shift), abs(point.stretch)),
    )


def full_loglik(ready: Likelihood, point: Point) -> float:
    """Return the log-likelihood of all lives, in their unit."""
    return ready.total * (point.value - ready.log_sum)


def refuse_without_maximum(lives: Lives) -> None:
    """Raise where the likelihood has no maximum inside; `fit_weibull` says when."""
    low, high, running = lives.lower, lives.upper, lives.running
    if running.all():
        raise NoEndError("no life has ended yet", "wait until some have")
    if not (low > 0).any():
        raise AllFoundFailedError(
            "every part was found failed at its first look", "look earlier, or more often"
        )
    if float(low.max()) <= float(high.min()):
        raise OneLifeError(
            f"one life, {float(low.max()):g}, would fit them all, so their spread can't be told",
            "wait for lives that differ",
        )
    seen_twice = lives.exact | ((low > 0) & ~running)
    if not seen_twice.any():
        failed, alive = ~running, running & (low > 0)
        late = float(np.average(np.log(high[failed]), weights=lives.count[failed]))
        early = float(np.average(np.log(low[alive]), weights=lives.count[alive]))
        if late <= early:
            raise NoGrowthError(
                "parts were found failed at earlier looks than others were found running",
                "look at parts more than once, so that both ends of a life are known",
            )


def _begin(lives: Lives, ready: Likelihood) -> tuple[float, float]:
    """Return where to begin: of very many lives, at the fit of some of them."""
    every = lives.count.size // _SOME
    if every > 24:
        some = Lives(lives.lower[::every], lives.upper[::every], lives.count[::every])
        try:
            refuse_without_maximum(some)
            fewer = Likelihood.of(some)
            log_scale, log_shape, *_ = _climb(fewer, *_start(fewer), _ROUGH)
        except FitRefusedError:
            return _start(ready)
        return log_scale + math.log(fewer.unit / ready.unit), log_shape
    return _start(ready)


def _start(ready: Likelihood) -> tuple[float, float]:
    """Return (log scale, log shape) from the spread of the ends, placed at their middles."""
    middle = ready.low_y + 0.5 * ready.gap
    ended = float(ready.left_w.sum()) + float(ready.between_w.sum())
    ended += ready.ended * ready.total
    y = np.concatenate([ready.hazard_y, ready.left_y, middle])
    w = np.concatenate([ready.hazard_w, ready.left_w, ready.between_w])
    mean = float(np.average(y, weights=w))
    spread = math.sqrt(float(np.average((y - mean) ** 2, weights=w)))
    if not spread > 0:
        # All middles alike: the bounds differ, or there would be no maximum.
        ends = np.concatenate([y, ready.low_y, ready.high_y])
        spread = float(np.ptp(ends))
    shape = math.pi / math.sqrt(6) / spread
    # For this shape, what the hazards would have to add up to.
    z = shape * y
    top = float(z.max())
    log_scale = (top + math.log(float(w @ np.exp(z - top)) / ended)) / shape
    return log_scale, math.log(shape)


def _climb(
    ready: Likelihood, log_scale: float, log_shape: float, done: float = _DONE
) -> tuple[float, float, Point, int]:
    """Go up by Newton steps until they no longer shrink; returns place, point, steps."""
    here = ready.at(log_scale, log_shape)
    last = math.inf
    for count in range(1, _MOST_STEPS + 1):
        shift, stretch = _step(here)
        size = max(abs(shift), abs(stretch))
        if not math.isfinite(size):
            break
        if size < done:
            return log_scale, log_shape, here, count
        at_rest = size < _SMALL and size > 0.5 * last
        last = size
        step = min(1.0, _LONGEST / abs(stretch)) if stretch else 1.0
        # Below this the value is mere rounding, and Newton's step is better than any comparison.
        sure = size < 1e-3
        for _ in range(60):
            place = (
                log_scale - step * shift * math.exp(-log_shape),
                log_shape + step * stretch,
            )
            there = ready.at(*place)
            if sure or there.value >= here.value - 1e-14 * abs(here.value):
                break
            step *= 0.3
        else:
            break
        (log_scale, log_shape), here = place, there
        if at_rest:
            return log_scale, log_shape, here, count
    raise NotConvergedError("the search for shape and scale did not come to rest", "check the file")


def _step(point: Point) -> tuple[float, float]:
    """Newton's step by (−shape · log scale, log shape); on the concave plane where that fails."""
    for a, b, c in (point.log_curve, point.curve):
        determinant = a * c - b * b
        if a < 0 and c < 0 and determinant > 0:
            break
    if not determinant > 0:
        # Counts so far apart that the lives of little weight bend nothing that a number shows.
        return math.nan, math.nan
    shift = -(c * point.shift - b * point.stretch) / determinant
    stretch = -(a * point.stretch - b * point.shift) / determinant
    return shift, stretch


def _covariance(point: Point, shape: float, total: float) -> Floats:
    """Return the covariance of (log scale, log shape) at the maximum."""
    a, b, c = point.log_curve
    determinant = (a * c - b * b) * total
    return np.array(
        [
            [-c / determinant / shape**2, -b / determinant / shape],
            [-b / determinant / shape, -a / determinant],
        ]
    )
