"""The shop's own limits: entered by a lead, with a date and a reason; withdrawn, never edited."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass

from pydantic import ValidationError
from sqlalchemy import select

from pitwise.measure.depth import ReadingError, parse_depth
from pitwise.records.tables import Person, Process, ShopLimit
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.periods import today
from pitwise.services.permissions import Actor, require
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.trade import Limit, ProcessSelector, Sheet
from pitwise.trade.quantities import QUANTITIES, WORDS, Quantity

# A hole nobody would measure with a rim of a torch part about it (our own choice).
_MOST_MM = 10


@dataclass(frozen=True)
class ShopLimitView:
    """A limit the shop entered, in force or withdrawn."""

    id: int
    limit: Limit
    reason: str
    entered_by: str
    entered_at: dt.datetime
    withdrawn_by: str | None
    withdrawn_at: dt.datetime | None
    withdrawn_reason: str | None


@dataclass(frozen=True)
class LimitsView:
    """The limits page: the sheet in force, the shop's own rows, and what holds per process."""

    sheet: Sheet
    own: list[ShopLimitView]
    by_process: list[tuple[Process, Limit | None]]
    choices: list[tuple[str, str]]


def limit_choices(sheet: Sheet) -> list[tuple[str, str]]:
    """Return what a limit may be set on: (``part/quantity``, words), the pit depth first."""
    return [
        (
            f"{part}/{quantity}",
            f"{sheet.part(part).name}: {WORDS[quantity].name}",
        )
        for quantity in QUANTITIES
        for part in WORDS[quantity].parts
    ]


def _on(choice: str) -> tuple[str, Quantity]:
    part, _, word = choice.partition("/")
    quantity = next((q for q in QUANTITIES if q == word), None)
    if quantity is None or part not in WORDS[quantity].parts:
        raise ServiceError("limit on", f"'{choice[:40]}' is not measured", "choose from the list")
    return part, quantity


def _largest(shop: Shop, quantity: Quantity) -> float:
    if quantity == "pit-depth":
        return float(shop.base.constant("emitter-deepest"))
    if quantity == "orifice-growth":
        return float(shop.base.constant("orifice-growth-most"))
    return _MOST_MM


def limits_view(shop: Shop, actor: Actor) -> LimitsView:
    """Return all limits with their sources, and which one holds for each process."""
    require(actor, "view")
    with shop.database.read() as session:
        sheet = shop.sheet(session)
        names = {p.id: p.name for p in session.scalars(select(Person))}
        own = [
            ShopLimitView(
                r.id,
                Limit.model_validate(json.loads(r.row)),
                r.reason,
                names.get(r.entered_by, "?"),
                r.entered_at,
                names.get(r.withdrawn_by) if r.withdrawn_by else None,
                r.withdrawn_at,
                r.withdrawn_reason,
            )
            for r in session.scalars(select(ShopLimit).order_by(ShopLimit.id.desc()))
        ]
        processes = list(session.scalars(select(Process).order_by(Process.name)))
        return LimitsView(
            sheet,
            own,
            [(p, sheet.limit_for("electrode", "pit-depth", selector(p))) for p in processes],
            limit_choices(sheet),
        )


def add_limit(
    shop: Shop,
    actor: Actor,
    *,
    depth: str,
    compare: str,
    process_id: int | None,
    source: str,
    reason: str,
    since: str = "",
    on: str = "electrode/pit-depth",
) -> int:
    """Enter the shop's own limit, for one process or for every process.

    `on` is what it is set on, ``part/quantity`` of `limit_choices`. The number is kept in the
    unit it was given in; readings in the other unit are compared with its exact conversion.
    """
    require(actor, "edit-limits")
    source = clean_text("source", source, longest=200)
    reason = clean_text("reason", reason, longest=400, lines=True)
    part, quantity = _on(on)
    if compare not in (">", ">="):
        raise ServiceError("comparison", "is missing", "choose 'above' or 'at or above'")
    try:
        given = parse_depth(depth)
        start = dt.date.fromisoformat(since) if since else today(shop.clock())
    except ReadingError as error:
        problem, _, mend = str(error).partition(": ")
        raise ServiceError("depth", problem, mend or "write it as 1.2 mm") from error
    except ValueError as error:
        raise ServiceError("date", f"'{since[:20]}' is not a date", "write 2026-01-31") from error
    if given.bare:
        raise ServiceError("depth", "has no unit", "write it as 1.2 mm or 47 thou")
    largest = _largest(shop, quantity)
    if not 0 < given.mm <= largest:
        raise ServiceError(
            "depth",
            f"{given.words()} is no limit for {WORDS[quantity].what}",
            f"give up to {largest:g} mm, more than 0",
        )
    with shop.database.write() as session:
        process = ProcessSelector()
        if process_id is not None:
            row = session.get(Process, process_id)
            if row is None:
                raise NotFoundError("process", "is not in the book", "choose from the list")
            process = selector(row)
        value, unit = (given.thou, "thou") if given.unit in ("in", "thou") else (given.value, "mm")
        side = "at or above" if compare == ">=" else "above"
        entry = ShopLimit(
            row="{}", reason=reason, entered_by=actor.person_id or 0, entered_at=shop.clock()
        )
        session.add(entry)
        session.flush()
        try:
            limit = Limit.model_validate(
                {
                    "id": f"shop-{entry.id}",
                    "part": part,
                    "quantity": quantity,
                    "compare": compare,
                    "figures": [{"value": str(value.normalize()), "unit": unit}],
                    "process": process.given(),
                    "source": source,
                    "since": start,
                    "shop": True,
                    "text": f"Replace when {WORDS[quantity].what} is {side} {given.words()}",
                }
            )
        except ValidationError as error:
            first = error.errors()[0]
            raise ServiceError(
                ".".join(str(x) for x in first["loc"]), first["msg"], "correct it"
            ) from error
        entry.row = limit.model_dump_json()
        shop.note(
            session,
            actor,
            "limit-entered",
            f"shop limit {entry.id}",
            on=on,
            limit=limit.quoted(),
            compare=compare,
            process=process.words(),
            source=source,
            reason=reason,
            since=start.isoformat(),
        )
        return entry.id


def withdraw_limit(shop: Shop, actor: Actor, limit_id: int, *, reason: str) -> None:
    """Withdraw one of the shop's limits; it stays in the book with the reason."""
    require(actor, "edit-limits")
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        row = session.get(ShopLimit, limit_id)
        if row is None:
            raise NotFoundError("limit", "is not in the book", "choose from the list")
        if row.withdrawn_at is not None:
            raise ConflictError("limit", "it has been withdrawn already", "nothing to do")
        row.withdrawn_at, row.withdrawn_by = shop.clock(), actor.person_id
        row.withdrawn_reason = reason
        shop.note(session, actor, "limit-withdrawn", f"shop limit {row.id}", reason=reason)
