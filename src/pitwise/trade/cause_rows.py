"""Typed rows of the causes: why parts wear, what tells, what to look at, what cures.

A *symptom* is any fact that tells on a cause: on a part, in gas, coolant, record,
cut or set-up. A bench *finding* is one thing on one part; a symptom names the
findings that show it, so that nothing is typed twice.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import Annotated, Literal, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    StringConstraints,
    model_validator,
)

from pitwise.trade.row import PART_SLUGS, PartSlug, Row, Slug, Text
from pitwise.trade.units import UnitError, canonical_units, to_canonical

CODE_PATTERN = r"^[A-Za-z][A-Za-z0-9]*(_[A-Za-z0-9]+)*$"
CONTEXT_PATTERN = r"^[a-z][a-z0-9]*(_[a-z0-9]+)*$"
Code = Annotated[str, StringConstraints(pattern=CODE_PATTERN, max_length=40)]
ContextKey = Annotated[str, StringConstraints(pattern=CONTEXT_PATTERN, max_length=40)]
Words = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80)]

Place = Literal[
    "shield-cap",
    "shield",
    "retaining-cap",
    "nozzle",
    "swirl-ring",
    "electrode",
    "coolant-tube",
    "torch-head",
    "caps",
    "o-rings",
    "gas",
    "coolant",
    "record",
    "cut",
    "setup",
]
PLACES: tuple[str, ...] = get_args(Place)
PART_PLACES = frozenset((*PART_SLUGS, "caps", "o-rings"))
Kind = Literal["plain", "graded", "reading"]
Who = Literal["technician", "lead", "electrician"]
TermState = Literal["seen", "absent", "slight", "much"]
_STATES = ("seen", "absent", "slight", "much")


def _probability(value: float) -> float:
    if not 0 <= value <= 1:
        raise ValueError(f"{value} is not a probability: write a number from 0 to 1")
    return value


def _open_probability(value: float) -> float:
    if not 0 < value < 1:
        raise ValueError(
            f"{value} can't be learnt from: write a number above 0 and below 1, such as 0.02"
        )
    return value


def _link_probability(value: float) -> float:
    if not 0 < value <= 1:
        raise ValueError(
            f"{value} is no link: write a number above 0, at most 1, or take the row out"
        )
    return value


_Number = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=-1e9, lt=1e9)]
Probability = Annotated[_Number, AfterValidator(_probability)]
OpenProbability = Annotated[_Number, AfterValidator(_open_probability)]
LinkProbability = Annotated[_Number, AfterValidator(_link_probability)]
Minutes = Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, le=1000)]


class Cause(Row):
    """A reason why parts wear; `base_rate`: how often it is at work when trouble is looked into."""

    id: Code
    name: Words
    text: Text
    base_rate: OpenProbability


class Symptom(Row):
    """A fact that tells on a cause.

    `leak` is the chance to see it with no cause of this sheet at work. A graded symptom is
    seen "slight" or "much": `much` is the share of "much" when a cause makes it, `leak_much`
    the share of "much" when none does. Symptoms of one `group` are one fact seen twice.
    `bench` names the bench findings that show it, each "part/finding": any seen shows it; all
    looked at and none seen shows that it is absent. Where the bench tells only half,
    `bench_absent` false says that none seen does not show its absence (a drip needs the pump
    on), `bench_seen` false that one seen does not show it ("cut or burnt" is not yet "burnt").
    """

    id: Code
    where: Place
    text: Text
    kind: Kind
    leak: OpenProbability
    much: OpenProbability | None = None
    leak_much: OpenProbability | None = None
    group: Code | None = None
    bench: tuple[str, ...] = ()
    bench_seen: bool = True
    bench_absent: bool = True

    @model_validator(mode="after")
    def _grades(self) -> Symptom:
        if self.kind == "graded" and (self.much is None or self.leak_much is None):
            raise ValueError("a graded symptom lacks its shares of 'much': add much and leak_much")
        if self.kind != "graded" and (self.much is not None or self.leak_much is not None):
            raise ValueError(
                "only a graded symptom has shares of 'much': take them out, or write "
                'kind = "graded"'
            )
        if len(set(self.bench)) != len(self.bench):
            raise ValueError("a bench finding stands twice in 'bench': keep one of them")
        if not (self.bench_seen and self.bench_absent) and (
            not self.bench or self.bench_seen == self.bench_absent
        ):
            raise ValueError(
                "the bench tells neither half of it: take bench_seen or bench_absent out, "
                "or fill bench"
            )
        return self


class Link(Row):
    """How often this cause alone makes this symptom."""

    cause: Code
    symptom: Code
    p: LinkProbability


class Check(Row):
    """Something to look at or measure: what it costs, who may do it, what it tells."""

    id: Code
    name: Words
    text: Text
    minutes: Minutes
    isolated: bool
    who: Who
    caution: Text | Literal[""] = ""
    reveals: tuple[Code, ...]
    after: tuple[Code, ...] = ()
    bench: bool = False

    @model_validator(mode="after")
    def _reveals_something(self) -> Check:
        if not self.reveals:
            raise ValueError("this check tells nothing: name the symptoms it reveals")
        if not self.caution and (self.isolated or self.who == "electrician"):
            raise ValueError("this work can hurt and has no 'caution': write what to mind")
        for field, ids in (("reveals", self.reveals), ("after", self.after)):
            if len(set(ids)) != len(ids):
                raise ValueError(f"an id stands twice in '{field}': keep one of them")
        return self


class Remedy(Row):
    """What cures a cause; of several for one cause the first in the sheet is tried first.

    `unless_absent` names the findings it is for: with all of them looked for and not there it
    is passed over while another remedy of its cause is left.
    """

    id: Slug
    cause: Code
    text: Text
    minutes: Minutes
    isolated: bool
    who: Who
    caution: Text
    parts: tuple[PartSlug, ...] = ()
    unless_absent: tuple[Code, ...] = ()


class Feed(BaseModel):
    """The symptom a reading shows when it lies beyond one end of its range."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    symptom: Code
    beyond: Literal["low", "high"]


