"""The eight parts of a mechanized, liquid-cooled plasma torch, as geometry.

Drawn from the trade's general idea of each part (common practice, no source), not from any one
torch: proportions are chosen to be recognised, not to be measured. The upper half of each part is
its outside, the lower half is cut open.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from .shapes import EDGE, OUTLINE, Fill, Line, Oval, Point, Poly, Shape


@dataclass(frozen=True)
class Part:
    """One part of the torch and how it is drawn.

    Attributes
    ----------
    slug, name : str
        The trade's word for the part, for programs and for people.
    lines : tuple of str
        The name, broken for a narrow place.
    length, above, below : float
        Extent along the axis, and to either side of it, in drawing units.
    shapes : tuple of Shape
        The drawing, back to front.
    """

    slug: str
    name: str
    lines: tuple[str, ...]
    length: float
    above: float
    below: float
    shapes: tuple[Shape, ...]


def _thread(start: float, end: float, crest: float, root: float, turns: int) -> list[Point]:
    """Return the tooth line of a thread from `start` to `end`, which may run backwards."""
    pitch = (end - start) / turns
    points: list[Point] = [(start, root)]
    for turn in range(turns):
        points.append((start + (turn + 0.5) * pitch, crest))
        points.append((start + (turn + 1) * pitch, root))
    return points


def _outside(profile: Sequence[Point], edges: Sequence[Point]) -> list[Shape]:
    """Return the outside half of a turned body: silhouette and the edges across it."""
    border = [(profile[0][0], 0.0), *profile, (profile[-1][0], 0.0)]
    shapes: list[Shape] = [Poly(tuple((x, -r) for x, r in border), "outside")]
    shapes += [Line(((x, -r), (x, 0.0))) for x, r in edges]
    return shapes


def _cut(points: Sequence[Point], lean: int = 1) -> Poly:
    return Poly(tuple(points), "cut", OUTLINE, lean)


def _bore(points: Sequence[Point], edges: Sequence[Point] = ()) -> list[Shape]:
    """Return the hollow seen behind the cut, closed along the axis."""
    border = [(points[0][0], 0.0), *points, (points[-1][0], 0.0)]
    shapes: list[Shape] = [Poly(tuple(border), "bore", EDGE)]
    shapes += [Line(((x, 0.0), (x, r))) for x, r in edges]
    return shapes


def _helix(start: float, end: float, crest: float, turns: int) -> list[Shape]:
    """Return the thread's crests on the outside, leaning as a right-hand thread does."""
    pitch = (end - start) / turns
    crests = [start + (turn + 0.5) * pitch for turn in range(turns)]
    return [Line(((x, -crest), (x - pitch / 4, 0.0))) for x in crests]


def _grip(start: float, end: float, radius: float, count: int) -> list[Shape]:
    """Return grip flutes, closing up toward the silhouette as on a round body."""
    angles = [(i + 0.5) / count * math.pi / 2 for i in range(count)]
    heights = [-radius * math.sin(angle) for angle in angles]
    return [Line(((start, y), (end, y)), 1.6) for y in heights]


def _holes(
    x: float, radius: float, rx: float, ry: float, angles: Sequence[float], *, turn: float = 0.0
) -> list[Shape]:
    """Return holes round a body; angle 0 faces the reader, 90 is the silhouette."""
    shapes: list[Shape] = []
    for angle in angles:
        a = math.radians(angle)
        y, flat = -radius * math.sin(a), math.cos(a)
        shapes.append(Oval(x, y, rx, max(ry * flat, 0.8), turn * flat))
    return shapes


def _channel(points: Sequence[Point], fill: Fill = "bore") -> list[Shape]:
    """Return a passage through a cut wall: four corners, walls along 0-1 and 3-2."""
    a, b, c, d = points
    return [Poly((a, b, c, d), fill, 0), Line((a, b), 1.8), Line((d, c), 1.8)]


def _shield_cap() -> Part:
    rim: list[Point] = [(0, 51), (5, 58), (46, 58)]
    teeth = _thread(46, 21, 49, 53, 5)
    wall: list[Point] = [(0, 38), *rim, *teeth, (18, 53), (10, 53), (10, 38)]
    shapes = [
        *_outside([(0, 51), (5, 58), (46, 58)], [(5, 58), (13, 58), (38, 58)]),
        *_grip(13, 38, 58, 8),
        *_bore([(0, 38), (10, 38), (10, 53), (46, 53)], [(10, 53), (21, 53)]),
        _cut(wall),
    ]
    return Part("shield-cap", "Shield cap", ("Shield cap",), 46, 58, 58, tuple(shapes))


