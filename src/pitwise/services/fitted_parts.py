"""The parts first fitted in a period: at what price, on which process, and what they replaced."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import Fitting, InspectionRow, PartItem, PartType, Process, Torch
from pitwise.services.life_book import how_ended
from pitwise.services.life_model import PartLife
from pitwise.services.life_reasons import why_replaced
from pitwise.services.loss_list import Reasons
from pitwise.services.periods import Period
from pitwise.services.shelf_prices import Prices
from pitwise.services.shopfloor import Shop
from pitwise.services.usual_process import usual_processes

FIRST_SET = "First set: nothing came out for it"
TAKEN_OUT = "Taken out by hand"


@dataclass(frozen=True)
class FittedPart:
    """A part fitted for the first time.

    Attributes
    ----------
    item_id : int
    tag, part, part_type : str
    part_type_id, torch_id, process_id : int
    torch, process : str
    at : datetime
    inspection_id : int or None
        The inspection that fitted it.
    price : (float, str) or None
        And its currency; None: not known.
    why : str
        Why the part before it came out.
    by_first : bool
        The price is the first known, from after it was fitted.
    """

    item_id: int
    tag: str
    part: str
    part_type: str
    part_type_id: int
    torch_id: int
    torch: str
    process_id: int
    process: str
    at: dt.datetime
    inspection_id: int | None
    price: tuple[float, str] | None
    why: str
    by_first: bool = False


def fitted_parts(
    shop: Shop,
    session: Session,
    period: Period,
    lives: Sequence[PartLife],
    prices: Prices,
) -> list[FittedPart]:
    """Return the parts first fitted in a period, newest first; one moved on counts once."""
    rows = session.execute(
        select(
            Fitting.id,
            Fitting.part_item_id,
            Fitting.part,
            Fitting.torch_id,
            Fitting.fitted_at,
            Fitting.fitted_by_inspection,
            PartItem.tag,
            PartItem.part_type_id,
            PartType.name.label("part_type"),
            InspectionRow.process_id,
        )
        .join(PartItem, PartItem.id == Fitting.part_item_id)
        .join(PartType, PartType.id == PartItem.part_type_id)
        .outerjoin(InspectionRow, InspectionRow.id == Fitting.fitted_by_inspection)
        .where(Fitting.void.is_(False))
        .order_by(Fitting.fitted_at, Fitting.id)
    ).all()
    torches = {t.id: t for t in session.scalars(select(Torch))}
    processes = {p.id: p.name for p in session.scalars(select(Process))}
    reasons = Reasons(shop, session, lives)
    came_out = _came_out(session, lives)
    usual = usual_processes(session)
    seen: set[int] = set()
    out = []
    for r in rows:
        if r.part_item_id in seen:
            continue
        seen.add(r.part_item_id)
        if not period.since <= r.fitted_at < period.until:
            continue
        torch = torches[r.torch_id]
        process = r.process_id or usual.at(r.torch_id, r.fitted_at)
        before = came_out.get(r.id)
        price = prices.at(r.part_type_id, r.fitted_at)
        out.append(
            FittedPart(
                r.part_item_id,
                r.tag,
                r.part,
                r.part_type,
                r.part_type_id,
                torch.id,
                torch.name,
                process,
                processes[process],
                r.fitted_at,
                r.fitted_by_inspection,
                price or prices.first(r.part_type_id),
                _why(reasons, before),
                price is None and prices.first(r.part_type_id) is not None,
            )
        )
    return out[::-1]


def _came_out(session: Session, lives: Sequence[PartLife]) -> dict[int, PartLife]:
    """Return by fitting what had left its place last; none where nothing was there before.

    A part that went in again later, here or elsewhere, is given as it was when it left: its
    life until then, and the reason it came out for.
    """
    of_item = {x.item_id: x for x in lives}
    rows = session.execute(
        select(
            Fitting.id,
            Fitting.torch_id,
            Fitting.part,
            Fitting.part_item_id,
            Fitting.removed_at,
            Fitting.removed_by_inspection,
            Fitting.end,
        )
        .where(Fitting.void.is_(False))
        .order_by(Fitting.torch_id, Fitting.part, Fitting.fitted_at, Fitting.id)
    ).all()
    went_on = {
        r.id: r
        for r in rows
        if r.removed_at is not None and of_item[r.part_item_id].ended_at != r.removed_at
    }
    by = {r.removed_by_inspection for r in went_on.values()}
    whys = why_replaced(session, [i for i in by if i is not None])
    out: dict[int, PartLife] = {}
    for before, row in pairwise(rows):
        if (before.torch_id, before.part) != (row.torch_id, row.part):
            continue
        life = of_item[before.part_item_id]
        if before.id in went_on:
            end, reasons, own = how_ended(
                before.part, before.removed_at, before.removed_by_inspection, before.end, whys
            )
            life = replace(
                life,
                torch_id=before.torch_id,
                ended_at=before.removed_at,
                end=end,
                reasons=reasons,
                own_reason=own,
                inspection_id=before.removed_by_inspection,
            )
        out[row.id] = life
    return out


def _why(reasons: Reasons, before: PartLife | None) -> str:
    if before is None:
        return FIRST_SET
    return TAKEN_OUT if before.taken_out else reasons.of(before).words
