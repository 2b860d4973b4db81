"""Serve a book with uvicorn, with the settings of `pitwise serve`: `... server URL PORT`."""

from __future__ import annotations

import sys

import uvicorn

from pitwise.services.shopfloor import open_book
from pitwise.web.app import create_app


def main(url: str, port: int) -> None:
    shop = open_book(url)
    try:
        uvicorn.run(
            create_app(shop),
            host="127.0.0.1",
            port=port,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            timeout_keep_alive=30,
        )
    finally:
        shop.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
