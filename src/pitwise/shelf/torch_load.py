"""What is run forward: torches, what is in them, and the work before them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from pitwise.wear.prior import Floats
from pitwise.wear.state import ElectrodeState


@dataclass(frozen=True)
class DailyWork:
    """A torch's work on a day: what is usual with its spread, and what is planned.

    Attributes
    ----------
    starts_per_day, minutes_per_start : float
        Of the usual work, >= 0.
    level_se, level_df : float
        Standard error of `starts_per_day` and its degrees of freedom: how well it is known.
    day_sd : float
        SD of a day's starts about it.
    planned_starts, planned_minutes : tuple of float
        By day from today; shorter than the horizon: nothing planned after.
    on_top : bool
        Planned work comes on top of the usual. Otherwise it counts as part of it: a week has
        the larger of the two.
    """

    starts_per_day: float
    minutes_per_start: float
    level_se: float = 0.0
    level_df: float = math.inf
    day_sd: float = 0.0
    planned_starts: tuple[float, ...] = ()
    planned_minutes: tuple[float, ...] = ()
    on_top: bool = False


@dataclass(frozen=True)
class Counted:
    """Ends counted over starts: a gamma belief about the rate per start, and a Poisson's ends.

    Attributes
    ----------
    ends : float
        With what is believed beforehand in it, > 0.
    starts : float
        Likewise, > 0.
    """

    ends: float
    starts: float


@dataclass(frozen=True, eq=False)
class LifeBelief:
    """A Weibull life with the doubt about it, in starts.

    Attributes
    ----------
    scale, shape : float
    covariance : float array, shape (2, 2)
        Of (log scale, log shape).
    """

    scale: float
    shape: float
    covariance: Floats = field(default_factory=lambda: np.zeros((2, 2)))


@dataclass(frozen=True, eq=False)
class WearingSet:
    """Electrode and nozzle, changed together when the pit's time has come.

    Attributes
    ----------
    keys : tuple of str
        What each change takes from the shelf, one piece each.
    state : ElectrodeState
        Of the electrode in the torch now; of a new one where none is in.
    limit_mm, u_mm : float
        The sheet's limit, and the standard uncertainty a reading is judged by (0: none known).
    risk : float
        Accepted chance of the true depth being over.
    early : Counted or None
        Changes for other reasons than pit or loss, found at inspections.
    alone : tuple of (str, Counted)
        Changes of one of them without the other.
    """

    keys: tuple[str, ...]
    state: ElectrodeState
    limit_mm: float
    u_mm: float
    risk: float = 0.05
    early: Counted | None = None
    alone: tuple[tuple[str, Counted], ...] = ()


@dataclass(frozen=True, eq=False)
class OwnLife:
    """A part that ends by itself.

    Attributes
    ----------
    key : str
    starts : float
        Behind the one in the torch now.
    life : LifeBelief or Counted
    """

    key: str
    starts: float
    life: LifeBelief | Counted


@dataclass(frozen=True, eq=False)
class TorchLoad:
    """A torch, what is in it, and the work before it.

    Attributes
    ----------
    name : str
        Its dice hang on it: the same torch meets the same luck.
    work : DailyWork
    gaps_days : tuple of float
        Days between inspections as they were; those to come are drawn from them.
    since_days : float
        Days since the last.
    gap_starts_per_day : float
        Starts a day at which those gaps came, >= 0. Where more are to come, the torch is
        looked at after as many starts as before, so after fewer days: gap × usual ÷ to come.
        0: not known, and then the gaps stay days.
    sets : WearingSet or None
        None: no pit is forecast (no electrode or no limit).
    parts : tuple of OwnLife
    """

    name: str
    work: DailyWork
    gaps_days: tuple[float, ...]
    since_days: float
    sets: WearingSet | None
    parts: tuple[OwnLife, ...] = ()
    gap_starts_per_day: float = 0.0
