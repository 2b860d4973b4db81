r"""How many parts will be changed, day by day: the wear model run forward.

Every path draws its own truth: the shared unknowns of the wear fit, the process' rate, each
electrode's own rate, the torch's daily work. Along a path the pit grows by the gamma
increments of `pitwise.wear.forecast`, the arc is lost with hazard
:math:`\lambda_0 e^{\eta x}` per start, and at every inspection the pit is gauged as the bench
gauges it: above the limit, or too likely above it after a second reading, the set is changed.
So the spread over paths holds what is not known and what is chance together.

Given the present electrode's rate :math:`r` the process' log rate is normal,

.. math:: \log c \mid r \sim N\!\left(m + \frac{s^2}{s^2+\tau^2}(\log r - m),\;
          \frac{s^2\tau^2}{s^2+\tau^2}\right),

with :math:`m, s` the belief in the process and :math:`\tau` the electrodes' spread (the
normal conditional; both normal by the model). Electrodes to come have
:math:`\log r \sim N(\log c, \tau^2)`.

Parts without a pit are renewed by their own lives: Weibull where enough ended, else Poisson
per start with a gamma belief about the rate (the conjugate pair; any textbook, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import ndtri

from pitwise.shelf.paths import DemandPaths, Ints
from pitwise.wear.hazard import growth_factor
from pitwise.wear.prior import GAMMA, KAPPA, PHI, SIGMA, TAU, Floats, age
from pitwise.wear.state import ElectrodeState

PATHS = 2000
# The fit's grid of an electrode's own log rate: 85 nodes over 4.2 SDs either side.
_REACH = 4.2
# A life shorter than this share of the horizon's starts can't be told from it.
_MOST_LIVES = 2000
_MOST_LEVEL = 4.0
_AT_ONCE = 50_000
# A day is cut into no more steps than this, however hard the torch works.
_MOST_STEPS = 24


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


def simulate_changes(
    torches: Sequence[TorchLoad], *, days: int, paths: int = PATHS, seed: int
) -> dict[str, DemandPaths]:
    """Run every torch forward and count what each change takes.

    Parameters
    ----------
    torches : sequence of TorchLoad
    days : int
        To look ahead, >= 1.
    paths : int
    seed : int
        The same seed, torches and days give the same paths.

    Returns
    -------
    dict of str to DemandPaths
        By the keys of sets and parts. Doubt about a process, or a part's lives, is shared by
        the torches that use it.

    Raises
    ------
    ValueError
        No day or no path.
    """
    if days < 1 or paths < 1:
        raise ValueError("at least one day and one path are needed")
    found: dict[str, Ints] = {}

    def take(key: str, pieces: Ints) -> None:
        found[key] = found[key] + pieces if key in found else pieces

    for torch in torches:
        random = np.random.default_rng([seed, *torch.name.encode()])
        starts, minutes = _work(torch.work, days, paths, random)
        if torch.sets is not None:
            shared = _shared(seed, "process", torch.sets.state.process)
            changed = _set_changes(torch, torch.sets, starts, minutes, shared, random)
            for key in torch.sets.keys:
                take(key, changed)
            for key, counted in torch.sets.alone:
                take(key, _counted(counted, starts, _shared(seed, "alone", key), random))
        for part in torch.parts:
            shared = _shared(seed, "part", part.key)
            if isinstance(part.life, Counted):
                take(part.key, _counted(part.life, starts, shared, random))
            else:
                take(part.key, _renewed(part.life, part.starts, starts, shared, random))
    return {key: DemandPaths(pieces) for key, pieces in found.items()}


def _shared(seed: int, what: str, name: str) -> np.random.Generator:
    """Return the dice that all torches with the same unknown throw alike."""
    return np.random.default_rng([seed, *what.encode(), 0, *name.encode()])


def _work(
    work: DailyWork, days: int, paths: int, random: np.random.Generator
) -> tuple[Floats, Floats]:
    """Draw starts and arc minutes of each day, shape (days, paths)."""
    level = np.full(paths, work.starts_per_day)
    if work.level_se > 0:
        scatter = (
            random.standard_normal(paths)
            if math.isinf(work.level_df)
            else random.standard_t(max(work.level_df, 1.0), paths)
        )
        level = np.clip(
            level + work.level_se * scatter, 0.0, _MOST_LEVEL * max(work.starts_per_day, 1e-9)
        )
    usual = np.broadcast_to(level, (days, paths))
    if work.day_sd > 0 and work.starts_per_day > 0:
        share = max(work.day_sd / work.starts_per_day, 1e-6)
        usual = usual * random.gamma(1 / share**2, share**2, (days, paths))
    planned = np.zeros(days)
    burnt = np.zeros(days)
    planned[: len(work.planned_starts)] = work.planned_starts[:days]
    burnt[: len(work.planned_minutes)] = work.planned_minutes[:days]
    beside = usual if work.on_top else usual * _unplanned(work.planned_starts, level, days)
    return planned[:, None] + beside, burnt[:, None] + beside * work.minutes_per_start


def _unplanned(planned: Sequence[float], level: Floats, days: int) -> Floats:
    """Return the share of usual work that a plan leaves, shape (days, paths).

    Weekly, from its first planned day: taken day by day, the larger of a plan and of work that
    comes unevenly, or of a weekend's, is more than either.
    """
    left = np.ones((days, len(level)))
    day = 0
    while day < min(days, len(planned)):
        if planned[day] <= 0:
            day += 1
            continue
        a_day = math.fsum(planned[day : day + 7]) / 7
        left[day : day + 7] = np.clip(1 - a_day / np.maximum(level, 1e-9), 0.0, 1.0)
        day += 7
    return left


@dataclass(eq=False)
class _Wearing:
    """The electrode of every path, and what those to come are drawn from."""

    rate: Floats
    depth: Floats
    kappa: Floats
    gamma: Floats
    phi: Floats
    sigma: Floats
    tau: Floats
    loss: Floats
    slope: Floats
    log_process: Floats


def _drawn(
    state: ElectrodeState, paths: int, shared: np.random.Generator, random: np.random.Generator
) -> _Wearing:
    """Draw every path's truth from a state: evenly over the fit's draws, then a node of each."""
    weight = np.exp(state.log_weight - state.log_weight.max())
    by_draw = np.cumsum(weight.sum(axis=1))
    # The same evenly spread places for all torches of a process: what the fit does not know
    # it does not know of all of them at once.
    place = shared.permutation((np.arange(paths) + 0.5) / paths)
    draw = np.minimum(np.searchsorted(by_draw, place * by_draw[-1]), len(weight) - 1)
    common = shared.standard_normal(paths)
    inside = np.cumsum(weight[draw], axis=1)
    pick = random.random(paths)[:, None] * inside[:, -1:]
    node = np.minimum((inside < pick).sum(axis=1), weight.shape[1] - 1)
    theta, losses = state.theta[draw], state.losses[draw]
    tau = np.exp(theta[:, TAU])
    rate = state.rate[draw, node]
    middle = state.rate.shape[1] // 2
    belief = np.log(state.rate[draw, middle])
    spread2 = (np.log(state.rate[draw, -1] / state.rate[draw, middle]) / _REACH) ** 2
    doubt2 = np.maximum(spread2 - tau**2, 0.0)
    share = np.divide(doubt2, spread2, out=np.zeros(paths), where=spread2 > 0)
    log_process = belief + share * (np.log(rate) - belief) + np.sqrt(share) * tau * common
    depth = state.mean[draw, node] + np.sqrt(
        np.maximum(state.variance[draw, node], 0.0)
    ) * random.standard_normal(paths)
    return _Wearing(
        rate,
        np.maximum(depth, 0.0),
        np.exp(theta[:, KAPPA]),
        theta[:, GAMMA],
        np.exp(theta[:, PHI]),
        np.exp(theta[:, SIGMA]),
        tau,
        np.exp(losses[:, 0]),
        np.exp(losses[:, 1]),
        log_process,
    )


def _set_changes(
    torch: TorchLoad,
    own: WearingSet,
    starts: Floats,
    minutes: Floats,
    shared: np.random.Generator,
    random: np.random.Generator,
) -> Ints:
    """Count the set's changes on each day, shape (paths, days)."""
    days, paths = starts.shape
    w = _drawn(own.state, paths, shared, random)
    early = (
        np.zeros(paths)
        if own.early is None
        else shared.gamma(own.early.ends, 1 / own.early.starts, paths)
    )
    gaps = np.maximum(np.round(np.asarray(torch.gaps_days, float)), 1.0)
    longer = gaps[gaps > torch.since_days]
    wait = random.choice(longer, paths) - torch.since_days if len(longer) else np.ones(paths)
    pace = _pace(torch, days)
    made = np.full(paths, own.state.starts)
    burnt = np.full(paths, own.state.arc_minutes)
    old = age(made, burnt, w.kappa, w.gamma)
    waiting = np.zeros(paths, bool)
    guard = float(ndtri(1 - own.risk)) * own.u_mm
    changed = np.zeros((paths, days), np.int64)
    for day, faster in enumerate(pace):
        # A day of much work is cut short, so that a set can be changed more than once in it.
        steps = min(math.ceil(faster), _MOST_STEPS)
        passed = faster / steps
        more, longer_burnt = starts[day] / steps, minutes[day] / steps
        for _ in range(steps):
            made, burnt = made + more, burnt + longer_burnt
            now = age(made, burnt, w.kappa, w.gamma)
            grown = np.maximum(w.rate * (now - old), 0.0)
            # A gamma of shape near nothing comes out as nothing, which it is.
            rise = random.standard_gamma(grown / w.phi) * w.phi
            hazard = more * w.loss * np.exp(np.minimum(w.slope * w.depth, 50.0))
            hazard = hazard * growth_factor(np.minimum(w.slope * rise, 50.0))
            luck = random.random((2, paths))
            lost = luck[0] < -np.expm1(-hazard)
            waiting |= luck[1] < -np.expm1(-early * more)
            w.depth = w.depth + rise
            old = now
            wait = wait - passed
            looked = (wait <= 0.5 * passed) | lost
            noise = random.standard_normal((2, paths)) * w.sigma
            first = w.depth + noise[0]
            mean = w.depth + 0.5 * (noise[0] + noise[1])
            over = (first >= own.limit_mm) | (
                (first > own.limit_mm - guard) & (mean > own.limit_mm - guard / math.sqrt(2.0))
            )
            change = lost | (looked & (over | waiting))
            changed[:, day] += change
            count = int(change.sum())
            if count:
                w.depth[change] = 0.0
                made[change] = burnt[change] = old[change] = 0.0
                waiting[change] = False
                fresh = w.log_process[change] + w.tau[change] * random.standard_normal(count)
                w.rate[change] = np.exp(fresh)
            wait[looked] = random.choice(gaps, int(looked.sum()))
    return changed


