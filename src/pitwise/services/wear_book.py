"""The wear model on the book's own readings: histories, the fit in force, states, refits."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.measure.conformity import Expected
from pitwise.records.photo_tables import DecisionMeasure
from pitwise.records.tables import DecisionRow, Fitting, InspectionRow, Process
from pitwise.records.wear_tables import WearFit as WearFitRow
from pitwise.services.hole_growth import one_offset
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.forecast import (
    FLEET_COMPONENTS,
    components,
    depth_moments,
    depth_quantiles,
)
from pitwise.wear.history import Ended, History, HistoryError, Step
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.state import (
    ElectrodeState,
    known_electrode,
    move,
    new_electrode,
    observe,
    use,
)
from pitwise.wear.store import fit_from_plain, fit_to_plain

QUANTITY = "pit-depth"
GROWTH = "orifice-growth"
# The part each quantity is read on.
PART_OF = {QUANTITY: PIT_PART, GROWTH: "nozzle"}
_REFIT_SHARE = 0.1
_REFIT_LEAST = 3
# No new emitter is flatter than this (common practice, no source).
_LEAST_SD_MM = 0.01


@dataclass(frozen=True)
class Histories:
    """Electrodes of the book with their signed readings.

    Attributes
    ----------
    of : dict of int to History
        By part item; named by its id.
    left_out : dict of int to str
        Electrodes whose uses can't be, and why.
    """

    of: dict[int, History]
    left_out: dict[int, str]

    @property
    def readings(self) -> int:
        """Readings in all."""
        return sum(h.readings for h in self.of.values())


def histories(
    session: Session,
    items: Iterable[int] | None = None,
    without: int | None = None,
    quantity: str = QUANTITY,
) -> Histories:
    """Read the signed readings of electrodes, superseded inspections left out.

    "Electrode" stands for the part `quantity` is read on: the growth of a nozzle's hole is
    read from photos. Nozzles never measured are left out; they say nothing of its growth.

    Parameters
    ----------
    session : Session
    items : iterable of int or None
        Part items; None for all.
    without : int or None
        An inspection to leave out (the one being corrected).
    quantity : {"pit-depth", "orifice-growth"}
    """
    part = PART_OF[quantity]
    value: Any = DecisionRow.pit_mm
    u_of: Any = DecisionRow.pit_u_mm
    if quantity != QUANTITY:
        value, u_of = DecisionMeasure.value_mm, DecisionMeasure.u_mm
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    query = (
        select(
            DecisionRow.part_item_id,
            DecisionRow.life_starts,
            DecisionRow.life_minutes,
            value,
            u_of,
            Process.name,
        )
        .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
        .join(Process, Process.id == InspectionRow.process_id)
        .where(
            DecisionRow.part == part,
            DecisionRow.part_item_id.is_not(None),
            DecisionRow.life_starts.is_not(None),
            InspectionRow.state == "signed",
            InspectionRow.id.not_in(superseded),
            InspectionRow.id.is_distinct_from(without),
        )
        .order_by(InspectionRow.signed_at, InspectionRow.id)
    )
    if quantity != QUANTITY:
        query = query.outerjoin(
            DecisionMeasure,
            (DecisionMeasure.inspection_id == DecisionRow.inspection_id)
            & (DecisionMeasure.part == part)
            & (DecisionMeasure.quantity == quantity),
        )
        measured = select(DecisionMeasure.part_item_id).where(
            DecisionMeasure.quantity == quantity, DecisionMeasure.part == part
        )
        query = query.where(DecisionRow.part_item_id.in_(measured))
    ends_query = select(Fitting.part_item_id, Fitting.end).where(
        Fitting.part == part, Fitting.void.is_(False), Fitting.end.in_(("replaced", "lost"))
    )
    if without is not None:
        ends_query = ends_query.where(Fitting.removed_by_inspection.is_distinct_from(without))
    if items is not None:
        wanted = list(items)
        query = query.where(DecisionRow.part_item_id.in_(wanted))
        ends_query = ends_query.where(Fitting.part_item_id.in_(wanted))
    steps: dict[int, list[Step]] = {}
    for item, starts, minutes, pit, u, process in session.execute(query):
        if item is None or starts is None:
            continue
        sigma = u if u and u > 0 else None
        steps.setdefault(item, []).append(
            Step(float(starts), float(minutes or 0.0), pit, process, sigma)
        )
    ends: dict[int, Ended] = {
        item: "lost" if end == "lost" else "replaced" for item, end in session.execute(ends_query)
    }
    if quantity == GROWTH:
        steps = one_offset(session, steps)
    found, left_out = {}, {}
    for item, own in steps.items():
        try:
            found[item] = History(str(item), tuple(own), ends.get(item, "running"))
        except HistoryError as error:
            left_out[item] = error.problem
    return Histories(found, left_out)


@dataclass(frozen=True)
class FitInForce:
    """The fit forecasts are made by.

    Attributes
    ----------
    id : int or None
        The stored fit; None: nothing is stored, the sheet's prior speaks.
    fit : WearFit
    seen : dict of str to int
        Steps of each electrode the fit has seen, by its name.
    """

    id: int | None
    fit: WearFit
    seen: dict[str, int]


@lru_cache(maxsize=8)
def _parsed(body: str) -> tuple[WearFit, dict[str, int]] | None:
    data = json.loads(body)
    try:
        return fit_from_plain(data["fit"]), data["seen"]
    except ValueError:
        # Written by another version: as good as none, and `refit_if_due` makes a new one.
        return None


@lru_cache(maxsize=8)
def _prior_alone(prior: GrowthPrior) -> WearFit:
    return fit_wear((), prior)


def latest_row(session: Session, quantity: str = QUANTITY) -> WearFitRow | None:
    """Return the newest stored fit."""
    return session.scalars(
        select(WearFitRow)
        .where(WearFitRow.quantity == quantity)
        .order_by(WearFitRow.fitted_at.desc(), WearFitRow.id.desc())
        .limit(1)
    ).first()


def fit_in_force(shop: Shop, session: Session, quantity: str = QUANTITY) -> FitInForce:
    """Return the newest stored fit, or the trade sheet's prior where there is none."""
    row = latest_row(session, quantity)
    read = _parsed(row.body) if row is not None else None
    if row is None or read is None:
        return FitInForce(None, _prior_alone(GrowthPrior.of(shop.sheet(session), quantity)), {})
    return FitInForce(row.id, *read)


