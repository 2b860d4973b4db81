"""Did the cure work: electrodes of the torch before and after a closed case.

Before: the electrodes of the case's process that came to an end in the torch before the
case was closed, the last six of them, and of these those since the cure before it where
that leaves two. After: the first eight that began after it, and before another case was
opened on the torch, for from then on another trouble was at work; running ones count with
the starts they have run. The electrode in the torch at the cure belongs to neither side.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import dataclass

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.causes.cure import (
    LEAST_AFTER,
    VERDICT_WORDS,
    Comparison,
    Side,
    compare_changes,
    compare_rates,
)
from pitwise.records.case_tables import CaseCause, CauseCase
from pitwise.records.tables import Counter
from pitwise.services.case_book import ElectrodeLife, electrode_lives
from pitwise.services.cure_view import ClosedCause, Compared, CureSide, CureView, Verdict
from pitwise.services.errors import ConflictError, NotFoundError
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.services.wear_book import Histories, fit_in_force, histories
from pitwise.trade.model import Sheet
from pitwise.wear.fit import WearFit
from pitwise.wear.history import Step
from pitwise.wear.prior import GAMMA, KAPPA, RATE, SIGMA, age

# The recent past speaks: what the torch did before the trouble began is no "before" of its
# cure (our own choice, no source).
_MOST_BEFORE = 6
# Later ones tell of later troubles (our own choice, no source).
_MOST_AFTER = 8
# A pit is told from nothing where twice its gauge's uncertainty is expected (our own choice).
_READABLE = 2.0
# Wear by age always comes again, at the same pace: no cure of it can fail to hold.
_ALWAYS_AGAIN = frozenset({"age"})


@dataclass(frozen=True)
class _Closed:
    row: CauseCase
    causes: tuple[ClosedCause, ...]

    @property
    def at(self) -> dt.datetime:
        return self.row.cured_at or self.row.opened_at


def closed_causes(session: Session, sheet: Sheet) -> dict[int, tuple[ClosedCause, ...]]:
    """Return what each case was closed with; a cause the sheet no longer has keeps its id."""
    names = {c.id: c.name for c in sheet.causes}
    out: dict[int, list[ClosedCause]] = {}
    for row in session.scalars(select(CaseCause).order_by(CaseCause.case_id, CaseCause.cause)):
        out.setdefault(row.case_id, []).append(
            ClosedCause(row.cause, names.get(row.cause, row.cause), row.certainty)  # type: ignore[arg-type]  # held by the table
        )
    return {k: tuple(v) for k, v in out.items()}


def _closed(session: Session, sheet: Sheet) -> list[_Closed]:
    causes = closed_causes(session, sheet)
    rows = session.scalars(
        select(CauseCase)
        .where(CauseCase.state == "closed")
        .order_by(CauseCase.cured_at, CauseCase.id)
    )
    return [_Closed(row, causes.get(row.id, ())) for row in rows]


def _totals(session: Session) -> dict[int, int]:
    """Return every torch's total starts now."""
    rows = session.execute(
        select(Counter.torch_id, Counter.total_starts)
        .where(Counter.void.is_(False))
        .order_by(Counter.at, Counter.id)
    )
    return {row.torch_id: row.total_starts for row in rows}


