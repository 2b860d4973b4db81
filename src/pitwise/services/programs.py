"""The cut programs of the book: listed with their counts, looked into, withdrawn, brought back."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session

from pitwise.job.dxf import dxf_layers
from pitwise.job.model import ProgramCount, ProgramError
from pitwise.records.audit import canonical
from pitwise.records.tables import Person, Station
from pitwise.records.wear_tables import ImportFile, Program
from pitwise.services.errors import NotFoundError, ServiceError
from pitwise.services.fields import decimal_number
from pitwise.services.imports import ImportOutcome, import_file
from pitwise.services.permissions import Actor, require
from pitwise.services.program_counts import (
    CountLine,
    content_of,
    count_data,
    count_of,
    count_row,
    kept_lines,
    options_of,
    settings_sha256,
)
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import (
    StationSettings,
    assumed_fields,
    layer_names,
    settings_of,
)

__all__ = [
    "ImportOutcome",
    "ProgramDetail",
    "ProgramLine",
    "ProgramList",
    "bring_back",
    "count_of",
    "fill_counts",
    "import_file",
    "keep_newest_count",
    "program_detail",
    "programs",
    "set_drawing",
    "withdraw",
]
PAGE_SIZE = 50
SHOWN_CUTS = 200
SHOWN_WARNINGS = 200
_LARGEST_LISTED = 4 << 20


@dataclass(frozen=True)
class ProgramLine:
    """A program as the list shows it.

    Attributes
    ----------
    id : int
    name, file_name : str
    kind : {"program", "dxf", "plates"}
    imported_at : datetime
    imported_by : str
    way : {"upload", "watch", "command"}
    withdrawn_at : datetime or None
    withdrawn_by : str or None
    count : CountLine or None
        None when it can't be counted under the station's settings.
    problem : str
        Why not, with the line and the mend; empty when counted.
    """

    id: int
    name: str
    file_name: str
    kind: str
    imported_at: dt.datetime
    imported_by: str
    way: str
    withdrawn_at: dt.datetime | None
    withdrawn_by: str | None
    count: CountLine | None
    problem: str


@dataclass(frozen=True)
class ProgramList:
    """A page of the programs, counted as one station reads them.

    Attributes
    ----------
    lines : list of ProgramLine
        Newest first.
    total, withdrawn_total : int
        In use, and withdrawn, in all.
    stations : list of Station
    station : Station or None
        Whose settings they are counted with; None while the book has no station.
    assumed : frozenset of str
        Settings that the shop has not set there.
    """

    lines: list[ProgramLine]
    total: int
    withdrawn_total: int
    stations: list[Station]
    station: Station | None
    assumed: frozenset[str]


@dataclass(frozen=True)
class ProgramDetail:
    """A program in full.

    Attributes
    ----------
    line : ProgramLine
    count : ProgramCount or None
    station : Station or None
    stations : list of Station
    settings : StationSettings
    assumed : frozenset of str
    options : dict
        A drawing's own.
    layers : tuple of str
        A drawing's layers; empty for anything else, and for a drawing too large to be read
        again for this.
    size : int
        Of the file, in bytes.
    sha256 : str
    """

    line: ProgramLine
    count: ProgramCount | None
    station: Station | None
    stations: list[Station]
    settings: StationSettings
    assumed: frozenset[str]
    options: dict[str, Any]
    layers: tuple[str, ...]
    size: int
    sha256: str


def _joined() -> Select[Program, ImportFile]:
    return select(Program, ImportFile).join(ImportFile, ImportFile.id == Program.file_id)


def _stations(session: Session, station_id: int | None) -> tuple[list[Station], Station | None]:
    stations = list(session.scalars(select(Station).order_by(Station.name)))
    if station_id is None:
        return stations, stations[0] if stations else None
    chosen = next((s for s in stations if s.id == station_id), None)
    if chosen is None:
        raise NotFoundError("station", f"there is no station {station_id}", "choose from the list")
    return stations, chosen


def fill_counts(
    shop: Shop, found: Sequence[tuple[Program, ImportFile]], settings: StationSettings
) -> tuple[dict[int, CountLine], dict[int, str]]:
    """Return the counts of programs, making and keeping those that are not kept yet.

    Counting runs outside of any unit of work, so that nobody waits for it to write.
    """
    problems: dict[int, str] = {}
    with shop.database.read() as session:
        lines = kept_lines(session, found, settings)
    made = []
    for program, file in found:
        if program.id in lines:
            continue
        options = options_of(program)
        with shop.database.read() as session:
            data = content_of(session.get_one(ImportFile, file.id))
        try:
            count = count_data(file.name, file.kind, data, options, settings, program.ordinal)
        except ServiceError as error:
            problems[program.id] = str(error)
            continue
        made.append(count_row(program.id, settings_sha256(file.kind, options, settings), count))
    if made:
        with shop.database.write() as session:
            for row in made:
                session.merge(row)
        with shop.database.read() as session:
            lines = kept_lines(session, found, settings)
    return lines, problems


def _layers_of(data: bytes) -> tuple[str, ...]:
    try:
        return dxf_layers(data)
    except ProgramError:
        # Why it can't be read is told with the count.
        return ()


def keep_newest_count(shop: Shop) -> None:
    """Count the newest program as each station reads it, so that pages need not count it."""
    with shop.database.read() as session:
        found = session.execute(
            _joined()
            .where(Program.withdrawn_at.is_(None))
            .order_by(ImportFile.imported_at.desc(), Program.ordinal)
            .limit(1)
        ).first()
        stations = session.scalars(select(Station.id)).all() if found else []
        settings = [settings_of(session, station) for station in stations]
    for own in settings:
        if found:
            fill_counts(shop, [(found[0], found[1])], own)


def _line(
    program: Program,
    file: ImportFile,
    names: dict[int, str],
    count: CountLine | None,
    problem: str,
) -> ProgramLine:
    return ProgramLine(
        program.id,
        program.name,
        file.name,
        file.kind,
        file.imported_at,
        names.get(file.imported_by or 0, "Pitwise"),
        file.way,
        program.withdrawn_at,
        names.get(program.withdrawn_by or 0, "Pitwise") if program.withdrawn_at else None,
        count,
        problem,
    )


def programs(
    shop: Shop,
    actor: Actor,
    *,
    station_id: int | None = None,
    withdrawn: bool = False,
    find: str = "",
    page: int = 1,
) -> ProgramList:
    """Return a page of the programs with their counts, as a station's settings have them.

    Parameters
    ----------
    shop, actor
    station_id : int or None
        None: the first by name.
    withdrawn : bool
        Show those withdrawn instead of those in use.
    find : str
        Part of a name.
    page : int
        From 1; `PAGE_SIZE` on each.
    """
    require(actor, "view")
    with shop.database.read() as session:
        stations, station = _stations(session, station_id)
        ident = station.id if station else None
        settings, assumed = settings_of(session, ident), assumed_fields(session, ident)
        names = {p.id: p.name for p in session.scalars(select(Person))}
        shown = Program.withdrawn_at.is_not(None) if withdrawn else Program.withdrawn_at.is_(None)
        query = _joined().where(shown)
        if find.strip():
            query = query.where(Program.name.icontains(find.strip()[:80], autoescape=True))
        found = [
            (row[0], row[1])
            for row in session.execute(
                query.order_by(Program.file_id.desc(), Program.ordinal)
                .limit(PAGE_SIZE)
                .offset((page - 1) * PAGE_SIZE)
            )
        ]
        both = {
            gone: session.scalar(
                select(func.count())
                .select_from(Program)
                .where(
                    Program.withdrawn_at.is_not(None) if gone else Program.withdrawn_at.is_(None)
                )
            )
            or 0
            for gone in (False, True)
        }
    lines, problems = fill_counts(shop, found, settings)
    return ProgramList(
        [_line(p, f, names, lines.get(p.id), problems.get(p.id, "")) for p, f in found],
        both[False],
        both[True],
        stations,
        station,
        assumed,
    )


def program_detail(
    shop: Shop, actor: Actor, program_id: int, *, station_id: int | None = None
) -> ProgramDetail:
    """Return a program with its whole count, cut by cut, as a station's settings have it."""
    require(actor, "view")
    with shop.database.read() as session:
        stations, station = _stations(session, station_id)
        ident = station.id if station else None
        settings, assumed = settings_of(session, ident), assumed_fields(session, ident)
        program, file = _found(session, program_id)
        names = {p.id: p.name for p in session.scalars(select(Person))}
    lines, problems = fill_counts(shop, [(program, file)], settings)
    count: ProgramCount | None = None
    layers: tuple[str, ...] = ()
    with shop.database.read() as session:
        if program.id in lines:
            count = count_of(session, program_id, settings)
        if file.kind == "dxf" and file.size <= _LARGEST_LISTED:
            layers = _layers_of(content_of(session.get_one(ImportFile, file.id)))
    return ProgramDetail(
        _line(program, file, names, lines.get(program.id), problems.get(program.id, "")),
        count,
        station,
        stations,
        settings,
        assumed,
        options_of(program),
        layers,
        file.size,
        file.sha256,
    )


