"""Count an imported program under a station's settings, once for each way of reading it."""

from __future__ import annotations

import hashlib
import json
import math
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.job.dxf import dxf_layers, read_dxf
from pitwise.job.model import Cut, ProgramCount, ProgramError, ProgramWarning
from pitwise.job.plates import PlateUse, read_plates
from pitwise.job.reader import read_program
from pitwise.records.audit import canonical
from pitwise.records.wear_tables import ImportFile, Program, ProgramCountRow
from pitwise.services.errors import BookError, NotFoundError, ServiceError
from pitwise.services.file_text import decoded, reading, shown, text_of
from pitwise.services.station_settings import StationSettings

# Raise it whenever the same file would be counted otherwise than before: what the book keeps
# of older counts is then counted again.
READER_VERSION = "2"
# More starts than this are no plate, and would not fit a row.
MOST_CUTS = 1_000_000
_SHOWN_LAYERS = 20


@dataclass(frozen=True)
class CountLine:
    """A count without its cuts.

    Attributes
    ----------
    starts : int
    cut_length_mm : float or None
        None where the file tells no lengths (a list of plates).
    arc_minutes, pierce_minutes : float
    warnings : int
    """

    starts: int
    cut_length_mm: float | None
    arc_minutes: float
    pierce_minutes: float
    warnings: int


def refusal(place: str, error: ProgramError) -> ServiceError:
    """Return what a malformed program is refused with: file, line, mend."""
    where = f"{place}, line {error.line}" if error.line else place
    return ServiceError(where, shown(error.problem), shown(error.mend))


def plates_of(place: str, data: bytes) -> tuple[PlateUse, ...]:
    """Return the plates of a list of plates."""
    try:
        return read_plates(decoded(place, data))
    except ProgramError as error:
        raise refusal(place, error) from error


def _basis(kind: str, options: Mapping[str, Any], settings: StationSettings) -> dict[str, Any]:
    """Return all that a count of this kind of file hangs on, and nothing else."""
    if kind == "program":
        return asdict(settings.reader())
    if kind == "plates":
        return {}
    layers = options.get("layers") or settings.dxf_layers
    return {
        "layers": sorted(layers) or None,
        "feed_mm_min": options.get("feed_mm_min") or settings.dxf_feed_mm_min,
        "pierce_seconds": options.get("pierce_seconds", settings.default_pierce_seconds),
        "accel_mm_s2": settings.accel_mm_s2,
        "corner_tolerance_mm": settings.corner_tolerance_mm,
    }


def settings_sha256(kind: str, options: Mapping[str, Any], settings: StationSettings) -> str:
    """Return the hash under which a count is kept: money and other stations don't move it."""
    text = canonical([kind, _basis(kind, options, settings)])
    return hashlib.sha256(text.encode()).hexdigest()


def count_data(
    place: str,
    kind: str,
    data: bytes,
    options: Mapping[str, Any],
    settings: StationSettings,
    ordinal: int = 0,
) -> ProgramCount:
    """Count a file's program.

    Parameters
    ----------
    place : str
        The file's name, for errors.
    kind : {"program", "dxf", "plates"}
    data : bytes
    options : mapping
        Of a drawing: ``layers``, ``feed_mm_min``, ``pierce_seconds``; they go before the
        station's.
    settings : StationSettings
    ordinal : int
        Which line of a list of plates.

    Raises
    ------
    ServiceError
        Malformed; names file, line and mend.
    """
    with reading(place):
        try:
            if kind == "program":
                count = read_program(text_of(place, data), settings.reader())
            elif kind == "dxf":
                count = _drawing(place, data, options, settings)
            else:
                plate = plates_of(place, data)[ordinal]
                count = ProgramCount(plate.starts, 0.0, plate.arc_minutes, 0.0, 0.0, 0.0, (), ())
        except ProgramError as error:
            raise refusal(place, error) from error
    if len(count.cuts) > MOST_CUTS:
        raise ServiceError(
            place, f"has more than {MOST_CUTS} starts", "give one program for each plate"
        )
    figures = (count.cut_length_mm, count.arc_minutes, count.pierce_minutes)
    if not all(map(math.isfinite, (*figures, count.rapid_length_mm, count.rapid_minutes))):
        raise ServiceError(place, "has a length or time without end", "check its figures")
    return count


def _drawing(
    place: str, data: bytes, options: Mapping[str, Any], settings: StationSettings
) -> ProgramCount:
    basis = _basis("dxf", options, settings)
    layers: list[str] | None = basis["layers"]
    missing: list[str] = []
    if layers and not options.get("layers"):
        # A station's list is for all its drawings, and not every one has every layer.
        there = dxf_layers(data)
        keys = {x.lower() for x in there}
        missing = [x for x in layers if x.lower() not in keys]
        layers = [x for x in layers if x.lower() in keys]
        if not layers:
            its = ", ".join(shown(x) for x in there[:_SHOWN_LAYERS])
            its += f" and {len(there) - _SHOWN_LAYERS} more" if len(there) > _SHOWN_LAYERS else ""
            raise ServiceError(
                place,
                f"has none of the layers that the station cuts ({', '.join(missing)})",
                f"it has {its}: name what is cut in the station's settings, or draw it there",
            )
    count = read_dxf(
        data,
        layers=layers,
        feed_mm_min=basis["feed_mm_min"],
        pierce_seconds=basis["pierce_seconds"],
        settings=settings.reader(),
    )
    lacking = tuple(
        ProgramWarning(
            0, "layer-missing", f"there is no layer '{name}' here: the station's others are counted"
        )
        for name in missing
    )
    return replace(count, warnings=lacking + count.warnings)


