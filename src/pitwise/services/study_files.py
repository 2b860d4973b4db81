"""Studies as files: out as the command line reads them, and a gauge study in."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable

from sqlalchemy import select

from pitwise.measure.depth import ReadingError, parse_depth
from pitwise.records.photo_tables import GaugeStudyReading, GaugeStudyRow
from pitwise.services import gauge_results
from pitwise.services.case_touch import person
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, ServiceError
from pitwise.services.fields import clean_text
from pitwise.services.file_text import clean_name, reading
from pitwise.services.gauge_studies import (
    MOST_PARTS,
    MOST_PEOPLE,
    MOST_TRIALS,
    add_row,
    depth_of,
    gauge_now,
    people_of,
    readings_of,
    study_row,
)
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop

HEADER = ["part", "person", "trial", "value"]
_LARGEST = 200_000
# A cell that begins so is run as a formula by programs for tables.
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


def safe_cell(text: str) -> str:
    """Return a text that no program for tables takes for a formula."""
    return f"'{text}" if text.startswith(_FORMULA) else text


def csv_text(rows: Iterable[Iterable[object]]) -> str:
    """Return rows as CSV text."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def study_csv(shop: Shop, actor: Actor, study_id: int) -> str:
    """Return a finished study's readings as `pitwise gauge` reads them; all that are complete."""
    require(actor, "studies")
    with shop.database.read() as session:
        row = study_row(session, study_id)
        if row.state != "closed":
            raise ConflictError("study", f"it is {row.state}", "finish it first")
        people = people_of(row)
        kept = json.loads(row.result or "{}")
        rows = [
            [r.part, safe_cell(people[r.person]), r.trial, depth_of(r).words()]
            for r in sorted(readings_of(session, row.id), key=lambda r: (r.trial, r.person, r.part))
            if r.part in kept["parts"]
            and people[r.person] in kept["people"]
            and r.trial <= kept["trials"]
        ]
    return csv_text([HEADER, *rows])


def _rows(name: str, data: bytes) -> list[tuple[int, list[str]]]:
    if len(data) > _LARGEST:
        raise ServiceError(name, "is larger than a study can be", "give the study's readings alone")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ServiceError(name, "is no UTF-8 text", "save it as CSV, UTF-8") from error
    head = text.split("\n", 1)[0]
    table = csv.reader(io.StringIO(text, newline=""), delimiter=";" if ";" in head else ",")
    try:
        rows = [
            (table.line_num, [c.strip() for c in r]) for r in table if any(c.strip() for c in r)
        ]
    except csv.Error as error:
        raise ServiceError(f"{name}, line {table.line_num}", str(error), "save it anew") from error
    if not rows or [c.casefold() for c in rows[0][1]] != HEADER:
        raise ServiceError(
            f"{name}, line 1", "has another header", f"write {','.join(HEADER)} there"
        )
    return rows[1:]


def import_study(
    shop: Shop,
    actor: Actor,
    name_of_file: str,
    data: bytes,
    *,
    key: str,
    name: str,
    gauge_id: int | None,
    tolerance: str = "",
) -> int:
    """Bring in a study measured elsewhere; it is finished when it comes.

    Parameters
    ----------
    shop, actor
    name_of_file : str
    data : bytes
        CSV: header ``part,person,trial,value``, a reading a line; a value may carry its unit, a
        bare one is in the gauge's unit. Parts are numbered in the order they first come.
    key : str
        The same key is one study.
    name : str
    gauge_id : int or None
    tolerance : str

    Returns
    -------
    int
        The study's number.

    Raises
    ------
    ServiceError
        Names the line: no number, a reading twice, one that is missing, too many.
    """
    require(actor, "studies")
    check_key(key)
    file = clean_name(name_of_file)
    with reading(file), shop.database.write() as session:
        same = session.scalar(select(GaugeStudyRow).where(GaugeStudyRow.key == key))
        if same is not None:
            return same.id
        gauge = gauge_now(session, gauge_id)
        unit = gauge.unit if gauge else "mm"
        cells: dict[tuple[str, str, str], str] = {}
        for line, row in _rows(file, data):
            place = f"{file}, line {line}"
            if len(row) != len(HEADER):
                raise ServiceError(place, f"has {len(row)} fields", f"give {','.join(HEADER)}")
            part, who, trial, value = row
            who = clean_text(f"{place}, person", who.removeprefix("'"), longest=60)
            if (part, who, trial) in cells:
                raise ServiceError(
                    place, f"part {part[:20]}, {who}, trial {trial[:20]} comes twice", "keep one"
                )
            try:
                parse_depth(value, unit)
            except ReadingError as error:
                problem, _, mend = str(error).partition(": ")
                raise ServiceError(place, problem, mend or "write it as 1.45 mm") from error
            cells[(part, who, trial)] = value
        parts, names, trials = (
            {x: k for k, x in enumerate(dict.fromkeys(cell[i] for cell in cells))} for i in range(3)
        )
        for kind, found, most in (
            ("parts", parts, MOST_PARTS),
            ("people", names, MOST_PEOPLE),
            ("trials", trials, MOST_TRIALS),
        ):
            if len(found) > most:
                raise ServiceError(file, f"has {len(found)} {kind}", f"give {most} at most")
        missing = [
            (p, who, t) for p in parts for who in names for t in trials if (p, who, t) not in cells
        ]
        if missing:
            p, who, t = missing[0]
            raise ServiceError(
                file,
                f"{len(missing)} readings are missing, the first: part {p[:20]}, {who}, "
                f"trial {t[:20]}",
                "add them, or leave out what is not complete",
            )
        made = add_row(
            shop,
            session,
            actor,
            key=key,
            name=name,
            gauge_id=gauge_id,
            unit=unit,
            tolerance=tolerance,
            parts=len(parts),
            people=list(names),
            trials=len(trials),
            order_seed=0,
        )
        for k, ((part, who, trial), value) in enumerate(cells.items()):
            given = parse_depth(value, unit)
            session.add(
                GaugeStudyReading(
                    key=f"import-{made.id}-{k}",
                    study_id=made.id,
                    part=parts[part] + 1,
                    person=names[who],
                    trial=trials[trial] + 1,
                    text=value,
                    value=float(given.value),
                    unit=given.unit,
                    by=person(actor),
                    at=shop.clock(),
                    taken_out=False,
                )
            )
        session.flush()
        shop.note(
            session,
            actor,
            "gauge-study-imported",
            f"gauge study {made.id}",
            name=made.name,
            file=file,
            gauge=gauge_id,
            readings=len(cells),
            parts=[p[:40] for p in parts],
            people=list(names),
        )
        gauge_results.close_row(shop, session, actor, made, reason="")
        return made.id