def _shield() -> Part:
    slope = (39 - 13) / (32 - 3)
    lie = math.atan(slope)
    along, out = (math.cos(lie), math.sin(lie)), (-math.sin(lie), math.cos(lie))
    x, r = 19.0, 13 + 16 * slope
    face: list[Point] = [(0, 11), (3, 13), (32, 39), (32, 46), (41, 46), (41, 41), (54, 41)]
    inner: list[Point] = [(54, 36), (37, 36), (9, 9.5), (5, 4)]
    vent = [
        (x + side * 3 * along[0] + depth * out[0], r + side * 3 * along[1] + depth * out[1])
        for side, depth in ((-1, 0.0), (-1, -5.9), (1, -5.9), (1, 0.0))
    ]
    vents: list[Shape] = []
    for angle in (10.0, 42.0, 70.0):
        s = math.sin(math.radians(angle))
        c = math.cos(math.radians(angle))
        turn = -math.degrees(lie) * s
        vents.append(Oval(x, -r * s, 3.0 + 0.6 * s, max(3.8 * c, 1.2), turn))
    shapes = [
        *_outside(face, [(3, 13), (32, 46), (41, 46)]),
        *vents,
        *_bore([(0, 4), *reversed(inner)], [(37, 36)]),
        _cut([(0, 4), *face, *inner]),
        *_channel(vent),
    ]
    return Part("shield", "Shield", ("Shield",), 54, 46, 46, tuple(shapes))


def _retaining_cap() -> Part:
    front: list[Point] = [(0, 30), (3, 33), (16, 43), (16, 46), (33, 46)]
    teeth = _thread(33, 55, 51, 47, 5)
    back: list[Point] = [(56, 46), (56, 61), (60, 66), (88, 66), (92, 61)]
    inner: list[Point] = [(92, 57), *_thread(90, 67, 53, 57, 5), (64, 57), (64, 40), (30, 37)]
    seat: list[Point] = [(30, 35), (8, 35), (8, 24), (0, 24)]
    shapes = [
        *_outside(
            [*front, *teeth, *back],
            [(3, 33), (16, 46), (33, 46), (56, 61), (60, 66), (65, 66), (84, 66), (88, 66)],
        ),
        *_helix(33, 55, 51, 5),
        *_grip(65, 84, 66, 9),
        *_holes(24.5, 46, 3.8, 3.8, (12, 38, 62, 80)),
        *_bore(
            [(0, 24), (8, 24), (8, 35), (30, 36), (64, 40), (64, 57), (92, 57)],
            [(8, 35), (64, 57)],
        ),
        _cut([*front, *teeth, *back, *inner, *seat]),
        *_channel([(21.5, 46), (21.5, 35), (27.5, 35), (27.5, 46)]),
    ]
    lines = ("Nozzle", "retaining cap")
    return Part("retaining-cap", "Nozzle retaining cap", lines, 92, 66, 66, tuple(shapes))


def _nozzle() -> Part:
    front: list[Point] = [(0, 9), (3, 12), (26, 23), (26, 33), (36, 33), (36, 27), (47, 27)]
    groove: list[Point] = [(47, 22), (55, 22)]
    back: list[Point] = [(55, 27), (77, 27), (80, 24)]
    bore: list[Point] = [(0, 3.2), (11, 3.2), (16, 7), (35, 18), (80, 18)]
    face = (16.0, 51.0)
    ring = ((47.2, -22.0), (47.2, -27.0), (49, -29.6), (53, -29.6), (54.8, -27), (54.8, -22))
    edges: list[Point] = [(3, 12), (26, 33), (36, 33), (47, 27), (55, 27), (77, 27)]
    shapes = [
        *_outside([*front, *groove, *back], edges),
        Poly((*ring, (54.8, 0), (47.2, 0)), "ink", EDGE),
        *_bore(bore, [(11, 3.2), (35, 18)]),
        _cut([*front, *groove, *back, *reversed(bore)]),
        Oval(51, 25.4, 3.5, 3.5),
        # Seen from the plate: the orifice in the middle of the nose.
        Oval(*face, 16, 16, fill="outside", weight=OUTLINE),
        Oval(*face, 8.5, 8.5, fill="none"),
        Oval(*face, 2.6, 2.6),
    ]
    return Part("nozzle", "Nozzle", ("Nozzle",), 80, 33, 68, tuple(shapes))


def _swirl_ring() -> Part:
    profile: list[Point] = [(0, 22), (10, 22), (10, 29), (53, 29), (56, 26)]
    shapes = [
        *_outside(profile, [(10, 29), (42, 29), (46, 29), (53, 29)]),
        *_holes(26, 27, 7.5, 3.2, (12, 42, 70), turn=-38),
        *_bore([(0, 16), (8, 16), (8, 20), (56, 20)], [(8, 20)]),
        _cut([*profile, (56, 20), (8, 20), (8, 16), (0, 16)], lean=-1),
        *_channel([(20, 29), (29, 20), (35, 20), (26, 29)]),
    ]
    return Part("swirl-ring", "Swirl ring", ("Swirl ring",), 56, 29, 29, tuple(shapes))


