"""A process that serves books on free loopback ports; see kit_browser.

Importing the web application takes seconds, a fork of a process that has done so none: each
line ``start<TAB>url<TAB>moment`` on standard input forks a server and answers with its port and
process id, each ``stop<TAB>pid`` ends one and answers with ``stopped``.
"""

from __future__ import annotations

import datetime as dt
import os
import signal
import socket
import sys

import uvicorn

from pitwise.records.database import Database
from pitwise.services.shopfloor import Shop
from pitwise.web.app import create_app


def serve(place: socket.socket, url: str, start: str) -> None:
    # The furnished book is dated ahead of today: go on from its own day.
    ahead = dt.datetime.fromisoformat(start) - dt.datetime.now(dt.UTC)
    shop = Shop(Database(url), lambda: dt.datetime.now(dt.UTC) + ahead)
    shop.prepare()
    config = uvicorn.Config(create_app(shop), log_level="warning", access_log=False)
    uvicorn.Server(config).run(sockets=[place])


def start(url: str, moment: str) -> str:
    place = socket.create_server(("127.0.0.1", 0))
    port = place.getsockname()[1]
    child = os.fork()
    if child == 0:
        # The orders are the parent's to read.
        os.close(0)
        code = 1
        try:
            serve(place, url, moment)
            code = 0
        finally:
            sys.stderr.flush()
            os._exit(code)
    place.close()
    return f"{port}\t{child}"


def stop(child: str) -> str:
    os.kill(int(child), signal.SIGTERM)
    os.waitpid(int(child), 0)
    return "stopped"


def main() -> None:
    for line in sys.stdin:
        order, *rest = line.rstrip("\n").split("\t")
        print(start(*rest) if order == "start" else stop(*rest), flush=True)


if __name__ == "__main__":
    main()
