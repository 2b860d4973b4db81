"""The command line's entry: parse, run one command, give its exit code."""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence

from pitwise import __version__
from pitwise.services.errors import BookError, ServiceError
from pitwise.trade import SheetError

DONE, NOT_DONE, BAD_INPUT = 0, 1, 2

# Which module adds which commands, in the order help lists them.
_ROOMS = {
    "decide": ("decide",),
    "causes": ("causes",),
    "wear": ("wear",),
    "replace_at": ("replace-at",),
    "life": ("life",),
    "lives": ("lives",),
    "program": ("program",),
    "outlook": ("outlook",),
    "circle": ("circle",),
    "gauge": ("gauge", "agreement"),
    "photo": ("photo",),
    "sheet": ("sheet",),
    "torch": ("torch",),
    "serve": ("serve", "demo"),
    "watch": ("watch",),
    "money": ("money", "month"),
    "book": ("book",),
    "shelf": ("shelf",),
}


def parser(only: str | None = None) -> argparse.ArgumentParser:
    """Make the parser of all commands, or of the one called `only`.

    Web server, database and optimiser take longer to import than most commands to run, so
    a command loads its own module alone.
    """
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
    mine = [room for room, commands_of in _ROOMS.items() if only in commands_of]
    for room in mine or ([] if only == "--version" else _ROOMS):
        importlib.import_module(f"pitwise.cli.{room}").add_parser(commands)
    return top


def _called(words: Sequence[str]) -> str | None:
    """Return the command among the words, if one is plainly there."""
    if "--version" in words:
        return "--version"
    after = list(words)
    while after and after[0].startswith("-"):
        # The one option before a command that takes a value.
        del after[: 2 if after[0] == "--database" else 1]
    return after[0] if after else None


def run(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    args = parser(_called(words)).parse_args(words)
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
