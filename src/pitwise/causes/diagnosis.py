"""The rows of a diagnosis, and their pinned plain form."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Literal


@dataclass(frozen=True)
class Told:
    """What one fact says of one cause.

    Attributes
    ----------
    symptom : str
    text : str
        The symptom in the sheet's words.
    state : str
        "seen", "absent", "slight", "much", or "reading" where a reading or a model tells it.
    shift : float
        Change of the cause's log-odds (natural log) that this fact makes: leaving it out
        takes so much away.
    """

    symptom: str
    text: str
    state: str
    shift: float


@dataclass(frozen=True)
class RankedCause:
    """A cause with its probability.

    Attributes
    ----------
    id, name : str
    p : float
        Probability that it is at work, given all that was observed.
    low, high : float
        5 % and 95 % points of p over what the sheet's and the shop's numbers leave open.
    word : str
        The probability in words.
    base : float
        Probability before anything was looked at.
    for_, against : tuple of Told
        Facts that raise and that lower it, the strongest first.
    """

    id: str
    name: str
    p: float
    low: float
    high: float
    word: str
    base: float
    for_: tuple[Told, ...]
    against: tuple[Told, ...]


@dataclass(frozen=True)
class Explanation:
    """One set of causes that may together be at work, all others away; empty: none of them."""

    causes: tuple[str, ...]
    p: float


@dataclass(frozen=True)
class NextCheck:
    """A check that is still open.

    Attributes
    ----------
    check, name : str
    gain_bits : float
        Expected drop in the entropy of the causes.
    minutes : float
        Of this check and of those that must be done first.
    reveals : tuple of str
        Symptoms it tells that are not known yet.
    first : tuple of str
        Checks to be done before it.
    isolated : bool
        Whether the supply must be isolated, for it or for one before it.
    who, caution : str
    """

    check: str
    name: str
    gain_bits: float
    minutes: float
    reveals: tuple[str, ...]
    first: tuple[str, ...]
    isolated: bool
    who: str
    caution: str


@dataclass(frozen=True)
class Step:
    """What to do now: answer a question, do a check, try a remedy, or nothing.

    Attributes
    ----------
    do : {"answer", "check", "try", "none"}
    id : str
        Of the conflict, check or remedy; empty for "none".
    cause : str
        The cause a remedy is for; else the likeliest cause, or empty.
    why : str
    """

    do: Literal["answer", "check", "try", "none"]
    id: str
    cause: str
    why: str


@dataclass(frozen=True)
class Repair:
    """A remedy in the order to try them when nothing more is looked at (by p per minute)."""

    remedy: str
    cause: str
    p: float
    minutes: float


@dataclass(frozen=True)
class Flag:
    """Something to know or to answer.

    Attributes
    ----------
    code : str
        A conflict's id, or "no-range", "two-answers", "unknown-context", "unknown-value",
        "nothing-looked-at", "tells-nothing",
        "explanations-cut-short", "rough-range".
    text : str
    ask : str
        The question; empty when there is nothing to answer.
    symptoms : tuple of str
    answered : bool
        A conflict that was answered is shown and not asked again.
    """

    code: str
    text: str
    ask: str = ""
    symptoms: tuple[str, ...] = ()
    answered: bool = False


@dataclass(frozen=True)
class Diagnosis:
    """What may be eating the parts, and what to do about it."""

    causes: tuple[RankedCause, ...]
    explanations: tuple[Explanation, ...]
    next: tuple[NextCheck, ...]
    step: Step
    repairs: tuple[Repair, ...]
    flags: tuple[Flag, ...]
    not_looked: tuple[str, ...]
    looked: tuple[str, ...]
    sheet_version: str
    sheet_sha256: str

    def plain(self) -> dict[str, Any]:
        """Return the pinned form for JSON."""
        return {
            "causes": [
                {
                    "id": c.id,
                    "name": c.name,
                    "p": c.p,
                    "low": c.low,
                    "high": c.high,
                    "word": c.word,
                    "base": c.base,
                    "for": [t.symptom for t in c.for_],
                    "against": [t.symptom for t in c.against],
                    "told": [asdict(t) for t in (*c.for_, *c.against)],
                }
                for c in self.causes
            ],
            "explanations": [{"causes": list(e.causes), "p": e.p} for e in self.explanations],
            "next": [
                {**asdict(n), "reveals": list(n.reveals), "first": list(n.first)} for n in self.next
            ],
            "step": asdict(self.step),
            "repairs": [asdict(r) for r in self.repairs],
            "flags": [{**asdict(f), "symptoms": list(f.symptoms)} for f in self.flags],
            "not_looked": list(self.not_looked),
            "looked": list(self.looked),
            "sheet": {"version": self.sheet_version, "sha256": self.sheet_sha256},
        }
