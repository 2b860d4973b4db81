"""What a decision is made from, and what it is made of."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from pitwise.measure.conformity import Conformity, Expected
from pitwise.measure.depth import Depth
from pitwise.trade.model import PART_SLUGS, Limit, ProcessSelector
from pitwise.trade.quantities import WORDS, Measured

PartAction = Literal["keep", "clean", "replace", "recheck", "not-looked"]
SetState = Literal["release", "work", "incomplete"]

# Looser to stricter: what was not looked at outranks 'keep', and work called for outranks it.
STRICTNESS: tuple[PartAction, ...] = ("keep", "not-looked", "clean", "recheck", "replace")
PIT_PART = "electrode"


@dataclass(frozen=True)
class HoleReading:
    """One length measured from photos of a hole or a pit.

    Attributes
    ----------
    quantity : str
        One of `trade.quantities.HOLE_QUANTITIES`.
    value_mm : float
        May be negative for the growth only.
    u_mm : float or None
        Standard uncertainty of the value, what all its photos share included.
    floor_mm : float or None
        The noise floor: what a perfect hole would be read as (out-of-roundness only).
    photos : int
        Photos it was combined from.
    single_mm, single_u_mm : float or None
        The single photo that is worst by more than its own uncertainty, where several were
        combined: the plain rule holds for each photo, and a mean can't take it back.
    """

    quantity: Measured
    value_mm: float
    u_mm: float | None = None
    floor_mm: float | None = None
    photos: int = 1
    single_mm: float | None = None
    single_u_mm: float | None = None


@dataclass(frozen=True)
class HoleVerdict:
    """A measured length, the limit in force for it, and how it stands; None: no limit."""

    reading: HoleReading
    limit: Limit | None = None
    conformity: Conformity | None = None

    def plain(self) -> dict[str, Any]:
        """Return it as the plain data `pitwise decide --json` prints."""
        r, limit = self.reading, self.limit
        return {
            "quantity": r.quantity,
            "name": WORDS[r.quantity].name,
            "value_mm": r.value_mm,
            "u_mm": r.u_mm,
            "floor_mm": r.floor_mm,
            "photos": r.photos,
            "p_over_limit": None if self.conformity is None else self.conformity.p_over,
            "limit": None
            if limit is None
            else {
                "quoted": limit.quoted(),
                "compare": limit.compare,
                "id": limit.id,
                "process": limit.process.words(),
                "source": limit.source,
                "since": limit.since.isoformat(),
            },
        }


@dataclass(frozen=True)
class PartLook:
    """What was looked at on one part.

    Attributes
    ----------
    seen, absent : frozenset of str
        Findings seen, and findings looked for and not there. Every other finding of the
        part was not looked at, unless `looked`.
    looked : bool
        The whole part was looked over: what is not in `seen` is absent.
    pit : tuple of Depth
        Repeated readings of the pit (electrode only).
    last_pit : Depth or None
        The last accepted reading of this same electrode.
    expected : Expected or None
        What the wear forecast says of its pit (electrode only).
    holes : tuple of HoleReading
        What photos gave. Repeats of one quantity average. A photo that was refused gives
        nothing, so it is never in here; a measured one does not make the part looked at.
    """

    seen: frozenset[str] = frozenset()
    absent: frozenset[str] = frozenset()
    looked: bool = False
    pit: tuple[Depth, ...] = ()
    last_pit: Depth | None = None
    expected: Expected | None = None
    holes: tuple[HoleReading, ...] = ()


@dataclass(frozen=True)
class Inspection:
    """All that a decision is made from.

    Attributes
    ----------
    parts : mapping of part slug to PartLook
        A part that is not in it was not looked at.
    process : ProcessSelector
        What the torch cuts with; chooses the limit.
    coolant : str or None
        Coolant id of the sheet; None when unknown.
    gauge_u_mm : float or None
        Standard uncertainty of one pit reading, mm.
    answered : frozenset of str
        Codes of questions a person has answered with 'it is so'.
    """

    parts: Mapping[str, PartLook]
    process: ProcessSelector = field(default_factory=ProcessSelector)
    coolant: str | None = None
    gauge_u_mm: float | None = None
    answered: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Reason:
    """Why: the rule that fired, in words, with its source and the action it asks for."""

    rule: str
    text: str
    source: str
    action: PartAction

    def plain(self) -> dict[str, str]:
        """Return the reason as plain data."""
        return {"rule": self.rule, "text": self.text, "source": self.source, "action": self.action}


@dataclass(frozen=True)
class Overrule:
    """A person's own action for a part, and what it was set against.

    Attributes
    ----------
    part : str
    action : {"keep", "clean", "replace"}
    over_rules : frozenset of str
        Rules of the reasons the person saw and set aside. A stricter reason that is not
        among them makes the overrule lapse: nobody has overruled what nobody has seen.
    """

    part: str
    action: PartAction
    over_rules: frozenset[str]


@dataclass(frozen=True)
class PartDecision:
    """One part's action and every reason for it, strictest first.

    `computed` is what the rules alone say; it differs from `action` only under `overrule`.
    """

    part: str
    action: PartAction
    because: tuple[Reason, ...]
    limit: Limit | None = None
    conformity: Conformity | None = None
    limit_unit: str = "mm"
    overrule: Overrule | None = None
    holes: tuple[HoleVerdict, ...] = ()

    @property
    def computed(self) -> PartAction:
        """The action the reasons ask for, before any overrule."""
        return action_of(self.because)

    def plain(self) -> dict[str, Any]:
        """Return the decision as the plain data `pitwise decide --json` prints."""
        out: dict[str, Any] = {
            "action": self.action,
            "because": [r.plain() for r in self.because],
        }
        if self.limit is not None:
            # A limit quoted in one unit only is shown as quoted, never as converted.
            figure = self.limit.figure(self.limit_unit) or self.limit.figures[0]
            out["p_over_limit"] = None if self.conformity is None else self.conformity.p_over
            out["limit"] = {
                "value": float(figure.value),
                "unit": figure.unit,
                "compare": self.limit.compare,
                "quoted": self.limit.quoted(),
                "id": self.limit.id,
                "process": self.limit.process.words(),
                "source": self.limit.source,
                "since": self.limit.since.isoformat(),
            }
        if self.conformity is not None:
            c = self.conformity
            out["reading"] = {
                "mean": float(round(c.mean, 6)),
                "unit": c.unit,
                "readings": c.readings,
                "u_mean_mm": c.u_mean_mm,
            }
            if c.expected is not None:
                out["reading"]["forecast"] = {**vars(c.expected), "agrees": c.agrees}
        if self.holes:
            out["holes"] = [h.plain() for h in self.holes]
        return out


@dataclass(frozen=True)
class Flag:
    """Something to be asked about: a slip or a contradiction.

    `part` is where it was seen; `holds` tells that it keeps the part at 'recheck' until
    it is answered; `answered` that a person has said 'it is so'.
    """

    code: str
    text: str
    part: str | None = None
    holds: bool = False
    answered: bool = False
    question: bool = True

    def plain(self) -> dict[str, Any]:
        """Return the flag as plain data."""
        return {
            "code": self.code,
            "text": self.text,
            "part": self.part,
            "answered": self.answered,
            "question": self.question,
        }


@dataclass(frozen=True)
class Decision:
    """Every part's decision, the set's state, the questions, and the sheet that decided."""

    set_state: SetState
    parts: Mapping[str, PartDecision]
    flags: tuple[Flag, ...]
    sheet_version: str
    sheet_sha256: str
    order: tuple[str, ...] = field(default=PART_SLUGS)

    def plain(self) -> dict[str, Any]:
        """Return the whole as the plain data `pitwise decide --json` prints."""
        return {
            "set": self.set_state,
            "parts": {slug: self.parts[slug].plain() for slug in self.order},
            "flags": [f.plain() for f in self.flags],
            "sheet": {"version": self.sheet_version, "sha256": self.sheet_sha256},
        }

    def open_questions(self) -> tuple[Flag, ...]:
        """Return the flags that a person still has to answer."""
        return tuple(f for f in self.flags if f.question and not f.answered)


def action_of(reasons: Iterable[Reason]) -> PartAction:
    """Return the one action that reasons make: the strictest."""
    return max((r.action for r in reasons), key=STRICTNESS.index)


def set_state(actions: Sequence[PartAction]) -> SetState:
    """Return the state of a set from its parts' actions."""
    if all(a == "keep" for a in actions):
        return "release"
    if any(a in ("recheck", "not-looked") for a in actions):
        return "incomplete"
    return "work"
