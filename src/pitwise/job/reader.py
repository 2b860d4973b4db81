"""STAND-IN for the reader built in h-job; removed by its merge."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from pitwise.job.model import Cut, ProgramCount, ProgramError, ProgramWarning, ReaderSettings

_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))")


def read_program(lines: Iterable[str], settings: ReaderSettings = ReaderSettings()) -> ProgramCount:
    """Count a program (stand-in)."""
    x = y = feed = 0.0
    lit: list[float] | None = None
    cuts, warnings = [], []
    rapid, mode = 0.0, 0
    number = 0
    for number, raw in enumerate(lines, start=1):
        text = re.sub(r"\(.*?\)|;.*", "", raw).upper().replace(" ", "").strip()
        if not text or text == "%":
            continue
        words = _WORD.findall(text)
        if "".join(a + b for a, b in words) != text:
            raise ProgramError(number, f"'{text[:20]}' is not a line of a program", "correct it")
        nx, ny, dwell = x, y, 0.0
        codes = [f"{a}{float(b):g}" for a, b in words]
        for (a, b), code in zip(words, codes, strict=True):
            if a == "G" and code in ("G0", "G1"):
                mode = int(float(b))
            elif a == "X":
                nx = float(b)
            elif a == "Y":
                ny = float(b)
            elif a == "F":
                feed = float(b)
            elif a == "P":
                dwell = float(b)
            elif a not in "GMNZ":
                warnings.append(ProgramWarning(number, "unknown-word", f"'{a}' is not known"))
        if any(c in settings.on_codes for c in codes):
            lit = [float(number), 0.0, 0.0, 0.0]
        step = math.hypot(nx - x, ny - y)
        x, y = nx, ny
        if lit is not None:
            lit[1] += step
            lit[2] += (step / feed * 60 if feed else 0.0) + (dwell if "G4" in codes else 0)
            lit[3] += dwell if "G4" in codes else 0.0
        elif mode == 0:
            rapid += step
        if lit is not None and any(c in settings.off_codes for c in codes):
            cuts.append(Cut(int(lit[0]), lit[1], lit[2], lit[3]))
            lit = None
    if lit is not None:
        warnings.append(ProgramWarning(number, "arc-left-on", "the arc is left on at the end"))
        cuts.append(Cut(int(lit[0]), lit[1], lit[2], lit[3]))
    return ProgramCount(
        len(cuts),
        sum(c.length_mm for c in cuts),
        sum(c.seconds for c in cuts) / 60,
        sum(c.pierce_seconds for c in cuts) / 60,
        rapid,
        0.0,
        tuple(cuts),
        tuple(warnings),
    )
