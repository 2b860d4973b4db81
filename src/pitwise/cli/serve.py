"""`pitwise serve` and `pitwise demo`: the working tool in a browser."""

from __future__ import annotations

import argparse
import datetime as dt
import os
import secrets
import sqlite3
import sys
import threading
from contextlib import closing
from pathlib import Path
from types import FrameType

import uvicorn
from sqlalchemy.exc import DatabaseError

from pitwise.cli.common import open_shop, progress_bar
from pitwise.demo.scenario import PASSWORD, fill
from pitwise.services import people
from pitwise.services.errors import BookError, ServiceError
from pitwise.services.shopfloor import Shop, open_book
from pitwise.web.app import LOOPBACK_HOSTS, create_app
from pitwise.web.render import TimezoneError, shop_zone

# What is under way when the server is stopped may finish for so long, then it is dropped.
GRACE_SECONDS = 10
_AFTER_GRACE_SECONDS = 2
_LOOPBACK = {"127.0.0.1", "localhost", "::1"}


def add_parser(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Add both commands."""
    own = commands.add_parser("serve", help="open the book's pages to browsers")
    own.add_argument("--sheet", action="append", metavar="TOML", help="a shop's own trade sheet")
    _network(own)
    own.set_defaults(run=run_serve)
    demo = commands.add_parser("demo", help="open a made-up shop with a year of inspections")
    demo.add_argument("--file", type=Path, help="where the demo book lies")
    demo.add_argument("--fresh", action="store_true", help="make the demo book anew")
    demo.add_argument("--days", type=int, default=365, help="length of the made-up time")
    demo.add_argument("--seed", type=int, default=2026, help="seed of the simulator")
    demo.add_argument("--no-serve", action="store_true", help="make the book only")
    _network(demo)
    demo.set_defaults(run=run_demo)


def _network(own: argparse.ArgumentParser) -> None:
    own.add_argument("--host", default="127.0.0.1", help="address to bind (default: loopback)")
    own.add_argument("--port", type=int, default=8470)
    own.add_argument(
        "--allow-host",
        action="append",
        default=[],
        metavar="NAME",
        help="a host name browsers may use to reach this; needed when not on loopback",
    )


class _Server(uvicorn.Server):
    """A server that is gone soon after it was told to stop, whatever its threads are doing."""

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Begin to stop; a thread that counts a large file can't be interrupted from outside."""
        first = not self.should_exit
        super().handle_exit(sig, frame)
        if first:
            last = threading.Timer(GRACE_SECONDS + _AFTER_GRACE_SECONDS, _drop_the_rest)
            last.daemon = True
            last.start()


def _drop_the_rest() -> None:
    # What the book was given is in it, or leaves no trace: its writes are transactions.
    print(
        "pitwise serve: stopped before everything under way was done; nothing was half-written",
        file=sys.stderr,
        flush=True,
    )
    os._exit(1)


def _serve(shop: Shop, args: argparse.Namespace) -> int:
    try:
        shop_zone()
    except TimezoneError as error:
        raise ServiceError("PITWISE_TIMEZONE", str(error), "correct or unset it") from error
    if not 1 <= args.port <= 65535:
        raise ServiceError("--port", f"{args.port} is no port", "give 1 to 65535")
    if args.host not in _LOOPBACK and not args.allow_host:
        raise ServiceError(
            "--host",
            f"'{args.host}' opens the book to the network",
            "name the host names browsers will use with --allow-host NAME",
        )
    code = None
    if not people.has_people(shop):
        code = secrets.token_hex(4)
        print(f"This book has no people yet. Code for the first account: {code}", flush=True)
    hosts = [*LOOPBACK_HOSTS, *args.allow_host]
    app = create_app(shop, hosts=hosts, first_code=code)
    shown = "127.0.0.1" if args.host in _LOOPBACK else args.allow_host[0]
    print(f"Pitwise is at http://{shown}:{args.port}/ (end with Ctrl-C)", flush=True)
    config = uvicorn.Config(
        app,
        host=args.host,
        port=args.port,
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=30,
        timeout_graceful_shutdown=GRACE_SECONDS,
    )
    server = _Server(config)
    try:
        server.run()
    except SystemExit as stop:
        # uvicorn has logged why (address in use); give the exit code of the contract.
        raise ServiceError(
            "--port", f"{args.port} can't be opened", "choose another with --port"
        ) from stop
    finally:
        shop.close()
    return 0 if server.started else 1


def run_serve(args: argparse.Namespace) -> int:
    """Serve the book."""
    return _serve(open_shop(args, make=True), args)


def _demo_file(args: argparse.Namespace) -> Path:
    if args.file is not None:
        return Path(args.file)
    home = os.environ.get("PITWISE_HOME")
    data = os.environ.get("XDG_DATA_HOME") or str(Path.home() / ".local" / "share")
    return (Path(home) if home else Path(data) / "pitwise") / "demo.db"


def make_demo(file: Path, *, days: int, seed: int, quiet: bool = False) -> None:
    """Make a demo book: built aside, moved into place when whole."""
    if not 1 <= days <= 3650:
        raise ServiceError("--days", f"{days} is out of range", "give 1 to 3650")
    file.parent.mkdir(parents=True, exist_ok=True)
    part = file.with_name(f"{file.name}.{secrets.token_hex(4)}.part")
    shop = open_book(f"sqlite:///{part}", durable=False)
    try:
        shop.prepare(demo=True)
        until = dt.datetime.now(dt.UTC).replace(minute=0, second=0, microsecond=0)
        with progress_bar("Making the demo book", quiet=quiet) as report:
            fill(shop, seed=seed, until=until, days=days, progress=report)
        shop.close()
        _settle(part)
        for tail in ("-wal", "-shm"):
            file.with_name(file.name + tail).unlink(missing_ok=True)
        part.replace(file)
    finally:
        shop.close()
        for tail in ("", "-wal", "-shm"):
            part.with_name(part.name + tail).unlink(missing_ok=True)


def _settle(file: Path) -> None:
    """Put a finished book's last pages into its one file and onto the disk."""
    with closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with file.open("rb") as handle:
        os.fsync(handle.fileno())


def run_demo(args: argparse.Namespace) -> int:
    """Make the demo book if it is not there, then serve it."""
    if args.database:
        raise ServiceError("--database", "the demo has its own book", "use --file, or none")
    file = _demo_file(args)
    if args.fresh or not file.exists():
        print("Making the demo book: a made-up shop, a seeded simulator …", file=sys.stderr)
        make_demo(file, days=args.days, seed=args.seed)
    shop = open_book(f"sqlite:///{file}")
    if not _is_demo(shop):
        raise BookError(f"{file} is not a demo book: choose another place with --file")
    shop.prepare()
    print(f"Demo book: {file}\nSign in as odile, tamsin or bertil; password: {PASSWORD}")
    return 0 if args.no_serve else _serve(shop, args)


def _is_demo(shop: Shop) -> bool:
    try:
        return shop.is_demo()
    except DatabaseError:
        return False
