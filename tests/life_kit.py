"""Lives made by hand, for tests of what is told of them."""

from __future__ import annotations

import datetime as dt
import itertools
from collections.abc import Iterable
from dataclasses import replace
from typing import Any

from kit import Floor
from pitwise.services import drafts, signing
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


def lose(floor: Floor, starts: int, *, torch: int | None = None, minutes: float = 0.0) -> int:
    """Sign an inspection that finds the electrode lost in the cut."""
    number = floor.draft(torch)
    drafts.set_mark(floor.shop, floor.tech, number, "electrode", "emitter-blown", "seen")
    drafts.set_lost(floor.shop, floor.tech, number, "electrode", lost=True)
    floor.look_all(number)
    drafts.add_reading(floor.shop, floor.tech, number, "0.40 mm", key=floor.key())
    drafts.set_use(
        floor.shop, floor.tech, number, starts=str(starts), arc_minutes=str(minutes), reset=False
    )
    signing.sign(floor.shop, floor.tech, number, key=floor.key())
    floor.clock.forward(days=1)
    return number


def lose_all(floor: Floor, uses: Iterable[int], *, torch: int | None = None) -> None:
    """Run electrode after electrode until it is lost in the cut, each so many starts."""
    floor.clock.forward(days=1)
    floor.inspect("0.40 mm", torch=torch, starts="0", minutes="0")
    total = 0
    for use in uses:
        total += use
        lose(floor, total, torch=torch, minutes=total / 2)
