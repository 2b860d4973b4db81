"""`pitwise sheet`: show the trade sheet in force, check a shop's own."""

from __future__ import annotations

import argparse

from rich.table import Table

from pitwise.cli.common import console, print_json, read_overlays
from pitwise.cli.decide import sheet_of
from pitwise.cli.sheet_causes import print_cause, print_causes, print_place
from pitwise.trade import load_sheet
from pitwise.trade.loader import base_texts
from pitwise.trade.model import ROW_TABLES


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("sheet", help="show the trade sheet, check a shop's own")
    verbs = own.add_subparsers(dest="verb", metavar="VERB", required=True)
    show = verbs.add_parser("show", help="print the sheet's rows with their sources")
    show.add_argument("--sheet", action="append", metavar="TOML", help="lay an overlay on top")
    show.add_argument("--part", help="only what is seen on this part")
    show.add_argument("--cause", metavar="ID", help="only this cause: what it makes, what cures it")
    show.add_argument("--json", action="store_true", help="print JSON")
    show.set_defaults(run=run_show)
    check = verbs.add_parser("check", help="check overlay sheets against the base")
    check.add_argument("files", nargs="*", metavar="TOML", help="none: the base sheet alone")
    check.add_argument("--json", action="store_true", help="print JSON")
    check.set_defaults(run=run_check)


def run_show(args: argparse.Namespace) -> int:
    """Print the sheet."""
    sheet = sheet_of(args.sheet)
    if args.json:
        print_json({**sheet.content, "sha256": sheet.sha256})
        return 0
    out = console()
    if args.cause:
        print_cause(out, sheet, args.cause)
        return 0
    out.print(f"Trade sheet {sheet.version}\nsha256 {sheet.sha256}", markup=False)
    table = Table(title="Limits", title_justify="left")
    for name in ("Limit", "Compare", "Figures", "For", "Source", "Since"):
        table.add_column(name, overflow="fold")
    for row in sheet.limits:
        table.add_row(
            row.id, row.compare, row.quoted(), row.process.words(), row.source, str(row.since)
        )
    out.print(table, markup=False)
    for part in sheet.parts:
        if args.part and part.id != args.part:
            continue
        table = Table(title=f"{part.order}. {part.name} ({part.id})", title_justify="left")
        for name in ("Finding", "In words", "Action", "Do", "Source"):
            table.add_column(name, overflow="fold")
        for finding in sheet.findings_of(part.id):
            table.add_row(finding.id, finding.name, finding.action, finding.do, finding.source)
        out.print(table, markup=False)
    if args.part:
        print_place(out, sheet, args.part)
    else:
        print_causes(out, sheet)
    return 0


def run_check(args: argparse.Namespace) -> int:
    """Check sheets; a broken one raises SheetError, which ends in exit code 2."""
    sheet = load_sheet(base_texts(), *read_overlays(args.files))
    counts = {name: len(getattr(sheet, name)) for name in ROW_TABLES.values()}
    if args.json:
        print_json({"ok": True, "version": sheet.version, "sha256": sheet.sha256, **counts})
    else:
        said = ", ".join(f"{name} {number}" for name, number in counts.items())
        console().print(f"Good: {sheet.version}\n{said}\nsha256 {sheet.sha256}", markup=False)
    return 0
