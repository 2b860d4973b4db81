"""`pitwise program`: starts, arc minutes and lengths of a cut program, a nest or a plate list."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from rich.table import Table
from rich.text import Text

from pitwise.cli.common import console, print_json, progress_bar, read_text
from pitwise.job.dxf import MAX_BYTES, read_dxf
from pitwise.job.model import LEAST_RATE, ProgramCount, ProgramError, ReaderSettings, printable
from pitwise.job.plates import PlateUse, read_plates
from pitwise.job.reader import read_program
from pitwise.job.source import BLOCK_BYTES, program_lines
from pitwise.services.errors import ServiceError

_KINDS = {".dxf": "dxf", ".csv": "plates"}


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "program", help="count starts and arc minutes of a cut program, a DXF nest, a plate list"
    )
    own.add_argument(
        "file", metavar="FILE", help="cut program, .dxf nest or .csv of plates; - for input"
    )
    own.add_argument(
        "--kind", choices=("program", "dxf", "plates"), help="what FILE is (default: by its name)"
    )
    add_reader_options(own)
    own.add_argument("--json", action="store_true", help="print JSON")
    own.set_defaults(run=run)


def add_reader_options(own: argparse.ArgumentParser) -> None:
    """Add how programs and drawings are to be read."""
    own.add_argument(
        "--on",
        action="append",
        metavar="CODE",
        help="code that lights the torch, such as M3 or 'M64 P1' (default M3); may be repeated",
    )
    own.add_argument(
        "--off", action="append", metavar="CODE", help="code that quenches it (default M5)"
    )
    own.add_argument(
        "--accel", type=_rate, metavar="MM_S2", help="acceleration, mm/s² (default: none)"
    )
    own.add_argument("--rapid", type=_rate, metavar="MM_MIN", help="speed of rapid moves, mm/min")
    own.add_argument(
        "--corner-tolerance",
        type=_not_negative,
        default=0.1,
        metavar="MM",
        help="how far a corner may be rounded, with --accel (default 0.1)",
    )
    own.add_argument(
        "--keep-deleted", action="store_true", help="run lines that begin with / (block delete off)"
    )
    own.add_argument(
        "--dxf-layer", action="append", metavar="LAYER", help="DXF: a layer that is cut"
    )
    own.add_argument("--feed", type=_positive, metavar="MM_MIN", help="DXF: cutting speed")
    own.add_argument(
        "--pierce", type=_not_negative, metavar="S", help="DXF: seconds of each pierce"
    )


def _positive(text: str) -> float:
    value = _not_negative(text)
    if value == 0:
        raise argparse.ArgumentTypeError(f"'{text}' is not above 0")
    return value


def _rate(text: str) -> float:
    value = _positive(text)
    if value < LEAST_RATE:
        raise argparse.ArgumentTypeError(f"'{text}' is below {LEAST_RATE:g}")
    return value


def _not_negative(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not (math.isfinite(value) and value >= 0):
        raise argparse.ArgumentTypeError(f"'{text}' is no number of 0 or more")
    return value


def settings_of(args: argparse.Namespace) -> ReaderSettings:
    """Return the reader's settings the arguments ask for."""
    try:
        return ReaderSettings(
            on_codes=tuple(args.on or ("M3",)),
            off_codes=tuple(args.off or ("M5",)),
            accel_mm_s2=args.accel,
            corner_tolerance_mm=args.corner_tolerance,
            rapid_mm_min=args.rapid,
        )
    except ValueError as error:
        raise ServiceError(
            "--on/--off",
            str(error),
            "give each an M word, perhaps with the words beside it, such as --on M3 --off M5",
        ) from error


def kind_of(place: str) -> str:
    """Tell what a file is by its name: program, dxf or plates."""
    return _KINDS.get(Path(place).suffix.lower(), "program")


def count_file(place: str, args: argparse.Namespace, settings: ReaderSettings) -> ProgramCount:
    """Count a cut program or a DXF nest.

    Raises
    ------
    ProgramError
        Naming the line and the mend.
    ServiceError
        A file that can't be read, or an option missing.
    """
    if kind_of(place) == "dxf":
        return _count_dxf(place, args, settings)
    return _count_program(place, args, settings)


def run(args: argparse.Namespace) -> int:
    """Count and print.

    Raises
    ------
    ServiceError
        Bad input; its words can be printed, whatever the file is called.
    """
    try:
        return _run(args)
    except ServiceError as error:
        error.place, error.problem = printable(error.place), printable(error.problem)
        error.args = (f"{error.place}: {error.problem}. Mend: {printable(error.mend)}.",)
        raise


def _run(args: argparse.Namespace) -> int:
    kind = args.kind or kind_of(args.file)
    settings = settings_of(args)
    try:
        if kind == "plates":
            _show_plates(args, read_plates(read_text(args.file)))
            return 0
        count = (_count_dxf if kind == "dxf" else _count_program)(args.file, args, settings)
    except ProgramError as error:
        place = f"{args.file}: line {error.line}" if error.line else args.file
        raise ServiceError(place, error.problem, error.mend) from error
    if args.json:
        print_json(count.plain())
    else:
        _show(args, count, settings)
    return 0