def _electrode() -> Part:
    front: list[Point] = [(0, 16), (5, 22), (42, 22), (42, 30), (60, 30), (60, 22), (66, 22)]
    teeth = _thread(67, 95, 22, 17.5, 6)
    profile = [*front, *teeth, (97, 17.5), (100, 14.5)]
    edges: list[Point] = [(5, 22), (42, 30), (60, 30), (66, 22)]
    hollow: list[Point] = [(100, 12), (30, 12), (27, 10.6), (30, 9.4), (42, 9.4), (42, 0)]
    pit: list[Point] = [(0, 6.8), (3, 6), (6, 4.2), (7.6, 2.2), (8, 0)]
    face = (18.0, 49.0)
    shapes = [
        *_outside(profile, edges),
        Line(((42, -15), (60, -15))),
        *_helix(67, 95, 22, 6),
        *_bore([(27, 12), (100, 12)]),
        _cut([(0, 6.8), *profile, *hollow, (26, 0), (26, 6.8)]),
        Poly((*pit, (26, 0), (26, 6.8)), "ink", 1.8),
        # Seen from the plate: the emitter in the middle of the face, its pit in the emitter.
        Oval(*face, 18, 18, fill="outside", weight=OUTLINE),
        Oval(*face, 13.5, 13.5, fill="none"),
        Oval(*face, 6.6, 6.6),
        Oval(*face, 3, 3, fill="outside", weight=0),
    ]
    return Part("electrode", "Electrode", ("Electrode",), 100, 30, 68, tuple(shapes))


def _coolant_tube() -> Part:
    front: list[Point] = [(0, 8), (7, 8), (9, 6.4), (90, 6.4), (90, 14), (101, 14), (101, 9)]
    back: list[Point] = [(107, 9), (107, 7), (113, 7), (113, 9), (119, 9), (119, 6.4), (130, 6.4)]
    edges: list[Point] = [(7, 8), (9, 6.4), (90, 14), (101, 14), (119, 9)]
    shapes = [
        *_outside([*front, *back], edges),
        Line(((90, -7), (101, -7))),
        Poly(((107, 0), (107, -9), (108.5, -10.6), (111.5, -10.6), (113, -9), (113, 0)), "ink"),
        *_bore([(0, 3), (130, 3)]),
        _cut([(0, 3), *front, *back, (130, 3)]),
        Oval(110, 8.8, 2.6, 2.6),
    ]
    return Part("coolant-tube", "Coolant tube", ("Coolant tube",), 130, 14, 14, tuple(shapes))


def _stub(y: float, *, cut: bool) -> list[Shape]:
    """Return a barbed hose stub at height `y`, whole or with its lower half cut."""
    barb: list[Point] = [(143, 6), (148, 6)]
    for start in (148, 156, 164):
        barb += [(start, 9.5), (start + 8, 6.5)]
    barb.append((176, 6))
    upper = [(x, y - r) for x, r in barb]
    lower = [(x, y + r) for x, r in reversed(barb)]
    shapes: list[Shape] = [Poly((*upper, *lower), "outside")]
    shapes += [Line(((x, y - 9.5), (x, y + 9.5))) for x in (148.0, 156.0, 164.0)]
    if cut:
        hole = ((143, y - 3.2), (176, y - 3.2), (176, y + 3.2), (143, y + 3.2))
        shapes = [Poly((*upper, *lower), "cut"), Poly(hole, "bore", EDGE)]
    return shapes


def _torch_head() -> Part:
    nose: list[Point] = [(0, 23), (16, 23)]
    collar: list[Point] = [(16, 37), (34, 37)]
    body: list[Point] = [(34, 50), (38, 53), *_thread(38, 64, 57, 53, 5), (66, 50)]
    sleeve: list[Point] = [(66, 61), (70, 65), (128, 65), (132, 61), (132, 50), (143, 50)]
    edges: list[Point] = [(16, 37), (34, 50), (66, 61), (70, 65), (80, 65), (118, 65), (128, 65)]
    socket = [(0.0, 19.0), *_thread(3, 27, 15, 19, 5), (30.0, 15.0), (34.0, 8.0), (143.0, 8.0)]
    shapes = [
        *_stub(-33, cut=False),
        *_stub(-10, cut=False),
        *_stub(28, cut=True),
        *_outside([*nose, *collar, *body, *sleeve], [*edges, (132, 61)]),
        *_helix(38, 64, 57, 5),
        *_holes(25, 37, 4, 4, (14, 44, 70)),
        *_bore([(0, 19), (30, 19), (30, 8), (143, 8)], [(30, 19)]),
        _cut([*nose, (16, 28), (34, 28), (34, 37), *body, *sleeve, *reversed(socket)]),
        # The insulating collar leans the other way, as a second material does.
        _cut([(16, 23), *collar, (34, 23)], lean=-1),
        *_channel([(34, 24.8), (143, 24.8), (143, 31.2), (34, 31.2)]),
        *_channel([(16, 27.5), (34, 27.5), (34, 32), (16, 32)]),
        Line(((34, 24.8), (34, 31.2)), 1.8),
    ]
    return Part("torch-head", "Torch head", ("Torch head",), 176, 65, 65, tuple(shapes))


#: In the order they come off: outermost, nearest the plate, first.
PARTS: tuple[Part, ...] = (
    _shield_cap(),
    _shield(),
    _retaining_cap(),
    _nozzle(),
    _swirl_ring(),
    _electrode(),
    _coolant_tube(),
    _torch_head(),
)
PART_SLUGS: tuple[str, ...] = tuple(part.slug for part in PARTS)
