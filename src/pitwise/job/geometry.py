"""Arcs in the XY plane (NISTIR 6556, section 3.5.3)."""

from __future__ import annotations

import math
from dataclasses import dataclass

# Coordinates and centres of three decimals of a millimetre, or four of an inch, miss each other
# by up to this. (The report's own tolerance, 0.002 mm, is narrower than what they can keep.)
ROUNDING_MM = 0.005
# Past it the arc is not the one meant (our decision).
MISMATCH_MM = 0.5
MISMATCH_SHARE = 0.01
_FULL = 2 * math.pi
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Arc:
    """An arc in the plane.

    Attributes
    ----------
    radius_mm : float
        Mean of the radii at its two ends.
    sweep : float
        Angle passed, radians, above 0.
    start, end : Point
        Directions of travel, unit vectors.
    mismatch_mm : float
        Difference of the two radii.
    """

    radius_mm: float
    sweep: float
    start: Point
    end: Point
    mismatch_mm: float


def sweep_of(ax: float, ay: float, bx: float, by: float, clockwise: bool) -> float:
    """Return the angle from radius vector a to b, radians in (0, 2π]; equal ones are a circle."""
    angle = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    if clockwise:
        angle = -angle
    angle %= _FULL
    # Ends that differ by rounding alone are one point.
    return angle if angle > 1e-9 else angle + _FULL


def arc_by_centre(
    ax: float, ay: float, bx: float, by: float, *, clockwise: bool, turns: int = 1
) -> Arc:
    """Make the arc whose ends lie at a and b, seen from its centre.

    Parameters
    ----------
    ax, ay, bx, by : float
        Start and end relative to the centre, mm.
    clockwise : bool
    turns : int
        1: less than or one full circle; each one more adds a circle.

    Raises
    ------
    ValueError
        A radius of zero.
    """
    ra, rb = math.hypot(ax, ay), math.hypot(bx, by)
    if ra == 0 or rb == 0:
        raise ValueError("the radius is zero")
    sweep = sweep_of(ax, ay, bx, by, clockwise) + (turns - 1) * _FULL
    side = -1.0 if clockwise else 1.0
    return Arc(
        (ra + rb) / 2,
        sweep,
        (-side * ay / ra, side * ax / ra),
        (-side * by / rb, side * bx / rb),
        abs(ra - rb),
    )


def arc_by_radius(dx: float, dy: float, radius: float, *, clockwise: bool) -> Arc:
    """Make the arc of a radius to the point (dx, dy) from the start (NISTIR 6556, 3.5.3.1).

    With chord c the sweep is 2 asin(c / 2|R|), and 2π less that when R is negative: a positive
    radius turns through less than 180 degrees, a negative one through more.

    Raises
    ------
    ValueError
        The end is the start, or the radius can't reach it.
    """
    chord = math.hypot(dx, dy)
    if chord == 0:
        raise ValueError("an arc by radius can't end where it starts")
    size = abs(radius)
    if size == 0:
        raise ValueError("the radius is zero")
    if chord / 2 > size + ROUNDING_MM:
        raise ValueError("the radius is too small to reach the end")
    half = math.asin(min(1.0, chord / 2 / size))
    if radius < 0:
        half = math.pi - half
    # At its ends the arc leaves the chord by half its sweep, to either side.
    turn = half if clockwise else -half
    ux, uy = dx / chord, dy / chord
    c, s = math.cos(turn), math.sin(turn)
    return Arc(
        max(size, chord / 2),
        2 * half,
        (ux * c - uy * s, ux * s + uy * c),
        (ux * c + uy * s, -ux * s + uy * c),
        0.0,
    )
