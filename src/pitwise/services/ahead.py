"""What lies ahead of a torch: starts left, plates finished, where to change the set."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.job.outlook import (
    Outlook,
    TorchAhead,
    TorchPlan,
    look_ahead,
    share_queue,
)
from pitwise.job.plan import (
    Plate,
)
from pitwise.job.words import plan_words
from pitwise.measure.conformity import limit_in
from pitwise.records.tables import Torch
from pitwise.records.wear_tables import ImportFile, Program
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fittings import fitted, life_of
from pitwise.services.permissions import Actor, require
from pitwise.services.program_counts import count_of
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import StationSettings, assumed_fields, settings_of
from pitwise.services.use_files import current_use
from pitwise.services.wear_book import FitInForce, carried, fit_in_force, histories, state_of
from pitwise.trade.model import Limit
from pitwise.wear.forecast import (
    FLEET_COMPONENTS,
    Components,
    components,
    depth_quantiles,
    remaining_starts,
)
from pitwise.wear.state import (
    ElectrodeState,
    new_electrode,
)
from pitwise.wear.words import basis_words, fit_notes

MOST_PLATES = 500
_COMPONENTS = 2 * FLEET_COMPONENTS


@dataclass(frozen=True)
class StartsLeft:
    """Starts until the pit reaches the limit: a forecast with its range.

    Attributes
    ----------
    p05, median, p95 : float
    minutes_per_start : float
        Arc minutes of those starts.
    limit_mm : float
    basis : str
        What it rests on, in words.
    plates : PlatesLeft or None
        The same in plates of the last program; None without a program.
    """

    p05: float
    median: float
    p95: float
    minutes_per_start: float
    limit_mm: float
    basis: str
    plates: PlatesLeft | None


@dataclass(frozen=True)
class PlatesLeft:
    """Whole plates of a program until the limit."""

    program: str
    p05: int
    median: int
    p95: int


@dataclass(frozen=True)
class _Set:
    """A torch's set as forecasts see it."""

    state: ElectrodeState
    fresh: ElectrodeState
    limit: Limit
    limit_mm: float


def _set_of(shop: Shop, session: Session, force: FitInForce, torch: Torch) -> _Set | None:
    """Return the set in a torch; None where no electrode is fitted or no limit holds."""
    electrode = fitted(session, torch.id).get(PIT_PART)
    limit = shop.sheet(session).limit_for(PIT_PART, "pit-depth", selector(torch.process))
    if electrode is None or limit is None:
        return None
    item = electrode.part_item_id
    life = life_of(session, item, current_use(session, torch.id))
    known = histories(session, [item]).of.get(item)
    process = torch.process.name
    state = carried(state_of(force, known, process), life.starts, life.arc_minutes)
    return _Set(state, new_electrode(force.fit, process), limit, float(limit_in(limit, "mm")))


def last_program(session: Session, settings: StationSettings) -> tuple[str, int, float] | None:
    """Return name, starts and arc minutes of the newest program in use that cuts."""
    found = session.execute(
        select(Program)
        .join(ImportFile, ImportFile.id == Program.file_id)
        .where(Program.withdrawn_at.is_(None))
        .order_by(ImportFile.imported_at.desc(), Program.ordinal)
        .limit(1)
    ).first()
    if found is None:
        return None
    program = found[0]
    try:
        count = count_of(session, program.id, settings)
    except ServiceError:
        # Not countable under this station's settings: the programs page says why.
        return None
    return (program.name, count.starts, count.arc_minutes) if count.starts else None


