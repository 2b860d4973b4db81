"""What the monthly sheet says of causes, stock and changes: read from the book's rows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection, Iterable

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.case_tables import CauseCase, ReadingRange
from pitwise.records.shelf_tables import (
    ItemTerms,
    Movement,
    ShelfItem,
    ShelfOrder,
    ShelfOrderLine,
    StockRule,
)
from pitwise.records.tables import Person, ShopLimit, Station
from pitwise.records.wear_tables import StationSetting, WearFit
from pitwise.services.amounts import Amount, add, amounts_words
from pitwise.services.cures import all_cures, closed_causes
from pitwise.services.month_words import Sentence, listed, number, plural
from pitwise.services.periods import Period
from pitwise.services.record_chain import looked_at_of_corrections
from pitwise.services.shelf_prices import Prices
from pitwise.services.shopfloor import Shop
from pitwise.services.wear_book import QUANTITY
from pitwise.shelf.unit_price import price_text
from pitwise.trade import Limit

_MOST_LINES = 12


def cause_facts(shop: Shop, session: Session, period: Period) -> list[Sentence]:
    """Return the cases opened and closed in a period, and how the cures stand today."""
    sheet = shop.sheet(session)
    causes = closed_causes(session, sheet)
    rows = session.scalars(
        select(CauseCase).where(CauseCase.state != "discarded").order_by(CauseCase.id)
    ).all()
    out = []
    opened = [c for c in rows if period.since <= c.opened_at < period.until]
    cured = [c for c in rows if c.cured_at and period.since <= c.cured_at < period.until]
    for case in opened:
        why = f": “{case.complaint}”" if case.complaint else ""
        out.append(
            Sentence(
                f"Case {case.id} was opened on {case.torch.name}{why}.",
                href=f"/causes/{case.id}",
            )
        )
    for case in cured:
        named = causes.get(case.id, ())
        words = listed([c.name.lower() for c in named]) if named else "a cause not named"
        sure = "verified" if case.certainty == "verified" else "the trouble went away"
        out.append(
            Sentence(
                f"Case {case.id} on {case.torch.name} was closed with {words} ({sure}).",
                href=f"/causes/{case.id}",
            )
        )
    if not opened and not cured:
        out.append(Sentence("No case was opened or closed."))
    closed = [c for c in rows if c.state == "closed" and (c.cured_at or c.opened_at) < period.until]
    if closed:
        views = all_cures(shop, session)
        held, failed, early = (
            [c for c in closed if views[c.id].held is want] for want in (True, False, None)
        )
        out.append(
            Sentence(
                f"Of {plural(len(closed), 'cure')} until then, as known today: "
                f"{number(len(held))} held, {number(len(failed))} did not, "
                f"{number(len(early))} can’t be told yet.",
                "too-few" if not held and not failed else "fact",
                "/causes",
            )
        )
        out += [
            Sentence(
                f"Case {c.id} on {c.torch.name} did not hold. {views[c.id].did_not_hold}",
                href=f"/causes/{c.id}",
            )
            for c in failed
            if c in cured
        ]
    return out


def goods_words(pieces: int, kits: int) -> str:
    """Say how many pieces and how many kits: a kit is no piece, it holds several."""
    if not kits:
        return plural(pieces, "piece")
    return (
        plural(kits, "kit")
        if not pieces
        else f"{plural(pieces, 'piece')} and " + plural(kits, "kit")
    )


def stock_facts(
    session: Session, period: Period, prices: Prices, *, whole: bool = True
) -> list[Sentence]:
    """Return the stock at a period's end, what came and was ordered, and what ran out.

    Parameters
    ----------
    session, period, prices
    whole : bool
        False: the period still runs, and its stock is that of now.
    """
    items = {i.id: i for i in session.scalars(select(ShelfItem))}
    moves = session.execute(
        select(
            Movement.item_id,
            Movement.at,
            Movement.kind,
            Movement.pieces,
            Movement.unit_price,
            Movement.currency,
            Movement.reverses,
            Movement.id,
            Movement.inspection_id,
        )
        .where(Movement.at < period.until)
        .order_by(Movement.at, Movement.id)
    ).all()
    if not moves:
        return [Sentence("Nothing is on the shelf’s ledger yet.", "too-few", "/shelf")]
    undone = {m.reverses for m in moves if m.reverses is not None}
    balance: dict[int, int] = {}
    came: list[Amount] = []
    pieces_in = kits_in = unpriced_in = 0
    kits = {i for i, item in items.items() if item.kind == "kit"}
    for m in moves:
        balance[m.item_id] = balance.get(m.item_id, 0) + m.pieces
        if m.at < period.since:
            continue
        if m.kind == "goods-in" and m.id not in undone:
            if m.item_id in kits:
                kits_in += m.pieces
            else:
                pieces_in += m.pieces
            if m.unit_price is None or m.currency is None:
                unpriced_in += m.pieces
            else:
                came.append(Amount.sure(m.currency, m.pieces * m.unit_price))
    out = [_worth(items, balance, prices, period, whole)]
    if pieces_in or kits_in:
        goods = goods_words(pieces_in, kits_in)
        least = "at least " if unpriced_in else ""
        out.append(
            Sentence(
                f"{goods} came in, for {least}{amounts_words(add(came))}."
                if came
                else f"{goods} came in, without a price on the ledger."
            )
        )
    else:
        out.append(Sentence("Nothing came in."))
    out.append(_ordered(session, period, kits))
    corrected = looked_at_of_corrections(session)
    stood = [
        (corrected.get(m.inspection_id or 0, m.at), m.id, m.item_id, m.pieces)
        for m in moves
        if m.id not in undone and m.reverses is None
    ]
    short = sorted(items[i].name for i in stood_at_nothing(stood, period) if items[i].active)
    if short:
        out.append(
            Sentence(
                f"{plural(len(short), 'item')} stood at nothing for a time: {listed(short)}.",
                href="/shelf",
            )
        )
    below = sorted(items[i].name for i, pieces in balance.items() if pieces < 0)
    if below:
        out.append(
            Sentence(
                f"The book’s figure is below zero for {listed(below)}: count what is there.",
                href="/shelf",
            )
        )
    return out


def stood_at_nothing(
    moves: Iterable[tuple[dt.datetime, int, int, int]], period: Period
) -> set[int]:
    """Return the items of which nothing was there for a time in a period.

    Parameters
    ----------
    moves : iterable of (at, line, item, pieces)
        Lines that stand, without what was undone, up to the period's end, each at the moment
        the pieces moved: what a correction took left the shelf at the look it corrects.
    period : Period
    """
    balance: dict[int, int] = {}
    empty: dict[int, bool] = {}
    for at, _, item, pieces in sorted(moves):
        balance[item] = balance.get(item, 0) + pieces
        if at < period.since:
            empty[item] = balance[item] <= 0
        elif balance[item] <= 0:
            empty[item] = True
    return {item for item, was in empty.items() if was}


def _worth(
    items: dict[int, ShelfItem],
    balance: dict[int, int],
    prices: Prices,
    period: Period,
    whole: bool,
) -> Sentence:
    worth, unknown = [], []
    for ident, pieces in balance.items():
        if pieces <= 0:
            continue
        part_type = items[ident].part_type_id
        price = prices.of_item(ident, period.until)
        if price is None and part_type is not None:
            price = prices.at(part_type, period.until)
        if price is None:
            unknown.append(items[ident].name)
        else:
            worth.append(Amount.sure(price[1], pieces * price[0]))
    held = {
        kind: sum(p for i, p in balance.items() if p > 0 and (items[i].kind == "kit") is kind)
        for kind in (False, True)
    }
    goods = goods_words(held[False], held[True])
    text = f"At the end of the month {goods} lay on the shelf"
    if not whole:
        text = f"By now {goods} lie on the shelf"
    if worth:
        text += f", worth {'at least ' if unknown else ''}{amounts_words(add(worth))}"
    if unknown:
        text += f"; no price is known for {listed(sorted(unknown))}"
    return Sentence(f"{text}.", href="/shelf")


def _ordered(session: Session, period: Period, kits: Collection[int]) -> Sentence:
    rows = session.execute(
        select(
            ShelfOrder.id,
            ShelfOrderLine.item_id,
            ShelfOrderLine.pieces,
            ShelfOrderLine.unit_price,
            ShelfOrderLine.currency,
        )
        .join(ShelfOrderLine, ShelfOrderLine.order_id == ShelfOrder.id)
        .where(ShelfOrder.ordered_at >= period.since, ShelfOrder.ordered_at < period.until)
    ).all()
    if not rows:
        return Sentence("Nothing was ordered.")
    priced = [
        Amount.sure(r.currency, r.pieces * r.unit_price)
        for r in rows
        if r.unit_price is not None and r.currency is not None
    ]
    orders = len({r.id for r in rows})
    in_kits = sum(r.pieces for r in rows if r.item_id in kits)
    pieces = sum(r.pieces for r in rows) - in_kits
    least = "at least " if len(priced) < len(rows) else ""
    worth = f", for {least}{amounts_words(add(priced))}" if priced else ", without a price"
    return Sentence(
        f"{plural(orders, 'order')} of {goods_words(pieces, in_kits)} "
        f"{'was' if orders == 1 else 'were'} placed{worth}.",
        href="/shelf/orders",
    )


def change_facts(shop: Shop, session: Session, period: Period) -> list[Sentence]:
    """Return what the shop changed in a period: limits, settings, terms, rules, fits, people."""

    def inside(at: dt.datetime | None) -> bool:
        return at is not None and period.since <= at < period.until

    names = {p.id: p.name for p in session.scalars(select(Person))}
    stations = {s.id: s.name for s in session.scalars(select(Station))}
    sheet = shop.sheet(session)
    found: list[tuple[dt.datetime, str, str]] = []
    for limit in session.scalars(select(ShopLimit)):
        row = Limit.model_validate_json(limit.row)
        what = f"{row.quoted()} for the {sheet.part(row.part).name.lower()}, {row.process.words()}"
        if inside(limit.entered_at):
            who = names.get(limit.entered_by, "somebody")
            found.append(
                (limit.entered_at, f"{who} entered the limit {what}: {limit.reason}", "/limits")
            )
        if limit.withdrawn_at is not None and inside(limit.withdrawn_at):
            who = names.get(limit.withdrawn_by or 0, "somebody")
            why = limit.withdrawn_reason or "no reason given"
            found.append((limit.withdrawn_at, f"{who} withdrew the limit {what}: {why}", "/limits"))
    for setting in session.scalars(select(StationSetting)):
        if inside(setting.entered_at):
            who = names.get(setting.entered_by or 0, "Pitwise")
            found.append(
                (
                    setting.entered_at,
                    f"{who} set {stations[setting.station_id]} anew: {setting.reason}",
                    f"/shop/station/{setting.station_id}/settings",
                )
            )
    for span in session.scalars(select(ReadingRange)):
        if inside(span.at):
            found.append(
                (
                    span.at,
                    f"{names.get(span.by, 'somebody')} set the range of {span.reading} at "
                    f"{stations[span.station_id]}: {span.reason}",
                    "",
                )
            )
    found += _terms(session, inside_of=period, names=names)
    for person in session.scalars(select(Person)):
        if inside(person.created_at):
            found.append((person.created_at, f"{person.name} joined as {person.role}", ""))
    found.sort()
    out = [Sentence(f"{_full(text)}", href=href) for _, text, href in found[:_MOST_LINES]]
    if len(found) > _MOST_LINES:
        out.append(Sentence(f"And {plural(len(found) - _MOST_LINES, 'more change')}."))
    fits = [
        f
        for f in session.scalars(select(WearFit).where(WearFit.quantity == QUANTITY))
        if inside(f.fitted_at)
    ]
    if fits:
        newest = max(fits, key=lambda f: (f.fitted_at, f.id))
        times = "once" if len(fits) == 1 else f"{len(fits)} times, last"
        on = f"{plural(newest.readings, 'reading')} of {plural(newest.electrodes, 'electrode')}"
        out.append(Sentence(f"The wear was fitted {times} on {on}.", href="/wear"))
    return out or [Sentence("Nothing was changed.")]


def _full(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _terms(
    session: Session, *, inside_of: Period, names: dict[int, str]
) -> list[tuple[dt.datetime, str, str]]:
    items = {i.id: i.name for i in session.scalars(select(ShelfItem))}
    last: dict[int, ItemTerms] = {}
    out = []
    first_time = []
    for row in session.scalars(select(ItemTerms).order_by(ItemTerms.at, ItemTerms.id)):
        before = last.get(row.item_id)
        last[row.item_id] = row
        if not inside_of.since <= row.at < inside_of.until:
            continue
        if before is None:
            first_time.append(row)
            continue
        was, now = (f"{price_text(r.price)} {r.currency}" for r in (before, row))
        step = f"costs {now}, was {was}" if was != now else f"has new terms, price {now} as before"
        out.append((row.at, f"{items[row.item_id]} {step}", f"/shelf/items/{row.item_id}"))
    if first_time:
        out.append(
            (
                first_time[-1].at,
                f"Terms were entered for {listed([items[r.item_id] for r in first_time])}",
                "/shelf",
            )
        )
    for rule in session.scalars(select(StockRule)):
        if inside_of.since <= rule.at < inside_of.until:
            of = "the whole shelf" if rule.item_id is None else items[rule.item_id]
            who = names.get(rule.by or 0, "Pitwise")
            out.append(
                (
                    rule.at,
                    f"{who} set the stock rule of {of}: {rule.reason or 'no reason given'}",
                    "",
                )
            )
    return out
