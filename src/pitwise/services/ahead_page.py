"""The page of what lies ahead: torches and plates as they were asked for, and the answer.

What was asked for comes from an address that anybody may have typed, kept or sent. A part of
it that does not hold is named, and the rest is answered.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.job.outlook import (
    Change,
    Outlook,
)
from pitwise.job.words import change_words
from pitwise.records.tables import Station, Torch
from pitwise.records.wear_tables import ImportFile, Program
from pitwise.services.ahead import AheadView, Choice, QueueView, ahead, queue
from pitwise.services.errors import ServiceError
from pitwise.services.fields import whole_number
from pitwise.services.fittings import fitted
from pitwise.services.permissions import Actor, require
from pitwise.services.program_counts import CountLine, kept_lines
from pitwise.services.programs import fill_counts
from pitwise.services.setup import selector
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import FIELDS, SettingField, as_typed, settings_of

MOST_LINES = 60
# Few jobs are planned further, and somebody waits for the answer.
MOST_PLATES = 200
MOST_TORCHES = 20
OFFERED = 200
FOLD_ABOVE = 40
_LARGEST_ID = 2**31 - 1
_COUNTED_IN = ("accel_mm_s2",)
_COSTS = ("set_value", "stop_minutes", "stop_cost_per_hour", "lost_torch_cost")
_SHOWN = (*_COSTS, "scrapped_plate_cost", *_COUNTED_IN)


@dataclass(frozen=True)
class Line:
    """One line of what is to be cut.

    Attributes
    ----------
    asked : str
        The program's id, as it stands in the address.
    program_id : int or None
        None where the book has no such program.
    name : str
    typed : str
        How many, as typed.
    times : int or None
        None where it can't be.
    count : CountLine or None
    problem : str
        Why this line is left out; empty where it is not.
    """

    asked: str
    program_id: int | None
    name: str
    typed: str
    times: int | None
    count: CountLine | None
    problem: str


@dataclass(frozen=True)
class Offer:
    """A program that can be added."""

    id: int
    name: str
    count: CountLine | None


@dataclass(frozen=True)
class PlateRow:
    """A plate, or alike plates in a row, of the answer.

    Attributes
    ----------
    first, last : int
        Numbers in the order, from 1.
    name : str
        Of the program.
    starts, arc_minutes : float
        Of one plate.
    p_finish : float
        Chance that the planned set finishes the last of them.
    p_unchanged : float
        Chance that the set in the torch does, without a change.
    low_mm, median_mm, high_mm : float
        Depth of the planned set after the last.
    set_number : int
    """

    first: int
    last: int
    name: str
    starts: float
    arc_minutes: float
    p_finish: float
    p_unchanged: float
    low_mm: float
    median_mm: float
    high_mm: float
    set_number: int


@dataclass(frozen=True)
class ChangeRow:
    """A change of the set between the rows."""

    words: str


@dataclass(frozen=True)
class Run:
    """Plates of one program in a row."""

    program_id: int
    name: str
    times: int


@dataclass(frozen=True)
class Setting:
    """A setting the answer rests on."""

    field: SettingField
    value: str
    assumed: bool


@dataclass(frozen=True)
class QueueRow:
    """What one torch gets of a shared queue.

    Attributes
    ----------
    torch : Torch
    plates : tuple of int
        Numbers in the queue, from 1.
    runs : tuple of Run
        The same, by program, in order.
    arc_minutes : float
    changes : tuple of str
    p_finish : float or None
        Chance that the torch's last set finishes its last plate; None without a plate.
    p_unchanged : float or None
        Chance that the set in the torch finishes them all.
    expected_cost : float or None
    currency : str
    sets : int
        New sets to have on the bench.
    """

    torch: Torch
    plates: tuple[int, ...]
    runs: tuple[Run, ...]
    arc_minutes: float
    changes: tuple[str, ...]
    p_finish: float | None
    p_unchanged: float | None
    expected_cost: float | None
    currency: str
    sets: int


@dataclass(frozen=True)
class AheadPage:
    """What was asked for, what of it holds, and the answer.

    Attributes
    ----------
    torches : tuple of Torch
        All of the book.
    chosen : tuple of int
        Torch ids asked for that are in the book.
    lines : tuple of Line
    offers : tuple of Offer
        Programs that can be added, newest first, at most `OFFERED`.
    more_offers : bool
        There are more than are offered.
    programs_in_use : bool
        The book has any.
    problems : tuple of str
        What was left out, and why.
    lack : {"", "torches", "torch", "programs", "lines", "electrode", "limit", "answer"}
        What keeps the page from an answer; empty with one.
    view : AheadView or None
        With one torch.
    queue : QueueView or None
        With several.
    rows : tuple of PlateRow or ChangeRow
    runs : tuple of Run
    queue_rows : tuple of QueueRow
    settings : tuple of Setting
    """

    torches: tuple[Torch, ...]
    chosen: tuple[int, ...]
    lines: tuple[Line, ...]
    offers: tuple[Offer, ...]
    more_offers: bool
    programs_in_use: bool
    problems: tuple[str, ...]
    lack: str
    view: AheadView | None = None
    queue: QueueView | None = None
    rows: tuple[PlateRow | ChangeRow, ...] = ()
    runs: tuple[Run, ...] = ()
    queue_rows: tuple[QueueRow, ...] = ()
    settings: tuple[Setting, ...] = ()

    @property
    def plates(self) -> int:
        """Plates asked for that hold."""
        return sum(x.times for x in self.lines if x.times and not x.problem)


def known_id(text: str) -> int | None:
    """Return an id somebody's address gives, or None where it can be none."""
    text = text.strip()
    if not (text.isascii() and text.isdigit() and len(text) <= 10):
        return None
    number = int(text)
    return number if 1 <= number <= _LARGEST_ID else None


