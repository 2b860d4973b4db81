"""Log-likelihood of Weibull lives with its derivatives, stable in both tails.

With log H = z = shape · (log t − log scale) the log-likelihood is concave in the plane on
which z is linear, so it has one maximum or none: every life's term is the logarithm of the
probability that a log-concave density gives to a convex set (Prékopa).
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from .lives import Bools, Floats, Lives

_T = TypeVar("_T", bound=np.generic)

# exp of less is 0.
_DEEP = 745.0
# Less is its own 1 − e^−x, and soon no number at all.
_TINY = 1e-290
_BLOCK = 8192
# The middle of so many ends is a good enough unit.
_SOME = 1024
# Within e^−40 to e^6 nothing of an interval over- or underflows or cancels.
_LEAST, _MOST = -40.0, 6.0
_OWN = threading.local()


@dataclass(frozen=True)
class Point:
    """Log-likelihood of one life on average, and its derivatives at one place.

    Attributes
    ----------
    value : float
        Without the Σ log t of exact ends, which depends on the unit alone.
    shift, stretch : float
        First derivatives along z → z + d and z → (1 + d)·z; the second is d log shape, the
        first −shape · d log scale.
    curve : (float, float, float)
        Second derivatives on the plane where z is linear: shift-shift, shift-stretch,
        stretch-stretch. Never a positive one.
    """

    value: float
    shift: float
    stretch: float
    curve: tuple[float, float, float]

    @property
    def log_curve(self) -> tuple[float, float, float]:
        """Second derivatives in (−shape · log scale, log shape)."""
        a, b, c = self.curve
        return a, b + self.shift, c + self.stretch


@dataclass(frozen=True, eq=False)
class Likelihood:
    """Lives made ready: logarithms of life over `unit`.

    Attributes
    ----------
    unit : float
        A life in the middle of the ends; what `log scale` is reckoned from.
    total : float
        Lives by count.
    ended, ended_log, log_sum : float
        Share of exact ends, their weighted sum of y, and of log t, as shares of `total`.
    hazard_y, hazard_w : (k,) array
        y and count of exact and running lives, which all enter by −H.
    left_y, left_w : (k,) array
        Found failed.
    low_y, high_y, gap, between_w : (k,) array
        Between two looks; `gap` is the difference of the logarithms, exact where narrow.
    high : (k,) array
        The later look itself.
    reach : (float, float, float, float) or None
        Least `low_y`, largest `high_y`, least and largest `gap`; None without such lives.
    """

    unit: float
    total: float
    ended: float
    ended_log: float
    log_sum: float
    hazard_y: Floats
    hazard_w: Floats
    left_y: Floats
    left_w: Floats
    low_y: Floats
    gap: Floats
    between_w: Floats
    high: Floats
    reach: tuple[float, float, float, float] | None

    @classmethod
    def of(cls, lives: Lives) -> Likelihood:
        """Take the logarithms of lives of which at least one ended."""
        low, high, count = lives.lower, lives.upper, lives.count
        total = lives.total
        exact, running = lives.exact, lives.running
        # A life that still runs at zero tells nothing.
        known = low > 0
        hazard = (exact | running) & known
        left = ~(known | running)
        between = known & ~hazard
        unit = _middle(high, running)
        hazard_y, hazard_w = log_ratio(_chosen(low, hazard), unit), _chosen(count, hazard)
        ended, ended_log = _exact_sums(_chosen(exact, hazard), hazard_w, hazard_y)
        ended, ended_log = ended / total, ended_log / total
        between_low, between_high = _chosen(low, between), _chosen(high, between)
        low_y, gap = log_ratio(between_low, unit), _log_gap(between_low, between_high)
        reach = None
        if gap.size:
            latest = math.log(float(between_high.max()) / unit)
            reach = float(low_y.min()), latest, float(gap.min()), float(gap.max())
        return cls(
            unit=unit,
            total=total,
            ended=ended,
            ended_log=ended_log,
            log_sum=ended_log + ended * math.log(unit),
            hazard_y=hazard_y,
            hazard_w=hazard_w,
            left_y=log_ratio(_chosen(high, left), unit),
            left_w=_chosen(count, left),
            low_y=low_y,
            gap=gap,
            between_w=_chosen(count, between),
            high=between_high,
            reach=reach,
        )

    @cached_property
    def high_y(self) -> Floats:
        """y of the later looks."""
        return log_ratio(self.high, self.unit)

    def _within(self, log_scale: float, shape: float) -> bool:
        """Tell whether all intervals are where `_plain_sums` is exact."""
        if self.reach is None:
            return False
        least, most, narrow, wide = self.reach
        lowest, highest = shape * (least - log_scale), shape * (most - log_scale)
        return (
            lowest > _LEAST
            and highest < _MOST
            and shape * narrow > math.exp(_LEAST)
            and shape * wide < -_LEAST
        )

    def at(self, log_scale: float, log_shape: float) -> Point:
        """Return value and derivatives; `log_scale` counted from `unit`."""
        with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
            shape = float(np.exp(log_shape))
            own = shape * (self.ended_log - log_scale * self.ended)
            first = (self.ended * log_shape + own, self.ended, self.ended + own)
            sums = np.zeros(6)
            room = _room()
            for k in _blocks(self.hazard_w.size):
                sums += _hazard_sums(self.hazard_y[k], self.hazard_w[k], log_scale, shape, room)
            for k in _blocks(self.left_w.size):
                z = shape * (self.left_y[k] - log_scale)
                sums += _left_sums(z, self.left_w[k])
            plain = self._within(log_scale, shape)
            for k in _blocks(self.between_w.size):
                low_y, gap, w = self.low_y[k], self.gap[k], self.between_w[k]
                if plain:
                    sums += _plain_sums(low_y, gap, w, log_scale, shape, room)
                else:
                    low, high = shape * (low_y - log_scale), shape * (self.high_y[k] - log_scale)
                    sums += _between_sums(low, high, shape * gap, w)
            sums /= self.total
            sums[:3] += first
            sums[5] -= self.ended
        value, shift, stretch, a, b, c = sums.tolist()
        return Point(value, shift, stretch, (a, b, c))


def _chosen(values: npt.NDArray[_T], which: Bools) -> npt.NDArray[_T]:
    """Return the chosen values, without a copy where that is all of them."""
    return values if which.all() else values[which]


def _exact_sums(exact: Bools, w: Floats, y: Floats) -> tuple[float, float]:
    """Return the sums of w and of w·y where an end is exact."""
    weight = log = 0.0
    for k in _blocks(exact.size):
        own = np.where(exact[k], w[k], 0.0)
        weight += float(own.sum())
        log += float(own @ y[k])
    return weight, log


def _middle(high: Floats, running: Bools) -> float:
    """Return a life in the middle of the ends: of some of them where they are many."""
    every = max(high.size // _SOME, 1)
    ends = high[::every][~running[::every]]
    if not ends.size:
        ends = high[~running]
    return float(np.partition(ends, ends.size // 2)[ends.size // 2])


def _room() -> Floats:
    """Return this thread's place to work in: fresh memory would take as long as the sums."""
    room: Floats | None = getattr(_OWN, "room", None)
    if room is None:
        room = _OWN.room = np.empty((8, _BLOCK))
    return room


