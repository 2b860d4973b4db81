"""What is measured on a part: its name, the part it belongs to, and what may be said of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

Quantity = Literal[
    "pit-depth",
    "orifice-growth",
    "orifice-roundness",
    "orifice-off-centre",
    "pit-off-centre",
]
"""What a limit may be set on."""

Growing = Literal["pit-depth", "orifice-growth"]
"""What grows by the wear model, and so needs a prior in every sheet."""

Measured = Literal[
    "orifice-diameter",
    "orifice-growth",
    "orifice-roundness",
    "orifice-off-centre",
    "nicks",
    "pit-diameter",
    "pit-off-centre",
]
"""What a photo of a hole or a pit gives; `nicks` is a count, the others are lengths."""

QUANTITIES: tuple[Quantity, ...] = get_args(Quantity)
GROWING: tuple[Growing, ...] = get_args(Growing)
MEASURED: tuple[Measured, ...] = get_args(Measured)
HOLE_QUANTITIES: tuple[Measured, ...] = tuple(q for q in MEASURED if q != "nicks")
"""The lengths that are decided on and kept with a signed inspection."""


@dataclass(frozen=True)
class QuantityWords:
    """How a quantity is written, and the parts it is measured on."""

    name: str
    parts: tuple[str, ...]
    what: str


_HOLE = ("nozzle", "shield")
WORDS: dict[str, QuantityWords] = {
    "pit-depth": QuantityWords("pit depth", ("electrode",), "the pit"),
    "orifice-diameter": QuantityWords("hole diameter", _HOLE, "the hole's diameter"),
    "orifice-growth": QuantityWords(
        "hole growth", _HOLE, "the hole's growth since new (diameter now minus diameter when new)"
    ),
    "orifice-roundness": QuantityWords("hole out of round", _HOLE, "the hole's out-of-roundness"),
    "orifice-off-centre": QuantityWords("hole off centre", _HOLE, "the hole's distance off centre"),
    "nicks": QuantityWords("nicks", _HOLE, "the nicks in the hole's edge"),
    "pit-diameter": QuantityWords("pit diameter", ("electrode",), "the pit's diameter"),
    "pit-off-centre": QuantityWords(
        "pit off centre", ("electrode",), "the pit's distance off centre"
    ),
}
"""By quantity, for limits, pages and reasons."""


def quantities_of(part: str) -> tuple[Measured, ...]:
    """Return the lengths a photo gives of a part; empty where no photo is measured."""
    return tuple(q for q in HOLE_QUANTITIES if part in WORDS[q].parts)


def feature_of(part: str) -> Literal["orifice", "pit"]:
    """Return what is measured on a part's photo."""
    return "pit" if part == "electrode" else "orifice"


PHOTO_PARTS: tuple[str, ...] = ("nozzle", "shield", "electrode")
"""Parts with a camera button on the bench."""
