"""Log-likelihood of Weibull lives with its derivatives, stable in both tails.

With log H = z = shape · (log t − log scale) the log-likelihood is concave in the plane on
which z is linear, so it has one maximum or none: every life's term is the logarithm of the
probability that a log-concave density gives to a convex set (Prékopa).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .lives import Floats, Lives

# exp of less is 0.
_DEEP = 745.0


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
        return cls(
            unit=unit,
            total=total,
            ended=float(share[exact].sum()),
            ended_log=float(share[exact] @ exact_y),
            log_sum=float(share[exact] @ np.log(low[exact])),
            hazard_y=log_ratio(low[hazard], unit),
            hazard_w=share[hazard],
            left_y=log_ratio(high[left], unit),
            left_w=share[left],
            low_y=log_ratio(low[between], unit),
            high_y=log_ratio(high[between], unit),
            gap=np.log1p((high[between] - low[between]) / low[between]),
            between_w=share[between],
        )

    def at(self, log_scale: float, log_shape: float) -> Point:
        """Return value and derivatives; `log_scale` counted from `unit`."""
        with np.errstate(over="ignore", under="ignore", invalid="ignore"):
            return self._at(log_scale, float(np.exp(log_shape)), log_shape)

    def _at(self, log_scale: float, shape: float, log_shape: float) -> Point:
        z = shape * (self.hazard_y - log_scale)
        h = self.hazard_w * np.exp(z)
        hz = h * z
        s0, s1, s2 = float(h.sum()), float(hz.sum()), float(hz @ z)
        own = shape * (self.ended_log - log_scale * self.ended)
        value = self.ended * log_shape + own - s0
        shift, stretch = self.ended - s0, self.ended + own - s1
        c00, c01, c11 = -s0, -s1, -s2 - self.ended
        if self.left_w.size:
            z, w = shape * (self.left_y - log_scale), self.left_w
            log_p, r, rr = _log_failed(np.exp(z), z)
            r, rr = w * r, w * rr
            value += float(w @ log_p)
            shift += float(r.sum())
            stretch += float(r @ z)
            rz = rr * z
            c00, c01, c11 = c00 + float(rr.sum()), c01 + float(rz.sum()), c11 + float(rz @ z)
        if self.between_w.size:
            w = self.between_w
            z, low = shape * (self.high_y - log_scale), shape * (self.low_y - log_scale)
            x = shape * self.gap
            widen = -np.expm1(-x)
            log_p, r, rr = _log_failed(np.exp(z) * widen, z + np.log(widen))
            # s = log(H_upper − H_lower) moves by one with the shift, by `turn` with the stretch.
            rx = _ratio(x)
            turn = z + rx
            h = w * np.exp(low)
            r, rr = w * r, w * rr
            hl, rt = h * low, rr * turn
            value += float(w @ log_p) - float(h.sum())
            shift += float(r.sum()) - float(h.sum())
            stretch += float(r @ turn) - float(hl.sum())
            c00 += float(rr.sum()) - float(h.sum())
            c01 += float(rt.sum()) - float(hl.sum())
            c11 += float(rt @ turn) - float(hl @ low) - float(r @ (rx * (x + rx)))
        return Point(value, shift, stretch, (c00, c01, c11))


def log_ratio(t: Floats, unit: float) -> Floats:
    """Return log(t / unit), to full relative precision where the two are close."""
    over = t / unit
    found: Floats = np.log(over)
    near = np.abs(over - 1) < 0.1
    if near.any():
        found[near] = np.log1p((t[near] - unit) / unit)
    return found


def _ratio(x: Floats) -> Floats:
    """Return x / (e^x − 1), 1 at 0."""
    x = np.minimum(x, _DEEP)
    failed = -np.expm1(-x)
    small = x < 1e-290
    found: Floats = np.where(small, 1.0, x * (1 - failed) / np.where(small, 1.0, failed))
    return found


def _log_failed(d: Floats, log_d: Floats) -> tuple[Floats, Floats, Floats]:
    """Return log(1 − e^−d) and its first and second derivative by log d."""
    d = np.minimum(d, _DEEP)
    failed = -np.expm1(-d)
    small = d < 1e-290
    safe = np.where(small, 1.0, failed)
    log_p: Floats = np.where(small, log_d, np.log(safe))
    r: Floats = np.where(small, 1.0, d * (1 - failed) / safe)
    # 1 − d − r cancels where d is small: its series there.
    bend = np.where(d < 1e-3, -d * (0.5 + d * (1 / 12 - d * d / 720)), 1 - d - r)
    return log_p, r, r * bend
