"""Simulated shops with faults whose causes are known: what a technician would find in them.

The truth starts from the sheet's network and then departs from it, by all of these at once:

- base rates, links, leaks and shares of "much" get normal noise on their log-odds;
- links are dropped, and links that the sheet does not know are added;
- causes come together, and findings of one check come and go together (hidden common
  factors, by a Gaussian copula, so that each one's own rate stays what it is);
- several causes at once, as often as they come up;
- what is looked at is at times missed, or seen where it is not, or graded wrongly;
- readings scatter about values that may lie close to the end of the range.

A case is drawn whole: every look and reading has its answer before anyone asks, so that all
ways of working on it meet the same torch. Nothing here knows how a diagnosis is made.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.special import expit, logit, ndtr

from pitwise.trade import Sheet

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
Ints = npt.NDArray[np.int64]

NOISES = (0.4, 0.7, 1.0)
DROPPED = 0.10
"""Chance that a link of the sheet is not there at all."""
SPURIOUS = 0.05
"""Links that the sheet does not know, as a share of those it knows."""
SPURIOUS_P = (0.05, 0.5)
CAUSES_TOGETHER = 0.3
"""Correlation of the hidden normal variables of causes in one cluster."""
CLUSTER = 4
FINDINGS_TOGETHER = 0.3
"""The same of findings that one check reveals."""
FACT_TWICE = 0.6
"""Added to that for findings of one group of the sheet: one fact seen twice."""
MISSED = 0.05
MISTAKEN = 0.01
GRADED_WRONGLY = 0.10
NOTICED = 0.5
"""Chance that a cut or record finding that is there is part of the complaint."""
RECENTRE = 1.0
COMPLAINTS = ("cut", "record")
PIT_FASTER, PIT_LOG_SD = 1.8, 0.35
PIT = "E_deep"
BEYOND_U = 4.0
"""Mean distance of a reading's true value from the end of its range, in standard uncertainties."""


@dataclass(frozen=True, eq=False)
class Shape:
    """A sheet's causes as arrays: n causes, m symptoms, and what they cost."""

    sheet: Sheet
    causes: tuple[str, ...]
    symptoms: tuple[str, ...]
    prior: Floats
    leak: Floats
    link: Floats
    much: Floats
    leak_much: Floats
    graded: Bools
    complaint: Bools
    bench: Bools
    """Told by the bench's inspection: what a strip-down leaves known."""
    check_of: Ints
    group_of: Ints
    read_by: Mapping[int, tuple[str, ...]]
    """Symptom to the readings that feed it."""

    @classmethod
    def of(cls, sheet: Sheet) -> Shape:
        causes = tuple(c.id for c in sheet.causes)
        symptoms = tuple(s.id for s in sheet.symptoms)
        at = {s: j for j, s in enumerate(symptoms)}
        link = np.zeros((len(causes), len(symptoms)))
        for arrow in sheet.links:
            link[causes.index(arrow.cause), at[arrow.symptom]] = arrow.p
        check_of = np.full(len(symptoms), -1)
        bench = np.zeros(len(symptoms), dtype=bool)
        for c, check in enumerate(sheet.checks):
            for symptom in check.reveals:
                if check_of[at[symptom]] < 0:
                    check_of[at[symptom]] = c
                bench[at[symptom]] |= check.bench
        groups = {
            g: k for k, g in enumerate(dict.fromkeys(s.group for s in sheet.symptoms if s.group))
        }
        read_by: dict[int, tuple[str, ...]] = {}
        for reading in sheet.readings:
            for feed in reading.feeds:
                j = at[feed.symptom]
                read_by[j] = (*read_by.get(j, ()), reading.id)
        return cls(
            sheet,
            causes,
            symptoms,
            np.array([c.base_rate for c in sheet.causes]),
            np.array([s.leak for s in sheet.symptoms]),
            link,
            np.array([s.much or 0.0 for s in sheet.symptoms]),
            np.array([s.leak_much or 0.0 for s in sheet.symptoms]),
            np.array([s.kind == "graded" for s in sheet.symptoms]),
            np.array([s.where in COMPLAINTS for s in sheet.symptoms]),
            bench,
            check_of,
            np.array([groups[s.group] if s.group else -1 for s in sheet.symptoms]),
            read_by,
        )

    @cached_property
    def at(self) -> dict[str, int]:
        """Index of each symptom."""
        return {s: j for j, s in enumerate(self.symptoms)}


