"""Run a piece of work in a process of its own, and kill it in the middle.

The process is forked from a server that has imported everything already: starting Python anew
took most of the time of such a test.
"""

from __future__ import annotations

import functools
import multiprocessing
import os
import sys
import time
from collections.abc import Callable
from multiprocessing import forkserver
from multiprocessing.connection import Connection

_context = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload(["importer", "shelf_mover", "signer"])


@functools.cache
def _start_server() -> None:
    # The server looks for what it is to import along PYTHONPATH only, not along our path.
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = os.pathsep.join(p for p in sys.path if p)
    try:
        forkserver.ensure_running()
    finally:
        del os.environ["PYTHONPATH"]
        if before is not None:
            os.environ["PYTHONPATH"] = before


def _work(says: Connection, work: Callable[..., None], given: tuple[object, ...]) -> None:
    os.dup2(says.fileno(), 1)
    work(*given)


def run_and_kill(work: Callable[..., None], *given: object, wait: float) -> list[str]:
    """Return the lines that `work` printed until it was killed, `wait` seconds after the first.

    Parameters
    ----------
    work : callable
        Prints what it has acknowledged, each line at once; goes on until it is killed.
    given : str, int
        Its arguments.
    wait : float
        Counted from the first line, so that the moment falls anywhere in the work.
    """
    _start_server()
    hears, says = _context.Pipe(duplex=False)
    process = _context.Process(target=_work, args=(says, work, given))
    process.start()
    says.close()
    with os.fdopen(os.dup(hears.fileno()), encoding="utf-8") as out:
        hears.close()
        lines = [out.readline()]
        time.sleep(wait)
        process.kill()
        lines += out.readlines()
    process.join()
    process.close()
    # What the kill cut off was not said.
    return [line.strip() for line in lines if line.endswith("\n")]
