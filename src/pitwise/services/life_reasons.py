"""Why a signed inspection replaced a part: read from its record, once."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import InspectionRow

TAKEN_ALONG = "taken-along-by-"
OVERRULED = "overruled"
TAKEN_OUT = "taken-out"
_AT_ONCE = 400
_MOST_KEPT = 20_000


@dataclass(frozen=True)
class Why:
    """Why a part was replaced.

    Attributes
    ----------
    own : tuple of str
        Rules and findings of its own that ask for a replacement.
    along : tuple of str
        ``taken-along-by-…``: another part took it along.
    overruled : bool
        A person set the action.
    """

    own: tuple[str, ...]
    along: tuple[str, ...]
    overruled: bool

    @property
    def reasons(self) -> tuple[str, ...]:
        """All of it, its own first."""
        return (*self.own, *self.along, *((OVERRULED,) if self.overruled else ()))


# A signed record never changes, and its hash names it: what was read of one holds for good.
_kept: dict[str, dict[str, Why]] = {}


def _of(record: str) -> dict[str, Why]:
    out = {}
    for part in json.loads(record)["parts"]:
        if part["action"] != "replace":
            continue
        rules = [r["rule"] for r in part["because"] if r["action"] == "replace"]
        out[part["part"]] = Why(
            tuple(dict.fromkeys(r for r in rules if not r.startswith(TAKEN_ALONG))),
            tuple(dict.fromkeys(r for r in rules if r.startswith(TAKEN_ALONG))),
            part["overrule"] is not None,
        )
    return out


def why_replaced(session: Session, inspections: Iterable[int]) -> dict[tuple[int, str], Why]:
    """Return why parts were replaced, by inspection and part.

    Parameters
    ----------
    session : Session
    inspections : iterable of int
        Signed ones.
    """
    ids = sorted(set(inspections))
    out: dict[tuple[int, str], Why] = {}
    if len(_kept) > _MOST_KEPT:
        _kept.clear()
    for k in range(0, len(ids), _AT_ONCE):
        some = ids[k : k + _AT_ONCE]
        named = session.execute(
            select(InspectionRow.id, InspectionRow.record_sha256).where(
                InspectionRow.id.in_(some), InspectionRow.record.is_not(None)
            )
        )
        hashes = {row.id: str(row.record_sha256) for row in named}
        found = {i: _kept[h] for i, h in hashes.items() if h in _kept}
        new = [i for i in hashes if i not in found]
        if new:
            rows = session.execute(
                select(InspectionRow.id, InspectionRow.record).where(InspectionRow.id.in_(new))
            )
            for ident, record in rows:
                found[ident] = _kept[hashes[ident]] = _of(record or "")
        for ident, whys in found.items():
            out.update({(ident, part): why for part, why in whys.items()})
    return out
