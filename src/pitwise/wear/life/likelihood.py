"""Log-likelihood of Weibull lives with its derivatives, stable in both tails.

With log H = z = shape · (log t − log scale) the log-likelihood is concave in the plane on
which z is linear, so it has one maximum or none: every life's term is the logarithm of the
probability that a log-concave density gives to a convex set (Prékopa).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from .lives import Floats, Lives

# exp of less is 0.
_DEEP = 745.0
# Less is its own 1 − e^−x, and soon no number at all.
_TINY = 1e-290
_BLOCK = 8192


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
    """Lives made ready: logarithms of life over `unit`, counts as shares of the whole.

    Attributes
    ----------
    unit : float
        A life in the middle of the ends; what `log scale` is reckoned from.
    total : float
        Lives by count.
    ended, ended_log, log_sum : float
        Share of exact ends, their weighted sum of y, and of log t.
    hazard_y, hazard_w : (k,) array
        y and share of exact and running lives, which all enter by −H.
    left_y, left_w : (k,) array
        Found failed.
    low_y, high_y, gap, between_w : (k,) array
        Between two looks; `gap` is the difference of the logarithms, exact where narrow.
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
    high_y: Floats
    gap: Floats
    between_w: Floats

    @classmethod
    def of(cls, lives: Lives) -> Likelihood:
        """Take the logarithms of lives of which at least one ended."""
        low, high = lives.lower, lives.upper
        total = lives.total
        share = lives.count / total
        exact, running = lives.exact, lives.running
        between = ~(exact | running)
        left = between & (low == 0)
        between &= ~left
        ends = high[~running]
        unit = float(np.partition(ends, ends.size // 2)[ends.size // 2])
        # A life that still runs at zero tells nothing.
        hazard = (exact | running) & (low > 0)
        exact_y = log_ratio(low[exact], unit)
        exact_w = share[exact]
        between_low, between_high = low[between], high[between]
        return cls(
            unit=unit,
            total=total,
            ended=float(exact_w.sum()),
            ended_log=float((exact_w * exact_y).sum()),
            log_sum=float((exact_w * np.log(low[exact])).sum()),
            hazard_y=log_ratio(low[hazard], unit),
            hazard_w=share[hazard],
            left_y=log_ratio(high[left], unit),
            left_w=share[left],
            low_y=log_ratio(between_low, unit),
            high_y=log_ratio(between_high, unit),
            gap=_log_gap(between_low, between_high),
            between_w=share[between],
        )

    def at(self, log_scale: float, log_shape: float) -> Point:
        """Return value and derivatives; `log_scale` counted from `unit`."""
        with np.errstate(over="ignore", under="ignore", invalid="ignore", divide="ignore"):
            shape = float(np.exp(log_shape))
            own = shape * (self.ended_log - log_scale * self.ended)
            sums = np.array(
                [
                    self.ended * log_shape + own,
                    self.ended,
                    self.ended + own,
                    0.0,
                    0.0,
                    -self.ended,
                ]
            )
            for k in _blocks(self.hazard_w.size):
                z = shape * (self.hazard_y[k] - log_scale)
                sums += _hazard_sums(z, self.hazard_w[k])
            for k in _blocks(self.left_w.size):
                z = shape * (self.left_y[k] - log_scale)
                sums += _left_sums(z, self.left_w[k])
            for k in _blocks(self.between_w.size):
                low = shape * (self.low_y[k] - log_scale)
                high = shape * (self.high_y[k] - log_scale)
                sums += _between_sums(low, high, shape * self.gap[k], self.between_w[k])
        value, shift, stretch, a, b, c = sums.tolist()
        return Point(value, shift, stretch, (a, b, c))


def _blocks(size: int) -> Iterator[slice]:
    """Yield stretches that stay in the processor's cache with all that is reckoned from them."""
    for start in range(0, size, _BLOCK):
        yield slice(start, start + _BLOCK)


_Sums = tuple[float, float, float, float, float, float]


def _hazard_sums(z: Floats, w: Floats) -> _Sums:
    """Return value and derivatives of −H."""
    h = w * np.exp(z)
    hz = h * z
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
