"""What the book itself tells on a cause: pits against their forecast, lives against the usual.

All of it comes as natural-log likelihood ratios of a symptom; the rules cap them. What the
book can't tell stays not looked at, with the reason.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from scipy.special import stdtr
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.causes.learn import TEACHES_FROM
from pitwise.causes.pit import Faster, faster_of, pit_log_ratio
from pitwise.records.tables import DecisionRow, Fitting, InspectionRow, PartItem, Torch
from pitwise.services.case_lines import Origin
from pitwise.services.record_chain import looked_at
from pitwise.services.wear_book import FitInForce, carried, fit_before, histories, state_of
from pitwise.trade.model import Sheet
from pitwise.wear.forecast import FLEET_COMPONENTS, components, depth_moments, depth_quantiles
from pitwise.wear.history import History

DEEP, REACHED, SHORT = "E_deep", "R_starts", "R_short"
# Fewer lives tell nothing of what is usual (our own choice, no source).
LEAST_LIVES = 5
# Lives of a shop never scatter less than this, on the log scale (our own choice, no source):
# five alike by chance must not make a sixth a marvel.
LEAST_LOG_SD = 0.1
_CERTAIN = 1e-6
# From 4 to 1 on, what a reading or a model tells is plain enough to be called seen: it teaches,
# it makes a look abnormal, and no later part's fair look takes it back (our own choice, no source).
PLAIN = math.log(TEACHES_FROM)


@dataclass(frozen=True)
class BookFact:
    """What the book tells of a symptom out of one inspection.

    Attributes
    ----------
    symptom : str
    log_ratio : float
        ln P(what is on record | symptom there) - ln P(it | not there), not capped.
    words : str
        The figures it stands on.
    origin : {"forecast", "lives"}
    inspection_id : int
    item_id : int
        The electrode it is about.
    """

    symptom: str
    log_ratio: float
    words: str
    origin: Origin
    inspection_id: int
    item_id: int


@dataclass(frozen=True)
class BookTells:
    """Facts out of the book, the newest of a symptom first, and why others can't be told.

    Of one electrode the newest alone; and none older than one that plainly shows it.
    """

    facts: tuple[BookFact, ...]
    missing: dict[str, str]


def not_superseded(session: Session, torch_id: int) -> list[InspectionRow]:
    """Return a torch's signed inspections that no correction replaced, newest first."""
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    return list(
        session.scalars(
            select(InspectionRow)
            .where(
                InspectionRow.torch_id == torch_id,
                InspectionRow.state == "signed",
                InspectionRow.id.not_in(superseded),
            )
            .order_by(InspectionRow.signed_at.desc(), InspectionRow.id.desc())
        )
    )


def book_tells(session: Session, sheet: Sheet, inspections: Iterable[InspectionRow]) -> BookTells:
    """Ask the book about pits and lives at a case's inspections.

    Parameters
    ----------
    session : Session
    sheet : Sheet
    inspections : iterable of InspectionRow
        Signed ones of the torch, newest first.

    Returns
    -------
    BookTells
    """
    known = {s.id for s in sheet.symptoms}
    facts: list[BookFact] = []
    missing: dict[str, str] = {}
    rows = list(inspections)
    for symptom, ask in ((DEEP, _deep), (REACHED, _reached), (SHORT, _short)):
        if symptom not in known:
            continue
        why = "no signed inspection of this torch yet"
        asked: set[int | None] = set()
        for row in rows:
            item = _electrode(session, row)
            if item in asked:
                continue
            told = ask(session, sheet, row)
            if isinstance(told, str):
                why = told
                continue
            asked.add(item)
            facts.append(told)
            if told.log_ratio >= PLAIN:
                break
        if not asked:
            missing[symptom] = why
    return BookTells(tuple(facts), missing)


def _electrode(session: Session, row: InspectionRow) -> int | None:
    decision = session.get(DecisionRow, (row.id, PIT_PART))
    return decision.part_item_id if decision is not None else None


