"""A touch on the bench over HTTP: twenty tablets at once, beside one tablet alone."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, closing, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

from benchmarks.floor import PASSWORD, furnish, open_inspection
from benchmarks.result import Result, Spread, percentile

TABLETS = 20
ROUNDS = 4
ALONE = 40
EACH = 8
WARM_UP = 5
STOP_AFTER_S = 40.0
STARTUP_S = 15.0


@dataclass(frozen=True)
class Tablet:
    """One signed-in client with an inspection of its own."""

    client: httpx.Client
    inspection: int

    def touch(self, turn: int) -> float:
        """Set one finding; gives the seconds until the answer was read."""
        form = {
            "part": "nozzle",
            "finding": "scale",
            "state": "seen" if turn % 2 else "absent",
        }
        start = time.perf_counter()
        answer = self.client.post(f"/bench/{self.inspection}/mark", data=form)
        taken = time.perf_counter() - start
        if answer.status_code != 200:
            raise RuntimeError(f"a touch was refused: {answer.status_code} {answer.text[:200]}")
        return taken


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@contextmanager
def _server(url: str, log: Path) -> Iterator[str]:
    """Serve the book with uvicorn, as `pitwise serve` does, in a process of its own."""
    port = _free_port()
    address = f"http://127.0.0.1:{port}"
    command = [sys.executable, "-m", "benchmarks.server", url, str(port)]
    with log.open("wb") as out, subprocess.Popen(command, stdout=out, stderr=out) as process:
        try:
            end = time.monotonic() + STARTUP_S
            while True:
                try:
                    httpx.get(f"{address}/health").raise_for_status()
                    break
                except httpx.TransportError as error:
                    if process.poll() is not None or time.monotonic() > end:
                        raise RuntimeError(f"no server: {log.read_text()[-2000:]}") from error
                    time.sleep(0.1)
            yield address
        finally:
            process.terminate()
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()


def _signed_in(address: str, login: str) -> httpx.Client:
    headers = {"Origin": address, "HX-Request": "true"}
    client = httpx.Client(base_url=address, headers=headers, timeout=30)
    form = {"login": login, "password": PASSWORD, "next": "/torches"}
    answer = client.post("/sign-in", data=form)
    if answer.status_code != 303:
        client.close()
        raise RuntimeError(f"{login} could not sign in: {answer.status_code}")
    return client


def _all_at_once(tablets: list[Tablet], pool: ThreadPoolExecutor) -> list[float]:
    gate = threading.Barrier(len(tablets))

    def work(tablet: Tablet) -> list[float]:
        gate.wait(30)
        return [tablet.touch(turn) for turn in range(EACH)]

    return [x for times in pool.map(work, tablets) for x in times]


def _times(seconds: list[float]) -> str:
    middle, late = (1e3 * percentile(seconds, p) for p in (50, 95))
    return f"p50 {middle:.1f}  p95 {late:.1f}  ({len(seconds)} touches)"


def run(folder: Path) -> Result:
    floor = furnish(folder, technicians=TABLETS, torches=TABLETS)
    drafts = [
        open_inspection(floor, actor, torch)
        for (_, actor), torch in zip(floor.technicians, floor.torches, strict=True)
    ]
    floor.shop.close()
    alone: list[float] = []
    crowd: list[float] = []
    ratios: list[float] = []
    rates: list[float] = []
    with ExitStack() as stack:
        address = stack.enter_context(_server(floor.url, folder / "server.log"))
        pool = stack.enter_context(ThreadPoolExecutor(TABLETS))
        tablets = [
            Tablet(stack.enter_context(closing(_signed_in(address, login))), number)
            for (login, _), number in zip(floor.technicians, drafts, strict=True)
        ]
        for tablet in tablets:
            for turn in range(WARM_UP):
                tablet.touch(turn)
        end = time.monotonic() + STOP_AFTER_S
        while len(ratios) < ROUNDS and (len(ratios) < 2 or time.monotonic() < end):
            one = [tablets[0].touch(turn) for turn in range(ALONE)]
            start = time.perf_counter()
            many = _all_at_once(tablets, pool)
            rates.append(len(many) / (time.perf_counter() - start))
            alone += one
            crowd += many
            ratios.append(percentile(many, 95) / percentile(one, 95))
    rate = Spread.of(rates)
    raw = {
        f"{who}_p{p}_ms": 1e3 * percentile(times, p)
        for who, times in (("crowd", crowd), ("alone", alone))
        for p in (50, 95)
    }
    return Result(
        "bench_touch",
        f"POST /bench/N/mark, {TABLETS} tablets at once without a pause: p95",
        "the same request from one tablet alone: p95",
        Spread.of(ratios),
        figures={
            f"{TABLETS} tablets, ms": _times(crowd),
            "one tablet, ms": _times(alone),
            "touches a second": f"{rate.median:.0f}  (with {TABLETS} tablets)",
        },
        raw={**raw, "touches_per_second": rate.median},
    )
