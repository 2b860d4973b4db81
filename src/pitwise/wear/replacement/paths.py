r"""Lives of electrodes nobody has fitted yet, simulated from a fit of the wear model.

For every draw of the fit's unknowns (its doubt) and every electrode of that draw (its own rate)
the pit is walked in even steps of starts by gamma increments, as `pitwise.wear.fit` has it. A
loss in the cut is not thrown: each path keeps the chance that nothing has ended it yet,

.. math:: S_j = \exp\Bigl(-\sum_{i \le j}(H_i + \mu g)\Bigr), \quad
          H_i = g \lambda_0 e^{\eta X} \frac{e^{\eta \Delta X} - 1}{\eta \Delta X},

so that a rare loss costs no noise. The same throws serve every rule of change: rules are told
apart far better than each is known (common random numbers; Law & Kelton, Simulation Modeling
and Analysis, ch. 11; from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtri

from pitwise.wear.fit import WearFit
from pitwise.wear.hazard import growth_factor
from pitwise.wear.prior import GAMMA, KAPPA, PHI, SIGMA, TAU, Floats, age
from pitwise.wear.state import Basis, believed_rate

MOST_STEPS = 800
_MOST_EXPONENT = 50.0
_REACHED = 0.997
_STEPS_OF_A_LIFE = 60
_BEYOND = 4.0


@dataclass(frozen=True, eq=False)
class LifePaths:
    """Simulated lives, shape (draws, electrodes, …).

    Attributes
    ----------
    process : str
    basis : str
        What the expected rate rests on, as `pitwise.wear.state.Basis`.
    losses_on_record : int
        Losses in the cut the hazard was fitted to, of all processes.
    step_starts : int
        Starts of one step.
    minutes_per_start : float
    depth_mm : float array, shape (draws, electrodes, steps + 1)
        True depth, from 0.
    alive : float array, same shape
        Chance that nothing has ended the electrode yet.
    lost, other : float array, same shape
        Chance that a loss, or something other than its pit, has ended it by then.
    made : float array, same shape
        Starts expected to be made by then.
    noise_mm : float array, same shape
        Error of a reading taken then.
    """

    process: str
    basis: Basis
    losses_on_record: int
    step_starts: int
    minutes_per_start: float
    depth_mm: Floats
    alive: Floats
    lost: Floats
    other: Floats
    made: Floats
    noise_mm: Floats

    @property
    def steps(self) -> int:
        """Steps of each life."""
        return int(self.depth_mm.shape[2]) - 1


def _even_normals(random: np.random.Generator, draws: int, count: int) -> Floats:
    """Standard normals, one in each of `count` equally likely strata, for every draw."""
    place = (np.arange(count) + random.uniform(size=(draws, count))) / count
    return np.asarray(ndtri(np.clip(place, 1e-12, 1 - 1e-12)), float)


def simulate(
    fit: WearFit,
    process: str,
    *,
    to_mm: float,
    step_starts: int,
    minutes_per_start: float,
    gauge_sigma_mm: float | None,
    seed: int,
    others_per_start: float = 0.0,
    draws: int = 128,
    electrodes: int = 36,
) -> LifePaths:
    """Simulate lives from new, at a steady mix of use.

    Parameters
    ----------
    fit : WearFit
    process : str
        One the fit has not met gets what the shop's others, or the sheet, suggest.
    to_mm : float
        Lives go on until nearly all pits are well past this depth.
    step_starts : int
        Starts of one step, 1 or more: the finest interval between looks that can be asked.
    minutes_per_start : float
        Arc minutes of each start, >= 0.
    gauge_sigma_mm : float or None
        Standard uncertainty of one reading, mm; None: the fit's own common one.
    seed : int
    others_per_start : float
        Chance per start that something other than the pit ends it (a finding, the nozzle).
    draws, electrodes : int
        How many of the fit's draws, and how many electrodes of each.

    Returns
    -------
    LifePaths
    """
    if step_starts < 1 or minutes_per_start < 0 or others_per_start < 0 or not to_mm > 0:
        raise ValueError("steps, minutes, other ends and the depth can't be below their least")
    random = np.random.default_rng(seed)
    theta_all, losses_all = fit.draws.theta, fit.draws.losses
    draws = min(draws, len(theta_all))
    chosen = ((np.arange(draws) + 0.5) * len(theta_all) / draws).astype(int)
    mean, sd, basis = believed_rate(fit, process)
    theta, losses = theta_all[chosen], losses_all[chosen]
    own = _even_normals(random, 1, draws)[0]
    log_rate = mean[chosen] + sd[chosen] * own[random.permutation(draws)]
    frailty = np.exp(theta[:, TAU])[:, None] * _even_normals(random, draws, electrodes)
    rate = np.exp(log_rate[:, None] + frailty)
    steps = _steps_needed(rate, theta, to_mm, step_starts, minutes_per_start)
    at = step_starts * np.arange(steps + 1.0)
    ages = age(
        at, at * minutes_per_start, np.exp(theta[:, KAPPA])[:, None], theta[:, GAMMA][:, None]
    )
    grown = rate[:, :, None] * np.diff(ages, axis=1)[:, None, :]
    phi = np.exp(theta[:, PHI])[:, None, None]
    grown = random.gamma(grown / phi) * phi
    depth = np.zeros((draws, electrodes, steps + 1))
    np.cumsum(grown, axis=2, out=depth[:, :, 1:])
    base = np.exp(losses[:, 0])[:, None, None]
    slope = np.exp(losses[:, 1])[:, None, None]
    first = np.minimum(slope * depth[:, :, :-1], _MOST_EXPONENT)
    hazard = step_starts * base * np.exp(first)
    hazard *= growth_factor(np.minimum(slope * grown, _MOST_EXPONENT))
    sigma = np.exp(theta[:, SIGMA])
    if gauge_sigma_mm is not None:
        # As a forecast takes a stated uncertainty: times what the fit found of stated ones.
        sigma = sigma * gauge_sigma_mm / math.exp(fit.prior.mean[SIGMA])
    noise = sigma[:, None, None] * random.standard_normal(depth.shape)
    return LifePaths(
        process,
        basis,
        fit.losses.losses,
        step_starts,
        minutes_per_start,
        depth,
        *_ends(hazard, step_starts, others_per_start),
        noise,
    )


def typical_starts(fit: WearFit, process: str, to_mm: float, minutes_per_start: float) -> float:
    """Return the starts in which a middling new electrode's pit reaches a depth."""
    mean, _, _ = believed_rate(fit, process)
    theta = fit.draws.theta
    use = 500.0 * (to_mm / np.exp(mean)) ** (1 / np.maximum(theta[:, GAMMA], 0.2))
    return float(np.median(use / (1 + np.exp(theta[:, KAPPA]) * minutes_per_start)))


