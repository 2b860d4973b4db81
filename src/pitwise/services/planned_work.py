"""Work planned on the torches, and each torch's usual work beside it."""

from __future__ import annotations

import datetime as dt

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from pitwise.job.model import ProgramCount
from pitwise.records.shelf_tables import BaseLoad as BaseLoadRow
from pitwise.records.shelf_tables import PlannedWork
from pitwise.records.tables import Counter, Person, Torch
from pitwise.records.wear_tables import Program, UseReport
from pitwise.services.drafts import check_key
from pitwise.services.errors import ConflictError, NotFoundError, ServiceError
from pitwise.services.fields import clean_text, decimal_number, whole_number
from pitwise.services.periods import today
from pitwise.services.permissions import Actor, require
from pitwise.services.planned_model import BaseLoad, NoLoad, PlannedLine
from pitwise.services.planned_room import MOST_MINUTES, MOST_STARTS_PER_DAY, refuse_full
from pitwise.services.program_counts import count_of
from pitwise.services.shelf_trail import add_row
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import settings_of
from pitwise.services.use_files import current_use
from pitwise.shelf.usual import LONGEST_DAYS, WINDOW_DAYS, Stretch, usual_work

MOST_PLATES = 100_000
MOST_DAYS_AHEAD = 730
_LEAST_STRETCH_DAYS = 0.25


def today_of(shop: Shop) -> dt.date:
    """Return the day it is at the shop, as `periods.today` has it."""
    return today(shop.clock())


def day_of(place: str, text: str) -> dt.date:
    """Return a day as a date field sends it, 2026-11-30."""
    try:
        return dt.date.fromisoformat((text or "").strip())
    except ValueError as error:
        raise ServiceError(
            place, f"'{(text or '').strip()[:20]}' is no day", "write it as 2026-11-30"
        ) from error


def _torch(session: Session, torch_id: int) -> Torch:
    torch = session.get(Torch, torch_id)
    if torch is None:
        raise NotFoundError("torch", f"there is no torch {torch_id}", "choose from the list")
    return torch


def add_planned(
    shop: Shop,
    actor: Actor,
    *,
    torch_id: int,
    program_id: int,
    plates: str,
    first_day: str,
    last_day: str,
    key: str,
    note: str = "",
) -> int:
    """Plan plates of a program on a torch; the same key twice is one plan.

    Parameters
    ----------
    torch_id, program_id : int
    plates : str
        As typed, 1 to 100 000.
    first_day, last_day : str
        ISO dates; the plates are spread evenly over them.
    key : str
        Made on the tablet.
    note : str

    Raises
    ------
    ServiceError
        A field that can't be, or a program that can't be counted on this torch's station.
    ConflictError
        The key stands for another plan.
    """
    require(actor, "plan-work")
    check_key(key)
    number = whole_number("plates", plates, low=1, high=MOST_PLATES)
    if number is None:
        raise ServiceError("plates", "is empty", "write how many are planned")
    first = day_of("first day", first_day)
    last = day_of("last day", last_day)
    now = today_of(shop)
    if last < first:
        raise ServiceError("last day", "lies before the first", "give a later day")
    if last < now:
        raise ServiceError("last day", "is over already", "plan from today on")
    if (last - now).days > MOST_DAYS_AHEAD:
        raise ServiceError(
            "last day", f"is more than {MOST_DAYS_AHEAD} days ahead", "plan less far ahead"
        )
    if (now - first).days > MOST_DAYS_AHEAD:
        raise ServiceError("first day", "is long past", "give the day the work began")
    words = clean_text("note", note, longest=200, empty_ok=True, lines=True)
    with shop.database.write() as session:
        same = session.scalar(select(PlannedWork).where(PlannedWork.key == key))
        if same is not None:
            asked = (torch_id, program_id, number, first, last)
            if (same.torch_id, same.program_id, same.plates, same.first_day, same.last_day) != (
                asked
            ):
                raise ConflictError(
                    "key", "it stands for another plan", "reload the page, then do it again"
                )
            return same.id
        torch = _torch(session, torch_id)
        program, count = _counted(session, torch, program_id)
        refuse_full(planned(session, first), torch.id, number, count, first, last)
        row = PlannedWork(
            key=key,
            torch_id=torch.id,
            program_id=program.id,
            plates=number,
            first_day=first,
            last_day=last,
            note=words,
            by=actor.person_id,
            at=shop.clock(),
        )
        session.add(row)
        session.flush()
        shop.note(
            session,
            actor,
            "work-planned",
            f"torch {torch.id}",
            plan=row.id,
            program=program.name,
            plates=number,
            first_day=first.isoformat(),
            last_day=last.isoformat(),
        )
        return row.id


