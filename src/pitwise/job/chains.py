"""Pieces of a drawing -> chains that are cut with one start each."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from pitwise.job.ends import FreeEnds
from pitwise.job.timing import Planner

Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Piece:
    """A straight line or an arc.

    Attributes
    ----------
    length_mm : float
    radius_mm : float
        0 for a line.
    start, end : (float, float)
        Directions of travel there, unit vectors.
    """

    length_mm: float
    radius_mm: float
    start: Point
    end: Point

    def turned(self) -> Piece:
        """Return it travelled the other way."""
        return Piece(
            self.length_mm,
            self.radius_mm,
            (-self.end[0], -self.end[1]),
            (-self.start[0], -self.start[1]),
        )


@dataclass(frozen=True, slots=True)
class Run:
    """Pieces that follow each other, from one point to another."""

    pieces: tuple[Piece, ...]
    first: Point
    last: Point

    def turned(self) -> Run:
        """Return it travelled the other way."""
        return Run(tuple(x.turned() for x in reversed(self.pieces)), self.last, self.first)


def line_piece(a: Point, b: Point) -> Piece | None:
    """Return the line from a to b; None when it has no length."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = math.hypot(dx, dy)
    if length == 0:
        return None
    way = (dx / length, dy / length)
    return Piece(length, 0.0, way, way)


def points_run(points: Sequence[Point]) -> Run | None:
    """Return lines through points; None when they have no length."""
    pieces = [piece for a, b in pairwise(points) if (piece := line_piece(a, b)) is not None]
    return Run(tuple(pieces), points[0], points[-1]) if pieces else None


def in_a_row(runs: Sequence[Run]) -> Run:
    """Make one run of the parts of a polyline, turning those drawn against its direction."""
    row = [runs[0]]
    if len(runs) > 1:
        ends = (runs[1].first, runs[1].last)
        if min(math.dist(runs[0].first, x) for x in ends) < min(
            math.dist(runs[0].last, x) for x in ends
        ):
            row = [runs[0].turned()]
    for run in runs[1:]:
        here = row[-1].last
        row.append(run.turned() if math.dist(run.last, here) < math.dist(run.first, here) else run)
    return Run(tuple(x for run in row for x in run.pieces), row[0].first, row[-1].last)


def join_runs(runs: Iterable[Run], tolerance_mm: float) -> list[list[Run]]:
    """Join runs end to end into chains.

    From each run not yet taken the chain grows forward, then backward, always to the nearest
    free end within the tolerance; where three or more ends meet, what is left over begins a
    chain of its own. Time grows with the number of runs times its logarithm at most, however
    many ends meet (`pitwise.job.ends`).

    Parameters
    ----------
    runs : iterable of Run
    tolerance_mm : float
        Above 0, and not so small that a coordinate divided by it is beyond any number.
    """
    every = list(runs)
    ends = FreeEnds([x for run in every for x in (run.first, run.last)], tolerance_mm)

    def follow(point: Point) -> Run | None:
        """Take the nearest free run that begins or ends at the point, turned to begin there."""
        found = ends.nearest(point)
        if found is None:
            return None
        number, at_last = divmod(found, 2)
        ends.take(number)
        return every[number].turned() if at_last else every[number]

    chains = []
    for number, run in enumerate(every):
        if not ends.free[number]:
            continue
        ends.take(number)
        chain = [run]
        closed = math.dist(run.first, run.last) <= tolerance_mm
        while not closed and (following := follow(chain[-1].last)) is not None:
            chain.append(following)
            closed = math.dist(chain[0].first, following.last) <= tolerance_mm
        before: list[Run] = []
        while not closed and (leading := follow((before or chain)[-1 if before else 0].first)):
            before.append(leading.turned())
            closed = math.dist(before[-1].first, chain[-1].last) <= tolerance_mm
        chains.append([*reversed(before), *chain])
    return chains


def chain_seconds(chain: Iterable[Run], speed: float, planner: Planner | None) -> float:
    """Return the time of a chain at `speed` mm/s, from rest to rest with a planner."""
    total = 0.0
    for run in chain:
        for piece in run.pieces:
            if planner is None:
                total += piece.length_mm / speed
            elif piece.radius_mm == 0:
                planner.line(piece.length_mm, speed, *piece.start, 0.0)
            else:
                planner.arc(
                    piece.length_mm,
                    speed,
                    (*piece.start, 0.0),
                    (*piece.end, 0.0),
                    piece.radius_mm,
                )
    return total if planner is None else planner.finish()
