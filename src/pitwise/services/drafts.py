"""A draft inspection: every touch is saved at once, and what it decides is computed anew."""

from __future__ import annotations

import json
from typing import Literal

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from pitwise.bench.decide import (
    PIT_PART,
    PartAction,
    overrule_needs,
)
from pitwise.measure.depth import ReadingError, parse_depth
from pitwise.records.photo_tables import HoleMeasure
from pitwise.records.tables import (
    Answer,
    InspectionRow,
    Look,
    Mark,
    OverruleRow,
    PitReading,
    Torch,
)
from pitwise.services.draft_view import Draft, load_draft
from pitwise.services.errors import ConflictError, NotAllowedError, NotFoundError, ServiceError
from pitwise.services.fields import check_key as check_key
from pitwise.services.fields import clean_text, decimal_number, whole_number
from pitwise.services.permissions import Actor, may, require
from pitwise.services.shopfloor import Shop
from pitwise.trade.model import Sheet

MarkState = Literal["seen", "absent", "none"]


def open_draft(shop: Shop, actor: Actor, torch_id: int, *, key: str) -> int:
    """Open an inspection of a torch, or join the draft that is open on it."""
    require(actor, "inspect")
    check_key(key)
    with shop.database.write() as session:
        same = session.scalar(select(InspectionRow).where(InspectionRow.open_key == key))
        if same is not None:
            return same.id
        torch = session.get(Torch, torch_id)
        if torch is None:
            raise NotFoundError("torch", f"there is no torch {torch_id}", "choose from the list")
        open_one = _open_draft_of(session, torch_id)
        if open_one is not None:
            return open_one
        row = InspectionRow(
            open_key=key,
            torch_id=torch.id,
            process_id=torch.process_id,
            gauge_id=torch.gauge_id,
            state="draft",
            opened_by=actor.person_id or 0,
            opened_at=shop.clock(),
        )
        session.add(row)
        session.flush()
        shop.note(session, actor, "inspection-opened", f"inspection {row.id}", torch=torch.name)
        return row.id


def _open_draft_of(session: Session, torch_id: int) -> int | None:
    return session.scalar(
        select(InspectionRow.id).where(
            InspectionRow.torch_id == torch_id, InspectionRow.state == "draft"
        )
    )


def read_draft(shop: Shop, actor: Actor, inspection_id: int) -> Draft:
    """Return a draft as it stands."""
    require(actor, "inspect")
    with shop.database.read() as session:
        return load_draft(shop, session, inspection_id)


def _touched(session: Session, inspection_id: int) -> InspectionRow:
    """Return the draft's row with its revision counted on."""
    row = _draft_row(session, inspection_id)
    row.revision += 1
    return row


def _draft_row(session: Session, inspection_id: int) -> InspectionRow:
    """Return a draft's row; refuse an inspection that is no draft."""
    row = session.get(InspectionRow, inspection_id)
    if row is None:
        raise NotFoundError(
            "inspection", f"there is no inspection {inspection_id}", "choose a torch again"
        )
    if row.state != "draft":
        raise ConflictError(
            "inspection", f"it has been {row.state} already", "look at the record; correct it there"
        )
    return row


def _person(actor: Actor) -> int:
    if actor.person_id is None:
        raise NotAllowedError("person", "nobody is signed in", "sign in first")
    return actor.person_id


def confirm_cautions(shop: Shop, actor: Actor, inspection_id: int) -> Draft:
    """Confirm that the cautions were read and the torch made safe."""
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        if row.cautions_at is None:
            row.cautions_by, row.cautions_at = _person(actor), shop.clock()
            shop.note(session, actor, "cautions-confirmed", f"inspection {row.id}")
        session.flush()
        return load_draft(shop, session, row.id)


def _check_part(sheet: Sheet, part: str) -> None:
    if part not in {p.id for p in sheet.parts}:
        raise NotFoundError("part", f"'{part[:30]}' is not a part", "use the torch's drawing")


def set_mark(
    shop: Shop, actor: Actor, inspection_id: int, part: str, finding: str, state: str
) -> Draft:
    """Set a finding to seen, absent, or back to not looked at ('none'). Same twice is once."""
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        sheet = shop.sheet(session)
        _check_part(sheet, part)
        if sheet.finding(part, finding) is None:
            raise NotFoundError(
                "finding", f"the {part} has no finding '{finding[:40]}'", "reload the page"
            )
        if state not in ("seen", "absent", "none"):
            raise ServiceError("state", f"'{state[:20]}' is not known", "use seen, absent or none")
        mark = session.get(Mark, (row.id, part, finding))
        if state == "none":
            if mark is not None:
                session.delete(mark)
        elif mark is None:
            session.add(
                Mark(
                    inspection_id=row.id,
                    part=part,
                    finding=finding,
                    state=state,
                    by=_person(actor),
                    at=shop.clock(),
                )
            )
        else:
            mark.state, mark.by, mark.at = state, _person(actor), shop.clock()
        session.flush()
        return load_draft(shop, session, row.id)


