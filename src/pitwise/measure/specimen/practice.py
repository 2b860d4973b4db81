"""Specimens to train the eye on, and the right answer to each, from its truth alone."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from pitwise.measure.specimen.curve import Curve, minimum_zone_width
from pitwise.measure.specimen.scene import BACKGROUNDS, Lobe, Scene
from pitwise.measure.specimen.truth import Truth
from pitwise.trade.given import InputError, near

LABEL = "Rendered picture, not a photo"
LEVELS = ("beginner", "steady", "hard")
Action = Literal["keep", "clean", "replace"]

ROUND, NICKED, WIDE, ASIDE = (
    "orifice-out-of-round",
    "orifice-nicked",
    "orifice-enlarged",
    "orifice-off-centre",
)
PIT_ROUND, PIT_RAGGED, PIT_ASIDE, SPATTER = (
    "pit-round",
    "pit-ragged",
    "emitter-off-centre",
    "spatter-attached",
)


@dataclass(frozen=True)
class Thresholds:
    """From where on a specimen has a fault; for practice only, common practice, no source.

    Attributes
    ----------
    roundness_share, pit_roundness_share : float
        Width of the ring that holds the edge, as a share of the diameter.
    nick_mm : float
        Depth of the deepest nick.
    growth_share : float
        Diameter over the new one's, less 1.
    off_centre_mm, pit_off_centre_mm : float
    wide_share : float
        Diameter of a pit over its emitter's.
    """

    roundness_share: float = 0.06
    pit_roundness_share: float = 0.2
    nick_mm: float = 0.1
    growth_share: float = 0.1
    off_centre_mm: float = 0.15
    pit_off_centre_mm: float = 0.25
    wide_share: float = 0.9


USUAL = Thresholds()


@dataclass(frozen=True)
class Seen:
    """One thing there is to judge: its value, where it begins to count, whether it does."""

    finding: str
    value: float
    threshold: float
    unit: Literal["mm", "share", "drops"]
    present: bool


@dataclass(frozen=True)
class Verdict:
    """The right answer: the findings there are, the action they call for, and why.

    ``looked`` holds every finding that could be there, present or not.
    """

    part: Literal["nozzle", "electrode"]
    findings: frozenset[str]
    action: Action
    looked: tuple[Seen, ...]


# How far (in thresholds) a fault goes beyond its threshold, and how near a sound one comes.
_FAULT = {"beginner": (3.0, 5.0), "steady": (1.8, 3.0), "hard": (1.3, 1.8)}
_SOUND = {"beginner": 0.2, "steady": 0.45, "hard": 0.7}
_SPOILT = {"beginner": 0, "steady": 1, "hard": 2}
_KINDS = (
    "round",
    "round",
    "oval",
    "nicked",
    "aside",
    "wide",
    "spattered",
    "pit",
    "pit-aside",
    "pit-ragged",
)


def specimen(seed: int, level: str) -> Scene:
    """Return a scene to judge; the same seed and level give the same one.

    Raises
    ------
    InputError
        The level isn't one of `LEVELS`.
    """
    if level not in LEVELS:
        raise InputError("level", f"'{level}' is unknown", near(level, LEVELS))
    rng = np.random.default_rng([seed, 11, LEVELS.index(level)])
    kind = _KINDS[int(rng.integers(len(_KINDS)))]
    fault = float(rng.uniform(*_FAULT[level]))
    sound = float(rng.uniform(0.3, 1.0)) * _SOUND[level]
    spoilt = _SPOILT[level]
    scene = Scene(
        width=800,
        height=800,
        tilt_deg=float(rng.uniform(0, (2.0, 8.0, 14.0)[spoilt])),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        turn_deg=float(rng.uniform(0, 360)),
        distance_mm=float(rng.uniform(90, 250)),
        blur_px=float(rng.uniform(0.6, (0.9, 1.1, 1.5)[spoilt])),
        noise=(0.006, 0.01, 0.02)[spoilt],
        gamma=float(rng.uniform(2.1, 2.4)),
        texture=float(rng.uniform(0.2, (0.5, 0.8, 1.0)[spoilt])),
        soot=float(rng.uniform(0.05, (0.2, 0.4, 0.6)[spoilt])),
        light_from_deg=float(rng.uniform(0, 360)),
        light_fall=(0.1, 0.25, 0.5)[spoilt],
        glare=int(rng.integers(0, spoilt + 1)),
        wall_light=float(rng.uniform(0.2, (0.3, 0.45, 0.7)[spoilt])),
        background=BACKGROUNDS[int(rng.integers(3))],
    )
    if kind.startswith("pit"):
        return _electrode(scene, rng, kind, fault, sound)
    return _nozzle(scene, rng, kind, fault, sound)


def _nozzle(scene: Scene, rng: np.random.Generator, kind: str, fault: float, sound: float) -> Scene:
    rim = float(rng.uniform(9.0, 13.0))
    new = float(rng.uniform(1.6, 2.6))
    growth = USUAL.growth_share * (fault if kind == "wide" else sound)
    hole = new * (1 + growth)
    ring = USUAL.roundness_share * hole * (min(fault, 3.5) if kind == "oval" else 0.8 * sound)
    aside = USUAL.off_centre_mm * (fault if kind == "aside" else sound)
    angle = float(rng.uniform(0, 2 * math.pi))
    nicks: tuple[tuple[float, float, float], ...] = ()
    if kind == "nicked":
        count = int(rng.integers(1, 4))
        starts = rng.uniform(0, 360) + np.arange(count) * (360 / count) + rng.uniform(-25, 25)
        depths = USUAL.nick_mm * fault * rng.uniform(0.7, 1.0, count)
        depths[0] = USUAL.nick_mm * fault
        nicks = tuple(
            (float(a % 360), float(d), float(rng.uniform(0.12, 0.3)))
            for a, d in zip(starts, depths, strict=True)
        )
    return replace(
        scene,
        px_per_mm=0.88 * scene.width / rim,
        rim_mm=rim,
        hole_mm=hole,
        hole_new_mm=new,
        lobes=_lobes(rng, ring),
        nicks=nicks,
        off_centre_mm=(aside * math.cos(angle), aside * math.sin(angle)),
        spatter=int(rng.integers(4, 10)) if kind == "spattered" else 0,
        chamfer_mm=float(rng.choice([0.0, 0.03])) * hole,
    )


def _electrode(
    scene: Scene, rng: np.random.Generator, kind: str, fault: float, sound: float
) -> Scene:
    rim = float(rng.uniform(6.0, 9.0))
    emitter = float(rng.uniform(1.6, 2.2))
    ragged = kind == "pit-ragged"
    pit = emitter * float(rng.uniform(0.55, 0.75))
    limit = USUAL.pit_off_centre_mm
    aside = min(limit * (fault if kind == "pit-aside" else sound), 0.4 * rim - pit / 2)
    ring = USUAL.pit_roundness_share * pit * (min(fault, 1.9) if ragged else 0.6 * sound)
    angle = float(rng.uniform(0, 2 * math.pi))
    return replace(
        scene,
        feature="pit",
        px_per_mm=0.88 * scene.width / rim,
        rim_mm=rim,
        hole_mm=pit,
        emitter_mm=emitter,
        lobes=_lobes(rng, ring, many=ragged),
        off_centre_mm=(aside * math.cos(angle), aside * math.sin(angle)),
        pit_contrast=float(rng.uniform(0.35, 0.6)),
        pit_fuzz_mm=float(rng.uniform(0.02, 0.05)),
    )


def _lobes(rng: np.random.Generator, ring_mm: float, *, many: bool = False) -> tuple[Lobe, ...]:
    """Return lobes whose ring is close to a width: one, or several where the edge is torn."""
    if not many:
        upr = int(rng.choice([2, 2, 2, 3]))
        return ((upr, ring_mm / 2, float(rng.uniform(0, 360))),)
    uprs = range(2, 9)
    share = rng.uniform(0.4, 1.0, len(uprs)) / np.sqrt(np.arange(2, 9))
    torn = tuple(
        (upr, float(a), float(rng.uniform(0, 360))) for upr, a in zip(uprs, share, strict=True)
    )
    # Many waves together make a ring that only the minimum zone tells.
    points = Curve(20 * float(share.sum()), (0.0, 0.0), torn).points(720)
    scale = ring_mm / minimum_zone_width(points)
    return tuple((upr, a * scale, phase) for upr, a, phase in torn)


def as_new(scene: Scene) -> Scene:
    """Return the same part new, in the same light: to hold a worn one against."""
    return replace(
        scene,
        hole_mm=scene.hole_new_mm or scene.hole_mm,
        lobes=(),
        nicks=(),
        off_centre_mm=(0.0, 0.0),
        spatter=0,
        glare=0,
        pit_contrast=0.0,
    )


def verdict(truth: Truth, thresholds: Thresholds = USUAL) -> Verdict:
    """Return the right answer to a specimen."""
    t = thresholds
    share = truth.smooth_roundness_mm / truth.smooth_diameter_mm
    if truth.feature == "pit":
        aside = Seen(
            PIT_ASIDE,
            truth.off_centre_mm,
            t.pit_off_centre_mm,
            "mm",
            truth.off_centre_mm > t.pit_off_centre_mm,
        )
        wide = truth.emitter_mm > 0 and truth.diameter_mm > t.wide_share * truth.emitter_mm
        ragged = Seen(
            PIT_RAGGED,
            share,
            t.pit_roundness_share,
            "share",
            share > t.pit_roundness_share or wide,
        )
        found = frozenset(s.finding for s in (aside, ragged) if s.present) or {PIT_ROUND}
        return Verdict(
            "electrode",
            frozenset(found),
            "replace" if aside.present else "keep",
            (aside, ragged),
        )
    deepest = max((depth for _, depth, _ in truth.nicks), default=0.0)
    growth = truth.smooth_diameter_mm / truth.hole_new_mm - 1 if truth.hole_new_mm else 0.0
    drops = float(len(truth.drops))
    looked = (
        Seen(ROUND, share, t.roundness_share, "share", share > t.roundness_share),
        Seen(NICKED, deepest, t.nick_mm, "mm", deepest > t.nick_mm),
        Seen(WIDE, growth, t.growth_share, "share", growth > t.growth_share),
        Seen(
            ASIDE,
            truth.off_centre_mm,
            t.off_centre_mm,
            "mm",
            truth.off_centre_mm > t.off_centre_mm,
        ),
        Seen(SPATTER, drops, 0.0, "drops", drops > 0),
    )
    present = frozenset(s.finding for s in looked if s.present)
    action: Action = "keep"
    if present:
        action = "clean" if present == {SPATTER} else "replace"
    return Verdict("nozzle", present, action, looked)