def _deep(session: Session, sheet: Sheet, row: InspectionRow) -> BookFact | str:
    """Hold the pit against its forecast from new, by the fit that was there before it."""
    decision = session.get(DecisionRow, (row.id, PIT_PART))
    if decision is None or decision.pit_mm is None or decision.part_item_id is None:
        return "no pit was gauged"
    starts, minutes = decision.life_starts or 0, decision.life_minutes or 0.0
    if starts <= 0 and minutes <= 0:
        return "the electrode has no use on record"
    force = fit_before(session, looked_at(session, row))
    if force is None:
        return "no wear fit was there yet when the pit was gauged"
    item = decision.part_item_id
    known = histories(session, [item]).of.get(item)
    told = _against_forecast(
        force.id or 0,
        _Asked(
            force,
            _use_alone(known, starts),
            row.process.name,
            starts,
            minutes,
            decision.pit_mm,
            decision.pit_u_mm,
            faster_of(sheet),
        ),
    )
    if told is None:
        return "the forecast gives the pit no growth to compare"
    ratio, low, high = told
    words = (
        f"{decision.pit_mm:.2f} mm, {low:.2f} to {high:.2f} mm to be expected at {starts} starts"
    )
    return BookFact(DEEP, ratio, words, "forecast", row.id, item)


def _use_alone(history: History | None, starts: float) -> History | None:
    """Return the use an electrode had up to now without its readings: what a forecast knew."""
    if history is None:
        return None
    steps = tuple(replace(s, depth_mm=None) for s in history.steps if s.starts <= starts)
    return replace(history, steps=steps, ended="running") if steps else None


@dataclass(frozen=True, eq=False)
class _Asked:
    force: FitInForce
    history: History | None
    process: str
    starts: float
    minutes: float
    pit_mm: float
    u_mm: float | None
    faster: Faster

    def _key(self) -> tuple[object, ...]:
        return (
            self.history,
            self.process,
            self.starts,
            self.minutes,
            self.pit_mm,
            self.u_mm,
            self.faster,
        )

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Asked) and self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())


@lru_cache(maxsize=256)
def _against_forecast(_fit: int, asked: _Asked) -> tuple[float, float, float] | None:
    """Return log ratio, and the 5 % and 95 % points of the reading; the fit keys the cache."""
    bare = FitInForce(asked.force.id, asked.force.fit, {})
    state = carried(state_of(bare, asked.history, asked.process), asked.starts, asked.minutes)
    parts = components(state, FLEET_COMPONENTS)
    mean, sd = depth_moments(parts, 0.0, 0.0)
    sigma = asked.u_mm if asked.u_mm and asked.u_mm > 0 else parts.noise_mm
    if mean <= 0:
        return None
    low, high = depth_quantiles(parts, [0.0], [0.0], (0.05, 0.95), of_reading=True, sigma_mm=sigma)[
        :, 0
    ]
    ratio = pit_log_ratio(asked.pit_mm, mean, math.hypot(sd, sigma), asked.faster)
    return ratio, float(low), float(high)


def usual_lives(session: Session, process_id: int, without: int | None = None) -> list[int]:
    """Return the lives in starts of electrodes that came to an end on a process.

    Parameters
    ----------
    session : Session
    process_id : int
    without : int or None
        A part item to leave out: it is not compared with itself.

    Returns
    -------
    list of int
        Above 0; taken out whole and fitted elsewhere is no end.
    """
    return [
        life.starts
        for life in ended_electrodes(session, process_id)
        if life.starts > 0 and life.item_id != without
    ]


@dataclass(frozen=True)
class ElectrodeLife:
    """An electrode and its use: `ended_at` None while it runs; `torch_id` where it last sat."""

    item_id: int
    torch_id: int
    process_id: int
    fitted_at: dt.datetime
    ended_at: dt.datetime | None
    lost: bool
    starts: int


def electrode_lives(session: Session, totals_now: dict[int, int]) -> list[ElectrodeLife]:
    """Return every electrode of the book, in the order they were first fitted.

    Parameters
    ----------
    session : Session
    totals_now : dict of int to int
        Total starts of each torch now, for those still in it.
    """
    query = (
        select(Fitting, InspectionRow.process_id, Torch.process_id)
        .join(Torch, Torch.id == Fitting.torch_id)
        .join(InspectionRow, InspectionRow.id == Fitting.removed_by_inspection, isouter=True)
        .where(Fitting.part == PIT_PART, Fitting.void.is_(False))
        .order_by(Fitting.fitted_at, Fitting.id)
    )
    lives: dict[int, ElectrodeLife] = {}
    for row, removed_on, torch_on in session.execute(query):
        end = row.starts_at_removal
        if row.removed_at is None:
            end = totals_now.get(row.torch_id, row.starts_at_fit)
        starts = max(0, (end or 0) - row.starts_at_fit)
        before = lives.get(row.part_item_id)
        over = row.end in ("replaced", "lost")
        lives[row.part_item_id] = ElectrodeLife(
            row.part_item_id,
            row.torch_id,
            removed_on if removed_on is not None else torch_on,
            before.fitted_at if before else row.fitted_at,
            row.removed_at if over else None,
            row.end == "lost",
            starts + (before.starts if before else 0),
        )
    return list(lives.values())