def fit_before(session: Session, at: dt.datetime) -> FitInForce | None:
    """Return the newest stored fit made before a moment; None where there is none."""
    row = session.scalars(
        select(WearFitRow)
        .where(WearFitRow.quantity == QUANTITY, WearFitRow.fitted_at < at)
        .order_by(WearFitRow.fitted_at.desc(), WearFitRow.id.desc())
        .limit(1)
    ).first()
    read = _parsed(row.body) if row is not None else None
    return FitInForce(row.id, *read) if row is not None and read is not None else None


def refit(shop: Shop, actor: Actor, quantity: str = QUANTITY) -> int | None:
    """Fit the wear model to all readings of the book and store the fit.

    Returns
    -------
    int or None
        The stored fit's id; None when the book holds no reading.
    """
    require(actor, "fit-wear")
    return _refit(shop, actor, quantity)


def _refit(shop: Shop, actor: Actor, quantity: str) -> int | None:
    with shop.database.read() as session:
        known = histories(session, quantity=quantity)
        prior = GrowthPrior.of(shop.sheet(session), quantity)
    if not known.readings:
        return None
    # The fit runs outside any unit of work: nobody waits to write while it does.
    fit = fit_wear(list(known.of.values()), prior)
    body = json.dumps(
        {
            "fit": fit_to_plain(fit),
            "seen": {h.name: len(h.steps) for h in known.of.values()},
        },
        separators=(",", ":"),
        allow_nan=False,
    )
    with shop.database.write() as session:
        row = WearFitRow(
            quantity=quantity,
            fitted_at=shop.clock(),
            fitted_by=actor.person_id,
            readings=fit.readings,
            electrodes=fit.electrodes,
            body=body,
            sha256=hashlib.sha256(body.encode()).hexdigest(),
        )
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            "wear-fitted",
            f"fit {row.id}",
            **({} if quantity == QUANTITY else {"quantity": quantity}),
            readings=fit.readings,
            electrodes=fit.electrodes,
            sha256=row.sha256,
        )
        return row.id


