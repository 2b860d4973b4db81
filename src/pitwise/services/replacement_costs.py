"""What a look, a change and a loss cost on a process: from the shelf, the settings, the clock."""

from __future__ import annotations

import datetime as dt
from collections import Counter
from collections.abc import Sequence
from statistics import median

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.records.tables import DecisionRow, InspectionRow, Torch
from pitwise.services.life_model import PartLife
from pitwise.services.replacement_model import CostsUsed, MoneyLine
from pitwise.services.shelf_prices import price_at
from pitwise.services.station_settings import StationSettings, assumed_fields, settings_of
from pitwise.wear.replacement.rule import ChangeCosts

NOZZLE = "nozzle"
# Looks that took longer were left lying, shorter ones were typed in afterwards (our own choice).
_LOOK_MINUTES = (1.0, 60.0)
_LEAST_LOOKS = 5
ASSUMED_LOOK_MINUTES = 5.0
"""Until enough looks are timed (our own choice, no source)."""
_LEAST_COST = 0.01
LOSS_LINES = ("a torch lost in the cut", "a plate scrapped")
"""What a loss takes with it, as the lines of costs name it."""


def costs_of(
    session: Session, lives: Sequence[PartLife], process_id: int, now: dt.datetime
) -> CostsUsed:
    """Return the costs of a process.

    Parameters
    ----------
    session : Session
    lives : sequence of PartLife
        All of the process, of every part; one at least.
    process_id : int
    now : datetime
        Prices are those of this moment.
    """
    torches = Counter(p.torch_id for p in lives)
    stations: Counter[int] = Counter()
    for torch_id, count in torches.items():
        torch = session.get(Torch, torch_id)
        if torch is not None:
            stations[torch.station_id] += count
    station_id = stations.most_common(1)[0][0]
    settings = settings_of(session, station_id)
    unset = assumed_fields(session, station_id)
    notes: list[str] = []
    if len({settings_of(session, s).costs() for s in stations}) > 1:
        notes.append(
            "Stations that run this process differ in what stops and losses cost: the figures "
            "are those of the one that runs it most."
        )
    parts, origin, assumed, currency, note = _parts(session, lives, settings, unset, now)
    notes += [note] if note else []
    minutes, timed = _look_minutes(session, process_id)
    hour = settings.stop_cost_per_hour
    look = minutes / 60 * hour
    more_stop = max(0.0, settings.stop_minutes - minutes) / 60 * hour
    loss = (
        settings.lost_torch_cost + settings.scrapped_plate_cost + settings.stop_minutes / 60 * hour
    )

    # Torch and plate alone: they are most of a loss, and the least known before the first one.
    assumed_loss = sum(
        float(getattr(settings, name))
        for name in ("lost_torch_cost", "scrapped_plate_cost")
        if name in unset
    )
    change = max(parts + more_stop, _LEAST_COST)

    def setting(name: str, label: str) -> MoneyLine:
        held = name in unset
        return MoneyLine(
            label,
            float(getattr(settings, name)),
            "assumed, not set by the shop" if held else "the station’s settings",
            held,
        )

    timed_words = (
        f"middle of {timed} inspections that changed nothing, opened to signed"
        if timed
        else "assumed: too few inspections were timed"
    )
    return CostsUsed(
        ChangeCosts(look, change, loss + parts),
        parts,
        currency,
        (
            MoneyLine("electrode and nozzle", parts, origin, assumed),
            MoneyLine("minutes of a look", minutes, timed_words, not timed),
            setting("stop_minutes", "minutes of a stop to change"),
            setting("stop_cost_per_hour", "an hour of standstill"),
            setting("lost_torch_cost", LOSS_LINES[0]),
            setting("scrapped_plate_cost", LOSS_LINES[1]),
        ),
        tuple(notes),
        ChangeCosts(look, change, max(0.0, loss - assumed_loss) + parts) if assumed_loss else None,
    )


def _parts(
    session: Session,
    lives: Sequence[PartLife],
    settings: StationSettings,
    unset: frozenset[str],
    now: dt.datetime,
) -> tuple[float, str, bool, str, str]:
    """Price of electrode and nozzle, where from, whether assumed, currency, and a note."""
    prices: list[tuple[float, str]] = []
    missing = []
    for part in (PIT_PART, NOZZLE):
        mine = [p for p in lives if p.part == part]
        newest = max(mine, key=lambda p: (p.fitted_at, p.item_id), default=None)
        price = None if newest is None else price_at(session, newest.part_type_id, now)
        if price is None:
            missing.append(part)
        else:
            prices.append(price)
    fallback = (
        settings.set_value,
        "a set, assumed" if "set_value" in unset else "a set, by the station’s settings",
        "set_value" in unset,
        settings.currency,
    )
    if missing:
        which = " and ".join(missing)
        return (*fallback, f"The shelf has no price of the {which}: a set’s price stands for it.")
    money = {currency for _, currency in prices}
    if "currency" not in unset:
        money.add(settings.currency)
    if len(money) > 1:
        listed = " and ".join(sorted(money))
        return (
            *fallback,
            f"Prices are in different money ({listed}), which can’t be added: a set’s price by "
            "the station’s settings is used.",
        )
    return sum(p for p, _ in prices), "prices of the shelf", False, money.pop(), ""


def _look_minutes(session: Session, process_id: int) -> tuple[float, int]:
    """Middle minutes of the newest looks that changed nothing; 0 timed: assumed."""
    changed = select(DecisionRow.inspection_id).where(DecisionRow.action == "replace")
    rows = session.execute(
        select(InspectionRow.opened_at, InspectionRow.signed_at)
        .where(
            InspectionRow.state == "signed",
            InspectionRow.process_id == process_id,
            InspectionRow.supersedes.is_(None),
            InspectionRow.id.not_in(changed),
        )
        .order_by(InspectionRow.signed_at.desc())
        .limit(200)
    )
    took = [(signed - opened).total_seconds() / 60 for opened, signed in rows if signed is not None]
    good = [m for m in took if _LOOK_MINUTES[0] <= m <= _LOOK_MINUTES[1]]
    if len(good) < _LEAST_LOOKS:
        return ASSUMED_LOOK_MINUTES, 0
    return float(median(good)), len(good)
