"""Lives made by hand, for tests of what is told of them."""

from __future__ import annotations

import datetime as dt
import itertools
from dataclasses import replace
from typing import Any

from pitwise.services.life_book import End, PartLife

_count = itertools.count(1)
START = dt.datetime(2031, 3, 3, 6, 0, tzinfo=dt.UTC)
_FIRST = PartLife(
    item_id=0,
    tag="",
    part="nozzle",
    part_type_id=1,
    part_type="Nozzle 300",
    lot="lot 1",
    torch_id=1,
    torch="Torch A",
    station="Table 1",
    coolant="water",
    process_id=1,
    process="300 A mild steel",
    shift="early",
    fitted_at=START,
    ended_at=START + dt.timedelta(days=3),
    end="worn",
    starts=300,
    arc_minutes=120.0,
    good_starts=200,
    good_minutes=80.0,
    reasons=("orifice-nicked",),
    own_reason=True,
    inspection_id=1,
)


def a_life(end: End = "worn", starts: int = 300, good: int = 200, **more: Any) -> PartLife:
    """Make a life; arc minutes are 0.4 of the starts."""
    number = next(_count)
    made = replace(
        _FIRST,
        item_id=number,
        tag=f"NZ-{number:05d}",
        end=end,
        starts=starts,
        arc_minutes=0.4 * starts,
        good_starts=good,
        good_minutes=0.4 * good,
        own_reason=end != "changed",
        ended_at=None if end == "running" else _FIRST.ended_at,
    )
    return replace(made, **more)
