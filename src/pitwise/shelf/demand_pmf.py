"""How many pieces will be asked for: the probabilities of 0, 1, 2, … pieces."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

from .refusal import (
    BadPmfError,
    OutOfRangeError,
    TooLargeError,
    above_zero,
    whole,
    zero_or_more,
)

Floats = npt.NDArray[np.float64]

MOST_PIECES = 4_000_000
# Probabilities given by hand may be off one by so much in all; they are scaled.
_OFF_ONE = 1e-6
# A share and a cumulated probability this close are the same: sums of doubles differ by it.
_SAME = 1e-12
# Smaller than this beside the likeliest, or in all the tail, nothing is kept.
_NEGLIGIBLE = 1e-40
_TAIL = 1e-18
# Up to so many products a convolution is summed directly, which keeps small tails exact.
_DIRECT = 50_000_000


@dataclass(frozen=True, eq=False)
class Pmf:
    """Probabilities of 0, 1, 2, … pieces asked for in some time.

    Parameters
    ----------
    p : (n,) array-like
        p[k] is the probability of k pieces; finite, none below zero, together one (to 1e-6;
        scaled to one). Kept read-only, without trailing zeros.

    Raises
    ------
    BadPmfError
        No probabilities.
    TooLargeError
        More than four million.
    """

    p: Floats

    def __post_init__(self) -> None:
        """Refuse what are no probabilities; scale them to one."""
        p = np.array(self.p, dtype=float)
        if p.ndim != 1 or p.size == 0:
            raise BadPmfError("pmf", "is no row of probabilities", "give one for 0, 1, 2 … pieces")
        if p.size > MOST_PIECES:
            raise _too_large(p.size)
        bad = np.flatnonzero(~np.isfinite(p) | (p < 0))
        if bad.size:
            k = int(bad[0])
            raise BadPmfError(
                "pmf", f"the probability of {k} pieces is {p[k]:g}", "give numbers from 0 to 1"
            )
        total = float(p.sum())
        if abs(total - 1) > _OFF_ONE:
            raise BadPmfError(
                "pmf", f"the probabilities add up to {total:.7g}", "make them add up to 1"
            )
        p = p[: int(np.flatnonzero(p)[-1]) + 1] / total
        p.setflags(write=False)
        object.__setattr__(self, "p", p)

    # Ways to make one.

    @classmethod
    def fixed(cls, pieces: int) -> Pmf:
        """Return a demand that is known: `pieces` ≥ 0, always."""
        pieces = whole(pieces, "pieces", 0)
        if pieces >= MOST_PIECES:
            raise _too_large(pieces)
        p = np.zeros(pieces + 1)
        p[-1] = 1.0
        return cls(p)

    @classmethod
    def poisson(cls, mean: float) -> Pmf:
        """Return a Poisson demand of mean ≥ 0: single calls, each for itself."""
        mean = zero_or_more(mean, "mean")
        if mean == 0:
            return cls.fixed(0)
        n = int(min(mean + 14 * math.sqrt(mean) + 60, MOST_PIECES + 1.0))
        return cls._by_ratio(np.arange(1, n), mean, 0.0)

    @classmethod
    def gamma_poisson(cls, mean: float, variance: float) -> Pmf:
        """Return a Poisson demand whose own mean is gamma distributed (negative binomial).

        Parameters
        ----------
        mean : float
            > 0.
        variance : float
            ≥ mean; the same as the mean: plain Poisson.

        Notes
        -----
        p(k)/p(k−1) = (a + k − 1)(1 − q)/k with q = mean/variance, a = mean·q/(1 − q).
        """
        mean = above_zero(mean, "mean")
        if not (math.isfinite(variance) and variance >= mean):
            raise OutOfRangeError(
                "variance",
                f"{variance:g} is below the mean {mean:g}",
                "a mixture of Poisson demands scatters more than Poisson: give at least the mean",
            )
        q = mean / variance
        if 1 - q < 1e-9:
            return cls.poisson(mean)
        a = mean * q / (1 - q)
        # Far out it falls like (1 − q)^k; the body lies within some deviations of the mean.
        far = mean + 14 * math.sqrt(variance) - 140 / math.log1p(-q) + 60
        return cls._by_ratio(np.arange(1, int(min(far, MOST_PIECES + 1.0))), a - 1, 1.0, 1 - q)

    @classmethod
    def _by_ratio(cls, k: npt.NDArray[np.int64], shift: float, slope: float, by: float = 1) -> Pmf:
        """Make it from p(k)/p(k−1) = (shift + slope·k)·by/k: accurate far out in both tails."""
        if k.size >= MOST_PIECES:
            raise _too_large(k.size)
        ratio = np.maximum((shift + slope * k) * by / k, 0.0)
        # Unimodal: the ratios fall through one once, or start below it.
        over = np.flatnonzero(ratio > 1)
        peak = int(over[-1]) + 1 if over.size else 0
        up = np.cumprod(ratio[peak:])
        down = np.cumprod(1 / ratio[:peak][::-1])[::-1]
        p = np.concatenate([down, [1.0], up])
        p[p < _NEGLIGIBLE] = 0.0
        return cls(p / p.sum())

    @classmethod
    def of_samples(cls, pieces: npt.ArrayLike) -> Pmf:
        """Return the frequencies of seen or simulated numbers of pieces, each ≥ 0."""
        seen = np.asarray(pieces)
        if seen.size == 0:
            raise BadPmfError("pieces", "nothing was seen", "give one number or more")
        if seen.dtype.kind not in "iu" and not np.all(seen == np.floor(seen)):
            raise OutOfRangeError("pieces", "some are no whole numbers", "give whole pieces")
        if seen.min() < 0:
            raise OutOfRangeError("pieces", f"{seen.min()} is below zero", "give zero or more")
        if seen.max() >= MOST_PIECES:
            raise _too_large(int(seen.max()))
        counts = np.bincount(seen.astype(np.int64).ravel())
        return cls(counts / seen.size)

    # What it says.

    @cached_property
    def below(self) -> Floats:
        """P(D ≤ k), k = 0 … n−1."""
        return np.minimum(np.cumsum(self.p), 1.0)

    @cached_property
    def above(self) -> Floats:
        """P(D > k), k = 0 … n−1; summed from the far end, so that small tails are exact."""
        return np.append(np.cumsum(self.p[:0:-1])[::-1], 0.0)

    @cached_property
    def mean(self) -> float:
        """Mean pieces."""
        return float(self.above.sum())

    @cached_property
    def variance(self) -> float:
        """Variance, pieces²."""
        return float(((np.arange(self.p.size) - self.mean) ** 2) @ self.p)

    @property
    def sd(self) -> float:
        """Standard deviation, pieces."""
        return math.sqrt(self.variance)

    @property
    def largest(self) -> int:
        """Most pieces that have any probability."""
        return self.p.size - 1

    def cdf(self, k: npt.ArrayLike) -> Floats:
        """Return P(D ≤ k) for whole k, negative ones too."""
        at = np.asarray(k, dtype=np.int64)
        inside = self.below[np.clip(at, 0, self.largest)]
        return np.where(at < 0, 0.0, np.where(at >= self.largest, 1.0, inside))

    def tail(self, k: npt.ArrayLike) -> Floats:
        """Return P(D > k) for whole k, negative ones too."""
        at = np.asarray(k, dtype=np.int64)
        return np.where(at < 0, 1.0, self.above[np.clip(at, 0, self.largest)])

    def short(self, y: npt.ArrayLike) -> Floats:
        """Return E(D − y)⁺, the mean pieces asked for beyond y (loss function), whole y."""
        at = np.asarray(y, dtype=np.int64)
        inside = self._short[np.clip(at, 0, self.largest)]
        return np.where(at < 0, self.mean - at, inside)

    def left(self, y: npt.ArrayLike) -> Floats:
        """Return E(y − D)⁺, the mean pieces left of y, whole y."""
        at = np.asarray(y, dtype=np.int64)
        inside = self._left[np.clip(at, 0, self.largest)]
        return np.where(at > self.largest, at - self.mean, inside)

    @cached_property
    def _short(self) -> Floats:
        # E(D − y)⁺ = Σ over k ≥ y of P(D > k).
        return np.cumsum(self.above[::-1])[::-1]

    @cached_property
    def _left(self) -> Floats:
        # E(y − D)⁺ = Σ over k < y of P(D ≤ k).
        return np.concatenate([[0.0], np.cumsum(self.below[:-1])])

    def quantile(self, share: float) -> int:
        """Return the least k with P(D ≤ k) ≥ share; share in [0, 1]."""
        if not 0 <= share <= 1:
            raise OutOfRangeError("share", f"{share:g} is no share", "give a number from 0 to 1")
        return self.least(share, 1 - share)

    def least(self, share: float, rest: float) -> int:
        """Return the least k with P(D ≤ k) ≥ share, where `rest` = 1 − share, given apart.

        A share close to one is told by its rest without rounding.
        """
        if share <= 0.5:
            return int(np.searchsorted(self.below, share * (1 - _SAME)))
        return int(np.searchsorted(-self.above, -rest * (1 + _SAME)))

    # Putting together.

    def plus(self, other: Pmf) -> Pmf:
        """Return the demand of two that don't bear on each other, together."""
        size = self.p.size + other.p.size - 1
        if size > MOST_PIECES:
            raise _too_large(size)
        if self.p.size * other.p.size <= _DIRECT:
            p = np.convolve(self.p, other.p)
        else:
            n = 1 << (size - 1).bit_length()
            both = np.fft.rfft(self.p, n) * np.fft.rfft(other.p, n)
            p = np.maximum(np.fft.irfft(both, n)[:size], 0.0)
        return Pmf(p)

    def times(self, n: int) -> Pmf:
        """Return the demand of n ≥ 0 such times that don't bear on each other."""
        n = whole(n, "times", 0)
        out, square = Pmf.fixed(0), self
        while n:
            if n & 1:
                out = out.plus(square).trimmed()
            n >>= 1
            if n:
                square = square.plus(square).trimmed()
        return out

    def over(self, periods: Pmf) -> Pmf:
        """Return the demand over an uncertain number of periods, each with this demand.

        Σ_l P(l periods) · (this demand l times), by Horner's rule. The number of periods does
        not bear on the demand.
        """
        out = np.array([periods.p[-1]])
        for weight in periods.p[-2::-1]:
            if out.size + self.p.size - 1 > MOST_PIECES:
                raise _too_large(out.size + self.p.size - 1)
            out = np.convolve(out, self.p)
            out[0] += weight
            kept = np.flatnonzero(np.cumsum(out[::-1])[::-1] > _TAIL * _TAIL)
            out = out[: int(kept[-1]) + 1] if kept.size else out[:1]
        return Pmf(out)

    def trimmed(self) -> Pmf:
        """Return it without the far tail that weighs less than 1e-18 in all."""
        n = int(np.searchsorted(-self.above, -_TAIL)) + 1
        return self if n >= self.p.size else Pmf(self.p[:n])

    def sample(
        self, rng: np.random.Generator, size: int | tuple[int, ...]
    ) -> npt.NDArray[np.int64]:
        """Draw numbers of pieces."""
        drawn = np.searchsorted(self.below, rng.random(size), side="right")
        return np.minimum(drawn, self.largest).astype(np.int64)


def _too_large(n: int) -> TooLargeError:
    return TooLargeError(
        "pmf",
        f"{n:,} pieces or more are too many to reckon one by one",
        "count in packs or boxes instead of pieces",
    )
