"""Typed rows of a trade sheet, and the sheet they make up.

Every row names its source. Rows are immutable; a sheet is known by its version
and by the SHA-256 of its canonical content, which is kept with every decision.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from dataclasses import dataclass, field
from decimal import Decimal
from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from pitwise.trade.cause_rows import (
    Cause,
    CauseLookups,
    Check,
    Conflict,
    Link,
    Normal,
    ReadingKind,
    Remedy,
    Symptom,
)
from pitwise.trade.quantities import WORDS, Growing, Measured
from pitwise.trade.quantities import Quantity as Quantity
from pitwise.trade.row import PART_SLUGS as PART_SLUGS
from pitwise.trade.row import PartSlug, Row, Slug, Text

Action = Literal["keep", "clean", "replace"]
Compare = Literal[">", ">="]
LengthUnit = Literal["mm", "thou"]


def normal_name(text: str) -> str:
    """Fold case, hyphens and runs of space, so that 'Mild-Steel' equals 'mild steel'."""
    return re.sub(r"[\s_\-–—]+", " ", text).strip().casefold()


class Part(Row):
    """A part of the torch; `order` is its place in removal order, 1 outermost."""

    id: PartSlug
    name: Text
    order: Annotated[int, Field(ge=1, le=8)]
    holds: Text
    look: tuple[Text, ...]


class Finding(Row):
    """One thing that may be seen on one part, and the action it calls for.

    `measured_by` names what a photo gives that bears on it; a person still sets it.
    """

    part: PartSlug
    id: Slug
    name: Annotated[str, StringConstraints(min_length=1, max_length=40)]
    look: Text
    action: Action
    do: Text
    icon: Slug | None = None
    measured_by: tuple[Measured, ...] = ()

    @model_validator(mode="after")
    def _measured_on_this_part(self) -> Finding:
        for quantity in self.measured_by:
            if self.part not in WORDS[quantity].parts:
                raise ValueError(f"'{quantity}' is not measured on the {self.part}: name what is")
        return self


class Figure(BaseModel):
    """A limit's number in one unit, exactly as quoted (so '1.0' stays '1.0')."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    value: Annotated[Decimal, Field(gt=0, lt=1000, allow_inf_nan=False)]
    unit: LengthUnit


