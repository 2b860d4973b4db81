"""The page of the wear fit: what the shop's readings say, and how past forecasts did."""

from __future__ import annotations

import datetime as dt
import json
import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.tables import PartItem, Person
from pitwise.records.wear_tables import Forecast
from pitwise.records.wear_tables import WearFit as WearFitRow
from pitwise.services.errors import ServiceError
from pitwise.services.forecasts import Coverage, coverage
from pitwise.services.permissions import Actor, require
from pitwise.services.shopfloor import Shop
from pitwise.services.wear_book import QUANTITY, Histories, fit_in_force, histories, refit
from pitwise.wear.fit import WearFit
from pitwise.wear.prior import GAMMA, KAPPA, OMEGA, RATE, Floats
from pitwise.wear.store import fit_from_plain
from pitwise.wear.words import fit_notes

SHOWN_FITS = 20
SHOWN_POINTS = 300
ENOUGH_SCORED = 20
_LEVELS = (0.05, 0.5, 0.95)
_Z = ndtri((np.arange(41) + 0.5) / 41)


@dataclass(frozen=True)
class Rate:
    """How fast pits grow: middle and 90 % range, mm in the first 500 starts."""

    median: float
    low: float
    high: float


@dataclass(frozen=True)
class RateLine:
    """A process' rate.

    Attributes
    ----------
    process : str
    electrodes, readings : int
    rate : Rate
    before : Rate or None
        By the fit before, at the same minutes per start.
    """

    process: str
    electrodes: int
    readings: int
    rate: Rate
    before: Rate | None


@dataclass(frozen=True)
class SharedLine:
    """A number all electrodes share: its meaning in words, value and standard error."""

    name: str
    meaning: str
    value: float
    se: float
    unit: str


@dataclass(frozen=True)
class AsideLine:
    """A reading set aside, or an electrode left out, and why."""

    item_id: int
    tag: str
    text: str


@dataclass(frozen=True)
class ScoredPoint:
    """A reading against the forecast made of it before.

    Attributes
    ----------
    item_id : int
    tag : str
    inspection_id : int or None
    at : datetime
        When it was scored.
    reading_mm, low_mm, median_mm, high_mm : float
        The reading, and the 5, 50 and 95 % points forecast for it.
    """

    item_id: int
    tag: str
    inspection_id: int | None
    at: dt.datetime
    reading_mm: float
    low_mm: float
    median_mm: float
    high_mm: float

    @property
    def inside(self) -> bool:
        """Tell whether the reading fell in its range."""
        return self.low_mm <= self.reading_mm <= self.high_mm


@dataclass(frozen=True)
class PastFit:
    """A stored fit; `rates` is empty where it can't be read any more."""

    id: int
    at: dt.datetime
    by: str
    readings: int
    electrodes: int
    rates: tuple[tuple[str, Rate], ...]


@dataclass(frozen=True)
class WearPage:
    """What the fit in force says, what it left out, and how forecasts did.

    Attributes
    ----------
    fit : PastFit or None
        The fit in force; None: the trade sheet's prior speaks.
    readings_now : int
        Signed readings of the book that can be fitted to.
    minutes_per_start : float
        The mix of use the rates are told at.
    rates : tuple of RateLine
    unread : Rate
        Of a process without readings.
    shared : tuple of SharedLine
    told_apart : str
        Whether starts and arc minutes can be told apart, in words.
    notes : tuple of str
    set_aside, left_out : tuple of AsideLine
    aside_readings : int
        Readings the fit has seen and set aside.
    coverage : Coverage
    points : tuple of ScoredPoint
        The newest `SHOWN_POINTS`, oldest first.
    history : tuple of PastFit
        Newest first, at most `SHOWN_FITS`.
    """

    fit: PastFit | None
    readings_now: int
    minutes_per_start: float
    rates: tuple[RateLine, ...]
    unread: Rate
    shared: tuple[SharedLine, ...]
    told_apart: str
    notes: tuple[str, ...]
    set_aside: tuple[AsideLine, ...]
    left_out: tuple[AsideLine, ...]
    aside_readings: int
    coverage: Coverage
    points: tuple[ScoredPoint, ...]
    history: tuple[PastFit, ...]

    @property
    def since(self) -> int:
        """Readings that came since the fit; a correction may take some away."""
        seen = self.fit.readings + self.aside_readings if self.fit else 0
        return max(0, self.readings_now - seen)

    @property
    def enough_scored(self) -> bool:
        """Tell whether there are enough scored forecasts to judge them."""
        return self.coverage.scored >= ENOUGH_SCORED


