"""Stations, torches, processes, gauges, part types: what the shop has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.case import coolant_id
from pitwise.measure.depth import MM_PER_UNIT
from pitwise.records.tables import Gauge, PartType, Process, Station, Torch
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import PART_SLUGS, ProcessSelector


@dataclass(frozen=True)
class ShopList:
    """Everything the shop page lists."""

    stations: list[Station]
    torches: list[Torch]
    processes: list[Process]
    gauges: list[Gauge]
    part_types: list[PartType]


def shop_list(shop: Shop, actor: Actor) -> ShopList:
    """Return stations, torches, processes, gauges and part types, by name."""
    require(actor, "view")
    with shop.database.read() as session:
        types = session.scalars(select(PartType).order_by(PartType.name)).all()
        return ShopList(
            list(session.scalars(select(Station).order_by(Station.name))),
            list(session.scalars(select(Torch).order_by(Torch.name))),
            list(session.scalars(select(Process).order_by(Process.name))),
            list(session.scalars(select(Gauge).order_by(Gauge.name))),
            sorted(types, key=lambda t: (PART_SLUGS.index(t.part), t.name)),
        )


def selector(process: Process) -> ProcessSelector:
    """Return a process of the book as what limits are chosen by."""
    return ProcessSelector(
        amps=process.amps,
        material=process.material or None,
        plasma_gas=process.plasma_gas or None,
        shield_gas=process.shield_gas or None,
    )


def _free(session: Session, table: type[Any], name: str, kind: str) -> str:
    if session.scalar(select(table).where(table.name == name)) is not None:
        raise ConflictError("name", f"there is a {kind} '{name}' already", "choose another name")
    return name


def _get(session: Session, table: type[Any], key: int, kind: str) -> Any:
    row = session.get(table, key)
    if row is None:
        raise NotFoundError(kind, f"there is no {kind} {key}", "choose from the list")
    return row


def _coolant(shop: Shop, text: str | None) -> str | None:
    if not text:
        return None
    found = coolant_id(shop.base, text)
    if found is None:
        names = ", ".join(c.id for c in shop.base.coolants)
        raise ServiceError("coolant", f"'{text[:40]}' is not known", f"use one of: {names}")
    return found


def add_station(shop: Shop, actor: Actor, *, name: str, coolant: str | None = None) -> int:
    """Add a cutting table, with the coolant its torches run on."""
    require(actor, "edit-shop")
    name = clean_text("name", name)
    known = _coolant(shop, coolant)
    with shop.database.write() as session:
        row = Station(name=_free(session, Station, name, "station"), coolant=known)
        session.add(row)
        session.flush()
        shop.note(session, actor, "station-added", f"station {row.id}", name=name, coolant=known)
        return row.id


def change_coolant(shop: Shop, actor: Actor, station_id: int, coolant: str | None) -> None:
    """Set a station's coolant on record."""
    require(actor, "edit-shop")
    known = _coolant(shop, coolant)
    with shop.database.write() as session:
        row = _get(session, Station, station_id, "station")
        before, row.coolant = row.coolant, known
        shop.note(
            session, actor, "station-changed", f"station {row.id}", before=before, coolant=known
        )


def add_process(
    shop: Shop,
    actor: Actor,
    *,
    name: str,
    amps: float | None,
    material: str | None = None,
    plasma_gas: str | None = None,
    shield_gas: str | None = None,
) -> int:
    """Add a process: amps, material and gases."""
    require(actor, "edit-shop")
    name = clean_text("name", name)
    if amps is not None and not 1 <= amps <= 2000:
        raise ServiceError("amps", f"{amps:g} A is out of range", "give 1 to 2000 A")
    with shop.database.write() as session:
        row = Process(
            name=_free(session, Process, name, "process"),
            amps=amps,
            material=clean_text("material", material, empty_ok=True) or None,
            plasma_gas=clean_text("plasma gas", plasma_gas, empty_ok=True) or None,
            shield_gas=clean_text("shield gas", shield_gas, empty_ok=True) or None,
        )
        session.add(row)
        session.flush()
        shop.note(session, actor, "process-added", f"process {row.id}", name=name, amps=amps)
        return row.id


