"""What photos told of one part over its starts, and how long its hole will last."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.measure.conformity import limit_in
from pitwise.records.photo_tables import DecisionMeasure
from pitwise.records.tables import DecisionRow, InspectionRow, PartItem, Torch
from pitwise.services.errors import NotFoundError
from pitwise.services.fittings import fitted, life_of
from pitwise.services.permissions import Actor, require
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.services.use_files import current_use
from pitwise.services.wear_book import GROWTH, PART_OF, carried, fit_in_force, histories, state_of
from pitwise.trade.model import Limit
from pitwise.trade.quantities import WORDS, quantities_of
from pitwise.wear.forecast import FLEET_COMPONENTS, components, remaining_starts


@dataclass(frozen=True)
class HolePoint:
    """A measured length of a part at one signed inspection."""

    inspection_id: int
    at: dt.datetime
    starts: int
    value_mm: float
    u_mm: float


@dataclass(frozen=True)
class HoleCourse:
    """A measured length over a part's starts, and the limit in force for it now."""

    quantity: str
    name: str
    points: list[HolePoint]
    limit: Limit | None


@dataclass(frozen=True)
class GrowthLeft:
    """Starts until the hole has grown to its limit: 5 %, 50 % and 95 % points.

    `own_fit` tells whether the shop's own readings are behind it, or the sheet's belief alone.
    """

    low: float
    middle: float
    high: float
    own_fit: bool


@dataclass(frozen=True)
class HoleHistory:
    """Everything photos told of a part."""

    courses: list[HoleCourse]
    left: GrowthLeft | None


def hole_history(shop: Shop, actor: Actor, item_id: int) -> HoleHistory:
    """Return what photos told of a part, superseded inspections left out."""
    require(actor, "view")
    with shop.database.read() as session:
        item = session.get(PartItem, item_id)
        if item is None:
            raise NotFoundError("part", f"there is no part {item_id}", "choose from a torch")
        part = item.part_type.part
        points = _points(session, item.id, part)
        if not points:
            return HoleHistory([], None)
        last = session.execute(
            select(InspectionRow)
            .join(DecisionRow, DecisionRow.inspection_id == InspectionRow.id)
            .where(DecisionRow.part_item_id == item.id, InspectionRow.state == "signed")
            .order_by(InspectionRow.signed_at.desc())
            .limit(1)
        ).scalar_one()
        torch = session.get_one(Torch, last.torch_id)
        sheet = shop.sheet(session)
        process = selector(torch.process)
        courses = [
            HoleCourse(q, WORDS[q].name, points[q], sheet.limit_for(part, q, process))
            for q in quantities_of(part)
            if q in points
        ]
        return HoleHistory(courses, _left(shop, session, item, torch, courses))


def _points(session: Session, item_id: int, part: str) -> dict[str, list[HolePoint]]:
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    rows = session.execute(
        select(DecisionMeasure, DecisionRow.life_starts, InspectionRow)
        .join(InspectionRow, InspectionRow.id == DecisionMeasure.inspection_id)
        .join(
            DecisionRow,
            (DecisionRow.inspection_id == DecisionMeasure.inspection_id)
            & (DecisionRow.part == DecisionMeasure.part),
        )
        .where(
            DecisionMeasure.part_item_id == item_id,
            DecisionMeasure.part == part,
            InspectionRow.state == "signed",
            InspectionRow.id.not_in(superseded),
        )
        .order_by(InspectionRow.signed_at, InspectionRow.id)
    )
    out: dict[str, list[HolePoint]] = {}
    for measure, starts, row in rows:
        out.setdefault(measure.quantity, []).append(
            HolePoint(
                row.id,
                row.signed_at or row.opened_at,
                starts or 0,
                measure.value_mm,
                measure.u_mm,
            )
        )
    return out


def _left(
    shop: Shop, session: Session, item: PartItem, torch: Torch, courses: list[HoleCourse]
) -> GrowthLeft | None:
    """Forecast the starts a nozzle in a torch has left before its hole reaches its limit."""
    growth = next((c for c in courses if c.quantity == GROWTH), None)
    if growth is None or growth.limit is None or item.part_type.part != PART_OF[GROWTH]:
        return None
    there = fitted(session, torch.id).get(item.part_type.part)
    if there is None or there.part_item_id != item.id:
        return None
    known = histories(session, [item.id], quantity=GROWTH).of.get(item.id)
    if known is None:
        return None
    force = fit_in_force(shop, session, GROWTH)
    life = life_of(session, item.id, current_use(session, torch.id))
    state = carried(state_of(force, known, torch.process.name), life.starts, life.arc_minutes)
    parts = components(state, FLEET_COMPONENTS)
    low, middle, high = (
        float(x)
        for x in remaining_starts(
            parts, float(limit_in(growth.limit, "mm")), state.minutes_per_start
        )
    )
    return GrowthLeft(low, middle, high, force.id is not None)
