"""The shop's own ranges of readings, by station, laid over the trade sheet's.

A save keeps a whole new row with who, when and why; the newest of a reading holds, none is
ever changed. Both ends left empty give the reading back to the trade sheet.
"""

from __future__ import annotations

import difflib
import threading
from collections import OrderedDict
from dataclasses import replace

from pydantic import ValidationError
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.case_tables import ReadingRange
from pitwise.records.tables import Person, Station
from pitwise.services.book_cases import row_digest
from pitwise.services.case_gate import Gate
from pitwise.services.case_lines import ReadingField
from pitwise.services.case_touch import person
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text, signed_number
from pitwise.services.permissions import Actor, may, require
from pitwise.services.range_view import RangeLine, RangesView
from pitwise.services.shopfloor import Shop
from pitwise.trade.cause_rows import ReadingKind
from pitwise.trade.model import Sheet
from pitwise.trade.units import UnitError, accepted_units

_MOST_SHEETS = 16
_known: OrderedDict[tuple[str, tuple[str, ...]], Sheet] = OrderedDict()
_lock = threading.Lock()


def newest_ranges(session: Session, station_id: int) -> dict[str, ReadingRange]:
    """Return the newest row of each reading at a station."""
    rows = session.scalars(
        select(ReadingRange).where(ReadingRange.station_id == station_id).order_by(ReadingRange.id)
    )
    return {row.reading: row for row in rows}


def is_set(row: ReadingRange | None) -> bool:
    """Tell whether a row gives a range, and does not hand the reading back to the sheet."""
    return row is not None and (row.low is not None or row.high is not None)


def _laid_over(kind: ReadingKind, row: ReadingRange) -> ReadingKind:
    ends = {
        name: kind.canonical(float(text), row.unit)
        for name, text in (("low", row.low), ("high", row.high))
        if text is not None
    }
    data = kind.model_dump() | ends
    data["source"] = "the shop's own range"
    return ReadingKind.model_validate(data)


def sheet_at(shop: Shop, session: Session, station_id: int) -> Sheet:
    """Return the trade sheet in force at a station: with the shop's limits and ranges.

    Ranges of readings the sheet no longer knows are left aside.
    """
    sheet = shop.sheet(session)
    kinds = {r.id: r for r in sheet.readings}
    rows = [r for r in newest_ranges(session, station_id).values() if r.reading in kinds]
    own = tuple(
        _laid_over(kinds[r.reading], r) for r in sorted(rows, key=lambda r: r.reading) if is_set(r)
    )
    if not own:
        return sheet
    key = (sheet.sha256, tuple(k.model_dump_json() for k in own))
    with _lock:
        if key not in _known:
            mine = {k.id: k for k in own}
            _known[key] = replace(
                sheet,
                version=f"{sheet.version}+ranges",
                readings=tuple(mine.get(k.id, k) for k in sheet.readings),
            )
            while len(_known) > _MOST_SHEETS:
                _known.popitem(last=False)
        return _known[key]


def reading_field(
    kind: ReadingKind, own: ReadingRange | None, current: str = "", gate: Gate | None = None
) -> ReadingField:
    """Return a reading as a form shows it; `kind` is of the sheet in force at the station."""
    if is_set(own):
        range_from = "the shop's range"
    elif kind.low is not None or kind.high is not None:
        range_from = "the trade sheet"
    else:
        range_from = "no range set"
    return ReadingField(
        kind.id,
        kind.name,
        kind.unit,
        accepted_units(kind.unit),
        kind.low,
        kind.high,
        range_from,
        tuple(dict.fromkeys(f.symptom for f in kind.feeds)),
        current,
        gate.who if gate is not None else "technician",
        gate.caution if gate is not None else "",
    )


def ranges_view(shop: Shop, actor: Actor, station_id: int) -> RangesView:
    """Return every reading's range at a station: the sheet's, the shop's, what holds."""
    require(actor, "view")
    with shop.database.read() as session:
        station = _station(session, station_id)
        names = {p.id: p.name for p in session.scalars(select(Person))}
        newest = newest_ranges(session, station_id)
        base, there = shop.sheet(session), sheet_at(shop, session, station_id)
        lines = []
        for kind in base.readings:
            row, now = newest.get(kind.id), there.reading(kind.id)
            line = RangeLine(
                kind.id,
                kind.name,
                kind.unit,
                accepted_units(kind.unit),
                kind.low,
                kind.high,
                now.low,
                now.high,
            )
            if row is not None:
                line = replace(
                    line,
                    given_low=row.low or "",
                    given_high=row.high or "",
                    given_unit=row.unit if is_set(row) else "",
                    reason=row.reason,
                    by=names.get(row.by, "?"),
                    at=row.at,
                    newest=row.id,
                )
            lines.append(line)
        return RangesView(station.id, station.name, tuple(lines), may(actor, "reading-ranges"))


