"""A DXF nest -> starts, cut length and arc minutes."""

from __future__ import annotations

import io
import logging
import math
import struct
from collections import Counter
from collections.abc import Collection, Iterator
from typing import TYPE_CHECKING, Any

from pitwise.job.chains import (
    Piece,
    Point,
    Run,
    chain_seconds,
    in_a_row,
    join_runs,
    line_piece,
    points_run,
)
from pitwise.job.model import (
    MAX_DWELL_S,
    MAX_MM,
    Cut,
    ProgramCount,
    ProgramError,
    ProgramWarning,
    ReaderSettings,
)
from pitwise.job.timing import Planner

if TYPE_CHECKING:
    from ezdxf.document import Drawing

MAX_BYTES = 128 * 1024 * 1024
MAX_ENTITIES = 500_000
MAX_POINTS = 2_000_000
MAX_BLOCK_DEPTH = 10
JOIN_MM = 0.05
_FLATTEN_MM = 0.002
# $INSUNITS of the DXF reference (from memory): the units a table's drawing may be in.
_UNIT_MM = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 9: 0.0254, 13: 0.001, 14: 100.0}
# What a broken file makes the library raise besides its own errors.
_BROKEN = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    OSError,
    RecursionError,
    TypeError,
    ValueError,
    struct.error,
)


def dxf_layers(data: bytes) -> tuple[str, ...]:
    """Return the layers of a drawing, in its own spelling, sorted.

    Raises
    ------
    ProgramError
    """
    return _layers(_open(data))


def _layers(drawing: Drawing) -> tuple[str, ...]:
    try:
        names = {str(x.dxf.name) for x in drawing.layers}
        names |= {str(x.dxf.layer) for x in drawing.modelspace()}
    except _BROKEN as error:
        raise _broken(error) from error
    by_key: dict[str, str] = {}
    for name in sorted(names):
        by_key.setdefault(name.lower(), name)
    return tuple(sorted(by_key.values(), key=str.lower))


def read_dxf(
    data: bytes,
    *,
    layers: Collection[str] | None,
    feed_mm_min: float,
    pierce_seconds: float,
    settings: ReaderSettings | None = None,
    join_mm: float = JOIN_MM,
    unit_mm: float | None = None,
) -> ProgramCount:
    """Count what cutting a drawing asks of the torch.

    Every chain of lines, arcs, circles, polylines, ellipses and splines joined end to end is
    one start. A drawing has no order, lead-ins or kerf unless they are drawn: rapid moves are
    not counted, and the length is that of the drawn line.

    Parameters
    ----------
    data : bytes
        The file, text or binary DXF.
    layers : collection of str or None
        The layers that are cut, whatever the case; None: all that are on and not frozen.
    feed_mm_min : float
        Cutting speed, mm/min, above 0.
    pierce_seconds : float
        Dwell at each start, s.
    settings : ReaderSettings, optional
        Its acceleration and corner tolerance are used.
    join_mm : float
        Ends no farther apart than this are one point, mm.
    unit_mm : float, optional
        Millimetres per unit of the drawing; by default its own ``$INSUNITS``, and millimetres
        with a warning where it states none.

    Raises
    ------
    ProgramError
        Line 0: the drawing as a whole.
    ValueError
        A feed, a pierce time or a tolerance that can't be.
    """
    settings = settings or ReaderSettings()
    if not 0 < feed_mm_min <= MAX_MM:
        raise ValueError("feed_mm_min must be a number above 0")
    if not 0 <= pierce_seconds <= MAX_DWELL_S:
        raise ValueError("pierce_seconds must be a number from 0 to 86400")
    if not 0 < join_mm <= MAX_MM:
        raise ValueError("join_mm must be a number above 0")
    if unit_mm is not None and not 0 < unit_mm <= MAX_MM:
        raise ValueError("unit_mm must be a number above 0")
    drawing = _open(data)
    there = _layers(drawing)
    keys = {x.lower() for x in there}
    for layer in layers or ():
        if layer.lower() not in keys:
            raise ProgramError(
                0, f"there is no layer '{layer}'", f"use one of: {', '.join(there[:20])}"
            )
    warnings: list[ProgramWarning] = []
    walk = _Walk(drawing, layers, _unit(drawing, unit_mm, warnings))
    try:
        runs = list(walk.runs())
    except ProgramError:
        raise
    except _BROKEN as error:
        raise _broken(error) from error
    for kind, number in sorted(walk.passed_over.items()):
        warnings.append(
            ProgramWarning(0, "not-cut", f"{number} × {kind}: no line to cut; passed over")
        )
    planner = (
        None
        if settings.accel_mm_s2 is None
        else Planner(settings.accel_mm_s2, settings.corner_tolerance_mm)
    )
    cuts = []
    for chain in join_runs(runs, join_mm):
        length = math.fsum(piece.length_mm for run in chain for piece in run.pieces)
        seconds = chain_seconds(chain, feed_mm_min / 60, planner) + pierce_seconds
        cuts.append(Cut(0, length, seconds, pierce_seconds))
    if not cuts:
        warnings.append(ProgramWarning(0, "no-start", "nothing on these layers can be cut"))
    warnings.append(
        ProgramWarning(
            0, "drawing", "a drawing has no order and no lead-ins of its own: rapids not counted"
        )
    )
    return ProgramCount(
        starts=len(cuts),
        cut_length_mm=math.fsum(x.length_mm for x in cuts),
        arc_minutes=math.fsum(x.seconds for x in cuts) / 60,
        pierce_minutes=pierce_seconds * len(cuts) / 60,
        rapid_length_mm=0.0,
        rapid_minutes=0.0,
        cuts=tuple(cuts),
        warnings=tuple(warnings),
    )


