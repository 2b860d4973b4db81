"""How a gauge study ends: finish, discard; what it says; and its spread adopted as a gauge's u."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import dataclass
from decimal import Decimal

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise import __version__
from pitwise.measure.depth import MM_PER_UNIT, Depth
from pitwise.measure.gauge import GaugeStudy, range_study, study
from pitwise.records.photo_tables import GaugeStudyRow
from pitwise.records.tables import AuditRow, Gauge
from pitwise.services.book_studies import GAUGE, study_digest
from pitwise.services.case_touch import person
from pitwise.services.errors import ConflictError, NotAllowedError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.gauge_adopt import Adoptable, adoptable
from pitwise.services.gauge_studies import (
    depth_of,
    open_study,
    people_of,
    readings_of,
    slot_of,
    study_row,
)
from pitwise.services.gauge_words import advice, left_out_words, says
from pitwise.services.periods import today
from pitwise.services.permissions import Actor, may, require
from pitwise.services.plain_rows import to_plain
from pitwise.services.shopfloor import Shop
from pitwise.services.study_order import Block, Slot, complete_block
from pitwise.trade.given import InputError

_ADOPTED, _PUT_BACK = "gauge-u-adopted", "gauge-u-put-back"


@dataclass(frozen=True)
class Adoption:
    """A study's spread taken as a gauge's uncertainty, or the old value put back."""

    gauge: str
    u_mm: float
    source: str
    before_mm: float
    before_source: str
    by: str
    at: dt.datetime
    put_back: bool
    holds: bool


@dataclass(frozen=True)
class GaugeResult:
    """What a finished study says.

    Attributes
    ----------
    anova, ranges : GaugeStudy
        By both methods; lengths in the study's unit.
    values : ndarray of shape (people, parts, trials)
        In the study's unit.
    people, parts : tuple
        Of the readings that were reckoned with.
    left_out : str
        What was not complete and is not in it; empty when everything is.
    step : float
        The gauge's smallest step as the readings show it, in the study's unit; 0: none is seen.
    u : float
        What one reading's standard uncertainty comes to, in the study's unit: the gauge's
        spread, no less than rounding to `step` alone gives (step/√12).
    u_mm : float
    by_rounding : bool
        Rounding is the larger of the two.
    adoptable : Adoptable
        What of it may become a gauge's u.
    says, advice : tuple of str
    adoption : Adoption or None
        The newest by this study.
    """

    anova: GaugeStudy
    ranges: GaugeStudy
    values: NDArray[np.float64]
    unit: str
    people: tuple[str, ...]
    parts: tuple[int, ...]
    left_out: str
    step: float
    u: float
    u_mm: float
    by_rounding: bool
    adoptable: Adoptable
    says: tuple[str, ...]
    advice: tuple[str, ...]
    adoption: Adoption | None


def _in_unit(depth: Depth, unit: str) -> Decimal:
    return depth.mm / MM_PER_UNIT[unit]


def step_of(values: list[Decimal]) -> float:
    """Return the largest step that all readings are whole multiples of apart; 0 without any.

    A gauge that shows 1.45 and 1.40 and never anything between steps by 0.05.
    """
    least = min((int(v.normalize().as_tuple().exponent) for v in values), default=0)
    unit = Decimal(1).scaleb(min(least, 0))
    whole = [int(v / unit) for v in values]
    return float(unit * math.gcd(*(w - whole[0] for w in whole))) if whole else 0.0


def whole_block(row: GaugeStudyRow, taken: frozenset[Slot]) -> Block | None:
    """Return the complete crossed part of a study's readings, None where there is none."""
    return complete_block(taken, len(people_of(row)), row.parts, row.trials)


