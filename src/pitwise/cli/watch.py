"""`pitwise watch`: bring new program and CSV files of a folder into the book, as they come."""

from __future__ import annotations

import argparse
import errno
import json
import os
import signal
import stat
import sys
import threading
import unicodedata
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import FrameType
from typing import Any

from pitwise.cli.common import open_shop, progress_bar
from pitwise.services import setup
from pitwise.services.errors import BookError, NotFoundError, NotYetError, ServiceError
from pitwise.services.file_text import clean_name
from pitwise.services.imports import LARGEST_FILE, import_file
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop
from pitwise.services.zone import named_zone

DONE, NOT_DONE, BAD_INPUT = 0, 1, 2
# Endings under which other software keeps files that are not whole yet.
_UNFINISHED = (".part", ".partial", ".tmp", ".temp", ".crdownload", ".swp", "~")
_SHORTEST, _LONGEST = 0.1, 3600.0
# A file that could not be taken is tried again after 1, 2, 4 … looks, and at least so often.
_MOST_LOOKS = 64
# Neither led elsewhere by a link nor held up by a pipe that took the file's place meanwhile.
_OPEN = (
    os.O_RDONLY
    | getattr(os, "O_NOFOLLOW", 0)
    | getattr(os, "O_NONBLOCK", 0)
    | getattr(os, "O_BINARY", 0)
)
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


@dataclass(frozen=True)
class _Put:
    """A file put off: it was not taken, and is tried again."""

    signature: Signature
    message: str
    tries: int
    looks: int


@dataclass
class _Watch:
    """What is known of the folder's files.

    `seen` is each file's size and time at the last look: a file that is the same at two
    looks has stopped growing. `dealt` is what it was when it was imported or refused: until
    that changes it is left alone. `put` holds those that could not be taken.
    """

    folder: Path
    only: tuple[str, ...]
    seen: dict[str, Signature] = field(default_factory=dict)
    dealt: dict[str, Signature] = field(default_factory=dict)
    put: dict[str, _Put] = field(default_factory=dict)
    refused: int = 0
    gone: bool = False

    def look(self) -> list[tuple[Path, Signature]]:
        """Return the files that have stopped growing and are not dealt with, oldest first."""
        now = dict(self._files())
        self.put = {n: p for n, p in self.put.items() if now.get(n) == p.signature}
        ready = [
            (self.folder / name, signature)
            for name, signature in now.items()
            if self.seen.get(name) == signature
            and self.dealt.get(name) != signature
            and self._due(name)
        ]
        self.seen = now
        self.dealt = {n: s for n, s in self.dealt.items() if n in now}
        return sorted(ready, key=lambda found: (found[1][1], found[0].name))

    def _due(self, name: str) -> bool:
        put = self.put.get(name)
        if put is None or put.looks <= 1:
            return True
        self.put[name] = replace(put, looks=put.looks - 1)
        return False

    def put_off(self, name: str, signature: Signature, message: str) -> bool:
        """Keep a file for a later look; tells whether that is news."""
        before = self.put.get(name)
        tries = before.tries + 1 if before else 1
        looks = min(2 ** (tries - 1), _MOST_LOOKS)
        self.put[name] = _Put(signature, message, tries, looks)
        return before is None or before.message != message

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
        raise NotFoundError(
            _printable(str(args.folder)), "there is no such folder", "check its name"
        )
    watch = _Watch(args.folder, _endings(args.only))
    # A zone that is no zone is told now, not at the first use file.
    named_zone()
    shop = open_shop(args, make=True)
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
        growing = 0
        if not stop.is_set():
            ready = _look(watch)
            growing = len(watch.seen) - len(ready)
            _take(shop, watch, ready, args, station_id, stop)
        if stop.is_set():
            print("pitwise watch: stopped", file=sys.stderr)
            return NOT_DONE
        if growing:
            print(f"{growing} still growing: left for the next time", file=sys.stderr)
        if watch.put:
            print(f"{len(watch.put)} not taken: left for the next time", file=sys.stderr)
        if watch.refused:
            return BAD_INPUT
        return NOT_DONE if growing or watch.put or watch.gone else DONE
    folder = _printable(str(watch.folder))
    print(f"Watching {folder} (end with Ctrl-C)", file=sys.stderr, flush=True)
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
                f"{_printable(str(watch.folder))}: can't be read now ({error.strerror}); "
                "trying again",
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
    with progress_bar("Importing", quiet=args.quiet) as tell:
        for path, signature in ready:
            if stop.is_set():
                return
            row = _one(shop, path, signature, station_id)
            done += signature[0]
            tell(done / total)
            later = row.pop("later", False)
            news = True
            if later:
                news = watch.put_off(path.name, signature, row["message"])
            else:
                watch.dealt[path.name] = signature
                watch.put.pop(path.name, None)
            watch.refused += row["outcome"] == "refused" and (news or not later)
            if news:
                _tell(row, as_json=args.json)


