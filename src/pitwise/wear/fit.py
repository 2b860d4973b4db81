r"""Fit the wear model to the readings of many electrodes and processes.

Depth of electrode `i` of process `g` grows from 0 with the age
:math:`\Lambda = ((s + \kappa h)/500)^\gamma` of `s` starts and `h` arc minutes, by
independent increments of mean :math:`b_i c_g \Delta\Lambda` and variance
:math:`\varphi` times that mean; a reading adds :math:`N(0, \sigma^2)`;
:math:`\log b_i \sim N(0, \tau^2)`, :math:`\log c_g \sim N(\log c_0, \omega^2)`. That erosion
has a start/stop part and a steady part follows experiments on hafnium cathodes (Peters et
al., J. Phys. D 38 (2005) 1781; from memory). A gamma process with a random rate is the
usual degradation model (Lawless & Crowder, Lifetime Data Anal. 10 (2004) 213).

The seven shared unknowns are estimated at their posterior mode with analytic gradients;
their uncertainty is carried into predictions by draws (`pitwise.wear.draws`).
A reading that ended an electrode because it met the limit is ignorable: such electrodes
stay in, as they are (Little & Rubin's sense; the decision depends on observed readings only).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pitwise.wear.draws import FEW_READINGS, draw_shared
from pitwise.wear.hazard import LossFit, fit_losses
from pitwise.wear.history import History, HistoryError, Packed, pack
from pitwise.wear.paths import follow
from pitwise.wear.pool import Belief
from pitwise.wear.posterior import Problem, find_mode, start_of
from pitwise.wear.prior import GAMMA, NAMES, Floats, GrowthPrior, natural, penalty
from pitwise.wear.screen import SetAside, impossible, most_surprising, surprising

_IDENTIFIED = 0.8
_VARIED = 1.05
_MOST_SCREENS = 5
DRAWS = 64


@dataclass(frozen=True)
class Draws:
    """Draws of the shared unknowns and of each process' rate: what is not known, made plain.

    Attributes
    ----------
    theta : float array, shape (draws, 7)
    rate_mean, rate_sd : float array, shape (draws, processes)
        Normal belief about each process' log rate, given the draw.
    losses : float array, shape (draws, 2)
        log lambda0 and log eta.
    """

    theta: Floats
    rate_mean: Floats
    rate_sd: Floats
    losses: Floats


@dataclass(frozen=True)
class WearFit:
    """What the readings say.

    Attributes
    ----------
    prior : GrowthPrior
        The prior it started from.
    theta, se : float array, shape (7,)
        Posterior mode and standard errors, in the order of `pitwise.wear.prior.NAMES`
        (logs but for gamma).
    loglik : float
        Log marginal likelihood of the readings at the mode; 0 without a reading.
    processes : tuple of str
    rates : tuple of Belief
        Log rate of each process, mm per unit age.
    electrodes_of, readings_of : tuple of int
        Electrodes (main process) and readings of each process.
    electrodes, readings : int
    draws : Draws
    losses : LossFit
    set_aside : tuple of SetAside
        Readings too wild for the model, left out and named.
    minutes_per_start : tuple of float or None
        5 %, 50 % and 95 % points of minutes per start among the steps read.
    """

    prior: GrowthPrior
    theta: Floats
    se: Floats
    loglik: float
    processes: tuple[str, ...]
    rates: tuple[Belief, ...]
    electrodes_of: tuple[int, ...]
    readings_of: tuple[int, ...]
    electrodes: int
    readings: int
    draws: Draws
    losses: LossFit
    set_aside: tuple[SetAside, ...]
    minutes_per_start: tuple[float, float, float] | None

    @property
    def values(self) -> dict[str, float]:
        """The shared unknowns by name, in their own units."""
        return natural(self.theta)

    @property
    def standard_errors(self) -> dict[str, float]:
        """Standard errors in the units of `values` (delta method)."""
        scale = np.exp(self.theta)
        scale[GAMMA] = 1.0
        return dict(zip(NAMES, (float(x) for x in scale * self.se), strict=True))

    @property
    def kappa_identified(self) -> bool:
        """Whether the readings tell starts from arc minutes at all.

        They can't when every job has the same minutes per start: then the error of log
        kappa is about the prior's own, or smaller by the noise's chance alone.
        """
        mix = self.minutes_per_start
        varied = mix is not None and mix[2] > _VARIED * mix[0]
        return varied and bool(self.se[0] < _IDENTIFIED * self.prior.sd[0])


def fit_wear(
    histories: Sequence[History], prior: GrowthPrior, *, seed: int = 0, draws: int | None = None
) -> WearFit:
    """Fit the wear model.

    Parameters
    ----------
    histories : sequence of History
        Any number, none included (then the prior speaks); names must differ.
    prior : GrowthPrior
        Where readings carry their own sigma, its noise is centred on theirs.
    seed : int
        Of the draws.
    draws : int or None
        How many, even; None: the more the fewer readings there are, 256 to 64.

    Returns
    -------
    WearFit

    Raises
    ------
    HistoryError
        Two electrodes of one name.
    """
    for name, times in Counter(h.name for h in histories).items():
        if times > 1:
            raise HistoryError(name, "comes twice", "give every electrode its own name")
    kept, aside = impossible(tuple(histories), prior)
    for screening in range(_MOST_SCREENS, -1, -1):
        packed = pack(kept)
        centred = prior if packed.sigma_mm is None else prior.with_gauge(packed.sigma_mm)
        problem = Problem(packed, centred)
        z = find_mode(problem, start_of(kept, packed, centred))
        loglik = problem.log_posterior(z) + penalty(centred, z)[0]
        beliefs = tuple(problem.found)
        theta = problem.theta(z)
        if not screening:
            break
        cleaner, more = surprising(kept, packed, theta, beliefs)
        if not more and packed.readings <= FEW_READINGS:
            cleaner, more = _hidden(kept, packed, centred, z, beliefs)
        if not more:
            break
        kept, aside = cleaner, aside + more
    random = np.random.default_rng(seed)
    if draws is None:
        # A wide posterior wants many draws; where readings are few they also cost least.
        draws = DRAWS * (4 if packed.readings <= 150 else 2 if packed.readings <= 600 else 1)
    shared = draw_shared(problem, z, beliefs, random, draws)
    losses = _losses(kept, packed, centred, theta, beliefs)
    half = random.standard_normal((draws // 2, 2)) @ np.linalg.cholesky(losses.covariance).T
    loss_draws = losses.mean + np.vstack([half, -half])
    return WearFit(
        prior=centred,
        theta=theta,
        se=np.sqrt(np.diag(shared.covariance)) * problem.sd,
        loglik=loglik,
        processes=packed.processes,
        rates=_with_shared_error(beliefs, shared.mean_by, shared.covariance),
        electrodes_of=tuple(len(p.counts) for p in packed.packs),
        readings_of=_readings_of(packed),
        electrodes=packed.electrodes,
        readings=packed.readings,
        draws=Draws(shared.theta, shared.rate_mean, shared.rate_sd, loss_draws),
        losses=losses,
        set_aside=aside,
        minutes_per_start=_mix(kept),
    )


def _hidden(
    kept: tuple[History, ...],
    packed: Packed,
    prior: GrowthPrior,
    z: Floats,
    beliefs: tuple[Belief, ...],
) -> tuple[tuple[History, ...], tuple[SetAside, ...]]:
    """Judge the most surprising reading by a fit that has not seen it."""
    suspect = most_surprising(kept, packed, np.array(prior.mean) + np.array(prior.sd) * z, beliefs)
    if suspect is None:
        return kept, ()
    which, without = suspect
    problem = Problem(pack(without, packed.sigma_mm), prior)
    again = find_mode(problem, z)
    problem.log_posterior(again)
    return surprising(kept, packed, problem.theta(again), problem.found, which)


def _with_shared_error(
    beliefs: tuple[Belief, ...], mean_by: Floats, covariance: Floats
) -> tuple[Belief, ...]:
    """Widen each process' belief by what is not known of the shared unknowns."""
    return tuple(
        Belief(b.mean, math.sqrt(b.sd**2 + float(by @ covariance @ by)))
        for b, by in zip(beliefs, mean_by, strict=True)
    )