def set_drawing(
    shop: Shop,
    actor: Actor,
    program_id: int,
    *,
    layers: str = "",
    feed_mm_min: str = "",
    pierce_seconds: str = "",
) -> None:
    """Set how one drawing is counted, against its station's settings.

    Parameters
    ----------
    shop, actor
    program_id : int
    layers, feed_mm_min, pierce_seconds : str
        As typed; empty leaves it to the station.

    Raises
    ------
    ServiceError
        A value that can't be, or no drawing; nothing was changed.
    """
    require(actor, "import-files")
    given = {
        "layers": layer_names("layers", layers[:4000]),
        "feed_mm_min": decimal_number("cutting feed", feed_mm_min, low=1.0, high=100_000.0),
        "pierce_seconds": decimal_number("pierce time", pierce_seconds, high=60.0),
    }
    new = {name: value for name, value in given.items() if value is not None}
    with shop.database.write() as session:
        program, file = _found(session, program_id)
        if file.kind != "dxf":
            raise ServiceError("program", "is no drawing", "set how it is read at its station")
        old = options_of(program)
        if new == old:
            return
        program.options = canonical(new)
        shop.note(session, actor, "drawing-set", f"program {program.id}", before=old, after=new)


def _found(session: Session, program_id: int) -> tuple[Program, ImportFile]:
    found = session.execute(_joined().where(Program.id == program_id)).first()
    if found is None:
        raise NotFoundError("program", f"there is no program {program_id}", "choose from the list")
    return found[0], found[1]


def withdraw(shop: Shop, actor: Actor, program_id: int) -> None:
    """Take a program off the lists; it stays in the book and can be brought back."""
    require(actor, "import-files")
    with shop.database.write() as session:
        program, _ = _found(session, program_id)
        if program.withdrawn_at is not None:
            # The second tap of a double tap.
            return
        program.withdrawn_at, program.withdrawn_by = shop.clock(), actor.person_id
        shop.note(session, actor, "program-withdrawn", f"program {program.id}", name=program.name)


def bring_back(shop: Shop, actor: Actor, program_id: int) -> None:
    """Bring a withdrawn program back to the lists."""
    require(actor, "import-files")
    with shop.database.write() as session:
        program, _ = _found(session, program_id)
        if program.withdrawn_at is None:
            return
        program.withdrawn_at = program.withdrawn_by = None
        shop.note(
            session, actor, "program-brought-back", f"program {program.id}", name=program.name
        )
