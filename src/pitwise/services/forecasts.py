"""Forecasts kept as they were made, and scored when the reading comes.

After every signed inspection the electrode in the torch gets a forecast: its thinned state,
from which the reading at any later use can be predicted. The next signed reading of that
electrode is scored against it, and against nothing that was learnt in between.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.bench.decide import PIT_PART
from pitwise.records.tables import DecisionRow, Fitting, InspectionRow
from pitwise.records.wear_tables import Forecast
from pitwise.services.people import SYSTEM
from pitwise.services.shopfloor import Shop
from pitwise.services.wear_book import (
    GROWTH,
    QUANTITY,
    carried,
    fit_in_force,
    histories,
    refit_if_due,
    state_of,
)
from pitwise.wear.forecast import (
    Components,
    components,
    crps,
    depth_quantiles,
    reading_cdf,
)

_KEPT_COMPONENTS = 128
_ARRAYS = ("rate", "mean", "variance", "kappa", "gamma", "phi", "sigma", "loss", "slope")


def body_of(parts: Components) -> str:
    """Return a thinned state as JSON text; seven digits, more than any reading tells."""
    data: dict[str, Any] = {
        name: [float(f"{x:.7g}") for x in getattr(parts, name)] for name in _ARRAYS
    }
    data |= {
        "starts": parts.starts,
        "arc_minutes": parts.arc_minutes,
        "minutes_per_start": parts.minutes_per_start,
        "noise_mm": parts.noise_mm,
    }
    return json.dumps(data, separators=(",", ":"), allow_nan=False)


def parts_of(body: str) -> Components:
    """Return the thinned state that `body_of` wrote."""
    data = json.loads(body)
    arrays = {name: np.array(data[name], dtype=float) for name in _ARRAYS}
    return Components(
        **arrays,
        starts=data["starts"],
        arc_minutes=data["arc_minutes"],
        minutes_per_start=data["minutes_per_start"],
        noise_mm=data["noise_mm"],
    )


def keep_up(shop: Shop, *, refit: bool = True) -> int | None:
    """Score, forecast and refit after what was signed; repeating it changes nothing.

    Parameters
    ----------
    shop : Shop
    refit : bool
        Whether to fit again where that is due.

    Returns
    -------
    int or None
        The id of a new fit, where one was due.
    """
    with shop.database.write() as session:
        _withdraw_superseded(session)
        _score(shop, session)
        _forecast(shop, session)
    if not refit:
        return None
    refit_if_due(shop, SYSTEM, GROWTH)
    return refit_if_due(shop, SYSTEM)


def _withdraw_superseded(session: Session) -> None:
    """Void forecasts made after an inspection that was corrected; take its scores back."""
    superseded = (
        select(InspectionRow.supersedes)
        .where(InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None))
        .scalar_subquery()
    )
    for row in session.scalars(
        select(Forecast).where(Forecast.inspection_id.in_(superseded), Forecast.void.is_(False))
    ):
        row.void = True
    for row in session.scalars(
        select(Forecast).where(Forecast.scored_inspection_id.in_(superseded))
    ):
        row.scored_at = row.scored_inspection_id = None
        row.reading_mm = row.reading_u_mm = row.pit = None
        row.p05_mm = row.median_mm = row.p95_mm = row.crps_mm = None
    session.flush()


def _open(session: Session) -> list[Forecast]:
    return list(
        session.scalars(
            select(Forecast)
            .where(Forecast.scored_at.is_(None), Forecast.void.is_(False))
            .order_by(Forecast.id)
        )
    )


def _score(shop: Shop, session: Session) -> None:
    superseded = select(InspectionRow.supersedes).where(
        InspectionRow.state == "signed", InspectionRow.supersedes.is_not(None)
    )
    for row in _open(session):
        found = session.execute(
            select(DecisionRow, InspectionRow)
            .join(InspectionRow, InspectionRow.id == DecisionRow.inspection_id)
            .where(
                DecisionRow.part_item_id == row.part_item_id,
                DecisionRow.part == PIT_PART,
                DecisionRow.pit_mm.is_not(None),
                InspectionRow.state == "signed",
                InspectionRow.signed_at >= row.made_at,
                InspectionRow.id.is_distinct_from(row.inspection_id),
                InspectionRow.id.not_in(superseded),
            )
            .order_by(InspectionRow.signed_at)
            .limit(1)
        ).first()
        if found is None:
            continue
        decision, inspection = found
        score = score_reading(
            parts_of(row.body),
            (decision.life_starts or 0) - row.starts,
            (decision.life_minutes or 0.0) - row.arc_minutes,
            decision.pit_mm or 0.0,
            decision.pit_u_mm,
        )
        row.scored_at = shop.clock()
        row.scored_inspection_id = inspection.id
        row.reading_mm, row.reading_u_mm = decision.pit_mm, decision.pit_u_mm
        row.pit, row.crps_mm = score.pit, score.crps_mm
        row.p05_mm, row.median_mm, row.p95_mm = score.band
    session.flush()


@dataclass(frozen=True)
class Score:
    """How a reading fell in its forecast.

    Attributes
    ----------
    pit : float
        Probability integral transform: P(reading below the one taken), in [0, 1].
    band : tuple of 3 float
        5 %, 50 % and 95 % points forecast for the reading, mm.
    crps_mm : float
        Continuous ranked probability score (Gneiting & Raftery, JASA 102 (2007) 359).
    """

    pit: float
    band: tuple[float, float, float]
    crps_mm: float


def score_reading(
    parts: Components, starts: float, arc_minutes: float, reading_mm: float, u_mm: float | None
) -> Score:
    """Score a reading against the forecast of it at the use it was taken at."""
    starts, arc_minutes = max(0.0, starts), max(0.0, arc_minutes)
    sigma = u_mm if u_mm and u_mm > 0 else None
    band = depth_quantiles(parts, [starts], [arc_minutes], of_reading=True, sigma_mm=sigma)[:, 0]
    pit = float(reading_cdf(parts, starts, arc_minutes, reading_mm, sigma))
    return Score(
        min(1.0, max(0.0, pit)),
        (float(band[0]), float(band[1]), float(band[2])),
        crps(parts, starts, arc_minutes, reading_mm, sigma),
    )


def _forecast(shop: Shop, session: Session) -> None:
    """Make the forecast of every fitted electrode whose last inspection has none yet."""
    force = None
    fittings = session.scalars(
        select(Fitting).where(
            Fitting.part == PIT_PART, Fitting.removed_at.is_(None), Fitting.void.is_(False)
        )
    ).all()
    for fitting in fittings:
        last = session.scalars(
            select(InspectionRow)
            .where(InspectionRow.torch_id == fitting.torch_id, InspectionRow.state == "signed")
            .order_by(InspectionRow.signed_at.desc(), InspectionRow.id.desc())
            .limit(1)
        ).first()
        if last is None:
            continue
        there = session.scalar(
            select(Forecast.id).where(
                Forecast.part_item_id == fitting.part_item_id,
                Forecast.inspection_id == last.id,
                Forecast.void.is_(False),
            )
        )
        if there is not None:
            continue
        force = force or fit_in_force(shop, session)
        decision = session.get(DecisionRow, (last.id, PIT_PART))
        same = decision is not None and decision.part_item_id == fitting.part_item_id
        starts = (decision.life_starts or 0) if same and decision else 0
        minutes = (decision.life_minutes or 0.0) if same and decision else 0.0
        item = fitting.part_item_id
        known = histories(session, [item]).of.get(item)
        state = carried(state_of(force, known, last.process.name), starts, minutes)
        session.add(
            Forecast(
                part_item_id=item,
                torch_id=fitting.torch_id,
                process_id=last.process_id,
                inspection_id=last.id,
                fit_id=force.id,
                quantity=QUANTITY,
                made_at=shop.clock(),
                starts=int(state.starts),
                arc_minutes=state.arc_minutes,
                body=body_of(components(state, _KEPT_COMPONENTS)),
                void=False,
            )
        )
    session.flush()


@dataclass(frozen=True)
class Coverage:
    """How often readings fell where the forecasts said.

    Attributes
    ----------
    scored : int
    inside : int
        Readings between the 5 % and 95 % points.
    low, high : float
        95 % interval of the true share (Wilson).
    below, above : int
        Readings under the 5 % point and over the 95 % point.
    bins : tuple of int
        Readings in each tenth of their forecast: even where the odds are honest.
    mean_crps_mm : float or None
    """

    scored: int
    inside: int
    low: float
    high: float
    below: int
    above: int
    bins: tuple[int, ...]
    mean_crps_mm: float | None


def coverage(session: Session) -> Coverage:
    """Sum the scored forecasts of the book up."""
    rows = [
        (pit, score)
        for pit, score in session.execute(
            select(Forecast.pit, Forecast.crps_mm).where(
                Forecast.pit.is_not(None), Forecast.void.is_(False)
            )
        )
        if pit is not None
    ]
    pits = np.array([p for p, _ in rows])
    n = len(pits)
    inside = int(((pits >= 0.05) & (pits <= 0.95)).sum())
    low, high = wilson(inside, n)
    bins = np.bincount(np.minimum((pits * 10).astype(int), 9), minlength=10) if n else np.zeros(10)
    return Coverage(
        n,
        inside,
        low,
        high,
        int((pits < 0.05).sum()),
        int((pits > 0.95).sum()),
        tuple(int(b) for b in bins),
        float(np.mean([s for _, s in rows])) if n else None,
    )


def wilson(hits: int, n: int, z: float = 1.959964) -> tuple[float, float]:
    """Return Wilson's 95 % interval of a share (E. B. Wilson, JASA 22 (1927) 209)."""
    if n == 0:
        return 0.0, 1.0
    share, z2 = hits / n, z * z
    middle = (share + z2 / (2 * n)) / (1 + z2 / n)
    half = z / (1 + z2 / n) * ((share * (1 - share) / n + z2 / (4 * n * n)) ** 0.5)
    return max(0.0, middle - half), min(1.0, middle + half)
