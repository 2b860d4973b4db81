"""What a benchmark gives, and how it is shown."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Spread:
    """Median and quartiles of repeated measurements."""

    low: float
    median: float
    high: float

    @classmethod
    def of(cls, values: Sequence[float]) -> Spread:
        low, median, high = statistics.quantiles(values, n=4, method="inclusive")
        return cls(low, median, high)

    def words(self, form: str) -> str:
        return f"{self.median:{form}}  ({self.low:{form}} – {self.high:{form}})"


@dataclass(frozen=True)
class Result:
    """One benchmark's ratio against its peer.

    `goal` is the largest ratio aimed at (with `at_least` the smallest), None when there is
    none; `met` compares the median with it.
    """

    name: str
    measured: str
    peer: str
    ratio: Spread
    goal: float | None = None
    at_least: bool = False
    figures: dict[str, str] = field(default_factory=dict)
    raw: dict[str, float] = field(default_factory=dict)

    @property
    def met(self) -> bool | None:
        if self.goal is None:
            return None
        if self.at_least:
            return self.ratio.median >= self.goal
        return self.ratio.median <= self.goal

    def as_json(self) -> dict[str, Any]:
        return {
            "name": self.name,
            "measured": self.measured,
            "peer": self.peer,
            "ratio": self.ratio.median,
            "ratio_quartiles": [self.ratio.low, self.ratio.high],
            "goal": self.goal,
            "met": self.met,
            **self.raw,
        }

    def table(self) -> str:
        rows = [("measured", self.measured), ("peer", self.peer), *self.figures.items()]
        rows.append(("ratio (quartiles)", self.ratio.words(".2f")))
        if self.goal is not None:
            bound = "at least" if self.at_least else "at most"
            rows.append(("goal", f"{bound} {self.goal:g}: {'met' if self.met else 'NOT met'}"))
        wide = max(24, 2 + max(len(label) for label, _ in rows))
        return "\n".join([self.name, *(f"  {label:<{wide}}{value}" for label, value in rows)])


def percentile(values: Sequence[float], percent: int) -> float:
    """Return a percentile (1 to 99) of at least two values."""
    return statistics.quantiles(values, n=100, method="inclusive")[percent - 1]