def set_look(shop: Shop, actor: Actor, inspection_id: int, part: str, *, looked: bool) -> Draft:
    """Say that a whole part was looked over (what is not seen is absent), or take it back."""
    return _set_look(shop, actor, inspection_id, part, looked=looked)


def set_lost(shop: Shop, actor: Actor, inspection_id: int, part: str, *, lost: bool) -> Draft:
    """Say that a part failed while cutting, or take that back."""
    return _set_look(shop, actor, inspection_id, part, lost=lost)


def _set_look(
    shop: Shop,
    actor: Actor,
    inspection_id: int,
    part: str,
    *,
    looked: bool | None = None,
    lost: bool | None = None,
) -> Draft:
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        _check_part(shop.sheet(session), part)
        look = session.get(Look, (row.id, part))
        if look is None:
            look = Look(
                inspection_id=row.id,
                part=part,
                looked=False,
                lost=False,
                by=_person(actor),
                at=shop.clock(),
            )
            session.add(look)
        if looked is not None:
            look.looked, look.by, look.at = looked, _person(actor), shop.clock()
        if lost is not None:
            look.lost = lost
        session.flush()
        return load_draft(shop, session, row.id)


def clear_part(shop: Shop, actor: Actor, inspection_id: int, part: str) -> Draft:
    """Take back everything touched on one part."""
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        for table in (Mark, Look, OverruleRow):
            session.execute(delete(table).where(table.inspection_id == row.id, table.part == part))
        # Photos stay in the book, as all that was sent does; their results count no more.
        session.execute(
            update(HoleMeasure)
            .where(HoleMeasure.inspection_id == row.id, HoleMeasure.part == part)
            .values(taken_out=True)
        )
        if part == PIT_PART:
            session.execute(delete(PitReading).where(PitReading.inspection_id == row.id))
            session.execute(delete(Answer).where(Answer.inspection_id == row.id))
        session.flush()
        session.expire_all()
        return load_draft(shop, session, row.id)


def add_reading(shop: Shop, actor: Actor, inspection_id: int, text: str, *, key: str) -> Draft:
    """Add a pit reading as typed; repeats average. The same key twice is one reading."""
    require(actor, "inspect")
    check_key(key)
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        if session.scalar(select(PitReading).where(PitReading.key == key)) is None:
            try:
                depth = parse_depth(text, row.gauge.unit)
            except ReadingError as error:
                problem, _, mend = str(error).partition(": ")
                raise ServiceError("pit depth", problem, mend or "write it as 1.45 mm") from error
            count = len(
                session.scalars(
                    select(PitReading.id).where(PitReading.inspection_id == row.id)
                ).all()
            )
            if count >= 20:
                raise ServiceError("pit depth", "there are 20 readings", "take some out first")
            session.add(
                PitReading(
                    inspection_id=row.id,
                    key=key,
                    text=depth.text,
                    value=str(depth.value),
                    unit=depth.unit,
                    bare=depth.bare,
                    by=_person(actor),
                    at=shop.clock(),
                )
            )
            # An answer was given to other readings; new ones are questioned afresh.
            session.execute(
                delete(Answer).where(
                    Answer.inspection_id == row.id,
                    Answer.code.in_(
                        (
                            "unit-slip",
                            "deeper-than-emitter",
                            "shallower-than-before",
                            "repeats-disagree",
                        )
                    ),
                )
            )
        session.flush()
        session.expire_all()
        return load_draft(shop, session, row.id)


def remove_reading(shop: Shop, actor: Actor, inspection_id: int, reading_id: int) -> Draft:
    """Take out a pit reading that was typed wrong."""
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        session.execute(
            delete(PitReading).where(
                PitReading.id == reading_id, PitReading.inspection_id == row.id
            )
        )
        session.flush()
        session.expire_all()
        return load_draft(shop, session, row.id)


def answer_question(shop: Shop, actor: Actor, inspection_id: int, code: str) -> Draft:
    """Answer an open question with 'it is so'; who and when are kept."""
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        draft = load_draft(shop, session, row.id)
        texts = {f.code: f.text for f in draft.decision.open_questions()}
        texts.update({s.code: s.text for s in draft.use_slips if s.code == "more-than-the-clock"})
        if code in texts and code not in draft.answers:
            session.add(
                Answer(
                    inspection_id=row.id,
                    code=code,
                    text=texts[code],
                    by=_person(actor),
                    at=shop.clock(),
                )
            )
        elif code not in draft.answers:
            raise ConflictError("question", "it is not open any more", "look at the page again")
        session.flush()
        return load_draft(shop, session, row.id)


