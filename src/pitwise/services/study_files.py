"""Studies as files: out as the command line reads them, and a gauge study in."""

from __future__ import annotations

import csv
import io
import json
import unicodedata
from collections.abc import Iterable

import numpy as np
from sqlalchemy import select

from pitwise.measure.gauge_file import Readings, read_study
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
from pitwise.trade.given import InputError

HEADER = ["part", "person", "trial", "value"]
_LARGEST = 200_000
# In any unit: what lies beyond was never read off a depth gauge.
_DEEPEST, _FINEST = 1e5, 1e-7
# A cell that begins so is run as a formula by programs for tables.
_FORMULA = frozenset("=+-@")
# Separators, control and format characters, marks: nobody sees them, and some programs pass
# over them before they look for a formula.
_UNSEEN = ("Z", "C", "M")


def safe_cell(text: str) -> str:
    """Return a text that no program for tables takes for a formula.

    One that begins with a sign of a formula, be it fullwidth or behind characters nobody sees,
    with a tab or with a line break gets an apostrophe before it.
    """
    first = next((c for c in text if not unicodedata.category(c).startswith(_UNSEEN)), "")
    runs = unicodedata.normalize("NFKC", first)[:1] in _FORMULA
    return f"'{text}" if runs or text.startswith(("\t", "\r", "\n")) else text


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


def _text(value: float) -> str:
    """Write a reading as a person would type it: no exponent, eight decimals at most."""
    return f"{value:.8f}".rstrip("0").rstrip(".")


def _study_in(file: str, data: bytes) -> Readings:
    if len(data) > _LARGEST:
        raise ServiceError(file, "is larger than a study can be", "give the study's readings alone")
    try:
        found = read_study(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise ServiceError(file, "is no UTF-8 text", "save it as CSV, UTF-8") from error
    except InputError as error:
        place = f"{file}, {error.place}" if error.place else file
        raise ServiceError(place, error.problem, error.mend) from error
    for kind, number, most in (
        ("parts", len(found.parts), MOST_PARTS),
        ("people", len(found.people), MOST_PEOPLE),
        ("trials", len(found.trials), MOST_TRIALS),
    ):
        if number > most:
            raise ServiceError(file, f"has {number} {kind}", f"give {most} at most")
    missing = np.argwhere(np.isnan(found.x))
    if len(missing):
        who, part, trial = missing[0]
        raise ServiceError(
            file,
            f"{len(missing)} readings are missing, the first: part {found.parts[part][:20]}, "
            f"{found.people[who][:40]}, trial {found.trials[trial][:20]}",
            "add them, or leave out what is not complete",
        )
    for at, value in np.ndenumerate(found.x):
        line = f"{file}, line {found.lines[at]}"
        if value < 0:
            raise ServiceError(line, "the reading is below zero", "zero the gauge on the face")
        if value >= _DEEPEST or 0 < value < _FINEST:
            raise ServiceError(
                line, f"{value:.6g} is no reading of a depth gauge", "correct it, or its unit"
            )
    return found


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
        CSV: header ``part,person,trial,value``, a reading a line. With units all are kept in mm;
        bare numbers are in the gauge's unit. Parts are numbered in the order they first come.
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
        found = _study_in(file, data)
        gauge = gauge_now(session, gauge_id)
        unit = found.unit or (gauge.unit if gauge else "mm")
        # A name that came out of an export safe from being run as a formula.
        names = [clean_text("person", n.removeprefix("'"), longest=60) for n in found.people]
        made = add_row(
            shop,
            session,
            actor,
            key=key,
            name=name,
            gauge_id=gauge_id,
            unit=unit,
            tolerance=tolerance,
            parts=len(found.parts),
            people=names,
            trials=len(found.trials),
            order_seed=0,
        )
        for k, ((who, part, trial), value) in enumerate(np.ndenumerate(found.x)):
            session.add(
                GaugeStudyReading(
                    key=f"import-{made.id}-{k}",
                    study_id=made.id,
                    part=part + 1,
                    person=who,
                    trial=trial + 1,
                    text=_text(value),
                    value=float(_text(value)),
                    unit=unit,
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
            readings=found.x.size,
            parts=[p[:40] for p in found.parts],
            people=names,
        )
        gauge_results.close_row(shop, session, actor, made, reason="")
        return made.id
