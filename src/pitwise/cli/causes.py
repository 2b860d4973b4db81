"""`pitwise causes`: what is eating the parts, and which check is worth its minutes."""

from __future__ import annotations

import argparse

from rich.table import Table

from pitwise.causes.diagnose import Diagnosis, diagnose
from pitwise.causes.file import parse_observations
from pitwise.causes.network import NetworkError, parse_evidence, parse_network
from pitwise.causes.posterior import posteriors
from pitwise.causes.words import minutes, percent
from pitwise.cli.common import console, print_json, read_text
from pitwise.cli.decide import sheet_of
from pitwise.services.errors import ServiceError
from pitwise.trade import Sheet
from pitwise.trade.given import InputError

# How many causes, facts and checks a table for people shows.
_SHOWN = 8
_FACTS = 4
# Updates of states that --network may take: some 20 seconds.
_MOST_WORK = 1_000_000_000


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "causes", help="rank the causes of wear from a file of findings and readings"
    )
    own.add_argument(
        "file", metavar="FILE", help="JSON of findings and readings (see docs/causes.md), or -"
    )
    own.add_argument("--json", action="store_true", help="print JSON")
    own.add_argument(
        "--sheet", action="append", metavar="TOML", help="lay a shop's own trade sheet on top"
    )
    own.add_argument(
        "--network",
        metavar="NET",
        help="run this noisy-OR network instead of the sheet; FILE is then its evidence",
    )
    own.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Diagnose and print."""
    if args.network is not None:
        return _run_network(args)
    sheet = sheet_of(args.sheet)
    text = read_text(args.file)
    try:
        found = diagnose(sheet, parse_observations(sheet, text))
    except (InputError, NetworkError) as error:
        raise _refusal(args.file, error) from error
    if args.json:
        print_json(found.plain())
    else:
        _print(sheet, found)
    return 0


def _run_network(args: argparse.Namespace) -> int:
    if args.sheet:
        raise ServiceError("--sheet", "has no part in --network", "give one of the two")
    if args.network == "-" and args.file == "-":
        raise ServiceError("-", "both files cannot be standard input", "name one of them")
    try:
        place = args.network
        network = parse_network(read_text(args.network))
        place = args.file
        evidence = parse_evidence(network, read_text(args.file))
        found = posteriors(network, evidence, _MOST_WORK)
    except NetworkError as error:
        raise _refusal(place, error) from error
    if args.json:
        print_json({"p": [float(x) for x in found.p], "log_evidence": found.log_evidence})
        return 0
    table = Table(title=f"Log evidence {found.log_evidence:.6g}", title_justify="left")
    table.add_column("Cause", overflow="fold")
    table.add_column("Probability", justify="right")
    for name, p in sorted(zip(network.causes, found.p, strict=True), key=lambda row: -row[1]):
        table.add_row(name, f"{p:.6f}")
    console().print(table, markup=False)
    return 0


def _refusal(file: str, error: InputError | NetworkError) -> ServiceError:
    place = f"{file}: {error.place}" if error.place else file
    return ServiceError(place, error.problem, error.mend.rstrip(".?"))


def _print(sheet: Sheet, found: Diagnosis) -> None:
    out = console()
    for flag in found.flags:
        ask = f" {flag.ask}" if flag.ask and not flag.answered else ""
        done = " (answered)" if flag.answered else ""
        out.print(f"{flag.code}{done}: {flag.text}{ask}", markup=False)
    table = Table(title="Causes", title_justify="left")
    table.add_column("Cause", overflow="fold")
    for name in ("Probability", "90 % range"):
        table.add_column(name, justify="right", overflow="fold")
    for name in ("In words", "For it", "Against it"):
        table.add_column(name, overflow="fold")
    for c in found.causes[:_SHOWN]:
        table.add_row(
            c.name,
            percent(c.p),
            f"{percent(c.low)} – {percent(c.high)}",
            c.word,
            "; ".join(t.text for t in c.for_[:_FACTS]),
            "; ".join(f"{t.text}: {t.state}" for t in c.against[:_FACTS]),
        )
    out.print(table, markup=False)
    _print_step(sheet, found)
    checks = Table(title="Checks still open, the most told per minute first", title_justify="left")
    for name in ("Check", "Minutes", "Bits", "Tells", "Who"):
        checks.add_column(name, overflow="fold")
    for n in found.next[:_SHOWN]:
        checks.add_row(
            f"{n.check}: {n.name}",
            f"{n.minutes:g}",
            f"{n.gain_bits:.2f}",
            " ".join(n.reveals),
            n.who,
        )
    if found.next:
        out.print(checks, markup=False)
    out.print(f"Trade sheet {found.sheet_version}, {found.sheet_sha256}", markup=False)


def _print_step(sheet: Sheet, found: Diagnosis) -> None:
    step, out = found.step, console()
    if step.do == "try":
        row = next(r for r in sheet.remedies if r.id == step.id)
        what, caution = f"Try: {row.text} ({minutes(row.minutes)})", row.caution
    elif step.do == "check":
        check = sheet.check(step.id)
        what, caution = f"Check: {check.text} ({minutes(check.minutes)})", check.caution
    elif step.do == "answer":
        flag = next(f for f in found.flags if f.code == step.id)
        what, caution = f"Answer first: {flag.ask}", ""
    else:
        what, caution = "Nothing to do yet", ""
    out.print(what, markup=False)
    out.print(step.why, markup=False)
    if caution:
        out.print(f"Caution: {caution}", markup=False)
