"""What was observed: the input of a diagnosis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from pitwise.causes.readings import Reading

State = Literal["seen", "absent", "slight", "much"]
STATES: tuple[State, ...] = get_args(State)


@dataclass(frozen=True)
class Observations:
    """Everything known of a torch's trouble. What stands nowhere was not looked at.

    Attributes
    ----------
    findings : mapping of str to State
        By symptom id. "slight" and "much" for graded symptoms; "seen" leaves the grade open.
    readings : mapping of str to Reading
        By id of the kind of reading.
    log_ratios : mapping of str to float
        By symptom id: natural-log likelihood ratio, present against absent, out of a model
        (the wear model for a pit deeper than its use explains). Capped by the diagnosis.
    context : mapping of str to str
        Facts about the torch that conflicts ask for, such as the gas supply.
    answered : frozenset of str
        Conflicts that were asked about and answered.
    done : frozenset of str
        Checks done, whatever came of them.
    excluded : frozenset of str
        Causes ruled out: the remedy was done and the trouble stayed.
    told_nothing : tuple of str
        Bench findings seen that are no sign of any cause, to be said so.
    """

    findings: Mapping[str, State] = field(default_factory=dict)
    readings: Mapping[str, Reading] = field(default_factory=dict)
    log_ratios: Mapping[str, float] = field(default_factory=dict)
    context: Mapping[str, str] = field(default_factory=dict)
    answered: frozenset[str] = frozenset()
    done: frozenset[str] = frozenset()
    excluded: frozenset[str] = frozenset()
    told_nothing: tuple[str, ...] = ()
