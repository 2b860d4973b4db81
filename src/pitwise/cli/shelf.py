"""`pitwise shelf`: order sizes and reorder points from plain numbers, without a book."""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, print_json, read_text
from pitwise.cli.shelf_book import add_book_commands
from pitwise.services.errors import ServiceError
from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.eoq import economic_order, flat_range
from pitwise.shelf.newsvendor import Stock, newsvendor, newsvendor_normal
from pitwise.shelf.periodic import (
    ReviewRule,
    cheapest_review,
    cheapest_review_for_service,
    judge_review,
)
from pitwise.shelf.pmf_file import read_pmf
from pitwise.shelf.refusal import OutOfRangeError, whole
from pitwise.shelf.reorder import (
    ReorderRule,
    cheapest,
    cheapest_for_service,
    cheapest_point,
    judge,
    least_reorder_point,
)
from pitwise.trade.given import InputError

# So much above the least cost counts as flat.
_FLAT = 0.01
_OPTIONS = {
    "order_up_to": "--up-to",
    "order_at": "--at",
}


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("shelf", help="what to keep on the shelf, when to reorder how much")
    verbs = own.add_subparsers(dest="verb", metavar="VERB", required=True)
    _add_eoq(verbs)
    _add_newsvendor(verbs)
    _add_rq(verbs)
    _add_ss(verbs)
    add_book_commands(verbs)


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


def _costs(own: argparse.ArgumentParser, *, fixed: bool, stockout: bool | None) -> None:
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


def _packs(own: argparse.ArgumentParser) -> None:
    own.add_argument("--pack", type=pieces, metavar="N", help="pieces in a pack")
    own.add_argument(
        "--least", type=amount, default=0.0, metavar="N", help="smallest order that is taken"
    )


def _pmf(own: Any, what: str) -> None:
    own.add_argument(
        "--pmf",
        metavar="FILE",
        help=f"CSV with the header pieces,probability of {what}, or - for input",
    )


def _add_eoq(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = verbs.add_parser("eoq", help="how much to order at a time when demand is steady")
    _costs(own, fixed=True, stockout=None)
    own.add_argument(
        "--demand", type=amount, required=True, metavar="N", help="pieces per unit of time"
    )
    _packs(own)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_eoq)


def _add_newsvendor(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = verbs.add_parser("newsvendor", help="how much to have when it can be filled up once")
    _costs(own, fixed=False, stockout=True)
    own.add_argument("--mean", type=amount, metavar="M", help="mean of a normal demand")
    own.add_argument("--sd", type=amount, metavar="S", help="its standard deviation")
    own.add_argument("--poisson-mean", type=amount, metavar="M", help="mean of a Poisson demand")
    _pmf(own, "the demand")
    own.add_argument("--stock", type=amount, metavar="N", help="judge this stock instead")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_newsvendor)


def _add_rq(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = verbs.add_parser("rq", help="at which stock to reorder how much, shelf always watched")
    _costs(own, fixed=True, stockout=False)
    own.add_argument("--demand", type=amount, metavar="N", help="pieces per unit of time")
    own.add_argument(
        "--lead", type=amount, metavar="T", help="units of time until an order comes (1)"
    )
    own.add_argument(
        "--lead-sd", type=amount, default=0.0, metavar="T", help="its standard deviation (0)"
    )
    _pmf(own, "the demand of a lead time, instead of a Poisson demand")
    own.add_argument(
        "--service", type=amount, metavar="SHARE", help="give the least r that reaches this"
    )
    own.add_argument(
        "--measure",
        choices=("fill", "ready", "cycle"),
        default="fill",
        help="share of pieces there at once, of time with stock, of lead times nobody waits",
    )
    own.add_argument("--size", type=pieces, metavar="Q", help="order size, where it is settled")
    own.add_argument("--point", type=pieces, metavar="R", help="with --size: judge this rule")
    _packs(own)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_rq)


def _add_ss(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    own = verbs.add_parser("ss", help="at which stock to fill up to where, shelf reviewed at times")
    _costs(own, fixed=True, stockout=False)
    own.add_argument(
        "--poisson-mean", type=amount, metavar="M", help="mean Poisson demand from review to review"
    )
    _pmf(own, "the demand from review to review")
    own.add_argument(
        "--lead", type=amount, default=0.0, metavar="N", help="review periods an order takes (0)"
    )
    own.add_argument(
        "--service", type=amount, metavar="SHARE", help="give the cheapest that reaches this"
    )
    own.add_argument(
        "--measure",
        choices=("fill", "ready", "period"),
        default="fill",
        help="share of pieces there at once, of periods that end with stock, or with none owed",
    )
    own.add_argument("--at", type=pieces, metavar="S", help="with --up-to: judge this rule")
    own.add_argument("--up-to", type=pieces, metavar="S", help="with --at: judge this rule")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_ss)


