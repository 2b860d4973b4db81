"""Words for probabilities, as the pages and the command line use them."""

from __future__ import annotations

# From which probability upward a word is used: our own bands.
BANDS: tuple[tuple[float, str], ...] = (
    (0.95, "almost certain"),
    (0.80, "very likely"),
    (0.60, "likely"),
    (0.40, "about even"),
    (0.15, "possible"),
    (0.05, "unlikely"),
    (0.0, "very unlikely"),
)
RULED_OUT = "ruled out"


def probability_word(p: float) -> str:
    """Return the word for a probability in [0, 1]."""
    if not 0 <= p <= 1:
        raise ValueError(f"{p} is no probability")
    return next(word for least, word in BANDS if p >= least)


def percent(p: float) -> str:
    """Return a probability as a whole per cent, never a false 0 or 100."""
    if p < 0.005:
        return "under 1 %"
    return "over 99 %" if p > 0.995 else f"{100 * p:.0f} %"


def minutes(x: float) -> str:
    """Return minutes in words."""
    return "1 minute" if x == 1 else f"{x:g} minutes"
