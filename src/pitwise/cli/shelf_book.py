"""`pitwise shelf stock|forecast|order-list|alerts`: the book's own shelf."""

from __future__ import annotations

import argparse
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.table import Table
from rich.text import Text

from pitwise.cli.common import console, open_shop, print_json
from pitwise.services.errors import ServiceError

if TYPE_CHECKING:
    from pitwise.services.order_list import OrderList
    from pitwise.services.permissions import Actor
    from pitwise.services.shelf_advice_model import ItemAdvice
    from pitwise.shelf.stock_left import Band

_LEVELS = {
    "short": "short",
    "order-now": "order",
    "count-it": "count it",
    "late": "late",
    "no-terms": "no terms",
}


def add_book_commands(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the verbs of `pitwise shelf` that read the book."""
    for name, what, run in (
        ("stock", "what is on the shelf, and how long it lasts", run_stock),
        ("forecast", "pieces that go, week by week", run_forecast),
        ("order-list", "what to order this week, by supplier", run_order_list),
        ("alerts", "what can't wait", run_alerts),
    ):
        own = verbs.add_parser(name, help=what)
        own.add_argument("--json", action="store_true", help="print JSON")
        if name == "forecast":
            own.add_argument(
                "item", nargs="?", metavar="CODE", help="an item's code (all: every item)"
            )
        if name == "order-list":
            own.add_argument("--csv", action="store_true", help="print CSV")
            own.add_argument("--pdf", metavar="OUT", help="write a PDF to this file")
        own.set_defaults(run=run)


def _actor() -> Actor:
    from pitwise.services.permissions import Actor

    return Actor(None, "command line", "admin")


def _advised(args: argparse.Namespace) -> list[ItemAdvice]:
    from pitwise.services.shelf_advice import all_advice

    shop = open_shop(args)
    try:
        return all_advice(shop, _actor())
    finally:
        shop.close()


def _number(value: float) -> float | None:
    """Return a number for JSON, which has no infinity: null."""
    return value if math.isfinite(value) else None


def _band(band: Band | None) -> dict[str, float | None] | None:
    if band is None:
        return None
    return {"p05": _number(band.p05), "median": _number(band.median), "p95": _number(band.p95)}


def item_plain(own: ItemAdvice) -> dict[str, Any]:
    """Return an item's advice as plain data; a number null where it lies past the horizon."""
    from pitwise.shelf.advice import Advice
    from pitwise.shelf.floor import FloorAdvice

    item, advice = own.item, own.advice
    told: dict[str, Any]
    if isinstance(advice, Advice):
        told = {
            "method": advice.method,
            "reorder_point": advice.reorder_point,
            "order_size": advice.order_size,
            "order_up_to": advice.order_up_to,
            "order_now": advice.order_now,
            "order_by": own.by_day.isoformat() if own.by_day else None,
            "service_asked": advice.service_asked,
            "service_expected": advice.service_expected,
            "shortage_chance": advice.shortage_chance,
            "lead_days": advice.lead_days,
            "lead_demand": _band(advice.lead_demand),
            "why": advice.why,
            "order_demand": _band(advice.order_demand),
            "order_lasts_days": _number(advice.lasts_days),
            "rule": item.rule.of,
        }
    elif isinstance(advice, FloorAdvice):
        told = {
            "method": "keep-least",
            "keep_least": advice.keep_least,
            "order_now": advice.order_now,
            "order_by": own.by_day.isoformat() if own.by_day else None,
            "no_forecast": advice.cant_tell.reason,
            "mend": advice.cant_tell.mend,
            "rule": item.rule.of,
        }
    else:
        told = {"cant_tell": advice.reason, "mend": advice.mend}
    return {
        "item": item.name,
        "code": item.code,
        "kind": item.kind,
        "on_shelf": item.on_shelf,
        "in_kits": item.in_kits,
        "on_order": item.on_order,
        "days_left": _band(own.days_left),
        "horizon_days": own.horizon_days,
        "four_weeks": _band(own.month),
        "count_first": own.count_first,
        "bought_in": own.covered_by or None,
        "advice": told,
        "words": list(own.words),
        "basis": list(own.basis),
    }


def run_stock(args: argparse.Namespace) -> int:
    """Print what is on the shelf and how long it lasts."""
    advised = _advised(args)
    if args.json:
        print_json({"items": [item_plain(own) for own in advised]})
        return 0
    out = console()
    if not advised:
        out.print("Nothing is kept on the shelf yet.", markup=False)
        return 0
    table = Table(title="The shelf", title_justify="left")
    for name in ("Item", "Code", "Place"):
        table.add_column(name, overflow="fold")
    for name in ("On the shelf", "In kits", "On order"):
        table.add_column(name, justify="right")
    table.add_column("Lasts", overflow="fold")
    for own in advised:
        item = own.item
        table.add_row(
            Text(item.name),
            Text(item.code),
            Text(item.place or "–"),
            str(item.on_shelf),
            str(item.in_kits) if item.in_kits else "–",
            str(item.on_order) if item.on_order else "–",
            own.left_words or "can't tell",
        )
    out.print(table, markup=False)
    out.print("Lasts: the middle, and the range that holds 9 times in 10.", markup=False)
    return 0


def run_forecast(args: argparse.Namespace) -> int:
    """Print the pieces that go, week by week."""
    advised = _advised(args)
    if args.item:
        wanted = args.item.strip().lower()
        advised = [a for a in advised if wanted in (a.item.code.lower(), a.item.name.lower())]
        if not advised:
            raise ServiceError(
                args.item[:60], "no item has this code", "see the codes: pitwise shelf stock"
            )
    if args.json:
        print_json({"items": [{**item_plain(own), "weeks": _weeks(own)} for own in advised]})
        return 0
    out = console()
    if not advised:
        out.print("Nothing is kept on the shelf yet.", markup=False)
    for own in advised:
        if not own.weeks:
            out.print(f"{own.item.name}: {own.words[0]}", markup=False)
            continue
        if not args.item:
            assert own.month is not None  # noqa: S101 -- has weeks, so has a month
            month, all_weeks = own.month, own.weeks[-1].running
            out.print(
                f"{own.item.name}: {month.median:.0f} ({month.p05:.0f} to {month.p95:.0f}) in "
                f"4 weeks, {all_weeks.median:.0f} ({all_weeks.p05:.0f} to {all_weeks.p95:.0f}) "
                f"in {len(own.weeks)}",
                markup=False,
            )
            continue
        table = Table(title=Text(own.item.name), title_justify="left")
        table.add_column("Week from")
        table.add_column("Go in it", justify="right")
        table.add_column("Gone by its end", justify="right")
        for week in own.weeks:
            table.add_row(
                week.first_day.isoformat(),
                *(
                    f"{b.median:.0f} ({b.p05:.0f} to {b.p95:.0f})"
                    for b in (week.pieces, week.running)
                ),
            )
        out.print(table, markup=False)
        for sentence in (*own.words, *own.basis):
            out.print(sentence, markup=False)
    return 0


def _weeks(own: ItemAdvice) -> list[dict[str, Any]]:
    return [
        {
            "from": week.first_day.isoformat(),
            "pieces": _band(week.pieces),
            "running": _band(week.running),
        }
        for week in own.weeks
    ]


def run_order_list(args: argparse.Namespace) -> int:
    """Print what to order this week."""
    from pitwise.services.order_list import order_list, order_list_csv, plain_list

    if sum((args.json, args.csv, args.pdf is not None)) > 1:
        raise ServiceError("--json, --csv, --pdf", "more than one is given", "choose one of them")
    shop = open_shop(args)
    try:
        found = order_list(shop, _actor())
    finally:
        shop.close()
    if args.json:
        print_json(plain_list(found))
    elif args.csv:
        sys.stdout.write(order_list_csv(found))
    elif args.pdf is not None:
        _write_pdf(args.pdf, plain_list(found))
    else:
        _show_list(found)
    return 0


def _write_pdf(place: str, plain: dict[str, Any]) -> None:
    from pitwise.reports.order_list_pdf import order_list_pdf

    data = order_list_pdf(plain)
    try:
        Path(place).write_bytes(data)
    except OSError as error:
        raise ServiceError(
            place, f"can't be written ({error.strerror})", "give a place you may write to"
        ) from error


def _show_list(found: OrderList) -> None:
    out = console()
    if not found.suppliers:
        later = f" The next order is likely due on {found.next_day}." if found.next_day else ""
        out.print(f"Nothing is to be ordered this week.{later}", markup=False)
    for order in found.suppliers:
        table = Table(title=Text(f"{order.supplier}, by {order.needed_by}"), title_justify="left")
        table.add_column("Item", overflow="fold")
        table.add_column("Pieces", justify="right")
        table.add_column("Packs", justify="right")
        table.add_column(Text(f"Sum, {order.currency}").plain, justify="right")
        table.add_column("Why", overflow="fold")
        for row in order.rows:
            packs = (
                "–"
                if row.pack == 1
                else f"{row.packs} pack{'' if row.packs == 1 else 's'} of {row.pack}"
            )
            table.add_row(Text(row.name), str(row.pieces), packs, f"{row.sum:.2f}", Text(row.why))
        out.print(table, markup=False)
        out.print(f"All of it: {order.total:.2f} {order.currency}", markup=False)
    for missing in found.not_listed:
        out.print(f"{missing.name}: {missing.reason}. Mend: {missing.mend}.", markup=False)


def run_alerts(args: argparse.Namespace) -> int:
    """Print what can't wait."""
    from pitwise.services.shelf_alerts import alerts_of

    advised = _advised(args)
    found = alerts_of(advised)
    if args.json:
        codes = {a.item.id: a.item.code for a in advised}
        print_json(
            {
                "alerts": [
                    {
                        "level": a.level,
                        "item": a.name,
                        "code": codes[a.item_id],
                        "words": a.said,
                        "order_by": a.by_day.isoformat() if a.by_day else None,
                    }
                    for a in found
                ]
            }
        )
        return 0
    out = console()
    if not found:
        out.print("Nothing that can't wait.", markup=False)
    for a in found:
        out.print(f"{_LEVELS[a.level].upper()}: {a.words}", markup=False)
    return 0
