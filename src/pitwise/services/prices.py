"""What one piece of a part type cost at a moment, each asked for once."""

from __future__ import annotations

import datetime as dt

from sqlalchemy.orm import Session

from pitwise.services.shelf_items import price_at


class Prices:
    """Prices of part types, kept while one reading of the book lasts."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._known: dict[tuple[int, dt.datetime], tuple[float, str] | None] = {}

    def at(self, part_type_id: int, at: dt.datetime) -> tuple[float, str] | None:
        """Return price and currency of one piece at a moment; None where not known."""
        key = (part_type_id, at)
        if key not in self._known:
            self._known[key] = price_at(self._session, part_type_id, at)
        return self._known[key]
