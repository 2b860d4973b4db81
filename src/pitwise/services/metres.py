"""Metres of cut in an arc minute, from the counted programs of the shop.

Counters tell starts and arc minutes, no lengths. What a minute of arc cuts is told by the
shop's programs: their cut lengths over their arc minutes, each weighted by the plates that
are planned of it where that is known. How much programs differ gives the range.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy.special import stdtrit
from sqlalchemy import select
from sqlalchemy.orm import Session

from pitwise.records.shelf_tables import PlannedWork
from pitwise.records.tables import Station, Torch
from pitwise.records.wear_tables import ImportFile, Program
from pitwise.services.program_counts import kept_lines
from pitwise.services.programs import fill_counts
from pitwise.services.shopfloor import Shop
from pitwise.services.station_settings import settings_of

LEVEL = 0.95
# The newest tell what is cut now, and no page waits for more (our own choice).
MOST_PROGRAMS = 200
_MM_PER_METRE = 1000.0
Weighing = Literal["planned", "each-once"]


@dataclass(frozen=True)
class Ranged:
    """A figure with its range; no range where one can't be told.

    Attributes
    ----------
    value : float
    low, high : float or None
        Both or neither.
    """

    value: float
    low: float | None = None
    high: float | None = None

    def times(self, factor: float) -> Ranged:
        """Return the figure times a factor of 0 or more."""
        if self.low is None or self.high is None:
            return Ranged(self.value * factor)
        return Ranged(self.value * factor, self.low * factor, self.high * factor)

    def under(self, amount: float) -> Ranged:
        """Return an amount of 0 or more divided by the figure, which is above 0."""
        if self.low is None or self.high is None:
            return Ranged(amount / self.value)
        return Ranged(amount / self.value, amount / self.high, amount / self.low)


@dataclass(frozen=True)
class MetresPerMinute:
    """Metres of cut in an arc minute.

    Attributes
    ----------
    per_minute : Ranged
        m/min, above 0, with its range at `LEVEL`; no range from one program.
    programs : int
        Programs it rests on.
    weighed : {"planned", "each-once"}
        By the plates planned of each, or each program as one plate.
    left_out : int
        Programs that tell nothing here: not counted, without lengths, or without an arc.
    words : str
        What it rests on, for a page.
    """

    per_minute: Ranged
    programs: int
    weighed: Weighing
    left_out: int
    words: str

    def metres(self, arc_minutes: float) -> Ranged:
        """Return the metres that arc minutes cut."""
        return self.per_minute.times(arc_minutes)


@dataclass(frozen=True)
class NoMetres:
    """Metres can't be told, and what would mend it; falsy."""

    reason: str
    mend: str

    def __bool__(self) -> bool:
        """Be as good as none."""
        return False


def ratio_of_sums(
    lengths: Sequence[float], minutes: Sequence[float], weights: Sequence[float]
) -> Ranged:
    r"""Return the ratio of two weighted sums with its range.

    Parameters
    ----------
    lengths : sequence of float, shape (n,)
        0 or more, in any unit.
    minutes, weights : sequence of float, shape (n,)
        Above 0.

    Returns
    -------
    Ranged
        :math:`R = \sum w y / \sum w x`, and its interval at `LEVEL`; no interval for n = 1.

    Raises
    ------
    ValueError
        Lengths differ, nothing is given, or a number is out of its range.

    Notes
    -----
    The estimated variance of a ratio estimator [1]_,
    :math:`\frac{n}{n-1} \sum w^2 (y - R x)^2 / (\sum w x)^2`; Student's t with n - 1 degrees of
    freedom, on the logarithm so that no end falls below 0.

    References
    ----------
    .. [1] W. G. Cochran, Sampling Techniques, 3rd ed., Wiley 1977, chapter 6 (equation from
       memory).
    """
    y, x, w = (np.asarray(v, float) for v in (lengths, minutes, weights))
    if not (y.shape == x.shape == w.shape and y.ndim == 1 and y.size):
        raise ValueError("one length, one time and one weight of each program are needed")
    if not (np.all(np.isfinite([y, x, w])) and (y >= 0).all() and (x > 0).all() and (w > 0).all()):
        raise ValueError("lengths of 0 or more, times and weights above 0 are needed")
    total = float(w @ x)
    ratio = float(w @ y) / total
    n = y.size
    if n == 1 or ratio == 0:
        return Ranged(ratio)
    se = math.sqrt(n / (n - 1) * float(((w * (y - ratio * x)) ** 2).sum())) / total
    reach = float(stdtrit(n - 1, (1 + LEVEL) / 2)) * se / ratio
    if reach > math.log(1e3):
        # Three powers of ten either way tell nothing.
        return Ranged(ratio)
    return Ranged(ratio, ratio * math.exp(-reach), ratio * math.exp(reach))