def rate_at(fit: WearFit, mean: Floats, sd: Floats, minutes_per_start: float) -> Rate:
    r"""Return the growth in the first 500 starts at a mix of use.

    Parameters
    ----------
    fit : WearFit
    mean, sd : float array, shape (draws,)
        Normal belief about the log rate, for each draw of the shared unknowns.
    minutes_per_start : float
        Arc minutes that come with each start, >= 0.

    Returns
    -------
    Rate
        :math:`c\,(1 + \kappa m)^\gamma`, mm: told at the shop's own mix it is known even
        where :math:`\kappa` is not, since the draws keep what moves together.
    """
    theta = fit.draws.theta
    grown = np.power(1 + np.exp(theta[:, KAPPA]) * minutes_per_start, theta[:, GAMMA])
    at = np.exp(mean[:, None] + sd[:, None] * _Z) * grown[:, None]
    low, median, high = (float(x) for x in np.quantile(at, _LEVELS))
    return Rate(median, low, high)


def _rates(fit: WearFit, minutes_per_start: float) -> tuple[tuple[str, Rate], ...]:
    return tuple(
        (
            name,
            rate_at(fit, fit.draws.rate_mean[:, g], fit.draws.rate_sd[:, g], minutes_per_start),
        )
        for g, name in enumerate(fit.processes)
    )


def _shared(fit: WearFit) -> tuple[SharedLine, ...]:
    values, errors = fit.values, fit.standard_errors
    tau, omega = (100 * math.expm1(values[x]) for x in ("tau", "omega"))
    words = (
        ("kappa", "starts that wear like one arc minute", "starts per minute"),
        ("gamma", "course of growth: 1 is steady, below 1 it slows down, above it speeds up", ""),
        (
            "tau",
            f"how far electrodes of one process differ (log scale): two in three within "
            f"{tau:.0f} % of the middle one",
            "",
        ),
        ("sigma", "noise of one reading where its gauge has no uncertainty", "mm"),
        ("phi", "how unevenly a pit grows: variance for each mm grown", "mm"),
        ("rate", "rate in the middle of all processes, 500 starts of no arc time", "mm"),
        (
            "omega",
            f"how far processes differ (log scale): two in three within {omega:.0f} %",
            "",
        ),
    )
    return tuple(
        SharedLine(name, meaning, values[name], errors[name], unit) for name, meaning, unit in words
    )


def _told_apart(fit: WearFit) -> str:
    if not fit.readings:
        return "No readings yet: what an arc minute wears against a start is the sheet's guess."
    value, se = fit.values["kappa"], fit.standard_errors["kappa"]
    if fit.kappa_identified:
        return (
            "The readings tell wear by starts from wear by arc minutes: one arc minute wears "
            f"like {value:.2g} starts (standard error {se:.2g})."
        )
    mix = fit.minutes_per_start
    held = f" of {mix[0]:.2g} to {mix[2]:.2g} arc minutes per start" if mix else ""
    return (
        "The readings can't tell wear by starts from wear by arc minutes: the jobs are too "
        f"alike. Forecasts hold for jobs{held}, and not for others."
    )