def _broken(error: Exception) -> ProgramError:
    return ProgramError(
        0, f"the drawing is broken ({type(error).__name__})", "export it again as DXF"
    )


def _open(data: bytes) -> Drawing:
    # Imported here: it takes long, and only drawings need it.
    from ezdxf import recover
    from ezdxf.lldxf.const import DXFError

    if len(data) > MAX_BYTES:
        raise ProgramError(0, "the drawing is larger than 128 MB", "export the nest alone")
    # The library's own notes about repairs would land on standard error.
    log = logging.getLogger("ezdxf")
    if not log.handlers:
        log.addHandler(logging.NullHandler())
    if not data.strip():
        raise ProgramError(0, "the drawing is empty", "export it again as DXF")
    try:
        drawing, _ = recover.read(io.BytesIO(data))
    except DXFError as error:
        raise ProgramError(0, "this is no DXF drawing", "export the nest as DXF") from error
    except _BROKEN as error:
        raise _broken(error) from error
    return drawing


def _unit(drawing: Drawing, unit_mm: float | None, warnings: list[ProgramWarning]) -> float:
    if unit_mm is not None:
        return unit_mm
    code = drawing.header.get("$INSUNITS", 0)
    if code == 0:
        warnings.append(
            ProgramWarning(0, "units-assumed", "the drawing states no unit; millimetres are taken")
        )
        return 1.0
    if code not in _UNIT_MM:
        raise ProgramError(
            0, f"the drawing's unit ($INSUNITS {code}) is none for a plate", "draw it in mm or in"
        )
    return _UNIT_MM[code]