def ended_electrodes(session: Session, process_id: int) -> list[ElectrodeLife]:
    """Return the electrodes that were replaced or lost on a process."""
    return [
        x
        for x in electrode_lives(session, {})
        if x.ended_at is not None and x.process_id == process_id
    ]


@dataclass(frozen=True)
class Usual:
    """Usual electrode lives: median, and how a further one scatters (log-normal, t)."""

    lives: int
    median: float
    log_scale: float

    def share_below(self, starts: float) -> float:
        """Return the chance that a usual electrode's life is shorter than `starts`.

        Lives are taken as log-normal; with their spread estimated from n of them a further
        one follows Student's t with n - 1 degrees of freedom and scale s sqrt(1 + 1/n).
        """
        z = (math.log(starts) - math.log(self.median)) / self.log_scale
        return float(stdtr(self.lives - 1, z))


def usual_of(lives: list[int]) -> Usual | None:
    """Sum usual lives up; None for fewer than `LEAST_LIVES`."""
    n = len(lives)
    if n < LEAST_LIVES:
        return None
    logs = [math.log(x) for x in lives]
    mean = math.fsum(logs) / n
    variance = math.fsum((x - mean) ** 2 for x in logs) / (n - 1)
    spread = max(math.sqrt(variance), LEAST_LOG_SD)
    return Usual(n, math.exp(mean), spread * math.sqrt(1 + 1 / n))


def _log_odds(share: float) -> float:
    share = min(max(share, _CERTAIN), 1 - _CERTAIN)
    return math.log(share / (1 - share))


def _life(session: Session, row: InspectionRow) -> tuple[DecisionRow, int] | str:
    decision = session.get(DecisionRow, (row.id, PIT_PART))
    if decision is None or decision.part_item_id is None:
        return "no electrode was in the torch"
    if not decision.life_starts:
        return "the electrode has no starts on record"
    return decision, decision.life_starts


def _compared(
    session: Session, row: InspectionRow, item: int, starts: int
) -> tuple[float, str] | str:
    usual = usual_of(usual_lives(session, row.process_id, without=item))
    if usual is None:
        return f"fewer than {LEAST_LIVES} electrodes of this process came to their end yet"
    words = f"{starts} starts; usual are {usual.median:.0f}, out of {usual.lives} lives"
    return usual.share_below(starts), words


def _reached(session: Session, _sheet: Sheet, row: InspectionRow) -> BookFact | str:
    """Tell whether the electrode has come to the usual life: odds that one would have ended."""
    life = _life(session, row)
    if isinstance(life, str):
        return life
    decision, starts = life
    told = _compared(session, row, decision.part_item_id or 0, starts)
    if isinstance(told, str):
        return told
    return BookFact(
        REACHED, _log_odds(told[0]), told[1], "lives", row.id, decision.part_item_id or 0
    )


def _short(session: Session, _sheet: Sheet, row: InspectionRow) -> BookFact | str:
    """Tell whether a life that ended here was short: odds that a usual one lasts longer."""
    life = _life(session, row)
    if isinstance(life, str):
        return life
    decision, starts = life
    ended = session.scalar(
        select(PartItem.id)
        .join(Fitting, Fitting.part_item_id == PartItem.id)
        .where(
            Fitting.removed_by_inspection == row.id,
            Fitting.void.is_(False),
            Fitting.end.in_(("replaced", "lost")),
            PartItem.id == decision.part_item_id,
        )
    )
    if ended is None:
        return "no electrode came to its end at this case's inspections"
    told = _compared(session, row, ended, starts)
    if isinstance(told, str):
        return told
    return BookFact(SHORT, _log_odds(1 - told[0]), told[1], "lives", row.id, ended)
