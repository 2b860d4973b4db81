"""Use files: a torch's counters at moments between inspections.

A CSV of ``torch,at,starts,arc_minutes``: the counters as shown, the moment in ISO 8601.
They say what a part has behind it now; what inspections record stays as it is.
"""

from __future__ import annotations

import csv
import datetime as dt
import difflib
import io
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, replace

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import Counter, InspectionRow, Torch
from pitwise.records.wear_tables import UseReport
from pitwise.services.errors import NotYetError, ServiceError
from pitwise.services.fields import clean_text, decimal_number, whole_number
from pitwise.services.shopfloor import Shop
from pitwise.wear.use import CounterReading, advance, use_slips

_COLUMNS = ("torch", "at", "starts", "arc_minutes")
_MOST_LINES = 200_000
_FIRST_YEAR = 2000
# Clocks of a station and of this machine are seldom the same.
_AHEAD = dt.timedelta(hours=1)


@dataclass(frozen=True)
class ReportLine:
    """One line of a use file.

    Attributes
    ----------
    line : int
    torch : str
        Its name as written.
    at : datetime
        In UTC.
    starts, arc_minutes : int, float
        The counters as shown.
    torch_id : int
        0 until the torch was looked up.
    """

    line: int
    torch: str
    at: dt.datetime
    starts: int
    arc_minutes: float
    torch_id: int = 0


def parse(name: str, text: str, zone: dt.tzinfo | None) -> tuple[ReportLine, ...]:
    """Read a use file.

    Parameters
    ----------
    name : str
        The file's name, for errors.
    text : str
    zone : tzinfo or None
        For times that name no zone; None refuses those.

    Raises
    ------
    ServiceError
        Names file, line, field and mend.
    """
    first = next((x for x in io.StringIO(text, newline=None) if x.strip()), "")
    mark = max(",;\t", key=first.count)
    rows = csv.reader(io.StringIO(text, newline=None), delimiter=mark, strict=True)
    columns: list[str] | None = None
    out: list[ReportLine] = []
    try:
        for row in rows:
            if not any(c.strip() for c in row):
                continue
            if columns is None:
                columns = _columns(name, row)
                continue
            out.append(_line(f"{name}, line {rows.line_num}", rows.line_num, columns, row, zone))
            if len(out) > _MOST_LINES:
                raise ServiceError(name, f"has more than {_MOST_LINES} lines", "split it")
    except csv.Error as error:
        place = f"{name}, line {rows.line_num}"
        raise ServiceError(place, f"is not CSV ({error})", "check its quotes") from error
    if not out:
        raise ServiceError(name, "has no line under its header", "export the counters again")
    return tuple(out)


def _columns(name: str, row: list[str]) -> list[str]:
    columns = [c.strip().casefold() for c in row]
    for wanted in _COLUMNS:
        if columns.count(wanted) != 1:
            raise ServiceError(
                f"{name}, line 1", f"needs one column '{wanted}'", f"head it {','.join(_COLUMNS)}"
            )
    return columns


def _line(
    place: str, number: int, columns: list[str], row: list[str], zone: dt.tzinfo | None
) -> ReportLine:
    if len(row) != len(columns):
        raise ServiceError(
            place, f"has {len(row)} cells for {len(columns)} columns", "write every cell"
        )
    cells = dict(zip(columns, row, strict=True))
    starts = whole_number(f"{place}, starts", cells["starts"], high=2_000_000_000)
    minutes = decimal_number(f"{place}, arc_minutes", cells["arc_minutes"])
    if starts is None or minutes is None:
        empty = "starts" if starts is None else "arc_minutes"
        raise ServiceError(f"{place}, {empty}", "is empty", "write what the counter shows")
    torch = clean_text(f"{place}, torch", cells["torch"])
    return ReportLine(number, torch, moment(f"{place}, at", cells["at"], zone), starts, minutes)