@contextmanager
def _refusals(**named: str) -> Iterator[None]:
    """Turn a refusal into one that names the option."""
    try:
        yield
    except InputError as error:
        place = named.get(error.place, _OPTIONS.get(error.place, f"--{error.place}"))
        raise ServiceError(place, error.problem, error.mend) from error


def _read(file: str) -> Pmf:
    try:
        return read_pmf(read_text(file))
    except InputError as error:
        place = f"{file}: {error.place}" if error.place else file
        raise ServiceError(place, error.problem, error.mend) from error


def _one_of(args: argparse.Namespace, *names: str) -> str:
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


def run_eoq(args: argparse.Namespace) -> int:
    """Reckon an order size for steady demand and print it."""
    with _refusals():
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
    _show("Order size for a steady demand", rows)
    return 0


def run_newsvendor(args: argparse.Namespace) -> int:
    """Reckon a stock that is filled once and print it."""
    normal = args.mean is not None or args.sd is not None
    args.normal = True if normal else None
    if normal and (args.mean is None or args.sd is None):
        lacking = "--sd" if args.sd is None else "--mean"
        raise ServiceError(lacking, "is missing", "a normal demand needs --mean and --sd")
    kind = _one_of(args, "normal", "poisson_mean", "pmf")
    file = args.pmf or "--poisson-mean"
    with _refusals(pmf=file, mean="--mean" if normal else "--poisson-mean"):
        if kind == "normal":
            found = newsvendor_normal(
                args.mean, args.sd, args.holding, args.stockout, stock=args.stock
            )
        else:
            demand = _read(args.pmf) if kind == "pmf" else Pmf.poisson(args.poisson_mean)
            stock = None if args.stock is None else whole(args.stock, "stock", 0)
            found = newsvendor(demand, args.holding, args.stockout, stock=stock)
    notes = []
    if found.below_zero > 1e-3:
        notes.append(
            f"The normal demand is below zero with a chance of {_percent(found.below_zero)}: "
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
        ("Chance that all are served", _percent(found.cycle_service)),
        ("Pieces that are there (fill rate)", _percent(found.fill_rate)),
    ]
    _show("Stock that is filled once", rows, notes)
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


def _lead_demand(args: argparse.Namespace) -> tuple[Pmf, float]:
    """Return the demand of a lead time, and the demand per unit of time."""
    if args.pmf is None:
        if args.demand is None:
            raise ServiceError("--demand or --pmf", "none was given", "give one of them")
        lead = 1.0 if args.lead is None else args.lead
        if lead < 0 or args.lead_sd < 0:
            raise ServiceError("--lead", "is below zero", "give zero or more units of time")
        mean = args.demand * lead
        if args.lead_sd == 0 or args.demand <= 0:
            return Pmf.poisson(mean), args.demand
        if lead == 0:
            raise ServiceError("--lead-sd", "needs a lead time", "give --lead too")
        # Poisson over a gamma distributed lead time.
        return Pmf.gamma_poisson(mean, mean + (args.demand * args.lead_sd) ** 2), args.demand
    if args.lead_sd:
        raise ServiceError(
            "--lead-sd", "does not go with --pmf", "let the probabilities hold that spread"
        )
    if args.demand is not None and args.lead is not None:
        raise ServiceError(
            "--lead",
            "with --pmf, --demand says the same",
            "give one of them: the demand per unit of time, or the lead time",
        )
    demand = _read(args.pmf)
    if args.demand is not None:
        return demand, args.demand
    lead = 1.0 if args.lead is None else args.lead
    if not lead > 0:
        raise ServiceError(
            "--lead", "is not above zero", "give the lead time that the probabilities are for"
        )
    return demand, demand.mean / lead


