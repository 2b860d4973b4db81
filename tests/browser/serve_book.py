"""A process that serves a book on a free loopback port and prints the port; see kit_browser."""

from __future__ import annotations

import datetime as dt
import socket
import sys

import uvicorn

from pitwise.records.database import Database
from pitwise.services.shopfloor import Shop
from pitwise.web.app import create_app


def main(url: str, start: str) -> None:
    # The furnished book is dated ahead of today: go on from its own day.
    ahead = dt.datetime.fromisoformat(start) - dt.datetime.now(dt.UTC)
    shop = Shop(Database(url), lambda: dt.datetime.now(dt.UTC) + ahead)
    shop.prepare()
    place = socket.create_server(("127.0.0.1", 0))
    print(place.getsockname()[1], flush=True)
    config = uvicorn.Config(create_app(shop), log_level="warning", access_log=False)
    uvicorn.Server(config).run(sockets=[place])


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
