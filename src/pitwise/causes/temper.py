"""Tempering: how much of the sheet's numbers is believed, in one place.

The sheet's links and leaks are guesses, and a network that believes them to the letter claims
too much. Four constants of the sheet hold it back; neutral values change nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pitwise.trade.model import Sheet

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Tempering:
    """How far the numbers are believed.

    Attributes
    ----------
    leak_floor : float
        No leak is taken to be less than this; 0 is neutral.
    link_keep : float
        Factor on every link, in (0, 1]; 1 is neutral.
    odds : float
        Factor on the shift of each cause's log-odds away from its base rate, in (0, 1];
        1 is neutral.
    few : float
        How much less few facts are believed: of a cause linked to k facts that are there,
        k / (k + few) of its shift is believed; 0 is neutral. A complaint is not drawn by lot:
        what nobody complained of is not looked at, yet mostly not there. What is absent, or not
        linked to the cause, leaves its share alone: else it would raise what it speaks against.
    """

    leak_floor: float = 0.0
    link_keep: float = 1.0
    odds: float = 1.0
    few: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what would turn evidence round or break a probability."""
        for name, value, low in (
            ("temper-leak-floor", self.leak_floor, 0.0),
            ("temper-link-keep", self.link_keep, 1e-6),
            ("temper-odds", self.odds, 1e-6),
            ("temper-few", self.few, 0.0),
        ):
            if not low <= value <= 1:
                raise ValueError(f"constant {name} = {value}: give a number above 0, at most 1")

    def leaks(self, leak: Floats) -> Floats:
        """Return leaks of any shape, raised to the floor."""
        return np.maximum(leak, self.leak_floor)

    def links(self, link: Floats) -> Floats:
        """Return links of any shape, weakened."""
        return link * self.link_keep

    def share(self, telling: npt.ArrayLike) -> Floats:
        """Return the share of each shift of log-odds that is believed.

        Parameters
        ----------
        telling : int or array
            Facts that are there and linked to the cause (`Compiled.telling`). With none the
            whole of `odds` counts: only what is absent has moved the cause.
        """
        facts = np.asarray(telling, dtype=np.float64)
        many = facts + np.where(facts > 0, self.few, 1.0)
        return self.odds * np.where(facts > 0, facts / many, 1.0)

    def posterior(self, p: Floats, base: Floats, telling: npt.ArrayLike) -> Floats:
        """Return probabilities drawn back toward the base rate, in log-odds.

        Parameters
        ----------
        p, base : arrays that broadcast
            Exact posteriors and base rates, in [0, 1]; 0 and 1 stay what they are.
        telling : int or array
            Facts that are there and linked to each cause (`Compiled.telling`).
        """
        if self.odds == 1.0 and self.few == 0.0:
            return p
        with np.errstate(divide="ignore", over="ignore"):
            at = np.log(p) - np.log1p(-p)
            out = 1 / (1 + np.exp(-self.log_odds(at, base, telling)))
        return np.where((p <= 0) | (p >= 1) | (base <= 0) | (base >= 1), p, out)

    def log_odds(self, at: Floats, base: Floats, telling: npt.ArrayLike) -> Floats:
        """Return log-odds drawn back toward those of the base rate, as `posterior` does.

        Parameters
        ----------
        at : array
            Exact log-odds; ±∞ stays what it is.
        base, telling : arrays that broadcast
            As of `posterior`.
        """
        with np.errstate(divide="ignore", invalid="ignore"):
            prior = np.log(base) - np.log1p(-base)
            shift = at - prior
            # Few facts hold back a suspicion, not an acquittal: else one more fact that speaks
            # for a cause, by counting, would push one below its base rate further down.
            out = prior + np.where(shift > 0, self.share(telling), self.odds) * shift
        return np.where(np.isfinite(at) & np.isfinite(prior), out, at)


def tempering_of(sheet: Sheet) -> Tempering:
    """Read the sheet's tempering constants."""
    return Tempering(
        float(sheet.constant("temper-leak-floor")),
        float(sheet.constant("temper-link-keep")),
        float(sheet.constant("temper-odds")),
        float(sheet.constant("temper-few")),
    )
