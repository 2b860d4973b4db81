"""What a limited process does first and last: limits on, work done, answer written.

Imports little: this runs before any limit holds.
"""

from __future__ import annotations

import ctypes
import json
import os
import resource
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

ANSWER, PARENT = "answer.json", "WORKER_PARENT"
_OPEN_FILES = 32
_PR_SET_PDEATHSIG = 1  # linux/prctl.h


def follow_parent() -> None:
    """Die with the process that started this one, on Linux; elsewhere the time limit ends it."""
    if sys.platform != "linux":
        return
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "prctl")
    # It may have died before that.
    if os.environ.get(PARENT, str(os.getppid())) != str(os.getppid()):
        os.kill(os.getpid(), signal.SIGKILL)


def limit(memory: int, cpu_s: int, file: int) -> None:
    """Set what this process may use; it can't be raised again."""
    limits = [
        (resource.RLIMIT_FSIZE, file),
        (resource.RLIMIT_NOFILE, _OPEN_FILES),
        (resource.RLIMIT_CORE, 0),
    ]
    if sys.platform != "darwin":
        # macOS refuses this one; the others hold there.
        limits.append((resource.RLIMIT_AS, memory))
    for what, most in limits:
        resource.setrlimit(what, (most, most))
    # The soft limit ends it by a signal that tells why; the hard one a second later for sure.
    resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s + 1))


def main(work: Callable[[Path, list[str]], dict[str, Any]]) -> None:
    """Set the limits given as arguments, do the work in this folder, write its answer.

    A refusal (`PictureRefused`) and want of memory are answers too; anything else that is
    raised ends the process with code 1.
    """
    follow_parent()
    memory, cpu_s, file = map(int, sys.argv[1:4])
    limit(memory, cpu_s, file)
    from pitwise.services.photofile.limits import PictureRefused

    folder = Path.cwd()
    try:
        answer = work(folder, sys.argv[4:])
    except PictureRefused as refused:
        answer = {"refused": {"problem": refused.problem, "mend": refused.mend}}
    except MemoryError:
        answer = {
            "refused": {
                "problem": "needs more memory than a photo may",
                "mend": "set the camera to 12 megapixels and 8 bits, and take it again",
            }
        }
    (folder / ANSWER).write_text(json.dumps(answer), encoding="utf-8")