def _rule(
    args: argparse.Namespace, demand: Pmf, rate: float
) -> tuple[ReorderRule, ReorderRule | None]:
    """Return the rule asked for, and the cheapest one where a missing piece has its cost."""
    pack = 1 if args.pack is None else args.pack
    fixed, holding, stockout = args.fixed, args.holding, args.stockout
    best = None
    if stockout is not None:
        best = cheapest(
            demand,
            rate,
            fixed=fixed,
            holding=holding,
            stockout=stockout,
            pack=pack,
            least=args.least,
        )
    if args.size is not None:
        size = whole(args.size, "size", 1)
    elif best is not None:
        size = best.order_size
    else:
        size = cheapest_for_service(
            demand,
            rate,
            fixed=fixed,
            holding=holding,
            service=args.service,
            measure=args.measure,
            pack=pack,
            least=args.least,
        ).order_size
    if args.point is not None:
        point = args.point
    elif args.service is not None:
        point = least_reorder_point(demand, size, args.service, args.measure)
    else:
        point = cheapest_point(demand, size, holding=holding, stockout=stockout)
    rule = judge(demand, rate, point, size, fixed=fixed, holding=holding, stockout=stockout or 0.0)
    return rule, best


def run_rq(args: argparse.Namespace) -> int:
    """Reckon a reorder point and order size and print them."""
    if args.point is not None and (args.size is None or args.service is not None):
        raise ServiceError("--point", "judges a rule that is settled", "give --size, no --service")
    if args.stockout is None and args.service is None and args.point is None:
        raise ServiceError(
            "--stockout or --service",
            "none was given",
            "say what a missing piece costs, or what share must be served",
        )
    with _refusals(pmf=args.pmf or "--demand", variance="--lead-sd", mean="--demand"):
        demand, rate = _lead_demand(args)
        found, best = _rule(args, demand, rate)
    notes = _rq_notes(args, found, best)
    if args.json:
        print_json(
            {
                "r": found.reorder_point,
                "Q": found.order_size,
                "cost": found.cost,
                "ordering_cost": found.ordering_cost,
                "holding_cost": found.holding_cost,
                "shortage_cost": None if args.stockout is None else found.shortage_cost,
                "fill_rate": found.service.fill_rate,
                "ready_rate": found.service.ready_rate,
                "cycle_service": found.service.cycle_service,
                "on_shelf": found.on_shelf,
                "owed": found.owed,
                "base_stock": found.base_stock,
                "demand": {"rate": rate, "lead_mean": demand.mean, "lead_sd": demand.sd},
                "asked": None
                if args.service is None
                else {"service": args.service, "measure": args.measure},
                "cheapest": None
                if best is None
                else {"r": best.reorder_point, "Q": best.order_size, "cost": best.cost},
                "notes": notes,
            }
        )
        return 0
    rows = [
        ("Reorder at (r)", f"{found.reorder_point} pieces on the shelf and on order"),
        ("Order at a time (Q)", f"{found.order_size} pieces"),
        ("Cost", f"{found.cost:.6g} per unit of time"),
        ("of it ordering, keeping", f"{found.ordering_cost:.5g}, {found.holding_cost:.5g}"),
    ]
    if args.stockout is not None:
        rows.append(("of it missing pieces", f"{found.shortage_cost:.5g}"))
    rows += [
        ("Demand of a lead time", f"{demand.mean:.4g} on average, SD {demand.sd:.3g}"),
        ("On the shelf, on average", f"{found.on_shelf:.4g} pieces"),
        ("Owed, on average", f"{found.owed:.4g} pieces"),
        ("Pieces there at once (fill rate)", _percent(found.service.fill_rate)),
        ("Time with stock (ready rate)", _percent(found.service.ready_rate)),
        ("Lead times nobody waits (cycle service)", _percent(found.service.cycle_service)),
    ]
    _show("Reorder point and order size", rows, notes)
    return 0


def _rq_notes(args: argparse.Namespace, found: ReorderRule, best: ReorderRule | None) -> list[str]:
    notes = []
    if found.reorder_point < 0:
        notes.append(
            f"r is below zero: the order is placed when {-found.reorder_point} are owed already. "
            "Most shops would take 0."
        )
    if args.service is not None and best is not None and best.reorder_point > found.reorder_point:
        notes.append(
            f"The cost of a missing piece alone asks for more: r = {best.reorder_point}, "
            f"Q = {best.order_size}, cost {best.cost:.6g}."
        )
    if args.pmf is not None:
        notes.append(
            "With probabilities of your own, fill rate and cycle service hold where pieces are "
            "taken one at a time; ready rate and cost hold anyway."
        )
    return notes


