"""Run a piece of work on a hostile file in a process of its own, under limits.

The process has little memory, time, file size and few open files, knows nothing of the book
(no address of it in its environment), works in a private folder that is gone afterwards, and
is killed with its children when its time is over. It can still read what this user can read:
it is a fence against a decoder that goes astray, not a prison.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import signal
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pitwise.services.errors import BookError, ServiceError
from pitwise.services.photofile.limits import (
    TURN_S,
    WORKER_CPU_S,
    WORKER_FILE,
    WORKER_MEMORY,
    WORKER_WALL_S,
    WORKERS,
)

_turns = threading.BoundedSemaphore(WORKERS)
_log = logging.getLogger(__name__)
ANSWER, _ERRORS = "answer.json", "errors.txt"
_LOGGED = 2000
_LONGEST_ANSWER = 16 << 20
# One thread each: the libraries would take one for every core, and stacks count as memory.
_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1",
    "OMP_NUM_THREADS": "1",
    "LANG": "C.UTF-8",
    "PATH": os.defpath,
}


@dataclass(frozen=True)
class Limits:
    """What a process may use.

    Attributes
    ----------
    memory : int
        Bytes of address space.
    cpu_s : int
    file : int
        Bytes of the largest file it may write.
    wall_s : float
    """

    memory: int = WORKER_MEMORY
    cpu_s: int = WORKER_CPU_S
    file: int = WORKER_FILE
    wall_s: float = WORKER_WALL_S


DECODING = Limits()


@contextlib.contextmanager
def private_folder() -> Iterator[Path]:
    """Give a folder for this user alone, gone at the end."""
    try:
        with tempfile.TemporaryDirectory(prefix="pitwise-photo-") as name:
            yield Path(name)
    except OSError as error:
        raise BookError(
            f"A folder for the photo could not be used ({error.strerror or error}). Nothing was "
            "saved; make room on the disk of temporary files, then do it again."
        ) from error


def run_limited(
    module: str, folder: Path, *words: str, place: str, limits: Limits = DECODING
) -> dict[str, Any]:
    """Run ``python -m module`` in a folder under limits, and return what it answered.

    Parameters
    ----------
    module : str
        It calls `limited_child.main`.
    folder : Path
        Its working folder; its files and its answer are there.
    words : str
        Further arguments.
    place : str
        What the work is on, for a refusal.
    limits : Limits

    Raises
    ------
    ServiceError
        The file was refused, or the process ran into a limit; names the mend.
    """
    if not _turns.acquire(timeout=TURN_S):
        raise ServiceError(
            place, "others' photos are being worked on", "wait a minute, then do it again"
        )
    try:
        code = _run(module, folder, words, limits)
    finally:
        _turns.release()
    answer = _answer(folder / ANSWER) if code == 0 else None
    if answer is None:
        raise _stopped(place, code, folder / _ERRORS)
    refused = answer.get("refused")
    if isinstance(refused, dict):
        raise ServiceError(place, str(refused.get("problem")), str(refused.get("mend")))
    return answer


def _run(module: str, folder: Path, words: tuple[str, ...], limits: Limits) -> int | None:
    """Return the process's exit code, None when its time was over."""
    given = [str(limits.memory), str(limits.cpu_s), str(limits.file), *words]
    with (folder / _ERRORS).open("wb") as errors:
        process = subprocess.Popen(  # noqa: S603 -- our own interpreter and module
            [sys.executable, "-I", "-m", module, *given],
            cwd=folder,
            env=_ENVIRONMENT,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=errors,
            start_new_session=True,
        )
    try:
        return process.wait(limits.wall_s)
    except BaseException as error:
        # Not reaped yet, so the number is still its own: it goes with all it may have started.
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
        process.wait()
        if isinstance(error, subprocess.TimeoutExpired):
            return None
        raise


def _answer(path: Path) -> dict[str, Any] | None:
    try:
        with path.open("rb") as file:
            text = file.read(_LONGEST_ANSWER + 1)
        answer = json.loads(text) if len(text) <= _LONGEST_ANSWER else None
    except (OSError, ValueError, RecursionError):
        return None
    return answer if isinstance(answer, dict) else None


_AGAIN = "send it again; if it stops again, take another photo or restart Pitwise"


def _stopped(place: str, code: int | None, errors: Path) -> ServiceError:
    mend = "take the photo again, or send it as the camera made it, as a JPEG"
    if code is None or code == -signal.SIGXCPU:
        return ServiceError(place, "took longer to work on than a photo may", mend)
    with errors.open("rb") as file:
        # The last of it tells most; whoever sent the file may have filled it.
        file.seek(max(0, errors.stat().st_size - _LOGGED))
        words = file.read(_LOGGED)
    _log.warning(
        "The process working on %s stopped with code %s: %s",
        ascii(place),
        code,
        ascii(words.decode(errors="replace")),
    )
    return ServiceError(place, "stopped the program that works on photos", _AGAIN)
