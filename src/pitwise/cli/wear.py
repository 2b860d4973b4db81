"""`pitwise wear fit` and `pitwise wear forecast`: pit growth from a file of readings."""

from __future__ import annotations

import argparse
import difflib
import math
from dataclasses import replace
from typing import Any

import numpy as np
from rich.table import Table
from rich.text import Text

from pitwise.cli.common import console, print_json, read_text
from pitwise.cli.decide import sheet_of
from pitwise.measure.depth import ReadingError, parse_depth
from pitwise.services.errors import ServiceError
from pitwise.trade import Sheet
from pitwise.wear.fit import WearFit, fit_wear
from pitwise.wear.forecast import (
    Components,
    chances,
    components,
    depth_quantiles,
    remaining_starts,
)
from pitwise.wear.history import History
from pitwise.wear.prior import GrowthPrior
from pitwise.wear.readings import ReadingsError, read_readings
from pitwise.wear.state import (
    ElectrodeState,
    known_electrode,
    move,
    new_electrode,
)
from pitwise.wear.words import basis_words, depth_notes, electrode_notes, fit_notes

_LARGEST = 64 * 1024 * 1024
QUANTITIES = ("pit-depth", "orifice-growth")


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("wear", help="how pits grow, and what an electrode will do in a job")
    verbs = own.add_subparsers(dest="verb", metavar="VERB", required=True)
    fit = verbs.add_parser("fit", help="fit the wear model to a CSV of readings")
    fit.add_argument("file", metavar="READINGS", help="CSV of readings, or - for input")
    add_model_options(fit)
    fit.add_argument("--json", action="store_true", help="print JSON")
    fit.set_defaults(run=run_fit)
    ahead = verbs.add_parser("forecast", help="chances that one electrode finishes a job")
    ahead.add_argument("file", metavar="READINGS", help="CSV of readings, or - for input")
    add_electrode_options(ahead)
    ahead.add_argument("--starts", type=amount, required=True, help="starts of the job")
    ahead.add_argument("--minutes", type=amount, required=True, help="arc minutes of the job")
    add_model_options(ahead)
    ahead.add_argument("--json", action="store_true", help="print JSON")
    ahead.set_defaults(run=run_forecast)


def add_model_options(own: argparse.ArgumentParser) -> None:
    """Add what the fit needs to know beside the readings."""
    own.add_argument(
        "--quantity", choices=QUANTITIES, default="pit-depth", help="what was read (pit-depth)"
    )
    own.add_argument(
        "--gauge-u", type=amount, metavar="MM", help="standard uncertainty of one reading, mm"
    )
    own.add_argument(
        "--sheet", action="append", metavar="TOML", help="lay a shop's own trade sheet on top"
    )


def add_electrode_options(own: argparse.ArgumentParser) -> None:
    """Add which electrode, on what, to which limit."""
    own.add_argument("--electrode", required=True, metavar="ID", help="electrode in the file")
    own.add_argument(
        "--process",
        metavar="NAME",
        help="process of the job (default: its latest); with a new ID this starts a new electrode",
    )
    own.add_argument(
        "--limit", type=limit_mm, required=True, metavar="L", help="depth limit: mm, or '40 thou'"
    )


