"""A seeded simulator of pit growth in the design's wear model.

For the demo and for tests only. It is never used to answer about a user's data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from random import Random


@dataclass(frozen=True)
class WearTruth:
    r"""The simulator's truth for one process.

    Age is :math:`\Lambda = ((s + \kappa h)/500)^\gamma` with `s` starts and `h` arc
    minutes; depth grows by independent gamma increments of mean
    :math:`b\,c\,\Delta\Lambda` and variance :math:`\varphi` times that mean, with
    :math:`\log b \sim N(0, \tau^2)` drawn once per electrode. The arc is lost in a start
    with hazard :math:`\lambda_0 e^{\eta x}` at depth `x`.

    Attributes
    ----------
    c_mm : float
        Mean growth of the first 500 age units, mm.
    kappa, gamma, tau, phi_mm, lambda0, eta_per_mm : float
    """

    c_mm: float
    kappa: float = 0.5
    gamma: float = 1.0
    tau: float = 0.22
    phi_mm: float = 0.02
    lambda0: float = 2e-6
    eta_per_mm: float = 3.5


@dataclass
class SimulatedElectrode:
    """One electrode of the simulator: its own rate, its use and its true depth."""

    truth: WearTruth
    random: Random
    starts: int = 0
    arc_minutes: float = 0.0
    depth_mm: float = 0.0
    lost: bool = False
    rate: float = field(init=False)

    def __post_init__(self) -> None:
        """Draw this electrode's own rate."""
        self.rate = math.exp(self.random.gauss(0.0, self.truth.tau))

    def _age(self) -> float:
        use = self.starts + self.truth.kappa * self.arc_minutes
        return math.pow(use / 500.0, self.truth.gamma)

    def run(self, starts: int, arc_minutes: float, faster: float = 1.0) -> None:
        """Cut for so many starts and arc minutes, `faster` wearing than usual; may end lost."""
        before = self._age()
        self.starts += starts
        self.arc_minutes += arc_minutes
        mean = faster * self.rate * self.truth.c_mm * (self._age() - before)
        if mean > 0:
            self.depth_mm += self.random.gammavariate(mean / self.truth.phi_mm, self.truth.phi_mm)
        hazard = starts * self.truth.lambda0 * math.exp(self.truth.eta_per_mm * self.depth_mm)
        self.lost = self.random.random() < -math.expm1(-hazard)

    def gauge(self, sigma_mm: float) -> str:
        """Read the pit with a gauge that shows hundredths of a millimetre."""
        return f"{max(0.0, self.depth_mm + self.random.gauss(0.0, sigma_mm)):.2f} mm"
