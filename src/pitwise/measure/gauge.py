"""A gauge study: how much of the readings' scatter comes from the gauge and its people.

Crossed: every person reads every part the same number of times.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy.special import fdtrc

from .gauge_interval import METHOD, Term, degrees, estimate, variance_interval
from .gauge_model import (
    LEVEL,
    POOL_ABOVE,
    SPREAD,
    Component,
    GaugeError,
    GaugeStudy,
    Row,
    steps,
)
from .gauge_range import range_factor

__all__ = ["LEVEL", "Component", "GaugeError", "GaugeStudy", "Row", "range_study", "study"]

Floats = npt.NDArray[np.float64]

# Sums of squares smaller than this share of the readings' own are rounding.
_ROUNDING = 1e-30
_BELOW = "{}: the estimate came out below zero and is set to zero."
_NO_TRIALS = "each part once a person"


def study(
    x: npt.ArrayLike,
    *,
    tolerance: float | None = None,
    people: Sequence[str] = (),
    parts: Sequence[str] = (),
) -> GaugeStudy:
    r"""Return the components of a crossed gauge study, by analysis of variance.

    Parameters
    ----------
    x : (people, parts, trials) array-like
        Readings in one unit; any number of people, two parts, two trials or more. NaN: missing.
    tolerance : float, optional
        Width of the tolerance (upper less lower limit), unit of the readings, > 0.
    people, parts : sequence of str, optional
        Names, for messages.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    GaugeError
        Missing readings (all are named), too few parts or trials, no scatter at all.

    Notes
    -----
    Random people o and parts p, r trials: MS of part, person, person × part and error. An
    interaction with p > 0.25 is pooled with the error. Then with E the (pooled) error mean
    square and I the interaction's (E where pooled):

    repeatability² = E; interaction² = (I − E)/r; reproducibility² = (O − I)/(parts·r);
    part² = (P − I)/(people·r); gauge² = repeatability² + reproducibility² + interaction².

    A negative difference is set to zero and said. Intervals: see `gauge_interval`; they are
    those of the estimates before anything was set to zero. (D. C. Montgomery, G. C. Runger,
    Quality Engineering 6 (1993–94) 115 and 289; from memory.)
    """
    own = _checked(x, people, parts)
    o, p, r = own.shape
    _tolerance(tolerance)
    rows = _anova(own)
    by = {row.source: row for row in rows}
    error = by["repeatability"]
    inter = by.get("person × part")
    notes: list[str] = []
    pooled = False
    if inter is not None and (inter.p is None or inter.p > POOL_ABOVE):
        pooled = True
        ss, df = error.ss + inter.ss, error.df + inter.df
        error = Row("repeatability", df, ss, ss / df, None, None)
        said = "no scatter" if inter.p is None else f"p = {inter.p:.2f}"
        notes.append(
            f"People and parts don't interact ({said}, above {POOL_ABOVE}): "
            "that scatter counts as repeatability."
        )
        inter = None
    base = inter or error

    def less(row: Row, other: Row, size: int) -> list[Term]:
        return [_term(row, 1 / size), _term(other, -1 / size)]

    terms: dict[str, list[Term]] = {"repeatability": [_term(error, 1.0)]}
    if o > 1:
        terms["reproducibility"] = less(by["person"], base, p * r)
    if inter is not None:
        terms["interaction"] = less(inter, error, r)
    terms["gauge"] = _together([terms[name] for name in terms])
    terms["part"] = less(by["part"], base, o * r)
    terms["total"] = _together([terms["gauge"], terms["part"]])
    variance: dict[str, float] = {}
    for name in ("repeatability", "reproducibility", "interaction", "part"):
        if name in terms:
            value = estimate(terms[name])
            if value < 0:
                notes.append(_BELOW.format(_TITLE[name]))
            variance[name] = max(value, 0.0)
    if o == 1:
        notes.append("One person: how people differ can't be told.")
    variance["gauge"] = math.fsum(v for n, v in variance.items() if n != "part")
    variance["total"] = variance["gauge"] + variance["part"]
    spread = {name: variance_interval(own_terms) for name, own_terms in terms.items()}
    told = [t for n, t in terms.items() if n not in ("gauge", "part", "total") and variance[n] > 0]
    found = _build("anova", variance, spread, own.shape, tolerance, rows, pooled, METHOD, notes)
    return replace(found, gauge_df=degrees(_together(told)))


def range_study(
    x: npt.ArrayLike,
    *,
    tolerance: float | None = None,
    people: Sequence[str] = (),
    parts: Sequence[str] = (),
) -> GaugeStudy:
    """Return the components by means and ranges, as reckoned by hand; no intervals.

    Parameters, errors as `study`.

    Notes
    -----
    repeatability = mean range × K₁; reproducibility² = (range of people's means × K₂)² −
    repeatability²/(parts·r), not below zero; part = range of parts' means × K₃. K = 1/d₂* to
    four decimals, see `gauge_range`. The interaction can't be told apart this way and the
    scatter is used less well than by `study`.
    """
    own = _checked(x, people, parts)
    o, p, r = own.shape
    _tolerance(tolerance)
    notes: list[str] = []
    mean_range = float(np.ptp(own, axis=2).mean())
    variance = {"repeatability": (mean_range * range_factor(r, o * p)) ** 2}
    if o > 1:
        apart = float(np.ptp(own.mean(axis=(1, 2))))
        value = (apart * range_factor(o, 1)) ** 2 - variance["repeatability"] / (p * r)
        if value < 0:
            notes.append(_BELOW.format(_TITLE["reproducibility"]))
        variance["reproducibility"] = max(value, 0.0)
    else:
        notes.append("One person: how people differ can't be told.")
    variance["gauge"] = math.fsum(variance.values())
    variance["part"] = (float(np.ptp(own.mean(axis=(0, 2)))) * range_factor(p, 1)) ** 2
    variance["total"] = variance["gauge"] + variance["part"]
    interval = "none: the range method gives no intervals"
    return _build("range", variance, {}, own.shape, tolerance, (), False, interval, notes)


_TITLE = {
    "repeatability": "Repeatability",
    "reproducibility": "Between people",
    "interaction": "People and parts together",
    "gauge": "Gauge",
    "part": "Between parts",
    "total": "Total",
}


def _tolerance(width: float | None) -> None:
    if width is not None and not (math.isfinite(width) and width > 0):
        raise GaugeError("tolerance", f"{width:g} is no width", "give upper less lower limit, > 0")


def _name(names: Sequence[str], k: int, what: str) -> str:
    return f"{what} {names[k] if k < len(names) else k + 1}"


def _checked(x: npt.ArrayLike, people: Sequence[str], parts: Sequence[str]) -> Floats:
    own = np.asarray(x, dtype=float)
    if own.ndim != 3:
        raise GaugeError("readings", f"the shape is {own.shape}", "give people × parts × trials")
    o, p, r = own.shape
    if o < 1 or p < 2:
        raise GaugeError("parts", f"there are {p}", "read two parts or more, better ten")
    if r < 2:
        raise GaugeError("trials", _NO_TRIALS, "let each person read each part twice or more")
    missing = np.argwhere(np.isnan(own))
    if len(missing):
        cells = [
            f"{_name(parts, j, 'part')}, {_name(people, i, 'person')}, trial {k + 1}"
            for i, j, k in missing[:6].tolist()
        ]
        more = f" and {len(missing) - 6} more" if len(missing) > 6 else ""
        raise GaugeError(
            "readings",
            f"{len(missing)} of {own.size} are missing: {'; '.join(cells)}{more}",
            "read those too, or leave out that part, person or trial altogether",
        )
    if not np.isfinite(own).all():
        raise GaugeError("readings", "not all are finite", "correct them")
    if float(np.ptp(own)) == 0:
        raise GaugeError(
            "readings", "are all the same", "read with a finer gauge, or parts that differ"
        )
    return own


def _anova(own: Floats) -> tuple[Row, ...]:
    o, p, r = own.shape
    # About their mean: squares of large readings would swallow the differences.
    x = own - own.mean()
    total = float((x**2).sum())
    cell, part, person = x.mean(axis=2), x.mean(axis=(0, 2)), x.mean(axis=(1, 2))

    def clean(value: float) -> float:
        return value if value > _ROUNDING * (total + float((own**2).sum())) else 0.0

    ss_part = clean(o * r * float((part**2).sum()))
    ss_error = clean(float(((x - cell[:, :, None]) ** 2).sum()))
    found = [("part", p - 1, ss_part)]
    if o > 1:
        found.append(("person", o - 1, clean(p * r * float((person**2).sum()))))
        left = cell - part[None, :] - person[:, None]
        found.append(("person × part", (o - 1) * (p - 1), clean(r * float((left**2).sum()))))
    found.append(("repeatability", o * p * (r - 1), ss_error))
    ms = {name: ss / df for name, df, ss in found}
    df_of = {name: df for name, df, _ in found}
    rows = []
    for name, df, ss in found:
        # Parts and people are tested against their interaction, that against the error.
        against = "person × part" if o > 1 and name in ("part", "person") else "repeatability"
        f = p_value = None
        if name != "repeatability" and ms[against] > 0:
            f = ms[name] / ms[against]
            p_value = float(fdtrc(df, df_of[against], f))
        elif name != "repeatability" and ms[name] > 0:
            p_value = 0.0
        rows.append(Row(name, df, ss, ms[name], f, p_value))
    return tuple(rows)


def _term(row: Row, factor: float) -> Term:
    return Term(row.source, factor, row.ms, row.df)


def _together(sums: Sequence[Sequence[Term]]) -> list[Term]:
    """Add up sums of the same mean squares."""
    out: dict[str, Term] = {}
    for t in (t for terms in sums for t in terms):
        factor = t.factor + (out[t.source].factor if t.source in out else 0.0)
        out[t.source] = replace(t, factor=factor)
    return [t for t in out.values() if abs(t.factor) > 1e-12]


def _build(
    method: str,
    variance: dict[str, float],
    spread: dict[str, tuple[float, float]],
    shape: tuple[int, ...],
    tolerance: float | None,
    table: tuple[Row, ...],
    pooled: bool,
    interval: str,
    notes: Sequence[str],
) -> GaugeStudy:
    total = variance["total"]
    every = {}
    for name, value in variance.items():
        sd = math.sqrt(value)
        low, high = spread.get(name, (None, None))
        if low is not None and high is not None:
            # Setting a negative component to zero may move the estimate out of its interval.
            low, high = min(low, value), max(high, value)
        every[name] = Component(
            name,
            sd,
            value,
            None if low is None else math.sqrt(low),
            None if high is None else math.sqrt(high),
            value / total if total > 0 else 0.0,
            100 * sd / math.sqrt(total) if total > 0 else 0.0,
            None if tolerance is None else 100 * SPREAD * sd / tolerance,
        )
    o, p, r = shape
    return GaugeStudy(
        "anova" if method == "anova" else "range",
        every["repeatability"],
        every.get("reproducibility"),
        every.get("interaction"),
        every["gauge"],
        every["part"],
        every["total"],
        table,
        pooled,
        steps(every["part"].sd, every["gauge"].sd),
        p,
        o,
        r,
        tolerance,
        interval,
        tuple(notes),
    )