def _count_program(place: str, args: argparse.Namespace, settings: ReaderSettings) -> ProgramCount:
    try:
        if place == "-":
            return _count_stream(args, settings, sys.stdin.buffer, None)
        path = Path(place)
        with path.open("rb") as file:
            return _count_stream(args, settings, file, path.stat().st_size)
    except OSError as error:
        raise _unreadable(place, error) from error


def _unreadable(place: str, error: OSError) -> ServiceError:
    return ServiceError(
        place, f"can't be read ({error.strerror})", "check the name, or write - for input"
    )


def _count_stream(
    args: argparse.Namespace, settings: ReaderSettings, file: BinaryIO, size: int | None
) -> ProgramCount:
    with progress_bar("Reading the program", quiet=not size or size < 4 * BLOCK_BYTES) as told:
        return read_program(
            program_lines(_blocks(file, size, told)),
            settings,
            block_delete=not args.keep_deleted,
        )


def _blocks(file: BinaryIO, size: int | None, told: Callable[[float], None]) -> Iterator[bytes]:
    done = 0
    while block := file.read(BLOCK_BYTES):
        yield block
        done += len(block)
        if size:
            told(min(1.0, done / size))


def _count_dxf(place: str, args: argparse.Namespace, settings: ReaderSettings) -> ProgramCount:
    try:
        if place == "-":
            data = sys.stdin.buffer.read(MAX_BYTES + 1)
        else:
            with Path(place).open("rb") as file:
                data = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise _unreadable(place, error) from error
    if args.feed is None or args.pierce is None:
        raise ServiceError(
            place,
            "is a drawing: it holds neither cutting speed nor pierce time",
            "give --feed MM_MIN and --pierce S",
        )
    return read_dxf(
        data,
        layers=args.dxf_layer,
        feed_mm_min=args.feed,
        pierce_seconds=args.pierce,
        settings=settings,
    )


def _title(words: str) -> Text:
    """Return a table's title: the library reads markup out of a plain one, cells or not."""
    return Text(printable(words), style="table.title")


def _show(args: argparse.Namespace, count: ProgramCount, settings: ReaderSettings) -> None:
    out = console()
    table = Table(title=_title(f"One run of {args.file}"), title_justify="left", show_header=False)
    table.add_column("what")
    table.add_column("how much", justify="right")
    table.add_column("of it", overflow="fold")
    how = (
        "length / feed; no acceleration given"
        if settings.accel_mm_s2 is None
        else f"with {settings.accel_mm_s2:g} mm/s², corners to {settings.corner_tolerance_mm:g} mm"
    )
    table.add_row("Starts", f"{count.starts}", "")
    table.add_row("Arc on", _clock(count.arc_minutes * 60), how)
    table.add_row("of it piercing", _clock(count.pierce_minutes * 60), "dwell before the cut moves")
    table.add_row("Cut length", f"{count.cut_length_mm / 1000:,.3f} m", "")
    table.add_row(
        "Rapid moves",
        f"{count.rapid_length_mm / 1000:,.3f} m",
        "no rapid speed given: no time"
        if settings.rapid_mm_min is None
        else _clock(count.rapid_minutes * 60),
    )
    if count.dry_length_mm:
        table.add_row(
            "Feed moves, arc out",
            f"{count.dry_length_mm / 1000:,.3f} m",
            _clock(count.dry_minutes * 60),
        )
    if count.cuts:
        longest = max(count.cuts, key=lambda x: x.seconds)
        table.add_row(
            "Longest cut",
            _clock(longest.seconds),
            f"{longest.length_mm / 1000:,.3f} m, lit in line {longest.line}"
            if longest.line
            else f"{longest.length_mm / 1000:,.3f} m",
        )
        table.add_row("Arc per start", _clock(count.arc_minutes * 60 / count.starts), "mean")
    out.print(table, markup=False)
    for warning in count.warnings:
        place = f"line {warning.line}: " if warning.line else ""
        out.print(f"{place}{printable(warning.text)} [{warning.code}]", markup=False)


def _clock(seconds: float) -> str:
    if seconds < 60:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours} h {minutes:02d} min {rest:02d} s" if hours else f"{minutes} min {rest:02d} s"


def _show_plates(args: argparse.Namespace, plates: tuple[PlateUse, ...]) -> None:
    starts = sum(x.starts for x in plates)
    minutes = math.fsum(x.arc_minutes for x in plates)
    if args.json:
        print_json(
            {
                "plates": [
                    {"name": x.name, "starts": x.starts, "arc_minutes": x.arc_minutes}
                    for x in plates
                ],
                "starts": starts,
                "arc_minutes": minutes,
            }
        )
        return
    table = Table(title=_title(f"Plates of {args.file}"), title_justify="left", show_footer=True)
    table.add_column("Plate", footer=f"{len(plates)} plates", overflow="fold")
    table.add_column("Starts", footer=str(starts), justify="right")
    table.add_column("Arc on", footer=_clock(minutes * 60), justify="right")
    for plate in plates:
        table.add_row(plate.name, str(plate.starts), _clock(plate.arc_minutes * 60))
    console().print(table, markup=False)
