"""What the book's lives say of how soon the next parts will go."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from pitwise.bench.decide import PIT_PART
from pitwise.services.life_book import PartLife
from pitwise.shelf.torch_load import Counted, LifeBelief
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.weibull import fit_weibull
from pitwise.wear.refusal import FitRefusedError

NOZZLE = "nozzle"
# Fewer ends than this say too little of a life's shape: then ends are counted over starts.
_ENOUGH_ENDS = 5
# Believed beforehand of ends counted over starts: half an end in so many starts (our own
# choice, no source). Weak: five ends of the shop's own outweigh it tenfold.
_PART_STARTS = 2000.0
_EARLY_STARTS = 5000.0
_BEFOREHAND = 0.5
EARLY_BEFOREHAND = Counted(_BEFOREHAND, _EARLY_STARTS)


@dataclass(frozen=True)
class DemandLives:
    """Lives of the book as demand takes them: any end that took a new piece is an end."""

    of_type: dict[int, list[PartLife]]
    early: dict[int, Counted]
    alone: dict[int, Counted]


def demand_lives(every: Sequence[PartLife]) -> DemandLives:
    """Sort the book's lives, and count the set's changes that no pit and no loss explains."""
    of_type: dict[int, list[PartLife]] = {}
    for life in every:
        of_type.setdefault(life.part_type_id, []).append(life)
    ended: dict[str, set[int | None]] = {
        part: {p.inspection_id for p in every if p.part == part and _took_new(p)}
        for part in (PIT_PART, NOZZLE)
    }
    early, alone = {}, {}
    for ident, own in of_type.items():
        part = own[0].part
        if part not in ended:
            continue
        starts = float(sum(p.starts for p in own))
        other = ended[NOZZLE if part == PIT_PART else PIT_PART]
        single = sum(_took_new(p) and p.inspection_id not in other for p in own)
        if single:
            alone[ident] = Counted(float(single), max(starts, 1.0))
        if part == PIT_PART:
            others = sum(
                _took_new(p) and p.inspection_id in other and p.end != "lost" and not _by_pit(p)
                for p in own
            )
            early[ident] = Counted(others + _BEFOREHAND, starts + _EARLY_STARTS)
    return DemandLives(of_type, early, alone)


def _took_new(life: PartLife) -> bool:
    """Tell whether its end took a new piece; one taken out by hand may go in again."""
    return life.ended_at is not None and not life.taken_out


def _by_pit(life: PartLife) -> bool:
    return any(reason.startswith("pit-") for reason in life.reasons)


def life_of_type(lives: Sequence[PartLife]) -> tuple[LifeBelief | Counted, str]:
    """Return what a part type's lives say of the next ones, and that in a sentence."""
    own = [p for p in lives if p.starts > 0]
    ends = sum(_took_new(p) for p in own)
    starts = float(sum(p.starts for p in own))
    name = own[0].part_type if own else ""
    if ends >= _ENOUGH_ENDS:
        upper = [float(p.starts) if _took_new(p) else float("inf") for p in own]
        try:
            fit = fit_weibull(Lives.of([float(p.starts) for p in own], upper))
        except FitRefusedError:
            # All of one length, say: ends over starts still tell how many go.
            pass
        else:
            return (
                LifeBelief(fit.scale, fit.shape, fit.covariance),
                f"{name}: from {ends} lives that ended.",
            )
    words = f"{name}: from {ends} end{'' if ends == 1 else 's'} in {starts:,.0f} starts".replace(
        ",", "\u202f"
    )
    return (
        Counted(ends + _BEFOREHAND, starts + _PART_STARTS),
        words + (", too few to tell how long each lasts." if ends < _ENOUGH_ENDS else "."),
    )
