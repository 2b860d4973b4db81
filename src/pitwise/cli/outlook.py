"""`pitwise outlook`: will the set finish the plates ahead, and where is it best changed?"""

from __future__ import annotations

import argparse
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.table import Table
from rich.text import Text

from pitwise.cli.common import console, print_json, read_text
from pitwise.cli.decide import sheet_of
from pitwise.cli.program import add_reader_options, count_file, kind_of, settings_of
from pitwise.cli.wear import (
    add_electrode_options,
    add_model_options,
    amount,
    prior_of,
    read_histories,
    state_of,
)
from pitwise.job.model import ProgramError, ReaderSettings
from pitwise.job.outlook import (
    Band,
    Outlook,
    look_ahead,
)
from pitwise.job.plan import (
    Costs,
    Plate,
)
from pitwise.job.plates import read_plates
from pitwise.job.words import change_words, plan_words
from pitwise.services.errors import ServiceError
from pitwise.wear.fit import fit_wear
from pitwise.wear.forecast import (
    FLEET_COMPONENTS,
    components,
)
from pitwise.wear.state import (
    new_electrode,
)
from pitwise.wear.words import basis_words, fit_notes

_MOST_PLATES = 2000


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "outlook", help="will the set finish the plates ahead, and where to change it"
    )
    own.add_argument(
        "programs",
        nargs="+",
        metavar="PROGRAM[*N]",
        help="cut program, .dxf nest or .csv of plates, N times, in the order they are cut",
    )
    own.add_argument("--readings", required=True, dest="file", metavar="READINGS", help="CSV")
    add_electrode_options(own)
    add_model_options(own)
    costs = Costs()
    for name, value, what in (
        ("set-value", costs.set_value, "price of the parts changed together"),
        ("stop-minutes", costs.stop_minutes, "minutes a change takes"),
        ("stop-cost-per-hour", costs.stop_cost_per_hour, "what an hour's stop costs"),
        ("lost-torch-cost", costs.lost_torch_cost, "what a lost torch costs"),
        ("scrapped-plate-cost", costs.scrapped_plate_cost, "what a scrapped plate costs"),
    ):
        own.add_argument(
            f"--{name}", type=amount, default=value, metavar="X", help=f"{what} ({value:g})"
        )
    own.add_argument(
        "--accepted-risk", type=_share, metavar="P", help="of passing the limit (the sheet's)"
    )
    add_reader_options(own)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run)


def _share(text: str) -> float:
    value = amount(text)
    if not 0 < value < 1:
        raise argparse.ArgumentTypeError(f"'{text}' is not between 0 and 1")
    return value


def run(args: argparse.Namespace) -> int:
    """Forecast, plan and print."""
    sheet = sheet_of(args.sheet)
    histories = read_histories(args.file)
    asked = _plates(args)
    fit = fit_wear(histories, prior_of(args, sheet))
    state = state_of(args, histories, fit)
    outlook = look_ahead(
        components(state, FLEET_COMPONENTS * 2),
        components(new_electrode(fit, state.process), FLEET_COMPONENTS * 2),
        asked.plates,
        args.limit,
        Costs(
            args.set_value,
            args.stop_minutes,
            args.stop_cost_per_hour,
            args.lost_torch_cost,
            args.scrapped_plate_cost,
        ),
        args.accepted_risk or float(sheet.constant("accepted-risk")),
    )
    notes = [basis_words(state.basis, state.process), *fit_notes(fit)]
    if args.json:
        print_json({**outlook_plain(outlook), "warnings": asked.warnings, "notes": notes})
    else:
        _show(args, outlook, [*(_warning_words(w) for w in asked.warnings), *notes])
    return 0


@dataclass(frozen=True)
class _Asked:
    """The plates asked for, and what their counts may be wrong about."""

    plates: list[Plate]
    warnings: list[dict[str, Any]]


def _file_and_times(text: str) -> tuple[str, int]:
    """Part PROGRAM*N; a file really called so goes first."""
    if Path(text).exists() or "*" not in text:
        return text, 1
    place, _, times = text.rpartition("*")
    if not re.fullmatch(r"\s*\d{1,9}\s*", times) or int(times) < 1:
        raise ServiceError(
            text, f"'{times}' is not how often to cut it", "write a whole number after the *"
        )
    return place.rstrip(), int(times)


