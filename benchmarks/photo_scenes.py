"""Seeded scenes on which the measurement from a photo is judged."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from pitwise.measure.specimen import Scene
from pitwise.measure.specimen.scene import BACKGROUNDS

SEED = 20261125
SIZE = 1000
LOWEST, HIGHEST = 40.0, 150.0
"""Scale in px/mm."""
MOST_TILT_DEG = 15.0
NICK_PX = (1.0, 3.0)
"""Depth and width of the nick that shall be found."""
BIG_NICK_MM = 0.3
TURNS = (0.0, 90.0, 180.0, 270.0)
TURN_SLIP_DEG = 1.0
"""Standard deviation of a quarter turn by hand."""
# Families of seeds: what is tuned on one is judged on another.
GROUPS = (
    "hole",
    "nick",
    "big-nick",
    "spatter",
    "glare",
    "pit",
    "turned",
    "repeat",
    "sharpened",
    "bevelled",
)


def draw(group: str, number: int, family: int = 0) -> Scene:
    """Return one scene of a group; another family is another set of scenes."""
    rng = np.random.default_rng([SEED, family, GROUPS.index(group), number])
    scale = float(np.exp(rng.uniform(math.log(LOWEST), math.log(HIGHEST))))
    rim = SIZE * float(rng.uniform(0.78, 0.88)) / scale
    # A hole of 60 to 240 px whatever the scale.
    hole = float(np.exp(rng.uniform(math.log(60), math.log(240)))) / scale
    aside = float(rng.uniform(0, 0.04)) * rim
    way = float(rng.uniform(0, 2 * math.pi))
    # Every other hole is a circle.
    waves = 0.02 if number % 2 else 0.0
    lobes = tuple(
        (upr, float(rng.uniform(0, 1)) * waves / upr * hole, float(rng.uniform(0, 360)))
        for upr in (2, 3, 4, 5)
    )
    scene = Scene(
        width=SIZE,
        height=SIZE,
        px_per_mm=scale,
        rim_mm=rim,
        hole_mm=hole,
        lobes=lobes,
        off_centre_mm=(aside * math.cos(way), aside * math.sin(way)),
        tilt_deg=float(rng.uniform(0, MOST_TILT_DEG)),
        tilt_towards_deg=float(rng.uniform(0, 360)),
        distance_mm=float(rng.uniform(8, 20)) * rim,
        turn_deg=float(rng.uniform(0, 360)),
        aim_px=(float(rng.uniform(-20, 20)), float(rng.uniform(-20, 20))),
        blur_px=float(rng.uniform(0.6, 1.4)),
        noise=float(rng.uniform(0.004, 0.015)),
        gamma=float(rng.uniform(1.9, 2.5)),
        jpeg_quality=int(rng.integers(85, 97)),
        texture=float(rng.uniform(0.2, 0.9)),
        bore_depth_mm=float(rng.uniform(0.8, 2.0)) * hole,
        side_depth_mm=0.3 * rim,
        rim_chamfer_mm=float(rng.choice([0.0, 0.01, 0.02])) * rim,
        wall_light=float(rng.uniform(0.1, 0.6)),
        face_light=float(rng.uniform(0.3, 0.55)),
        light_from_deg=float(rng.uniform(0, 360)),
        light_fall=float(rng.uniform(0, 0.4)),
        soot=float(rng.uniform(0, 0.4)),
        background=BACKGROUNDS[int(rng.integers(3))],
    )
    angle = float(rng.uniform(0, 360))
    if group == "nick":
        return replace(scene, nicks=((angle, NICK_PX[0] / scale, NICK_PX[1] / scale),))
    if group == "big-nick":
        # As wide as deep, and no deeper than a third of a small hole.
        depth = min(BIG_NICK_MM, hole / 3)
        return replace(scene, nicks=((angle, depth, depth),))
    if group == "spatter":
        return replace(
            scene,
            spatter=int(rng.integers(1, 6)),
            spatter_on_edge=int(rng.integers(1, 4)),
        )
    if group == "glare":
        return replace(scene, glare=int(rng.integers(1, 4)), glare_on_edge=int(rng.integers(0, 2)))
    if group == "pit":
        return replace(
            scene,
            feature="pit",
            emitter_mm=hole * float(rng.uniform(1.25, 1.8)),
            off_centre_mm=(0.3 * scene.off_centre_mm[0], 0.3 * scene.off_centre_mm[1]),
            pit_contrast=float(rng.uniform(0.15, 0.4)),
            pit_fuzz_mm=float(rng.uniform(0.8, 2.0)) / scale,
        )
    if group == "sharpened":
        return replace(scene, sharpen=float(rng.uniform(0.3, 1.0)))
    if group == "bevelled":
        return replace(scene, chamfer_mm=float(rng.uniform(0.01, 0.04)) * hole)
    if group == "turned":
        # The camera stays where it is on a stand; the part is turned by quarter turns.
        return replace(scene, turn_deg=0.0)
    if group == "repeat":
        # Noise alone, and no edge but the hole's and the rim's: what the bound is reckoned for.
        return replace(
            scene,
            jpeg_quality=None,
            texture=0.0,
            soot=0.0,
            noise=0.01,
            tilt_deg=0.0,
            rim_chamfer_mm=0.0,
        )
    return scene
