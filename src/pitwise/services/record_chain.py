"""A record and its corrections: one look at the torch, told anew."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import InspectionRow


def looked_at(session: Session, row: InspectionRow) -> dt.datetime:
    """Return when the torch was looked at: a correction's time is that of what it corrects.

    Parts moved and counters were read then, however late a slip was corrected: lives, money
    and use stand on this moment. An inspection not signed yet gives when it was opened.
    """
    at = row.signed_at or row.opened_at
    while row.supersedes is not None:
        row = session.get_one(InspectionRow, row.supersedes)
        at = row.signed_at or row.opened_at
    return at


def looked_at_of_corrections(session: Session) -> dict[int, dt.datetime]:
    """Return when the torch was looked at for every signed correction; see `looked_at`."""
    of = {
        ident: corrected
        for ident, corrected in session.execute(
            select(InspectionRow.id, InspectionRow.supersedes).where(
                InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
            )
        )
        if corrected is not None
    }
    first = {}
    for ident in of:
        root = ident
        while root in of:
            root = of[root]
        first[ident] = root
    signed = {
        ident: at
        for ident, at in session.execute(
            select(InspectionRow.id, InspectionRow.signed_at).where(
                InspectionRow.id.in_(set(first.values()))
            )
        )
        if at is not None
    }
    return {ident: signed[root] for ident, root in first.items() if root in signed}