def _counted(session: Session, torch: Torch, program_id: int) -> tuple[Program, ProgramCount]:
    """Return a program in use and what a plate of it does to a torch."""
    program = session.get(Program, program_id)
    if program is None or program.withdrawn_at is not None:
        raise NotFoundError(
            "program", f"program {program_id} is not in use", "choose from the list"
        )
    count = count_of(session, program.id, settings_of(session, torch.station_id), keep=True)
    if not count.starts:
        raise ServiceError("program", f"'{program.name}' has no start", "give a program that cuts")
    return program, count


def _plan(session: Session, plan_id: int) -> PlannedWork:
    row = session.get(PlannedWork, plan_id)
    if row is None:
        raise NotFoundError("plan", f"there is no plan {plan_id}", "choose from the list")
    return row


def withdraw(shop: Shop, actor: Actor, plan_id: int) -> None:
    """Take planned work off; it stays in the book as withdrawn. Doing it twice is no error."""
    require(actor, "plan-work")
    with shop.database.write() as session:
        row = _plan(session, plan_id)
        if row.withdrawn_at is not None:
            return
        row.withdrawn_at, row.withdrawn_by = shop.clock(), actor.person_id
        shop.note(session, actor, "planned-work-withdrawn", f"torch {row.torch_id}", plan=row.id)


def bring_back(shop: Shop, actor: Actor, plan_id: int) -> None:
    """Put withdrawn work on the plan again. Doing it twice is no error.

    Raises
    ------
    ServiceError
        It is over, its program is not in use or can't be counted any more, or the days are
        full by now; it stays withdrawn.
    """
    require(actor, "plan-work")
    with shop.database.write() as session:
        row = _plan(session, plan_id)
        if row.withdrawn_at is None:
            return
        day = today_of(shop)
        if row.last_day < day:
            raise ServiceError("plan", "its last day is over", "plan the plates anew")
        torch = _torch(session, row.torch_id)
        _, count = _counted(session, torch, row.program_id)
        there = planned(session, row.first_day)
        refuse_full(there, torch.id, row.plates, count, row.first_day, row.last_day)
        row.withdrawn_at = row.withdrawn_by = None
        shop.note(session, actor, "planned-work-brought-back", f"torch {row.torch_id}", plan=row.id)


def planned(
    session: Session, on: dt.date | None = None, *, withdrawn: bool = False
) -> list[PlannedLine]:
    """Return the planned work in force, soonest first.

    Parameters
    ----------
    session : Session
    on : date or None
        Leave out what is over before this day.
    withdrawn : bool
        Return what was withdrawn instead.
    """
    query = (
        select(PlannedWork, Torch, Program, Person.name)
        .join(Torch, Torch.id == PlannedWork.torch_id)
        .join(Program, Program.id == PlannedWork.program_id)
        .outerjoin(Person, Person.id == PlannedWork.by)
        .where(
            PlannedWork.withdrawn_at.is_not(None)
            if withdrawn
            else PlannedWork.withdrawn_at.is_(None)
        )
        .order_by(PlannedWork.first_day, PlannedWork.id)
    )
    if on is not None:
        query = query.where(PlannedWork.last_day >= on)
    lines = []
    counted: dict[tuple[int, int], tuple[float | None, float | None, str]] = {}
    for row, torch, program, by in session.execute(query):
        place = (program.id, torch.station_id)
        if place not in counted:
            try:
                count = count_of(session, program.id, settings_of(session, torch.station_id))
                counted[place] = (float(count.starts), count.arc_minutes, "")
            except ServiceError as error:
                counted[place] = (None, None, str(error))
        lines.append(
            PlannedLine(
                row.id,
                torch.id,
                torch.name,
                program.id,
                program.name,
                row.plates,
                row.first_day,
                row.last_day,
                row.note,
                by or "Pitwise",
                row.at,
                *counted[place],
            )
        )
    return lines


def stretches_of(session: Session, torch_id: int) -> list[Stretch]:
    """Return a torch's use between its counter readings, oldest first."""
    rows = session.scalars(
        select(Counter)
        .where(Counter.torch_id == torch_id, Counter.void.is_(False))
        .order_by(Counter.at, Counter.id)
    ).all()
    points = [(r.at, float(r.total_starts), r.total_minutes, bool(r.reset)) for r in rows]
    if rows:
        late = session.scalar(
            select(UseReport.at)
            .where(UseReport.torch_id == torch_id, UseReport.at > rows[-1].at)
            .order_by(UseReport.at.desc())
            .limit(1)
        )
        if late is not None:
            starts, minutes = current_use(session, torch_id)
            points.append((late, float(starts), minutes, False))
    if not points:
        return []
    newest = points[-1][0]
    out, before = [], points[0]
    for point in points[1:]:
        days = (point[0] - before[0]).total_seconds() / 86400
        if days < _LEAST_STRETCH_DAYS:
            # Two readings of one round: what came between them goes to the stretch to come.
            continue
        ago = (newest - point[0]).total_seconds() / 86400
        # Use before a reset is not known: such a stretch tells nothing.
        if not point[3] and ago < LONGEST_DAYS and point[1] >= before[1]:
            out.append(Stretch(days, ago, point[1] - before[1], max(0.0, point[2] - before[2])))
        before = point
    return out