def set_overrule(
    shop: Shop, actor: Actor, inspection_id: int, part: str, action: str, reason: str
) -> Draft:
    """Set a person's own action for a part against the computed one, with the reason.

    A limit, or a doubt about one, is set aside by a lead only; what was not looked at
    can't be called fine by anyone.
    """
    require(actor, "overrule")
    reason = clean_text("reason", reason, longest=400, lines=True)
    if len(reason) < 4:
        raise ServiceError("reason", "says too little", "write why, in a few words")
    if action not in ("keep", "clean", "replace"):
        raise ServiceError("action", f"'{action[:20]}' is not an action", "keep, clean or replace")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        draft = load_draft(shop, session, row.id)
        _check_part(draft.sheet, part)
        computed = draft.computed.parts[part]
        if action == computed.action:
            raise ConflictError(
                "action", f"the rules say '{action}' already", "nothing to overrule"
            )
        wanted: PartAction = action  # type: ignore[assignment]  # held to the three just above
        need = overrule_needs(computed, wanted)
        if need is None:
            raise ServiceError(
                part, "it was not looked at, so it can't be called fine", "look it over first"
            )
        if need == "lead" and not may(actor, "overrule-limit"):
            raise NotAllowedError(
                part, "a limit is set aside by a lead only", "ask a lead to sign in here"
            )
        rules = sorted({r.rule for r in computed.because})
        session.execute(
            delete(OverruleRow).where(OverruleRow.inspection_id == row.id, OverruleRow.part == part)
        )
        session.add(
            OverruleRow(
                inspection_id=row.id,
                part=part,
                action=action,
                reason=reason,
                over_action=computed.action,
                over_rules=json.dumps(rules),
                by=_person(actor),
                at=shop.clock(),
            )
        )
        shop.note(
            session,
            actor,
            "overruled",
            f"inspection {row.id}",
            part=part,
            action=action,
            over=computed.action,
            rules=rules,
            reason=reason,
        )
        session.flush()
        session.expire_all()
        return load_draft(shop, session, row.id)


def remove_overrule(shop: Shop, actor: Actor, inspection_id: int, part: str) -> Draft:
    """Take an overrule back; the rules decide again."""
    require(actor, "overrule")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        old = session.get(OverruleRow, (row.id, part))
        if old is not None:
            session.delete(old)
            shop.note(session, actor, "overrule-taken-back", f"inspection {row.id}", part=part)
        session.flush()
        return load_draft(shop, session, row.id)


def set_use(
    shop: Shop,
    actor: Actor,
    inspection_id: int,
    *,
    starts: str = "",
    arc_minutes: str = "",
    reset: bool = False,
    note: str = "",
) -> Draft:
    """Keep the counters as typed, whether they were reset, and a note.

    This leaves the revision alone: the fields are saved as they are left, which is also
    when the person reaches for the sign button. The signature sends the same fields and may
    overtake them: what it has written already is no refusal, and the signed row comes back.
    """
    require(actor, "inspect")
    now_starts = whole_number("starts", starts, high=100_000_000)
    now_minutes = decimal_number("arc minutes", arc_minutes, high=100_000_000)
    text = clean_text("note", note, longest=1000, empty_ok=True, lines=True)
    with shop.database.write() as session:
        counters = (now_starts, now_minutes, reset)
        signed = session.get(InspectionRow, inspection_id)
        if (
            signed is not None
            and signed.state == "signed"
            and (signed.starts, signed.arc_minutes, signed.counter_reset) == counters
            and signed.note == text
        ):
            return load_draft(shop, session, inspection_id)
        row = _draft_row(session, inspection_id)
        if (row.starts, row.arc_minutes, row.counter_reset) != counters:
            # Other counters than before are questioned afresh.
            session.execute(
                delete(Answer).where(
                    Answer.inspection_id == row.id, Answer.code == "more-than-the-clock"
                )
            )
        row.starts, row.arc_minutes, row.counter_reset = now_starts, now_minutes, reset
        row.note = text
        session.flush()
        session.expire_all()
        return load_draft(shop, session, row.id)


def discard_draft(shop: Shop, actor: Actor, inspection_id: int) -> None:
    """Give a draft up; it stays in the book as discarded."""
    require(actor, "inspect")
    with shop.database.write() as session:
        row = _touched(session, inspection_id)
        row.state = "discarded"
        shop.note(session, actor, "inspection-discarded", f"inspection {row.id}")