def add_gauge(
    shop: Shop, actor: Actor, *, name: str, unit: str, u_mm: float | None, source: str | None
) -> int:
    """Add a depth gauge; without `u_mm` the sheet's assumed value is taken, and said so."""
    require(actor, "edit-shop")
    name = clean_text("name", name)
    if unit not in MM_PER_UNIT:
        raise ServiceError("unit", f"'{unit[:10]}' is not a unit", "use mm, thou or in")
    source = clean_text("source of the uncertainty", source, longest=200, empty_ok=True)
    if u_mm is None:
        row = next(c for c in shop.base.constants if c.id == "gauge-u-default")
        u_mm, source = float(row.value), f"assumed: {row.source}"
    elif not source:
        raise ServiceError(
            "source of the uncertainty", "is empty", "say where the figure comes from"
        )
    if not 0 <= u_mm <= 1:
        raise ServiceError("uncertainty", f"{u_mm:g} mm is out of range", "give 0 to 1 mm")
    with shop.database.write() as session:
        gauge = Gauge(
            name=_free(session, Gauge, name, "gauge"), unit=unit, u_mm=u_mm, source=source
        )
        session.add(gauge)
        session.flush()
        shop.note(session, actor, "gauge-added", f"gauge {gauge.id}", name=name, u_mm=u_mm)
        return gauge.id


def change_gauge(shop: Shop, actor: Actor, gauge_id: int, *, u_mm: float, source: str) -> None:
    """Set a gauge's standard uncertainty, with where it comes from."""
    require(actor, "edit-shop")
    source = clean_text("source of the uncertainty", source, longest=200)
    if not 0 <= u_mm <= 1:
        raise ServiceError("uncertainty", f"{u_mm:g} mm is out of range", "give 0 to 1 mm")
    with shop.database.write() as session:
        row = _get(session, Gauge, gauge_id, "gauge")
        before, row.u_mm, row.source = row.u_mm, u_mm, source
        shop.note(
            session,
            actor,
            "gauge-changed",
            f"gauge {row.id}",
            before=before,
            u_mm=u_mm,
            source=source,
        )


def add_torch(
    shop: Shop,
    actor: Actor,
    *,
    name: str,
    station_id: int,
    process_id: int,
    gauge_id: int,
    due_starts: int | None = None,
) -> int:
    """Add a torch to a station, with its usual process, gauge and inspection interval."""
    require(actor, "edit-shop")
    name = clean_text("name", name)
    with shop.database.write() as session:
        row = Torch(
            name=_free(session, Torch, name, "torch"),
            station_id=_get(session, Station, station_id, "station").id,
            process_id=_get(session, Process, process_id, "process").id,
            gauge_id=_get(session, Gauge, gauge_id, "gauge").id,
            due_starts=due_starts,
        )
        session.add(row)
        session.flush()
        shop.note(session, actor, "torch-added", f"torch {row.id}", name=name, process=process_id)
        return row.id


def change_torch(
    shop: Shop,
    actor: Actor,
    torch_id: int,
    *,
    process_id: int,
    gauge_id: int,
    due_starts: int | None,
) -> None:
    """Change a torch's usual process, gauge and inspection interval."""
    require(actor, "edit-shop")
    with shop.database.write() as session:
        row = _get(session, Torch, torch_id, "torch")
        before = row.process_id
        row.process_id = _get(session, Process, process_id, "process").id
        row.gauge_id = _get(session, Gauge, gauge_id, "gauge").id
        row.due_starts = due_starts
        shop.note(
            session,
            actor,
            "torch-changed",
            f"torch {row.id}",
            process=process_id,
            process_before=before,
            gauge=gauge_id,
            due_starts=due_starts,
        )


def add_part_type(shop: Shop, actor: Actor, *, part: str, name: str) -> int:
    """Add a kind of part under the shop's own name for it."""
    require(actor, "edit-shop")
    if part not in PART_SLUGS:
        raise ServiceError("part", f"'{part[:20]}' is not a part", f"use {', '.join(PART_SLUGS)}")
    name = clean_text("name", name)
    with shop.database.write() as session:
        if session.scalar(select(PartType).where(PartType.part == part, PartType.name == name)):
            raise ConflictError("name", f"there is a part type '{name}' already", "choose another")
        row = PartType(part=part, name=name)
        session.add(row)
        session.flush()
        shop.note(session, actor, "part-type-added", f"part type {row.id}", part=part, name=name)
        return row.id
