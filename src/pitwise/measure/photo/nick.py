"""Nicks: places where the edge is missing, found at a stated rate of false alarms.

A matched filter runs along the profile's residual for several widths at once. Its threshold is
set from the residual's own scatter and from how fast the filter's answer changes along the edge,
so that texture, which goes on over several sectors, counts as what it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]

_TO_SD = 1.4826
# Widths of the templates, px at half depth; wider ones in steps of √2.
_NARROWEST_PX = 2.5
_WIDEST_SHARE = 0.25
_LEAST_WIDTH = 1.6
# The shallowest nick reported, px, and how much deeper a wide one must be.
_LEAST_DEPTH_PX, _DEPTH_FOR_WIDTH = 0.55, 0.03
# Scatter of real edges has heavier tails than a Gaussian's: the threshold is set so much higher
# (rendered faces without a nick).
_HEAVY_TAILS = 1.3


@dataclass(frozen=True)
class Nick:
    """A nick in face pixels: where, how deep, how wide, its strength over the threshold."""

    angle: float
    depth: float
    width: float
    strength: float


def _template(width: float, step: float, count: int) -> Array:
    """Return a raised cosine of that full width at half depth, at the edge's own steps."""
    reach = min(math.ceil(width / step), count // 2 - 1)
    at = np.arange(-reach, reach + 1) * step
    return np.where(np.abs(at) < width, np.cos(math.pi * at / (2 * width)) ** 2, 0.0)


def _around(values: Array, kernel: Array) -> Array:
    reach = kernel.size // 2
    wrapped = np.concatenate([values[-reach:], values, values[:reach]])
    return np.convolve(wrapped, kernel[::-1], "valid")


def threshold(answer: Array, live: Flags, alarm: float, filters: int) -> tuple[float, float]:
    """Return the filter's standard deviation and the level that noise exceeds so seldom.

    Parameters
    ----------
    answer : (n,) array
        The filter's answer around the edge.
    live : (n,) array of bool
    alarm : float
        Chance of a false alarm anywhere around the edge, all filters together.
    filters : int

    Notes
    -----
    Rice's rate of upcrossings of a Gaussian process: n √λ₂ / 2π · exp(−z²/2), λ₂ being the
    variance of its slope over its own (Leadbetter, Lindgren & Rootzén 1983, from memory). The
    standard deviation is the median absolute one, which nicks hardly move, or that of the
    answer's inward half where it is larger.
    """
    own = answer[live]
    if own.size < 16:
        return math.inf, math.inf
    sd = _TO_SD * float(np.median(np.abs(own - np.median(own))))
    inward = -own[own < 0]
    if inward.size > 16:
        # Heavier tails than a Gaussian's show inward too, where there are no nicks.
        sd = max(sd, float(np.percentile(inward, 97)) / float(ndtri(0.985)))
    slope = (np.roll(answer, -1) - np.roll(answer, 1)) / 2
    near = live & np.roll(live, 1) & np.roll(live, -1)
    fast = _TO_SD * float(np.median(np.abs(slope[near]))) if near.any() else sd
    rate = max(fast / max(sd, 1e-12), 0.05)
    crossings = answer.size * rate / (2 * math.pi) * filters
    z = math.sqrt(2 * math.log(max(crossings / alarm, 1.5)))
    return sd, _HEAVY_TAILS * z * sd


def find_nicks(
    angle: Array,
    radius: Array,
    smooth: Array,
    masked: Flags,
    alarm: float,
    blur: float,
) -> list[Nick]:
    """Return nicks, the strongest first.

    Parameters
    ----------
    angle, radius, smooth : (n,) arrays
        The profile and its smooth part, face pixels, equally spaced.
    masked : (n,) array of bool
    alarm : float
        Chance of a false alarm around the whole edge.
    blur : float
        Blur of the picture (standard deviation, px), which makes a nick shallower and wider.
    """
    n = radius.size
    step = 2 * math.pi * float(np.mean(smooth)) / n
    residual = np.where(masked, 0.0, radius - smooth)
    live = ~masked
    widths: list[float] = []
    width = _NARROWEST_PX
    while width < _WIDEST_SHARE * n * step and len(widths) < 9:
        widths.append(width)
        width *= math.sqrt(2)
    strength = np.zeros(n)
    which = np.zeros(n, int)
    for k, wide in enumerate(widths):
        kernel = _template(wide, step, n)
        kernel = kernel / math.sqrt(float(np.sum(kernel**2)))
        answer = _around(residual, kernel)
        # Adjacent widths answer much alike: half of them count as filters of their own.
        _, level = threshold(answer, live, alarm, max(len(widths) // 2, 1))
        if not math.isfinite(level) or level <= 0:
            continue
        over = answer / level
        better = over > strength
        strength = np.where(better, over, strength)
        which = np.where(better, k, which)
    found: list[Nick] = []
    left = np.where(live, strength, 0.0)
    while len(found) < 24:
        k = int(np.argmax(left))
        if left[k] <= 1.0:
            break
        reach = max(math.ceil(1.5 * widths[which[k]] / step), 2)
        around = (np.arange(k - reach, k + reach + 1)) % n
        nick, seen = _measured(angle, residual, around, k, step, float(strength[k]), blur)
        # A wide nick answers to the narrow filters on its flanks as well.
        first = math.ceil((nick.width + 3.0) / step)
        mean = float(np.mean(smooth))
        # What is narrower than the blur lets a nick be is none.
        # Nor is what is shallow for its width: that is a wave.
        if (
            seen >= _LEAST_WIDTH * math.hypot(blur, 0.3)
            and nick.depth >= _LEAST_DEPTH_PX + _DEPTH_FOR_WIDTH * nick.width
            and all(
                abs((nick.angle - other.angle + math.pi) % (2 * math.pi) - math.pi) * mean
                > 0.5 * (nick.width + other.width) + 3.0
                for other in found
            )
        ):
            found.append(nick)
        clear = max(reach, first)
        left[(np.arange(k - clear, k + clear + 1)) % n] = 0.0
    return found


def _measured(
    angle: Array,
    residual: Array,
    around: NDArray[np.int64],
    k: int,
    step: float,
    strength: float,
    blur: float,
) -> tuple[Nick, float]:
    """Return a nick, and its width as the blurred picture shows it, px."""
    part = residual[around]
    middle = part.size // 2
    top = int(np.argmax(part))
    depth = float(np.mean(np.sort(part)[-2:])) if part.size > 4 else float(part.max())
    low = high = top
    while low > 0 and part[low - 1] > depth / 2:
        low -= 1
    while high < part.size - 1 and part[high + 1] > depth / 2:
        high += 1
    # Where the profile crosses half the depth, between sectors.
    width = (high - low) * step
    for inner, outer in ((low, low - 1), (high, high + 1)):
        if 0 <= outer < part.size:
            drop = float(part[inner] - part[outer])
            width += step * min(max((float(part[inner]) - depth / 2) / max(drop, 1e-9), 0), 1)
    # Blur along the edge widens it and takes off as much depth: the area stays.
    sharp = math.sqrt(max(width**2 - (2.355 * blur) ** 2, (0.5 * width) ** 2))
    deep = depth * width / sharp if width < 8 * blur else depth
    sharp = sharp if width < 8 * blur else width
    at = angle[(k + top - middle) % angle.size]
    return Nick(float(at), max(deep, 0.0), sharp, strength), width