def amount(text: str) -> float:
    """Read a number of 0 or more."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and 0 <= value <= 1e9):
        raise argparse.ArgumentTypeError(f"'{text}' is no number of 0 or more")
    return value


def limit_mm(text: str) -> float:
    """Read a depth limit in its own unit, mm when bare."""
    try:
        value = float(parse_depth(text).mm)
    except ReadingError as error:
        raise argparse.ArgumentTypeError(str(error)) from error
    if value <= 0:
        raise argparse.ArgumentTypeError(f"'{text}': a limit is above zero")
    return value


def read_histories(place: str) -> tuple[History, ...]:
    """Read a readings file; refuses naming file, line and mend."""
    try:
        return read_readings(read_text(place, largest=_LARGEST))
    except ReadingsError as error:
        where = f"{place}: line {error.line}" if error.line else place
        raise ServiceError(where, error.problem, error.mend) from error


def prior_of(args: argparse.Namespace, sheet: Sheet) -> GrowthPrior:
    """Return the prior the arguments ask for."""
    prior = GrowthPrior.of(sheet, args.quantity)
    return prior.with_gauge(args.gauge_u) if args.gauge_u else prior


def run_fit(args: argparse.Namespace) -> int:
    """Fit and print."""
    histories = read_histories(args.file)
    if not any(h.readings for h in histories):
        raise ServiceError(args.file, "holds no reading", "fill depth_mm in at least one row")
    fit = fit_wear(histories, prior_of(args, sheet_of(args.sheet)))
    if args.json:
        print_json(fit_plain(fit))
    else:
        _print_fit(args.file, fit)
    return 0


def _rate(mean: float, sd: float) -> dict[str, float]:
    rate = math.exp(mean)
    return {
        "rate_mm_per_500": rate,
        "rate_mm_per_500_se": rate * sd,
        "p05": rate * math.exp(-1.6448536 * sd),
        "p95": rate * math.exp(1.6448536 * sd),
    }


def fit_plain(fit: WearFit) -> dict[str, Any]:
    """Return a fit as plain data."""
    values, errors = fit.values, fit.standard_errors
    loss = np.exp(fit.losses.mean)
    return {
        **values,
        "standard_errors": errors,
        "loglik": fit.loglik,
        "electrodes": fit.electrodes,
        "readings": fit.readings,
        "processes": {
            name: {
                **_rate(belief.mean, belief.sd),
                "electrodes": electrodes,
                "readings": readings,
            }
            for name, belief, electrodes, readings in zip(
                fit.processes, fit.rates, fit.electrodes_of, fit.readings_of, strict=True
            )
        },
        "loss": {
            "per_start_at_0_mm": float(loss[0]),
            "slope_per_mm": float(loss[1]),
            "losses": fit.losses.losses,
        },
        "kappa_identified": fit.kappa_identified,
        "minutes_per_start": None
        if fit.minutes_per_start is None
        else dict(zip(("p05", "median", "p95"), fit.minutes_per_start, strict=True)),
        "set_aside": [
            {"electrode": s.electrode, "depth_mm": s.depth_mm, "text": s.text}
            for s in fit.set_aside
        ],
        "notes": list(fit_notes(fit)),
    }


_SAY = {
    "kappa": "starts one arc minute counts for",
    "gamma": "power of age: 1 is steady growth",
    "tau": "spread of electrodes' own rates (log)",
    "sigma": "noise of one reading, mm",
    "phi": "scatter of growth, mm",
    "rate": "middle rate of a process, mm per 500",
    "omega": "spread between processes (log)",
}


def _print_fit(place: str, fit: WearFit) -> None:
    out = console()
    table = Table(
        title=Text(f"{fit.readings} readings of {fit.electrodes} electrodes in {place}"),
        title_justify="left",
    )
    for name in ("", "Value", "± standard error", "Meaning"):
        table.add_column(name, justify="right" if name[:1] in ("V", "±") else "left")
    errors = fit.standard_errors
    for name, value in fit.values.items():
        table.add_row(name, f"{value:.4g}", f"{errors[name]:.2g}", _SAY[name])
    out.print(table, markup=False)
    rates = Table(title="Growth in the first 500 starts of no arc time", title_justify="left")
    for name in ("Process", "mm", "90 % range", "Electrodes", "Readings"):
        rates.add_column(name, justify="left" if name == "Process" else "right", overflow="fold")
    for name, process in fit_plain(fit)["processes"].items():
        rates.add_row(
            name,
            f"{process['rate_mm_per_500']:.3f}",
            f"{process['p05']:.3f} to {process['p95']:.3f}",
            str(process["electrodes"]),
            str(process["readings"]),
        )
    out.print(rates, markup=False)
    for note in fit_notes(fit):
        out.print(note, markup=False)


def state_of(
    args: argparse.Namespace, histories: tuple[History, ...], fit: WearFit
) -> ElectrodeState:
    """Return the state of the electrode the arguments name."""
    history = next((h for h in histories if h.name == args.electrode), None)
    if history is None:
        if args.process:
            return new_electrode(fit, args.process)
        near = difflib.get_close_matches(args.electrode, [h.name for h in histories], 1)
        raise ServiceError(
            "--electrode",
            f"'{args.electrode}' is not in {args.file}",
            f"did you mean '{near[0]}'"
            if near
            else "name one that is, or give --process for a new electrode",
        )
    if history.ended == "lost":
        raise ServiceError(
            "--electrode", f"'{args.electrode}' was lost in the cut", "name one that still runs"
        )
    kept = cleaned(history, fit)
    state = known_electrode(fit, kept, in_fit=True)
    return move_to(fit, state, args.process)


def cleaned(history: History, fit: WearFit) -> History:
    """Return a history without the readings the fit set aside."""
    wild = {s.step for s in fit.set_aside if s.electrode == history.name}
    steps = tuple(
        replace(step, depth_mm=None) if k in wild else step for k, step in enumerate(history.steps)
    )
    return replace(history, steps=steps)


def move_to(fit: WearFit, state: ElectrodeState, process: str | None) -> ElectrodeState:
    """Move an electrode to the job's process, if one is named."""
    return move(fit, state, process) if process else state