def _losses(
    histories: tuple[History, ...],
    packed: Packed,
    prior: GrowthPrior,
    theta: Floats,
    beliefs: tuple[Belief, ...],
) -> LossFit:
    """Lay every electrode's likely path out in segments and fit the hazard to it."""
    made, start, end, lost = [], [], [], []
    for group in packed.packs:
        if not len(group.counts):
            continue
        paths = follow(group, theta, beliefs)
        used = np.arange(group.starts.shape[1]) < group.counts[:, None]
        made.append(np.diff(group.starts, axis=1, prepend=0.0)[used])
        start.append(np.hstack([np.zeros((len(used), 1)), paths.after_mm[:, :-1]])[used])
        end.append(paths.before_mm[used])
        ended = np.array([histories[i].ended == "lost" for i in group.index])
        lost.append(paths.before_mm[np.arange(len(used)), group.counts - 1][ended])
    parts = [np.concatenate(x) if x else np.zeros(0) for x in (made, start, end, lost)]
    return fit_losses(prior, *parts)


def _readings_of(packed: Packed) -> tuple[int, ...]:
    counts = np.zeros(len(packed.processes), dtype=int)
    for group in packed.packs:
        read = np.isfinite(group.depth_mm)
        counts += np.bincount(group.process[read], minlength=len(counts))
    return tuple(int(c) for c in counts)


def _mix(histories: Sequence[History]) -> tuple[float, float, float] | None:
    ratios = [
        step.arc_minutes / step.starts for h in histories for step in h.steps if step.starts >= 1
    ]
    if not ratios:
        return None
    low, middle, high = np.quantile(ratios, [0.05, 0.5, 0.95])
    return float(low), float(middle), float(high)