def moment(place: str, text: str, zone: dt.tzinfo | None) -> dt.datetime:
    """Return a moment in UTC; one without a zone is taken in `zone`, or refused without one.

    Raises
    ------
    ServiceError
        Not a moment, one that the clock change skips or has twice, or out of range.
    """
    text = text.strip()
    mend = "write it as 2031-03-03T14:05+01:00"
    if len(text) < 12:
        raise ServiceError(place, f"'{text[:40]}' is not a date with a time", mend)
    try:
        found = dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise ServiceError(place, f"'{text[:40]}' is not a date with a time", mend) from error
    if not _FIRST_YEAR <= found.year < 2200:
        raise ServiceError(place, f"'{text[:40]}' is no likely date", "check its year")
    if found.tzinfo is None:
        if zone is None:
            raise ServiceError(
                place,
                f"'{text[:40]}' names no zone, and the shop's is not set",
                f"{mend}, or set PITWISE_TIMEZONE to the shop's zone",
            )
        early, late = (found.replace(tzinfo=zone, fold=f).utcoffset() for f in (0, 1))
        if early != late:
            raise ServiceError(
                place,
                f"'{text[:40]}' is skipped or comes twice when the clocks change",
                mend,
            )
        found = found.replace(tzinfo=zone)
    return found.astimezone(dt.UTC)


@dataclass(frozen=True)
class _Entry:
    """A torch's counters at a moment: a report, or an inspection's reading."""

    at: dt.datetime
    starts: int | None
    arc_minutes: float | None
    reset: bool = False
    report: ReportLine | None = None


def _with_torches(name: str, session: Session, rows: Iterable[ReportLine]) -> list[ReportLine]:
    names = {t.name.casefold(): t.id for t in session.scalars(select(Torch))}
    spelled = {t.name.casefold(): t.name for t in session.scalars(select(Torch))}
    out = []
    for row in rows:
        ident = names.get(row.torch.casefold())
        if ident is None:
            near = difflib.get_close_matches(row.torch.casefold(), names, 1, 0.5)
            mend = "add it on the Shop page"
            mend = f"did you mean '{spelled[near[0]]}'? Else {mend}" if near else mend
            raise ServiceError(
                f"{name}, line {row.line}", f"there is no torch '{row.torch[:40]}'", mend
            )
        out.append(replace(row, torch_id=ident))
    return out


def _counters(session: Session, torch_id: int) -> list[tuple[Counter, bool, bool]]:
    """Return a torch's counter readings, and which of both counters was read at each."""
    rows = session.execute(
        select(Counter, InspectionRow.starts, InspectionRow.arc_minutes, InspectionRow.id)
        .outerjoin(InspectionRow, InspectionRow.id == Counter.inspection_id)
        .where(Counter.torch_id == torch_id, Counter.void.is_(False))
        .order_by(Counter.at, Counter.id)
    ).all()
    # A counter that was not read carries on what it showed before: that is no reading.
    return [
        (c, ident is None or starts is not None, ident is None or minutes is not None)
        for c, starts, minutes, ident in rows
    ]


def checked(
    shop: Shop, session: Session, name: str, rows: Iterable[ReportLine]
) -> tuple[list[ReportLine], tuple[str, ...]]:
    """Return a file's reports that are new to the book, and what is odd about them.

    Raises
    ------
    ServiceError
        An unknown torch, a counter that runs backwards; names the line.
    NotYetError
        A moment to come.
    """
    rows = _with_torches(name, session, rows)
    latest = shop.clock() + _AHEAD
    for row in rows:
        if row.at > latest:
            raise NotYetError(
                f"{name}, line {row.line}, at",
                f"{row.at.isoformat(timespec='minutes')} is still to come",
                "check the date and its zone",
            )
    by_torch: defaultdict[int, list[ReportLine]] = defaultdict(list)
    for row in rows:
        by_torch[row.torch_id].append(row)
    fresh: list[ReportLine] = []
    warnings: list[tuple[int, str]] = []
    for torch_id, own in by_torch.items():
        known = session.scalars(select(UseReport).where(UseReport.torch_id == torch_id)).all()
        seen = {(r.at, r.starts, r.arc_minutes) for r in known}
        new = []
        for row in own:
            key = (row.at, row.starts, row.arc_minutes)
            if key not in seen:
                seen.add(key)
                new.append(row)
        entries = [_Entry(r.at, r.starts, r.arc_minutes) for r in known]
        entries += [
            _Entry(
                c.at,
                c.starts if has_starts else None,
                c.arc_minutes if has_minutes else None,
                c.reset,
            )
            for c, has_starts, has_minutes in _counters(session, torch_id)
        ]
        entries += [_Entry(r.at, r.starts, r.arc_minutes, report=r) for r in new]
        warnings += _walk(name, entries)
        fresh += new
    fresh.sort(key=lambda r: r.line)
    return fresh, tuple(f"line {n}: {text}" for n, text in sorted(warnings))


