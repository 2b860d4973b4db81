"""Electrodes whose every unknown is known, and torches that hold them."""

from __future__ import annotations

import math

import numpy as np

from pitwise.shelf.torch_load import DailyWork, OwnLife, TorchLoad, WearingSet
from pitwise.wear.prior import GAMMA, KAPPA, OMEGA, PHI, RATE, SIGMA, TAU
from pitwise.wear.state import ElectrodeState

EVEN = DailyWork(100.0, 0.5)


def state_of(
    rate: float, *, tau: float = 1e-9, phi: float = 1e-9, sigma: float = 1e-9, loss: float = 1e-30
) -> ElectrodeState:
    """An electrode whose shared unknowns are known; new."""
    theta = np.zeros((1, 7))
    theta[0, KAPPA], theta[0, GAMMA] = math.log(0.5), 1.0
    theta[0, TAU], theta[0, SIGMA], theta[0, PHI] = (math.log(x) for x in (tau, sigma, phi))
    theta[0, RATE], theta[0, OMEGA] = math.log(rate), -5.0
    nodes = np.linspace(-4.2, 4.2, 85)
    log_w = -0.5 * nodes**2
    log_w -= np.log(np.exp(log_w).sum())
    return ElectrodeState(
        "p",
        "this-process",
        0.0,
        0.0,
        0,
        theta,
        np.array([[math.log(loss), 0.0]]),
        rate * np.exp(tau * nodes)[None],
        np.zeros((1, 85)),
        np.zeros((1, 85)),
        log_w[None],
        0.5,
        sigma,
    )


def torch(
    name: str = "T",
    *,
    work: DailyWork = EVEN,
    gap: float = 4.0,
    since: float = 0.0,
    sets: WearingSet | None = None,
    parts: tuple[OwnLife, ...] = (),
) -> TorchLoad:
    return TorchLoad(name, work, (gap,), since, sets, parts)


def pair(state: ElectrodeState, limit: float = 1.0) -> WearingSet:
    return WearingSet(("electrode", "nozzle"), state, limit, 0.0)
