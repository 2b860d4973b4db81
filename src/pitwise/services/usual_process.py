"""Which process a torch usually cut with at a moment: what has been does not follow a change."""

from __future__ import annotations

import datetime as dt
import json
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import AuditRow, InspectionRow, Torch

_SUBJECT = "torch "


@dataclass(frozen=True)
class _Told:
    """The processes of one torch: from each moment on, and before the first of them."""

    since: tuple[dt.datetime, ...]
    process: tuple[int, ...]
    before: int


class UsualProcesses:
    """The usual processes of all torches, each from when to when; see `usual_processes`."""

    def __init__(self, told: Mapping[int, _Told]) -> None:
        self._told = told

    def at(self, torch_id: int, at: dt.datetime) -> int:
        """Return the process a torch usually cut with at a moment.

        Parameters
        ----------
        torch_id : int
            A torch of the book.
        at : datetime
        """
        told = self._told[torch_id]
        k = bisect_right(told.since, at)
        return told.process[k - 1] if k else told.before


def usual_processes(session: Session) -> UsualProcesses:
    """Read when torches' usual processes were changed.

    The audit trail holds every change. What held before the first one stands in it, or in the
    trail's row of the new torch; where an older version wrote neither, the inspection opened
    last before it tells, else the first one after it: inspections are opened with the usual
    process. Where there is none either, the process after the change is taken.
    """
    changes: dict[int, list[tuple[dt.datetime, int, int | None]]] = {}
    rows = session.execute(
        select(AuditRow.at, AuditRow.action, AuditRow.subject, AuditRow.detail)
        .where(AuditRow.action.in_(("torch-added", "torch-changed")))
        .order_by(AuditRow.seq)
    )
    first: dict[int, int] = {}
    for at, action, subject, detail in rows:
        torch, said = int(subject.removeprefix(_SUBJECT)), json.loads(detail)
        if "process" not in said:
            continue
        if action == "torch-added":
            first[torch] = said["process"]
        else:
            moment = dt.datetime.fromisoformat(at)
            own = changes.setdefault(torch, [])
            own.append((moment, said["process"], said.get("process_before")))
    looked = _inspected(session, changes)
    told = {}
    for torch, now in session.execute(select(Torch.id, Torch.process_id)):
        own = changes.get(torch, [])
        if not own:
            told[torch] = _Told((), (), now)
            continue
        since, to, was = own[0]
        before = was if was is not None else first.get(torch)
        if before is None:
            before = _nearest(looked.get(torch, ()), since, to)
        told[torch] = _Told(tuple(c[0] for c in own), tuple(c[1] for c in own), before)
    return UsualProcesses(told)


def _inspected(
    session: Session, torches: Mapping[int, object]
) -> dict[int, list[tuple[dt.datetime, int]]]:
    """Return when inspections of torches were opened, and the process, in that order.

    A correction tells nothing of its own: it keeps the process of what it corrects.
    """
    out: dict[int, list[tuple[dt.datetime, int]]] = {}
    if not torches:
        return out
    rows = session.execute(
        select(InspectionRow.torch_id, InspectionRow.opened_at, InspectionRow.process_id)
        .where(InspectionRow.torch_id.in_(torches), InspectionRow.supersedes.is_(None))
        .order_by(InspectionRow.opened_at, InspectionRow.id)
    )
    for torch, at, process in rows:
        out.setdefault(torch, []).append((at, process))
    return out


def _nearest(looked: Sequence[tuple[dt.datetime, int]], since: dt.datetime, otherwise: int) -> int:
    earlier = [process for at, process in looked if at < since]
    if earlier:
        return earlier[-1]
    return looked[0][1] if looked else otherwise
