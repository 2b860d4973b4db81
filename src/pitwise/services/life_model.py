"""One part's life as statistics take it, and the groups lives are sorted into."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from pitwise.bench.decide import PIT_PART
from pitwise.services.life_reasons import TAKEN_OUT

End = Literal["lost", "worn", "changed", "running"]
AskedEnd = Literal["lost", "worn"]
Measure = Literal["starts", "arc-minutes"]
Group = Literal["process", "part-type", "lot", "torch", "shift", "coolant", "cure"]
GROUPS: tuple[Group, ...] = get_args(Group)
NOT_RECORDED = "not recorded"
LOST_IN_THE_CUT = "lost-in-the-cut"
# Findings that say a part was worn out by use (our own choice, no source).
_BY_USE = frozenset({"orifice-enlarged", "orifice-out-of-round", "worn-tip"})
BY_LIMIT = frozenset({"pit-over-limit", "pit-still-may-be-over"})
# As many as the verdict on a cure looks at (services/cures.py).
MOST_BEFORE, MOST_AFTER = 6, 8


@dataclass(frozen=True)
class PartLife:
    """One part's life.

    Attributes
    ----------
    item_id : int
    tag, part, part_type, torch, station, process : str
    part_type_id, torch_id, process_id : int
        Torch and process: where it ended, or is now. The process is the inspection's.
    lot, coolant : str or None
        None where none is recorded. The coolant is the station's as it is now.
    shift : {"early", "late", "night"}
        Of its first fitting, by the shop's clock.
    fitted_at : datetime
        First fitted.
    ended_at : datetime or None
        None while it is in a torch.
    end : {"lost", "worn", "changed", "running"}
        lost: in the cut. worn: an inspection found it worn or damaged, by its own state.
        changed: while still good. running: in a torch now.
    starts, arc_minutes
        As the book counts them, over all its fittings.
    good_starts, good_minutes
        At the last look that found it good to go on; 0: none did.
    reasons : tuple of str
        Rules and findings of the decision that ended it; ``taken-out`` for one taken out by
        hand, which may go in again.
    own_reason : bool
        False: changed because another part was, overruled, or taken out.
    inspection_id : int or None
        The inspection that ended it.
    fewer_starts, more_starts, fewer_minutes, more_minutes : float
        How far its true use may lie from what is counted, because it was fitted, or came out,
        while nobody read the counters; `more_…` may be inf.
    first_set : bool
        It was in the torch before the counters were first read: what use it had before nobody
        knows, and it counts from then.
    processes : int
        Processes it was inspected on.
    """

    item_id: int
    tag: str
    part: str
    part_type_id: int
    part_type: str
    lot: str | None
    torch_id: int
    torch: str
    station: str
    coolant: str | None
    process_id: int
    process: str
    shift: str
    fitted_at: dt.datetime
    ended_at: dt.datetime | None
    end: End
    starts: int
    arc_minutes: float
    good_starts: int
    good_minutes: float
    reasons: tuple[str, ...]
    own_reason: bool
    inspection_id: int | None
    fewer_starts: float = 0.0
    more_starts: float = 0.0
    fewer_minutes: float = 0.0
    more_minutes: float = 0.0
    first_set: bool = False
    processes: int = 1

    @property
    def taken_out(self) -> bool:
        """Tell whether it was taken out by hand: it lies somewhere and may go in again."""
        return self.reasons == (TAKEN_OUT,)

    @property
    def wore_out(self) -> bool:
        """Tell whether it wore out by use: its worth is used up."""
        if self.end != "worn":
            return False
        if self.part == PIT_PART:
            return bool(BY_LIMIT & set(self.reasons))
        return any(r in _BY_USE or r.startswith("hole-") for r in self.reasons)

    @property
    def damaged(self) -> bool:
        """Tell whether an inspection found it past use, but not because it wore out."""
        return self.end == "worn" and not self.wore_out


@dataclass(frozen=True)
class Cure:
    """A closed case's cure of a torch.

    Attributes
    ----------
    case_id, torch_id, process_id : int
    torch, process, words : str
    at : datetime
    until : datetime or None
        When another case was opened on the torch: later parts tell of other troubles.
    """

    case_id: int
    torch_id: int
    torch: str
    process_id: int
    process: str
    words: str
    at: dt.datetime
    until: dt.datetime | None


def interval_of(life: PartLife, end: AskedEnd, measure: Measure) -> tuple[float, float] | None:
    """Return between which uses a part came to the asked end.

    Parameters
    ----------
    life : PartLife
    end : {"lost", "worn"}
    measure : {"starts", "arc-minutes"}

    Returns
    -------
    (lower, upper) or None
        Equal: exact. Upper inf: had not come to it yet. Lower 0: by `upper` it had. None: no
        use of this kind is on record, which says nothing.

    Notes
    -----
    Lost in the cut: exact, for the cut stops there (common practice, no source). Worn: between
    the last look that found it good and the one that did not.
    """
    if measure == "starts":
        recorded, good = float(life.starts), float(life.good_starts)
        fewer, more = life.fewer_starts, life.more_starts
    else:
        recorded, good = life.arc_minutes, life.good_minutes
        fewer, more = life.fewer_minutes, life.more_minutes
    if recorded <= 0:
        return None
    least, most = recorded - fewer, recorded + more
    if life.end != end:
        return (least, math.inf) if least > 0 else None
    if end == "worn":
        least = max(0.0, min(good, recorded) - fewer)
    if least <= 0 and math.isinf(most):
        return None
    return max(0.0, least), most


def grouped(
    parts: Sequence[PartLife], by: Group, *, cure: Cure | None = None
) -> dict[str, list[PartLife]]:
    """Sort lives into groups, most lives first; `cure` groups are "before" and "after".

    A part that was in the torch at the cure belongs to neither side, as do parts of other
    torches; see `services/cures.py`.

    Raises
    ------
    ValueError
        `by` is none of `GROUPS`, or is "cure" and no cure is given.
    """
    if by == "cure":
        if cure is None:
            raise ValueError("name the cure whose before and after is asked for")
        return _around(parts, cure)
    if by not in GROUPS:
        raise ValueError(f"'{by}' is none of {', '.join(GROUPS)}")
    out: dict[str, list[PartLife]] = {}
    for life in parts:
        out.setdefault(_group_of(life, by), []).append(life)
    return dict(sorted(out.items(), key=lambda x: (-len(x[1]), x[0])))


def _group_of(life: PartLife, by: Group) -> str:
    if by == "process":
        return life.process
    if by == "part-type":
        return life.part_type
    if by == "lot":
        return life.lot or NOT_RECORDED
    if by == "torch":
        return life.torch
    if by == "shift":
        return life.shift
    return life.coolant or NOT_RECORDED


def _around(parts: Sequence[PartLife], cure: Cure) -> dict[str, list[PartLife]]:
    mine = [p for p in parts if p.torch_id == cure.torch_id and p.process_id == cure.process_id]
    before = sorted(
        (p for p in mine if p.ended_at is not None and p.ended_at <= cure.at),
        key=lambda p: (p.ended_at or cure.at, p.item_id),
    )
    after = [
        p
        for p in mine
        if p.fitted_at >= cure.at
        and (p.ended_at is None or p.ended_at > cure.at)
        and (cure.until is None or p.fitted_at < cure.until)
    ]
    return {"before": before[-MOST_BEFORE:], "after": after[:MOST_AFTER]}
