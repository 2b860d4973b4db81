"""What to order and by when, item by item; and what of it can't wait."""

from __future__ import annotations

import datetime as dt
import math
import threading
from collections import OrderedDict
from collections.abc import Sequence
from typing import Any
from weakref import WeakKeyDictionary

import numpy as np
from sqlalchemy.orm import Session

from pitwise.services.permissions import Actor, require
from pitwise.services.shelf_advice_model import (
    Alert,
    ItemAdvice,
    Level,
    StockDay,
    Week,
    stock_ahead,
)
from pitwise.services.shelf_demand import DAYS, ItemDemand, ShopDemand, demand_of_shop
from pitwise.services.shelf_items import lines_of
from pitwise.services.shelf_model import ItemLine, Rule, Terms
from pitwise.services.shelf_read import get_item, on_order
from pitwise.services.shopfloor import Shop
from pitwise.shelf.advice import Advice, advise
from pitwise.shelf.floor import FloorAdvice, advise_by_floor
from pitwise.shelf.paths import DemandPaths, kits_needed
from pitwise.shelf.stock_left import Band, band, bands, days_left
from pitwise.shelf.terms import Buying, CantTell, Keeping
from pitwise.shelf.words import (
    advice_words,
    band_words,
    first_words,
    floor_words,
    percent_words,
    range_words,
)

__all__ = [
    "Advice",
    "Alert",
    "Band",
    "CantTell",
    "FloorAdvice",
    "ItemAdvice",
    "StockDay",
    "Week",
    "alerts",
    "all_advice",
    "item_advice",
    "stock_ahead",
]

LIKELY_SHORT = 0.5
_LONGEST_DAYS = 365
_STEP_DAYS = 30
_SHOWN_WEEKS = 12
# Our own choice, no source.
_USUAL_LEAD_DAYS = 14.0
_MOST_KEPT = 2000
_SEED = 41


def item_advice(shop: Shop, session: Session, item_id: int) -> ItemAdvice:
    """Return one item's forecast and advice.

    Raises
    ------
    NotFoundError
    """
    get_item(session, item_id)
    lines = lines_of(session, inactive=True)
    return next(a for a in _advised(shop, session, lines) if a.item.id == item_id)


def all_advice(shop: Shop, actor: Actor) -> list[ItemAdvice]:
    """Return every kept item's forecast and advice, in the shelf's order."""
    require(actor, "view")
    with shop.database.read() as session:
        return _advised(shop, session, lines_of(session))


def alerts(shop: Shop, actor: Actor) -> list[Alert]:
    """Return what can't wait, worst first."""
    return alerts_of(all_advice(shop, actor))


def alerts_of(advised: Sequence[ItemAdvice]) -> list[Alert]:
    """Return what can't wait of advice at hand, worst first."""
    found: list[tuple[int, float, Alert]] = []

    def add(rank: int, own: ItemAdvice, level: Level, words: str) -> None:
        soon = own.days_left.median if own.days_left is not None else math.inf
        name = own.item.name
        alert = Alert(level, own.item.id, f"{name}: {_small(words)}", own.by_day, name, words)
        found.append((rank, soon, alert))

    for own in advised:
        item, advice = own.item, own.advice
        late = [(pieces, -day) for pieces, day in own.coming if day < 0]
        if late:
            add(2, own, "late", _late_words(late, item.terms))
        if own.count_first:
            after = "" if not own.order_now else f" After counting, by that figure: {_order(own)}"
            add(2, own, "count-it", f"{_doubt(item)} Count what is there.{after}")
            continue
        if own.covered_by:
            continue
        if isinstance(advice, Advice) and advice.shortage_chance >= LIKELY_SHORT:
            what = own.words[0]
            if not advice.order_now:
                some = "is" if advice.on_order == 1 else "are"
                what = (
                    f"{advice.on_order} {some} on order and may come too late: chance that one is "
                    f"missing before: {percent_words(advice.shortage_chance)}."
                )
            add(0, own, "short", what)
        elif own.order_now:
            add(1, own, "order-now", own.words[0])
        elif item.terms is None:
            words = _no_terms_words(own)
            if words:
                add(3, own, "no-terms", words)
    found.sort(key=lambda x: (x[0], x[1], x[2].words))
    return [alert for _, _, alert in found]


