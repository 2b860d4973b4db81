"""Whether the days of a plan can hold its plates beside what is planned there already."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

from pitwise.job.model import ProgramCount
from pitwise.services.errors import ServiceError
from pitwise.services.planned_model import PlannedLine, ahead_of

MOST_STARTS_PER_DAY = 43_200.0
MOST_MINUTES = 1440.0


def _thin(value: float) -> str:
    return f"{value:,.0f}".replace(",", "\u202f")


def refuse_full(
    plans: Sequence[PlannedLine],
    torch_id: int,
    plates: int,
    count: ProgramCount,
    first: dt.date,
    last: dt.date,
) -> None:
    """Refuse plates that the days can't hold, with what is planned on the torch already."""
    days = (last - first).days + 1
    own = [p for p in plans if p.torch_id == torch_id]
    there = ahead_of(own, first)
    for what, each, most, taken in (
        ("arc minutes", count.arc_minutes, MOST_MINUTES, there.arc_minutes),
        ("starts", float(count.starts), MOST_STARTS_PER_DAY, there.starts),
    ):
        fullest = max(taken[:days], default=0.0)
        wanted = plates * each / days
        # Rounding aside: a plan that fills its days to the minute is taken.
        if wanted + fullest > most * (1 + 1e-9):
            room = max(0, math.floor((most - fullest) * days / each))
            beside = f" beside the {_thin(fullest)} planned already" if fullest else ""
            raise ServiceError(
                "plates",
                f"{plates} plates take {_thin(wanted)} {what} a day{beside}, and a day holds "
                f"{_thin(most)}",
                f"plan {room} plates or fewer, or more days"
                if room
                else "plan other days, or withdraw what is planned there",
            )
