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
    MAX_MOVE_S,
    Cut,
    ProgramCount,
    ProgramError,
    ProgramWarning,
    ReaderSettings,
    printable,
)
from pitwise.job.timing import Planner

if TYPE_CHECKING:
    from ezdxf.document import Drawing

MAX_BYTES = 128 * 1024 * 1024
# One budget for everything a drawing makes us do, blocks and arrays opened. About 500,000
# elements, a million corners of polylines or two million points of curves use it up.
MAX_WORK = 2_000_000
_WORK_ELEMENT, _WORK_CORNER, _WORK_POINT = 4, 2, 1
MAX_BLOCK_DEPTH = 10
# More than any drawing program writes; the time of one point grows with its square.
_MAX_DEGREE = 32
JOIN_MM = 0.05
_LEAST_JOIN_MM = 1e-6
_FLATTEN_MM = 0.002
# $INSUNITS of the DXF reference (from memory): the units a table's drawing may be in.
_UNIT_MM = {1: 25.4, 2: 304.8, 4: 1.0, 5: 10.0, 6: 1000.0, 9: 0.0254, 13: 0.001, 14: 100.0}
# What a broken file makes the library raise besides its own errors.
_BROKEN = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    LookupError,
    MemoryError,
    OSError,
    RuntimeError,
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
    return _layers(_open(data)[0])


def _printable(text: str) -> str:
    """Return a name out of a file as it may be shown: short, one line, no control characters."""
    return printable(text if len(text) <= 60 else text[:60] + "…")


def _layers(drawing: Drawing) -> tuple[str, ...]:
    try:
        names = {str(x.dxf.name) for x in drawing.layers}
        names |= {str(x.dxf.layer) for x in drawing.modelspace()}
    except _broken_by() as error:
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
    if not _LEAST_JOIN_MM <= join_mm <= MAX_MM:
        raise ValueError("join_mm must be a number of a millionth or more")
    if unit_mm is not None and not 0 < unit_mm <= MAX_MM:
        raise ValueError("unit_mm must be a number above 0")
    drawing, missing = _open(data)
    there = _layers(drawing)
    keys = {x.lower() for x in there}
    for layer in layers or ():
        if layer.lower() not in keys:
            raise ProgramError(
                0,
                f"there is no layer '{layer}'",
                f"use one of: {', '.join(map(_printable, there[:20]))}",
            )
    warnings: list[ProgramWarning] = []
    try:
        walk = _Walk(drawing, layers, _unit(drawing, unit_mm, warnings))
    except ProgramError:
        raise
    except _broken_by() as error:
        raise _broken(error) from error
    planner = (
        None
        if settings.accel_mm_s2 is None
        else Planner(settings.accel_mm_s2, settings.corner_tolerance_mm)
    )
    cuts = []
    try:
        for chain in join_runs(walk.runs(), join_mm):
            length = math.fsum(piece.length_mm for run in chain for piece in run.pieces)
            seconds = chain_seconds(chain, feed_mm_min / 60, planner)
            if not seconds <= MAX_MOVE_S:
                raise ProgramError(
                    0,
                    f"a chain of {length:.6g} mm would burn for {seconds:.3g} s",
                    "check the drawing's unit and the feed",
                )
            cuts.append(Cut(0, length, seconds + pierce_seconds, pierce_seconds))
    except ProgramError:
        raise
    except _broken_by() as error:
        raise _broken(error, walk.at) from error
    if missing:
        warnings.append(
            ProgramWarning(
                0, "not-cut", f"{missing} × INSERT of a block that is not in the drawing"
            )
        )
    for kind, number in sorted(walk.passed_over.items()):
        warnings.append(
            ProgramWarning(
                0, "not-cut", f"{number} × {_printable(kind)}: no line to cut; passed over"
            )
        )
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


def _broken_by() -> tuple[type[Exception], ...]:
    from ezdxf.lldxf.const import DXFError

    return (DXFError, *_BROKEN)


def _broken(error: Exception, at: str = "") -> ProgramError:
    place = f" at {at}" if at else ""
    return ProgramError(
        0,
        f"the drawing is broken{place} ({type(error).__name__})",
        "export it again as DXF, without that element if it has a name here"
        if at
        else "export it again as DXF",
    )


