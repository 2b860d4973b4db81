"""What consumables cost: parts fitted at their price, per start, arc hour, metre and part.

A part is counted when it is first fitted, at the price that held then; one fitted before any
price was in the book, at the first, and it is said so. A part that never had a price is counted
as such and never as nothing: the cost is then said to be "at least". Amounts of different
currencies stand beside one another and are never added.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import Process, Torch
from pitwise.services.amounts import Amount, Amounts, add
from pitwise.services.errors import ServiceError
from pitwise.services.fitted_parts import FittedPart, fitted_parts
from pitwise.services.life_book import part_lives
from pitwise.services.life_model import PartLife
from pitwise.services.loss_list import LossList, loss_list
from pitwise.services.metres import (
    MetresPerMinute,
    NoMetres,
    Ranged,
    count_for_metres,
    metres_per_minute,
)
from pitwise.services.periods import Period, asked_period
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_prices import Prices, price_book
from pitwise.services.shopfloor import Shop
from pitwise.services.use_between import UseOver, UseTable, use_between
from pitwise.trade.model import Sheet

By = Literal["torch", "process", "cause", "part"]
GROUPINGS: tuple[By, ...] = get_args(By)


@dataclass(frozen=True)
class PerUse:
    """What a currency's cost comes to, per use.

    Attributes
    ----------
    currency : str
    cost : float
    per_part : float
        Of those with a price in this currency.
    per_start, per_arc_hour : float or None
        None without use on the counters.
    per_metre : Ranged or None
        None without use or without metres.
    by_first : float
        Of the cost, what is reckoned by a first known price.
    """

    currency: str
    cost: float
    per_part: float
    per_start: float | None
    per_arc_hour: float | None
    per_metre: Ranged | None
    by_first: float = 0.0


@dataclass(frozen=True)
class CostLine:
    """The cost of one torch, process, cause or part, or of all.

    Attributes
    ----------
    name : str
    parts : int
        Fitted.
    unpriced : int
        Of them, without a known price; the cost is then "at least".
    use : UseOver
        What the cost is set against: that of the torch or process; of all torches for a cause
        or a part.
    per : tuple of PerUse
        By currency.
    by_first : int
        Parts reckoned by their first known price: they were fitted before it.
    """

    name: str
    parts: int
    unpriced: int
    use: UseOver
    per: tuple[PerUse, ...]
    by_first: int = 0

    @property
    def cost(self) -> Amounts:
        """What they cost, by currency."""
        return tuple(Amount.sure(p.currency, p.cost) for p in self.per)


@dataclass(frozen=True)
class MoneyView:
    """What consumables cost in a period, and what was lost before its worth was used.

    Attributes
    ----------
    period : Period
    by : {"torch", "process", "cause", "part"}
    total : CostLine
    lines : tuple of CostLine
        Dearest first in the currency that most parts have.
    parts : tuple of FittedPart
        Newest first.
    metres : MetresPerMinute or NoMetres
    losses : LossList
    read_until : datetime or None
        The last counter reading within the period; use after it is not counted.
    unpriced_types : tuple of str
        Part types without a known price, of parts fitted in the period.
    """

    period: Period
    by: By
    total: CostLine
    lines: tuple[CostLine, ...]
    parts: tuple[FittedPart, ...]
    metres: MetresPerMinute | NoMetres
    losses: LossList
    read_until: dt.datetime | None
    unpriced_types: tuple[str, ...]

    @property
    def empty(self) -> bool:
        """Whether nothing was fitted, ended, or counted."""
        return not self.parts and not self.losses.ended and not self.total.use


def money_view(
    shop: Shop, actor: Actor, *, first: str = "", last: str = "", by: str = "torch"
) -> MoneyView:
    """Return the cost of consumables over a period.

    Parameters
    ----------
    shop, actor
    first, last : str
        Days as typed, both within the period; empty: the last 365 days.
    by : {"torch", "process", "cause", "part"}

    Raises
    ------
    ServiceError
        A day or grouping that is none; names it.
    """
    require(actor, "view")
    if by not in GROUPINGS:
        raise ServiceError("by", f"'{by[:20]}' is no grouping", f"use {', '.join(GROUPINGS)}")
    period = asked_period(shop.clock(), first, last)
    count_for_metres(shop)
    with shop.database.read() as session:
        return money_of(shop, session, period, next(g for g in GROUPINGS if g == by))


def money_of(
    shop: Shop,
    session: Session,
    period: Period,
    by: By,
    *,
    lives: Sequence[PartLife] | None = None,
    prices: Prices | None = None,
) -> MoneyView:
    """Return the cost of consumables over a period, in the caller's session."""
    known = part_lives(session) if lives is None else lives
    price = prices or price_book(session)
    parts = fitted_parts(shop, session, period, known, price)
    use = use_between(session, period.since, period.until)
    metres = metres_per_minute(session)
    sheet = shop.sheet(session)
    total = cost_line("All", parts, use.total(), metres)
    lines = _lines(session, parts, use, by, sheet, metres)
    main = max(total.per, key=lambda p: (p.cost, p.currency), default=None)
    currency = main.currency if main else ""
    return MoneyView(
        period,
        by,
        total,
        tuple(sorted(lines, key=lambda line: (-_cost_in(line, currency), -line.parts, line.name))),
        tuple(parts),
        metres,
        loss_list(shop, session, period.since, period.until, lives=known, prices=price),
        use.read_until,
        tuple(sorted({p.part_type for p in parts if p.price is None})),
    )


