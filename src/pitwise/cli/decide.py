"""`pitwise decide`: one action with reasons for every part, from a file."""

from __future__ import annotations

import argparse

from rich.table import Table

from pitwise.bench.case import CaseError, parse_case
from pitwise.bench.decide import Decision, decide
from pitwise.cli.common import console, print_json, read_overlays, read_text
from pitwise.services.errors import ServiceError
from pitwise.trade import Sheet, base_sheet, load_sheet
from pitwise.trade.loader import base_texts


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("decide", help="decide every part from an inspection file")
    own.add_argument("file", metavar="FILE", help="JSON file of an inspection, or - for input")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.add_argument(
        "--sheet", action="append", metavar="TOML", help="lay a shop's own trade sheet on top"
    )
    own.set_defaults(run=run)


def sheet_of(places: list[str] | None) -> Sheet:
    """Return the base sheet with overlays laid on it."""
    if not places:
        return base_sheet()
    return load_sheet(base_texts(), *read_overlays(places))


def run(args: argparse.Namespace) -> int:
    """Decide and print."""
    sheet = sheet_of(args.sheet)
    text = read_text(args.file)
    try:
        case = parse_case(sheet, text)
    except CaseError as error:
        place = f"{args.file}: {error.place}" if error.place else args.file
        raise ServiceError(place, error.problem, error.mend) from error
    decision = decide(sheet, case)
    if args.json:
        print_json(decision.plain())
    else:
        _print_table(sheet, decision)
    return 0


def _print_table(sheet: Sheet, decision: Decision) -> None:
    table = Table(title=f"Set: {decision.set_state}", title_justify="left")
    for name in ("Part", "Action", "Because", "Source"):
        table.add_column(name, overflow="fold")
    for slug in decision.order:
        part = decision.parts[slug]
        for number, reason in enumerate(part.because):
            table.add_row(
                "" if number else sheet.part(slug).name,
                "" if number else part.action,
                reason.text,
                reason.source,
            )
    out = console()
    out.print(table, markup=False)
    for flag in decision.flags:
        out.print(f"{flag.code}: {flag.text}", markup=False)
    out.print(f"Trade sheet {decision.sheet_version}, {decision.sheet_sha256}", markup=False)
