"""Specimens to practise on: a nozzle's face with one fault or none, by seed and level.

The bounds between right and wrong are made up for practice; no limit of the trade's is meant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pitwise.measure.specimen import Scene, Truth

KINDS = ("round", "out-of-round", "nicked", "off-centre")
KIND_WORDS = {
    "round": "Round",
    "out-of-round": "Out of round",
    "nicked": "Nicked",
    "off-centre": "Off-centre",
}
SIZE_PX = 720
_RIM_MM = 8.0
_PX_PER_MM = 78.0


@dataclass(frozen=True)
class Level:
    """How hard it is.

    Attributes
    ----------
    id, name : str
    shape_mm, nick_mm, off_mm : float
        From where on a hole counts as out of round, nicked (depth), off-centre. A fault that is
        shown is 1.3 to 2 times as large; what is not shown stays below a sixth of it.
    tilt_deg : float
        The most the face is tilted: a tilted round hole looks oval, and so does its rim.
    dirt : int
        The most drops of spatter and patches of glare, none on the hole's edge.
    """

    id: str
    name: str
    shape_mm: float
    nick_mm: float
    off_mm: float
    tilt_deg: float
    dirt: int


LEVELS = (
    Level("easy", "Easy", 0.24, 0.24, 0.36, 2.0, 0),
    Level("middle", "Middle", 0.13, 0.13, 0.20, 6.0, 2),
    Level("hard", "Hard", 0.075, 0.08, 0.12, 12.0, 5),
)
_BY_ID = {level.id: level for level in LEVELS}


def level_of(level: str) -> Level | None:
    """Return a level by its id, None for an unknown one."""
    return _BY_ID.get(level)


def scene_of(seed: int, level: Level) -> Scene:
    """Return the specimen of a seed: each of the four kinds equally often.

    Parameters
    ----------
    seed : int
        At least 0; the same gives the same specimen.
    level : Level
    """
    rng = np.random.default_rng([seed, LEVELS.index(level)])
    kind = KINDS[int(rng.integers(len(KINDS)))]
    hole = float(rng.uniform(1.7, 2.5))
    size = float(rng.uniform(1.3, 2.0))
    small = 0.15 * float(rng.uniform(0.1, 1.0))
    shape = (size if kind == "out-of-round" else small) * level.shape_mm
    off = (size if kind == "off-centre" else small) * level.off_mm
    upr = int(rng.choice((2, 2, 3, 4)))
    # Lobes of amplitude a are 2 a from the lowest to the highest place.
    lobes = ((upr, shape / 2, float(rng.uniform(0, 360))),)
    angle = float(rng.uniform(0, 360))
    nicks = (
        ((angle, size * level.nick_mm, float(rng.uniform(0.2, 0.45))),) if kind == "nicked" else ()
    )
    towards = float(rng.uniform(0, 2 * math.pi))
    return Scene(
        width=SIZE_PX,
        height=SIZE_PX,
        px_per_mm=_PX_PER_MM,
        rim_mm=_RIM_MM,
        hole_mm=hole,
        lobes=lobes,
        nicks=nicks,
        off_centre_mm=(off * math.cos(towards), off * math.sin(towards)),
        tilt_deg=float(rng.uniform(0, level.tilt_deg)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        distance_mm=150.0,
        turn_deg=float(rng.uniform(0, 360)),
        aim_px=(float(rng.uniform(-12, 12)), float(rng.uniform(-12, 12))),
        texture=float(rng.uniform(0.3, 0.8)),
        soot=float(rng.uniform(0.1, 0.5)),
        face_light=float(rng.uniform(0.35, 0.5)),
        light_from_deg=float(rng.uniform(0, 360)),
        glare=int(rng.integers(0, level.dirt // 2 + 1)),
        spatter=int(rng.integers(0, level.dirt + 1)),
        background=str(rng.choice(("bench", "cloth"))),
        jpeg_quality=None,
    )


def verdict_of(truth: Truth, level: Level) -> str:
    """Return which kind a specimen is, from its truth alone."""
    if any(depth >= level.nick_mm for _, depth, _ in truth.nicks):
        return "nicked"
    if truth.roundness_mm >= level.shape_mm:
        return "out-of-round"
    return "off-centre" if truth.off_centre_mm >= level.off_mm else "round"
