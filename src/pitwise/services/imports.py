"""Bring a file into the book: a cut program, a drawing, a list of plates, or a use file.

A file goes in whole or not at all, and the same bytes count once, whatever they are called.
"""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import hashlib
import logging
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from sqlalchemy import insert, select
from sqlalchemy.orm import Session

from pitwise.job.model import ProgramCount
from pitwise.records.audit import canonical
from pitwise.records.tables import Base, Station
from pitwise.records.wear_tables import ImportFile, Program, ProgramCountRow, UseReport
from pitwise.services import use_files
from pitwise.services.errors import BookError, NotFoundError, ServiceError
from pitwise.services.file_text import clean_name, decoded, reading, shown, text_of, tidy
from pitwise.services.permissions import Actor, require
from pitwise.services.program_counts import (
    count_data,
    count_values,
    plates_of,
    settings_sha256,
)
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import StationSettings, settings_of

Way = Literal["upload", "watch", "command"]
Kind = Literal["program", "dxf", "plates", "use"]
LARGEST_FILE = 64 << 20
# Text packs well below this; a row that holds more could not be carried by an export.
_LARGEST_PACKED = 40 << 20
_BATCH = 1000
_log = logging.getLogger(__name__)
_HEAD = 4096
_NOTHING = "\ufeff \t\r\n\f\v%\x1a"
_OPTIONS = ("layers", "feed_mm_min", "pierce_seconds")
USE_HEADER = ("torch", "at", "starts", "arc_minutes")
PLATES_HEADER = ("name", "starts", "arc_minutes")


@dataclass(frozen=True)
class ImportOutcome:
    """What importing a file came to.

    Attributes
    ----------
    outcome : {"new", "already"}
    name : str
        The file's name as the book keeps it.
    kind : {"program", "dxf", "plates", "use"}
    file_id : int
    program_ids : tuple of int
        Empty for a use file.
    reports : int
        Use reports that are new to the book.
    warnings : tuple of str
        What is odd in the file, with its lines.
    message : str
        All of it in one sentence.
    """

    outcome: Literal["new", "already"]
    name: str
    kind: Kind
    file_id: int
    program_ids: tuple[int, ...]
    reports: int
    warnings: tuple[str, ...]
    message: str

    def plain(self) -> dict[str, Any]:
        """Return the outcome as plain data."""
        return {
            "outcome": self.outcome,
            "name": self.name,
            "kind": self.kind,
            "file_id": self.file_id,
            "programs": list(self.program_ids),
            "use_reports": self.reports,
            "warnings": list(self.warnings),
            "message": self.message,
        }


def _header(text: str) -> set[str]:
    first = next((x for x in text[:4096].splitlines() if x.strip()), "")
    mark = max(",;\t", key=first.count)
    try:
        cells = next(csv.reader([first], delimiter=mark), [])
    except csv.Error:
        return set()
    return {c.strip().casefold() for c in cells}


def kind_of(name: str, text: str) -> Kind:
    """Tell what sort of file it is, by its first lines and the ending of its name.

    Raises
    ------
    ServiceError
        A CSV whose columns are not known.
    """
    ending = name.rpartition(".")[2].casefold()
    head = [x.strip() for x in text[:4096].splitlines()[:40]]
    pairs = [(a, b) for a, b in zip(head[::2], head[1::2], strict=False) if a != "999"]
    if ending == "dxf" or (pairs and pairs[0] == ("0", "SECTION")):
        return "dxf"
    columns = _header(text)
    if columns >= set(USE_HEADER):
        return "use"
    # As `read_plates` takes them: minutes for arc minutes, and no name.
    if (
        "starts" in columns
        and columns & {"arc_minutes", "minutes"}
        and not columns & {"torch", "at", "electrode", "depth_mm"}
    ):
        return "plates"
    if ending == "csv":
        raise ServiceError(
            f"{name}, line 1",
            "its columns are not known",
            f"head it {','.join(USE_HEADER)} for use, or {','.join(PLATES_HEADER)} for plates",
        )
    return "program"


def _checked_options(options: Mapping[str, Any] | None) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, value in (options or {}).items():
        if name not in _OPTIONS:
            raise ServiceError(
                "option", f"'{name[:40]}' is not known", f"use {', '.join(_OPTIONS)}"
            )
        if value is None:
            continue
        if name == "layers":
            out[name] = [str(v)[:255] for v in value]
        elif (
            not math.isfinite(value)
            or not 0 <= value <= 100_000
            or (name == "feed_mm_min" and value < 1)
        ):
            raise ServiceError(name, f"{value:g} is out of range", "give a likely figure")
        else:
            out[name] = float(value)
    return out