class ReadingKind(Row):
    """A reading that can be entered: its unit, uncertainty, range, and the symptoms it feeds.

    `u` is a standard uncertainty; it, `low` and `high` are in `unit`. An end that is missing
    is given by the shop's own sheet. `least` and `most` bound what can be at all: beyond
    them a number is a slip, most often of the unit.
    """

    id: Code
    name: Words
    text: Text
    unit: str
    u: Annotated[float, Field(strict=True, allow_inf_nan=False, gt=0, lt=1e6)]
    low: _Number | None = None
    high: _Number | None = None
    least: _Number | None = None
    most: _Number | None = None
    feeds: Annotated[tuple[Feed, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _range(self) -> ReadingKind:
        if self.unit not in canonical_units():
            raise ValueError(
                f"'{self.unit}' is no unit readings are kept in: use one of "
                f"{', '.join(canonical_units())}"
            )
        ends = [v for v in (self.least, self.low, self.high, self.most) if v is not None]
        if any(a >= b for a, b in pairwise(ends)):
            raise ValueError(
                "the ends do not rise: write least below low, low below high, high below most"
            )
        if len({(f.symptom, f.beyond) for f in self.feeds}) != len(self.feeds):
            raise ValueError("a symptom is fed twice from the same end: keep one of them")
        return self

    def canonical(self, value: float, unit: str) -> float:
        """Return a reading in this kind's unit.

        Raises
        ------
        UnitError
            When the unit measures something else, or the number can't be.
        """
        got = to_canonical(value, unit, self.unit)
        beyond = (self.least is not None and got < self.least) or (
            self.most is not None and got > self.most
        )
        if beyond:
            least = "" if self.least is None else f"from {self.least:g} "
            most = "" if self.most is None else f"to {self.most:g} "
            raise UnitError(
                f"{value:g} {unit} can't be for '{self.name}'",
                f"look at the number and its unit; it lies {least}{most}{self.unit}",
            )
        return got


class Normal(Row):
    """A look that worries and should not."""

    id: Slug
    where: Place
    text: Text
    why: Text


@dataclass(frozen=True)
class Term:
    """One condition of a conflict: a symptom in a state, a word of the context, two readings.

    `above` names two readings of which the first is above the second beyond their uncertainties.
    """

    symptom: str | None
    state: str | None
    key: str | None
    value: str | None
    above: tuple[str, str] | None = None


def parse_term(text: str) -> Term:
    """Read "E_deep seen", "context gas_supply bottled" or "reading gas_drop above gas_static".

    Raises
    ------
    ValueError
        With problem and mend, when the words are neither.
    """
    words = text.split()
    if len(words) == 3 and words[0] == "context" and re.match(CONTEXT_PATTERN, words[1]):
        return Term(None, None, words[1], words[2])
    if len(words) == 2 and words[1] in _STATES and words[0] != "context":
        return Term(words[0], words[1], None, None)
    if len(words) == 4 and words[0] == "reading" and words[2] == "above":
        return Term(None, None, None, None, (words[1], words[3]))
    raise ValueError(
        f"'{text[:60]}' is no condition: write 'SYMPTOM seen', 'SYMPTOM absent', "
        "'SYMPTOM slight', 'SYMPTOM much', 'context KEY VALUE' or 'reading ID above ID'"
    )


class Conflict(Row):
    """Facts that can't well be true together: asked about before anything else."""

    id: Slug
    when: Annotated[tuple[str, ...], Field(min_length=1)]
    say: Text
    ask: Text

    @model_validator(mode="after")
    def _readable(self) -> Conflict:
        names = [term.symptom or str(term.above or term.key) for term in self.terms]
        if len(set(names)) != len(names):
            raise ValueError("two conditions on the same thing: keep one of them")
        return self

    @cached_property
    def terms(self) -> tuple[Term, ...]:
        """The conditions, read."""
        return tuple(parse_term(text) for text in self.when)

    @property
    def when_words(self) -> str:
        """The conditions, for people."""
        return ", ".join(self.when)


class CauseLookups:
    """Look-ups over a sheet's cause tables."""

    causes: tuple[Cause, ...]
    symptoms: tuple[Symptom, ...]
    links: tuple[Link, ...]
    checks: tuple[Check, ...]
    remedies: tuple[Remedy, ...]
    readings: tuple[ReadingKind, ...]
    conflicts: tuple[Conflict, ...]

    @cached_property
    def _causes(self) -> dict[str, Cause]:
        return {c.id: c for c in self.causes}

    @cached_property
    def _symptoms(self) -> dict[str, Symptom]:
        return {s.id: s for s in self.symptoms}

    @cached_property
    def _checks(self) -> dict[str, Check]:
        return {c.id: c for c in self.checks}

    @cached_property
    def _readings(self) -> dict[str, ReadingKind]:
        return {r.id: r for r in self.readings}

    def cause(self, code: str) -> Cause:
        """Return a cause by id (KeyError when there is none)."""
        return self._causes[code]

    def symptom(self, code: str) -> Symptom:
        """Return a symptom by id (KeyError when there is none)."""
        return self._symptoms[code]

    def check(self, code: str) -> Check:
        """Return a check by id (KeyError when there is none)."""
        return self._checks[code]

    def reading(self, code: str) -> ReadingKind:
        """Return a kind of reading by id (KeyError when there is none)."""
        return self._readings[code]

    def remedies_of(self, cause: str) -> tuple[Remedy, ...]:
        """Return a cause's remedies, the one tried first at the front."""
        return tuple(r for r in self.remedies if r.cause == cause)

    def links_of(self, cause: str) -> tuple[Link, ...]:
        """Return a cause's links, in the sheet's order."""
        return tuple(k for k in self.links if k.cause == cause)

    def context_values(self, key: str) -> tuple[str, ...]:
        """Return the values of a word of context that some conflict asks about, sorted."""
        return tuple(
            sorted({t.value for c in self.conflicts for t in c.terms if t.key == key and t.value})
        )

    @cached_property
    def context_keys(self) -> tuple[str, ...]:
        """The words of context that some conflict asks about, sorted."""
        return tuple(sorted({t.key for c in self.conflicts for t in c.terms if t.key}))
