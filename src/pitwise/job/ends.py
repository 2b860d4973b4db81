"""Free ends of runs: the nearest of them, found fast however many meet in one place."""

from __future__ import annotations

import math
from collections.abc import Sequence

Point = tuple[float, float]
# So few ends of a cell are looked through one by one.
_FEW = 16


class _Spot:
    """Ends at exactly one point, in the order they were given."""

    __slots__ = ("alive", "begin", "ends", "point", "tree")

    def __init__(self, point: Point) -> None:
        self.point = point
        self.ends: list[int] = []
        self.begin = 0
        self.alive = 0
        self.tree: _Tree | None = None


class _Tree:
    """Spots halved by number along the longer side of their box, whatever the distances."""

    __slots__ = ("above", "alive", "halves", "high", "low", "spots")

    def __init__(self, spots: list[_Spot], above: _Tree | None) -> None:
        xs, ys = [s.point[0] for s in spots], [s.point[1] for s in spots]
        self.low = min(xs), min(ys)
        self.high = max(xs), max(ys)
        self.above = above
        self.alive = len(spots)
        self.halves: tuple[_Tree, ...] = ()
        self.spots: list[_Spot] = []
        if len(spots) <= _FEW:
            self.spots = spots
            for spot in spots:
                spot.tree = self
            return
        axis = 0 if self.high[0] - self.low[0] >= self.high[1] - self.low[1] else 1
        spots = sorted(spots, key=lambda s: s.point[axis])
        middle = len(spots) // 2
        self.halves = (_Tree(spots[:middle], self), _Tree(spots[middle:], self))

    def away(self, point: Point) -> float:
        """Return a distance that no spot in the box lies under."""
        x, y = point
        dx = max(self.low[0] - x, 0.0, x - self.high[0])
        dy = max(self.low[1] - y, 0.0, y - self.high[1])
        # Not the hypotenuse, whose rounding could pass over a spot exactly as far away.
        return max(dx, dy)


class FreeEnds:
    """The ends of runs not yet taken.

    Ends lie in a grid of the tolerance's size. A cell with few of them is a list; one with many
    holds its points, each once with all ends there, in a tree of boxes. Of ends equally near,
    that of the lower cell (column, then row) and then the one given first is taken.

    Parameters
    ----------
    points : sequence of (float, float)
        Both ends of each run, one after the other: ends 2 n and 2 n + 1 are those of run n.
    tolerance : float
        How far an end may lie from a point to be at it; above 0.

    Attributes
    ----------
    free : list of bool
        By number of the run.
    """

    def __init__(self, points: Sequence[Point], tolerance: float) -> None:
        self._points = points
        self._tolerance = tolerance
        self.free = [True] * (len(points) // 2)
        self._cells: dict[tuple[int, int], list[int]] = {}
        for end, point in enumerate(points):
            self._cells.setdefault(self._cell(point), []).append(end)
        self._spots: dict[Point, _Spot] = {}
        self._trees: dict[tuple[int, int], _Tree] = {}
        for cell, held in self._cells.items():
            if len(held) > _FEW:
                self._trees[cell] = self._tree(held)

    def _cell(self, point: Point) -> tuple[int, int]:
        return math.floor(point[0] / self._tolerance), math.floor(point[1] / self._tolerance)

    def _tree(self, held: list[int]) -> _Tree:
        here: list[_Spot] = []
        for end in held:
            point = self._points[end]
            spot = self._spots.get(point)
            if spot is None:
                spot = self._spots[point] = _Spot(point)
                here.append(spot)
            spot.ends.append(end)
            spot.alive += 1
        return _Tree(here, None)

    def take(self, run: int) -> None:
        """Take a run: its two ends are no longer free."""
        self.free[run] = False
        if not self._spots:
            return
        for end in (2 * run, 2 * run + 1):
            spot = self._spots.get(self._points[end])
            if spot is None:
                continue
            spot.alive -= 1
            if spot.alive == 0:
                tree = spot.tree
                while tree is not None:
                    tree.alive -= 1
                    tree = tree.above

    def nearest(self, point: Point) -> int | None:
        """Return the nearest free end within the tolerance of a point; None when there is none."""
        column, row = self._cell(point)
        best, found = self._tolerance, -1
        for dx in (-1, 0, 1):
            for dy in (-1, 0, 1):
                cell = (column + dx, row + dy)
                held = self._cells.get(cell)
                if held is None:
                    continue
                tree = self._trees.get(cell)
                if tree is None:
                    for end in held:
                        if self.free[end >> 1]:
                            away = math.dist(self._points[end], point)
                            if away < best or (found < 0 and away == best):
                                best, found = away, end
                else:
                    best, found = self._in_tree(tree, point, best, found)
                if best == 0 and found >= 0:
                    return found
        return None if found < 0 else found

    def _in_tree(self, tree: _Tree, point: Point, best: float, found: int) -> tuple[float, int]:
        """Better what other cells gave: nearer, or as near as the tolerance and the first."""
        before, nearest = found, best
        waiting = [tree]
        while waiting:
            box = waiting.pop()
            if box.alive == 0 or box.away(point) > nearest:
                continue
            # The nearer half first, so that the farther is mostly passed over.
            waiting.extend(sorted(box.halves, key=lambda h: -h.away(point)))
            for spot in box.spots:
                if spot.alive == 0:
                    continue
                away = math.dist(spot.point, point)
                if away > nearest or (away == nearest and found >= 0 and found == before):
                    continue
                end = self._first(spot)
                if away < nearest or found < 0 or end < found:
                    nearest, found = away, end
        return nearest, found

    def _first(self, spot: _Spot) -> int:
        """Return the first free end at a spot; each end taken is passed over once."""
        while not self.free[spot.ends[spot.begin] >> 1]:
            spot.begin += 1
        return spot.ends[spot.begin]