@dataclass(frozen=True)
class _Read:
    """A file read, counted and packed, before anything is written.

    Rows are as they go into the tables, short of the numbers that the book gives out.
    """

    kind: Kind
    packed: bytes
    reports: tuple[use_files.ReportLine, ...] = ()
    programs: tuple[dict[str, Any], ...] = ()
    counts: tuple[dict[str, Any], ...] = ()
    warnings: tuple[str, ...] = ()
    message: str = ""


def _already(session: Session, sha256: str) -> ImportOutcome | None:
    row = session.scalar(select(ImportFile).where(ImportFile.sha256 == sha256))
    if row is None:
        return None
    programs = session.scalars(
        select(Program).where(Program.file_id == row.id).order_by(Program.ordinal)
    ).all()
    message = f"In the book already, as '{row.name}': nothing was counted twice"
    if programs and all(p.withdrawn_at for p in programs):
        message += ". It was withdrawn: bring it back on the Programs page"
    kind: Kind = row.kind  # type: ignore[assignment]  # the table's check holds it
    return ImportOutcome(
        "already", row.name, kind, row.id, tuple(p.id for p in programs), 0, (), f"{message}."
    )


def _told(name: str, data: bytes) -> Kind:
    """Tell a file's kind; a drawing may be in the binary form, which is no text."""
    if name.casefold().endswith(".dxf") and b"\0" in data:
        return "dxf"
    text = text_of(name, data)
    head = text.read(_HEAD)
    blank = not head.strip(_NOTHING)
    if blank and not any(x.strip(_NOTHING) for x in iter(lambda: text.read(_HEAD), "")):
        raise ServiceError(name, "is empty", "copy the file again, whole")
    kind = kind_of(name, head)
    # The reader of drawings takes what there is of one, and would count a part as the whole.
    if kind == "dxf" and not data.rstrip(b"\0 \t\r\n\f\v")[-8:].replace(b"\0", b"").endswith(
        b"EOF"
    ):
        raise ServiceError(name, "breaks off: its EOF is missing", "copy the file again, whole")
    return kind


def _counted(
    name: str, kind: Kind, data: bytes, own: dict[str, Any], settings: StationSettings
) -> list[tuple[str, ProgramCount]]:
    if kind != "plates":
        return [(name, count_data(name, kind, data, own, settings))]
    plates = plates_of(name, data)
    if not plates:
        raise ServiceError(name, "lists no plate", "put one on each line under the header")
    return [
        (tidy(p.name), ProgramCount(p.starts, 0.0, p.arc_minutes, 0.0, 0.0, 0.0, (), ()))
        for p in plates
    ]


def _read(
    name: str,
    data: bytes,
    options: Mapping[str, Any] | None,
    settings: StationSettings,
    zone: dt.tzinfo | None,
) -> _Read:
    with reading(name):
        kind = _told(name, data)
        own = _checked_options(options) if kind == "dxf" else {}
        if kind == "use":
            reports = use_files.parse(name, decoded(name, data), zone)
            return _Read(kind, _packed(name, data), reports)
        found = _counted(name, kind, data, own, settings)
        digest, kept = settings_sha256(kind, own, settings), canonical(own)
        counts = [c for _, c in found]
        odd = tuple(f"line {w.line}: {shown(w.text)}" for c in counts for w in c.warnings)
        starts, minutes = sum(c.starts for c in counts), sum(c.arc_minutes for c in counts)
        what = _some(len(found), "plate" if kind == "plates" else "program")
        message = f"Imported: {what}, {_some(starts, 'start')}, {minutes:.1f} arc minutes"
        message += f", {_some(len(odd), 'warning')}" if odd else ""
        if not starts and kind == "dxf":
            message += ". It has no start: check which layers are cut in the station's settings"
        if not starts and kind == "program":
            message += (
                ". It has no start: check which words light the torch in the station's settings"
            )
        return _Read(
            kind,
            _packed(name, data),
            (),
            tuple(
                {"ordinal": n, "name": plate, "options": kept} for n, (plate, _) in enumerate(found)
            ),
            tuple(count_values(digest, c) for c in counts),
            odd,
            f"{message}.",
        )


def _packed(name: str, data: bytes) -> bytes:
    packed = gzip.compress(data, 6, mtime=0)
    if len(packed) > _LARGEST_PACKED:
        raise ServiceError(name, "is not the text of a program", "give the cut program itself")
    return packed