def _cost_in(line: CostLine, currency: str) -> float:
    return next((p.cost for p in line.per if p.currency == currency), 0.0)


def cost_line(
    name: str,
    parts: Sequence[FittedPart],
    use: UseOver,
    metres: MetresPerMinute | NoMetres,
) -> CostLine:
    """Return what parts cost, and per use."""
    priced = [p.price for p in parts if p.price is not None]
    sums = add(Amount.sure(currency, value) for value, currency in priced)
    first = [p for p in parts if p.by_first]
    run = metres.metres(use.arc_minutes) if isinstance(metres, MetresPerMinute) else None
    per = tuple(
        PerUse(
            s.currency,
            s.value,
            s.value / sum(currency == s.currency for _, currency in priced),
            s.value / use.starts if use.starts > 0 else None,
            s.value * 60 / use.arc_minutes if use.arc_minutes > 0 else None,
            run.under(s.value) if run is not None and run.value > 0 else None,
            math.fsum(p.price[0] for p in first if p.price and p.price[1] == s.currency),
        )
        for s in sums
    )
    return CostLine(name, len(parts), len(parts) - len(priced), use, per, len(first))


def _lines(
    session: Session,
    parts: Sequence[FittedPart],
    use: UseTable,
    by: By,
    sheet: Sheet,
    metres: MetresPerMinute | NoMetres,
) -> list[CostLine]:
    if by in ("torch", "process"):
        return _by_place(session, parts, use, by, metres)
    name: Callable[[FittedPart], str] = (
        (lambda p: p.why) if by == "cause" else (lambda p: sheet.part(p.part).name)
    )
    groups: dict[str, list[FittedPart]] = {}
    for p in parts:
        groups.setdefault(name(p), []).append(p)
    return [cost_line(n, own, use.total(), metres) for n, own in groups.items()]


def _by_place(
    session: Session,
    parts: Sequence[FittedPart],
    use: UseTable,
    by: By,
    metres: MetresPerMinute | NoMetres,
) -> list[CostLine]:
    """Return a line for every torch, or process, that was used or got a part."""
    torches = {t.id: t for t in session.scalars(select(Torch))}
    of_torch = by == "torch"
    names: Mapping[int, str] = (
        {t.id: t.name for t in torches.values()}
        if of_torch
        else {p.id: p.name for p in session.scalars(select(Process))}
    )
    out = []
    for ident, name in names.items():
        own = [p for p in parts if (p.torch_id if of_torch else p.process_id) == ident]
        run = use.total(torch=ident) if of_torch else use.total(process=ident)
        if not own and not run:
            continue
        # What was cut with a process is told by the torches that were used with it then.
        on = [ident] if of_torch else sorted({t for t, p in use.of if p == ident and use.of[t, p]})
        told = metres_per_minute(session, torches=on) if on and metres else metres
        out.append(cost_line(name, own, run, told or metres))
    return out


def events_of(parts: Sequence[FittedPart], currency: str) -> list[float]:
    """Return what each change cost: parts that went in together are one event."""
    sums: dict[tuple[int, dt.datetime], list[float]] = {}
    for p in parts:
        if p.price is not None and p.price[1] == currency:
            sums.setdefault((p.torch_id, p.at), []).append(p.price[0])
    return [total for total in map(math.fsum, sums.values()) if total > 0]
