"""What the commands share: reading input, opening the book, printing."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from pitwise.services.errors import ServiceError

if TYPE_CHECKING:
    from pitwise.services.shopfloor import Shop

LARGEST_INPUT = 4 * 1024 * 1024


def read_text(place: str, *, largest: int = LARGEST_INPUT) -> str:
    """Read a text file of at most so many bytes, or standard input for '-'; refuses with a mend."""
    try:
        if place == "-":
            data = sys.stdin.buffer.read(largest + 1)
        else:
            with Path(place).open("rb") as file:
                data = file.read(largest + 1)
    except OSError as error:
        raise ServiceError(
            place, f"can't be read ({error.strerror})", "check the name, or write - for input"
        ) from error
    if len(data) > largest:
        raise ServiceError(
            place, f"is larger than {largest // 1024**2} MB", "give the file that was meant"
        )
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ServiceError(
            place, f"is not UTF-8 text (byte {error.start})", "save it as UTF-8"
        ) from error


def read_overlays(places: list[str]) -> tuple[dict[str, str], ...]:
    """Read overlay sheets, each a TOML file."""
    return tuple({place: read_text(place)} for place in places)


def print_json(data: Any) -> None:
    """Print JSON for programs."""
    json.dump(data, sys.stdout, ensure_ascii=False, indent=2, allow_nan=False)
    sys.stdout.write("\n")


def console() -> Console:
    """Return a console for tables; wide when it is not a terminal."""
    return Console(highlight=False, width=None if sys.stdout.isatty() else 160)


def open_shop(args: argparse.Namespace, *, make: bool = False) -> Shop:
    """Open the book the arguments name, brought up to date.

    Without `make` it must be there: a mistyped address makes no new one.
    """
    # The database layer takes a second to import, and most commands need none.
    from pitwise.services.book_common import refuse_no_book
    from pitwise.services.shopfloor import default_url, open_book

    url = args.database or default_url()
    if not make:
        refuse_no_book(url)
    shop = open_book(url, overlays=read_overlays(getattr(args, "sheet", None) or []))
    shop.prepare()
    return shop


@contextmanager
def progress_bar(words: str, *, quiet: bool = False) -> Iterator[Any]:
    """Show a progress bar on a terminal's standard error; yields a function of the share done."""
    if quiet or not sys.stderr.isatty():
        yield lambda _share: None
        return
    with Progress(
        TextColumn(words),
        BarColumn(),
        TaskProgressColumn(),
        TimeRemainingColumn(),
        console=Console(stderr=True),
        transient=True,
    ) as bar:
        task = bar.add_task(words, total=1.0)
        yield lambda share: bar.update(task, completed=share)
