"""What to order and by when, item by item."""

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
from pitwise.services.shelf_advice_model import ItemAdvice, Week
from pitwise.services.shelf_advice_words import item_words
from pitwise.services.shelf_demand import DAYS, ShopDemand, demand_of_shop
from pitwise.services.shelf_items import lines_of
from pitwise.services.shelf_kits import bought_in_kits, kit_or_item_demand
from pitwise.services.shelf_model import ItemLine, Rule, Terms
from pitwise.services.shelf_read import get_item, on_order
from pitwise.services.shopfloor import Shop
from pitwise.shelf.advice import Advice, advise
from pitwise.shelf.floor import FloorAdvice, advise_by_floor
from pitwise.shelf.paths import DemandPaths
from pitwise.shelf.stock_left import band, bands, days_left
from pitwise.shelf.terms import Buying, Keeping
from pitwise.shelf.words import band_words
from pitwise.wear.cant_tell import CantTell

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
    bought = bought_in_kits(lines, demand)
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


def _one(
    demand: ShopDemand,
    line: ItemLine,
    by_id: dict[int, ItemLine],
    coming: Sequence[tuple[int, dt.date | None]],
    covered: str,
) -> ItemAdvice:
    told = kit_or_item_demand(demand, line, by_id)
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
    words = item_words(advice, line, demand.day, told_in_kit)
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


def _weeks(paths: DemandPaths, day: dt.date) -> tuple[Week, ...]:
    count = min(_SHOWN_WEEKS, paths.days // 7)
    each = paths.pieces[:, : 7 * count].reshape(paths.paths, count, 7).sum(axis=2)
    return tuple(
        Week(day + dt.timedelta(days=7 * k), own, until)
        for k, (own, until) in enumerate(
            zip(bands(each), bands(np.cumsum(each, axis=1)), strict=True)
        )
    )