def _past(row: WearFitRow, names: dict[int, str], minutes_per_start: float) -> PastFit:
    try:
        rates = _rates(fit_from_plain(json.loads(row.body)["fit"]), minutes_per_start)
    except ValueError:
        # Kept in a format of another version: the page says that its rates can't be read.
        rates = ()
    return PastFit(
        row.id,
        row.fitted_at,
        names.get(row.fitted_by or 0, "Pitwise"),
        row.readings,
        row.electrodes,
        rates,
    )


def _named(session: Session, found: dict[int, str]) -> tuple[AsideLine, ...]:
    ids = list(found)[:100]
    rows = session.execute(select(PartItem.id, PartItem.tag).where(PartItem.id.in_(ids)))
    tags = {row.id: row.tag for row in rows}
    return tuple(AsideLine(k, tags.get(k, f"part {k}"), found[k]) for k in ids)


def _set_aside(session: Session, fit: WearFit) -> tuple[AsideLine, ...]:
    found: dict[int, list[str]] = {}
    for reading in fit.set_aside:
        found.setdefault(int(reading.electrode), []).append(reading.text)
    return _named(session, {k: "; ".join(texts) for k, texts in found.items()})


def _points(session: Session) -> tuple[ScoredPoint, ...]:
    rows = session.execute(
        select(Forecast, PartItem.tag)
        .join(PartItem, PartItem.id == Forecast.part_item_id)
        .where(Forecast.pit.is_not(None), Forecast.void.is_(False))
        .order_by(Forecast.scored_at.desc(), Forecast.id.desc())
        .limit(SHOWN_POINTS)
    )
    points = []
    for row, tag in rows:
        figures = (row.reading_mm, row.p05_mm, row.median_mm, row.p95_mm)
        if row.scored_at is None or None in figures:
            continue
        points.append(
            ScoredPoint(
                row.part_item_id,
                tag,
                row.scored_inspection_id,
                row.scored_at,
                *(float(x) for x in figures if x is not None),
            )
        )
    return tuple(reversed(points))


def wear_page(shop: Shop, actor: Actor) -> WearPage:
    """Return what the page of the wear fit shows."""
    require(actor, "view")
    with shop.database.read() as session:
        force = fit_in_force(shop, session)
        fit = force.fit
        mix = fit.minutes_per_start[1] if fit.minutes_per_start else 1.0
        names = {p.id: p.name for p in session.scalars(select(Person))}
        rows = session.scalars(
            select(WearFitRow)
            .where(WearFitRow.quantity == QUANTITY)
            .order_by(WearFitRow.fitted_at.desc(), WearFitRow.id.desc())
            .limit(SHOWN_FITS)
        ).all()
        history = tuple(_past(row, names, mix) for row in rows)
        before = dict(history[1].rates) if len(history) > 1 else {}
        known: Histories = histories(session)
        theta = fit.draws.theta
        return WearPage(
            fit=history[0] if history else None,
            readings_now=known.readings,
            minutes_per_start=mix,
            rates=tuple(
                RateLine(name, fit.electrodes_of[g], fit.readings_of[g], rate, before.get(name))
                for g, (name, rate) in enumerate(_rates(fit, mix))
            ),
            unread=rate_at(fit, theta[:, RATE], np.exp(theta[:, OMEGA]), mix),
            shared=_shared(fit),
            told_apart=_told_apart(fit),
            notes=tuple(
                text
                for text in fit_notes(replace(fit, set_aside=()))
                if "tell wear by starts" not in text
            ),
            set_aside=_set_aside(session, fit),
            left_out=_named(session, known.left_out),
            aside_readings=len(fit.set_aside),
            coverage=coverage(session),
            points=_points(session),
            history=history,
        )


def fit_again(shop: Shop, actor: Actor) -> int:
    """Fit to all signed readings and store the fit.

    Raises
    ------
    ServiceError
        There is no reading to fit to.
    """
    made = refit(shop, actor)
    if made is None:
        raise ServiceError(
            "fit", "the book holds no signed pit reading", "sign an inspection with one first"
        )
    return made
