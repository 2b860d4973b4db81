"""Sign an inspection: one unit of work makes the record, moves the parts, writes the trail."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.measure.conformity import limit_in
from pitwise.measure.depth import MM_PER_UNIT
from pitwise.records.audit import canonical
from pitwise.records.photo_tables import DecisionMeasure, HoleMeasure
from pitwise.records.rows import signed_rows
from pitwise.records.tables import (
    BookFact,
    Counter,
    DecisionRow,
    Fitting,
    InspectionRow,
    Look,
    Mark,
    PartType,
    PitReading,
)
from pitwise.services.draft_view import Draft, load_draft
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError, UnfinishedError
from pitwise.services.fields import clean_text
from pitwise.services.fittings import lives_of, new_item, put_in, take_out
from pitwise.services.permissions import Actor, require
from pitwise.services.record_chain import looked_at
from pitwise.services.record_text import inspection_record, part_record
from pitwise.services.shelf_signing import put_back, take_for
from pitwise.services.shopfloor import Shop
from pitwise.wear.use import CounterReading, advance


@dataclass(frozen=True)
class Signed:
    """What signing gave: the record's number and hash; `again` when it was signed before."""

    inspection_id: int
    record_sha256: str
    again: bool = False


def sign(
    shop: Shop,
    actor: Actor,
    inspection_id: int,
    *,
    key: str,
    revision: int | None = None,
) -> Signed:
    """Sign a draft.

    Parameters
    ----------
    shop, actor
    inspection_id : int
    key : str
        Made on the tablet; the same key again gives the same record, never a second one.
    revision : int or None
        The draft's revision the person looked at; refused when another tablet has
        touched it since.

    Returns
    -------
    Signed

    Raises
    ------
    ConflictError
        Signed already with another key, or touched since.
    UnfinishedError
        Something is not looked at, not gauged, or not answered; names it all.
    """
    require(actor, "inspect")
    check_key(key)
    with shop.database.write() as session:
        row = session.get(InspectionRow, inspection_id)
        if row is None:
            raise NotFoundError(
                "inspection", f"there is no inspection {inspection_id}", "choose a torch again"
            )
        if row.state == "signed" and row.sign_key == key and row.record_sha256:
            return Signed(row.id, row.record_sha256, again=True)
        if row.state != "draft":
            raise ConflictError(
                "inspection", f"it has been {row.state} already", "look at the record"
            )
        if revision is not None and revision != row.revision:
            raise ConflictError(
                "inspection", "it was touched on another tablet since", "look it over, then sign"
            )
        draft = load_draft(shop, session, row.id)
        obstacles = draft.obstacles()
        if obstacles:
            raise UnfinishedError("inspection", " ".join(obstacles), "finish these, then sign")
        if row.supersedes is not None:
            old = session.get(InspectionRow, row.supersedes)
            if old is None or _later_change(session, old):
                raise ConflictError(
                    "inspection",
                    "the torch was inspected or refitted since the one this corrects",
                    "discard this correction and inspect the torch again",
                )
            _undo(session, row.supersedes)
            put_back(shop, session, actor, row.supersedes)
            session.flush()
            session.expire_all()
            draft = load_draft(shop, session, row.id)
        return _make_record(shop, session, actor, draft, key)


def _count(session: Session, draft: Draft, at: dt.datetime) -> CounterReading:
    row = draft.row
    try:
        reading = advance(draft.last_counter, row.starts, row.arc_minutes, reset=row.counter_reset)
    except ValueError as error:
        raise ServiceError(
            "counters", str(error), "tick 'counter was reset', or correct the number"
        ) from error
    if row.starts is not None or row.arc_minutes is not None or row.counter_reset:
        session.add(
            Counter(
                torch_id=row.torch_id,
                inspection_id=row.id,
                at=at,
                starts=reading.starts,
                arc_minutes=reading.arc_minutes,
                reset=row.counter_reset,
                total_starts=reading.total_starts,
                total_minutes=reading.total_minutes,
                void=False,
            )
        )
        session.flush()
    return reading


def replacement_kind(session: Session, part: str, old: Fitting | None) -> PartType | None:
    """Return the kind of part that goes in: what was there, else the only kind the shop has."""
    if old is not None:
        return old.item.part_type
    kinds = session.scalars(select(PartType).where(PartType.part == part)).all()
    return kinds[0] if len(kinds) == 1 else None