def _open(data: bytes) -> tuple[Drawing, int]:
    """Return the drawing, and how many blocks it shows without holding them."""
    # Imported here: it takes long, and only drawings need it.
    from ezdxf import recover
    from ezdxf.audit import AuditError
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
        drawing, audit = recover.read(io.BytesIO(data))
    except DXFError as error:
        raise ProgramError(0, "this is no DXF drawing", "export the nest as DXF") from error
    except _BROKEN as error:
        raise _broken(error) from error
    return drawing, sum(fix.code == AuditError.UNDEFINED_BLOCK for fix in audit.fixes)


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


def _name(entity: Any) -> str:
    """Return what a person finds an element by: its kind, and its handle where it has one."""
    handle = entity.dxf.get("handle")
    return _printable(f"{entity.dxftype()} #{handle}" if handle else entity.dxftype())


def _corners(entity: Any) -> int:
    """Return how many points an element is drawn through, before anything is done with it."""
    kind = entity.dxftype()
    if kind == "LWPOLYLINE":
        return len(entity)
    if kind in ("POLYLINE", "MESH"):
        return len(entity.vertices)
    if kind == "SPLINE":
        return len(entity.control_points) + len(entity.fit_points) + len(entity.knots)
    if kind in ("HATCH", "MPOLYGON"):
        return sum(
            len(path.vertices) if hasattr(path, "vertices") else len(path.edges)
            for path in entity.paths
        )
    return len(entity.attribs) if kind == "INSERT" else 0