def forecast_plain(
    parts: Components, state: ElectrodeState, starts: float, minutes: float, limit: float
) -> dict[str, Any]:
    """Return one job's forecast as plain data."""
    end = chances(parts, starts, minutes, limit)
    depth = depth_quantiles(parts, [starts], [minutes])[:, 0]
    mix = minutes / starts if starts > 0 else state.minutes_per_start
    left = remaining_starts(parts, limit, mix)
    names = ("p05", "median", "p95")
    return {
        "p_finish": float(end.finish),
        "p_limit": float(end.limit),
        "p_lost": float(end.lost),
        "depth_mm": dict(zip(names, (float(x) for x in depth), strict=True)),
        "remaining_starts": dict(zip(names, (float(x) for x in left), strict=True)),
        "minutes_per_start": mix,
        "starts_so_far": state.starts,
        "arc_minutes_so_far": state.arc_minutes,
        "own_readings": state.readings,
        "basis": state.basis,
    }


def run_forecast(args: argparse.Namespace) -> int:
    """Forecast and print."""
    histories = read_histories(args.file)
    fit = fit_wear(histories, prior_of(args, sheet_of(args.sheet)))
    state = state_of(args, histories, fit)
    parts = components(state)
    plain = forecast_plain(parts, state, args.starts, args.minutes, args.limit)
    history = next((h for h in histories if h.name == args.electrode), None)
    plain["notes"] = [
        basis_words(state.basis, state.process),
        *(electrode_notes(history, fit) if history else ()),
        *depth_notes(plain["depth_mm"]["median"], fit),
        *fit_notes(fit),
    ]
    if args.json:
        print_json(plain)
        return 0
    out = console()
    depth, left = plain["depth_mm"], plain["remaining_starts"]
    table = Table(
        title=Text(
            f"Electrode {args.electrode}, {args.starts:g} starts and {args.minutes:g} arc"
            f" minutes ahead, limit {args.limit:g} mm"
        ),
        title_justify="left",
        show_header=False,
    )
    table.add_column("what")
    table.add_column("how much", justify="right")
    table.add_row("Finishes below the limit, not lost", _percent(plain["p_finish"]))
    table.add_row("Ends at or past the limit", _percent(plain["p_limit"]))
    table.add_row("Lost in the cut before the end", _percent(plain["p_lost"]))
    table.add_row(
        "Depth at the end (90 % range)",
        f"{depth['median']:.2f} mm ({depth['p05']:.2f} to {depth['p95']:.2f})",
    )
    table.add_row(
        "Starts until the limit (90 % range)",
        f"{left['median']:.0f} ({left['p05']:.0f} to {left['p95']:.0f})",
    )
    table.add_row("Arc minutes per start, of those starts", f"{plain['minutes_per_start']:.2f}")
    out.print(table, markup=False)
    for note in plain["notes"]:
        out.print(note, markup=False)
    out.print("A forecast is an estimate; the limit stands.", markup=False)
    return 0


def _percent(p: float) -> str:
    return "over 99.9 %" if p > 0.999 else "under 0.1 %" if p < 0.001 else f"{100 * p:.1f} %"