class ProcessSelector(BaseModel):
    """What a limit holds for; an absent field holds for all."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    amps: Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)] | None = None
    material: Text | None = None
    plasma_gas: Text | None = None
    shield_gas: Text | None = None

    def given(self) -> dict[str, float | str]:
        """Return the fields that are set."""
        return self.model_dump(exclude_none=True)

    def matches(self, process: ProcessSelector) -> bool:
        """Tell whether every field set here has the same value in `process`."""
        there = process.given()
        for key, value in self.given().items():
            other = there.get(key)
            if isinstance(value, str):
                if not isinstance(other, str) or normal_name(other) != normal_name(value):
                    return False
            elif other != value:
                return False
        return True

    def words(self) -> str:
        """Say the selector in words, 'every process' when nothing is set."""
        parts = []
        if self.amps is not None:
            parts.append(f"{self.amps:g} A")
        parts += [v for v in (self.material,) if v]
        gases = " / ".join(v for v in (self.plasma_gas, self.shield_gas) if v)
        return " ".join(parts + ([gases] if gases else [])) or "every process"


class Limit(Row):
    """A limit with its own comparison, kept in the units it was quoted in."""

    id: Slug
    part: PartSlug
    quantity: Quantity
    compare: Compare
    figures: Annotated[tuple[Figure, ...], Field(min_length=1, max_length=2)]
    process: ProcessSelector = ProcessSelector()
    text: Text
    since: dt.date
    shop: bool = False

    @model_validator(mode="after")
    def _of_this_part(self) -> Limit:
        parts = WORDS[self.quantity].parts
        if self.part not in parts:
            raise ValueError(
                f"'{self.quantity}' is not measured on the {self.part}: "
                f"set it on the {' or the '.join(parts)}"
            )
        return self

    @model_validator(mode="after")
    def _one_figure_per_unit(self) -> Limit:
        units = [f.unit for f in self.figures]
        if len(set(units)) != len(units):
            raise ValueError("two figures in the same unit: keep one of them")
        if len(self.figures) == 2:
            mm = {
                f.unit: f.value * (1 if f.unit == "mm" else Decimal("0.0254")) for f in self.figures
            }
            if abs(mm["mm"] - mm["thou"]) > Decimal("0.05") * max(mm.values()):
                raise ValueError(
                    "the mm and thou figures differ by more than 5 %: quote the same depth twice"
                )
        return self

    def figure(self, unit: str) -> Figure | None:
        """Return the figure quoted in `unit`, or None when it was not quoted so."""
        return next((f for f in self.figures if f.unit == unit), None)

    def quoted(self) -> str:
        """Return the figures as quoted, e.g. '1.0 mm / 40 thou'."""
        return " / ".join(f"{f.value} {f.unit}" for f in self.figures)


class Pairing(Row):
    """Replacing `when` takes `takes` along."""

    when: PartSlug
    takes: PartSlug
    text: Text


class Contradiction(Row):
    """A finding that cannot be, given the coolant on record."""

    id: Slug
    finding: Slug
    coolant: Slug
    text: Text
    ask: Text


class Coolant(Row):
    """A coolant by name, with the other names it goes by."""

    id: Slug
    name: Text
    glycol: bool
    also: tuple[Text, ...] = ()


class Caution(Row):
    """A caution that is shown and confirmed before work."""

    id: Slug
    order: int
    hazard: Text
    text: Text
    when: Literal["before-work"] = "before-work"


class Constant(Row):
    """A number the rules use, with its unit."""

    id: Slug
    value: Annotated[Decimal, Field(allow_inf_nan=False, ge=0)]
    unit: str
    text: Text


_Positive = Annotated[float, Field(gt=0, lt=1e6, allow_inf_nan=False)]


class LogNormal(BaseModel):
    """A positive number not known well: its median and the SD of its logarithm."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    median: _Positive
    log_sd: Annotated[float, Field(gt=0, le=5, allow_inf_nan=False)]


class Share(LogNormal):
    """What a number is believed to be in a share of cases."""

    share: Annotated[float, Field(gt=0, lt=1, allow_inf_nan=False)]


class LogNormalOrLess(LogNormal):
    """A positive number that in a share of cases is far smaller."""

    small: Share | None = None


