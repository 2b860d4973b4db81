"""Short ways to touch cases, for tests."""

from __future__ import annotations

import json
from typing import Any

from sqlalchemy import select

from kit import Floor
from pitwise.records.tables import AuditRow
from pitwise.services import case_closing, case_recording, cases
from pitwise.services.case_lines import EvidenceLine
from pitwise.services.case_view import CaseView


def opened(floor: Floor, torch: int | None = None, **more: str) -> int:
    return cases.open_case(floor.shop, floor.tech, torch or floor.torch, key=floor.key(), **more)


def read(floor: Floor, case: int) -> CaseView:
    return cases.read_case(floor.shop, floor.tech, case)


def find(floor: Floor, case: int, symptom: str, state: str, **more: Any) -> CaseView:
    more.setdefault("key", floor.key())
    return case_recording.record_finding(floor.shop, floor.tech, case, symptom, state, **more)


def check(floor: Floor, case: int, name: str, **more: Any) -> CaseView:
    more.setdefault("key", floor.key())
    return case_recording.record_check(floor.shop, floor.tech, case, name, **more)


def reading(floor: Floor, case: int, name: str, value: str, unit: str, **more: Any) -> CaseView:
    more.setdefault("key", floor.key())
    return case_recording.record_reading(floor.shop, floor.tech, case, name, value, unit, **more)


def close(floor: Floor, case: int, *causes: str, **more: Any) -> CaseView:
    given: dict[str, Any] = {
        "key": floor.key(),
        "causes": causes,
        "certainty": "verified",
        "remedy_text": "put right",
    }
    return case_closing.close_case(floor.shop, floor.tech, case, **(given | more))


def line(view: CaseView, symptom: str) -> EvidenceLine | None:
    return next((e for e in view.evidence if e.symptom == symptom), None)


def state(view: CaseView, symptom: str) -> str:
    found = line(view, symptom)
    return found.state if found else "not looked"


def told(floor: Floor, action: str) -> list[dict[str, Any]]:
    with floor.shop.database.read() as session:
        rows = session.scalars(
            select(AuditRow.detail).where(AuditRow.action == action).order_by(AuditRow.seq)
        ).all()
    return [json.loads(r) for r in rows]


def p_of(view: CaseView, cause: str) -> float:
    return next(c.p for c in view.diagnosis.causes if c.id == cause)