def import_file(
    shop: Shop,
    actor: Actor,
    name: str,
    data: bytes,
    *,
    way: Way,
    options: Mapping[str, Any] | None = None,
    station_id: int | None = None,
    zone: dt.tzinfo | None = None,
) -> ImportOutcome:
    """Bring a file into the book, whole or not at all.

    It is read and counted before anything is written, so that a malformed one is refused
    with its line; the book is not kept waiting meanwhile.

    Parameters
    ----------
    shop, actor
    name : str
        As it was called where it came from; folders are taken off.
    data : bytes
        At most 64 MB.
    way : {"upload", "watch", "command"}
    options : mapping or None
        Of a drawing: ``layers`` (list of str), ``feed_mm_min``, ``pierce_seconds``, which
        go before the station's.
    station_id : int or None
        Whose settings it is first counted with; None: the assumed ones.
    zone : tzinfo or None
        For times in a use file that name no zone; None refuses those.

    Returns
    -------
    ImportOutcome
        ``already`` when the same bytes are in the book, also when two came at once.

    Raises
    ------
    ServiceError
        Nothing was written; names file, line and mend. `NotFoundError` for the station,
        `NotYetError` for a use file that tells of a moment to come.
    BookError
        The book could not take it; nothing was written.
    """
    require(actor, "import-files")
    name = clean_name(name)
    if not data:
        raise ServiceError(name, "is empty", "copy the file again, whole")
    if len(data) > LARGEST_FILE:
        raise ServiceError(
            name,
            f"is larger than {LARGEST_FILE >> 20} MB",
            "give one program for each plate",
        )
    sha256 = hashlib.sha256(data).hexdigest()
    with shop.database.read() as session:
        if station_id is not None and session.get(Station, station_id) is None:
            raise NotFoundError(
                "station", f"there is no station {station_id}", "choose from the list"
            )
        known = _already(session, sha256)
        if known is not None:
            return known
        settings = settings_of(session, station_id)
    read = _read(name, data, options, settings, zone)
    try:
        return _keep(shop, actor, name, data, sha256, read, way)
    except (ServiceError, BookError):
        raise
    except Exception as error:
        _log.exception("The file %s could not be kept", ascii(name))
        raise BookError(
            f"{name} could not be kept ({type(error).__name__}). Nothing of it was saved; try it "
            "again, and if that is no help report it: the log has the details."
        ) from error


def _keep(
    shop: Shop, actor: Actor, name: str, data: bytes, sha256: str, read: _Read, way: Way
) -> ImportOutcome:
    with shop.database.write() as session:
        # Another tablet may have brought the same file while this one was counted.
        known = _already(session, sha256)
        if known is not None:
            return known
        row = ImportFile(
            name=name,
            sha256=sha256,
            kind=read.kind,
            size=len(data),
            content=read.packed,
            imported_by=actor.person_id,
            imported_at=shop.clock(),
            way=way,
        )
        session.add(row)
        session.flush()
        outcome = _write(shop, session, row, read)
        shop.note(
            session,
            actor,
            "file-imported",
            f"import {row.id}",
            name=name,
            sha256=sha256,
            kind=read.kind,
            way=way,
            programs=len(outcome.program_ids),
            use_reports=outcome.reports,
        )
        return outcome


def _some(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def _write(shop: Shop, session: Session, row: ImportFile, read: _Read) -> ImportOutcome:
    """Write a file's rows in a few statements: whoever else writes is waiting meanwhile."""
    if read.kind == "use":
        fresh, warnings = use_files.checked(shop, session, row.name, read.reports)
        _insert(
            session,
            UseReport,
            [
                {
                    "torch_id": r.torch_id,
                    "at": r.at,
                    "starts": r.starts,
                    "arc_minutes": r.arc_minutes,
                    "file_id": row.id,
                    "line": r.line,
                }
                for r in fresh
            ],
        )
        message = _some(len(fresh), "use report")
        known = len(read.reports) - len(fresh)
        message += f", {known} more in the book already" if known else ""
        return ImportOutcome(
            "new", row.name, read.kind, row.id, (), len(fresh), warnings, f"Imported: {message}."
        )
    _insert(session, Program, [{"file_id": row.id, **p} for p in read.programs])
    ids = session.scalars(
        select(Program.id).where(Program.file_id == row.id).order_by(Program.ordinal)
    ).all()
    _insert(
        session,
        ProgramCountRow,
        [{"program_id": i, **c} for i, c in zip(ids, read.counts, strict=True)],
    )
    return ImportOutcome(
        "new", row.name, read.kind, row.id, tuple(ids), 0, read.warnings, read.message
    )


def _insert(session: Session, table: type[Base], rows: Sequence[dict[str, Any]]) -> None:
    for start in range(0, len(rows), _BATCH):
        session.execute(insert(table), rows[start : start + _BATCH])