def _walk(name: str, entries: list[_Entry]) -> list[tuple[int, str]]:
    """Go through a torch's counters in time; refuse a new report that runs backwards."""
    entries.sort(key=lambda e: (e.at, e.starts or 0, e.arc_minutes or 0.0))
    warnings = []
    last: _Entry | None = None
    for entry in entries:
        if entry.reset or last is None:
            last = entry
            continue
        blamed = entry.report or last.report
        for word, before, now in (
            ("starts", last.starts, entry.starts),
            ("arc minutes", last.arc_minutes, entry.arc_minutes),
        ):
            if blamed is not None and before is not None and now is not None and now < before:
                raise ServiceError(
                    f"{name}, line {blamed.line}",
                    f"the counter of '{blamed.torch}' runs backwards: {before:g} {word} at "
                    f"{last.at:%Y-%m-%d %H:%M}, {now:g} at {entry.at:%Y-%m-%d %H:%M} (UTC)",
                    "correct the figure or its time; if the counter was set to zero, sign an "
                    "inspection that says so first",
                )
        if entry.report is not None:
            reading = CounterReading(last.starts, last.arc_minutes, 0, 0.0)
            slips = use_slips(
                reading,
                entry.starts,
                entry.arc_minutes,
                reset=False,
                elapsed_minutes=(entry.at - last.at).total_seconds() / 60,
            )
            warnings += [(entry.report.line, slip.text) for slip in slips]
        last = _Entry(
            entry.at,
            last.starts if entry.starts is None else entry.starts,
            last.arc_minutes if entry.arc_minutes is None else entry.arc_minutes,
            report=entry.report,
        )
    return warnings


def current_use(session: Session, torch_id: int) -> tuple[int, float]:
    """Return a torch's total starts and arc minutes now, on the scale inspections record.

    The last inspection's totals, carried on by the use reports since. Equal to
    `fittings.totals` where there are none.
    """
    last: CounterReading | None = None
    since: dt.datetime | None = None
    counters = _counters(session, torch_id)
    if counters:
        row = counters[-1][0]
        last = CounterReading(row.starts, row.arc_minutes, row.total_starts, row.total_minutes)
        since = row.at
        last = _unread(session, torch_id, counters, last)
    query = select(UseReport).where(UseReport.torch_id == torch_id)
    if since is not None:
        query = query.where(UseReport.at > since)
    for report in session.scalars(
        query.order_by(UseReport.at, UseReport.starts, UseReport.arc_minutes)
    ):
        last = _carried(last, report.starts, report.arc_minutes)
    return (last.total_starts, last.total_minutes) if last else (0, 0.0)


def _carried(
    last: CounterReading | None, starts: int | None, arc_minutes: float | None
) -> CounterReading:
    """Carry on, each counter no further back than it was.

    A report fitted when it came in; an inspection corrected later may have gone past it.
    """
    if last is not None:
        if starts is not None and last.starts is not None:
            starts = max(starts, last.starts)
        if arc_minutes is not None and last.arc_minutes is not None:
            arc_minutes = max(arc_minutes, last.arc_minutes)
    return advance(last, starts, arc_minutes, reset=False)


def _unread(
    session: Session,
    torch_id: int,
    counters: list[tuple[Counter, bool, bool]],
    last: CounterReading,
) -> CounterReading:
    """Carry a counter that the last inspection did not read on by the reports before it."""
    row, has_starts, has_minutes = counters[-1]
    if row.reset or (has_starts and has_minutes):
        return last
    # The last reset, or reading of the counter that was left out: reports after it count.
    after = next(
        (c.at for c, s, m in reversed(counters) if c.reset or (s if not has_starts else m)), None
    )
    query = select(UseReport).where(UseReport.torch_id == torch_id, UseReport.at <= row.at)
    if after is not None:
        query = query.where(UseReport.at > after)
    report = session.scalars(
        query.order_by(UseReport.at.desc(), UseReport.starts.desc()).limit(1)
    ).first()
    if report is None:
        return last
    return _carried(
        last,
        None if has_starts else report.starts,
        None if has_minutes else report.arc_minutes,
    )
