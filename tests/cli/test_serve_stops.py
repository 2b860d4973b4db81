"""`pitwise serve` ends when it is told to, also while a thread is counting; the book is whole."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress

import httpx
import pytest

from kit import PASSWORD, Floor
from pitwise.services import book, programs
from pitwise.services.people import SYSTEM

# The reader and the writer are held up for far longer than the test waits.
_HELD_UP = """
import time
from pitwise.cli import serve
from pitwise.services import imports, program_counts
serve.GRACE_SECONDS = 1
right = program_counts.read_program

def slow(lines, settings):
    text = list(lines)
    if any("COUNT" in x for x in text):
        time.sleep(120)
    return right(text, settings)

program_counts.read_program = slow
insert = imports._insert

def slow_insert(session, table, rows):
    insert(session, table, rows)
    if any(r.get("name") == "write.nc" for r in rows):
        time.sleep(120)

imports._insert = slow_insert
from pitwise.cli.main import entry
entry()
"""


@contextmanager
def serving(floor: Floor, port: int) -> Iterator[subprocess.Popen[str]]:
    url = floor.shop.database.url.render_as_string(hide_password=False)
    command = [sys.executable, "-c", _HELD_UP, "--database", url, "serve", "--port", str(port)]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            yield process
        finally:
            if process.poll() is None:
                process.kill()


@pytest.mark.parametrize(
    ("number", "busy"),
    [
        (signal.SIGTERM, ""),
        (signal.SIGTERM, "count.nc"),
        (signal.SIGINT, "count.nc"),
        (signal.SIGTERM, "write.nc"),
    ],
)
def test_it_ends_soon_and_leaves_the_book_whole(
    lite: Floor, number: signal.Signals, busy: str
) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    base = f"http://127.0.0.1:{port}"
    with (
        serving(lite, port) as process,
        httpx.Client(base_url=base, headers={"Origin": base}, timeout=60) as client,
    ):
        assert process.stdout is not None
        assert "Pitwise is at" in process.stdout.readline()
        for _ in range(100):
            with suppress(httpx.ConnectError):
                client.get("/sign-in")
                break
            time.sleep(0.1)
        client.post("/sign-in", data={"login": "tom", "password": PASSWORD})

        def send() -> None:
            data = b"G21\nM3\nG1 X1 F100\nM5\n(COUNT)\n"
            if busy == "write.nc":
                data = data.replace(b"COUNT", b"WRITE")
            with suppress(httpx.HTTPError):
                client.post("/programs/import", files=[("files", (busy, data, "text/plain"))])

        sender = threading.Thread(target=send)
        if busy:
            sender.start()
            time.sleep(1.5)
        since = time.monotonic()
        process.send_signal(number)
        _, err = process.communicate(timeout=30)
        took = time.monotonic() - since
        if busy:
            sender.join()
    assert took < 8
    assert "Traceback" not in err.split("Cancel 1 running task(s)")[0]
    assert ("nothing was half-written" in err) == (bool(busy) and process.returncode == 1)
    assert process.returncode != 0 or not busy
    assert programs.programs(lite.shop, SYSTEM).total == 0
    assert book.verify_book(lite.shop, SYSTEM).faults == ()
