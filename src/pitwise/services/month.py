"""The monthly sheet for the lead: lives, losses, causes, cost, stock and what was changed.

Every sentence is made from the book's numbers, set against the month before, with its range or
the word that it is too few to tell.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.records.tables import Counter, Fitting, InspectionRow, Torch
from pitwise.services.amounts import amounts_words, in_currency
from pitwise.services.fitted_parts import FittedPart, fitted_parts
from pitwise.services.life_book import part_lives
from pitwise.services.life_model import PartLife
from pitwise.services.loss_list import LossList, loss_list
from pitwise.services.metres import MetresPerMinute, count_for_metres, metres_per_minute
from pitwise.services.money import events_of
from pitwise.services.month_facts import cause_facts, change_facts, stock_facts
from pitwise.services.month_words import (
    MonthCost,
    Sentence,
    cost_sentence,
    lives_sentence,
    losses_sentence,
    plural,
    use_sentence,
)
from pitwise.services.periods import Month, Period, asked_month, day_words, month_of, today
from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_alerts import alerts
from pitwise.services.shelf_prices import Prices, price_book
from pitwise.services.shopfloor import Shop
from pitwise.services.use_between import UseTable, use_between

# Parts whose lives the sheet tells torch by torch; the others end too seldom in a month.
_MOST_ALERTS = 6
_TOLD = (("electrode", "Electrodes"), ("nozzle", "Nozzles"))
TOLD_WORDS = {
    "more": "more than chance",
    "less": "more than chance",
    "within-chance": "within chance",
    "too-few": "too few to tell",
    "fact": "",
}


@dataclass(frozen=True)
class Section:
    """One part of the sheet.

    Attributes
    ----------
    slug, title : str
    sentences : tuple of Sentence
    """

    slug: str
    title: str
    sentences: tuple[Sentence, ...]


@dataclass(frozen=True)
class MonthSheet:
    """The sheet of a month.

    Attributes
    ----------
    month : Month
    made_at : datetime
    whole : bool
        False while the month runs: then the sheet reaches to `made_at`.
    empty : str
        What there is to say when the book holds nothing of the month; "" else.
    sections : tuple of Section
    read_until : datetime or None
        The last counter reading within the month.
    first : Month or None
        The first month of the book; None for an empty book.
    losses : LossList or None
        What the picture is drawn from.
    """

    month: Month
    made_at: dt.datetime
    whole: bool
    empty: str
    sections: tuple[Section, ...]
    read_until: dt.datetime | None
    first: Month | None
    losses: LossList | None = None

    def plain(self) -> dict[str, Any]:
        """Return it as plain data, for JSON and for the typesetter."""
        return {
            "month": self.month.slug,
            "name": self.month.words,
            "before": self.month.before.slug,
            "made_at": self.made_at.isoformat(),
            "whole": self.whole,
            "empty": self.empty,
            "counters_read_until": self.read_until.isoformat() if self.read_until else None,
            "sections": [
                {
                    "slug": s.slug,
                    "title": s.title,
                    "sentences": [
                        {"text": x.text, "told": x.told, "told_words": TOLD_WORDS[x.told]}
                        for x in s.sentences
                    ],
                }
                for s in self.sections
            ],
        }


@dataclass(frozen=True)
class _Told:
    """What is read of one month."""

    period: Period
    use: UseTable
    lives: Mapping[tuple[int, str], tuple[float, ...]]
    parts: Sequence[FittedPart]
    losses: LossList

    @property
    def lost(self) -> int:
        """Losses in the cut: parts lost in one inspection are one."""
        return len({p.life.inspection_id for p in self.losses.parts if p.kind == "lost"})

    @property
    def unpriced(self) -> int:
        return sum(p.price is None for p in self.parts)


def month_sheet(shop: Shop, actor: Actor, text: str = "") -> MonthSheet:
    """Make the sheet of a month.

    Parameters
    ----------
    shop, actor
    text : str
        As 2026-10; empty: the last whole month.

    Raises
    ------
    ServiceError
        No month, or one that has not begun.
    """
    require(actor, "view")
    now = shop.clock()
    month = asked_month(now, text)
    count_for_metres(shop)
    # What can't wait is told as of today: an older sheet has no use for it.
    running = month_of(today(now))
    urgent = _alerts(shop, actor) if month in (running, running.before) else []
    with shop.database.read() as session:
        first = _first_month(session)
        whole = month.period.until <= now
        if first is None or (month.year, month.number) < (first.year, first.number):
            words = (
                "The book holds nothing yet: the first signed inspection begins it."
                if first is None
                else f"The book begins in {first.words}: it holds nothing of {month.words}."
            )
            return MonthSheet(month, now, whole, words, (), None, first)
        lives = part_lives(session)
        prices = price_book(session)
        told, before = (
            _told(shop, session, m.period, lives, prices) for m in (month, month.before)
        )
        empty = ""
        if not told.parts and not told.losses.ended and not told.use.total():
            empty = (
                f"No part was fitted or came to its end in {month.words}, "
                "and the counters did not move."
            )
        sections = (
            _lives(session, told, before, month),
            _losses(told, before, month),
            Section("causes", "Causes", tuple(cause_facts(shop, session, month.period))),
            _cost(session, told, before, month),
            Section(
                "stock",
                "Stock",
                (*stock_facts(session, month.period, prices, whole=whole), *urgent),
            ),
            Section("changes", "What changed", tuple(change_facts(shop, session, month.period))),
        )
        return MonthSheet(
            month, now, whole, empty, sections, told.use.read_until, first, told.losses
        )


def _alerts(shop: Shop, actor: Actor) -> list[Sentence]:
    """Return what can't wait on the shelf today; the words are the shelf's, with their ranges."""
    found = alerts(shop, actor)
    out = [
        Sentence(f"Today: {a.words}", href=f"/shelf/items/{a.item_id}")
        for a in found[:_MOST_ALERTS]
    ]
    if len(found) > _MOST_ALERTS:
        more = plural(len(found) - _MOST_ALERTS, "more item")
        out.append(Sentence(f"Today: {more} can’t wait.", href="/shelf"))
    return out


def months(shop: Shop, actor: Actor) -> list[Month]:
    """Return the months the book has a sheet of, newest first."""
    require(actor, "view")
    with shop.database.read() as session:
        first = _first_month(session)
    if first is None:
        return []
    out = [month_of(today(shop.clock()))]
    while (out[-1].year, out[-1].number) > (first.year, first.number):
        out.append(out[-1].before)
    return out


def _first_month(session: Session) -> Month | None:
    firsts = [
        session.scalar(select(func.min(column)).where(gone.is_(False)))
        for column, gone in ((Counter.at, Counter.void), (Fitting.fitted_at, Fitting.void))
    ]
    firsts.append(session.scalar(select(func.min(InspectionRow.signed_at))))
    known = [at for at in firsts if at is not None]
    return month_of(today(min(known))) if known else None


def _told(
    shop: Shop, session: Session, period: Period, lives: Sequence[PartLife], prices: Prices
) -> _Told:
    ended: dict[tuple[int, str], list[float]] = {}
    for x in lives:
        if (
            x.ended_at is not None
            and period.since <= x.ended_at < period.until
            and not x.taken_out
            and x.starts > 0
        ):
            ended.setdefault((x.torch_id, x.part), []).append(float(x.starts))
    return _Told(
        period,
        use_between(session, period.since, period.until),
        {key: tuple(own) for key, own in ended.items()},
        fitted_parts(shop, session, period, lives, prices),
        loss_list(shop, session, period.since, period.until, lives=lives, prices=prices),
    )


def _lives(session: Session, told: _Told, before: _Told, month: Month) -> Section:
    use, used_before = told.use.total(), before.use.total()
    name = month.before.words
    out = [use_sentence(use.starts, use.arc_minutes, used_before.starts, name)]
    for torch in session.scalars(select(Torch).order_by(Torch.name)):
        both: dict[tuple[tuple[float, ...], tuple[float, ...]], list[str]] = {}
        for part, words in _TOLD:
            now = told.lives.get((torch.id, part), ())
            then = before.lives.get((torch.id, part), ())
            if now or then or told.use.total(torch=torch.id):
                both.setdefault((now, then), []).append(words)
        # Changed together, they have the same lives: one sentence tells both.
        for (now, then), kinds in both.items():
            parts = " and ".join([kinds[0], *[k.lower() for k in kinds[1:]]])
            out.append(lives_sentence(parts, torch.name, now, then, name))
    return Section("lives", "Lives", tuple(out))


def _losses(told: _Told, before: _Told, month: Month) -> Section:
    out = [
        losses_sentence(
            told.lost,
            told.use.total().starts,
            before.lost,
            before.use.total().starts,
            month.before.words,
        )
    ]
    losses = told.losses
    if not losses.parts:
        out.append(Sentence("No part ended before its worth was used."))
        return Section("losses", "Losses", tuple(out))
    count = plural(len(losses.parts), "part")
    text = f"{count} of {losses.ended} that came to their end did so before their worth was used"
    if losses.money:
        text += f"; that took {amounts_words(losses.money)}"
    if losses.untold:
        text += f", {plural(losses.untold, 'part')} of them not told in money"
    out.append(Sentence(f"{text}.", href=_losses_href(told.period)))
    top = losses.rows[0]
    money = in_currency(top.money, losses.main_currency)
    if losses.main_currency and money.value > 0:
        whole = in_currency(losses.money, losses.main_currency)
        out.append(
            Sentence(
                f"Most of it: {top.why.words}, {amounts_words((money,))}, "
                f"{100 * money.share_of(whole):.0f} % of it, {plural(top.parts, 'part')}."
            )
        )
    if losses.assumed:
        out.append(
            Sentence(
                f"What a loss takes with it is partly assumed, not set by the shop, at "
                f"{' and '.join(losses.assumed)}."
            )
        )
    return Section("losses", "Losses", tuple(out))


def _losses_href(period: Period) -> str:
    return f"/money?from={period.first.isoformat()}&to={period.last.isoformat()}"


def _cost(session: Session, told: _Told, before: _Told, month: Month) -> Section:
    if not told.parts:
        return Section("cost", "Cost", (Sentence("No part was fitted, so nothing was spent."),))
    currencies = sorted({p.price[1] for p in told.parts if p.price is not None})
    if not currencies:
        text = (
            f"{plural(len(told.parts), 'part')} fitted, none with a known price: "
            "enter terms on the Shelf page."
        )
        return Section("cost", "Cost", (Sentence(text, "too-few", "/shelf"),))
    metres = metres_per_minute(session)
    out = []
    for currency in currencies:
        costs = []
        for one in (told, before):
            use = one.use.total()
            events = events_of(one.parts, currency)
            per_metre = None
            if isinstance(metres, MetresPerMinute) and use.arc_minutes > 0 and events:
                run = metres.metres(use.arc_minutes)
                per_metre = run.under(sum(events)) if run.value > 0 else None
            late = sum(
                p.by_first and p.price is not None and p.price[1] == currency for p in one.parts
            )
            costs.append(
                MonthCost(events, use.starts, use.arc_minutes, per_metre, one.unpriced, late)
            )
        out.append(cost_sentence(currency, costs[0], costs[1], month.before.words))
    if len(currencies) > 1:
        out.append(Sentence("Different currencies are never added together."))
    if not isinstance(metres, MetresPerMinute):
        out.append(Sentence(f"Per metre can’t be told: {metres.reason}.", "too-few"))
    else:
        out.append(Sentence(f"Metres are {metres.words}."))
    return Section("cost", "Cost", tuple(out))


def until_words(sheet: MonthSheet) -> str:
    """Say how far the sheet reaches."""
    if sheet.whole:
        return f"The whole of {sheet.month.words}, by the book as it stands today."
    return (
        f"{sheet.month.words} so far, up to {day_words(today(sheet.made_at))}: "
        "it is set against the whole month before."
    )