def _pace(torch: TorchLoad, days: int) -> list[float]:
    """Return, day by day, how many days of the work at which the gaps came it holds; >= 1.

    By the work as planned and believed, not by a path's own luck: how unevenly looks come
    beside the usual work is in the gaps already.
    """
    work, usual = torch.work, torch.gap_starts_per_day
    if usual <= 0:
        return [1.0] * days
    planned = [*work.planned_starts[:days], *[0.0] * (days - len(work.planned_starts))]
    beside = work.starts_per_day
    if work.on_top:
        return [max(1.0, (x + beside) / usual) for x in planned]
    return [max(1.0, x / usual, beside / usual) for x in planned]


def _counted(
    counted: Counted, starts: Floats, shared: np.random.Generator, random: np.random.Generator
) -> Ints:
    """Count Poisson ends on each day, the rate drawn once for every path.

    As many in all as a Poisson gives, each on a day by the starts made: the same law, and few
    numbers are drawn where little goes.
    """
    days, paths = starts.shape
    rate = shared.gamma(counted.ends, 1 / counted.starts, paths)
    total = np.cumsum(starts, axis=0)
    row = np.repeat(np.arange(paths), random.poisson(rate * total[-1]))
    at = random.random(len(row)) * total[-1, row]
    pieces = np.zeros((paths, days), np.int64)
    for some in np.array_split(np.arange(len(row)), len(row) // _AT_ONCE + 1):
        day = (total[:, row[some]] <= at[some]).sum(axis=0)
        np.add.at(pieces, (row[some], np.minimum(day, days - 1)), 1)
    return pieces


def _renewed(
    life: LifeBelief,
    behind: float,
    starts: Floats,
    shared: np.random.Generator,
    random: np.random.Generator,
) -> Ints:
    """Count renewals on each day, from a part with so many starts behind it."""
    days, paths = starts.shape
    total = np.cumsum(starts, axis=0)
    scatter = _root(life.covariance) @ shared.standard_normal((2, paths))
    scale = life.scale * np.exp(np.clip(scatter[0], -3.0, 3.0))
    shape = np.clip(life.shape * np.exp(np.clip(scatter[1], -3.0, 3.0)), 0.05, 50.0)
    pieces = np.zeros((paths, days), np.int64)
    rows = np.arange(paths)
    done = (behind / scale) ** shape
    at = scale * (done + random.standard_exponential(paths)) ** (1 / shape) - behind
    least = max(float(total[-1].max(initial=0.0)), 1.0) / _MOST_LIVES
    while True:
        # On the day whose work reaches it; a part that ends past the last day is not changed.
        day = (total < at).sum(axis=0)
        ended = day < days
        if not ended.any():
            return pieces
        np.add.at(pieces, (rows[ended], day[ended]), 1)
        at = at + np.maximum(scale * random.standard_exponential(paths) ** (1 / shape), least)


def _root(covariance: Floats) -> Floats:
    """Return a matrix whose square is the covariance, rounding below nothing taken as none."""
    values, axes = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray(axes * np.sqrt(np.maximum(values, 0.0)), float)
