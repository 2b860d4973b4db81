"""A torch's work day by day, drawn path by path, and how much sooner it brings the looks."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from pitwise.shelf.torch_load import DailyWork, TorchLoad
from pitwise.wear.prior import Floats

_MOST_LEVEL = 4.0


def drawn_work(
    work: DailyWork, days: int, paths: int, random: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw starts and arc minutes of each day, shape (days, paths)."""
    level = np.full(paths, work.starts_per_day)
    if work.level_se > 0:
        scatter = (
            random.standard_normal(paths)
            if math.isinf(work.level_df)
            else random.standard_t(max(work.level_df, 1.0), paths)
        )
        level = np.clip(
            level + work.level_se * scatter, 0.0, _MOST_LEVEL * max(work.starts_per_day, 1e-9)
        )
    usual = np.broadcast_to(level, (days, paths))
    if work.day_sd > 0 and work.starts_per_day > 0:
        share = max(work.day_sd / work.starts_per_day, 1e-6)
        usual = usual * random.gamma(1 / share**2, share**2, (days, paths))
    planned = np.zeros(days)
    burnt = np.zeros(days)
    planned[: len(work.planned_starts)] = work.planned_starts[:days]
    burnt[: len(work.planned_minutes)] = work.planned_minutes[:days]
    beside = usual if work.on_top else usual * _unplanned(work.planned_starts, level, days)
    return planned[:, None] + beside, burnt[:, None] + beside * work.minutes_per_start


def _unplanned(planned: Sequence[float], level: Floats, days: int) -> Floats:
    """Return the share of usual work that a plan leaves, shape (days, paths).

    Weekly, from its first planned day: taken day by day, the larger of a plan and of work that
    comes unevenly, or of a weekend's, is more than either.
    """
    left = np.ones((days, len(level)))
    day = 0
    while day < min(days, len(planned)):
        if planned[day] <= 0:
            day += 1
            continue
        a_day = math.fsum(planned[day : day + 7]) / 7
        left[day : day + 7] = np.clip(1 - a_day / np.maximum(level, 1e-9), 0.0, 1.0)
        day += 7
    return left


def looks_pace(torch: TorchLoad, days: int) -> list[float]:
    """Return, day by day, how many days of the work at which the gaps came it holds; >= 1.

    By the work as planned and believed, not by a path's own luck: how unevenly looks come
    beside the usual work is in the gaps already.
    """
    work, usual = torch.work, torch.gap_starts_per_day
    if usual <= 0:
        return [1.0] * days
    planned = [*work.planned_starts[:days], *[0.0] * (days - len(work.planned_starts))]
    beside = work.starts_per_day
    if work.on_top:
        return [max(1.0, (x + beside) / usual) for x in planned]
    return [max(1.0, x / usual, beside / usual) for x in planned]
