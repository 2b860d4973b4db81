"""`pitwise replace-at`: the age, or the depth, at which a change costs least."""

from __future__ import annotations

import argparse
import math
from typing import TYPE_CHECKING, Any

from rich.table import Table

from pitwise.cli.common import console, open_shop, print_json, read_text
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.trade.given import InputError, nearest
from pitwise.wear.life.file import read_lives
from pitwise.wear.life.tell import TooFewToTell, tell
from pitwise.wear.refusal import FitRefusedError
from pitwise.wear.replacement.age import FLAT, AgePolicy, AgeRange, best_age, best_age_of
from pitwise.wear.replacement.depth import DepthPolicy

if TYPE_CHECKING:
    from pitwise.services.metres import Ranged
    from pitwise.services.replacement_model import AgeAdvice, ReplacementView, RuleLine

_LARGEST = 64 * 1024 * 1024
_SEED = 20
_WEIBULL = (
    ("shape", "B", "shape of the Weibull life"),
    ("scale", "E", "its scale, in starts or minutes: the unit of the age that comes out"),
)
_COSTS = (
    ("planned", "C1", "cost of a change before the part is lost"),
    ("lost", "C2", "cost of a loss in the cut, all that it takes"),
)


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "replace-at",
        help="when a change costs least: by age of a Weibull life, or by depth from the book",
        description="Give --shape and --scale, or --lives, with both costs; or --book.",
    )
    for name, metavar, text in (*_WEIBULL, *_COSTS):
        own.add_argument(f"--{name}", metavar=metavar, type=_number, help=text)
    own.add_argument(
        "--lives", metavar="FILE", help="fit the life to a file as 'pitwise life' reads it, or -"
    )
    own.add_argument(
        "--book", action="store_true", help="by the book: change depth and looks beside the habit"
    )
    own.add_argument(
        "--process", metavar="NAME", help="of the book (default: the one with most electrodes)"
    )
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run)


def _number(text: str) -> float:
    """Read a number; a decimal comma will do, as in files. What can't be is said in `run`."""
    plain = text.strip()
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        return float(plain)
    except ValueError:
        raise argparse.ArgumentTypeError(
            f"'{text[:40]}' is not a number: write a plain number, such as 2.5"
        ) from None


def run(args: argparse.Namespace) -> int:
    """Reckon when to change and print it."""
    names = [name for name, *_ in (*_WEIBULL, *_COSTS)]
    if args.book:
        for name in (*names, "lives"):
            if getattr(args, name) is not None:
                raise ServiceError(f"--{name}", "does not go with --book", "leave one out")
        return _run_book(args)
    if args.process is not None:
        raise ServiceError("--process", "is of the book", "add --book, or leave it out")
    wanted = [name for name, *_ in (_COSTS if args.lives else (*_WEIBULL, *_COSTS))]
    for name in names:
        value = getattr(args, name)
        if name not in wanted:
            if value is not None:
                raise ServiceError(f"--{name}", "does not go with --lives", "leave one out")
        elif value is None:
            raise ServiceError(f"--{name}", "is missing", "give a number above 0")
        elif not (math.isfinite(value) and value > 0):
            raise ServiceError(f"--{name}", f"{value:g} can't be", "give a number above 0")
    return _run_lives(args) if args.lives else _run_weibull(args)


def _run_weibull(args: argparse.Namespace) -> int:
    given = {name: getattr(args, name) for name in ("shape", "scale", "planned", "lost")}
    try:
        found = best_age(**given)
    except FitRefusedError as error:
        raise ServiceError("replace-at", error.reason, error.mend) from error
    if args.json:
        print_json(plain(found) | given)
    else:
        _print_age(found)
    return 0


def _run_lives(args: argparse.Namespace) -> int:
    text = read_text(args.lives, largest=_LARGEST)
    try:
        told = tell(read_lives(text).lives)
    except InputError as error:
        place = f"{args.lives}: {error.place}" if error.place else args.lives
        raise ServiceError(place, error.problem, error.mend) from error
    if isinstance(told, TooFewToTell):
        raise ServiceError(args.lives, told.reason, told.mend)
    found = best_age_of(told.fit, args.planned, args.lost, draws_seed=_SEED)
    if args.json:
        print_json(
            plain(found.best)
            | {
                "shape": told.fit.shape,
                "scale": told.fit.scale,
                "planned": args.planned,
                "lost": args.lost,
                "lives": told.fit.lives,
                "ends": told.fit.ends,
            }
            | _plain_range(found)
        )
    else:
        _print_age(found.best)
        out = console()
        high = "never" if math.isinf(found.age_high) else f"{found.age_high:.4g}"
        out.print(
            f"Of {told.fit.lives:g} lives, {told.fit.ends:g} ended: the best age lies between "
            f"{found.age_low:.4g} and {high}, and saves {100 * found.saving_low:.0f} to "
            f"{100 * found.saving_high:.0f} % ({100 * found.level:.0f} % range).",
            markup=False,
        )
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


def _plain_range(found: AgeRange) -> dict[str, Any]:
    return {
        "level": found.level,
        "intervals": {
            "age": [_finite(found.age_low), _finite(found.age_high)],
            "cost_rate": [found.rate_low, found.rate_high],
            "saving_share": [found.saving_low, found.saving_high],
        },
        "never_chance": found.never_chance,
    }


def _print_age(found: AgePolicy) -> None:
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


