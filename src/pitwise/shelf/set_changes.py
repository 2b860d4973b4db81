r"""Changes of electrode and nozzle, day by day: the pit grown, gauged and judged on every path.

Along a path the pit grows by the gamma increments of `pitwise.wear.forecast`, the arc is lost
with hazard :math:`\lambda_0 e^{\eta x}` per start, and at every inspection the pit is gauged
as the bench gauges it: above the limit, or too likely above it after a second reading, the set
is changed.

Given the present electrode's rate :math:`r` the process' log rate is normal,

.. math:: \log c \mid r \sim N\!\left(m + \frac{s^2}{s^2+\tau^2}(\log r - m),\;
          \frac{s^2\tau^2}{s^2+\tau^2}\right),

with :math:`m, s` the belief in the process and :math:`\tau` the electrodes' spread (the
normal conditional; both normal by the model). Electrodes to come have
:math:`\log r \sim N(\log c, \tau^2)`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pitwise.shelf.paths import Ints
from pitwise.shelf.torch_load import TorchLoad, WearingSet
from pitwise.shelf.work_ahead import looks_pace
from pitwise.wear.hazard import growth_factor
from pitwise.wear.prior import GAMMA, KAPPA, PHI, SIGMA, TAU, Floats, age
from pitwise.wear.state import ElectrodeState

# The fit's grid of an electrode's own log rate: 85 nodes over 4.2 SDs either side.
_REACH = 4.2
# A day is cut into no more steps than this, however hard the torch works.
_MOST_STEPS = 24


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


def set_changes(
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
    pace = looks_pace(torch, days)
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