def with_ranges(sheet: Sheet) -> Sheet:
    """Return the sheet with an end for every reading's range, as a shop's own sheet gives it.

    Where the base sheet gives no end, 10 or 20 standard uncertainties stand in: only the
    distance from an end matters here, not where it lies.
    """
    readings = []
    for row in sheet.readings:
        sides = {feed.beyond for feed in row.feeds}
        low, high = row.low, row.high
        floor = row.least if row.least is not None else 0.0
        if "low" in sides and low is None:
            low = high - 10 * row.u if high is not None else floor + 40 * row.u
        if "high" in sides and high is None:
            high = (low if low is not None else floor + 30 * row.u) + 10 * row.u
        readings.append(row.model_copy(update={"low": low, "high": high}))
    return replace(sheet, readings=tuple(readings))


@dataclass(frozen=True, eq=False)
class Shop:
    """One shop's truth: what its parts and supplies really do."""

    shape: Shape
    noise: float
    prior: Floats
    leak: Floats
    link: Floats
    much: Floats
    leak_much: Floats
    cluster: Ints
    pit_sd: float
    """True scatter of pit readings, as a multiple of what the forecast says."""
    plain: bool = False
    """Nothing comes together and no look is mistaken: a bound, not a shop."""


def draw_shop(rng: np.random.Generator, shape: Shape, noise: float) -> Shop:
    """Draw a shop whose numbers differ from the sheet's by `noise` in log-odds (SD)."""

    def shaken(p: Floats, shift: float = 0.0) -> Floats:
        z = rng.standard_normal(p.shape)
        out = expit(logit(np.clip(p, 1e-3, 0.99)) + noise * z - shift * noise**2 / 2)
        return np.asarray(out, dtype=np.float64)

    n, m = shape.link.shape
    linked = shape.link > 0
    link = np.where(linked, shaken(shape.link), 0.0)
    link[linked & (rng.random((n, m)) < DROPPED)] = 0.0
    free = np.argwhere(~linked)
    added = free[rng.choice(len(free), round(SPURIOUS * linked.sum()), replace=False)]
    link[added[:, 0], added[:, 1]] = rng.uniform(*SPURIOUS_P, len(added))
    return Shop(
        shape,
        noise,
        np.minimum(shaken(shape.prior, RECENTRE), 0.6),
        shaken(shape.leak, RECENTRE),
        link,
        np.where(shape.graded, shaken(shape.much), 0.0),
        np.where(shape.graded, shaken(shape.leak_much), 0.0),
        rng.permutation(n) // CLUSTER,
        float(np.exp(0.3 * rng.standard_normal())),
    )


@dataclass(frozen=True, eq=False)
class Answers:
    """One torch in trouble: its true causes, and the answer to every look and reading.

    Attributes
    ----------
    causes : (n,) bool array
        What is truly at work.
    grade : (m,) int array
        What a look gives: 0 absent, 1 seen (or slight), 2 much.
    readings : mapping of str to float
        What a reading gives, in the unit of its kind.
    pit : (reading_mm, mean_mm, sd_mm)
        The pit's reading, and its forecast under normal wear.
    complaint : tuple of int
        The symptoms it came with, all of them seen.
    """

    causes: Bools
    grade: Ints
    readings: Mapping[str, float]
    pit: tuple[float, float, float]
    complaint: tuple[int, ...]


