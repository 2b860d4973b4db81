"""What a shop does at present with the electrodes of a process, from its signed inspections."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.records.tables import DecisionRow, InspectionRow
from pitwise.services.life_model import PartLife
from pitwise.services.life_reasons import OVERRULED
from pitwise.services.replacement_model import BookedUse
from pitwise.wear.replacement.gaps import Gap, usual_gaps

# Rules of the bench that speak of the depth (pitwise.bench.decide).
_PIT_RULE = "pit-"
# The looks of the newest lives: a habit is what is done now.
_MOST_GAPS = 60


@dataclass(frozen=True)
class Looks:
    """Readings of looks that kept the electrode or changed it for its pit."""

    reading_mm: tuple[float, ...]
    changed: tuple[bool, ...]


def for_its_pit(life: PartLife) -> bool:
    """Tell whether an electrode was changed because of its depth.

    By a limit, or by a person's own decision with nothing else against the part: to change
    before the limit is a habit of depth too.
    """
    if life.end in ("running", "lost"):
        return False
    if any(r.startswith(_PIT_RULE) for r in life.reasons):
        return True
    return life.reasons == (OVERRULED,)


def booked_use(
    session: Session,
    lives: Sequence[PartLife],
    process_id: int,
    now: dt.datetime,
    out_of_turn: AbstractSet[int],
) -> tuple[BookedUse, Looks]:
    """Return what the electrodes of a process did and how their looks ended.

    Parameters
    ----------
    session : Session
    lives : sequence of PartLife
        Electrodes of the process; one at least.
    process_id : int
    now : datetime
    out_of_turn : set of int
        Inspections that a loss in the cut, of any part, brought on before they were due.
    """
    by_item = {p.item_id: p for p in lives}
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    rows = session.execute(
        select(
            DecisionRow.part_item_id,
            DecisionRow.inspection_id,
            DecisionRow.pit_mm,
            DecisionRow.life_starts,
            InspectionRow.process_id,
        )
        .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
        .where(
            DecisionRow.part == PIT_PART,
            DecisionRow.part_item_id.is_not(None),
            InspectionRow.state == "signed",
            InspectionRow.id.not_in(superseded),
        )
        .order_by(InspectionRow.signed_at, InspectionRow.id)
    )
    gaps: list[Gap] = []
    before: dict[int, int] = {}
    readings: list[float] = []
    changed: list[bool] = []
    at_change: list[float] = []
    looks = 0
    for item, inspection, pit_mm, starts, process in rows:
        life = by_item.get(item or 0)
        if life is None:
            continue
        gap = 0
        if starts is not None:
            # What was in the torch before the counters were first read has no first gap.
            if life.item_id in before or not life.first_set:
                gap = starts - before.get(life.item_id, 0)
            # A look on another process is a look all the same: the next gap begins there.
            before[life.item_id] = starts
        if process != process_id:
            continue
        ended_here = life.inspection_id == inspection and life.end != "running"
        if gap > 0:
            gaps.append(Gap(gap, inspection in out_of_turn))
        looks += 1
        if pit_mm is None or (ended_here and not for_its_pit(life)):
            continue
        readings.append(pit_mm)
        changed.append(ended_here)
        if ended_here:
            at_change.append(pit_mm)
    ended = [p for p in lives if p.end != "running" and not p.taken_out]
    lost = sum(p.end == "lost" for p in ended)
    by_pit = sum(for_its_pit(p) for p in ended)
    quarters = np.quantile(at_change, [0.25, 0.5, 0.75]) if at_change else None
    first = min(p.fitted_at for p in lives)
    return BookedUse(
        lives=len(lives),
        ended=len(ended),
        lost=lost,
        by_pit=by_pit,
        other=len(ended) - lost - by_pit,
        starts=float(sum(p.starts for p in lives)),
        arc_minutes=float(sum(p.arc_minutes for p in lives)),
        days=(now - first).total_seconds() / 86400,
        gaps=usual_gaps(gaps[-_MOST_GAPS:]),
        looks=looks,
        depth_at_change_mm=None if quarters is None else float(quarters[1]),
        depth_low_mm=None if quarters is None else float(quarters[0]),
        depth_high_mm=None if quarters is None else float(quarters[2]),
        starts_at_end=float(np.median([p.starts for p in ended])) if ended else None,
    ), Looks(tuple(readings), tuple(changed))