def _blocks(size: int) -> Iterator[slice]:
    """Yield stretches that stay in the processor's cache with all that is reckoned from them."""
    for start in range(0, size, _BLOCK):
        yield slice(start, start + _BLOCK)


_Sums = tuple[float, float, float, float, float, float]


def _hazard_sums(y: Floats, w: Floats, log_scale: float, shape: float, room: Floats) -> _Sums:
    """Return value and derivatives of −H."""
    z, h, hz = room[:3, : y.size]
    np.subtract(y, log_scale, out=z)
    z *= shape
    np.exp(z, out=h)
    h *= w
    np.multiply(h, z, out=hz)
    s0, s1, s2 = float(h.sum()), float(hz.sum()), float(hz @ z)
    return -s0, -s0, -s1, -s0, -s1, -s2


def _left_sums(z: Floats, w: Floats) -> _Sums:
    """Return value and derivatives of log(1 − e^−H)."""
    log_p, r, rr = _log_failed(np.exp(z), z, None)
    r, rr = w * r, w * rr
    rz = rr * z
    return (
        float(w @ log_p),
        float(r.sum()),
        float(r @ z),
        float(rr.sum()),
        float(rz.sum()),
        float(rz @ z),
    )


def _between_sums(low: Floats, high: Floats, x: Floats, w: Floats) -> _Sums:
    """Return value and derivatives of log(e^−H(low) − e^−H(high)), x = high − low.

    With D = H(high) − H(low) it is −H(low) + log(1 − e^−D); log D = high + log(1 − e^−x) moves
    by one with the shift and by `turn` with the stretch.
    """
    widen = -np.expm1(-x)
    log_p, r, rr = _log_failed(np.exp(high) * widen, high, widen)
    rx = _ratio(x, widen)
    turn = high + rx
    h = w * np.exp(low)
    r, rr = w * r, w * rr
    hl, rt = h * low, rr * turn
    s0, s1 = float(h.sum()), float(hl.sum())
    return (
        float(w @ log_p) - s0,
        float(r.sum()) - s0,
        float(r @ turn) - s1,
        float(rr.sum()) - s0,
        float(rt.sum()) - s1,
        float(rt @ turn) - float(hl @ low) - float(r @ (rx * (x + rx))),
    )