class MeanSd(BaseModel):
    """A number not known well: its mean and SD."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    mean: _Positive
    sd: Annotated[float, Field(gt=0, le=5, allow_inf_nan=False)]


class Growth(Row):
    """What is believed of a quantity's growth before the shop has readings (the prior).

    `deepest` names the constant no reading of it can pass.
    """

    quantity: Growing
    part: PartSlug
    name: Text
    deepest: Slug
    rate_mm_per_500: LogNormal
    kappa: LogNormal
    gamma: MeanSd
    tau: LogNormal
    sigma_mm: LogNormal
    phi_mm: LogNormalOrLess
    omega: LogNormal
    loss_per_start: LogNormal
    loss_slope_per_mm: LogNormal
    text: Text


@dataclass(frozen=True)
class Sheet(CauseLookups):
    """A whole trade sheet: what the bench decides by, and what the causes are ranked by.

    `version` joins the versions of the base sheet and of every overlay; `sha256`
    is over the effective rows, so a sheet that decides alike hashes alike.
    """

    version: str
    parts: tuple[Part, ...]
    findings: tuple[Finding, ...]
    limits: tuple[Limit, ...]
    pairings: tuple[Pairing, ...]
    contradictions: tuple[Contradiction, ...]
    coolants: tuple[Coolant, ...]
    cautions: tuple[Caution, ...]
    constants: tuple[Constant, ...]
    growths: tuple[Growth, ...]
    causes: tuple[Cause, ...]
    symptoms: tuple[Symptom, ...]
    links: tuple[Link, ...]
    checks: tuple[Check, ...]
    remedies: tuple[Remedy, ...]
    readings: tuple[ReadingKind, ...]
    normals: tuple[Normal, ...]
    conflicts: tuple[Conflict, ...]
    titles: tuple[str, ...] = field(default=(), compare=False)

    @cached_property
    def content(self) -> dict[str, Any]:
        """Every row as plain data, in the form the hash is made over."""
        rows: dict[str, Any] = {"version": self.version}
        for name in ROW_TABLES.values():
            rows[name] = [row.model_dump(mode="json") for row in getattr(self, name)]
        return rows

    @cached_property
    def canonical(self) -> str:
        """Return the canonical JSON text of the content (sorted keys, no spaces)."""
        return json.dumps(self.content, sort_keys=True, ensure_ascii=False, separators=(",", ":"))

    @cached_property
    def sha256(self) -> str:
        """Return the SHA-256 of the canonical JSON of the content, in hex."""
        return hashlib.sha256(self.canonical.encode()).hexdigest()

    @cached_property
    def _finding_index(self) -> dict[tuple[str, str], Finding]:
        return {(f.part, f.id): f for f in self.findings}

    @cached_property
    def _part_index(self) -> dict[str, Part]:
        return {p.id: p for p in self.parts}

    def part(self, slug: str) -> Part:
        """Return a part by slug (KeyError when there is none)."""
        return self._part_index[slug]

    def finding(self, part: str, slug: str) -> Finding | None:
        """Return the finding `slug` of `part`, or None when that part has no such finding."""
        return self._finding_index.get((part, slug))

    def findings_of(self, part: str) -> tuple[Finding, ...]:
        """Return all findings of a part, in the sheet's order."""
        return tuple(f for f in self.findings if f.part == part)

    def constant(self, slug: str) -> Decimal:
        """Return a constant's value."""
        return next(c.value for c in self.constants if c.id == slug)

    def growth(self, quantity: str) -> Growth:
        """Return what is believed of a quantity's growth (StopIteration when there is none)."""
        return next(g for g in self.growths if g.quantity == quantity)

    def coolant(self, text: str) -> Coolant | None:
        """Find a coolant by id, name or one of its other names; None when unknown."""
        wanted = normal_name(text)
        for row in self.coolants:
            if wanted in {normal_name(n) for n in (row.id, row.name, *row.also)}:
                return row
        return None

    def limit_for(self, part: str, quantity: str, process: ProcessSelector) -> Limit | None:
        """Choose the limit that holds: the shop's own, then the most specific, then the newest.

        A shop's limit for every process goes before the sheet's for one: the shop has its
        equipment's manual, the sheet only common practice.
        """
        fitting = [
            row
            for row in self.limits
            if row.part == part and row.quantity == quantity and row.process.matches(process)
        ]
        if not fitting:
            return None
        return max(fitting, key=lambda r: (r.shop, len(r.process.given()), r.since))

    def with_shop_limits(self, limits: tuple[Limit, ...]) -> Sheet:
        """Return this sheet with a shop's own limits added (same id replaces)."""
        if not limits:
            return self
        own = {row.id for row in limits}
        kept = tuple(row for row in self.limits if row.id not in own)
        rows = {name: getattr(self, name) for name in ROW_TABLES.values()}
        rows["limits"] = kept + limits
        return Sheet(version=f"{self.version}+limits", titles=self.titles, **rows)


ROW_TABLES = {
    "part": "parts",
    "finding": "findings",
    "limit": "limits",
    "pairing": "pairings",
    "contradiction": "contradictions",
    "coolant": "coolants",
    "caution": "cautions",
    "constant": "constants",
    "growth": "growths",
    "cause": "causes",
    "symptom": "symptoms",
    "link": "links",
    "check": "checks",
    "remedy": "remedies",
    "reading": "readings",
    "normal": "normals",
    "conflict": "conflicts",
}
