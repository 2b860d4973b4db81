"""`pitwise gauge` and `pitwise agreement`: how good the gauge and the judgement are."""

from __future__ import annotations

import argparse

from rich.table import Table

from pitwise.cli.common import console, print_json, read_text
from pitwise.measure.agreement import Kappa, fleiss_kappa
from pitwise.measure.agreement_file import read_counts
from pitwise.measure.gauge import GaugeStudy, range_study, study
from pitwise.measure.gauge_file import read_study, read_value
from pitwise.services.errors import ServiceError
from pitwise.trade.given import InputError

_LARGEST = 64 * 1024 * 1024
_NAMES = {
    "repeatability": "Repeatability (same person, same part)",
    "reproducibility": "Between people",
    "interaction": "People and parts together",
    "gauge": "Gauge, all of it",
    "part": "Between parts",
    "total": "Total",
}


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the commands."""
    own = commands.add_parser("gauge", help="how much of the readings' scatter is the gauge's")
    own.add_argument(
        "file", metavar="STUDY", help="CSV with the header part,person,trial,value, or -"
    )
    own.add_argument("--json", action="store_true", help="print JSON")
    own.add_argument(
        "--tolerance", metavar="WIDTH", help="upper less lower limit, such as '0.5 mm'"
    )
    own.add_argument(
        "--method",
        choices=("anova", "range"),
        default="anova",
        help="analysis of variance, or means and ranges as by hand (anova)",
    )
    own.set_defaults(run=run_gauge)
    other = commands.add_parser(
        "agreement", help="how far people agree on what they see (Fleiss' kappa)"
    )
    other.add_argument(
        "file",
        metavar="TABLE",
        help="CSV: a header of categories, a row of counts a specimen, or -",
    )
    other.add_argument("--json", action="store_true", help="print JSON")
    other.set_defaults(run=run_agreement)


def _refusal(file: str, error: InputError) -> ServiceError:
    place = f"{file}: {error.place}" if error.place else file
    return ServiceError(place, error.problem, error.mend.rstrip(".?"))


def run_gauge(args: argparse.Namespace) -> int:
    """Reckon a gauge study and print it."""
    text = read_text(args.file, largest=_LARGEST)
    try:
        readings = read_study(text)
        width = None
        if args.tolerance is not None:
            width = _tolerance(args.tolerance, readings.unit)
        work = range_study if args.method == "range" else study
        found = work(readings.x, tolerance=width, people=readings.people, parts=readings.parts)
    except InputError as error:
        raise _refusal(args.file, error) from error
    if args.json:
        names = {"names": {"people": list(readings.people), "parts": list(readings.parts)}}
        print_json(found.plain(readings.unit) | names)
    else:
        _print_gauge(found, readings.unit)
    return 0


def _tolerance(text: str, unit: str | None) -> float:
    try:
        value, with_unit = read_value(text.strip(), "--tolerance")
    except InputError as error:
        # The file's mends speak of rows; a unit's own mend fits here too.
        mend = error.mend if "unit" in error.problem else "write a width, such as 0.5 mm"
        raise ServiceError("--tolerance", error.problem, mend) from error
    if with_unit and unit is None:
        raise ServiceError(
            "--tolerance", "has a unit and the readings have none", "write both with their unit"
        )
    if not value > 0:
        raise ServiceError(
            "--tolerance", f"'{text[:40]}' is no width", "give upper less lower limit"
        )
    return value


def _print_gauge(found: GaugeStudy, unit: str | None) -> None:
    out = console()
    said = f" ({unit})" if unit else ""
    way = "analysis of variance" if found.method == "anova" else "means and ranges"
    table = Table(
        title=f"{found.parts} parts, {found.people} people, {found.trials} trials; {way}",
        title_justify="left",
    )
    table.add_column("Scatter", overflow="fold")
    for name in (f"SD{said}", "95 % range", "of variance", "of total SD"):
        table.add_column(name, justify="right", overflow="fold")
    if found.tolerance is not None:
        table.add_column("of tolerance", justify="right", overflow="fold")
    for c in found.components:
        low_high = "–" if c.low is None or c.high is None else f"{c.low:.4g} – {c.high:.4g}"
        row = [_NAMES[c.name], f"{c.sd:.4g}", low_high]
        row += [f"{100 * c.share:.1f} %", f"{c.percent_of_total:.1f} %"]
        if c.percent_of_tolerance is not None:
            row.append(f"{c.percent_of_tolerance:.1f} %")
        table.add_row(*row)
    out.print(table, markup=False)
    steps = "no scatter of the gauge was seen" if found.ndc is None else f"{found.ndc}"
    out.print(f"Steps the gauge tells apart over these parts: {steps}", markup=False)
    for note in found.notes:
        out.print(note, markup=False)
    if found.method == "anova":
        rows = Table(title="Analysis of variance", title_justify="left")
        rows.add_column("Source")
        for name in ("df", "Sum of squares", "Mean square", "F", "p"):
            rows.add_column(name, justify="right")
        for r in found.table:
            rows.add_row(
                r.source,
                str(r.df),
                f"{r.ss:.6g}",
                f"{r.ms:.6g}",
                "" if r.f is None else f"{r.f:.3f}",
                "" if r.p is None else "< 0.0001" if r.p < 1e-4 else f"{r.p:.4f}",
            )
        out.print(rows, markup=False)
    out.print(f"Intervals: {found.interval}.", markup=False)


def run_agreement(args: argparse.Namespace) -> int:
    """Reckon the agreement and print it."""
    text = read_text(args.file, largest=_LARGEST)
    try:
        counts, categories = read_counts(text)
        found = fleiss_kappa(counts, categories)
    except InputError as error:
        raise _refusal(args.file, error) from error
    if args.json:
        print_json(found.plain())
    else:
        _print_agreement(found)
    return 0


def _print_agreement(found: Kappa) -> None:
    out = console()
    out.print(
        f"kappa {found.kappa:.3f} ({found.low:.3f} – {found.high:.3f}): {found.word}. "
        f"{found.specimens} specimens, {found.people} people each; pairs agree on "
        f"{100 * found.observed:.1f} %, chance alone {100 * found.expected:.1f} %.",
        markup=False,
    )
    table = Table(
        title="Each category against the others, least agreed first", title_justify="left"
    )
    table.add_column("Category", overflow="fold")
    for name in ("of judgements", "kappa", "95 % range"):
        table.add_column(name, justify="right")
    rows = sorted(found.per_category, key=lambda c: 2.0 if c.kappa is None else c.kappa)
    for c in rows:
        if c.kappa is None or c.low is None or c.high is None:
            table.add_row(c.category, f"{100 * c.share:.1f} %", "can't be told", "")
        else:
            table.add_row(
                c.category,
                f"{100 * c.share:.1f} %",
                f"{c.kappa:.3f}",
                f"{c.low:.3f} – {c.high:.3f}",
            )
    out.print(table, markup=False)
    out.print(f"Interval: {found.interval}.", markup=False)
