"""`pitwise watch`: bring new program and CSV files of a folder into the book, as they come."""

from __future__ import annotations

import argparse
import json
import os
import signal
import stat
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from rich.console import Console

from pitwise.cli.common import open_shop, progress_bar
from pitwise.services import setup
from pitwise.services.errors import BookBusyError, NotFoundError, ServiceError
from pitwise.services.imports import LARGEST_FILE, import_file
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop
from pitwise.services.zone import named_zone

DONE, NOT_DONE, BAD_INPUT = 0, 1, 2
# Endings under which other software keeps files that are not whole yet.
_UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".swp", "~")
_SHORTEST, _LONGEST = 0.1, 3600.0
Signature = tuple[int, int]


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add the command."""
    own = commands.add_parser(
        "watch", help="bring new program and CSV files of a folder into the book"
    )
    own.add_argument("folder", type=Path, metavar="FOLDER", help="is read, never altered")
    own.add_argument("--once", action="store_true", help="take what is there, then end")
    own.add_argument(
        "--every", type=float, default=5.0, metavar="SECONDS", help="between looks (default: 5)"
    )
    own.add_argument("--station", metavar="NAME", help="whose settings programs are counted with")
    own.add_argument(
        "--only",
        action="append",
        metavar="ENDING",
        help="take files of this ending only, such as .nc; may be given more than once",
    )
    own.add_argument("--json", action="store_true", help="print a line of JSON for each file")
    own.add_argument("--quiet", action="store_true", help="show no progress")
    own.set_defaults(run=run)


@dataclass
class _Watch:
    """What is known of the folder's files.

    `seen` is each file's size and time at the last look: a file that is the same at two
    looks has stopped growing. `dealt` is what it was when it was imported or refused: until
    that changes it is left alone.
    """

    folder: Path
    only: tuple[str, ...]
    seen: dict[str, Signature] = field(default_factory=dict)
    dealt: dict[str, Signature] = field(default_factory=dict)
    refused: int = 0
    gone: bool = False

    def look(self) -> list[tuple[Path, Signature]]:
        """Return the files that have stopped growing and are not dealt with, oldest first."""
        now = dict(self._files())
        ready = [
            (self.folder / name, signature)
            for name, signature in now.items()
            if self.seen.get(name) == signature and self.dealt.get(name) != signature
        ]
        self.seen = now
        self.dealt = {n: s for n, s in self.dealt.items() if n in now}
        return sorted(ready, key=lambda found: (found[1][1], found[0].name))

    def _files(self) -> Iterator[tuple[str, Signature]]:
        with os.scandir(self.folder) as entries:
            for entry in entries:
                name = entry.name
                if name.startswith(".") or name.casefold().endswith(_UNFINISHED):
                    continue
                if self.only and not name.casefold().endswith(self.only):
                    continue
                try:
                    # A link may lead anywhere: only what lies in the folder itself is taken.
                    facts = entry.stat(follow_symlinks=False)
                except FileNotFoundError:
                    # Moved away between being listed and being looked at.
                    continue
                if stat.S_ISREG(facts.st_mode):
                    yield name, (facts.st_size, facts.st_mtime_ns)


def _endings(given: list[str] | None) -> tuple[str, ...]:
    out = []
    for ending in given or ():
        text = ending.strip().casefold()
        if not text.strip("."):
            raise ServiceError("--only", f"'{ending}' is no ending", "write it as .nc")
        out.append(text if text.startswith(".") else f".{text}")
    return tuple(out)


def _station(shop: Shop, name: str | None) -> int | None:
    """Return the station by name; without one, the only station there is."""
    stations = setup.shop_list(shop, SYSTEM).stations
    if name is None:
        return stations[0].id if len(stations) == 1 else None
    for station in stations:
        if station.name.casefold() == name.casefold():
            return station.id
    names = ", ".join(s.name for s in stations) or "none"
    raise NotFoundError("--station", f"there is no station '{name}'", f"the book has: {names}")


@contextmanager
def _stopped_by_signals() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C and a service manager's stop set: the file in hand is finished."""
    stop = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield stop
        return

    def on_signal(_number: int, _frame: FrameType | None) -> None:
        stop.set()

    before = {n: signal.signal(n, on_signal) for n in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run(args: argparse.Namespace) -> int:
    """Watch a folder until stopped, or look once."""
    if not _SHORTEST <= args.every <= _LONGEST:
        raise ServiceError(
            "--every", f"{args.every:g} s is out of range", f"give {_SHORTEST} to {_LONGEST:g} s"
        )
    if not args.folder.is_dir():
        raise NotFoundError(str(args.folder), "there is no such folder", "check its name")
    watch = _Watch(args.folder, _endings(args.only))
    # A zone that is no zone is told now, not at the first use file.
    named_zone()
    shop = open_shop(args)
    try:
        station_id = _station(shop, args.station)
        with _stopped_by_signals() as stop:
            return _watch(shop, watch, args, station_id, stop)
    finally:
        shop.close()


def _watch(
    shop: Shop,
    watch: _Watch,
    args: argparse.Namespace,
    station_id: int | None,
    stop: threading.Event,
) -> int:
    _look(watch)
    if args.once:
        # Two looks tell whether a file still grows; they need not be far apart.
        stop.wait(min(args.every, 1.0))
        left = 0
        if not stop.is_set():
            ready = watch.look()
            left = len(watch.seen) - len(ready)
            _take(shop, watch, ready, args, station_id, stop)
        if stop.is_set():
            print("pitwise watch: stopped", file=sys.stderr)
            return NOT_DONE
        if left:
            print(f"{left} still growing: left for the next time", file=sys.stderr)
        return BAD_INPUT if watch.refused else DONE
    print(f"Watching {watch.folder} (end with Ctrl-C)", file=sys.stderr, flush=True)
    while not stop.wait(args.every):
        _take(shop, watch, _look(watch), args, station_id, stop)
    print("pitwise watch: stopped", file=sys.stderr)
    return DONE


def _look(watch: _Watch) -> list[tuple[Path, Signature]]:
    """Look, and bear with a folder that is away for a while, such as a network share."""
    try:
        ready = watch.look()
    except OSError as error:
        if not watch.gone:
            print(
                f"{watch.folder}: can't be read now ({error.strerror}); trying again",
                file=sys.stderr,
            )
        watch.gone = True
        return []
    watch.gone = False
    return ready


def _take(
    shop: Shop,
    watch: _Watch,
    ready: list[tuple[Path, Signature]],
    args: argparse.Namespace,
    station_id: int | None,
    stop: threading.Event,
) -> None:
    if not ready:
        return
    total = sum(signature[0] for _, signature in ready) or 1
    done = 0
    console = Console(stderr=True)
    with progress_bar("Importing", quiet=args.quiet) as tell:
        for path, signature in ready:
            if stop.is_set():
                return
            row = _one(shop, path, signature, station_id)
            done += signature[0]
            tell(done / total)
            if row.pop("later", False):
                # Not dealt with: the next look takes it again.
                console.print(f"{path.name}: {row['message']}", markup=False, highlight=False)
                continue
            watch.dealt[path.name] = signature
            watch.refused += row["outcome"] == "refused"
            _tell(row, as_json=args.json)


def _one(shop: Shop, path: Path, signature: Signature, station_id: int | None) -> dict[str, Any]:
    """Import one file; what became of it as plain data."""
    try:
        if signature[0] > LARGEST_FILE:
            raise ServiceError(
                path.name,
                f"is larger than {LARGEST_FILE >> 20} MB",
                "give one program for each plate",
            )
        with path.open("rb") as file:
            data = file.read(LARGEST_FILE + 1)
            facts = os.fstat(file.fileno())
        if (facts.st_size, facts.st_mtime_ns) != signature or len(data) != signature[0]:
            return {"later": True, "message": "changed while it was read; trying again"}
        outcome = import_file(
            shop,
            SYSTEM,
            path.name,
            data,
            way="watch",
            station_id=station_id,
            zone=named_zone(),
        )
    except ServiceError as error:
        return {
            "file": path.name,
            "outcome": "refused",
            "place": error.place,
            "problem": error.problem,
            "mend": error.mend,
            "message": str(error),
        }
    except BookBusyError as error:
        return {"later": True, "message": str(error)}
    except OSError as error:
        return {"later": True, "message": f"can't be read now ({error.strerror}); trying again"}
    return {"file": path.name, **outcome.plain()}


def _tell(row: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(row, ensure_ascii=False), flush=True)
        return
    words = {"new": "NEW     ", "already": "ALREADY ", "refused": "REFUSED "}[row["outcome"]]
    name = "" if row["outcome"] == "refused" else f"{row['file']}: "
    print(f"{words} {name}{row['message']}", flush=True)
    for warning in row.get("warnings", ())[:20]:
        print(f"          {warning}", flush=True)
    more = len(row.get("warnings", ())) - 20
    if more > 0:
        print(f"          and {more} more warnings", flush=True)