def _doubt(item: ItemLine) -> str:
    """Return why the book's figure is doubted."""
    if item.below_zero:
        return "The book's figure can't be right: more went out than it knew of."
    return "The book's figure may not be right: a correction came after a count."


def count_words(own: ItemAdvice) -> tuple[str, str]:
    """Return why an item to be ordered is counted first, and what follows that; no full stops."""
    return (
        _small(_doubt(own.item)).rstrip("."),
        f"count what is there; after counting, by that figure: {_order(own)}".rstrip("."),
    )


def _order(own: ItemAdvice) -> str:
    """Return the order that would be advised by the figure, of an item to be counted first."""
    return _small(own.words[1].removeprefix(_AFTER))


_AFTER = "After counting, by that figure: "


def _late_words(late: Sequence[tuple[int, float]], terms: Terms | None) -> str:
    pieces, days = sum(n for n, _ in late), max(d for _, d in late)
    was = "was" if pieces == 1 else "were"
    ago = "yesterday" if days == 1 else f"{days:.0f} days ago"
    more = " or later" if len(late) > 1 else ""
    ask = f"Ask {terms.supplier}" if terms is not None else "Ask the supplier"
    return (
        f"{pieces} on order {was} expected {ago}{more}. {ask}; until then the forecast counts on "
        f"{'it' if pieces == 1 else 'them'} for tomorrow."
    )


def _no_terms_words(own: ItemAdvice) -> str:
    """Return what is missed for want of terms; empty where nothing is."""
    keep, there = own.item.rule.keep_least, own.item.on_shelf + own.item.in_kits
    missed = []
    if keep > max(0, there) + own.item.on_order:
        missed.append(f"{keep} {'is' if keep == 1 else 'are'} always to be kept, {there} there")
    if own.month is not None and own.month.p95 > 0:
        missed.append(f"about {range_words(own.month)} go in 4 weeks")
    if not missed:
        return ""
    return f"No supplier and lead time are set, so no order can be advised; {' and '.join(missed)}."


def _small(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]


def _horizon(lines: Sequence[ItemLine]) -> int:
    """Return how far to look: past every order's time, in steps so that little is made anew."""
    longest = max(
        (
            x.terms.lead_days + 3 * x.terms.lead_days_sd + x.rule.review_days
            for x in lines
            if x.terms is not None
        ),
        default=0.0,
    )
    steps = math.ceil(max(DAYS, 2 * longest) / _STEP_DAYS)
    return min(_LONGEST_DAYS, steps * _STEP_DAYS)


def _advised(shop: Shop, session: Session, lines: Sequence[ItemLine]) -> list[ItemAdvice]:
    demand = demand_of_shop(shop, session, _horizon(lines))
    coming = on_order(session)
    by_id = {line.id: line for line in lines}
    bought = _bought_in_kits(lines, demand)
    out = []
    for line in lines:
        key: tuple[Any, ...] = (line, tuple(coming.get(line.id, ())), bought.get(line.id, ""))
        if line.kit:
            parts = tuple(
                (k.item_id, by_id[k.item_id].on_shelf, k.pieces)
                for k in line.kit
                if k.item_id in by_id
            )
            key = (*key, parts)
        out.append(
            _kept(
                shop,
                demand,
                key,
                lambda line=line: _one(
                    demand, line, by_id, coming.get(line.id, ()), bought.get(line.id, "")
                ),
            )
        )
    return out


_cache: WeakKeyDictionary[Shop, OrderedDict[Any, tuple[ShopDemand, ItemAdvice]]] = (
    WeakKeyDictionary()
)
_lock = threading.Lock()


def _kept(shop: Shop, demand: ShopDemand, key: Any, make: Any) -> ItemAdvice:
    """Return advice made before of the same item, shelf, orders and demand; else make it."""
    with _lock:
        own = _cache.setdefault(shop, OrderedDict())
        known = own.get(key)
        if known is not None and known[0] is demand:
            own.move_to_end(key)
            return known[1]
    made: ItemAdvice = make()
    with _lock:
        own[key] = (demand, made)
        own.move_to_end(key)
        while len(own) > _MOST_KEPT:
            own.popitem(last=False)
    return made