def _plates(args: argparse.Namespace) -> _Asked:
    """Count every program named, as often as it is to be cut."""
    settings = settings_of(args)
    asked = _Asked([], [])
    counted: dict[str, list[Plate]] = {}
    for text in args.programs:
        place, times = _file_and_times(text)
        if place not in counted:
            try:
                counted[place] = _count(place, args, settings, asked.warnings)
            except ProgramError as error:
                where = f"{place}: line {error.line}" if error.line else place
                raise ServiceError(where, error.problem, error.mend) from error
        own = counted[place]
        if len(asked.plates) + times * len(own) > _MOST_PLATES:
            raise ServiceError(
                text, f"makes more than {_MOST_PLATES} plates", "look less far ahead"
            )
        for n in range(times):
            numbered = f" {n + 1} of {times}" if times > 1 else ""
            asked.plates.extend(
                Plate(p.name + numbered, p.starts, p.arc_minutes, p.cuts) for p in own
            )
    if not asked.plates:
        raise ServiceError(args.programs[0], "holds no plate", "give a program that cuts")
    return asked


def _count(
    place: str,
    args: argparse.Namespace,
    settings: ReaderSettings,
    warnings: list[dict[str, Any]],
) -> list[Plate]:
    if kind_of(place) == "plates":
        own = [Plate(p.name, p.starts, p.arc_minutes) for p in read_plates(read_text(place))]
    else:
        count = count_file(place, args, settings)
        own = [Plate(Path(place).name, count.starts, count.arc_minutes, count.cuts)]
        warnings.extend(
            {"program": place, "line": w.line, "code": w.code, "text": w.text}
            for w in count.warnings
        )
    for plate in own:
        if not plate.starts or not plate.arc_minutes:
            raise ServiceError(
                place,
                f"'{plate.name}' asks for {plate.starts:g} starts and {plate.arc_minutes:g} arc "
                "minutes: nothing to forecast",
                "check --on and --off, and the feeds of the program (pitwise program says more)",
            )
    return own


def _warning_words(warning: dict[str, Any]) -> str:
    return f"{warning['program']}, line {warning['line']}: {warning['text']}"


def band_plain(band: Band) -> dict[str, float]:
    """Return a band as plain data."""
    return {"p05": band.p05, "median": band.median, "p95": band.p95}


def outlook_plain(outlook: Outlook) -> dict[str, Any]:
    """Return an outlook as plain data."""
    return {
        "plates": [
            {
                "name": row.plate.name,
                "starts": row.plate.starts,
                "arc_minutes": row.plate.arc_minutes,
                "p_finish": row.p_finish,
                "p_limit": row.p_limit,
                "p_lost": row.p_lost,
                "depth_mm": band_plain(row.depth),
                "planned": {
                    "set": row.set_number,
                    "p_finish": row.planned_p_finish,
                    "depth_mm": band_plain(row.planned_depth),
                },
            }
            for row in outlook.plates
        ],
        "change_after": [c.after for c in outlook.changes if c.cut is None],
        "change_at_pierce": [
            {"plate": c.after + 1, "line": c.line, "cuts_before": c.cut}
            for c in outlook.changes
            if c.cut is not None
        ],
        "expected_cost": outlook.expected_cost,
        "cost_of_no_change": outlook.cost_of_no_change,
        "too_long": list(outlook.too_long),
        "sets_to_have": outlook.sets_to_have,
        "accepted_risk": outlook.accepted_risk,
    }


def _show(args: argparse.Namespace, outlook: Outlook, notes: list[str]) -> None:
    out = console()
    table = Table(title=Text(f"Plates ahead, limit {args.limit:g} mm"), title_justify="left")
    for name in ("Plate", "Starts", "Arc min", "Finishes", "Depth mm (90 % range)", "By the plan"):
        table.add_column(name, justify="left" if name in ("Plate", "By the plan") else "right")
    changes = {c.after: c for c in outlook.changes}
    for k, row in enumerate(outlook.plates):
        if k in changes:
            table.add_row(Text(f"— {change_words(changes[k], outlook)} —"), "", "", "", "", "")
        table.add_row(
            Text(row.plate.name),
            f"{row.plate.starts:g}",
            f"{row.plate.arc_minutes:.1f}",
            f"{100 * row.p_finish:.1f} %",
            f"{row.depth.median:.2f} ({row.depth.p05:.2f} to {row.depth.p95:.2f})",
            f"set {row.set_number}: {100 * row.planned_p_finish:.1f} %"
            if row.set_number
            else "present set",
        )
    out.print(table, markup=False)
    for sentence in (*plan_words(outlook), *notes):
        out.print(sentence, markup=False)
    out.print("A forecast is an estimate; the limit stands.", markup=False)