def count_for_metres(shop: Shop) -> None:
    """Count the newest programs as every station reads them; counted ones are not made again.

    Runs outside of any unit of work of the caller's: pages call it before they read.
    """
    with shop.database.read() as session:
        found = _newest(session)
        stations = [settings_of(session, s) for s in session.scalars(select(Station.id))]
    seen: set[str] = set()
    for settings in stations:
        if settings.sha256() not in seen:
            seen.add(settings.sha256())
            fill_counts(shop, found, settings)


def _newest(session: Session, also: Iterable[int] = ()) -> list[tuple[Program, ImportFile]]:
    query = select(Program, ImportFile).join(ImportFile, ImportFile.id == Program.file_id)
    rows = session.execute(
        query.where(Program.withdrawn_at.is_(None))
        .order_by(Program.file_id.desc(), Program.ordinal)
        .limit(MOST_PROGRAMS)
    ).all()
    found = [(row[0], row[1]) for row in rows]
    missing = set(also) - {p.id for p, _ in found}
    if missing:
        # Planned work stands, whether its program is still on the lists or not.
        more = session.execute(query.where(Program.id.in_(missing))).all()
        found += [(row[0], row[1]) for row in more]
    return found


def metres_per_minute(
    session: Session, *, torches: Collection[int] | None = None
) -> MetresPerMinute | NoMetres:
    """Return the metres of cut in an arc minute, from the counts the book keeps.

    Parameters
    ----------
    session : Session
    torches : collection of int or None
        Torches whose planned plates weigh the programs; None for all. Where none is planned
        there, every program counts as one plate.

    Returns
    -------
    MetresPerMinute or NoMetres
        `count_for_metres` makes counts that are not kept yet.
    """
    planned: dict[tuple[int, int], int] = {}
    query = (
        select(PlannedWork.program_id, Torch.station_id, PlannedWork.plates)
        .join(Torch, Torch.id == PlannedWork.torch_id)
        .where(PlannedWork.withdrawn_at.is_(None))
    )
    homes = select(Torch.station_id).distinct().order_by(Torch.station_id)
    if torches is not None:
        query = query.where(PlannedWork.torch_id.in_(torches))
        homes = homes.where(Torch.id.in_(torches))
    for program, station, plates in session.execute(query):
        planned[program, station] = planned.get((program, station), 0) + plates
    found = _newest(session, {program for program, _ in planned})
    if not found:
        return NoMetres(
            "the book holds no cut program", "bring in cut programs on the Programs page"
        )
    if planned:
        told = _told(session, found, planned)
        if told is not None:
            return told
    stations = list(session.scalars(homes))
    once = {(p.id, s): 1 for s in stations for p, _ in found if p.withdrawn_at is None}
    told = _told(session, found, once, each_once=True)
    return told or NoMetres(
        "no program of the book tells both a cut length and arc minutes",
        "bring in cut programs or drawings: lists of plates tell no lengths",
    )


def _told(
    session: Session,
    found: list[tuple[Program, ImportFile]],
    plates: dict[tuple[int, int], int],
    *,
    each_once: bool = False,
) -> MetresPerMinute | None:
    lines = {
        station: kept_lines(session, found, settings_of(session, station))
        for station in {s for _, s in plates}
    }
    # A program is one witness, however many tables cut it.
    sums: dict[int, tuple[float, float]] = {}
    for (program, station), count in plates.items():
        line = lines[station].get(program)
        if line is None or not line.cut_length_mm or line.arc_minutes <= 0:
            continue
        length, minutes = sums.get(program, (0.0, 0.0))
        sums[program] = (
            length + count * line.cut_length_mm / _MM_PER_METRE,
            minutes + count * line.arc_minutes,
        )
    if not sums:
        return None
    lengths, minutes_of = zip(*sums.values(), strict=True)
    ratio = ratio_of_sums(lengths, minutes_of, [1.0] * len(sums))
    left_out = len({program for program, _ in plates}) - len(sums)
    programs = "one program" if len(sums) == 1 else f"{len(sums)} programs"
    words = f"from {programs}, " + (
        "each counted as one plate, for no plates are planned"
        if each_once
        else "weighed by the plates planned of each"
    )
    if ratio.low is None:
        words += (
            "; one program alone gives no range"
            if len(sums) == 1
            else ("; they differ too much for a range")
        )
    if left_out:
        words += (
            f"; {left_out} more tell{'s' if left_out == 1 else ''} no length, or can't be counted"
        )
    return MetresPerMinute(
        ratio, len(sums), "each-once" if each_once else "planned", left_out, words
    )
