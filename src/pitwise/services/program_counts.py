"""Count an imported program under a station's settings, once for each way of reading it."""

from __future__ import annotations

import codecs
import hashlib
import io
import json
import math
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.job.dxf import read_dxf
from pitwise.job.model import Cut, ProgramCount, ProgramError, ProgramWarning
from pitwise.job.plates import PlateUse, read_plates
from pitwise.job.reader import read_program
from pitwise.records.audit import canonical
from pitwise.records.wear_tables import ImportFile, Program, ProgramCountRow
from pitwise.services.errors import BookError, NotFoundError, ServiceError
from pitwise.services.station_settings import StationSettings

# Raise it whenever the same file would be counted otherwise than before: what the book keeps
# of older counts is then counted again.
READER_VERSION = "2"
# More starts than this are no plate, and would not fit a row.
MOST_CUTS = 1_000_000


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


def decoded(place: str, data: bytes) -> str:
    """Return a file's text: UTF-8, UTF-16, or else Latin-1, which takes any byte.

    Raises
    ------
    ServiceError
        It is no text.
    """
    encoding = "utf-8-sig"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    elif data[:200].count(0) > len(data[:200]) // 3:
        encoding = "utf-16-le" if data[1:2] == b"\0" else "utf-16-be"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as error:
        if encoding != "utf-8-sig":
            raise ServiceError(
                place,
                f"is not text: its UTF-16 breaks off at byte {error.start}",
                "copy the file again, whole",
            ) from error
        text = data.decode("latin-1")
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise ServiceError(
            f"{place}, line {line}",
            "holds a NUL: this is not a text file",
            "give the cut program, the drawing as text DXF, or a CSV",
        )
    return text


def lines_of(text: str) -> Iterable[str]:
    """Give the lines of a text as editors number them."""
    return io.StringIO(text, newline=None)


def refusal(place: str, error: ProgramError) -> ServiceError:
    """Return what a malformed program is refused with: file, line, mend."""
    where = f"{place}, line {error.line}" if error.line else place
    return ServiceError(where, error.problem, error.mend)


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
    try:
        if kind == "program":
            count = read_program(lines_of(decoded(place, data)), settings.reader())
        elif kind == "dxf":
            basis = _basis(kind, options, settings)
            count = read_dxf(
                data,
                layers=basis["layers"],
                feed_mm_min=basis["feed_mm_min"],
                pierce_seconds=basis["pierce_seconds"],
                settings=settings.reader(),
            )
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


def count_row(program_id: int, digest: str, count: ProgramCount) -> ProgramCountRow:
    """Return a count as the book keeps it."""
    # A tenth of a micrometre and of a millisecond: finer than any machine, and half the size.
    cuts = [
        [c.line, round(c.length_mm, 4), round(c.seconds, 4), round(c.pierce_seconds, 4)]
        for c in count.cuts
    ]
    return ProgramCountRow(
        program_id=program_id,
        settings_sha256=digest,
        reader_version=READER_VERSION,
        starts=count.starts,
        cut_length_mm=count.cut_length_mm,
        arc_minutes=count.arc_minutes,
        pierce_minutes=count.pierce_minutes,
        rapid_length_mm=count.rapid_length_mm,
        rapid_minutes=count.rapid_minutes,
        cuts=canonical(cuts),
        warnings=canonical([[w.line, w.code, w.text] for w in count.warnings]),
    )


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
