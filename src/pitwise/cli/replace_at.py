"""`pitwise replace-at`: the age, or the depth, at which a change costs least."""

from __future__ import annotations

import argparse
import math
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, print_json
from pitwise.services.errors import ServiceError
from pitwise.wear.refusal import FitRefusedError
from pitwise.wear.replacement.age import FLAT, AgePolicy, best_age


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "replace-at", help="the age at which changing a part costs least, of a Weibull life"
    )
    for name, metavar, text in (
        ("--shape", "B", "shape of the Weibull life"),
        ("--scale", "E", "its scale, in starts or minutes: the unit of the age that comes out"),
        ("--planned", "C1", "cost of a change before the part is lost"),
        ("--lost", "C2", "cost of a loss in the cut, all that it takes"),
    ):
        own.add_argument(name, metavar=metavar, type=float, required=True, help=text)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Reckon the best age and print it."""
    given = {name: getattr(args, name) for name in ("shape", "scale", "planned", "lost")}
    for name, value in given.items():
        if not (math.isfinite(value) and value > 0):
            raise ServiceError(f"--{name}", f"{value:g} can't be", "give a number above 0")
    try:
        found = best_age(**given)
    except FitRefusedError as error:
        raise ServiceError("replace-at", error.reason, error.mend) from error
    if args.json:
        print_json(plain(found) | given)
    else:
        _print(found)
    return 0


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def plain(found: AgePolicy) -> dict[str, Any]:
    """Return a policy as JSON has it: null for an age that never comes."""
    return {
        "age": _finite(found.age),
        "reason": found.reason or None,
        "cost_rate": found.cost_rate,
        "run_to_loss_rate": found.run_to_loss_rate,
        "saving_share": found.saving_share,
        "lost_share": found.lost_share,
        "flat": {
            "more": FLAT,
            "from": _finite(found.flat_from),
            "to": _finite(found.flat_to),
        },
    }


def _print(found: AgePolicy) -> None:
    out = console()
    table = Table(show_header=False)
    table.add_column("What")
    table.add_column("Value", justify="right")
    never = math.isinf(found.age)
    table.add_row("Change at age", "never" if never else f"{found.age:.6g}")
    table.add_row("Cost per unit of use", f"{found.cost_rate:.6g}")
    table.add_row("Cost when nothing is changed by age", f"{found.run_to_loss_rate:.6g}")
    if not never:
        table.add_row("Saved by changing at that age", f"{100 * found.saving_share:.1f} %")
        table.add_row("Lost before that age", f"{100 * found.lost_share:.1f} %")
    out.print(table, markup=False)
    if never:
        out.print(found.reason, markup=False)
        return
    to = "any later age" if math.isinf(found.flat_to) else f"{found.flat_to:.4g}"
    out.print(
        f"Any age from {found.flat_from:.4g} to {to} costs at most {100 * FLAT:.0f} % more: "
        "the exact figure does not matter within it.",
        markup=False,
    )
