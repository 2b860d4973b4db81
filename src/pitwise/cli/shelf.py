"""`pitwise shelf`: order sizes and reorder points from plain numbers, without a book."""

from __future__ import annotations

import argparse
from typing import Any

from pitwise.cli.common import print_json
from pitwise.cli.shelf_book import add_book_commands
from pitwise.cli.shelf_common import (
    add_costs,
    add_packs,
    add_pmf,
    amount,
    one_of,
    percent,
    read_demand,
    refusals,
    show_rows,
)
from pitwise.cli.shelf_rules import add_rq, add_ss
from pitwise.services.errors import ServiceError
from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.eoq import economic_order, flat_range
from pitwise.shelf.newsvendor import Stock, newsvendor, newsvendor_normal
from pitwise.shelf.refusal import whole

# So much above the least cost counts as flat.
_FLAT = 0.01


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("shelf", help="what to keep on the shelf, when to reorder how much")
    verbs = own.add_subparsers(dest="verb", metavar="VERB", required=True)
    _add_eoq(verbs)
    _add_newsvendor(verbs)
    add_rq(verbs)
    add_ss(verbs)
    add_book_commands(verbs)


def _add_eoq(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = verbs.add_parser("eoq", help="how much to order at a time when demand is steady")
    add_costs(own, fixed=True, stockout=None)
    own.add_argument(
        "--demand", type=amount, required=True, metavar="N", help="pieces per unit of time"
    )
    add_packs(own)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_eoq)


def _add_newsvendor(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = verbs.add_parser("newsvendor", help="how much to have when it can be filled up once")
    add_costs(own, fixed=False, stockout=True)
    own.add_argument("--mean", type=amount, metavar="M", help="mean of a normal demand")
    own.add_argument("--sd", type=amount, metavar="S", help="its standard deviation")
    own.add_argument("--poisson-mean", type=amount, metavar="M", help="mean of a Poisson demand")
    add_pmf(own, "the demand")
    own.add_argument("--stock", type=amount, metavar="N", help="judge this stock instead")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_newsvendor)


def run_eoq(args: argparse.Namespace) -> int:
    """Reckon an order size for steady demand and print it."""
    with refusals():
        found = economic_order(
            args.fixed, args.holding, args.demand, pack=args.pack, least=args.least
        )
    low, high = flat_range(found.free_pieces, _FLAT) if found.free_pieces else (0.0, 0.0)
    if args.json:
        print_json(
            {
                "Q": found.pieces,
                "cost": found.cost,
                "free_Q": found.free_pieces,
                "free_cost": found.free_cost,
                "every": found.every,
                "packs": None if args.pack is None else round(found.pieces / args.pack),
                "bound": found.bound,
                "flat": {"extra": _FLAT, "low": low, "high": high},
            }
        )
        return 0
    rows = [
        ("Order at a time (Q)", f"{found.pieces:.6g} pieces"),
        ("Every", f"{found.every:.4g} units of time"),
        ("Cost of ordering and keeping", f"{found.cost:.6g} per unit of time"),
    ]
    if args.pack is not None:
        rows.insert(1, ("In packs", f"{found.pieces / args.pack:.0f} of {args.pack}"))
    if found.bound != "none":
        why = "the least order" if found.bound == "least" else "the pack"
        rows.append((f"Without {why}", f"{found.free_pieces:.6g} pieces, {found.free_cost:.6g}"))
    rows.append(("At most 1 % dearer than the least", f"{low:.4g} to {high:.4g} pieces"))
    show_rows("Order size for a steady demand", rows)
    return 0


def run_newsvendor(args: argparse.Namespace) -> int:
    """Reckon a stock that is filled once and print it."""
    normal = args.mean is not None or args.sd is not None
    args.normal = True if normal else None
    if normal and (args.mean is None or args.sd is None):
        lacking = "--sd" if args.sd is None else "--mean"
        raise ServiceError(lacking, "is missing", "a normal demand needs --mean and --sd")
    kind = one_of(args, "normal", "poisson_mean", "pmf")
    file = args.pmf or "--poisson-mean"
    with refusals(pmf=file, mean="--mean" if normal else "--poisson-mean"):
        if kind == "normal":
            found = newsvendor_normal(
                args.mean, args.sd, args.holding, args.stockout, stock=args.stock
            )
        else:
            demand = read_demand(args.pmf) if kind == "pmf" else Pmf.poisson(args.poisson_mean)
            stock = None if args.stock is None else whole(args.stock, "stock", 0)
            found = newsvendor(demand, args.holding, args.stockout, stock=stock)
    notes = []
    if found.below_zero > 1e-3:
        notes.append(
            f"The normal demand is below zero with a chance of {percent(found.below_zero)}: "
            "a demand in whole pieces (--poisson-mean or --pmf) fits better."
        )
    s = found.pieces if kind == "normal" else int(found.pieces)
    if args.json:
        print_json({"S": s, "cost": found.cost, **_stock(found), "notes": notes})
        return 0
    rows = [
        ("Have (S)", f"{s:.6g} pieces"),
        ("Cost of left over and missing", f"{found.cost:.6g}"),
        ("Critical ratio", f"{found.critical_ratio:.4f}"),
        ("Demand", f"{found.mean:.4g} on average, SD {found.sd:.3g}"),
        ("Left over, on average", f"{found.left:.4g} pieces"),
        ("Missing, on average", f"{found.short:.4g} pieces"),
        ("Chance that all are served", percent(found.cycle_service)),
        ("Pieces that are there (fill rate)", percent(found.fill_rate)),
    ]
    show_rows("Stock that is filled once", rows, notes)
    return 0


def _stock(found: Stock) -> dict[str, Any]:
    return {
        "critical_ratio": found.critical_ratio,
        "left": found.left,
        "short": found.short,
        "cycle_service": found.cycle_service,
        "fill_rate": found.fill_rate,
        "demand": {"mean": found.mean, "sd": found.sd},
    }
