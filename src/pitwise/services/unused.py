"""What share of a part's worth was not used when it ended: from its wear, or from lives alike.

An electrode is worth the depth its pit may have: what was left of it, by the wear model, with
its own doubt. Any other part is worth a life, and how long one lasts is told by the lives of
its type: what was left is told by their Weibull fit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pitwise.services.amounts import CantTell
from pitwise.services.life_model import PartLife, interval_of
from pitwise.services.metres import Ranged
from pitwise.services.wear_book import FitInForce, carried, state_of
from pitwise.wear.forecast import FLEET_COMPONENTS, components, depth_quantiles, unused_share
from pitwise.wear.history import History
from pitwise.wear.life.lives import Lives
from pitwise.wear.life.weibull import WeibullFit, fit_weibull
from pitwise.wear.refusal import FitRefusedError

LEVEL = 0.90
_TAIL = (1 - LEVEL) / 2
_Z = 1.6449  # of a 90 % range
_POINTS = 400
# Fewer ends tell nothing of lives (our own choice, no source).
LEAST_ENDS = 3
_WIDEST = 4.0
_MOST_KEPT = 20_000
# A stored fit never changes, nor does a part that ended: what was reckoned of both holds.
_kept: dict[tuple[object, ...], Ranged] = {}


def electrode_left(
    force: FitInForce,
    history: History | None,
    process: str,
    starts: float,
    arc_minutes: float,
    limit_mm: float | None,
) -> Ranged | CantTell:
    """Return the share of the limit an electrode's pit had not used when it came out.

    Parameters
    ----------
    force : FitInForce
    history : History or None
        Its signed readings, the one that ended it included.
    process : str
    starts, arc_minutes : float
        Since new, when it came out.
    limit_mm : float or None
        The limit it was judged by; above 0.

    Returns
    -------
    Ranged or CantTell
        E[(1 - X/L)+], and the 5 and 95 % points of the share.
    """
    if limit_mm is None or limit_mm <= 0:
        return CantTell("no limit holds for its pit", "enter the shop's limit for its process")
    if starts <= 0 and arc_minutes <= 0:
        return CantTell("it has no use on record", "enter the counters at inspections")
    steps = len(history.steps) if history else 0
    key = (force.id, history and history.name, steps, process, starts, arc_minutes, limit_mm)
    if force.id is not None and key in _kept:
        return _kept[key]
    state = carried(state_of(force, history, process), starts, arc_minutes)
    parts = components(state, FLEET_COMPONENTS)
    mean = float(unused_share(parts, 0.0, 0.0, limit_mm))
    deep, shallow = depth_quantiles(parts, [0.0], [0.0], (1 - _TAIL, _TAIL))[:, 0]
    low, high = (float(np.clip(1 - x / limit_mm, 0.0, 1.0)) for x in (deep, shallow))
    found = Ranged(mean, min(low, mean), max(high, mean))
    if force.id is not None:
        if len(_kept) > _MOST_KEPT:
            _kept.clear()
        _kept[key] = found
    return found


def usual_life(lives: Sequence[PartLife]) -> WeibullFit | CantTell:
    """Fit the starts that parts of a type last: ends by wear, damage and loss all count as one.

    Returns
    -------
    WeibullFit or CantTell
        Fewer than `LEAST_ENDS` ends, or a fit that says nothing.
    """
    between = []
    for life in lives:
        found = interval_of(life, "lost" if life.end == "lost" else "worn", "starts")
        if found is not None:
            between.append(found)
    name = lives[0].part_type if lives else "such a part"
    ends = sum(1 for _, high in between if math.isfinite(high))
    if ends < LEAST_ENDS:
        return CantTell(
            f"too few to tell how long a {name} lasts: {ends} came to an end of "
            f"{'its' if ends == 1 else 'their'} own, {LEAST_ENDS} are needed",
            "it is told as more of them wear out",
        )
    try:
        fit = fit_weibull(Lives.of([low for low, _ in between], [high for _, high in between]))
    except FitRefusedError as error:
        return CantTell(f"how long a {name} lasts: {error.reason}", error.mend)
    if not _spread(fit) < math.log(_WIDEST):
        return CantTell(
            f"too few to tell how long a {name} lasts: from {ends} ends its life is known only "
            f"within a factor of {_WIDEST:g} and more either way",
            "it is told as more of them wear out",
        )
    return fit


def _spread(fit: WeibullFit) -> float:
    """Return how far the log scale may lie off, 90 %."""
    return _Z * math.sqrt(max(float(fit.covariance[0][0]), 0.0))


def left_of_life(shape: float, scale: float, used: float, *, still_good: bool) -> Ranged:
    r"""Return what share of a Weibull life is left after `used` starts, and its 90 % range.

    Parameters
    ----------
    shape, scale : float
        Above 0.
    used : float
        0 or more, in the unit of `scale`.
    still_good : bool
        True: the part would have run on, T > t. False: it ended there, and is set against a
        usual life T of its type.

    Returns
    -------
    Ranged
        E[(1 - t/T)+], given T > t where it was still good; the 5 and 95 % points of it.

    Notes
    -----
    By the middles of equal shares of T's distribution,
    :math:`T = \eta (a - \log v)^{1/\beta}`, with :math:`a = (t/\eta)^\beta` given T > t, else 0.
    """
    v = (np.arange(_POINTS) + 0.5) / _POINTS
    begun = (used / scale) ** shape if still_good else 0.0
    life: npt.NDArray[np.float64] = scale * (begun - np.log(v)) ** (1 / shape)
    left = np.clip(1 - used / life, 0.0, 1.0)
    low, high = np.quantile(left, [_TAIL, 1 - _TAIL])
    mean = float(left.mean())
    return Ranged(mean, min(float(low), mean), max(float(high), mean))


def part_left(told: WeibullFit | CantTell, life: PartLife) -> Ranged | CantTell:
    """Return what share of a part's life was left when it ended.

    The range holds both how lives scatter and what the fit leaves open of their middle.
    """
    if isinstance(told, CantTell):
        return told
    if life.starts <= 0:
        return CantTell("it has no use on record", "enter the counters at inspections")
    still_good = life.end == "changed"
    middle = left_of_life(told.shape, told.scale, float(life.starts), still_good=still_good)
    # The fit's own doubt, by moving its scale to either end of its range.
    spread = _spread(told)
    low, high = middle.low, middle.high
    for side in (-1, 1):
        moved = left_of_life(
            told.shape,
            told.scale * math.exp(side * spread),
            float(life.starts),
            still_good=still_good,
        )
        low = min(low or 0.0, moved.low or 0.0)
        high = max(high or 0.0, moved.high or 0.0)
    return Ranged(middle.value, low, high)
