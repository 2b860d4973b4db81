"""The ratio of two change rates out of the sets' own lives, which scatter less than by chance.

Lives of a shape k (Weibull) to the power k are exponential: on that scale the exact interval of
two Poisson rates holds, sets still running counting with what they have run. How regular the
lives are is not known of a handful: the interval is averaged over k, each weighed by its prior
and by how well it fits the lives of both sides.

References
----------
.. [1] W. Q. Meeker, L. A. Escobar, Statistical Methods for Reliability Data, Wiley 1998,
   chapter 8 (from memory): Weibull lives with a shape given are exponential once raised to it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betainc, gammaln

Floats = npt.NDArray[np.float64]

# Electrode lives are more regular than chance (shape 1), about how much is open: the shape's
# prior is log-normal around 1.5, a factor of 1.65 either way (our own choice, no source).
_SHAPE, _LOG_SD = 1.5, 0.5
_SHAPES: Floats = np.exp(np.linspace(math.log(0.3), math.log(15.0), 80))
# An end with no start on record still had to come about.
_LEAST_LIFE = 1.0
_WIDEST = 60.0
_HALVINGS = 50


@dataclass(frozen=True, eq=False)
class Lives:
    """What the lives of both sides say, at each shape.

    Attributes
    ----------
    ended : tuple of int
        Sets that came to their end, before and after.
    log_worn : tuple of (shapes,) array
        Logarithm of the sums of lives to the power of the shape, before and after.
    weight : (shapes,) array
        Probability of each shape.
    """

    ended: tuple[int, int]
    log_worn: tuple[Floats, Floats]
    weight: Floats

    @property
    def shape(self) -> float:
        """The mean of the shape's logarithm, as a shape."""
        return math.exp(float(self.weight @ np.log(_SHAPES)))

    def quantile(self, more: tuple[float, float], share: float) -> float:
        """Return a point of the ratio of change rates, after over before.

        Parameters
        ----------
        more : (float, float)
            Added to the changes after and before: (0, 1) for a lower limit, (1, 0) for an upper
            one (the ends of Clopper and Pearson's interval), halves for the middle.
        share : float
            In (0, 1).
        """
        a, b = self.ended[1] + more[0], self.ended[0] + more[1]
        low, high = -_WIDEST, _WIDEST
        for _ in range(_HALVINGS):
            at = (low + high) / 2
            logit = np.clip(at * _SHAPES + self.log_worn[1] - self.log_worn[0], -700, 700)
            below = float(self.weight @ betainc(a, b, 1 / (1 + np.exp(-logit))))
            low, high = (at, high) if below < share else (low, at)
        return math.exp((low + high) / 2)


def lives_of(
    ended: tuple[Sequence[float], Sequence[float]],
    running: tuple[Sequence[float], Sequence[float]],
) -> Lives:
    """Weigh the shapes by the lives of both sides, before and after.

    Parameters
    ----------
    ended, running : two sequences of float
        Starts of sets that came to their end, and of those that did not (yet); some starts on
        each side.
    """
    unit = max([_LEAST_LIFE, *ended[0], *ended[1], *running[0], *running[1]])
    log_worn: list[Floats] = []
    log_fit = -0.5 * ((np.log(_SHAPES) - math.log(_SHAPE)) / _LOG_SD) ** 2
    for gone, on in zip(ended, running, strict=True):
        mine = np.log(np.maximum(np.array([*gone, *on], dtype=float), _LEAST_LIFE) / unit)
        log_worn.append(np.logaddexp.reduce(np.outer(_SHAPES, mine), axis=1))
        own = mine[: len(gone)]
        if len(own):
            # Flat in the logarithm of the side's own usual life.
            log_fit = log_fit + len(own) * np.log(_SHAPES) + (_SHAPES - 1) * own.sum()
            log_fit += gammaln(len(own)) - len(own) * log_worn[-1]
    weight = np.exp(log_fit - log_fit.max())
    return Lives((len(ended[0]), len(ended[1])), (log_worn[0], log_worn[1]), weight / weight.sum())