def _bought_in_kits(lines: Sequence[ItemLine], demand: ShopDemand) -> dict[int, str]:
    """Return the items that are bought in a kit, and its name; kits not bought, and why.

    A kit is bought where it has terms, its pieces have none or cost as much loose, and what
    lies loose of them is about even: more than a month's need apart, the one that is missing
    is bought by itself and the others are used up.
    """
    by_id = {line.id: line for line in lines}
    out: dict[int, str] = {}
    for kit in lines:
        if not kit.kit or kit.terms is None or not kit.active:
            continue
        loose = 0.0
        for part in kit.kit:
            own = by_id.get(part.item_id)
            terms = own.terms if own is not None else None
            if terms is None or terms.currency != kit.terms.currency:
                loose = math.inf
                break
            loose += part.pieces * terms.price
        if kit.terms.price > loose:
            out[kit.id] = LOOSE
        elif math.isfinite(loose) and _uneven(kit, by_id, demand):
            out[kit.id] = UNEVEN
        else:
            for part in kit.kit:
                out.setdefault(part.item_id, kit.name)
    return out


LOOSE = "its pieces, cheaper loose"
UNEVEN = "its pieces: more lie loose of one than of another"
_LEAST_UNEVEN = 2.0


def _uneven(kit: ItemLine, by_id: dict[int, ItemLine], demand: ShopDemand) -> bool:
    there = [max(0, by_id[k.item_id].on_shelf) / k.pieces for k in kit.kit if k.item_id in by_id]
    month = _LEAST_UNEVEN
    for part in kit.kit:
        own = demand.of.get(part.item_id)
        if own is not None and isinstance(own.paths, DemandPaths):
            month = max(month, float(np.median(own.paths.total(0, 28))) / part.pieces)
    return max(there, default=0.0) - min(there, default=0.0) > month


def _one(
    demand: ShopDemand,
    line: ItemLine,
    by_id: dict[int, ItemLine],
    coming: Sequence[tuple[int, dt.date | None]],
    covered: str,
) -> ItemAdvice:
    told = _demand_of(demand, line, by_id)
    there = line.on_shelf + line.in_kits
    paths = told.paths
    due = _due(coming, demand.day, line.terms)
    advice: Advice | FloorAdvice | CantTell = (
        paths if isinstance(paths, CantTell) else _advice(paths, line, there, due, covered)
    )
    if isinstance(advice, CantTell) and not covered and line.terms and line.rule.keep_least > 0:
        advice = advise_by_floor(
            advice,
            on_shelf=there,
            on_order=sum(pieces for pieces, _ in due),
            buying=buying_of(line.terms),
            keep_least=line.rule.keep_least,
        )
    told_in_kit = covered if isinstance(paths, DemandPaths) else ""
    words = _words(advice, line, demand.day, told_in_kit)
    by_day = None
    words = (*words, *told.left_out)
    if not isinstance(advice, CantTell) and advice.order_now:
        by_day = demand.day + dt.timedelta(days=int(advice.by_day))
    left = days_left(paths, there, due) if isinstance(paths, DemandPaths) else None
    return ItemAdvice(
        line,
        advice,
        left,
        band_words(left, demand.days) if left is not None else "",
        words,
        told.basis,
        _weeks(paths, demand.day) if isinstance(paths, DemandPaths) else (),
        band(paths.total(0, 28)) if isinstance(paths, DemandPaths) else None,
        covered,
        by_day,
        demand.days,
        told.torches,
        tuple(due),
    )


def _words(
    advice: Advice | FloorAdvice | CantTell, line: ItemLine, day: dt.date, covered: str
) -> tuple[str, ...]:
    """Return the advice in sentences; of an item to be counted that first."""
    many, one = _nouns(line)
    kits = line.in_kits
    words: tuple[str, ...]
    if isinstance(advice, Advice):
        assumed = line.rule.of == "assumed"
        words = advice_words(advice, many, one, day, assumed=assumed, in_kits=kits)
    elif isinstance(advice, FloorAdvice):
        words = floor_words(advice, many, one, in_kits=kits)
    elif covered:
        return (f"{advice.reason}.",)
    else:
        return (f"Can't tell what to order: {advice.reason}. Mend: {advice.mend}.",)
    if line.below_zero or line.count_again:
        return (f"Count it first. {_doubt(line)}", f"{_AFTER}{words[0]}", *words[1:])
    return words


