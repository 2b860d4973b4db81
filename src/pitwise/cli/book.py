"""`pitwise book`: verify the book, export it, back it up, restore it."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn
from rich.table import Table
from rich.text import Text
from sqlalchemy.exc import ArgumentError, DBAPIError

from pitwise.services import book
from pitwise.services.errors import BookError, ConflictError, NotAllowedError, ServiceError
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop, default_url

DONE, FAILED, BAD_INPUT = 0, 1, 2


def add_parser(subparsers: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add `book` and its four commands to the main parser's subparsers."""
    parser = subparsers.add_parser("book", help="verify, export, back up and restore the book")
    commands = parser.add_subparsers(dest="book_command", required=True, metavar="COMMAND")

    verify = commands.add_parser("verify", help="prove that nothing signed was changed")
    verify.add_argument(
        "--head", metavar="HASH", help="the trail's last hash as noted earlier: shows a cut-off end"
    )
    verify.set_defaults(run=run_verify)

    export = commands.add_parser(
        "export", help="write everything into one zip (it holds password hashes: keep it safe)"
    )
    export.add_argument("file", type=Path, metavar="FILE.zip")
    export.add_argument("--overwrite", action="store_true", help="replace a file of that name")
    export.set_defaults(run=run_export)

    backup = commands.add_parser(
        "backup", help="copy a SQLite book while it is in use; of PostgreSQL, an export"
    )
    backup.add_argument("file", type=Path, metavar="FILE")
    backup.add_argument("--overwrite", action="store_true", help="replace a file of that name")
    backup.set_defaults(run=run_backup)

    restore = commands.add_parser("restore", help="bring a book back into an empty place")
    restore.add_argument("file", type=Path, metavar="FILE")
    restore.add_argument(
        "--into", metavar="URL", help="where to; the usual book's address unless given"
    )
    restore.set_defaults(run=run_restore)

    for command in (verify, export, backup, restore):
        command.add_argument("--json", action="store_true", help="print JSON for programs")
        command.add_argument("--quiet", action="store_true", help="show no progress")


def _url(args: argparse.Namespace) -> str:
    return getattr(args, "database", None) or default_url()


@contextmanager
def _bars(args: argparse.Namespace) -> Iterator[book.Progress]:
    """Show how far the work is, on a terminal's standard error only."""
    console = Console(stderr=True)
    if args.quiet or not console.is_terminal:
        yield lambda _step, _done, _total: None
        return
    columns = (TextColumn("{task.description}", markup=False), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=console, transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def tell(step: str, done: int, total: int) -> None:
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=total)
            bars.update(tasks[step], completed=done, total=total)

        yield tell


def _guarded(work: Callable[[argparse.Namespace], int], args: argparse.Namespace) -> int:
    """Do the work; turn what stands in its way into one line and an exit code."""
    try:
        return work(args)
    except (ConflictError, NotAllowedError, BookError) as error:
        return _say(error, FAILED)
    except ServiceError as error:
        return _say(error, BAD_INPUT)
    except ArgumentError:
        return _say("the book's address can't be read. Mend: write sqlite:////path/book.db", 2)
    except DBAPIError as error:
        reason = str(error.orig).strip().splitlines()[0] if str(error.orig).strip() else error
        return _say(
            f"the database did not do it: {reason}. Mend: check that it runs and its address",
            FAILED,
        )
    except OSError as error:
        return _say(f"{error.filename or 'file'}: {error.strerror or error}", FAILED)


def _say(message: object, code: int) -> int:
    print(f"pitwise book: {message}", file=sys.stderr)
    return code


def _print_json(data: object) -> None:
    print(json.dumps(data, ensure_ascii=False, indent=2))


def _table(rows: list[tuple[str, object]]) -> None:
    table = Table(box=None, show_header=False, pad_edge=False)
    table.add_column()
    table.add_column(overflow="fold")
    for name, value in rows:
        table.add_row(Text(name), Text(str(value)))
    Console().print(table)


def _told(outcome: book.Verification) -> int:
    """Print each fault on a line of its own; programs that read lines may rely on it."""
    for fault in outcome.faults:
        print(f"FAULT  {fault}")
    return DONE if outcome.holds else FAILED


def _verdict(outcome: book.Verification) -> str:
    number = len(outcome.faults)
    return "holds" if outcome.holds else f"does NOT hold: {number} fault{'s'[: number > 1]}"


def _head_rows(outcome: book.Verification) -> list[tuple[str, object]]:
    return [
        ("Book", _verdict(outcome)),
        ("Rows checked", outcome.rows),
        ("Signed inspections", outcome.inspections),
        ("Head of the trail", outcome.head or "(the trail is empty)"),
    ]


def run_verify(args: argparse.Namespace) -> int:
    """Run `pitwise book verify`."""
    return _guarded(_verify, args)


def _verify(args: argparse.Namespace) -> int:
    database = book.open_book(_url(args))
    try:
        with _bars(args) as tell:
            outcome = book.verify_book(Shop(database), SYSTEM, progress=tell, head=args.head)
    finally:
        database.close()
    if args.json:
        _print_json(outcome.plain())
        return DONE if outcome.holds else FAILED
    _table(_head_rows(outcome))
    code = _told(outcome)
    if outcome.holds and outcome.head:
        print("Note the head somewhere else: 'verify --head' then shows a trail cut off later.")
    return code


def run_export(args: argparse.Namespace) -> int:
    """Run `pitwise book export`."""
    return _guarded(lambda a: _write(a, book.export_book), args)


def run_backup(args: argparse.Namespace) -> int:
    """Run `pitwise book backup`."""
    return _guarded(lambda a: _write(a, book.backup_book), args)


def _write(args: argparse.Namespace, work: Callable[..., book.ExportReport]) -> int:
    database = book.open_book(_url(args))
    try:
        with _bars(args) as tell:
            report = work(
                Shop(database), SYSTEM, args.file, overwrite=args.overwrite, progress=tell
            )
    finally:
        database.close()
    if args.json:
        _print_json(report.plain())
        return DONE
    rows: list[tuple[str, object]] = [
        ("File", report.path),
        ("Kind", "export" if report.kind == "export" else "SQLite copy"),
        ("Size", f"{report.bytes} bytes"),
        ("SHA-256", report.sha256),
        ("Rows", sum(report.rows.values())),
        ("Signed records", report.records),
        ("Head of the trail", report.head or "(the trail is empty)"),
    ]
    _table(rows)
    print("It holds password hashes: keep it as safe as the book.")
    return DONE


def run_restore(args: argparse.Namespace) -> int:
    """Run `pitwise book restore`."""
    return _guarded(_restore, args)


def _restore(args: argparse.Namespace) -> int:
    with _bars(args) as tell:
        report = book.restore_book(args.into or _url(args), args.file, progress=tell)
    outcome = report.verification
    if args.json:
        data: dict[str, Any] = report.plain()
        _print_json(data)
        return DONE if outcome.holds else FAILED
    _table(
        [
            ("Restored into", report.address),
            ("Rows", sum(report.rows.values())),
            *_head_rows(outcome),
        ]
    )
    return _told(outcome)
