"""A fault in the book: where it is, what it is, and what to do about it."""

from __future__ import annotations

import json
from dataclasses import dataclass

MEND_CHANGED = (
    "the book was changed from outside: put this file aside for whoever looks into it, and "
    "restore the newest backup that verifies"
)


@dataclass(frozen=True)
class Fault:
    """Something in the book that does not hold.

    Attributes
    ----------
    table : str
        The table it is in.
    row : str
        The row, by its key, such as ``inspection_id 3, part nozzle, finding crack``.
    problem, mend : str
    """

    table: str
    row: str
    problem: str
    mend: str = MEND_CHANGED

    def __str__(self) -> str:
        """Return the fault in one line."""
        return f"{self.table}, {self.row}: {self.problem}. Mend: {self.mend}."


def short(value: object) -> str:
    """Return a value as JSON, cut to what fits in a message."""
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "…"
