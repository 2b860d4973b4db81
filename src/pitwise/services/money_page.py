"""What the money page and its papers show beside the figures: bars, headlines, plain rows."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pitwise.reports.charts.money import LossBar
from pitwise.services.amounts import (
    Amount,
    add,
    amounts_words,
    in_currency,
    money_text,
)
from pitwise.services.loss_list import EndedEarly, LossList
from pitwise.services.metres import MetresPerMinute, Ranged
from pitwise.services.money import CostLine, MoneyView
from pitwise.services.study_files import csv_text, safe_cell
from pitwise.shelf.unit_price import plain_price
from pitwise.wear.cant_tell import CantTell

# A title runs over a few lines at most.
_LONGEST = 60
KIND_WORDS = {
    "lost": "lost in the cut",
    "damaged": "damaged",
    "good": "changed while good",
}


def currencies_of(losses: LossList) -> list[str]:
    """Return the currencies losses are counted in, the one of most parts first."""
    main = losses.main_currency
    return sorted((a.currency for a in losses.money), key=lambda c: (c != main, c))


def loss_bars(losses: LossList, currency: str) -> list[LossBar]:
    """Return what each reason took in one currency.

    Parts whose worth can't be told at all stand with the main currency, so that none is left
    out and none is shown twice.
    """
    main = losses.main_currency

    def here(p: EndedEarly) -> bool:
        return any(a.currency == currency for a in p.money) or (not p.money and currency == main)

    groups: dict[str, list[EndedEarly]] = {}
    for p in losses.parts:
        if here(p):
            groups.setdefault(p.why.words, []).append(p)
    return [_bar(words, own, currency) for words, own in groups.items()]


def _bar(words: str, parts: Sequence[EndedEarly], currency: str) -> LossBar:
    def told(kind: str) -> list[Amount]:
        return [in_currency(p.money, currency) for p in parts if p.kind == kind]

    lost, early = told("lost"), [*told("damaged"), *told("good")]
    both = in_currency(add([*lost, *early]), currency)
    return LossBar(
        words,
        sum(a.value for a in lost),
        sum(a.value for a in early),
        both.low,
        both.high,
        sum(p.kind == "lost" for p in parts),
        sum(p.kind == "damaged" for p in parts),
        sum(p.kind == "good" for p in parts),
        sum(isinstance(p.worth, CantTell) for p in parts),
    )


def headline(losses: LossList, currency: str) -> str:
    """Return the sentence of the picture: what took most."""
    whole = in_currency(losses.money, currency)
    bars = sorted(loss_bars(losses, currency), key=lambda b: (-b.money, b.cause))
    if not bars or whole.value <= 0:
        return "What parts cost that ended before their worth was used can’t be told in money."
    top = bars[0]
    share = f"{100 * top.money / whole.value:.0f} %"
    tail = (
        f"{share} of what parts cost that ended before their worth was used: "
        f"{money_text(top.money, whole.value)} of {money_text(whole.value)} {currency}"
    ) + (", partly by assumed costs." if losses.assumed else ".")
    kinds = {p.why.words: p.why.kind for p in losses.parts}
    cause = top.cause if len(top.cause) <= _LONGEST else top.cause[: _LONGEST - 1].rstrip() + "…"
    kind = kinds.get(top.cause)
    if kind in ("not-known", "open-case"):
        return f"No cause is known yet for {tail}"
    if kind == "finding":
        return f"“{cause}” took {tail}"
    if kind == "along":
        return f"Parts {cause[:1].lower()}{cause[1:]} took {tail}"
    if kind == "overruled":
        return f"Decisions against the rules took {tail}"
    return f"{cause} took {tail}"


def loss_notes(losses: LossList) -> list[str]:
    """Return what the figures of losses rest on."""
    out = [
        "Lost in the cut: the part’s unused worth, and the torch, plate and stop that the "
        "station’s settings say a loss takes. Damaged, or changed while good: the part’s unused "
        "worth. In brackets: the 90 % range; of several parts, each one’s own doubt is taken as "
        "independent of the others’, that of how long their type lasts as the same for all."
    ]
    if losses.assumed:
        out.append(
            f"What a loss takes is partly assumed, not set by the shop, at "
            f"{' and '.join(losses.assumed)}."
        )
    if losses.untold:
        reasons = sorted({p.worth.reason for p in losses.parts if isinstance(p.worth, CantTell)})
        parts = "1 part’s worth" if losses.untold == 1 else f"The worth of {losses.untold} parts"
        more = f"; and {len(reasons) - 2} more reasons" if len(reasons) > 2 else ""
        out.append(f"{parts} can’t be told: {'; '.join(reasons[:2])}{more}.")
    late = sum(p.by_first for p in losses.parts)
    if late:
        out.append(
            f"{'1 part is' if late == 1 else f'{late} parts are'} reckoned by "
            f"{'its' if late == 1 else 'their'} first known price, entered after the fitting: "
            f"{amounts_words(losses.by_first)} of the worth."
        )
    if len(losses.money) > 1:
        out.append("Different currencies are never added together.")
    return out


def reconciled(losses: LossList) -> str:
    """Say how the parts that ended add up, and how the page of lives counts the same parts."""
    worn, damaged = losses.worn_out, losses.count("damaged")
    return (
        f"Of {losses.ended} that came to their end: {worn} worn out by use (no loss), {damaged} "
        f"damaged, {losses.count('good')} changed while good, {losses.count('lost')} lost in the "
        f"cut. Lives has the first two together, {worn + damaged}, as “found worn or damaged”, "
        "and counts the whole book, with parts taken out by hand; here it is these days, without "
        "them."
    )


def by_first_words(view: MoneyView) -> str:
    """Say how much of the cost is reckoned by prices from after the fitting; "" for none."""
    line = view.total
    if not line.by_first:
        return ""
    money = " and ".join(f"{money_text(p.by_first)} {p.currency}" for p in line.per if p.by_first)
    one = line.by_first == 1
    return (
        f"{line.by_first} of {line.parts} parts {'was' if one else 'were'} fitted before a price "
        f"was in the book and {'counts' if one else 'count'} by {'its' if one else 'their'} first "
        f"known price: {money or '0'} of the cost."
    )


def loss_period(view: MoneyView) -> str:
    """Say what time a picture of losses is of."""
    return f"{view.period.words}, all torches"


def _ranged(x: Ranged | None) -> dict[str, float | None] | None:
    return None if x is None else {"value": x.value, "low": x.low, "high": x.high}


def _line(line: CostLine) -> dict[str, Any]:
    return {
        "name": line.name,
        "parts": line.parts,
        "parts_without_price": line.unpriced,
        "at_least": line.unpriced > 0,
        "parts_by_first_known_price": line.by_first,
        "starts": line.use.starts,
        "arc_minutes": line.use.arc_minutes,
        "cost": [
            {
                "currency": p.currency,
                "cost": p.cost,
                "per_part": p.per_part,
                "per_start": p.per_start,
                "per_arc_hour": p.per_arc_hour,
                "per_metre": _ranged(p.per_metre),
                "by_first_known_price": p.by_first,
            }
            for p in line.per
        ],
    }


def _amounts(amounts: Sequence[Amount]) -> list[dict[str, Any]]:
    return [
        {"currency": a.currency, "value": a.value, "low": a.low, "high": a.high} for a in amounts
    ]


def plain_money(view: MoneyView) -> dict[str, Any]:
    """Return the view as plain data, for programs."""
    m = view.metres
    metres: dict[str, Any] = (
        {
            "per_arc_minute": _ranged(m.per_minute),
            "programs": m.programs,
            "weighed": m.weighed,
            "left_out": m.left_out,
            "basis": m.words,
        }
        if isinstance(m, MetresPerMinute)
        else {"per_arc_minute": None, "reason": m.reason, "mend": m.mend}
    )
    losses = view.losses
    return {
        "from": view.period.first.isoformat(),
        "to": view.period.last.isoformat(),
        "by": view.by,
        "counters_read_until": view.read_until.isoformat() if view.read_until else None,
        "total": _line(view.total),
        "lines": [_line(line) for line in view.lines],
        "metres": metres,
        "part_types_without_price": list(view.unpriced_types),
        "ended_early": {
            "parts": len(losses.parts),
            "of_ended": losses.ended,
            "worn_out": losses.worn_out,
            "worth_not_told": losses.untold,
            "money": _amounts(losses.money),
            "costs_assumed_at": list(losses.assumed),
            "rows": [
                {
                    "why": r.why.words,
                    "kind": r.why.kind,
                    "case": r.why.case_id,
                    "lost_in_the_cut": r.lost_parts,
                    "damaged": r.damaged_parts,
                    "changed_while_good": r.good_parts,
                    "worth_not_told": r.untold,
                    "money": _amounts(r.money),
                }
                for r in losses.rows
            ],
        },
    }


def fitted_csv(view: MoneyView) -> str:
    """Return the parts fitted as CSV, newest first; no price: an empty cell."""
    rows: list[Sequence[Any]] = [
        (
            "fitted_at",
            "torch",
            "process",
            "part",
            "type",
            "tag",
            "price",
            "currency",
            "instead_of",
            "price_known",
        )
    ]
    rows += [
        (
            p.at.isoformat(),
            p.torch,
            p.process,
            p.part,
            p.part_type,
            p.tag,
            "" if p.price is None else plain_price(p.price[0]),
            "" if p.price is None else p.price[1],
            p.why,
            "" if p.price is None else "first, later" if p.by_first else "then",
        )
        for p in view.parts
    ]
    return _csv(rows)


def losses_csv(view: MoneyView) -> str:
    """Return the parts that ended too soon as CSV; what can't be told: empty cells."""
    head = ("ended_at", "torch", "process", "part", "type", "tag", "end", "starts", "why")
    rows: list[Sequence[Any]] = [
        (
            *head,
            "unused",
            "unused_low",
            "unused_high",
            "currency",
            "money",
            "money_low",
            "money_high",
            "not_told",
            "price_known",
        )
    ]
    for p in view.losses.parts:
        x = p.life
        u = p.unused
        shares = (u.value, u.low, u.high) if isinstance(u, Ranged) else (None, None, None)
        unused = ["" if v is None else f"{v:.4f}" for v in shares]
        not_told = p.worth.reason if isinstance(p.worth, CantTell) else ""
        for a in p.money or (None,):
            money = (
                ("", "", "", "")
                if a is None
                else (a.currency, f"{a.value:.2f}", f"{a.low:.2f}", f"{a.high:.2f}")
            )
            rows.append(
                (
                    x.ended_at.isoformat() if x.ended_at else "",
                    x.torch,
                    x.process,
                    x.part,
                    x.part_type,
                    x.tag,
                    KIND_WORDS[p.kind],
                    x.starts,
                    p.why.words,
                    *unused,
                    *money,
                    not_told,
                    "" if not p.worth else "first, later" if p.by_first else "then",
                )
            )
    return _csv(rows)


def _csv(rows: Sequence[Sequence[Any]]) -> str:
    return csv_text([[safe_cell(x) if isinstance(x, str) else x for x in row] for row in rows])