def _demand_of(demand: ShopDemand, line: ItemLine, by_id: dict[int, ItemLine]) -> ItemDemand:
    if not line.kit:
        return demand.of[line.id]
    holds = {k.item_id: k.pieces for k in line.kit}
    known = {k: demand.of[k] for k in holds if k in demand.of}
    needs = {k: d.paths for k, d in known.items() if isinstance(d.paths, DemandPaths)}
    by_hand = demand.of.get(line.id)
    if not needs:
        if by_hand is not None:
            return by_hand
        first = next((d.paths for d in known.values()), None)
        why = (
            first
            if isinstance(first, CantTell)
            else CantTell("its pieces are not kept on the shelf", "add them as items")
        )
        return ItemDemand(why, (), ())
    loose = {k: by_id[k].on_shelf for k in holds if k in by_id}
    basis = tuple(dict.fromkeys(x for d in known.values() for x in d.basis))
    torches = tuple(dict.fromkeys(t for d in known.values() for t in d.torches))
    out = tuple(dict.fromkeys(x for d in known.values() for x in d.left_out))
    opened = kits_needed(needs, loose, holds)
    if by_hand is not None and isinstance(by_hand.paths, DemandPaths):
        opened, basis = opened + by_hand.paths, (*basis, *by_hand.basis)
    return ItemDemand(
        opened,
        (*basis, "Pieces that lie loose go first, then a kit is opened."),
        torches,
        out,
    )


def _due(
    coming: Sequence[tuple[int, dt.date | None]], day: dt.date, terms: Terms | None
) -> list[tuple[int, float]]:
    """Return what is on order, with the days until it comes."""
    # One of which nobody knows when it comes counts as just placed.
    wait = terms.lead_days if terms is not None else _USUAL_LEAD_DAYS
    return [
        (pieces, float((expected - day).days) if expected is not None else wait)
        for pieces, expected in coming
    ]


def _advice(
    paths: DemandPaths,
    line: ItemLine,
    there: int,
    due: Sequence[tuple[int, float]],
    covered: str,
) -> Advice | CantTell:
    if covered:
        what = "Bought as" if line.kit else "Comes in the kit"
        return CantTell(f"{what} {covered}", "see there")
    if line.terms is None:
        return CantTell(
            "no supplier, price and lead time are set for it", "set its terms on its page"
        )
    return advise(
        paths,
        on_shelf=there,
        on_order=due,
        buying=buying_of(line.terms),
        keeping=keeping_of(line.rule),
        seed=_SEED + line.id,
    )


def buying_of(terms: Terms) -> Buying:
    """Return terms as the advice takes them."""
    return Buying(terms.price, terms.pack, terms.least, terms.lead_days, terms.lead_days_sd)


def keeping_of(rule: Rule) -> Keeping:
    """Return a rule as the advice takes it."""
    return Keeping(
        rule.service,
        rule.order_cost,
        rule.hold_rate,
        rule.shortage_cost,
        rule.review_days,
        rule.keep_least,
    )


_NOUNS = {
    "shield-cap": ("shield caps", "shield cap"),
    "shield": ("shields", "shield"),
    "retaining-cap": ("retaining caps", "retaining cap"),
    "nozzle": ("nozzles", "nozzle"),
    "swirl-ring": ("swirl rings", "swirl ring"),
    "electrode": ("electrodes", "electrode"),
    "coolant-tube": ("coolant tubes", "coolant tube"),
    "torch-head": ("torch heads", "torch head"),
}


def _nouns(line: ItemLine) -> tuple[str, str]:
    if line.kind == "kit":
        return "kits", "kit"
    return _NOUNS.get(line.part or "", ("pieces", "piece"))


def _weeks(paths: DemandPaths, day: dt.date) -> tuple[Week, ...]:
    count = min(_SHOWN_WEEKS, paths.days // 7)
    each = paths.pieces[:, : 7 * count].reshape(paths.paths, count, 7).sum(axis=2)
    return tuple(
        Week(day + dt.timedelta(days=7 * k), own, until)
        for k, (own, until) in enumerate(
            zip(bands(each), bands(np.cumsum(each, axis=1)), strict=True)
        )
    )


def order_words(own: ItemAdvice, today: dt.date) -> str:
    """Return why an item is to be ordered, in one sentence."""
    if not isinstance(own.advice, Advice):
        return own.words[0]
    return first_words(own.advice, *_nouns(own.item), today, in_kits=own.item.in_kits)