def refit_if_due(shop: Shop, actor: Actor, quantity: str = QUANTITY) -> int | None:
    """Fit again when a tenth more readings (three at least) came in since the last fit."""
    with shop.database.read() as session:
        row = latest_row(session, quantity)
        read = _parsed(row.body) if row is not None else None
        now = _signed_readings(session, quantity)
    fitted = (row.readings + len(read[0].set_aside)) if row is not None and read is not None else 0
    due = now > 0 if read is None else now - fitted >= max(_REFIT_LEAST, _REFIT_SHARE * fitted)
    return _refit(shop, actor, quantity) if due else None


def _signed_readings(session: Session, quantity: str) -> int:
    if quantity != QUANTITY:
        return (
            session.scalar(
                select(func.count())
                .select_from(DecisionMeasure)
                .where(
                    DecisionMeasure.part == PART_OF[quantity],
                    DecisionMeasure.quantity == quantity,
                )
            )
            or 0
        )
    return (
        session.scalar(
            select(func.count())
            .select_from(DecisionRow)
            .where(DecisionRow.part == PIT_PART, DecisionRow.pit_mm.is_not(None))
        )
        or 0
    )


def state_of(force: FitInForce, history: History | None, process: str) -> ElectrodeState:
    """Return an electrode's state after all its signed readings, on a process.

    Readings the fit has seen are not counted twice; later ones update the state alone.
    """
    fit = force.fit
    if history is None:
        return new_electrode(fit, process)
    wild = {x.step for x in fit.set_aside if x.electrode == history.name}
    steps = tuple(
        replace(step, depth_mm=None) if k in wild else step for k, step in enumerate(history.steps)
    )
    seen = min(force.seen.get(history.name, 0), len(steps))
    if seen:
        state = known_electrode(fit, replace(history, steps=steps[:seen]), in_fit=True)
    else:
        state = new_electrode(fit, steps[0].process)
    for step in steps[seen:]:
        state = use(move(fit, state, step.process), step.starts, step.arc_minutes)
        if step.depth_mm is not None:
            state = observe(state, step.depth_mm, step.sigma_mm)
    return move(fit, state, process)


def carried(state: ElectrodeState, starts: float, arc_minutes: float) -> ElectrodeState:
    """Carry a state on to a use, never back: a counter corrected down counts as no use."""
    return use(state, max(starts, state.starts), max(arc_minutes, state.arc_minutes))


@lru_cache(maxsize=256)
def _expected(
    body: str, history: History | None, process: str, starts: float, arc_minutes: float
) -> Expected | None:
    read = _parsed(body)
    if read is None:
        return None
    state = carried(state_of(FitInForce(None, *read), history, process), starts, arc_minutes)
    parts = components(state, FLEET_COMPONENTS)
    mean, sd = depth_moments(parts, 0.0, 0.0)
    low, high = depth_quantiles(parts, [0.0], [0.0], (0.005, 0.995), of_reading=True)[:, 0]
    return Expected(mean, max(sd, _LEAST_SD_MM), float(low), float(high))


def expected_pit(
    session: Session,
    item: int,
    process: str,
    starts: float,
    arc_minutes: float,
    without: int | None = None,
) -> Expected | None:
    """Forecast an electrode's pit at a use (since new), from what was known before.

    Returns
    -------
    Expected or None
        None while no fit is stored: the sheet's prior alone is no shop's experience. None
        without use on record: what the part did before the book met it nobody knows.
    """
    row = latest_row(session)
    if row is None or (starts <= 0 and arc_minutes <= 0):
        return None
    history = histories(session, [item], without).of.get(item)
    return _expected(row.body, history, process, starts, arc_minutes)
