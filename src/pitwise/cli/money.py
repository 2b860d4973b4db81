"""`pitwise money` and `pitwise month`: what wear parts cost, and the monthly sheet."""

from __future__ import annotations

import argparse
from pathlib import Path

from rich.table import Table

from pitwise.cli.common import console, open_shop, print_json
from pitwise.services.errors import ServiceError

_BY = ("torch", "process", "cause", "part")


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add both commands."""
    own = commands.add_parser("money", help="what wear parts cost, and what was lost too early")
    own.add_argument(
        "--from", dest="first", default="", metavar="DAY", help="first day (365 days back)"
    )
    own.add_argument("--to", dest="last", default="", metavar="DAY", help="last day (today)")
    own.add_argument("--by", choices=_BY, default="torch", help="what the cost is told by")
    _common(own)
    own.set_defaults(run=run_money)
    own = commands.add_parser("month", help="the monthly sheet for the lead")
    own.add_argument(
        "month", nargs="?", default="", metavar="YYYY-MM", help="none: the last whole month"
    )
    own.add_argument("--pdf", metavar="OUT", help="write it as PDF")
    _common(own)
    own.set_defaults(run=run_month)


def _common(own: argparse.ArgumentParser) -> None:
    own.add_argument(
        "--sheet", action="append", metavar="FILE", help="the shop's own trade sheet, TOML"
    )
    own.add_argument("--json", action="store_true", help="print JSON")


def run_money(args: argparse.Namespace) -> int:
    """Reckon the cost of a period and print it."""
    # Typesetting and drawing take a second to import, and only these commands need them.
    from pitwise.services import money, money_page
    from pitwise.services.amounts import amounts_words, fine_text, money_text
    from pitwise.services.metres import NoMetres
    from pitwise.services.people import SYSTEM

    view = money.money_view(open_shop(args), SYSTEM, first=args.first, last=args.last, by=args.by)
    if args.json:
        print_json(money_page.plain_money(view))
        return 0
    out = console()
    if view.empty:
        out.print(f"{view.period.words}: nothing was fitted, ended or counted.", markup=False)
        return 0
    table = Table(title=f"Wear parts, {view.period.words}", title_justify="left")
    table.add_column(args.by.capitalize(), overflow="fold")
    for name in ("Parts", "Cost", "A start", "An arc hour", "A metre"):
        table.add_column(name, justify="right", overflow="fold")
    for line in (*view.lines, view.total):
        for p in line.per:
            metre = "–"
            if p.per_metre is not None:
                metre = fine_text(p.per_metre.value)
                if p.per_metre.low is not None and p.per_metre.high is not None:
                    metre += f" ({fine_text(p.per_metre.low)} to {fine_text(p.per_metre.high)})"
                else:
                    metre += " (no range: one program)"
            table.add_row(
                line.name,
                f"{line.parts}",
                f"{'at least ' if line.unpriced else ''}{money_text(p.cost)} {p.currency}",
                "–" if p.per_start is None else fine_text(p.per_start),
                "–" if p.per_arc_hour is None else fine_text(p.per_arc_hour),
                metre,
            )
        if not line.per:
            table.add_row(line.name, f"{line.parts}", "not known", "–", "–", "–")
    out.print(table, markup=False)
    if view.total.unpriced:
        out.print(
            f"Without a known price: {view.total.unpriced} of {view.total.parts} parts "
            f"({', '.join(view.unpriced_types)}).",
            markup=False,
        )
    if view.total.by_first:
        out.print(money_page.by_first_words(view), markup=False)
    if len(view.total.per) > 1:
        out.print("Different currencies are never added together.", markup=False)
    told = view.metres
    words = f"{told.reason}; {told.mend}" if isinstance(told, NoMetres) else told.words
    out.print(f"Metres: {words}.", markup=False)
    losses = view.losses
    if not losses.parts:
        out.print("No part ended before its worth was used.", markup=False)
        return 0
    table = Table(
        title=f"{len(losses.parts)} of {losses.ended} parts ended before their worth was used: "
        f"{amounts_words(losses.money, 'not told in money')}",
        title_justify="left",
    )
    table.add_column("Why", overflow="fold")
    for name in ("Lost in the cut", "Damaged", "Changed while good", "What it took"):
        table.add_column(name, justify="right", overflow="fold")
    for r in losses.rows:
        took = amounts_words(r.money, "not told")
        if r.untold and r.money:
            took += f"; {r.untold} not told"
        table.add_row(r.why.words, f"{r.lost_parts}", f"{r.damaged_parts}", f"{r.good_parts}", took)
    out.print(table, markup=False)
    out.print(money_page.reconciled(losses), markup=False)
    for text in money_page.loss_notes(losses):
        out.print(text, markup=False)
    return 0


def run_month(args: argparse.Namespace) -> int:
    """Make the sheet of a month and print it, or write it as PDF."""
    from pitwise.services import month
    from pitwise.services.month_paper import month_paper
    from pitwise.services.people import SYSTEM

    sheet = month.month_sheet(open_shop(args), SYSTEM, args.month)
    if args.pdf:
        _write(args.pdf, month_paper(sheet))
    if args.json:
        print_json(sheet.plain())
        return 0
    out = console()
    if args.pdf:
        out.print(f"{sheet.month.words} is in {args.pdf}.", markup=False)
        return 0
    out.print(month.until_words(sheet), markup=False)
    if sheet.empty:
        out.print(sheet.empty, markup=False)
    for section in sheet.sections:
        table = Table(title=section.title, title_justify="left", show_header=False)
        table.add_column("Said", overflow="fold")
        table.add_column("Told", overflow="fold")
        for s in section.sentences:
            table.add_row(s.text, month.TOLD_WORDS[s.told])
        out.print(table, markup=False)
    return 0


def _write(place: str, data: bytes) -> None:
    try:
        Path(place).write_bytes(data)
    except OSError as error:
        raise ServiceError(
            place, f"can't be written ({error.strerror})", "name a file in a folder that is there"
        ) from error
