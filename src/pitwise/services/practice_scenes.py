"""Specimens to practise on: a nozzle's face with one of four answers, by seed and level.

The bounds between right and wrong are those of `pitwise.measure.specimen`: made for practice,
common practice at best; no limit of the trade's is meant.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from pitwise.measure.specimen import LABEL as LABEL
from pitwise.measure.specimen import Scene, Truth, specimen, truth_of, verdict
from pitwise.measure.specimen.practice import USUAL

SIZE_PX = 640
KINDS = ("round", "out-of-round", "nicked", "off-centre")
KIND_WORDS = {
    "round": "Round",
    "out-of-round": "Out of round",
    "nicked": "Nicked",
    "off-centre": "Off-centre",
}
_BY_FINDING: dict[frozenset[str], str] = {
    frozenset(): "round",
    frozenset({"orifice-out-of-round"}): "out-of-round",
    frozenset({"orifice-nicked"}): "nicked",
    frozenset({"orifice-off-centre"}): "off-centre",
}
# One specimen in ten is of a wanted kind at the least; so many are never all of others.
_MOST_DRAWN = 2000


@dataclass(frozen=True)
class Level:
    """How hard it is: how near faults come to the bounds, how the face is tilted and lit."""

    id: str
    name: str
    about: str


LEVELS = (
    Level("beginner", "Beginner", "faults plain to see, face nearly square on"),
    Level("steady", "Steady", "faults near the bound, some tilt"),
    Level("hard", "Hard", "just over or just under, tilt and glare"),
)
_BY_ID = {level.id: level for level in LEVELS}


def level_of(level: str) -> Level | None:
    """Return a level by its id, None for an unknown one."""
    return _BY_ID.get(level)


def kind_of(truth: Truth) -> str | None:
    """Return which of the four answers is right; None where none is, or more than one."""
    if truth.feature != "orifice":
        return None
    return _BY_FINDING.get(verdict(truth).findings)


@functools.lru_cache(maxsize=256)
def scene_of(seed: int, level: str) -> tuple[Scene, str]:
    """Return the specimen of a seed and the right answer, each answer equally often.

    Parameters
    ----------
    seed : int
        At least 0; the same gives the same specimen.
    level : str
        Id of one of `LEVELS`.
    """
    rng = np.random.default_rng([seed, 29])
    wanted = KINDS[int(rng.integers(len(KINDS)))]
    for _ in range(_MOST_DRAWN):
        scene = specimen(int(rng.integers(2**31)), level)
        if not _may_be(scene, wanted):
            continue
        scene = replace(
            scene, width=SIZE_PX, height=SIZE_PX, px_per_mm=scene.px_per_mm * SIZE_PX / scene.width
        )
        if kind_of(truth_of(scene)) == wanted:
            return scene, wanted
    raise RuntimeError(f"no '{wanted}' specimen among {_MOST_DRAWN} of level '{level}'")


def _may_be(scene: Scene, wanted: str) -> bool:
    """Tell without reckoning the truth, which costs more, what a scene can't be."""
    if scene.feature != "orifice" or scene.spatter or (wanted == "nicked") != bool(scene.nicks):
        return False
    ring = 2 * sum(abs(a) for _, a, _ in scene.lobes) / scene.hole_mm
    return (wanted == "out-of-round") == (ring > USUAL.roundness_share)