def _sentence(error: ServiceError) -> str:
    text = f"{error.place}: {error.problem}. {error.mend[:1].upper()}{error.mend[1:]}."
    return text[:1].upper() + text[1:]


def _times(text: str) -> tuple[int | None, str]:
    try:
        number = whole_number("plates", text, low=1, high=MOST_PLATES)
    except ServiceError as error:
        return None, f"{error.problem}: {error.mend}"
    return (number, "") if number is not None else (None, f"give 1 to {MOST_PLATES} plates")


def _chosen_torches(
    torches: Sequence[Torch], texts: Sequence[str]
) -> tuple[tuple[int, ...], list[str]]:
    there = {t.id for t in torches}
    chosen: list[int] = []
    problems: list[str] = []
    for text in dict.fromkeys(texts):
        number = known_id(text)
        if number in there and number is not None:
            chosen.append(number)
        elif len(problems) < 3:
            problems.append(f"There is no torch “{text[:20]}” in the book: it is left out.")
    if len(chosen) > MOST_TORCHES:
        problems.append(f"Only the first {MOST_TORCHES} torches are looked at.")
    return tuple(chosen[:MOST_TORCHES]), problems


def _programs(session: Session, ids: Sequence[int]) -> dict[int, tuple[Program, ImportFile]]:
    rows = session.execute(
        select(Program, ImportFile)
        .join(ImportFile, ImportFile.id == Program.file_id)
        .where(Program.id.in_(set(ids)))
    )
    return {row[0].id: (row[0], row[1]) for row in rows}