def _run_book(args: argparse.Namespace) -> int:
    # The database layer takes a second to import, and the sums alone need none of it.
    from pitwise.services.people import SYSTEM
    from pitwise.services.replacement import replacement_view

    shop = open_shop(args)
    view = replacement_view(shop, SYSTEM)
    if args.process is not None:
        names = {c.name.casefold(): c.id for c in view.choices}
        wanted = names.get(args.process.casefold())
        if wanted is None:
            near = nearest(args.process, [c.name for c in view.choices])
            mend = f"did you mean '{near}'" if near else "see the processes of the Shop page"
            raise NotFoundError(
                "--process", f"no electrode was ever fitted on '{args.process[:60]}'", mend
            )
        view = replacement_view(shop, SYSTEM, wanted)
    if args.json:
        print_json(plain_view(view))
    else:
        _print_view(view)
    return 0


def _plain_ranged(figure: Ranged | None) -> dict[str, Any] | None:
    if figure is None:
        return None
    return {k: None if v is None else _finite(v) for k, v in vars(figure).items()}


def _plain_line(line: RuleLine, *, advised: bool) -> dict[str, Any]:
    from pitwise.services.metres import NoMetres
    from pitwise.wear.cant_tell import CantTell

    cost, money = line.cost, line.money
    per_metre, per_hour = money.per_metre, money.per_arc_hour
    return {
        "name": line.name,
        "advised": advised,
        "depth_mm": cost.rule.depth_mm,
        "scatter_mm": cost.rule.scatter_mm,
        "every_starts": line.every,
        "per_start": _plain_ranged(money.per_start),
        "per_arc_hour": None if isinstance(per_hour, CantTell) else _plain_ranged(per_hour),
        "per_metre": None if isinstance(per_metre, NoMetres) else _plain_ranged(per_metre),
        "per_year": _plain_ranged(money.per_year),
        "saving_per_year": _plain_ranged(line.saving_a_year),
        "saving_chance": None if line.saving is None else line.saving.sure,
        "lost_share": cost.lost_share,
        "past_limit_share": cost.past_share,
        "starts": cost.starts,
        "looks": cost.looks,
        "simulation_se": cost.se,
    }


def _plain_policy(policy: DepthPolicy) -> dict[str, Any]:
    return {
        "depth_mm": policy.depth_mm,
        "every_starts": policy.every_starts,
        "flat_mm": [policy.flat_from_mm, policy.flat_to_mm],
        "best_depth_range_mm": [policy.depth_low_mm, policy.depth_high_mm],
        "limit_decides": policy.edge,
        "grid": {
            "every_starts": list(policy.every),
            "depth_mm": list(policy.depths_mm),
            "per_start": policy.grid.tolist(),
            "past_limit_share": policy.past.tolist(),
        },
    }


def _plain_age(advice: AgeAdvice) -> dict[str, Any]:
    found = advice.found
    out: dict[str, Any] = {
        "part": advice.part,
        "lives": advice.lives,
        "lost": advice.lost,
        "words": advice.words,
    }
    if isinstance(found, AgeRange):
        return out | plain(found.best) | _plain_range(found)
    return out | {"age": None, "reason": found.reason}


def plain_view(view: ReplacementView) -> dict[str, Any]:
    """Return what the page of when to change shows, as JSON has it."""
    from pitwise.services.replacement_model import DepthAdvice

    depth = view.depth
    out: dict[str, Any] = {
        "process": view.process or None,
        "limit_mm": view.limit_mm,
        "accepted_risk": view.accepted_risk,
        "losses_on_record": view.losses.now,
        "losses_the_fit_knew": view.losses.by_fit,
        "currency": view.money.currency if view.money else None,
        "costs": vars(view.money.costs) if view.money else None,
        "assumed": list(view.money.assumed) if view.money else [],
        "ages": [_plain_age(a) for a in view.ages],
    }
    if not isinstance(depth, DepthAdvice):
        return out | {"verdict": None, "reason": depth.reason, "mend": depth.mend, "rules": []}
    best = depth.best
    return out | {
        "verdict": depth.verdict,
        "reason": None,
        "words": list(depth.words),
        "rules": [_plain_line(x, advised=x is depth.advised) for x in depth.lines],
        "best": _plain_policy(best) if isinstance(best, DepthPolicy) else None,
    }


def _print_view(view: ReplacementView) -> None:
    from pitwise.services.replacement_model import DepthAdvice
    from pitwise.services.replacement_words import ranged

    out = console()
    depth = view.depth
    if view.process:
        out.print(view.process, markup=False)
    if not isinstance(depth, DepthAdvice):
        out.print(f"Can't tell: {depth.reason} Mend: {depth.mend}.", markup=False)
        return
    out.print(depth.verdict, markup=False)
    for text in depth.words:
        out.print(f"- {text}", markup=False)
    currency = view.money.currency if view.money else ""
    table = Table(title=f"Cost in {currency}, with 90 % ranges", title_justify="left")
    table.add_column("Rule", overflow="fold")
    for name in ("change at", "look every", "a start", "a year", "lost", "past limit"):
        table.add_column(name, justify="right", overflow="fold")
    for line in depth.lines:
        rule = line.cost.rule
        table.add_row(
            line.name + (" (advised)" if line is depth.advised else ""),
            "any depth" if rule.depth_mm < 0.01 else f"{rule.depth_mm:.2f} mm",
            f"{line.every} starts",
            ranged(line.money.per_start),
            ranged(line.money.per_year),
            f"{100 * line.cost.lost_share:.1f} %",
            f"{100 * line.cost.past_share:.1f} %",
        )
    out.print(table, markup=False)
    for age in view.ages:
        out.print(f"{age.name}, by age alone: {age.words}", markup=False)
