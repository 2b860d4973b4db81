"""What the cases of the causes' evaluation gave, and the figures taken of them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from benchmarks.causes_worlds import Bools, Floats

Stage = Literal["complaint", "strip-down", "everything"]
STAGES: tuple[Stage, ...] = ("complaint", "strip-down", "everything")
Engine = Literal["ours", "told the truth", "nothing hidden", "and one cause only"]
ENGINES: tuple[Engine, ...] = ("ours", "told the truth", "nothing hidden")
"""Ours; a bound, given each shop's own rates, links (those the sheet does not know too), leaks
and shares of "much", untempered; the same where nothing comes together and no look is mistaken;
and that one, after strip-down of cases with one cause, told that it is one."""
WAYS = (
    "ours",
    "fixed",
    "random",
    "good order",
    "fixed, paying",
    "fixed, plain",
    "ours, told the truth",
)
"""The first three, that have a goal, are worked in every case; the others in some."""


@dataclass(frozen=True)
class Cured:
    """One case cured: minutes, checks and cures tried of each of the first of `WAYS`, or all."""

    noise: float
    number: int
    stage: Stage
    causes: int
    needed: float
    minutes: tuple[float, ...]
    checks: tuple[int, ...]
    cures: tuple[int, ...]
    claims: tuple[tuple[float, bool], ...]


@dataclass(frozen=True, eq=False)
class Claimed:
    """What was claimed of every cause at one stage of one case, and what was true."""

    noise: float
    stage: Stage
    p: Floats
    true: Bools
    engine: Engine = "ours"

    @property
    def ranks(self) -> np.ndarray:
        """Places of the true causes, 0 the likeliest."""
        order = np.argsort(-self.p, kind="stable")
        return np.flatnonzero(self.true[order])


@dataclass(frozen=True)
class Learning:
    """Fresh cases of one shop after so many confirmed ones; `told` has the shop's own numbers."""

    shop: int
    noise: float
    size: int
    top1: float
    top3: float
    score: float
    minutes: float
    told: bool = False


def mean_se(values: Iterable[float]) -> tuple[float, float]:
    """Return mean and standard error of independent values."""
    x = np.array(list(values), dtype=np.float64)
    return float(x.mean()), float(x.std(ddof=1) / len(x) ** 0.5) if len(x) > 1 else float("nan")


def saving(cases: Sequence[Cured], way: int) -> tuple[float, float]:
    """Return the share of minutes saved against a way, and its paired standard error.

    Both starts of one case go together: the error is by case.
    """
    rows = [c for c in cases if len(c.minutes) > way]
    ours = np.array([c.minutes[0] for c in rows])
    other = np.array([c.minutes[way] for c in rows])
    share = float(ours.sum() / other.sum())
    # Ratio of means: linearised, each case paired with itself.
    left: dict[tuple[float, int], float] = {}
    for case, gap in zip(rows, (ours - share * other) / other.sum(), strict=True):
        key = (case.noise, case.number)
        left[key] = left.get(key, 0.0) + float(gap)
    count = len(left)
    return 1 - share, float((count / (count - 1) * sum(x * x for x in left.values())) ** 0.5)


def off(claims: Sequence[Claimed], low: float, high: float = 1.01) -> tuple[float, float, int]:
    """Return mean claimed less true frequency for claims in (low, high], its SE by case, count."""
    rows = [(c.p[m], c.true[m]) for c in claims if (m := (c.p > low) & (c.p <= high)).any()]
    count = sum(len(p) for p, _ in rows)
    if not count:
        return float("nan"), float("nan"), 0
    gap = sum(float((p - t).sum()) for p, t in rows) / count
    errors = [float((p - t).sum()) - gap * len(p) for p, t in rows]
    return gap, float(np.sqrt(np.square(errors).sum()) / count), count


def found(claims: Sequence[Claimed], top: int) -> dict[str, tuple[float, float, int]]:
    """Return how often true causes are in the top: of one cause, and any and all of several."""
    one = [c.ranks for c in claims if c.true.sum() == 1]
    several = [c.ranks for c in claims if c.true.sum() > 1]
    out = {}
    for name, hits in (
        ("one", [bool(r[0] < top) for r in one]),
        ("any", [bool(r[0] < top) for r in several]),
        ("all", [bool(r[-1] < max(top, len(r))) for r in several]),
        ("any of all", [bool(r[0] < top) for r in (*one, *several)]),
    ):
        mean, se = mean_se(map(float, hits)) if hits else (float("nan"), float("nan"))
        out[name] = (mean, se, len(hits))
    return out


def log_score(claims: Sequence[Claimed]) -> float:
    """Return the log score of all causes, the mean over cases; lower is better."""
    p = np.clip(np.array([c.p for c in claims]), 1e-9, 1 - 1e-9)
    true = np.array([c.true for c in claims])
    return float(-np.where(true, np.log(p), np.log1p(-p)).sum(axis=1).mean())