def _make_record(shop: Shop, session: Session, actor: Actor, draft: Draft, key: str) -> Signed:
    row, sheet, at = draft.row, draft.sheet, shop.clock()
    happened = at if row.supersedes is None else looked_at(session, row)
    was = _fitted_before(session, row.supersedes)
    reading = _count(session, draft, happened)
    now = (reading.total_starts, reading.total_minutes)
    shop.keep_sheet(session, sheet)
    # All at once, before rows are pending: each later query would flush them one by one.
    lives = lives_of(session, [f.part_item_id for f in draft.fitted.values()], now)
    parts, fresh = [], []
    lots_known: dict[int, str | None] = {}
    for part in sheet.parts:
        decision = draft.decision.parts[part.id]
        old = draft.fitted.get(part.id)
        life = lives[old.part_item_id] if old else None
        new = None
        if decision.action == "replace":
            before = was.get(part.id)
            kind = replacement_kind(session, part.id, old or before)
            if old is not None:
                look = draft.looks.get(part.id)
                lost = look is not None and look.lost
                take_out(old, happened, now, "lost" if lost else "replaced", row.id)
            if kind is not None:
                new = new_item(session, kind, at)
                put_in(session, row.torch_id, new, happened, now, row.id)
                fresh.append(new)
                if before is not None and before.item.part_type_id == kind.id:
                    # The same piece under a new number: what came on the shelf since is not it.
                    new.lot = lots_known[new.id] = before.item.lot
        parts.append(part_record(draft, decision, life, new))
        c = decision.conformity
        session.add(
            DecisionRow(
                inspection_id=row.id,
                part=part.id,
                part_item_id=old.part_item_id if old else None,
                action=decision.action,
                computed=draft.computed.parts[part.id].action,
                pit_mm=float(c.mean * MM_PER_UNIT[c.unit]) if c else None,
                pit_u_mm=c.u_mean_mm if c else None,
                p_over=c.p_over if c else None,
                limit_mm=float(limit_in(decision.limit, "mm")) if decision.limit else None,
                life_starts=life.starts if life else None,
                life_minutes=life.arc_minutes if life else None,
            )
        )
        for verdict in decision.holes:
            r, of_hole = verdict.reading, verdict.conformity
            if r.u_mm is None:
                # A history of numbers nobody knows the doubt of would be none.
                continue
            session.add(
                DecisionMeasure(
                    inspection_id=row.id,
                    part=part.id,
                    quantity=r.quantity,
                    part_item_id=old.part_item_id if old else None,
                    value_mm=r.value_mm,
                    u_mm=r.u_mm,
                    limit_mm=float(limit_in(verdict.limit, "mm")) if verdict.limit else None,
                    p_over=of_hole.p_over if of_hole else None,
                )
            )
    take_for(shop, session, actor, fresh, inspection_id=row.id, lots_known=lots_known)
    book = session.get(BookFact, "id")
    row.sign_key, row.signed_by, row.signed_at = key, actor.person_id, at
    row.sheet_sha256 = sheet.sha256
    record = inspection_record(
        draft, actor, at, happened, reading, parts, book.value if book else ""
    )
    # The rows themselves, so that a change to any cell of them can be shown later.
    record["rows"] = signed_rows(session, row.id, sheet.sha256)
    text = canonical(record)
    digest = hashlib.sha256(text.encode()).hexdigest()
    # The row turns 'signed' last: from here on triggers refuse any change to it.
    session.flush()
    row.record, row.record_sha256 = text, digest
    row.state = "signed"
    session.flush()
    shop.note(
        session,
        actor,
        "inspection-signed",
        f"inspection {row.id}",
        record_sha256=digest,
        set=draft.decision.set_state,
        supersedes=row.supersedes,
        replaced=[p["part"] for p in parts if p["action"] == "replace"],
    )
    return Signed(row.id, digest)


def _fitted_before(session: Session, corrected: int | None) -> dict[str, Fitting]:
    """Return by part what the inspection that is corrected put into the torch."""
    if corrected is None:
        return {}
    rows = session.scalars(select(Fitting).where(Fitting.fitted_by_inspection == corrected))
    return {row.part: row for row in rows}


def _undo(session: Session, inspection_id: int) -> None:
    """Take back what a signed inspection did to fittings and counters, before it is replaced."""
    for opened in session.scalars(
        select(Fitting).where(Fitting.fitted_by_inspection == inspection_id)
    ):
        opened.void = True
    for closed in session.scalars(
        select(Fitting).where(Fitting.removed_by_inspection == inspection_id)
    ):
        closed.removed_at = closed.removed_by_inspection = closed.end = None
        closed.starts_at_removal = closed.minutes_at_removal = None
    for counter in session.scalars(select(Counter).where(Counter.inspection_id == inspection_id)):
        counter.void = True


