"""That something can't be told, as a result of its own."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class CantTell:
    """Something can't be told: why, and what would mend it; falsy.

    Attributes
    ----------
    reason, mend : str
        Without a full stop.
    """

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Be as good as none."""
        return False
