"""What the commands of `pitwise shelf` share: options, demand from a file, refusals, tables."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, read_text
from pitwise.services.errors import ServiceError
from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.pmf_file import read_pmf
from pitwise.trade.given import InputError

_OPTIONS = {
    "order_up_to": "--up-to",
    "order_at": "--at",
}


def amount(text: str) -> float:
    """Read a finite number of an option."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise argparse.ArgumentTypeError(f"'{text[:40]}' is no number: write a plain number")
    return value


def pieces(text: str) -> int:
    """Read a whole number of an option."""
    value = amount(text)
    if value != int(value):
        raise argparse.ArgumentTypeError(f"'{text[:40]}' is not whole: give whole pieces")
    return int(value)


def add_costs(own: argparse.ArgumentParser, *, fixed: bool, stockout: bool | None) -> None:
    """Add the costs that a command needs."""
    if fixed:
        own.add_argument(
            "--fixed", type=amount, required=True, metavar="K", help="cost of placing one order"
        )
    own.add_argument(
        "--holding",
        type=amount,
        required=True,
        metavar="H",
        help="cost of keeping one piece for one unit of time",
    )
    if stockout is not None:
        own.add_argument(
            "--stockout",
            type=amount,
            required=stockout,
            metavar="P",
            help="cost of one piece that is not there, for one unit of time",
        )


def add_packs(own: argparse.ArgumentParser) -> None:
    """Add what the supplier asks of an order."""
    own.add_argument("--pack", type=pieces, metavar="N", help="pieces in a pack")
    own.add_argument(
        "--least", type=amount, default=0.0, metavar="N", help="smallest order that is taken"
    )


def add_pmf(own: Any, what: str) -> None:
    """Add the file of probabilities."""
    own.add_argument(
        "--pmf",
        metavar="FILE",
        help=f"CSV with the header pieces,probability of {what}, or - for input",
    )


@contextmanager
def refusals(**named: str) -> Iterator[None]:
    """Turn a refusal into one that names the option."""
    try:
        yield
    except InputError as error:
        place = named.get(error.place, _OPTIONS.get(error.place, f"--{error.place}"))
        raise ServiceError(place, error.problem, error.mend) from error


def read_demand(file: str) -> Pmf:
    """Read a file of probabilities."""
    try:
        return read_pmf(read_text(file))
    except InputError as error:
        place = f"{file}: {error.place}" if error.place else file
        raise ServiceError(place, error.problem, error.mend) from error


def one_of(args: argparse.Namespace, *names: str) -> str:
    """Return which of the options was given; exactly one must be."""
    given = [n for n in names if getattr(args, n) is not None]
    words = {n: "--mean with --sd" if n == "normal" else f"--{n.replace('_', '-')}" for n in names}
    options = list(words.values())
    if len(given) != 1:
        said = "was given" if not given else "were given, and one is needed"
        which = "none" if not given else " and ".join(words[n] for n in given)
        raise ServiceError(
            " or ".join(options), f"{which} {said}", f"give one: {', '.join(options)}"
        )
    return given[0]


def percent(value: float) -> str:
    """Return a share in words; never a full 100 % that is none."""
    if 1 > value > 0.9999:
        return "above 99.99 %"
    return f"{100 * value:.2f} %"


def show_rows(title: str, rows: list[tuple[str, str]], notes: list[str] | None = None) -> None:
    """Print an answer for people."""
    out = console()
    table = Table(title=title, title_justify="left", show_header=False)
    table.add_column(overflow="fold")
    table.add_column(overflow="fold")
    for row in rows:
        table.add_row(*row)
    out.print(table, markup=False)
    for note in notes or []:
        out.print(note, markup=False)