def _reckoned(session: Session, row: GaugeStudyRow) -> tuple[GaugeResult, Block]:
    readings = readings_of(session, row.id)
    block = whole_block(row, frozenset(slot_of(r) for r in readings))
    if block is None:
        raise ServiceError(
            "study",
            "there are no two parts that somebody has read in two rounds",
            "go on measuring, or discard the study",
        )
    exact = {slot_of(r): _in_unit(depth_of(r), row.unit) for r in readings}
    cube = [
        [[exact[Slot(who, part, t)] for t in range(1, block.trials + 1)] for part in block.parts]
        for who in block.people
    ]
    values = np.array(cube, dtype=np.float64)
    people = tuple(people_of(row)[k] for k in block.people)
    tolerance = (
        None if row.tolerance_mm is None else row.tolerance_mm / float(MM_PER_UNIT[row.unit])
    )
    try:
        by_anova = study(values, tolerance=tolerance)
        by_range = range_study(values, tolerance=tolerance)
    except InputError as error:
        raise ServiceError(error.place or "study", error.problem, error.mend) from error
    # Readings in other units than the study's step by that unit's steps.
    own = [depth_of(r) for r in readings]
    step = step_of([d.value for d in own]) if len({d.unit for d in own}) == 1 else 0.0
    step *= float(MM_PER_UNIT[own[0].unit] / MM_PER_UNIT[row.unit])
    rounding = step / math.sqrt(12)
    u = max(by_anova.gauge.sd, rounding)
    left = left_out_words(block, people_of(row), row.parts, row.trials)
    result = GaugeResult(
        by_anova,
        by_range,
        values,
        row.unit,
        people,
        block.parts,
        left,
        step,
        u,
        u * float(MM_PER_UNIT[row.unit]),
        rounding > by_anova.gauge.sd,
        adoptable(by_anova, rounding, float(MM_PER_UNIT[row.unit])),
        says(by_anova, row.unit),
        advice(by_anova, row.unit, step),
        _adoption(session, row),
    )
    return result, block


def _adoption(session: Session, row: GaugeStudyRow) -> Adoption | None:
    """Return what was last done with a study's spread, from the audit trail."""
    if row.gauge_id is None:
        return None
    found = session.scalars(
        select(AuditRow)
        .where(
            AuditRow.action.in_((_ADOPTED, _PUT_BACK)), AuditRow.subject == f"gauge {row.gauge_id}"
        )
        .order_by(AuditRow.seq.desc())
    )
    for audit in found:
        detail = json.loads(audit.detail)
        if detail["study"] != row.id:
            continue
        gauge = session.get_one(Gauge, row.gauge_id)
        return Adoption(
            gauge.name,
            detail["u_mm"],
            detail["source"],
            detail["before"],
            detail["before_source"],
            audit.actor,
            dt.datetime.fromisoformat(audit.at),
            audit.action == _PUT_BACK,
            (gauge.u_mm, gauge.source) == (detail["u_mm"], detail["source"]),
        )
    return None


def finish(shop: Shop, actor: Actor, study_id: int, *, reason: str = "") -> None:
    """Finish a study: from now on its values are shown, and no more are taken.

    Parameters
    ----------
    shop, actor
    study_id : int
    reason : str
        Needed while readings are missing: what is complete is then reckoned with alone.

    Raises
    ------
    ServiceError
        Readings are missing and there is no reason, or too few to tell anything.
    """
    require(actor, "studies")
    with shop.database.write() as session:
        row = study_row(session, study_id)
        if row.state == "closed":
            return
        open_study(session, study_id)
        close_row(shop, session, actor, row, reason=reason)


def close_row(
    shop: Shop, session: Session, actor: Actor, row: GaugeStudyRow, *, reason: str
) -> None:
    """Reckon a study and close its row, in the caller's unit of work."""
    told, block = _reckoned(session, row)
    if told.left_out:
        reason = clean_text("reason to end it early", reason, longest=400, lines=True)
    row.state, row.closed_by, row.closed_at = "closed", person(actor), shop.clock()
    row.result = json.dumps(
        {
            "pitwise": __version__,
            "unit": row.unit,
            "people": told.people,
            "parts": told.parts,
            "trials": block.trials,
            "reason": reason,
            "step": told.step,
            "u_mm": told.u_mm,
            "anova": to_plain(told.anova),
            "range": to_plain(told.ranges),
        },
        ensure_ascii=False,
    )
    session.flush()
    shop.note(
        session,
        actor,
        "gauge-study-finished",
        f"gauge study {row.id}",
        readings=block.readings,
        left_out=told.left_out,
        reason=reason,
        gauge_sd=told.anova.gauge.sd,
        unit=row.unit,
        sha256=study_digest(session, GAUGE, row.id),
    )


def result(shop: Shop, actor: Actor, study_id: int) -> GaugeResult:
    """Return what a finished study says; refuse while it runs, so that nobody reads by it."""
    require(actor, "studies")
    with shop.database.read() as session:
        row = study_row(session, study_id)
        if row.state != "closed":
            raise ConflictError("study", f"it is {row.state}", "finish it first")
        return _reckoned(session, row)[0]


