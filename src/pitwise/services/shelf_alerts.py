"""What of the shelf can't wait, worst first."""

from __future__ import annotations

import math
from collections.abc import Sequence

from pitwise.services.permissions import Actor
from pitwise.services.shelf_advice import all_advice
from pitwise.services.shelf_advice_model import Alert, ItemAdvice, Level
from pitwise.services.shelf_advice_words import AFTER, doubt_words, order_after, small
from pitwise.services.shelf_model import Terms
from pitwise.services.shopfloor import Shop
from pitwise.shelf.advice import Advice
from pitwise.shelf.words import percent_words, range_words

LIKELY_SHORT = 0.5


def alerts(shop: Shop, actor: Actor) -> list[Alert]:
    """Return what can't wait, worst first."""
    return alerts_of(all_advice(shop, actor))


def alerts_of(advised: Sequence[ItemAdvice]) -> list[Alert]:
    """Return what can't wait of advice at hand, worst first."""
    found: list[tuple[int, float, Alert]] = []

    def add(rank: int, own: ItemAdvice, level: Level, words: str) -> None:
        soon = own.days_left.median if own.days_left is not None else math.inf
        name = own.item.name
        alert = Alert(level, own.item.id, f"{name}: {small(words)}", own.by_day, name, words)
        found.append((rank, soon, alert))

    for own in advised:
        item, advice = own.item, own.advice
        late = [(pieces, -day) for pieces, day in own.coming if day < 0]
        if late:
            add(2, own, "late", _late_words(late, item.terms))
        if own.count_first:
            after = "" if not own.order_now else f" {AFTER}{order_after(own)}"
            add(2, own, "count-it", f"{doubt_words(item)} Count what is there.{after}")
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
