"""A lit ledge under a Gaussian blur: what a bore's wall adds just inside of an edge."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Array = NDArray[np.float64]

_ROOT_2PI = math.sqrt(2 * math.pi)
# Share of its light that the wall loses down to its far end (common practice, no source: light
# falls off down a bore; the exact law hardly matters where the ring is narrow).
DECAY = 0.6


def shelf(t: Array, width: Array, sigma: float) -> tuple[Array, Array, Array, Array]:
    """Return a blurred shelf from −width to 0, and its derivatives by t, σ and the width.

    Its height is 1 at 0 and falls straight to 1 − `DECAY` at −width.
    """
    w = np.maximum(width, 1e-3)
    x = t + w
    f0, f1 = ndtr(t / sigma), ndtr(x / sigma)
    p0 = np.exp(-0.5 * np.minimum((t / sigma) ** 2, 60.0)) / (_ROOT_2PI * sigma)
    p1 = np.exp(-0.5 * np.minimum((x / sigma) ** 2, 60.0)) / (_ROOT_2PI * sigma)
    q0, q1 = t * f0 + sigma**2 * p0, x * f1 + sigma**2 * p1
    c = DECAY
    value = (1 - c) * f1 - f0 + c / w * (q1 - q0)
    by_t = (1 - c) * p1 - p0 + c / w * (f1 - f0)
    by_sigma = -(1 - c) * x / sigma * p1 + t / sigma * p0 + c / w * sigma * (p1 - p0)
    by_width = (1 - c) * p1 + c / w * f1 - c / w**2 * (q1 - q0)
    return value, by_t, by_sigma, by_width