def draw_case(rng: np.random.Generator, shop: Shop) -> Answers:
    """Draw a torch that comes with a complaint (draws nobody complains of come to no one)."""
    while True:
        causes = _causes(rng, shop)
        grade = _looked(rng, shop, _grades(rng, shop, causes))
        there = np.flatnonzero((grade > 0) & shop.shape.complaint)
        if len(there):
            break
    noticed = there[rng.random(len(there)) < NOTICED]
    if not len(noticed):
        noticed = rng.choice(there, 1)
    readings = {row.id: _reading(rng, shop, grade, row.id) for row in shop.shape.sheet.readings}
    deep = PIT in shop.shape.at and bool(grade[shop.shape.at[PIT]] > 0)
    return Answers(causes, grade, readings, _pit(rng, shop, deep), tuple(int(j) for j in noticed))


def _causes(rng: np.random.Generator, shop: Shop) -> Bools:
    n = len(shop.prior)
    common = rng.standard_normal(n)[shop.cluster]
    together = 0.0 if shop.plain else CAUSES_TOGETHER
    z = np.sqrt(together) * common + np.sqrt(1 - together) * rng.standard_normal(n)
    return np.asarray(ndtr(z) < shop.prior)


def _grades(rng: np.random.Generator, shop: Shop, causes: Bools) -> Ints:
    shape = shop.shape
    m = len(shop.leak)
    together = 0.0 if shop.plain else FINDINGS_TOGETHER
    # What the sheet calls one fact is one in a plain shop too: the engine reckons with it.
    share = np.where(shape.group_of >= 0, FACT_TWICE + (FINDINGS_TOGETHER - together), 0.0)
    z = (
        np.sqrt(together) * rng.standard_normal(m)[shape.check_of]
        + np.sqrt(share) * rng.standard_normal(m)[shape.group_of]
        + np.sqrt(1 - together - share) * rng.standard_normal(m)
    )
    u = ndtr(z)
    at_work = causes.astype(float)
    none = np.exp(np.log1p(-shop.leak) + at_work @ np.log1p(-shop.link))
    slight = np.exp(
        np.log1p(-shop.leak * shop.leak_much) + at_work @ np.log1p(-shop.link * shop.much)
    )
    return np.asarray((u > none).astype(int) + (shape.graded & (u > slight)))


def _looked(rng: np.random.Generator, shop: Shop, grade: Ints) -> Ints:
    """Return the grades as they are told, mistakes in them."""
    if shop.plain:
        return grade
    u = rng.random(len(grade))
    missed = (grade > 0) & (u < MISSED)
    mistaken = (grade == 0) & (u < MISTAKEN)
    wrong = shop.shape.graded & (grade > 0) & (rng.random(len(grade)) < GRADED_WRONGLY)
    told = np.where(wrong, 3 - grade, grade)
    return np.asarray(np.where(missed, 0, np.where(mistaken, 1, told)))


def _reading(rng: np.random.Generator, shop: Shop, grade: Ints, kind: str) -> float:
    """Return a reading: beyond an end where that symptom is there, within the range otherwise."""
    row = shop.shape.sheet.reading(kind)
    ends = {feed.beyond: feed.symptom for feed in row.feeds}
    away = BEYOND_U * row.u * rng.exponential()
    beyond = [side for side, symptom in ends.items() if grade[shop.shape.at[symptom]] > 0]
    side = str(rng.choice(beyond if beyond else list(ends)))
    end = row.low if side == "low" else row.high
    assert end is not None
    outward = (1 if side == "high" else -1) * (1 if beyond else -1)
    value = end + outward * away
    if not beyond and row.low is not None and row.high is not None:
        value = min(max(value, row.low), row.high)
    value += row.u * rng.standard_normal()
    least = row.least if row.least is not None else -np.inf
    most = row.most if row.most is not None else np.inf
    return float(min(max(value, least), most))


def _pit(rng: np.random.Generator, shop: Shop, deep: bool) -> tuple[float, float, float]:
    mean = float(rng.uniform(0.3, 0.8))
    sd = float(mean * rng.uniform(0.15, 0.3))
    factor = 1.0
    if deep:
        factor = float(np.exp(abs(np.log(PIT_FASTER) + PIT_LOG_SD * rng.standard_normal())))
    reading = mean * factor + shop.pit_sd * sd * rng.standard_normal()
    return max(reading, 0.0), mean, sd