def starts_left(shop: Shop, session: Session, torch: Torch) -> StartsLeft | None:
    """Forecast the starts a torch's electrode has left; None without electrode or limit."""
    force = fit_in_force(shop, session)
    have = _set_of(shop, session, force, torch)
    if have is None:
        return None
    parts = components(have.state, FLEET_COMPONENTS)
    mix = have.state.minutes_per_start
    low, middle, high = (float(x) for x in remaining_starts(parts, have.limit_mm, mix))
    plates = None
    program = last_program(session, settings_of(session, torch.station_id))
    if program is not None:
        name, starts, minutes = program
        per = remaining_starts(parts, have.limit_mm, minutes / starts)
        plates = PlatesLeft(name, *(int(x // starts) for x in per))
    return StartsLeft(
        low,
        middle,
        high,
        mix,
        have.limit_mm,
        basis_words(have.state.basis, torch.process.name, have.state.readings),
        plates,
    )


@dataclass(frozen=True)
class Choice:
    """A program of the book, and how many plates of it are to be cut."""

    program_id: int
    times: int


@dataclass(frozen=True)
class AheadView:
    """A torch and the plates ahead of it.

    Attributes
    ----------
    torch : Torch
    outlook : Outlook
    limit : Limit
    limit_mm, depth_now_mm, depth_now_low_mm, depth_now_high_mm : float
    words : tuple of str
        The plan in sentences.
    notes : tuple of str
        What it rests on.
    bench : tuple of (str, int)
        Parts to have on the bench, and how many.
    settings : StationSettings
    assumed : frozenset of str
        Settings the shop has not set.
    """

    torch: Torch
    outlook: Outlook
    limit: Limit
    limit_mm: float
    depth_now_mm: float
    depth_now_low_mm: float
    depth_now_high_mm: float
    words: tuple[str, ...]
    notes: tuple[str, ...]
    bench: tuple[tuple[str, int], ...]
    settings: StationSettings
    assumed: frozenset[str]


@dataclass(frozen=True)
class QueueView:
    """A queue of plates shared by several torches.

    Attributes
    ----------
    plates : tuple of Plate
        The queue, in order.
    plans : tuple of (Torch, TorchPlan)
    words : dict of int to tuple of str
        By torch id, its plan in sentences.
    left_out : tuple of (Torch, str)
        Torches that can take no plate, and why.
    """

    plates: tuple[Plate, ...]
    plans: tuple[tuple[Torch, TorchPlan], ...]
    words: dict[int, tuple[str, ...]]
    left_out: tuple[tuple[Torch, str], ...]


def _plates(session: Session, choices: Sequence[Choice], settings: StationSettings) -> list[Plate]:
    plates: list[Plate] = []
    for choice in choices:
        if not 1 <= choice.times <= MOST_PLATES:
            raise ServiceError(
                "times", f"{choice.times} plates can't be", f"write 1 to {MOST_PLATES}"
            )
        program = session.get(Program, choice.program_id)
        if program is None or program.withdrawn_at is not None:
            raise NotFoundError(
                "program", f"program {choice.program_id} is not in use", "choose from the list"
            )
        count = count_of(session, program.id, settings)
        for n in range(choice.times):
            name = program.name + (f" {n + 1} of {choice.times}" if choice.times > 1 else "")
            plates.append(Plate(name, count.starts, count.arc_minutes, count.cuts))
        if len(plates) > MOST_PLATES:
            raise ServiceError("times", f"more than {MOST_PLATES} plates", "look less far ahead")
    if not plates:
        raise ServiceError("program", "no plate is chosen", "write how many of a program to cut")
    return plates


def _risk(shop: Shop, session: Session, settings: StationSettings) -> float:
    if settings.accepted_risk is None:
        return float(shop.sheet(session).constant("accepted-risk"))
    return settings.accepted_risk


def _torch(session: Session, torch_id: int) -> Torch:
    torch = session.get(Torch, torch_id)
    if torch is None:
        raise NotFoundError("torch", f"there is no torch {torch_id}", "choose from the list")
    return torch


def _need_set(found: _Set | None) -> _Set:
    if found is None:
        raise ServiceError(
            "torch", "has no electrode fitted, or no limit holds", "fit one on the torch's page"
        )
    return found


def ahead(shop: Shop, actor: Actor, torch_id: int, choices: Sequence[Choice]) -> AheadView:
    """Forecast the chosen plates, in order, for one torch, and plan its changes."""
    require(actor, "view")
    with shop.database.read() as session:
        torch = _torch(session, torch_id)
        settings = settings_of(session, torch.station_id)
        force = fit_in_force(shop, session)
        have = _need_set(_set_of(shop, session, force, torch))
        plates = _plates(session, choices, settings)
        risk = _risk(shop, session, settings)
        assumed = assumed_fields(session, torch.station_id)
        now = components(have.state, _COMPONENTS)
        outlook = look_ahead(
            now,
            components(have.fresh, _COMPONENTS),
            plates,
            have.limit_mm,
            settings.costs(),
            risk,
        )
        low, middle, high = _depth_now(now)
        names = (
            shop.sheet(session).part("electrode").name,
            shop.sheet(session).part("nozzle").name,
        )
        return AheadView(
            torch=torch,
            outlook=outlook,
            limit=have.limit,
            limit_mm=have.limit_mm,
            depth_now_mm=middle,
            depth_now_low_mm=low,
            depth_now_high_mm=high,
            words=plan_words(outlook),
            notes=(
                basis_words(have.state.basis, torch.process.name, have.state.readings),
                *fit_notes(force.fit),
            ),
            bench=tuple((name, outlook.sets_to_have) for name in names)
            if outlook.sets_to_have
            else (),
            settings=settings,
            assumed=assumed,
        )


def _depth_now(parts: Components) -> tuple[float, float, float]:
    low, middle, high = depth_quantiles(parts, [0.0], [0.0])[:, 0]
    return float(low), float(middle), float(high)


def queue(
    shop: Shop, actor: Actor, torch_ids: Sequence[int], choices: Sequence[Choice]
) -> QueueView:
    """Deal a queue of plates to several torches and plan each one's changes.

    Plates are counted as the first torch's station reads them.
    """
    require(actor, "view")
    if not torch_ids:
        raise ServiceError("torch", "no torch is chosen", "choose one at least")
    with shop.database.read() as session:
        torches = [_torch(session, t) for t in dict.fromkeys(torch_ids)]
        plates = _plates(session, choices, settings_of(session, torches[0].station_id))
        force = fit_in_force(shop, session)
        able: list[tuple[Torch, TorchAhead]] = []
        left_out: list[tuple[Torch, str]] = []
        for torch in torches:
            have = _set_of(shop, session, force, torch)
            if have is None:
                left_out.append((torch, "no electrode is fitted, or no limit holds"))
                continue
            settings = settings_of(session, torch.station_id)
            able.append(
                (
                    torch,
                    TorchAhead(
                        torch.name,
                        components(have.state, FLEET_COMPONENTS),
                        components(have.fresh, FLEET_COMPONENTS),
                        have.limit_mm,
                        settings.costs(),
                        _risk(shop, session, settings),
                    ),
                )
            )
        if not able:
            raise ServiceError(
                "torch", "none of them can take a plate: " + left_out[0][1], "fit an electrode"
            )
        plans = share_queue([t for _, t in able], plates)
        return QueueView(
            tuple(plates),
            tuple((torch, plan) for (torch, _), plan in zip(able, plans, strict=True)),
            {
                torch.id: plan_words(plan.outlook) if plan.outlook else ("No plate came its way.",)
                for (torch, _), plan in zip(able, plans, strict=True)
            },
            tuple(left_out),
        )