def content_of(row: ImportFile) -> bytes:
    """Return an imported file as it came.

    Raises
    ------
    BookError
        It was damaged in the book.
    """
    unpack = zlib.decompressobj(31)
    try:
        data = unpack.decompress(row.content, row.size + 1)
    except zlib.error as error:
        raise BookError(_damaged(row)) from error
    if len(data) != row.size or not unpack.eof:
        raise BookError(_damaged(row))
    return data


def _damaged(row: ImportFile) -> str:
    return (
        f"The imported file '{row.name}' is damaged in the book. "
        "Mend: run 'pitwise book verify', restore the newest backup that verifies."
    )


def options_of(program: Program) -> dict[str, Any]:
    """Return a program's own options."""
    found: dict[str, Any] = json.loads(program.options)
    return found


def count_values(digest: str, count: ProgramCount) -> dict[str, Any]:
    """Return a count as the book keeps it, without the program it is of."""
    # A tenth of a micrometre and of a millisecond: finer than any machine, and half the size.
    cuts = [
        [c.line, round(c.length_mm, 4), round(c.seconds, 4), round(c.pierce_seconds, 4)]
        for c in count.cuts
    ]
    return {
        "settings_sha256": digest,
        "reader_version": READER_VERSION,
        "starts": count.starts,
        "cut_length_mm": count.cut_length_mm,
        "arc_minutes": count.arc_minutes,
        "pierce_minutes": count.pierce_minutes,
        "rapid_length_mm": count.rapid_length_mm,
        "rapid_minutes": count.rapid_minutes,
        "cuts": canonical(cuts),
        "warnings": canonical([[w.line, w.code, shown(w.text)] for w in count.warnings]),
    }


def count_row(program_id: int, digest: str, count: ProgramCount) -> ProgramCountRow:
    """Return a count as the book keeps it."""
    return ProgramCountRow(program_id=program_id, **count_values(digest, count))


def _from_row(row: ProgramCountRow) -> ProgramCount:
    return ProgramCount(
        row.starts,
        row.cut_length_mm,
        row.arc_minutes,
        row.pierce_minutes,
        row.rapid_length_mm,
        row.rapid_minutes,
        tuple(Cut(*c) for c in json.loads(row.cuts)),
        tuple(ProgramWarning(*w) for w in json.loads(row.warnings)),
    )


def _program(session: Session, program_id: int) -> tuple[Program, ImportFile]:
    found = session.execute(
        select(Program, ImportFile)
        .join(ImportFile, ImportFile.id == Program.file_id)
        .where(Program.id == program_id)
    ).first()
    if found is None:
        raise NotFoundError("program", f"there is no program {program_id}", "choose from the list")
    return found[0], found[1]


def count_of(
    session: Session, program_id: int, settings: StationSettings, *, keep: bool = False
) -> ProgramCount:
    """Return a program's count under a station's settings; kept counts are not made again.

    Parameters
    ----------
    session : Session
    program_id : int
    settings : StationSettings
    keep : bool
        Whether to keep a new count: only in a unit of work that writes.

    Returns
    -------
    ProgramCount

    Raises
    ------
    NotFoundError
        No such program.
    ServiceError
        It can't be counted under these settings; names line and mend.
    """
    program, file = _program(session, program_id)
    options = options_of(program)
    digest = settings_sha256(file.kind, options, settings)
    row = session.get(ProgramCountRow, (program_id, digest))
    if row is not None and row.reader_version == READER_VERSION:
        return _from_row(row)
    count = count_data(file.name, file.kind, content_of(file), options, settings, program.ordinal)
    if keep:
        session.merge(count_row(program_id, digest, count))
        session.flush()
    return count


def kept_lines(
    session: Session, found: Iterable[tuple[Program, ImportFile]], settings: StationSettings
) -> dict[int, CountLine]:
    """Return the kept counts of programs, without their cuts; a program not counted has none."""
    wanted = {p.id: (settings_sha256(f.kind, options_of(p), settings), f.kind) for p, f in found}
    lines = {}
    rows = session.scalars(select(ProgramCountRow).where(ProgramCountRow.program_id.in_(wanted)))
    for row in rows:
        digest, kind = wanted[row.program_id]
        if row.settings_sha256 == digest and row.reader_version == READER_VERSION:
            lines[row.program_id] = CountLine(
                row.starts,
                None if kind == "plates" else row.cut_length_mm,
                row.arc_minutes,
                row.pierce_minutes,
                len(json.loads(row.warnings)),
            )
    return lines
