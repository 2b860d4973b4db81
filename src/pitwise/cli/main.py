"""The command line's entry: parse, run one command, give its exit code."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Sequence

from pitwise import __version__
from pitwise.cli import book, decide, program, serve, sheet, torch, watch
from pitwise.services.errors import BookError, ServiceError
from pitwise.trade import SheetError

DONE, NOT_DONE, BAD_INPUT = 0, 1, 2


def parser() -> argparse.ArgumentParser:
    """Make the parser of all commands."""
    top = argparse.ArgumentParser(
        prog="pitwise",
        description="Inspection, decisions and records for plasma torch wear parts.",
        epilog="Exit codes: 0 done, 1 the work could not be done, 2 bad input.",
    )
    top.add_argument("--version", action="version", version=f"pitwise {__version__}")
    top.add_argument(
        "--database",
        metavar="URL",
        help="the book's address (default: PITWISE_DATABASE_URL, else a file in your data folder)",
    )
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for room in (decide, program, sheet, torch, serve, book, watch):
        room.add_parser(commands)
    return top


def run(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    args = parser().parse_args(argv)
    try:
        return int(args.run(args))
    except (ServiceError, SheetError) as error:
        print(f"pitwise {args.command}: {error}", file=sys.stderr)
        return BAD_INPUT
    except BookError as error:
        print(f"pitwise {args.command}: {error}", file=sys.stderr)
        return NOT_DONE
    except KeyboardInterrupt:
        print(f"pitwise {args.command}: stopped", file=sys.stderr)
        return NOT_DONE


def entry() -> None:
    """Run as a program; a reader that closes the pipe early is no fault."""
    try:
        code = run()
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = NOT_DONE
    sys.exit(code)
