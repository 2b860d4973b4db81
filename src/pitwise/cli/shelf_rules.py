"""`pitwise shelf rq` and `ss`: when to reorder how much, shelf watched or reviewed."""

from __future__ import annotations

import argparse

from pitwise.cli.common import print_json
from pitwise.cli.shelf_common import (
    add_costs,
    add_packs,
    add_pmf,
    amount,
    one_of,
    percent,
    pieces,
    read_demand,
    refusals,
    show_rows,
)
from pitwise.services.errors import ServiceError
from pitwise.shelf.demand_pmf import Pmf
from pitwise.shelf.periodic import (
    ReviewRule,
    cheapest_review,
    cheapest_review_for_service,
    judge_review,
)
from pitwise.shelf.refusal import OutOfRangeError, whole
from pitwise.shelf.reorder import (
    ReorderRule,
    cheapest,
    cheapest_for_service,
    cheapest_point,
    judge,
    least_reorder_point,
)


def add_rq(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command of a watched shelf."""
    own = verbs.add_parser("rq", help="at which stock to reorder how much, shelf always watched")
    add_costs(own, fixed=True, stockout=False)
    own.add_argument("--demand", type=amount, metavar="N", help="pieces per unit of time")
    own.add_argument(
        "--lead", type=amount, metavar="T", help="units of time until an order comes (1)"
    )
    own.add_argument(
        "--lead-sd", type=amount, default=0.0, metavar="T", help="its standard deviation (0)"
    )
    add_pmf(own, "the demand of a lead time, instead of a Poisson demand")
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
    add_packs(own)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run_rq)


def add_ss(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command of a reviewed shelf."""
    own = verbs.add_parser("ss", help="at which stock to fill up to where, shelf reviewed at times")
    add_costs(own, fixed=True, stockout=False)
    own.add_argument(
        "--poisson-mean", type=amount, metavar="M", help="mean Poisson demand from review to review"
    )
    add_pmf(own, "the demand from review to review")
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
    demand = read_demand(args.pmf)
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
    with refusals(pmf=args.pmf or "--demand", variance="--lead-sd", mean="--demand"):
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
        ("Pieces there at once (fill rate)", percent(found.service.fill_rate)),
        ("Time with stock (ready rate)", percent(found.service.ready_rate)),
        ("Lead times nobody waits (cycle service)", percent(found.service.cycle_service)),
    ]
    show_rows("Reorder point and order size", rows, notes)
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
            "Your probabilities are taken as single calls: where several pieces are taken at "
            "once, fill rate, cycle service and the cost of ordering differ."
        )
    return notes


def run_ss(args: argparse.Namespace) -> int:
    """Reckon an order point and a level to fill up to, and print them."""
    kind = one_of(args, "poisson_mean", "pmf")
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
    with refusals(pmf=asked, demand=asked, mean="--poisson-mean", times="--lead"):
        demand = read_demand(args.pmf) if kind == "pmf" else Pmf.poisson(args.poisson_mean)
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
        ("Reviews with an order", percent(found.orders_per_review)),
        ("On the shelf at a period's end, on average", f"{found.on_shelf:.4g} pieces"),
        ("Owed at a period's end, on average", f"{found.owed:.4g} pieces"),
        ("Pieces there at once (fill rate)", percent(found.service.fill_rate)),
        ("Periods that end with stock (ready rate)", percent(found.service.ready_rate)),
        ("Periods that end with none owed", percent(found.service.period_service)),
    ]
    show_rows("Order point and level, reviewed at set times", rows)
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