class _Walk:
    """Entities of the model space, blocks opened, as runs in millimetres."""

    def __init__(self, drawing: Drawing, layers: Collection[str] | None, unit_mm: float) -> None:
        self._space = drawing.modelspace()
        self._unit = unit_mm
        if layers is None:
            self._wanted = None
            self._hidden = {
                str(x.dxf.name).lower() for x in drawing.layers if x.is_off() or x.is_frozen()
            }
        else:
            self._wanted = {x.lower() for x in layers}
            self._hidden = set()
        self._seen = 0
        self._points = 0
        self.passed_over: Counter[str] = Counter()

    def runs(self) -> Iterator[Run]:
        yield from self._entities(self._space, "0", 0)

    def _entities(self, entities: Any, parent: str, depth: int) -> Iterator[Run]:
        for entity in entities:
            self._seen += 1
            if self._seen > MAX_ENTITIES:
                raise ProgramError(
                    0, f"more than {MAX_ENTITIES} drawing elements", "export the nest alone"
                )
            layer = str(entity.dxf.layer).lower()
            if layer == "0" and depth:
                layer = parent
            kind = entity.dxftype()
            if kind == "INSERT":
                if depth >= MAX_BLOCK_DEPTH:
                    raise ProgramError(
                        0, f"blocks nested deeper than {MAX_BLOCK_DEPTH}", "explode them"
                    )
                for single in entity.multi_insert() if entity.mcount > 1 else (entity,):
                    yield from self._entities(single.virtual_entities(), layer, depth + 1)
            elif layer in self._hidden or (self._wanted is not None and layer not in self._wanted):
                continue
            else:
                yield from self._runs_of(kind, entity, layer, depth)

    def _runs_of(self, kind: str, entity: Any, layer: str, depth: int) -> Iterator[Run]:
        if kind in ("LWPOLYLINE", "POLYLINE"):
            if kind == "POLYLINE" and not (entity.is_2d_polyline or entity.is_3d_polyline):
                self.passed_over["mesh"] += 1
                return
            runs = [
                run
                for part in entity.virtual_entities()
                for run in self._runs_of(part.dxftype(), part, layer, depth)
            ]
            if runs:
                yield in_a_row(runs)
        elif kind == "LINE":
            a, b = self._point(entity.dxf.start), self._point(entity.dxf.end)
            piece = line_piece(a, b)
            if piece is not None:
                yield Run((piece,), a, b)
        elif kind in ("ARC", "CIRCLE"):
            run = self._round(kind, entity)
            if run is not None:
                yield run
        elif kind in ("ELLIPSE", "SPLINE"):
            points = []
            for vertex in entity.flattening(_FLATTEN_MM / self._unit):
                points.append(self._point(vertex))
                self._points += 1
                if self._points > MAX_POINTS:
                    raise ProgramError(0, "its curves are too fine to follow", "simplify them")
            flat = points_run(points) if points else None
            if flat is not None:
                yield flat
        else:
            self.passed_over[kind] += 1

    def _point(self, vertex: Any) -> Point:
        x, y = float(vertex[0]) * self._unit, float(vertex[1]) * self._unit
        if not (abs(x) <= MAX_MM and abs(y) <= MAX_MM):
            raise ProgramError(0, "a point lies farther than 10 km away", "check the drawing")
        return x, y

    def _round(self, kind: str, entity: Any) -> Run | None:
        up = float(entity.dxf.extrusion[2])
        if abs(abs(up) - 1) > 1e-6:
            self.passed_over[f"tilted {kind}"] += 1
            return None
        radius = abs(float(entity.dxf.radius)) * self._unit
        cx, cy = self._point(entity.ocs().to_wcs(entity.dxf.center))
        if not 0 < radius <= MAX_MM:
            if radius == 0:
                return None
            raise ProgramError(0, "a radius is beyond 10 km", "check the drawing")
        if kind == "CIRCLE":
            at = (cx + radius, cy)
            return Run((Piece(2 * math.pi * radius, radius, (0.0, 1.0), (0.0, 1.0)),), at, at)
        begin = math.radians(float(entity.dxf.start_angle))
        sweep = (math.radians(float(entity.dxf.end_angle)) - begin) % (2 * math.pi)
        sweep = sweep or 2 * math.pi
        # Seen from below (extrusion -Z) the x axis of the arc's own system points the other way.
        side = 1.0 if up > 0 else -1.0

        def at_angle(angle: float) -> tuple[Point, Point]:
            c, s = math.cos(angle), math.sin(angle)
            return (cx + side * radius * c, cy + radius * s), (-side * s, c)

        first, start = at_angle(begin)
        last, end = at_angle(begin + sweep)
        return Run((Piece(radius * sweep, radius, start, end),), first, last)
