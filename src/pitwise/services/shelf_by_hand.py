"""What people take or scrap by hand, from the ledger of a year."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from sqlalchemy import func, select
from sqlalchemy.orm import Session, aliased

from pitwise.records.shelf_tables import Movement
from pitwise.services.periods import midnight, today
from pitwise.shelf.paths import DemandPaths, takings

_TAKINGS_DAYS = 365.0
_ENOUGH_TAKINGS = 3


@dataclass(frozen=True)
class Taken:
    """Pieces taken or scrapped by hand, a number for each time."""

    sizes: tuple[int, ...]
    days: float

    @property
    def pieces(self) -> int:
        """How many in all."""
        return sum(self.sizes)

    @property
    def enough(self) -> bool:
        """Tell whether they say how often pieces are taken."""
        return len(self.sizes) >= _ENOUGH_TAKINGS

    def ahead(self, days: int, paths: int, seed: int) -> DemandPaths:
        """Return what will be taken by hand, as often and as many at a time as before."""
        return takings(len(self.sizes), self.days, self.sizes, days=days, paths=paths, seed=seed)

    def words(self, what: str) -> str:
        """Say how many, such as "12 taken by hand in the last 90 days."; few say so."""
        if self.enough:
            return f"{self.pieces} {what} in the last {self.days:.0f} days."
        times = len(self.sizes)
        return (
            f"{self.pieces} {what}, {times} time{'' if times == 1 else 's'} in a year: too few "
            "to say how often, left out."
        )


def taken_by_hand(session: Session, day: dt.date) -> dict[int, Taken]:
    """Return what was taken by hand in the last year, undone ones left out, by item."""
    undone = aliased(Movement)
    start = midnight(day - dt.timedelta(days=_TAKINGS_DAYS))
    rows = session.execute(
        select(Movement.item_id, Movement.pieces)
        .outerjoin(undone, undone.reverses == Movement.id)
        .where(Movement.kind.in_(("taken", "scrapped")), Movement.at >= start, undone.id.is_(None))
    ).all()
    first: dict[int, dt.datetime] = {}
    for item, at in session.execute(
        select(Movement.item_id, func.min(Movement.at)).group_by(Movement.item_id)
    ):
        first[item] = at
    sizes: dict[int, list[int]] = {}
    for item, pieces in rows:
        sizes.setdefault(item, []).append(-pieces)
    out = {}
    for item, own in sizes.items():
        seen = (day - today(max(first[item], start))).days
        # A month at least: three takings on the first day are not a thousand a year.
        out[item] = Taken(tuple(own), float(max(seen, 28)))
    return out
