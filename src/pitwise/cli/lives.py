"""`pitwise lives`: how long the book's parts last, how they end, and whether groups differ."""

from __future__ import annotations

import argparse
import dataclasses
import math
import sys
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, open_shop, print_json
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fields import whole_number


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "lives", help="how long the book's parts last, lost or worn, by lot, torch, process"
    )
    own.add_argument("--part", metavar="PART", default="", help="nozzle, electrode, …; else all")
    own.add_argument(
        "--end", choices=("worn", "lost"), default="", help="the end asked for (the more frequent)"
    )
    own.add_argument(
        "--measure", choices=("starts", "arc-minutes"), default="starts", help="(starts)"
    )
    own.add_argument(
        "--by",
        choices=("process", "part-type", "lot", "torch", "shift", "coolant", "cure"),
        default="process",
        help="the groups to tell apart (process)",
    )
    own.add_argument(
        "--process", metavar="NAME", help="lives of this process alone, or 'all' (the usual one)"
    )
    own.add_argument("--case", metavar="NUMBER", help="whose cure, with --by cure (the newest)")
    own.add_argument("--one", metavar="GROUP", default="", help="hold this one against the others")
    own.add_argument(
        "--without-first-sets",
        action="store_true",
        help="leave out parts that were in a torch before its counters were first read",
    )
    form = own.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print JSON")
    form.add_argument("--csv", action="store_true", help="print the lives, for 'pitwise life -'")
    own.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Tell of the lives in the book."""
    # The database layer takes a second to import, and most commands need none.
    from pitwise.services import life_page as pages
    from pitwise.services.people import SYSTEM

    case = whole_number("--case", args.case or "", high=2**31 - 1)
    shop = open_shop(args)
    try:
        asked = pages.Asked(
            args.part.strip().lower(),
            args.end,
            args.measure,
            args.by,
            None,
            case,
            args.one,
            not args.without_first_sets,
        )
        if args.process:
            asked = dataclasses.replace(asked, process_id=_process(shop, SYSTEM, args.process))
        view = pages.life_page(shop, SYSTEM, asked)
    finally:
        shop.close()
    if not view.rows:
        raise NotFoundError(
            "the book", "no part was ever fitted in it", "fit the parts of a torch first"
        )
    if args.csv:
        sys.stdout.write(pages.lives_csv(view))
    elif args.json:
        print_json(_plain(view))
    else:
        _print(view, whole=not args.part)
    return 0


def _process(shop: Any, actor: Any, name: str) -> int:
    from pitwise.services import setup

    if name == "all":
        return 0
    there = setup.shop_list(shop, actor).processes
    known = {p.name.casefold(): p.id for p in there}
    if name.casefold() not in known:
        names = ", ".join(sorted(p.name for p in there)) or "none"
        raise ServiceError("--process", f"'{name}' is no process", f"the book has: {names}")
    return int(known[name.casefold()])


def _bound(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _told(group: Any) -> dict[str, Any]:
    """Return what a group tells; an upper bound that there is not is null."""
    from pitwise.wear.life.tell import LifeTold

    if not isinstance(group.told, LifeTold):
        return {"too_few_to_tell": {"reason": group.told.reason, "mend": group.told.mend}}
    fit = group.told.fit
    return {
        "shape": fit.shape,
        "scale": fit.scale,
        "b10": float(fit.quantile(0.1)),
        "b50": float(fit.quantile(0.5)),
        "mean": fit.mean,
        "loglik": fit.loglik,
        "intervals": {k: [r.low, _bound(r.high)] for k, r in group.told.ranges.items()},
        "b50_beyond_lives_seen": not group.half_seen,
    }


def _test(found: Any) -> dict[str, Any]:
    return {
        "chi2": found.chi2,
        "df": found.df,
        "p": found.p,
        "p_permuted": found.p_permuted,
        "way": found.way,
    }


def _ratio(found: Any) -> dict[str, Any] | None:
    """Return a ratio of lives; a bound that there is not is null."""
    from pitwise.wear.life.ratio import LifeRatio

    if not isinstance(found, LifeRatio):
        return None
    return {
        "ratio": _bound(found.ratio),
        "interval": [found.range.low, _bound(found.range.high)],
        "shape": found.shape,
        **_test(found.test),
    }


def _plain(view: Any) -> dict[str, Any]:
    from pitwise.services.life_book import interval_of
    from pitwise.services.life_said import compared_words, headlines, notes
    from pitwise.wear.life.tell import Compared

    compared = None
    if isinstance(view.compared, Compared):
        compared = {
            name: _test(found) if found is not None else None
            for name, found in (
                ("logrank", view.compared.logrank),
                ("likelihood_ratio", view.compared.likelihood_ratio),
            )
        }
    groups = []
    for group in view.groups:
        lives = []
        for p in group.parts:
            between = interval_of(p, view.end, view.measure)
            lives.append(
                {
                    "tag": p.tag,
                    "torch": p.torch,
                    "process": p.process,
                    "part_type": p.part_type,
                    "lot": p.lot,
                    "shift": p.shift,
                    "fitted_at": p.fitted_at.isoformat(),
                    "ended_at": p.ended_at.isoformat() if p.ended_at else None,
                    "end": p.end,
                    "reasons": list(p.reasons),
                    "starts": p.starts,
                    "arc_minutes": round(p.arc_minutes, 6),
                    "lower": between[0] if between else None,
                    "upper": _bound(between[1]) if between else None,
                    "counted": between is not None,
                    "first_set": p.first_set,
                }
            )
        groups.append(
            {
                "group": group.name,
                **dataclasses.asdict(group.counts),
                **_told(group),
                "lives": lives,
            }
        )
    return {
        "part": view.part,
        "end": view.end,
        "measure": view.measure,
        "by": view.by,
        "process": view.process or None,
        "case": view.cure.case_id if view.cure else None,
        "level": 0.95,
        "groups": groups,
        "groups_not_shown": view.hidden[0],
        "compared": compared,
        "ratio": _ratio(view.ratio),
        "compared_words": compared_words(view) or None,
        "says": list(headlines(view)),
        "notes": list(notes(view)),
        "parts": [
            {"part": r.part, "name": r.name, **dataclasses.asdict(r.counts)} for r in view.rows
        ],
    }


def _print(view: Any, *, whole: bool) -> None:
    from pitwise.services.life_said import (
        BY_WORDS,
        compared_words,
        headlines,
        notes,
        shape_words,
        share_words,
        too_few_words,
    )
    from pitwise.services.life_words import END_WORDS, range_words, use_words

    out = console()
    if whole:
        table = Table(title="All parts", title_justify="left")
        table.add_column("Part")
        for name in (
            "Came out",
            "Found worn or damaged",
            "Lost in the cut",
            "Changed while good",
            "In a torch",
        ):
            table.add_column(name, justify="right")
        for r in view.rows:
            c = r.counts
            lost = f"{c.lost}, {share_words(r.lost)}" if c.lost else "0"
            table.add_row(r.name, f"{c.ended}", f"{c.worn}", lost, f"{c.changed}", f"{c.running}")
        out.print(table)
    name = f"{view.part_name}, {view.process}" if view.process else view.part_name
    table = Table(title=f"{name}: until {END_WORDS[view.end]}", title_justify="left")
    table.add_column(BY_WORDS[view.by].capitalize(), overflow="fold")
    table.add_column(f"Half by, {view.unit}", justify="right")
    table.add_column("One in ten by", justify="right")
    for head in ("Ended so", "Otherwise", "In a torch"):
        table.add_column(head, justify="right")
    table.add_column("What the lives say", overflow="fold")
    for g in view.groups:
        mine = g.counts.worn if view.end == "worn" else g.counts.lost
        figures = ["too few to tell"] * 2
        if g.half is not None and g.tenth is not None:
            figures = [
                f"{use_words(x)} ({range_words(r.low, r.high)})" for x, r in (g.half, g.tenth)
            ]
            if not g.half_seen:
                figures[0] = f"beyond {use_words(g.longest)}"
        says = shape_words(g) or too_few_words(g.told)
        says = says[:1].upper() + says[1:]
        table.add_row(
            g.name,
            *figures,
            f"{mine}",
            f"{g.counts.ended - mine}",
            f"{g.counts.running}",
            says,
        )
    if view.groups:
        out.print(table)
        for text in (*headlines(view), compared_words(view), *notes(view)):
            if text:
                out.print(text, soft_wrap=True)
    else:
        out.print(
            "No case is closed yet: there is no cure to look before and after."
            if view.by == "cure"
            else f"No {view.part_name.lower()} to show.",
            soft_wrap=True,
        )