def interval_slopes(high: Floats, x: Floats) -> Floats:
    """Return (n, 2) slopes of log(1 − e^−D) by shift and stretch, one life at a time.

    Parameters
    ----------
    high, x : (n,) array
        z at the later look, and how far it lies above that of the earlier one; infinite: nobody
        looked before.
    """
    widen = -np.expm1(-x)
    r = _log_failed(np.exp(high) * widen, high, widen)[1]
    return np.column_stack([r, r * (high + _ratio(x, widen))])


def _plain_sums(
    low_y: Floats, gap: Floats, weight: Floats, log_scale: float, shape: float, room: Floats
) -> _Sums:
    """Return what `_between_sums` does, in half the time, where no number is near its end.

    With v = e^D − 1 it is log(v) − H(high), and D = H(low)·(e^x − 1).
    """
    low, x, h, rx, d, turn, v, w = room[:, : gap.size]
    w[:] = weight
    np.subtract(low_y, log_scale, out=low)
    low *= shape
    np.multiply(gap, shape, out=x)
    np.exp(low, out=h)
    np.expm1(x, out=rx)
    np.multiply(h, rx, out=d)
    np.divide(x, rx, out=rx)
    np.add(low, x, out=turn)
    turn += rx
    # What the stretch bends: rx·(x + rx).
    x += rx
    x *= rx
    np.expm1(d, out=v)
    r = np.divide(d, v, out=rx)
    np.log(v, out=v)
    s0 = float(w @ h)
    value = float(w @ v) - float(w @ d) - s0
    bend = np.subtract(1.0, d, out=v)
    bend -= r
    if d.min() < 1e-5:
        near = d < 1e-5
        bend[near] = -0.5 * d[near]
    shift = float(w @ r) - s0
    r *= w
    h *= w
    s1, stretch = float(h @ low), float(r @ turn)
    h *= low
    a, c = float(r @ bend), -float(h @ low) - float(r @ x)
    bend *= r
    b = float(bend @ turn)
    bend *= turn
    return value, shift, stretch - s1, a - s0, b - s1, c + float(bend @ turn)


def log_ratio(t: Floats, unit: float) -> Floats:
    """Return log(t / unit), to full relative precision where the two are close."""
    found = np.empty_like(t)
    for k in _blocks(t.size):
        over = t[k] / unit
        part = np.log(over)
        near = np.abs(over - 1) < 0.1
        if near.any():
            part[near] = np.log1p((t[k][near] - unit) / unit)
        found[k] = part
    return found


def _log_gap(low: Floats, high: Floats) -> Floats:
    """Return log(high / low), to full relative precision."""
    found = np.empty_like(low)
    for k in _blocks(low.size):
        found[k] = np.log1p((high[k] - low[k]) / low[k])
    return found


def _ratio(x: Floats, failed: Floats) -> Floats:
    """Return x / (e^x − 1), 1 at 0; `failed` is 1 − e^−x."""
    found: Floats = np.minimum(x, _DEEP) * (1 - failed) / failed
    if x.min() < _TINY:
        found[x < _TINY] = 1.0
    return found


def _log_failed(d: Floats, z: Floats, widen: Floats | None) -> tuple[Floats, Floats, Floats]:
    """Return log(1 − e^−d) and its first and second derivative by log d = z + log(widen)."""
    d = np.minimum(d, _DEEP)
    failed = -np.expm1(-d)
    log_p: Floats = np.log(failed)
    r: Floats = d * (1 - failed) / failed
    bend = 1 - d - r
    if d.min() < 1e-3:
        # That cancels where d is small: its series there.
        near = d < 1e-3
        bend[near] = -d[near] * (0.5 + d[near] * (1 / 12 - d[near] ** 2 / 720))
        tiny = d < _TINY
        r[tiny] = 1.0
        log_p[tiny] = z[tiny] if widen is None else z[tiny] + np.log(widen[tiny])
    return log_p, r, r * bend