def step_for(fit: WearFit, process: str, to_mm: float, minutes_per_start: float, apart: int) -> int:
    """Return the divisor of an interval between looks that parts a life in some sixty steps."""
    wanted = max(typical_starts(fit, process, to_mm, minutes_per_start) / _STEPS_OF_A_LIFE, 1.0)
    divisors = [k for k in range(1, apart + 1) if apart % k == 0]
    return min(divisors, key=lambda k: abs(math.log(k / wanted)))


def _steps_needed(
    rate: Floats, theta: Floats, to_mm: float, step_starts: int, minutes_per_start: float
) -> int:
    """Steps until nearly all pits are past `to_mm`."""
    # Age at which the mean is there, plus room for the scatter of growth.
    spread = np.sqrt(np.exp(theta[:, PHI]) * to_mm)[:, None]
    ages = (to_mm + _BEYOND * spread) / rate
    starts = 500.0 * ages ** (1 / np.maximum(theta[:, GAMMA], 0.2))[:, None]
    starts = starts / (1 + np.exp(theta[:, KAPPA])[:, None] * minutes_per_start)
    wanted = float(np.quantile(starts, _REACHED)) / step_starts
    return int(min(max(math.ceil(wanted), 4), MOST_STEPS))


def _ends(
    hazard: Floats, step_starts: int, others_per_start: float
) -> tuple[Floats, Floats, Floats, Floats]:
    """Chances of being alive, lost, ended otherwise, and starts made, after every step."""
    rival = others_per_start * step_starts
    both = hazard + rival
    shape = (*hazard.shape[:2], hazard.shape[2] + 1)
    alive = np.ones(shape)
    alive[:, :, 1:] = np.exp(-np.cumsum(both, axis=2))
    # Over a step the hazard is even: of those alive at its begin so many starts are made.
    within = alive[:, :, :-1] * growth_factor(-both)
    lost, other, made = np.zeros(shape), np.zeros(shape), np.zeros(shape)
    np.cumsum(within * hazard, axis=2, out=lost[:, :, 1:])
    np.cumsum(within * rival, axis=2, out=other[:, :, 1:])
    np.cumsum(within * step_starts, axis=2, out=made[:, :, 1:])
    return alive, lost, other, made
