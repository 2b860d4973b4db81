"""Runs joined end to end: the plain rule, and the same chains in bounded time."""

from __future__ import annotations

import math
import random
import time
from collections.abc import Callable

import pytest

from pitwise.job.chains import Run, join_runs, points_run

Point = tuple[float, float]


def run_of(a: Point, b: Point) -> Run:
    made = points_run([a, b])
    assert made is not None
    return made


def plain_join(runs: list[Run], tolerance: float) -> list[list[Run]]:
    """Join by looking at every end each time: first by cell, then by number, when equally near."""

    def cell(p: Point) -> tuple[int, int]:
        return math.floor(p[0] / tolerance), math.floor(p[1] / tolerance)

    free = set(range(len(runs)))

    def follow(point: Point) -> Run | None:
        near = [
            (away, cell(end), number, at_last)
            for number in free
            for at_last, end in ((False, runs[number].first), (True, runs[number].last))
            if (away := math.dist(end, point)) <= tolerance
        ]
        if not near:
            return None
        _, _, number, at_last = min(near)
        free.discard(number)
        return runs[number].turned() if at_last else runs[number]

    chains = []
    for number, run in enumerate(runs):
        if number not in free:
            continue
        free.discard(number)
        chain = [run]
        while math.dist(chain[0].first, chain[-1].last) > tolerance:
            following = follow(chain[-1].last)
            if following is None:
                break
            chain.append(following)
        while math.dist(chain[0].first, chain[-1].last) > tolerance:
            leading = follow(chain[0].first)
            if leading is None:
                break
            chain.insert(0, leading.turned())
        chains.append(chain)
    return chains


@pytest.mark.parametrize("seed", range(30))
def test_chains_are_those_of_the_plain_rule(seed: int) -> None:
    rng = random.Random(seed)
    step = rng.choice([1.0, 0.05, 0.025, 0.01])
    size = rng.choice([2, 4, 40])
    noise = rng.choice([0.0, 0.0, 0.02])

    def point() -> Point:
        x, y = (rng.randrange(size) * step + rng.uniform(-noise, noise) for _ in "xy")
        return x, y

    runs = []
    for _ in range(rng.choice([20, 150])):
        a, b = point(), point()
        if a != b:
            runs.append(run_of(a, b))
    assert join_runs(runs, 0.05) == plain_join(runs, 0.05)


def same_centre(k: int) -> tuple[Point, Point]:
    return (0.0, 0.0), (k + 1.0, 1.0)


def rough_centre(k: int) -> tuple[Point, Point]:
    return (0.02 * math.cos(k), 0.02 * math.sin(k * 1.7)), (k + 1.0, 1.0)


def tiny_centre(k: int) -> tuple[Point, Point]:
    return (k * 1e-18, 0.0), (k + 1.0, 1.0)


def apart(k: int) -> tuple[Point, Point]:
    return (3.0 * k, 0.0), (3.0 * k + 1, 1.0)


def crowded(k: int) -> tuple[Point, Point]:
    return (0.02 * math.cos(k), 0.02 * math.sin(k)), (
        9 + 0.02 * math.sin(k),
        0.02 * math.cos(3 * k),
    )


@pytest.mark.parametrize("place", [same_centre, rough_centre, tiny_centre, apart, crowded])
def test_many_ends_in_one_place_are_joined_in_seconds(
    place: Callable[[int], tuple[Point, Point]],
) -> None:
    runs = [run_of(*place(k)) for k in range(10_000)]
    begun = time.process_time()
    chains = join_runs(runs, 0.05)
    assert time.process_time() - begun < 20
    assert sum(map(len, chains)) == len(runs)