def discard(shop: Shop, actor: Actor, study_id: int, *, reason: str) -> None:
    """Discard a study, open or finished; it stays in the book. Who began it may, and a lead."""
    require(actor, "studies")
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        row = study_row(session, study_id)
        if row.state == "discarded":
            return
        if row.opened_by != actor.person_id and not may(actor, "adopt-study"):
            raise NotAllowedError(
                "study", "somebody else began it", "ask them, or a lead, to discard it"
            )
        was = _adoption(session, row)
        if was is not None and was.holds and not was.put_back:
            raise ConflictError(
                "study",
                f"the uncertainty of {was.gauge} rests on it",
                "put the old value back first, or set another on the Shop page",
            )
        row.state = "discarded"
        session.flush()
        shop.note(
            session,
            actor,
            "gauge-study-discarded",
            f"gauge study {row.id}",
            reason=reason,
            sha256=study_digest(session, GAUGE, row.id),
        )


def adopt(
    shop: Shop,
    actor: Actor,
    study_id: int,
    *,
    shown_u_mm: float | None = None,
    sure: bool = False,
) -> float:
    """Take a finished study's spread as its gauge's uncertainty on the bench.

    Parameters
    ----------
    shop, actor
    study_id : int
    shown_u_mm : float or None
        The gauge's u as it stood on the screen; refused when it was set meanwhile.
    sure : bool
        It was asked whether u is to fall so far, and it is.

    Returns
    -------
    float
        The gauge's standard uncertainty from now on, mm. Signed inspections keep theirs.

    Raises
    ------
    ServiceError
        The study is too small to set it.
    ConflictError
        u would fall far and nobody said that it is meant to.
    """
    require(actor, "adopt-study")
    with shop.database.write() as session:
        row = study_row(session, study_id)
        if row.state != "closed":
            raise ConflictError("study", f"it is {row.state}", "finish it first")
        if row.gauge_id is None:
            raise ServiceError(
                "gauge", "the study names none of the shop's", "set its u on the Shop page"
            )
        gauge = session.get_one(Gauge, row.gauge_id)
        told = _reckoned(session, row)[0]
        allowed = told.adoptable
        if allowed.u_mm is None:
            raise ServiceError("uncertainty", allowed.problem, allowed.mend)
        people = len(told.people)
        source = (
            f"gauge study {row.id}, '{row.name}', {today(shop.clock()).isoformat()}: "
            f"{len(told.parts)} parts × {people} {'person' if people == 1 else 'people'} × "
            f"{told.values.shape[2]} rounds"
            f"{', upper end of its 95 % range' if allowed.upper else ''}"
        )[:200]
        u_mm = allowed.u_mm
        if allowed.asks(gauge.u_mm) and gauge.source != source and not sure:
            raise ConflictError(
                gauge.name,
                f"its u would fall from {gauge.u_mm:.4g} mm to {u_mm:.3g} mm: parts near a limit "
                "are kept more often then",
                "open the study, tick that it is meant, then adopt",
            )
        _set(shop, session, actor, _ADOPTED, row, gauge, u_mm, source, shown_u_mm)
        return u_mm


def put_back(shop: Shop, actor: Actor, study_id: int) -> float:
    """Put the value back that a gauge had before this study was adopted; gives it, mm."""
    require(actor, "adopt-study")
    with shop.database.write() as session:
        row = study_row(session, study_id)
        was = _adoption(session, row)
        if was is None or row.gauge_id is None or was.put_back or not was.holds:
            raise ConflictError(
                "gauge", "its uncertainty does not rest on this study", "nothing to put back"
            )
        gauge = session.get_one(Gauge, row.gauge_id)
        _set(shop, session, actor, _PUT_BACK, row, gauge, was.before_mm, was.before_source, None)
        return was.before_mm


def _set(
    shop: Shop,
    session: Session,
    actor: Actor,
    event: str,
    row: GaugeStudyRow,
    gauge: Gauge,
    u_mm: float,
    source: str,
    shown_u_mm: float | None,
) -> None:
    if (gauge.u_mm, gauge.source) == (u_mm, source):
        return
    if shown_u_mm is not None and not math.isclose(shown_u_mm, gauge.u_mm, rel_tol=1e-6):
        raise ConflictError(
            gauge.name,
            f"its u was set to {gauge.u_mm:g} mm since this page was opened",
            "open the page again, look at it, then adopt",
        )
    before, before_source = gauge.u_mm, gauge.source
    gauge.u_mm, gauge.source = u_mm, source
    shop.note(
        session,
        actor,
        event,
        f"gauge {gauge.id}",
        study=row.id,
        before=before,
        before_source=before_source,
        u_mm=u_mm,
        source=source,
    )