class _Book:
    """What all cures of one reading of the book are told by, fetched once."""

    def __init__(self, shop: Shop, session: Session) -> None:
        sheet = shop.sheet(session)
        self.fit = fit_in_force(shop, session).fit
        self.cases = _closed(session, sheet)
        self.lives = electrode_lives(session, _totals(session)) if self.cases else []
        self.remedies = {r.id: r.text for r in sheet.remedies}
        torches = {c.row.torch_id for c in self.cases}
        items = [x.item_id for x in self.lives if x.torch_id in torches]
        self.opened: dict[int, list[tuple[dt.datetime, int]]] = {t: [] for t in torches}
        for torch_id, opened_at, ident in session.execute(
            select(CauseCase.torch_id, CauseCase.opened_at, CauseCase.id).where(
                CauseCase.torch_id.in_(torches), CauseCase.state != "discarded"
            )
        ):
            self.opened[torch_id].append((opened_at, ident))
        self.known = histories(session, items) if items else Histories({}, {})

    def again(self, case: _Closed) -> _Closed | None:
        """Return the next case of the torch that was closed with a cause of this one."""
        own = {c.id for c in case.causes} - _ALWAYS_AGAIN
        return next(
            (
                later
                for later in self.cases
                if later.row.torch_id == case.row.torch_id
                and (later.at, later.row.id) > (case.at, case.row.id)
                and own & {c.id for c in later.causes}
            ),
            None,
        )

    def sides(self, case: _Closed) -> tuple[list[ElectrodeLife], list[ElectrodeLife]]:
        """Return the electrodes before and after."""
        of_torch = [
            x
            for x in self.lives
            if x.torch_id == case.row.torch_id and x.process_id == case.row.process_id
        ]
        later = [
            at
            for at, ident in self.opened[case.row.torch_id]
            if at >= case.at and ident != case.row.id
        ]
        until = min(later, default=None)
        since = max((x.at for x in self.cases if self._earlier(x, case)), default=None)
        before = sorted(
            (x for x in of_torch if x.ended_at is not None and x.ended_at <= case.at),
            key=lambda x: x.ended_at or case.at,
        )[-_MOST_BEFORE:]
        if since is not None:
            own = [x for x in before if x.fitted_at >= since]
            before = own if len(own) >= LEAST_AFTER else before
        after = [
            x
            for x in of_torch
            if x.fitted_at >= case.at and x not in before and (until is None or x.fitted_at < until)
        ][:_MOST_AFTER]
        return before, after

    @staticmethod
    def _earlier(one: _Closed, case: _Closed) -> bool:
        return one.row.torch_id == case.row.torch_id and one.at < case.at

    def grown(self, electrodes: list[ElectrodeLife], process: str) -> Grown:
        """Return the growth of each electrode per unit age, by its last signed reading."""
        wild = {(x.electrode, x.step) for x in self.fit.set_aside}
        uses: list[tuple[float, float]] = []
        rates: list[float] = []
        readings = 0
        for x in electrodes:
            history = self.known.of.get(x.item_id)
            gauged = [
                s
                for k, s in enumerate(history.steps if history else ())
                if s.depth_mm is not None and (str(x.item_id), k) not in wild
            ]
            readings += len(gauged)
            if gauged and gauged[-1].starts > 0:
                rate = growth_of(self.fit, gauged[-1], process)
                if rate is not None:
                    rates.append(rate)
                    uses.append((gauged[-1].starts, gauged[-1].arc_minutes))
        return Grown(tuple(rates), tuple(uses), readings)


@dataclass(frozen=True)
class Grown:
    """Pit growth of one side's electrodes.

    Attributes
    ----------
    rates : tuple of float
        Depth per unit age (about 500 starts), each above 0, in mm.
    uses : tuple of (float, float)
        Starts and arc minutes at those readings.
    readings : int
        Readings of all its electrodes.
    """

    rates: tuple[float, ...]
    uses: tuple[tuple[float, float], ...]
    readings: int


def growth_of(fit: WearFit, step: Step, process: str) -> float | None:
    """Return a reading's depth per unit age, in mm; None while nothing could be read yet.

    Whether the electrode was used enough is told by what its process is expected to grow, not
    by what was read: else shallow readings alone were left out.

    Parameters
    ----------
    fit : WearFit
        Its starts per arc minute and power of growth make the age.
    step : Step
        The reading: some starts, and a depth.
    process : str
    """
    kappa, gamma = (fit.values[name] for name in ("kappa", "gamma"))
    aged = float(age(step.starts, step.arc_minutes, kappa, gamma))
    u = step.sigma_mm or math.exp(float(fit.theta[SIGMA]))
    log_rate = float(fit.theta[RATE])
    if process in fit.processes:
        log_rate = fit.rates[fit.processes.index(process)].mean
    if math.exp(log_rate) * aged < _READABLE * u:
        return None
    return max(step.depth_mm or 0.0, u) / aged


def unsure_of_law(fit: WearFit, before: Grown, after: Grown) -> float:
    """Return the SD of the log ratio of growth that the fit leaves open by its law of age."""
    if not (before.uses and after.uses):
        return 0.0
    kappa = np.exp(fit.draws.theta[:, KAPPA, None])
    gamma = fit.draws.theta[:, GAMMA, None]
    means = []
    for uses in (before.uses, after.uses):
        starts, minutes = np.array(uses).T
        means.append(np.log(age(starts, minutes, kappa, gamma)).mean(axis=1))
    return float(np.std(means[1] - means[0]))


def _in_500_starts(fit: WearFit, sides: list[Grown]) -> float:
    """Return the age of an electrode after 500 starts with these electrodes' minutes per start."""
    uses = [use for side in sides for use in side.uses]
    starts = math.fsum(s for s, _ in uses)
    minutes = math.fsum(m for _, m in uses)
    mix = minutes / starts if starts > 0 else 0.0
    return float(age(500.0, 500.0 * mix, fit.values["kappa"], fit.values["gamma"]))


