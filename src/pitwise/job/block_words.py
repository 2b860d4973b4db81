"""The words of arcs and calls, checked and turned into what they mean."""

from __future__ import annotations

from pitwise.job.geometry import (
    MISMATCH_MM,
    MISMATCH_SHARE,
    Arc,
    Point,
    arc_by_centre,
    arc_by_radius,
)
from pitwise.job.model import MAX_MM, ProgramError, figure

_MOST_TURNS = 10_000
_ARC_MEND = "check I, J or R: start and end must lie on one circle"


def arc_of_words(
    words: dict[str, float],
    line: int,
    *,
    here: Point,
    to: Point,
    zero: Point | None,
    scale: float,
    clockwise: bool,
) -> Arc:
    """Make the arc that a line's words describe (NISTIR 6556, 3.5.3).

    Parameters
    ----------
    words : dict of str to float
        In the program's units.
    line : int
    here, to : (float, float)
        Its ends, mm.
    zero : (float, float) or None
        What I and J are counted from, mm; None: from `here`.
    scale : float
        Millimetres of the program's unit.
    clockwise : bool

    Raises
    ------
    ProgramError
        Words that make no arc.
    """
    dx, dy = to[0] - here[0], to[1] - here[1]
    try:
        if "R" in words:
            if "I" in words or "J" in words:
                raise ValueError("an arc has both a radius R and a centre I, J")
            arc = arc_by_radius(dx, dy, words["R"] * scale, clockwise=clockwise)
        else:
            i, j = _centre(words, here, zero, scale)
            turns = words.get("P", 1.0)
            if turns != int(turns) or not 1 <= turns <= _MOST_TURNS:
                raise ProgramError(
                    line,
                    f"P{figure(turns)} is no number of turns",
                    f"write a whole number from 1 to {_MOST_TURNS}, or leave P out",
                )
            arc = arc_by_centre(-i, -j, dx - i, dy - j, clockwise=clockwise, turns=int(turns))
    except ProgramError:
        raise
    except ValueError as error:
        raise ProgramError(line, str(error), _ARC_MEND) from error
    if arc.mismatch_mm > max(MISMATCH_MM, MISMATCH_SHARE * arc.radius_mm):
        raise ProgramError(
            line,
            f"start and end of the arc lie {arc.mismatch_mm:.3g} mm unequally far from its centre",
            "check I and J: start and end must lie on one circle; they are counted from the start, "
            "or from the program's zero after G90.1",
        )
    if not arc.radius_mm <= MAX_MM:
        raise ProgramError(line, "the arc's radius is beyond 10 km", _ARC_MEND)
    if arc.radius_mm * arc.sweep > MAX_MM:
        raise ProgramError(
            line,
            "the arc is longer than 10 km",
            "check its radius and its turns (P)" if "P" in words else "check I, J or R",
        )
    return arc


def _centre(
    words: dict[str, float], here: Point, zero: Point | None, scale: float
) -> tuple[float, float]:
    """Return the centre as seen from the start, mm."""
    if "I" not in words and "J" not in words:
        raise ValueError("an arc has neither a centre I, J nor a radius R")
    i, j = words.get("I", 0.0) * scale, words.get("J", 0.0) * scale
    if zero is None:
        return i, j
    if "I" not in words or "J" not in words:
        raise ValueError("G90.1 needs both I and J")
    return i + zero[0] - here[0], j + zero[1] - here[1]


def call_words(words: dict[str, float], line: int) -> tuple[int, int]:
    """Return the subprogram and the times that M98 names."""
    label, times = words.get("P"), words.get("L", 1.0)
    if label is None:
        raise ProgramError(line, "M98 without P", "name the subprogram, such as M98 P1000")
    for letter, value, top in (("P", label, 1e9), ("L", times, 1e6)):
        if value != int(value) or not 0 <= value <= top:
            raise ProgramError(
                line,
                f"{letter}{figure(value)} is no whole number M98 can use",
                f"write {letter} as a whole number from 0 to {top:.0f}",
            )
    return int(label), int(times)
