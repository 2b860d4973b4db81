"""Why a fit was refused, and what mends it."""

from __future__ import annotations


class FitRefusedError(ValueError):
    """Readings from which a fit can't be made.

    Parameters
    ----------
    reason : str
        What is wrong, for a person.
    mend : str
        What to do about it.
    """

    def __init__(self, reason: str, mend: str) -> None:
        super().__init__(f"{reason}: {mend}")
        self.reason = reason
        self.mend = mend


class BadShapeError(FitRefusedError):
    """Arrays whose lengths or dimensions don't belong together."""


class NotFiniteError(FitRefusedError):
    """A value that is no finite number."""


class TooFewError(FitRefusedError):
    """Too few groups, or too few readings in them."""


class RankDeficientError(FitRefusedError):
    """Columns of which one is a combination of others."""


class NoNoiseError(FitRefusedError):
    """Readings that the line fits exactly: the noise can't be estimated."""


class NotGrowingError(FitRefusedError):
    """Readings that stand still or go back, which the exact model can't hold."""