def _lines(
    shop: Shop, station_id: int | None, wanted: Sequence[tuple[str, str]]
) -> tuple[Line, ...]:
    ids = [known_id(program) for program, _ in wanted]
    with shop.database.read() as session:
        found = _programs(session, [i for i in ids if i is not None])
        settings = settings_of(session, station_id)
    # Counted outside of any unit of work, and kept: the forecast then need not count.
    there = [x for x in found.values() if x[0].withdrawn_at is None]
    counts, uncounted = fill_counts(shop, there, settings)
    lines = []
    for ident, (text, given) in zip(ids, wanted, strict=True):
        typed = given.strip()[:12]
        times, problem = _times(typed)
        have = found.get(ident) if ident is not None else None
        count = counts.get(ident) if ident is not None else None
        if have is None or ident is None:
            name, problem = f"“{text[:20]}”", "there is no such program in the book"
        else:
            name = have[0].name
            if have[0].withdrawn_at is not None:
                problem = "it is withdrawn: bring it back on its page, or take it off this list"
            elif count is None:
                problem = uncounted.get(ident, "it can't be counted")
            elif not count.starts:
                problem = (
                    "it lights no torch: there is nothing to forecast; if it should, set the "
                    "words that light the torch in the station's settings"
                )
        lines.append(Line(text[:20], ident if have else None, name, typed, times, count, problem))
    return tuple(lines)


def _offers(
    session: Session, station_id: int | None, find: str
) -> tuple[tuple[Offer, ...], bool, bool]:
    query = (
        select(Program, ImportFile)
        .join(ImportFile, ImportFile.id == Program.file_id)
        .where(Program.withdrawn_at.is_(None))
        .order_by(ImportFile.imported_at.desc(), Program.ordinal)
    )
    any_there = session.execute(query.limit(1)).first() is not None
    if find.strip():
        query = query.where(Program.name.icontains(find.strip()[:80], autoescape=True))
    rows = [(row[0], row[1]) for row in session.execute(query.limit(OFFERED + 1))]
    lines = kept_lines(session, rows[:OFFERED], settings_of(session, station_id))
    offers = tuple(Offer(p.id, p.name, lines.get(p.id)) for p, _ in rows[:OFFERED])
    return offers, len(rows) > OFFERED, any_there


def _lack(shop: Shop, torch_id: int) -> str:
    """Say what a torch lacks for a forecast: an electrode, a limit, or nothing."""
    with shop.database.read() as session:
        torch = session.get_one(Torch, torch_id)
        if PIT_PART not in fitted(session, torch_id):
            return "electrode"
        sheet = shop.sheet(session)
        limit = sheet.limit_for(PIT_PART, "pit-depth", selector(torch.process))
        return "" if limit is not None else "limit"


def ahead_page(
    shop: Shop,
    actor: Actor,
    torches: Sequence[str],
    wanted: Sequence[tuple[str, str]],
    *,
    find: str = "",
) -> AheadPage:
    """Answer what was asked for, as far as it holds.

    Parameters
    ----------
    shop, actor
    torches : sequence of str
        Ids, as they stand in the address.
    wanted : sequence of (str, str)
        Program id and how many plates, in order, as they stand in the address.
    find : str
        Part of a name: only such programs are offered.

    Returns
    -------
    AheadPage
    """
    require(actor, "view")
    with shop.database.read() as session:
        rows = session.scalars(select(Torch)).all()
        every = tuple(sorted(rows, key=lambda t: (t.station.name, t.name)))
        first_station = session.scalar(select(Station.id).order_by(Station.name).limit(1))
    chosen, problems = _chosen_torches(every, torches)
    station = next((t.station_id for t in every if chosen and t.id == chosen[0]), first_station)
    if len(wanted) > MOST_LINES:
        problems.append(
            f"Only the first {MOST_LINES} of {len(wanted)} lines of programs are looked at."
        )
    lines = _lines(shop, station, wanted[:MOST_LINES])
    with shop.database.read() as session:
        offers, more, in_use = _offers(session, station, find)
    problems += [f"{x.name}: {x.problem}." for x in lines if x.problem]
    held = [(x.program_id, x.name, x.times) for x in lines if not x.problem and x.program_id]
    every_plate = [(ident, name) for ident, name, times in held for _ in range(times or 0)]
    base = AheadPage(every, chosen, lines, offers, more, in_use, tuple(problems), "")
    lack = (
        "torches"
        if not every
        else "torch"
        if not chosen
        else "programs"
        if not in_use and not lines
        else "lines"
        if not held
        else ""
    )
    total = len(every_plate)
    if not lack and total > MOST_PLATES:
        lack = "answer"
        problems.append(
            f"{total} plates are more than the {MOST_PLATES} that are looked at in one go: "
            "look less far ahead."
        )
    if not lack and len(chosen) == 1:
        lack = _lack(shop, chosen[0])
    if lack:
        return replace(base, lack=lack, problems=tuple(problems))
    choices = [Choice(ident, times or 0) for ident, _, times in held]
    runs = _runs(every_plate)
    try:
        if len(chosen) == 1:
            view = ahead(shop, actor, chosen[0], choices)
            return replace(
                base,
                view=view,
                rows=_rows(view.outlook, runs),
                runs=runs,
                settings=_settings(view),
            )
        shared = queue(shop, actor, chosen, choices)
    except ServiceError as error:
        return replace(base, lack="answer", problems=(*problems, _sentence(error)))
    return replace(base, queue=shared, runs=runs, queue_rows=_queue_rows(shop, shared, every_plate))