def _station(session: Session, station_id: int) -> Station:
    row = session.get(Station, station_id)
    if row is None:
        raise NotFoundError("station", f"there is no station {station_id}", "choose from the list")
    return row


def reading_kind(sheet: Sheet, reading: str) -> ReadingKind:
    """Return a kind of reading; refuse one the sheet does not know, naming the nearest."""
    known = {r.id: r for r in sheet.readings}
    if reading not in known:
        near = difflib.get_close_matches(reading, known, 1)
        raise NotFoundError(
            "reading",
            f"'{reading[:40]}' is not in the trade sheet",
            f"did you mean '{near[0]}'" if near else "choose from the list",
        )
    return known[reading]


def set_range(
    shop: Shop,
    actor: Actor,
    station_id: int,
    reading: str,
    *,
    low: str = "",
    high: str = "",
    unit: str,
    reason: str,
    based_on: int | None = None,
) -> int:
    """Set the range of a reading at a station.

    Parameters
    ----------
    shop, actor
    station_id : int
    reading : str
    low, high : str
        As typed; an empty end stays the trade sheet's. Both empty give the shop's range up.
    unit : str
        Any unit the trade sheet's own converts from; kept as given.
    reason : str
    based_on : int or None
        `RangeLine.newest` as it was on the screen; refused when somebody saved since.

    Returns
    -------
    int
        Id of the row that holds now; the same once more is no new row.

    Raises
    ------
    ServiceError
        No number, a wrong unit, low not below high, or an end that tells nothing.
    ConflictError
        Somebody saved meanwhile, or there is nothing to give back.
    """
    require(actor, "reading-ranges")
    reason = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        _station(session, station_id)
        kind = reading_kind(shop.sheet(session), reading)
        ends = {"low": signed_number("low", low), "high": signed_number("high", high)}
        unit = clean_text("unit", unit, longest=20, empty_ok=True) or kind.unit
        old = newest_ranges(session, station_id).get(kind.id)
        texts = {k: None if v is None else f"{v:.10g}" for k, v in ends.items()}
        before = (old.low, old.high, old.unit) if old is not None else None
        if before == (texts["low"], texts["high"], unit) and old is not None:
            return old.id
        if based_on is not None and based_on != (old.id if old is not None else 0):
            raise ConflictError(
                kind.name,
                "somebody set its range since this page was opened",
                "open it again, look at what they set, then set yours",
            )
        if all(v is None for v in ends.values()) and not is_set(old):
            raise ConflictError(kind.name, "the shop has set no range of it", "nothing to do")
        row = ReadingRange(
            station_id=station_id,
            reading=kind.id,
            low=texts["low"],
            high=texts["high"],
            unit=unit,
            reason=reason,
            by=person(actor),
            at=shop.clock(),
        )
        _check_ends(kind, row)
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            "reading-range-set",
            f"station {station_id}",
            reading=kind.id,
            before=None
            if before is None
            else dict(zip(("low", "high", "unit"), before, strict=True)),
            after={"low": row.low, "high": row.high, "unit": unit},
            reason=reason,
            table=ReadingRange.__tablename__,
            row=row.id,
            sha256=row_digest(session, ReadingRange.__tablename__, row.id),
        )
        return row.id


def _check_ends(kind: ReadingKind, row: ReadingRange) -> None:
    tells = {f.beyond for f in kind.feeds}
    for name, text in (("low", row.low), ("high", row.high)):
        if text is None:
            continue
        if name not in tells:
            raise ServiceError(
                name, f"no cause is told by a {kind.name.lower()} too {name}", "leave it empty"
            )
        try:
            kind.canonical(float(text), row.unit)
        except UnitError as error:
            raise ServiceError(name, error.problem, error.mend) from error
    try:
        _laid_over(kind, row)
    except ValidationError as error:
        raise ServiceError(
            kind.name, "its ends do not fit", "give low below high, both within what can be"
        ) from error