def _later_change(session: Session, row: InspectionRow) -> bool:
    """Tell whether the torch was inspected or refitted after a signed inspection.

    So it was, too, where a part that this inspection moved went into another torch since.
    """
    later = session.scalar(
        select(InspectionRow.id)
        .where(
            InspectionRow.torch_id == row.torch_id,
            InspectionRow.state == "signed",
            InspectionRow.id != row.id,
            InspectionRow.signed_at > row.signed_at,
        )
        .limit(1)
    )
    moved = select(Fitting.part_item_id).where(
        (Fitting.fitted_by_inspection == row.id) | (Fitting.removed_by_inspection == row.id)
    )
    refitted = session.scalar(
        select(Fitting.id)
        .where(
            (Fitting.torch_id == row.torch_id) | Fitting.part_item_id.in_(moved),
            (Fitting.fitted_at > row.signed_at) | (Fitting.removed_at > row.signed_at),
        )
        .limit(1)
    )
    return later is not None or refitted is not None


def correct(shop: Shop, actor: Actor, inspection_id: int, *, reason: str, key: str) -> int:
    """Open a correction of a signed inspection: a draft holding all it held, to be signed anew.

    The signed one stays as it is and shows by which it is superseded, once that is signed.
    Only the last inspection of a torch can be corrected, while its parts are as it left them.
    """
    require(actor, "inspect")
    check_key(key)
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        same = session.scalar(select(InspectionRow).where(InspectionRow.open_key == key))
        if same is not None:
            return same.id
        row = session.get(InspectionRow, inspection_id)
        if row is None or row.state != "signed":
            raise NotFoundError(
                "inspection", f"there is no signed inspection {inspection_id}", "check the number"
            )
        if session.scalar(
            select(InspectionRow.id).where(
                InspectionRow.torch_id == row.torch_id, InspectionRow.state == "draft"
            )
        ):
            raise ConflictError(
                "torch", "an inspection is open on it", "finish or discard that one first"
            )
        if _later_change(session, row):
            raise ConflictError(
                "inspection",
                "the torch was inspected or refitted since",
                "inspect the torch again instead; say in the note what was wrong",
            )
        person = actor.person_id or 0
        new = InspectionRow(
            open_key=key,
            torch_id=row.torch_id,
            process_id=row.process_id,
            gauge_id=row.gauge_id,
            state="draft",
            opened_by=person,
            opened_at=shop.clock(),
            cautions_by=row.cautions_by,
            cautions_at=row.cautions_at,
            starts=row.starts,
            arc_minutes=row.arc_minutes,
            counter_reset=row.counter_reset,
            note=row.note,
            supersedes=row.id,
            correction_reason=reason,
        )
        session.add(new)
        session.flush()
        _copy_touches(session, row.id, new.id)
        shop.note(
            session, actor, "correction-opened", f"inspection {new.id}", of=row.id, reason=reason
        )
        return new.id


def _copy_touches(session: Session, old_id: int, new_id: int) -> None:
    for look in session.scalars(select(Look).where(Look.inspection_id == old_id)).all():
        session.add(
            Look(
                inspection_id=new_id,
                part=look.part,
                looked=look.looked,
                lost=look.lost,
                by=look.by,
                at=look.at,
            )
        )
    for mark in session.scalars(select(Mark).where(Mark.inspection_id == old_id)).all():
        session.add(
            Mark(
                inspection_id=new_id,
                part=mark.part,
                finding=mark.finding,
                state=mark.state,
                by=mark.by,
                at=mark.at,
            )
        )
    for r in session.scalars(select(PitReading).where(PitReading.inspection_id == old_id)).all():
        session.add(
            PitReading(
                inspection_id=new_id,
                key=f"{r.key[:50]}-c{new_id}",
                text=r.text,
                value=r.value,
                unit=r.unit,
                bare=r.bare,
                by=r.by,
                at=r.at,
            )
        )
    # Photos stay with the inspection they were taken in; the copies refer to the same ones.
    for m in session.scalars(
        select(HoleMeasure).where(HoleMeasure.inspection_id == old_id).order_by(HoleMeasure.id)
    ).all():
        copied = {
            c.key: getattr(m, c.key)
            for c in HoleMeasure.__mapper__.column_attrs
            if c.key not in ("id", "key", "inspection_id")
        }
        session.add(HoleMeasure(key=f"{m.key[:50]}-c{new_id}", inspection_id=new_id, **copied))
    session.flush()


def record_of(row: InspectionRow) -> dict[str, Any]:
    """Return a signed inspection's record as data."""
    if row.record is None:
        raise NotFoundError("record", "this inspection is not signed", "sign it first")
    data: dict[str, Any] = json.loads(row.record)
    return data
