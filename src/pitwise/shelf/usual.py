"""A torch's usual work by its counters: how much a day, how unevenly, how well that is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

WINDOW_DAYS = 28.0
# What lies further back says how much the work changes from month to month, not how much it is.
LONGEST_DAYS = 182.0


@dataclass(frozen=True)
class Stretch:
    """Use between two readings of a counter.

    Attributes
    ----------
    days : float
        Its length, > 0.
    ago_days : float
        Days from its end to the newest reading, >= 0.
    starts, arc_minutes : float
    """

    days: float
    ago_days: float
    starts: float
    arc_minutes: float


@dataclass(frozen=True)
class Usual:
    """Usual work a day.

    Attributes
    ----------
    starts_per_day, minutes_per_start : float
    day_sd : float
        SD of a day's starts, counted as if days were independent.
    level_se, level_df : float
        Standard error of `starts_per_day` as a forecast of the days to come, and its degrees
        of freedom.
    days_seen : float
        Days it rests on.
    """

    starts_per_day: float
    minutes_per_start: float
    day_sd: float
    level_se: float
    level_df: float
    days_seen: float


def usual_work(stretches: Sequence[Stretch]) -> Usual | None:
    r"""Reckon usual work from the counters.

    The level is that of the last 28 days (of the last stretch, where none is so young). With
    independent days of variance :math:`\sigma^2` a stretch of `d` days has a mean of variance
    :math:`\sigma^2/d`, so :math:`\hat\sigma^2 = \sum d_k (r_k - \bar r)^2/(K-1)`. What the
    means of 28 days differ by beyond that is taken as the work's own change from month to
    month: it is added twice, for the month it was seen in and for the one to come.

    Parameters
    ----------
    stretches : sequence of Stretch
        Newest last.

    Returns
    -------
    Usual or None
        None where no day was seen.
    """
    own = [s for s in stretches if s.days > 0 and s.ago_days < LONGEST_DAYS]
    if not own:
        return None
    young = [s for s in own if s.ago_days < WINDOW_DAYS] or own[-1:]
    days = sum(s.days for s in young)
    starts = sum(s.starts for s in young)
    minutes = sum(s.arc_minutes for s in young)
    level = starts / days
    windows: dict[int, tuple[float, float]] = {}
    for s in own:
        k = int(s.ago_days // WINDOW_DAYS)
        was = windows.get(k, (0.0, 0.0))
        windows[k] = (was[0] + s.days, was[1] + s.starts)
    means = {k: n / d for k, (d, n) in windows.items()}
    free = len(own) - len(windows)
    inside = sum(
        s.days * (s.starts / s.days - means[int(s.ago_days // WINDOW_DAYS)]) ** 2 for s in own
    )
    # One stretch alone tells no spread: half a day's work is taken (our own choice, no source).
    variance = inside / free if free > 0 else (0.5 * level) ** 2
    drift = 0.0
    if len(windows) > 2:
        middle = sum(means.values()) / len(means)
        seen = sum((m - middle) ** 2 for m in means.values()) / (len(means) - 1)
        chance = variance * sum(1 / d for d, _ in windows.values()) / len(windows)
        drift = max(0.0, seen - chance)
    return Usual(
        level,
        minutes / starts if starts > 0 else 0.0,
        math.sqrt(variance),
        math.sqrt(variance / days + 2 * drift),
        float(max(free, 1)),
        days,
    )
