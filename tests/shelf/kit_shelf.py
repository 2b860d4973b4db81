"""Reorder rules played out call by call, and stationary chains: what the formulas are held to."""

from __future__ import annotations

import heapq
from collections import deque
from dataclasses import dataclass

import numpy as np

from pitwise.shelf.demand_pmf import Floats, Pmf


@dataclass(frozen=True)
class Played:
    """What was seen, each by batch of the simulated time."""

    fill: Floats
    ready: Floats
    cycle: Floats
    on_shelf: Floats
    owed: Floats
    orders: Floats

    def mean(self, name: str) -> tuple[float, float]:
        """Return the mean and its standard error."""
        x = getattr(self, name)
        return float(x.mean()), float(x.std(ddof=1) / np.sqrt(x.size))


class _Shelf:
    """A shelf whose stock is watched, and the time it spent."""

    def __init__(self, stock: int) -> None:
        self.stock, self.clock = stock, 0.0
        self.forget()

    def forget(self) -> None:
        self.begun, self.ready, self.on_shelf, self.owed = self.clock, 0.0, 0.0, 0.0

    def wait(self, until: float) -> None:
        span = until - self.clock
        self.ready += span * (self.stock > 0)
        self.on_shelf += span * max(self.stock, 0)
        self.owed += span * max(-self.stock, 0)
        self.clock = until


def play_watched(
    r: int,
    q: int,
    rate: float,
    lead: float,
    rng: np.random.Generator,
    *,
    calls: int,
    batches: int = 40,
    sizes: Pmf | None = None,
) -> Played:
    """Play (r, nQ): calls at random, an order as soon as the position is at r or below."""
    shelf, position = _Shelf(r + q), r + q
    coming: deque[tuple[float, int]] = deque()
    gaps = rng.exponential(1 / rate, (batches, calls)).tolist()
    taken = (
        [[1] * calls] * batches if sizes is None else sizes.sample(rng, (batches, calls)).tolist()
    )
    rows = []
    for own_gaps, own_taken in zip(gaps, taken, strict=True):
        served = asked = orders = quiet = cycles = 0
        shelf.forget()
        for gap, x in zip(own_gaps, own_taken, strict=True):
            call = shelf.clock + gap
            while coming and coming[0][0] <= call:
                at, pieces = coming.popleft()
                shelf.wait(at)
                cycles += 1
                quiet += shelf.stock >= 0
                shelf.stock += pieces
            shelf.wait(call)
            served += min(max(shelf.stock, 0), x)
            asked += x
            shelf.stock -= x
            position -= x
            if position <= r:
                pieces = q * (-(-(r + 1 - position) // q))
                position += pieces
                orders += 1
                coming.append((shelf.clock + lead, pieces))
        span = shelf.clock - shelf.begun
        seen = shelf.ready / span, quiet / cycles, shelf.on_shelf / span, shelf.owed / span
        rows.append((served / asked, *seen, orders / span))
    return Played(*np.array(rows).T)


def play_reviewed(
    s: int,
    top: int,
    demand: Pmf,
    lead: int,
    rng: np.random.Generator,
    *,
    periods: int,
    batches: int = 40,
) -> Played:
    """Play (s, S): an order at each review at s or below, there after `lead` whole periods."""
    stock, position = top, top
    coming: list[tuple[int, int]] = []
    draws = demand.sample(rng, periods * batches)
    rows = np.zeros((batches * periods, 6))
    for t, d in enumerate(draws):
        if position <= s:
            heapq.heappush(coming, (t + lead, top - position))
            rows[t, 5] = 1
            position = top
        while coming and coming[0][0] <= t:
            stock += heapq.heappop(coming)[1]
        served = min(max(stock, 0), int(d))
        stock -= int(d)
        position -= int(d)
        rows[t, :5] = served, stock > 0, stock >= 0, max(stock, 0), max(-stock, 0)
    parts = rows.reshape(batches, periods, 6).mean(axis=1)
    parts[:, 0] /= draws.reshape(batches, periods).mean(axis=1)
    return Played(*parts.T)


def stationary_positions(s: int, top: int, demand: Pmf) -> Floats:
    """Return the chances of the positions s+1 … top after a review, from the chain itself."""
    n = top - s
    moves = np.zeros((n, n))
    for i in range(n):
        for d, p in enumerate(demand.p):
            to = i - d
            moves[i, to if to >= 0 else n - 1] += p
    # Row i is the position s + 1 + i.
    a = np.vstack([moves.T - np.eye(n), np.ones(n)])
    found: Floats = np.linalg.lstsq(a, np.append(np.zeros(n), 1.0), rcond=None)[0]
    return found
