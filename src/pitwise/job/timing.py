"""Time of moves with acceleration: trapezoids and look-ahead over the moves of a cut."""

from __future__ import annotations

from math import hypot, inf, sqrt

_CHUNK = 8192
_LARGEST_CHUNK = 1 << 19
# Two lines whose directions differ by less are one line.
_STRAIGHT = 1e-9
# Straight back, but for rounding.
_BACK = 1 - 1e-12
# With a corner tolerance of zero the table stops at every corner sharper than this (half angle
# as a sine, 0.06 degrees): a tangent written to three decimals is no corner.
_TANGENT = 1e-3


def profile_seconds(
    length_mm: float, start: float, end: float, speed: float, accel_mm_s2: float
) -> float:
    """Return the least time of one move.

    With a = acceleration, the peak is v_p = √((2 a L + v₀² + v₁²) / 2), at most the speed v:
    t = (2 v_p − v₀ − v₁)/a, and (L − (2 v² − v₀² − v₁²)/2a)/v more at the speed v where it is
    reached. (Kinematics of constant acceleration.)

    Parameters
    ----------
    length_mm : float
    start, end, speed : float
        mm/s; `end` must be within reach of `start`.
    accel_mm_s2 : float
    """
    squares = start * start + end * end
    peak = (2 * accel_mm_s2 * length_mm + squares) / 2
    if peak <= speed * speed:
        return (2 * sqrt(peak) - start - end) / accel_mm_s2
    ramps = (2 * speed * speed - squares) / (2 * accel_mm_s2)
    return (2 * speed - start - end) / accel_mm_s2 + (length_mm - ramps) / speed


def corner_radius(half_sine: float, shorter_mm: float, tolerance_mm: float) -> float:
    """Return the radius of the circle that stands for a corner, mm.

    A circle tangent to both moves that passes the corner of turn angle θ at the distance δ has
    R = δ cos(θ/2) / (1 − cos(θ/2)), and touches them at R tan(θ/2) from the corner. It may use
    no more than half of the shorter move: R ≤ L / (2 tan(θ/2)), so that an arc cut as many
    chords comes out as slow as the arc. (Plane geometry; that the corner's speed is √(a R) is
    this project's model of a control's look-ahead, no standard.)

    Parameters
    ----------
    half_sine : float
        sin(θ/2), 0 straight on to 1 straight back.
    shorter_mm : float
        Length of the shorter of the two moves.
    tolerance_mm : float
        δ.
    """
    if half_sine > _BACK:
        return 0.0
    if half_sine <= 0 or (tolerance_mm == 0 and half_sine < _TANGENT):
        return inf
    cosine = sqrt(1 - half_sine * half_sine)
    by_tolerance = tolerance_mm * cosine * (1 + cosine) / half_sine / half_sine
    return min(by_tolerance, shorter_mm / 2 * cosine / half_sine)


class Planner:
    """Time of a chain of moves that starts and ends at rest.

    Speeds at the joints are the greatest that keep within the feed of both moves, √(a R) of
    the corner (`corner_radius`), √(a r) on an arc of radius r, and the acceleration along the
    path: one pass back from the end, one forward from the start. Acceleration across and along
    the path are bounded each by itself. What can no longer change is timed and let go, so that
    memory does not grow with the chain.

    Parameters
    ----------
    accel_mm_s2 : float
    tolerance_mm : float
        Corner tolerance.
    """

    def __init__(self, accel_mm_s2: float, tolerance_mm: float) -> None:
        self.accel = accel_mm_s2
        self.tolerance = tolerance_mm
        self._lengths: list[float] = []
        self._speeds: list[float] = []
        self._bends: list[float] = []
        self._exact: list[bool] = []
        self._end = (0.0, 0.0, 0.0)
        self._last_straight = False
        self._entry = 0.0
        self._done = 0.0
        self._limit = _CHUNK

    def line(
        self, length_mm: float, speed: float, x: float, y: float, z: float, exact: bool = False
    ) -> None:
        """Add a straight move of at most `speed` mm/s along the unit vector (x, y, z)."""
        ex, ey, ez = self._end
        bend = hypot(x - ex, y - ey, z - ez) / 2
        if self._last_straight and bend < _STRAIGHT and self._speeds[-1] == speed:
            self._lengths[-1] += length_mm
            return
        self._add(length_mm, speed, bend, exact)
        self._end = (x, y, z)
        self._last_straight = True

    def arc(
        self,
        length_mm: float,
        speed: float,
        start: tuple[float, float, float],
        end: tuple[float, float, float],
        radius_mm: float,
        exact: bool = False,
    ) -> None:
        """Add an arc between two directions; its radius bounds the speed."""
        ex, ey, ez = self._end
        bend = hypot(start[0] - ex, start[1] - ey, start[2] - ez) / 2
        self._add(length_mm, min(speed, sqrt(self.accel * radius_mm)), bend, exact)
        self._end = end
        self._last_straight = False

    def _add(self, length_mm: float, speed: float, bend: float, exact: bool) -> None:
        if len(self._lengths) >= self._limit:
            self._let_go()
        self._lengths.append(length_mm)
        self._speeds.append(speed)
        self._bends.append(bend)
        self._exact.append(exact)

    def finish(self) -> float:
        """Bring the chain to rest and return its time in seconds."""
        done = self._done
        if self._lengths:
            joints = self._joints()
            done += self._seconds(joints, len(self._lengths))
        self._lengths.clear()
        self._speeds.clear()
        self._bends.clear()
        self._exact.clear()
        self._end = (0.0, 0.0, 0.0)
        self._last_straight = False
        self._entry = 0.0
        self._done = 0.0
        self._limit = _CHUNK
        return done

    def _joints(self) -> list[float]:
        """Return the squared speeds before every move and after the last."""
        lengths, speeds, bends, exact = self._lengths, self._speeds, self._bends, self._exact
        count = len(lengths)
        twice = 2 * self.accel
        squares = [0.0] * (count + 1)
        after = 0.0
        for i in range(count - 1, 0, -1):
            slower = min(speeds[i - 1], speeds[i])
            tolerance = 0.0 if exact[i] or exact[i - 1] else self.tolerance
            radius = corner_radius(bends[i], min(lengths[i - 1], lengths[i]), tolerance)
            after = min(after + twice * lengths[i], slower * slower, self.accel * radius)
            squares[i] = after
        before = squares[0] = self._entry
        for i in range(count):
            before = squares[i + 1] = min(squares[i + 1], before + twice * lengths[i])
        return squares

    def _seconds(self, joints: list[float], count: int) -> float:
        lengths, speeds, accel = self._lengths, self._speeds, self.accel
        total = 0.0
        start = sqrt(joints[0])
        for i in range(count):
            end = sqrt(joints[i + 1])
            total += profile_seconds(lengths[i], start, end, speeds[i], accel)
            start = end
        return total

    def _let_go(self) -> None:
        """Time the moves that nothing to come can change.

        The end at rest reaches back no farther than the greatest speed's braking distance.
        """
        top = max(self._speeds)
        braking = top * top / (2 * self.accel)
        count = len(self._lengths)
        behind = 0.0
        while count and behind < braking:
            count -= 1
            behind += self._lengths[count]
        if count == 0:
            if self._limit < _LARGEST_CHUNK:
                self._limit *= 2
                return
            # Half a million moves within one braking distance: stop here once.
            count = len(self._lengths) - 1
        joints = self._joints()
        self._done += self._seconds(joints, count)
        self._entry = joints[count]
        del self._lengths[:count], self._speeds[:count], self._bends[:count], self._exact[:count]
