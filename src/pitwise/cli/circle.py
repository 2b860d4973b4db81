"""`pitwise circle`: the reference circles of points, and how round they are."""

from __future__ import annotations

import argparse
import math
from typing import Any

from rich.table import Table

from pitwise.cli.common import console, print_json, read_text
from pitwise.measure.circle import circle_report
from pitwise.measure.circle_file import read_points
from pitwise.services.errors import ServiceError
from pitwise.trade.given import InputError

_LARGEST = 128 * 1024 * 1024
_LOBES_SHOWN = 5


def _upr(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and 0 < value <= 1e6):
        raise argparse.ArgumentTypeError(f"'{text}' is no number of undulations above 0")
    return value


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser("circle", help="circles through points, and how round they are")
    own.add_argument("file", metavar="POINTS", help="CSV with the header x,y, or -")
    own.add_argument("--json", action="store_true", help="print JSON")
    own.add_argument(
        "--filter-upr",
        type=_upr,
        metavar="N",
        help="Gaussian filter before the roundness: half of N undulations per revolution passes",
    )
    own.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Reckon the circles and print them."""
    text = read_text(args.file, largest=_LARGEST)
    try:
        found = circle_report(read_points(text), args.filter_upr)
    except InputError as error:
        place = f"{args.file}: {error.place}" if error.place else args.file
        raise ServiceError(place, error.problem, error.mend.rstrip(".?")) from error
    if args.json:
        print_json(found)
    else:
        _print(found)
    return 0


def _print(found: dict[str, Any]) -> None:
    out = console()
    table = Table(title=f"Circles of {found['points']} points", title_justify="left")
    table.add_column("Circle", overflow="fold")
    for name in ("x", "y", "r", "largest less least distance"):
        table.add_column(name, justify="right", overflow="fold")
    spread = found["roundness"]["unfiltered"]
    for key, name in (
        ("least_squares", "Least squares"),
        ("circumscribed", "Least around all points"),
        ("inscribed", "Largest within"),
    ):
        c = found[key]
        table.add_row(name, *(f"{c[k]:.7g}" for k in "xyr"), f"{spread[key]:.4g}")
    zone = found["minimum_zone"]
    if zone is not None:
        radii = f"{zone['inner_r']:.7g} – {zone['outer_r']:.7g}"
        table.add_row(
            "Narrowest ring", f"{zone['x']:.7g}", f"{zone['y']:.7g}", radii, f"{zone['width']:.4g}"
        )
    out.print(table, markup=False)
    fit = found["least_squares"]
    if fit["u_r"] is not None:
        out.print(
            f"Least squares: u(x) {fit['u_x']:.2g}, u(y) {fit['u_y']:.2g}, u(r) {fit['u_r']:.2g}",
            markup=False,
        )
    own = found["roundness"]
    words = f"Roundness {own['value']:.4g} ({own['reference']})"
    if own["filter_upr"] is not None:
        words += f", filtered at {own['filter_upr']:g} undulations per revolution"
    if own["noise_floor"] is None:
        words += "; too few points to tell their noise"
    else:
        words += f", u {own['u']:.2g}; noise alone would show {own['noise_floor']:.2g}"
    out.print(words, markup=False)
    lobes = sorted((h for h in found["harmonics"] if h["upr"] > 1), key=lambda h: -h["amplitude"])[
        :_LOBES_SHOWN
    ]
    if lobes:
        tops = Table(title="Strongest lobes", title_justify="left")
        for name in ("Lobes round", "Amplitude", "u", "First top at"):
            tops.add_column(name, justify="right")
        for h in lobes:
            u = "–" if h["u"] is None else f"{h['u']:.2g}"
            tops.add_row(str(h["upr"]), f"{h['amplitude']:.4g}", u, f"{h['phase_deg']:.1f}°")
        out.print(tops, markup=False)
    for note in found["notes"]:
        out.print(note, markup=False)
