"""Lives as they are known: exact, still running, found failed, or between two looks."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.wear.refusal import BadShapeError, FitRefusedError, NotFiniteError, TooFewError

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

# Beyond these a figure is a slip, and a ratio of two of them would not be finite.
_LARGEST, _SMALLEST = 1e100, 1e-100


class BadLifeError(FitRefusedError):
    """A life that can't be: below zero, or ended before it began."""


@dataclass(frozen=True, eq=False)
class Lives:
    """Lives of like parts, in one unit (starts, arc minutes, hours).

    Attributes
    ----------
    lower, upper : (n,) array
        In the unit of life. ``lower == upper``: ended exactly there. ``upper`` infinite: still
        running at `lower`. ``lower`` 0: found failed at `upper`. Else it ended in
        ``(lower, upper]``.
    count : (n,) array
        How many lives such a row stands for; above 0, not necessarily whole.
    """

    lower: Floats
    upper: Floats
    count: Floats

    @classmethod
    def of(
        cls,
        lower: npt.ArrayLike,
        upper: npt.ArrayLike,
        count: npt.ArrayLike | None = None,
    ) -> Lives:
        """Check lives and keep a copy of them.

        Parameters
        ----------
        lower, upper : (n,) array_like
            As the attributes; n of 1 or more.
        count : (n,) array_like, optional
            1 each where left out.

        Raises
        ------
        BadShapeError
            Not one row of numbers each, or of different lengths.
        TooFewError
            No life at all.
        NotFiniteError
            A figure that is no number, or larger than 1e100, or smaller than 1e-100 and not 0.
        BadLifeError
            Below zero, `upper` below `lower`, a life of exactly zero, a count of zero or less.
        """
        low, high = _row("lower", lower), _row("upper", upper)
        # Ones that take no memory: filling fresh memory costs more than the sums.
        weight = np.broadcast_to(1.0, low.shape) if count is None else _row("count", count)
        if not low.size == high.size == weight.size:
            raise BadShapeError(
                f"{low.size} lower, {high.size} upper bounds and {weight.size} counts",
                "give as many of each",
            )
        if not low.size:
            raise TooFewError("there is no life", "give at least one")
        refused = first_refused(low, high, weight)
        if refused:
            raise refused[1]
        for array in (low, high, weight):
            array.flags.writeable = False
        return cls(low, high, weight)

    @property
    def exact(self) -> Bools:
        """Which ended at a known life."""
        found: Bools = self.lower == self.upper
        return found

    @property
    def running(self) -> Bools:
        """Which had not ended when last seen."""
        found: Bools = np.isinf(self.upper)
        return found

    @property
    def total(self) -> float:
        """How many lives, by count."""
        return float(self.count.sum())

    @property
    def ends(self) -> float:
        """How many of them ended, by count."""
        return float(self.count.sum(where=~self.running))

    @property
    def stepwise(self) -> bool:
        """Whether every end is exact, so that a step curve without gaps can be drawn."""
        return bool((self.exact | self.running).all())


def _row(name: str, values: npt.ArrayLike) -> Floats:
    try:
        found = np.array(values, dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise BadShapeError(f"{name} is not a row of numbers", "give numbers") from error
    if found.ndim != 1:
        raise BadShapeError(f"{name} has {found.ndim} dimensions", "give one row of numbers")
    return found


def first_refused(low: Floats, high: Floats, weight: Floats) -> tuple[int, FitRefusedError] | None:
    """Return the first life that can't be and why; None where all can."""
    size = (low <= _LARGEST) & ((low >= _SMALLEST) | (low == 0))
    size &= ((high <= _LARGEST) & (high >= _SMALLEST)) | (high == np.inf)
    size &= (weight <= _LARGEST) & (weight >= _SMALLEST)
    good = size & (low <= high)
    if good.all():
        return None
    k = int(np.argmin(good))
    return k, _why(float(low[k]), float(high[k]), float(weight[k]))


def _why(low: float, high: float, weight: float) -> FitRefusedError:
    which = f"a life with lower {low:g}, upper {high:g}, count {weight:g}"
    if np.isnan([low, high, weight]).any() or np.isinf([low, weight]).any():
        return NotFiniteError(f"{which} holds no plain number", "leave it out, or correct it")
    if low < 0 or high < 0:
        return BadLifeError(f"{which} is below zero", "give lives above zero")
    if weight <= 0:
        return BadLifeError(f"{which} counts for nothing", "give a count above zero")
    if low == 0 and high == 0:
        return BadLifeError(
            f"{which} ended at zero exactly",
            "give it as found failed: lower 0, upper the first use",
        )
    if low > high:
        return BadLifeError(f"{which} ended before it began", "give upper at or above lower")
    return NotFiniteError(
        f"{which} is outside {_SMALLEST:g} to {_LARGEST:g}", "choose another unit, or correct it"
    )
