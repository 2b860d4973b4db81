"""STAND-IN for the plates reader built in h-job; removed by its merge."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass

from pitwise.job.model import ProgramError


@dataclass(frozen=True)
class PlateUse:
    """A plate's use."""

    name: str
    starts: int
    arc_minutes: float


def read_plates(text: str) -> tuple[PlateUse, ...]:
    """Read plates (stand-in)."""
    out = []
    for number, row in enumerate(csv.DictReader(io.StringIO(text)), start=2):
        try:
            out.append(PlateUse(row["name"], int(row["starts"]), float(row["arc_minutes"])))
        except (KeyError, ValueError, TypeError) as error:
            raise ProgramError(number, str(error), "correct it") from error
    return tuple(out)