class _Walk:
    """Entities of the model space, blocks opened, as runs in millimetres.

    Attributes
    ----------
    at : str
        The element looked at last, for errors.
    """

    def __init__(self, drawing: Drawing, layers: Collection[str] | None, unit_mm: float) -> None:
        self._drawing = drawing
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
        self._left = MAX_WORK
        self._blocks: dict[str, tuple[int, int]] = {}
        self.at = ""
        self.passed_over: Counter[str] = Counter()

    def runs(self) -> Iterator[Run]:
        # Weighed before anything is opened: an array of 30,000 × 30,000 must not even begin.
        self._weigh(self._space, 0)
        yield from self._entities(self._space, "0", 0)

    def _too_much(self) -> ProgramError:
        return ProgramError(
            0,
            f"the drawing comes to more than {MAX_WORK:,} steps of work once its blocks and "
            f"arrays are opened (reached at {self.at})",
            "export the nest alone, and arrays of blocks as the parts that are cut",
        )

    def _spend(self, work: int) -> None:
        self._left -= work
        if self._left < 0:
            raise self._too_much()

    def _weigh(self, entities: Any, depth: int) -> tuple[int, int]:
        """Return the work of opening entities, and how deep blocks lie in them."""
        work = height = 0
        for entity in entities:
            self.at = _name(entity)
            own = _WORK_ELEMENT + _WORK_CORNER * _corners(entity)
            if entity.dxftype() == "INSERT":
                inside, below = self._weigh_block(entity, depth)
                height = max(height, below)
                # The library walks through all cells, those on one spot too.
                cells = max(1, entity.dxf.row_count * entity.dxf.column_count)
                own = cells * (own + inside)
                self.at = _name(entity)
            work += own
            if work > MAX_WORK:
                raise self._too_much()
        return work, height

    def _weigh_block(self, insert: Any, depth: int) -> tuple[int, int]:
        name = str(insert.dxf.name).lower()
        got = self._blocks.get(name)
        if got is None:
            block = insert.block()
            if block is None:
                raise ProgramError(
                    0,
                    f"{_name(insert)} shows a block '{_printable(str(insert.dxf.name))}' that is "
                    "not in the drawing",
                    "export it again as DXF",
                )
            if depth >= MAX_BLOCK_DEPTH:
                raise self._too_deep()
            work, below = self._weigh(block, depth + 1)
            got = self._blocks[name] = (work, below + 1)
        if depth + got[1] > MAX_BLOCK_DEPTH:
            raise self._too_deep()
        return got

    def _too_deep(self) -> ProgramError:
        return ProgramError(
            0, f"blocks nested deeper than {MAX_BLOCK_DEPTH} (at {self.at})", "explode them"
        )

    def _entities(self, entities: Any, parent: str, depth: int) -> Iterator[Run]:
        for entity in entities:
            self.at = _name(entity)
            self._spend(_WORK_ELEMENT)
            layer = str(entity.dxf.layer).lower()
            if layer == "0" and depth:
                layer = parent
            kind = entity.dxftype()
            if kind == "INSERT":
                if depth >= MAX_BLOCK_DEPTH:
                    raise self._too_deep()
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
            runs: list[Run] = []
            for part in entity.virtual_entities():
                self._spend(_WORK_CORNER)
                runs += self._runs_of(part.dxftype(), part, layer, depth)
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
            if kind == "SPLINE" and entity.dxf.degree > _MAX_DEGREE:
                raise ProgramError(
                    0, f"{self.at} is a spline of degree {entity.dxf.degree}", "draw it as arcs"
                )
            self._within(entity)
            points = []
            for vertex in entity.flattening(_FLATTEN_MM / self._unit):
                points.append(self._point(vertex))
                self._spend(_WORK_POINT)
            flat = points_run(points) if points else None
            if flat is not None:
                yield flat
        else:
            self.passed_over[kind] += 1

    def _point(self, vertex: Any) -> Point:
        x, y = float(vertex[0]) * self._unit, float(vertex[1]) * self._unit
        if not (abs(x) <= MAX_MM and abs(y) <= MAX_MM):
            raise self._no_number(x, y) or ProgramError(
                0, f"{self.at}: a point lies farther than 10 km away", "check the drawing"
            )
        return x, y

    def _within(self, entity: Any) -> None:
        """Refuse a curve with a far point before it is followed in steps of micrometres."""
        if entity.dxftype() == "SPLINE":
            given = [*entity.control_points, *entity.fit_points]
        else:
            given = [entity.dxf.center, entity.dxf.major_axis]
        for vertex in given:
            # Height too: the steps follow the curve in space.
            self._point(vertex)
            self._point((vertex[2], 0.0))

    def _no_number(self, *values: float) -> ProgramError | None:
        if not any(map(math.isnan, values)):
            return None
        return ProgramError(
            0, f"{self.at} holds a figure that is no number", "draw it again, or leave it out"
        )

    def _round(self, kind: str, entity: Any) -> Run | None:
        up = float(entity.dxf.extrusion[2])
        if not abs(abs(up) - 1) <= 1e-6:
            self.passed_over[f"tilted {kind}"] += 1
            return None
        radius = abs(float(entity.dxf.radius)) * self._unit
        cx, cy = self._point(entity.ocs().to_wcs(entity.dxf.center))
        if not 0 < radius <= MAX_MM:
            if radius == 0:
                return None
            raise self._no_number(radius) or ProgramError(
                0, f"{self.at}: a radius is beyond 10 km", "check the drawing"
            )
        if kind == "CIRCLE":
            at = (cx + radius, cy)
            return Run((Piece(2 * math.pi * radius, radius, (0.0, 1.0), (0.0, 1.0)),), at, at)
        angles = float(entity.dxf.start_angle), float(entity.dxf.end_angle)
        if not all(map(math.isfinite, angles)):
            raise ProgramError(
                0, f"{self.at} begins or ends at an angle without end", "draw it again"
            )
        begin = math.radians(angles[0])
        sweep = (math.radians(angles[1]) - begin) % (2 * math.pi)
        sweep = sweep or 2 * math.pi
        # Seen from below (extrusion -Z) the x axis of the arc's own system points the other way.
        side = 1.0 if up > 0 else -1.0

        def at_angle(angle: float) -> tuple[Point, Point]:
            c, s = math.cos(angle), math.sin(angle)
            return (cx + side * radius * c, cy + radius * s), (-side * s, c)

        first, start = at_angle(begin)
        last, end = at_angle(begin + sweep)
        return Run((Piece(radius * sweep, radius, start, end),), first, last)
