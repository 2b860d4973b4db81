"""The shop: the book opened, its clock, and the trade sheet in force."""

from __future__ import annotations

import datetime as dt
import secrets
from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records import audit, schema
from pitwise.records.database import Database
from pitwise.records.database import default_url as default_url
from pitwise.records.tables import BookFact, ShopLimit, UsedSheet
from pitwise.services.periods import today
from pitwise.services.permissions import Actor
from pitwise.trade import Limit, Sheet, base_sheet, load_sheet
from pitwise.trade.loader import base_texts


def utc_now() -> dt.datetime:
    """Return the present moment in UTC."""
    return dt.datetime.now(dt.UTC)


class Shop:
    """A book with everything a service needs to work on it.

    Parameters
    ----------
    database : Database
    clock : callable
        Gives the present moment; tests and the demo pass their own.
    overlays : sequence of mappings of str to str
        The shop's own trade sheets, file name to TOML text.
    """

    def __init__(
        self,
        database: Database,
        clock: Callable[[], dt.datetime] = utc_now,
        overlays: tuple[Mapping[str, str], ...] = (),
    ) -> None:
        self.database = database
        self.clock = clock
        self.base = load_sheet(base_texts(), *overlays) if overlays else base_sheet()
        # Making and hashing a sheet costs more than a touch; the limits seldom change.
        self._last_sheet: tuple[tuple[str, ...], Sheet] = ((), self.base)

    def close(self) -> None:
        """Close the book."""
        self.database.close()

    def prepare(self, *, demo: bool = False) -> None:
        """Bring the book's tables up to date and give a new book its identity."""
        schema.upgrade(self.database)
        with self.database.write() as session:
            if session.get(BookFact, "id") is None:
                session.add(BookFact(key="id", value=secrets.token_hex(8)))
                session.add(BookFact(key="made_at", value=self.clock().isoformat()))
                if demo:
                    session.add(BookFact(key="demo", value="yes"))

    def is_demo(self) -> bool:
        """Tell whether this book holds the made-up demo scenario."""
        with self.database.read() as session:
            return session.get(BookFact, "demo") is not None

    def sheet(self, session: Session) -> Sheet:
        """Return the trade sheet in force: the base, overlays, and the shop's own limits."""
        rows = session.scalars(
            select(ShopLimit).where(ShopLimit.withdrawn_at.is_(None)).order_by(ShopLimit.id)
        ).all()
        day = today(self.clock())
        known, sheet = self._last_sheet
        limits = [Limit.model_validate_json(r.row) for r in rows]
        now = [x for x in limits if x.since <= day]
        key = tuple(x.model_dump_json() for x in now)
        if key != known:
            sheet = self.base.with_shop_limits(tuple(now))
            self._last_sheet = (key, sheet)
        return sheet

    def keep_sheet(self, session: Session, sheet: Sheet) -> None:
        """Keep the full content of a sheet that decided something."""
        if session.get(UsedSheet, sheet.sha256) is None:
            session.add(
                UsedSheet(
                    sha256=sheet.sha256,
                    version=sheet.version,
                    content=sheet.canonical,
                    first_used_at=self.clock(),
                )
            )
            session.flush()

    def note(
        self, session: Session, actor: Actor, event: str, subject: str, /, **detail: Any
    ) -> None:
        """Write one row of the audit trail, in the caller's unit of work."""
        audit.append(
            session,
            at=self.clock(),
            person_id=actor.person_id,
            actor=f"{actor.name} ({actor.role})",
            action=event,
            subject=subject,
            detail=detail,
        )


def open_book(
    url: str | None = None,
    *,
    overlays: tuple[Mapping[str, str], ...] = (),
    durable: bool = True,
) -> Shop:
    """Open a book by its database URL (None: the one the environment names)."""
    return Shop(Database(url or default_url(), durable=durable), overlays=overlays)
