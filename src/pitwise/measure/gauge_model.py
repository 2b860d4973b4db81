"""What a gauge study tells: components with intervals, and how it is written down."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from pitwise.trade.given import InputError

#: Intervals hold with this probability, two-sided.
LEVEL = 0.95
#: An interaction less sure than this is laid to repeatability (common practice, no source).
POOL_ABOVE = 0.25
#: Widths compared with a tolerance are so many standard deviations (common practice).
SPREAD = 6.0
#: √2 cut to two decimals, as the number of steps is reckoned by hand (common practice).
STEPS = 1.41


class GaugeError(InputError):
    """Readings that are no gauge study: names place, problem and mend."""


@dataclass(frozen=True)
class Component:
    """One part of the scatter of readings; unit of the readings.

    Attributes
    ----------
    name : str
    sd : float
        Standard deviation, >= 0; 0 where the estimate of the variance came out negative.
    variance : float
        ``sd ** 2``.
    low, high : float or None
        95 % interval of the standard deviation; None where the method gives none.
    share : float
        Of the total variance, 0 to 1.
    percent_of_total : float
        Of the total standard deviation. These don't add up to 100: variances do.
    percent_of_tolerance : float or None
        Six standard deviations over the tolerance's width; None without one.
    """

    name: str
    sd: float
    variance: float
    low: float | None
    high: float | None
    share: float
    percent_of_total: float
    percent_of_tolerance: float | None

    def plain(self) -> dict[str, Any]:
        """Return it as data."""
        return {
            "name": self.name,
            "sd": self.sd,
            "variance": self.variance,
            "low": self.low,
            "high": self.high,
            "share": self.share,
            "percent_of_total": self.percent_of_total,
            "percent_of_tolerance": self.percent_of_tolerance,
        }


@dataclass(frozen=True)
class Row:
    """One row of the analysis of variance; f and p are None where they have no meaning."""

    source: str
    df: int
    ss: float
    ms: float
    f: float | None
    p: float | None


@dataclass(frozen=True)
class GaugeStudy:
    """How much of the readings' scatter is the gauge's.

    Attributes
    ----------
    method : {"anova", "range"}
    repeatability : Component
        The same person, the same part, again.
    reproducibility : Component or None
        Between people; None with one person: it can't be told.
    interaction : Component or None
        People who differ more on some parts than on others; None where pooled, or by ranges.
    gauge, part, total : Component
        All of the gauge's together; between parts; everything.
    table : tuple of Row
        Empty by ranges.
    pooled : bool
        Whether the interaction was laid to repeatability.
    ndc : int or None
        Steps the gauge can tell apart over these parts; None where the gauge shows no scatter.
    parts, people, trials : int
    tolerance : float or None
        Width, unit of the readings.
    interval : str
        How the intervals were made.
    notes : tuple of str
        What was set to zero, pooled or left open, in words.
    gauge_df : float or None
        About so many degrees of freedom stand behind `gauge` (Welch and Satterthwaite, JCGM 100
        G.4.1); None by ranges, or where the gauge shows no scatter.
    """

    method: Literal["anova", "range"]
    repeatability: Component
    reproducibility: Component | None
    interaction: Component | None
    gauge: Component
    part: Component
    total: Component
    table: tuple[Row, ...]
    pooled: bool
    ndc: int | None
    parts: int
    people: int
    trials: int
    tolerance: float | None
    interval: str
    notes: tuple[str, ...]
    gauge_df: float | None = None

    @property
    def components(self) -> tuple[Component, ...]:
        """All that could be told, finest first."""
        every = (
            self.repeatability,
            self.reproducibility,
            self.interaction,
            self.gauge,
            self.part,
            self.total,
        )
        return tuple(c for c in every if c is not None)

    def plain(self, unit: str | None = None) -> dict[str, Any]:
        """Return it as data: the standard deviations by name, then all there is."""

        def sd(c: Component | None) -> float | None:
            return None if c is None else c.sd

        return {
            "method": self.method,
            "unit": unit,
            "repeatability": self.repeatability.sd,
            "reproducibility": sd(self.reproducibility),
            "interaction": sd(self.interaction),
            "gauge": self.gauge.sd,
            "part": self.part.sd,
            "total": self.total.sd,
            "percent_of_total": self.gauge.percent_of_total,
            "percent_of_tolerance": self.gauge.percent_of_tolerance,
            "ndc": self.ndc,
            "components": [c.plain() for c in self.components],
            "table": [
                {"source": r.source, "df": r.df, "ss": r.ss, "ms": r.ms, "f": r.f, "p": r.p}
                for r in self.table
            ],
            "pooled": self.pooled,
            "parts": self.parts,
            "people": self.people,
            "trials": self.trials,
            "tolerance": self.tolerance,
            "interval": self.interval,
            "gauge_df": self.gauge_df,
            "notes": list(self.notes),
        }


def steps(part: float, gauge: float) -> int | None:
    """Return how many steps a gauge of that sd tells apart over parts of that sd."""
    if gauge <= 0:
        return None
    return math.floor(STEPS * part / gauge)
