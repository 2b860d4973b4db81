"""How much a pit's reading says for "deeper than its use explains", out of the wear forecast."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pitwise.trade.model import Sheet

# The part whose pit is gauged, and the symptom its reading tells on.
PIT_PART = "electrode"
PIT_SYMPTOM = "E_deep"

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(24)
_SPREAD = tuple(range(-3, 7))
_LOCAL = (-9.0, -6.0, -3.0, -1.0, 0.0, 1.0, 3.0, 6.0, 9.0)


@dataclass(frozen=True)
class Faster:
    """How much faster a pit grows under a cause that eats it: log factor ~ N(log factor, log_sd²).

    Only factors above 1 count: such a cause never saves the electrode.
    """

    factor: float
    log_sd: float

    def __post_init__(self) -> None:
        """Refuse what is no factor."""
        if not (self.factor > 0 and math.isfinite(self.factor)):
            raise ValueError(f"factor {self.factor} is not above 0")
        if not (self.log_sd > 0 and math.isfinite(self.log_sd)):
            raise ValueError(f"log_sd {self.log_sd} is not above 0")


def faster_of(sheet: Sheet) -> Faster:
    """Read the factor from the sheet's constants."""
    return Faster(float(sheet.constant("pit-faster")), float(sheet.constant("pit-faster-log-sd")))


def pit_log_ratio(
    reading_mm: float, mean_mm: float, sd_mm: float, faster: Faster, *, from_mm: float = 0.0
) -> float:
    r"""Log likelihood ratio of a reading: a cause eats the pit against normal wear.

    Parameters
    ----------
    reading_mm : float
        The pit as gauged (mean of repeats).
    mean_mm, sd_mm : float
        Forecast of that reading under normal wear: its predictive mean, and its SD with the
        reading's own uncertainty in it; ``sd_mm > 0``.
    faster : Faster
    from_mm : float
        Depth from which the forecast growth counts, below `mean_mm`: 0 for a forecast from
        new, the last known depth for one from there.

    Returns
    -------
    float
        Natural log, not capped: the caller caps it. 0.0 where no growth was to be expected,
        since then no factor of it can show. Rises with the reading everywhere, so a pit far
        too shallow speaks against such a cause and for nothing.

    Notes
    -----
    .. math:: \log \int_{r>1} N(d; f + r (m - f), s^2)\, p(r)\, dr \; - \; \log N(d; m, s^2)

    with p log-normal cut off below 1 (our own choice, no source). One s on both sides and
    r > 1 make every term of the ratio rise with d; a scatter that grew with r would let an
    absurdly shallow pit count as a sign of fast wear. By Gauss-Legendre on pieces set around
    both factors' peaks; within the cap relative error below 1e-9 against adaptive
    quadrature in the tests; far in the tail beyond it the ratio falls too fast.
    """
    if not (sd_mm > 0 and math.isfinite(sd_mm)):
        raise ValueError(f"sd_mm {sd_mm} of a forecast is not above 0")
    if not (math.isfinite(reading_mm) and math.isfinite(mean_mm) and math.isfinite(from_mm)):
        raise ValueError("a depth is not a finite number")
    growth = mean_mm - from_mm
    if growth <= 0:
        return 0.0
    mu, s = math.log(faster.factor), faster.log_sd
    # In z = log r the prior is a plain normal and r > 1 is z > 0.
    peak = max((reading_mm - from_mm) / growth, 1e-12)
    width = sd_mm / growth
    cuts = {0.0} | {mu + k * s for k in _SPREAD}
    cuts |= {math.log(max(peak + k * width, 1e-300)) for k in _LOCAL}
    top = max(mu + 10 * s, 0.0) + 10 * s
    edges = np.array([*sorted(z for z in cuts if 0.0 <= z < top), top])
    half = np.diff(edges)[:, None] / 2
    z = edges[:-1, None] + half * (1 + _NODES)
    extra = growth * np.expm1(z)
    # log N(d; f + r g, s²) - log N(d; m, s²), without squares of far-off depths cancelling.
    log_shift = extra * (reading_mm - mean_mm - extra / 2) / sd_mm**2
    log_prior = -0.5 * ((z - mu) / s) ** 2 - math.log(s * math.sqrt(2 * math.pi))
    log_prior -= math.log(0.5 * math.erfc(-mu / (s * math.sqrt(2))))
    terms = log_shift + log_prior + np.log(half * _WEIGHTS)
    most = float(terms.max())
    return most + math.log(float(np.exp(terms - most).sum()))
