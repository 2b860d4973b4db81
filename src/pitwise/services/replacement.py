"""When to change: the habit, the best depth and interval, and the best age, with their money.

The reckoning is the wear model's own (`pitwise.wear.replacement`); this brings the book's fit,
lives, habit and costs to it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.measure.conformity import limit_in
from pitwise.records.tables import Gauge, InspectionRow, Process, Station, Torch
from pitwise.services.errors import NotFoundError
from pitwise.services.life_book import part_lives
from pitwise.services.life_model import PartLife
from pitwise.services.metres import NoMetres, count_for_metres, metres_per_minute
from pitwise.services.periods import today
from pitwise.services.permissions import Actor, require
from pitwise.services.replacement_ages import age_advice
from pitwise.services.replacement_costs import costs_of
from pitwise.services.replacement_depth import depth_advice
from pitwise.services.replacement_habit import booked_use
from pitwise.services.replacement_model import (
    LossesKnown,
    ProcessChoice,
    ReplacementView,
)
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import settings_of
from pitwise.services.wear_book import FitInForce, fit_in_force, latest_row
from pitwise.trade.model import PART_SLUGS
from pitwise.wear.cant_tell import CantTell


def replacement_view(shop: Shop, actor: Actor, process_id: int | None = None) -> ReplacementView:
    """Return when to change on a process, and what the habit costs beside it.

    Parameters
    ----------
    shop, actor
    process_id : int or None
        None: the process with the most electrodes on record.

    Raises
    ------
    NotFoundError
        There is no such process, or no electrode was ever fitted on it.
    """
    require(actor, "view")
    count_for_metres(shop)
    with shop.database.read() as session:
        lives = part_lives(session)
        electrodes = [p for p in lives if p.part == PIT_PART]
        counted = Counter((p.process_id, p.process) for p in electrodes)
        choices = tuple(ProcessChoice(k, name, n) for (k, name), n in counted.most_common())
        if process_id is None and choices:
            process_id = choices[0].id
        if process_id is None:
            return _empty()
        process = session.get(Process, process_id)
        if process is None or process_id not in {c.id for c in choices}:
            raise NotFoundError(
                "process",
                f"no electrode was ever fitted on process {process_id}",
                "choose from the list",
            )
        mine = [p for p in lives if p.process_id == process_id]
        own = [p for p in mine if p.part == PIT_PART]
        # Whichever part was lost, the torch came apart before its look was due.
        out_of_turn = {p.inspection_id for p in lives if p.end == "lost" and p.inspection_id}
        use, looks = booked_use(session, own, process_id, shop.clock(), out_of_turn)
        money = costs_of(session, mine, process_id, shop.clock())
        metres = metres_per_minute(session, torches={p.torch_id for p in own})
        sheet = shop.sheet(session)
        limit = sheet.limit_for(PIT_PART, "pit-depth", selector(process))
        limit_mm = None if limit is None else float(limit_in(limit, "mm"))
        risk = _risk(session, own, float(sheet.constant("accepted-risk")))
        force = fit_in_force(shop, session)
        basis = _losses_known(session, force, lives)
        names = {slug: sheet.part(slug).name for slug in PART_SLUGS}
        ages = age_advice(session, shop, mine, money, names)
        gauge = _gauge_u_mm(session, process_id)
        process_name = process.name
    # The simulation runs outside any unit of work: nobody waits while it does.
    depth = depth_advice(
        force, process_name, limit_mm, money, use, looks, risk, gauge, metres, basis
    )
    return ReplacementView(
        choices,
        process_id,
        process_name,
        limit,
        limit_mm,
        risk,
        basis,
        use,
        money,
        metres,
        depth,
        ages,
    )


def _empty() -> ReplacementView:
    none = CantTell(
        "No electrode was ever fitted: there is nothing to reckon with.",
        "fit the sets on the torches’ pages, and sign inspections",
    )
    nothing = NoMetres(none.reason, none.mend)
    return ReplacementView(
        (), None, "", None, None, 0.0, LossesKnown(0, None, 0), None, None, nothing, none, ()
    )


def _losses_known(session: Session, force: FitInForce, lives: Sequence[PartLife]) -> LossesKnown:
    """What the fit knew of losses in the cut, and what the book holds by now."""
    row = latest_row(session) if force.id is not None else None
    now = sum(p.part == PIT_PART and p.end == "lost" for p in lives)
    return LossesKnown(force.fit.losses.losses, None if row is None else today(row.fitted_at), now)


def _risk(session: Session, lives: Sequence[PartLife], of_sheet: float) -> float:
    """The least accepted risk of the stations that run the process."""
    torches = {p.torch_id for p in lives}
    stations = session.scalars(
        select(Station.id).join(Torch, Torch.station_id == Station.id).where(Torch.id.in_(torches))
    )
    own = [settings_of(session, s).accepted_risk for s in stations]
    return min([of_sheet if r is None else r for r in own], default=of_sheet)


def _gauge_u_mm(session: Session, process_id: int) -> float | None:
    """Uncertainty of a reading with the gauge last used on the process; None: not known."""
    u = session.scalar(
        select(Gauge.u_mm)
        .join(InspectionRow, InspectionRow.gauge_id == Gauge.id)
        .where(InspectionRow.process_id == process_id, InspectionRow.state == "signed")
        .order_by(InspectionRow.signed_at.desc())
        .limit(1)
    )
    return u if u else None