def last_read(session: Session, torch_id: int) -> dt.datetime | None:
    """Return when a torch's counters were last read, None where never."""
    counter = select(func.max(Counter.at)).where(
        Counter.torch_id == torch_id, Counter.void.is_(False)
    )
    report = select(func.max(UseReport.at)).where(UseReport.torch_id == torch_id)
    seen = [session.scalar(counter), session.scalar(report)]
    return max((at for at in seen if at is not None), default=None)


def base_load(session: Session, torch_id: int, now: dt.datetime) -> BaseLoad | NoLoad:
    """Return a torch's usual work: as the shop set it, else by the counters' last 28 days.

    Counters that nobody has read for 28 days before `now` tell nothing of the work to come:
    the torch may be standing.
    """
    row = session.execute(
        select(BaseLoadRow, Person.name)
        .outerjoin(Person, Person.id == BaseLoadRow.by)
        .where(BaseLoadRow.torch_id == torch_id)
        .order_by(BaseLoadRow.id.desc())
        .limit(1)
    ).first()
    usual = usual_work(stretches_of(session, torch_id))
    if row is not None and row[0].starts_per_day is not None:
        per_day, each = row[0].starts_per_day, row[0].minutes_per_start or 0.0
        # The shop knows the level; how unevenly it comes only the counters tell.
        uneven = usual.day_sd / usual.starts_per_day if usual and usual.starts_per_day else 0.5
        return BaseLoad(
            per_day,
            each,
            uneven * per_day,
            0.0,
            float("inf"),
            0.0,
            "shop",
            row[0].reason,
            row[1] or "Pitwise",
            row[0].at,
        )
    if usual is None:
        return NoLoad(
            "its counters were not read twice yet",
            "sign inspections with counters, import a use file, or set its usual work",
        )
    last = last_read(session, torch_id)
    if last is not None and now - last > dt.timedelta(days=WINDOW_DAYS):
        return NoLoad(
            f"its counters were last read {last.day} {last:%b %Y}, so whether it still cuts is "
            "not known",
            "read its counters, or set its usual work",
        )
    return BaseLoad(
        usual.starts_per_day,
        usual.minutes_per_start,
        usual.day_sd,
        usual.level_se,
        usual.level_df,
        usual.days_seen,
        "counters",
    )


def set_base_load(
    shop: Shop,
    actor: Actor,
    torch_id: int,
    *,
    starts_per_day: str,
    minutes_per_start: str,
    reason: str,
) -> int:
    """Set a torch's usual work beside the plan; both empty: by its counters again.

    Parameters
    ----------
    torch_id : int
    starts_per_day, minutes_per_start : str
        As typed.
    reason : str

    Returns
    -------
    int
        The row that holds now.
    """
    require(actor, "plan-work")
    starts = decimal_number("starts a day", starts_per_day, high=MOST_STARTS_PER_DAY)
    minutes = decimal_number("arc minutes a start", minutes_per_start, high=MOST_MINUTES)
    if (starts is None) != (minutes is None):
        raise ServiceError(
            "starts a day" if starts is None else "arc minutes a start",
            "is empty",
            "fill in both, or empty both to go by the counters",
        )
    if starts is not None and minutes is not None and starts * minutes > MOST_MINUTES:
        raise ServiceError(
            "arc minutes a start",
            f"{starts:g} starts of {minutes:g} arc minutes are more than a day has",
            "give arc minutes of one start",
        )
    if starts and not minutes:
        raise ServiceError(
            "arc minutes a start",
            "is 0, but every start burns for a while",
            "give arc minutes of one start; for no work beside the plan write 0 in both",
        )
    words = clean_text("reason", reason, longest=400, lines=True)
    with shop.database.write() as session:
        torch = _torch(session, torch_id)
        row = BaseLoadRow(
            torch_id=torch.id,
            starts_per_day=starts,
            minutes_per_start=minutes,
            reason=words,
            by=actor.person_id,
            at=shop.clock(),
        )
        add_row(
            shop,
            session,
            actor,
            "base-load-set",
            f"torch {torch.id}",
            row,
            starts_per_day=starts,
            minutes_per_start=minutes,
            reason=words,
        )
        return row.id
