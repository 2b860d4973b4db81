"""The record of a signed inspection, as plain data: what the hash and the PDF are made of."""

from __future__ import annotations

import datetime as dt
from typing import Any

from pitwise import __version__
from pitwise.bench.decide import PIT_PART, PartDecision
from pitwise.records.tables import Mark, OverruleRow, PartItem, PitReading
from pitwise.services.draft_view import Draft, depth_of
from pitwise.services.fittings import Life
from pitwise.services.hole_view import plain_measure
from pitwise.services.permissions import Actor
from pitwise.wear.use import CounterReading

RECORD_FORMAT = "pitwise-record/1"


def part_record(
    draft: Draft,
    decision: PartDecision,
    life: Life | None,
    new: PartItem | None,
) -> dict[str, Any]:
    """Return one part of the record: what was seen, read, decided, and by whom."""
    slug = decision.part
    part = draft.sheet.part(slug)
    look = draft.looks.get(slug)
    old = draft.fitted.get(slug)
    overrule = draft.overrules.get(slug) if decision.overrule is not None else None
    marks = draft.marks.get(slug, {})
    plain = decision.plain()

    def seen(mark: Mark) -> dict[str, Any]:
        row = draft.sheet.finding(slug, mark.finding)
        return {
            "id": mark.finding,
            "name": row.name if row else mark.finding,
            "action": row.action if row else None,
            "by": draft.names.get(mark.by),
            "at": mark.at.isoformat(),
        }

    return {
        "part": slug,
        "name": part.name,
        "order": part.order,
        "item": None
        if old is None
        else {
            "tag": old.item.tag,
            "type": old.item.part_type.name,
            "lot": old.item.lot,
            "life_starts": life.starts if life else None,
            "life_minutes": life.arc_minutes if life else None,
        },
        "looked": bool(look and look.looked),
        "looked_by": draft.names.get(look.by) if look else None,
        "lost_in_the_cut": bool(look and look.lost),
        "seen": [
            seen(m) for m in sorted(marks.values(), key=lambda m: m.finding) if m.state == "seen"
        ],
        "absent": sorted(m.finding for m in marks.values() if m.state == "absent"),
        "readings": [_reading_record(draft, r) for r in draft.readings] if slug == PIT_PART else [],
        "computed": draft.computed.parts[slug].action,
        "action": decision.action,
        "because": plain["because"],
        "limit": plain.get("limit"),
        "p_over_limit": plain.get("p_over_limit"),
        "reading": plain.get("reading"),
        "holes": plain.get("holes", []),
        "measures": [
            plain_measure(m, draft.names, draft.faces.get(slug))
            for m in draft.holes.get(slug, ())
            if not m.row.taken_out
        ],
        "overrule": None if overrule is None else _overrule_record(draft, overrule),
        "new_item": None if new is None else {"tag": new.tag, "type": new.part_type.name},
    }


def _reading_record(draft: Draft, row: PitReading) -> dict[str, Any]:
    depth = depth_of(row)
    return {
        "text": row.text,
        "value": row.value,
        "unit": row.unit,
        "mm": float(round(depth.mm, 6)),
        "by": draft.names.get(row.by),
        "at": row.at.isoformat(),
    }


def _overrule_record(draft: Draft, row: OverruleRow) -> dict[str, Any]:
    return {
        "action": row.action,
        "over": row.over_action,
        "reason": row.reason,
        "by": draft.names.get(row.by),
        "at": row.at.isoformat(),
    }


def inspection_record(
    draft: Draft,
    actor: Actor,
    at: dt.datetime,
    happened_at: dt.datetime,
    reading: CounterReading,
    parts: list[dict[str, Any]],
    book_id: str,
) -> dict[str, Any]:
    """Return the whole record of an inspection signed by `actor` at `at`.

    Of a correction `happened_at` is when the first of its chain was signed: the parts moved
    and the counters were read then. A record that does not hold it moved them when it was
    signed.
    """
    row, sheet = draft.row, draft.sheet
    questions = [
        {
            "code": f.code,
            "text": f.text,
            "part": f.part,
            "question": f.question,
            "answered_by": draft.names.get(draft.answers[f.code].by)
            if f.code in draft.answers
            else None,
            "answered_at": draft.answers[f.code].at.isoformat()
            if f.code in draft.answers
            else None,
        }
        for f in draft.decision.flags
    ]
    questions += [
        {
            "code": s.code,
            "text": s.text,
            "part": None,
            "question": True,
            "answered_by": draft.names.get(draft.answers[s.code].by),
            "answered_at": draft.answers[s.code].at.isoformat(),
        }
        for s in draft.use_slips
    ]
    return {
        "format": RECORD_FORMAT,
        "book": book_id,
        "inspection": row.id,
        "supersedes": row.supersedes,
        "correction_reason": row.correction_reason,
        "station": {"name": row.torch.station.name, "coolant": row.torch.station.coolant},
        "torch": {"id": row.torch.id, "name": row.torch.name},
        "process": {
            "name": row.process.name,
            "amps": row.process.amps,
            "material": row.process.material,
            "plasma_gas": row.process.plasma_gas,
            "shield_gas": row.process.shield_gas,
        },
        "gauge": {
            "name": row.gauge.name,
            "unit": row.gauge.unit,
            "u_mm": row.gauge.u_mm,
            "source": row.gauge.source,
        },
        "opened": {"by": draft.names.get(row.opened_by), "at": row.opened_at.isoformat()},
        "cautions": {
            "by": draft.names.get(row.cautions_by or 0),
            "at": row.cautions_at.isoformat() if row.cautions_at else None,
            "texts": [{"hazard": c.hazard, "text": c.text} for c in sheet.cautions],
        },
        "signed": {
            "by": actor.name,
            "person": actor.person_id,
            "role": actor.role,
            "at": at.isoformat(),
        },
        "happened_at": happened_at.isoformat(),
        "counters": {
            "starts": row.starts,
            "arc_minutes": row.arc_minutes,
            "reset": row.counter_reset,
            "total_starts": reading.total_starts,
            "total_minutes": reading.total_minutes,
        },
        "set": draft.decision.set_state,
        "parts": parts,
        "questions": questions,
        "note": row.note,
        "accepted_risk": float(sheet.constant("accepted-risk")),
        "sheet": {"version": sheet.version, "sha256": sheet.sha256},
        "software": __version__,
    }