def _read(path: Path, signature: Signature) -> bytes | None:
    """Return a file's bytes; None when it is not, or no longer, what was looked at."""
    try:
        number = os.open(path, _OPEN)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.EMLINK):
            return None
        raise
    with open(number, "rb") as file:  # noqa: PTH123 -- a descriptor has no path
        facts = os.fstat(number)
        if not stat.S_ISREG(facts.st_mode) or (facts.st_size, facts.st_mtime_ns) != signature:
            return None
        data = file.read(LARGEST_FILE + 1)
        facts = os.fstat(number)
    if (facts.st_size, facts.st_mtime_ns) != signature or len(data) != signature[0]:
        return None
    return data


def _one(shop: Shop, path: Path, signature: Signature, station_id: int | None) -> dict[str, Any]:
    """Import one file; what became of it as plain data, ``later`` when it is to be tried again."""
    name = clean_name(path.name)
    left = {"file": name, "outcome": "left", "later": True}
    try:
        if signature[0] > LARGEST_FILE:
            raise ServiceError(
                name,
                f"is larger than {LARGEST_FILE >> 20} MB",
                "give one program for each plate",
            )
        data = _read(path, signature)
        if data is None:
            return left | {"message": "changed while it was read; trying again"}
        outcome = import_file(
            shop, SYSTEM, name, data, way="watch", station_id=station_id, zone=named_zone()
        )
    except ServiceError as error:
        return {
            "file": name,
            "outcome": "refused",
            # What is still to come is not, later on.
            "later": isinstance(error, NotYetError),
            "place": error.place,
            "problem": error.problem,
            "mend": error.mend,
            "message": str(error),
        }
    except BookError as error:
        return left | {"message": str(error)}
    except OSError as error:
        reason = error.strerror or type(error).__name__
        return left | {"message": f"can't be read now ({reason}); trying again"}
    return {"file": name, **outcome.plain()}


def _printable(text: str) -> str:
    """Return text with what a terminal would obey, or can't show, as escapes."""
    return "".join(_escaped(c) if unicodedata.category(c)[0] == "C" else c for c in text)


def _escaped(c: str) -> str:
    # Surrogate pairs keep it JSON beyond the first plane.
    return "".join(f"\\u{int.from_bytes(p):04x}" for p in _units(c))


def _units(c: str) -> list[bytes]:
    units = c.encode("utf-16-be", "surrogatepass")
    return [units[n : n + 2] for n in range(0, len(units), 2)]


def _say(line: str) -> None:
    text = _printable(line)
    encoding = sys.stdout.encoding or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        # Also of JSON, whose strings read these escapes.
        text = "".join(c if c.isascii() else _escaped(c) for c in text)
    print(text, flush=True)


def _tell(row: dict[str, Any], *, as_json: bool) -> None:
    if as_json:
        _say(json.dumps(row, ensure_ascii=False))
        return
    words = {"new": "NEW", "already": "ALREADY", "refused": "REFUSED", "left": "LEFT"}
    name = "" if row["outcome"] == "refused" else f"{row['file']}: "
    _say(f"{words[row['outcome']]:<9}{name}{row['message']}")
    for warning in row.get("warnings", ())[:20]:
        _say(f"          {warning}")
    more = len(row.get("warnings", ())) - 20
    if more > 0:
        _say(f"          and {more} more warnings")