def _runs(plates: Sequence[tuple[int, str]]) -> tuple[Run, ...]:
    return tuple(Run(ident, name, sum(1 for _ in own)) for (ident, name), own in groupby(plates))


def _before(change: Change) -> int:
    """Return the number of the plate whose row a change stands before."""
    return change.after + 1


def _rows(outlook: Outlook, runs: Sequence[Run]) -> tuple[PlateRow | ChangeRow, ...]:
    """Return the table: every plate, or alike ones folded where there are many."""
    fold = len(outlook.plates) > FOLD_ABOVE
    names = [(k, run.name) for k, run in enumerate(runs) for _ in range(run.times)]
    changes = [
        (_before(c), change_words(c, outlook).removeprefix("change ")) for c in outlook.changes
    ]
    breaks = {number for number, _ in changes}
    rows: list[PlateRow | ChangeRow] = []
    first = 1
    for number, plate in enumerate(outlook.plates, 1):
        if number in breaks:
            rows += [
                ChangeRow(words[:1].upper() + words[1:]) for at, words in changes if at == number
            ]
        ends = (
            not fold
            or number == len(outlook.plates)
            or names[number] != names[number - 1]
            or number + 1 in breaks
        )
        if not ends:
            continue
        band = plate.planned_depth
        rows.append(
            PlateRow(
                first,
                number,
                names[number - 1][1],
                plate.plate.starts,
                plate.plate.arc_minutes,
                plate.planned_p_finish,
                plate.p_finish,
                band.p05,
                band.median,
                band.p95,
                plate.set_number,
            )
        )
        first = number + 1
    return tuple(rows)


def _settings(view: AheadView) -> tuple[Setting, ...]:
    """Return the settings an answer rests on, with what the shop has not set."""
    fields = {f.name: f for f in FIELDS}
    found = []
    for name in _SHOWN:
        value = as_typed(name, getattr(view.settings, name))
        if name == "accel_mm_s2" and not value:
            value = "none: times are length / feed"
        found.append(Setting(fields[name], value, name in view.assumed))
    return tuple(found)


def _queue_rows(
    shop: Shop, shared: QueueView, plates: Sequence[tuple[int, str]]
) -> tuple[QueueRow, ...]:
    rows = []
    with shop.database.read() as session:
        for torch, plan in shared.plans:
            outlook = plan.outlook
            last = outlook.plates[-1] if outlook else None
            rows.append(
                QueueRow(
                    torch,
                    plan.plates,
                    _runs([plates[k - 1] for k in plan.plates]),
                    plan.arc_minutes,
                    tuple(change_words(c, outlook) for c in outlook.changes) if outlook else (),
                    last.planned_p_finish if last else None,
                    last.p_finish if last else None,
                    outlook.expected_cost if outlook else None,
                    settings_of(session, torch.station_id).currency,
                    outlook.sets_to_have if outlook else 0,
                )
            )
    return tuple(rows)