def _side(electrodes: list[ElectrodeLife], grown: Grown, unit: float) -> CureSide:
    ended = [x for x in electrodes if x.ended_at is not None]
    rates = grown.rates
    mean = unit * math.exp(math.fsum(map(math.log, rates)) / len(rates)) if rates else None
    return CureSide(
        len(ended),
        sum(x.lost for x in ended),
        len(electrodes) - len(ended),
        sum(x.starts for x in electrodes),
        tuple(x.starts for x in ended),
        grown.readings,
        mean,
    )


def _changes(electrodes: list[ElectrodeLife]) -> Side:
    lives = tuple(float(x.starts) for x in electrodes if x.ended_at is not None)
    running = tuple(float(x.starts) for x in electrodes if x.ended_at is None)
    return Side(len(lives), math.fsum(lives + running), lives, running)


def _compared(what: str, told: Comparison) -> Compared:
    known = math.isfinite(told.ratio)
    name = "Electrodes used up per start" if what == "life" else "Pit growth with use"
    figures = ""
    if known:
        high = f"{told.high:.2f}" if math.isfinite(told.high) else "no end"
        figures = f" ({told.ratio:.2f} of what it was, {told.low:.2f} to {high})"
    return Compared(
        what,  # type: ignore[arg-type]  # one of the two literals below
        told.ratio if known else None,
        told.low if known else None,
        told.high if known and math.isfinite(told.high) else None,
        told.verdict,
        f"{name}: {VERDICT_WORDS[told.verdict]}{figures}. {told.why}",
    )


def _verdict(life: Verdict, wear: Verdict) -> Verdict:
    """Join both: what is shown counts; two that contradict one another show nothing."""
    shown = {life, wear} & {"better", "worse"}
    if len(shown) == 1:
        return "better" if "better" in shown else "worse"
    if len(shown) == 2 or "no-difference" in (life, wear):
        return "no-difference"
    return "too-early"


def _cure(book: _Book, case: _Closed) -> CureView:
    before, after = book.sides(case)
    grown = [book.grown(side, case.row.process.name) for side in (before, after)]
    unit = _in_500_starts(book.fit, grown)
    sides = [_side(e, g, unit) for e, g in zip((before, after), grown, strict=True)]
    changes = [_changes(side) for side in (before, after)]
    life = _compared("life", compare_changes(changes[0], changes[1]))
    wear = _compared(
        "wear",
        compare_rates(grown[0].rates, grown[1].rates, shared_sd=unsure_of_law(book.fit, *grown)),
    )
    verdict = _verdict(life.verdict, wear.verdict)
    why = _did_not_hold(book, case, verdict)
    chosen = json.loads(case.row.remedies)
    return CureView(
        case.row.id,
        case.row.torch_id,
        case.row.torch.name,
        case.row.process.name,
        case.causes,
        tuple(
            [book.remedies.get(r, r) for r in chosen]
            + [case.row.remedy_text] * bool(case.row.remedy_text)
        ),
        case.at,
        sides[0],
        sides[1],
        life,
        wear,
        verdict,
        False if why else True if verdict == "better" else None,
        why,
    )


def _did_not_hold(book: _Book, case: _Closed, verdict: Verdict) -> str:
    if case.row.came_back_at is not None:
        return "The trouble came back" + (
            f": {case.row.came_back_note}" if case.row.came_back_note else "."
        )
    if {c.id for c in case.causes} <= _ALWAYS_AGAIN:
        return ""
    later = book.again(case)
    if later is not None:
        shared = {c.id for c in case.causes} & {c.id for c in later.causes} - _ALWAYS_AGAIN
        names = " and ".join(c.name.lower() for c in case.causes if c.id in shared)
        return f"Case {later.row.id} on this torch was closed with the same cause: {names}."
    if verdict == "worse":
        return "Electrodes wear faster, or live shorter, than before."
    if verdict == "no-difference":
        return "No difference is shown, and a halving is ruled out."
    return ""


def cure_view(shop: Shop, actor: Actor, case_id: int) -> CureView:
    """Return before and after of one closed case."""
    require(actor, "view")
    with shop.database.read() as session:
        return cure_of(shop, session, case_id)


def cure_of(shop: Shop, session: Session, case_id: int) -> CureView:
    """Return before and after of one closed case, in the caller's session."""
    row = session.get(CauseCase, case_id)
    if row is None:
        raise NotFoundError("case", f"there is no case {case_id}", "choose from the list")
    if row.state != "closed":
        raise ConflictError("case", f"it is {row.state}", "close it with its cause first")
    book = _Book(shop, session)
    return _cure(book, next(c for c in book.cases if c.row.id == case_id))


def all_cures(shop: Shop, session: Session) -> dict[int, CureView]:
    """Return before and after of every closed case, by its id."""
    book = _Book(shop, session)
    return {case.row.id: _cure(book, case) for case in book.cases}