def run_ss(args: argparse.Namespace) -> int:
    """Reckon an order point and a level to fill up to, and print them."""
    kind = _one_of(args, "poisson_mean", "pmf")
    judged = args.at is not None or args.up_to is not None
    if judged and (args.at is None or args.up_to is None or args.service is not None):
        raise ServiceError("--at", "judges a rule that is settled", "give --up-to, no --service")
    if args.stockout is None and args.service is None and not judged:
        raise ServiceError(
            "--stockout or --service",
            "none was given",
            "say what a missing piece costs, or what share must be served",
        )
    asked = args.pmf or "--poisson-mean"
    with _refusals(pmf=asked, demand=asked, mean="--poisson-mean", times="--lead"):
        demand = _read(args.pmf) if kind == "pmf" else Pmf.poisson(args.poisson_mean)
        if args.lead < 0:
            raise OutOfRangeError("lead", f"{args.lead:g} is below zero", "give zero or more")
        if kind == "pmf":
            lead = demand.times(whole(args.lead, "lead", 0))
        else:
            lead = Pmf.poisson(args.poisson_mean * args.lead)
        found = _review_rule(args, demand, lead)
    if args.json:
        print_json(
            {
                "s": found.order_at,
                "S": found.order_up_to,
                "cost": found.cost,
                "ordering_cost": found.ordering_cost,
                "holding_cost": found.holding_cost,
                "shortage_cost": None if args.stockout is None else found.shortage_cost,
                "orders_per_review": found.orders_per_review,
                "fill_rate": found.service.fill_rate,
                "ready_rate": found.service.ready_rate,
                "period_service": found.service.period_service,
                "on_shelf": found.on_shelf,
                "owed": found.owed,
                "demand": {"mean": demand.mean, "sd": demand.sd, "lead_mean": lead.mean},
                "asked": None
                if args.service is None
                else {"service": args.service, "measure": args.measure},
            }
        )
        return 0
    rows = [
        ("Order at or below (s)", f"{found.order_at} pieces on the shelf and on order"),
        ("Fill up to (S)", f"{found.order_up_to} pieces"),
        ("Cost", f"{found.cost:.6g} per review period"),
        ("of it ordering, keeping", f"{found.ordering_cost:.5g}, {found.holding_cost:.5g}"),
    ]
    if args.stockout is not None:
        rows.append(("of it missing pieces", f"{found.shortage_cost:.5g}"))
    rows += [
        ("Demand from review to review", f"{demand.mean:.4g} on average, SD {demand.sd:.3g}"),
        ("Reviews with an order", _percent(found.orders_per_review)),
        ("On the shelf at a period's end, on average", f"{found.on_shelf:.4g} pieces"),
        ("Owed at a period's end, on average", f"{found.owed:.4g} pieces"),
        ("Pieces there at once (fill rate)", _percent(found.service.fill_rate)),
        ("Periods that end with stock (ready rate)", _percent(found.service.ready_rate)),
        ("Periods that end with none owed", _percent(found.service.period_service)),
    ]
    _show("Order point and level, reviewed at set times", rows)
    return 0


def _review_rule(args: argparse.Namespace, demand: Pmf, lead: Pmf) -> ReviewRule:
    fixed, holding = args.fixed, args.holding
    owing = 0.0 if args.stockout is None else args.stockout
    if args.at is not None:
        return judge_review(
            demand,
            args.at,
            args.up_to,
            fixed=fixed,
            holding=holding,
            stockout=owing,
            lead=lead,
        )
    if args.service is not None:
        return cheapest_review_for_service(
            demand,
            fixed=fixed,
            holding=holding,
            service=args.service,
            stockout=owing,
            measure=args.measure,
            lead=lead,
        )
    return cheapest_review(demand, fixed=fixed, holding=holding, stockout=owing, lead=lead)


def _percent(value: float) -> str:
    """Return a share in words; never a full 100 % that is none."""
    if 1 > value > 0.9999:
        return "above 99.99 %"
    return f"{100 * value:.2f} %"


def _show(title: str, rows: list[tuple[str, str]], notes: list[str] | None = None) -> None:
    out = console()
    table = Table(title=title, title_justify="left", show_header=False)
    table.add_column(overflow="fold")
    table.add_column(overflow="fold")
    for row in rows:
        table.add_row(*row)
    out.print(table, markup=False)
    for note in notes or []:
        out.print(note, markup=False)
