"""A small sheet of causes made up for tests, and its posteriors by plain enumeration."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import replace

from pitwise.trade import Sheet, base_sheet
from pitwise.trade.cause_rows import (
    Cause,
    Check,
    Conflict,
    Feed,
    Link,
    ReadingKind,
    Remedy,
    Symptom,
)

SOURCE = "made up for a test"


def small_sheet(**constants: str) -> Sheet:
    """Return 3 causes, 6 symptoms, 4 checks; constants by name with _ for -."""
    base = base_sheet()
    names = {k.replace("_", "-"): v for k, v in constants.items()}
    neutral = {"temper-leak-floor": "0", "temper-link-keep": "1", "temper-odds": "1", "temper-few": "0"}
    rows = tuple(
        c.model_copy(update={"value": type(c.value)(value)})
        if (value := {**neutral, **names}.get(c.id)) is not None
        else c
        for c in base.constants
    )
    causes = (
        _cause("flow", 0.2),
        _cause("tube", 0.1),
        _cause("gas", 0.05),
    )
    symptoms = (
        _symptom("S_blue", "plain", 0.02, bench=("nozzle/heat-blued",)),
        _symptom("S_low", "reading", 0.01),
        _symptom("S_bent", "plain", 0.01),
        _symptom("S_dross", "graded", 0.05, much=0.6, leak_much=0.3),
        _symptom("S_twin", "plain", 0.02, group="twins"),
        _symptom("S_twin2", "plain", 0.03, group="twins"),
    )
    links = (
        ("flow", "S_blue", 0.7),
        ("flow", "S_low", 0.9),
        ("flow", "S_twin", 0.5),
        ("flow", "S_twin2", 0.4),
        ("tube", "S_blue", 0.6),
        ("tube", "S_bent", 0.8),
        ("gas", "S_dross", 0.8),
        ("gas", "S_twin", 0.3),
    )
    return replace(
        base,
        constants=rows,
        causes=causes,
        symptoms=symptoms,
        links=tuple(Link(cause=c, symptom=s, p=p, source=SOURCE) for c, s, p in links),
        checks=(
            _check("K_look", 2.0, ("S_blue", "S_twin", "S_twin2")),
            _check("K_flow", 6.0, ("S_low",)),
            _check("K_tube", 4.0, ("S_bent",), after=("K_look",), isolated=True),
            _check("K_cut", 3.0, ("S_dross",), who="lead"),
        ),
        remedies=(
            _remedy("more-flow", "flow", 25.0),
            _remedy("new-tube", "tube", 8.0),
            _remedy("other-gas", "gas", 5.0, who="electrician"),
            _remedy("much-more-flow", "flow", 60.0),
        ),
        readings=(
            ReadingKind(
                id="flow_rate",
                name="Flow",
                text="Flow",
                unit="l/min",
                u=0.2,
                low=4.0,
                least=0,
                most=100,
                feeds=(Feed(symptom="S_low", beyond="low"),),
                source=SOURCE,
            ),
            ReadingKind(
                id="dross_height",
                name="Dross height",
                text="Dross",
                unit="mm",
                u=0.1,
                feeds=(Feed(symptom="S_dross", beyond="high"),),
                source=SOURCE,
            ),
        ),
        normals=(),
        conflicts=(
            Conflict(
                id="blue-but-flow",
                when=("S_low absent", "S_blue seen"),
                say="Heat marks with good flow",
                ask="Is the flow meter right?",
                source=SOURCE,
            ),
            Conflict(
                id="twins-in-bottles",
                when=("S_twin seen", "context gas_supply bottled"),
                say="Odd in bottles",
                ask="Which bottle?",
                source=SOURCE,
            ),
        ),
    )


def _cause(code: str, rate: float) -> Cause:
    return Cause(id=code, name=f"Cause {code}", text=code, base_rate=rate, source=SOURCE)


def _symptom(
    code: str,
    kind: str,
    leak: float,
    *,
    much: float | None = None,
    leak_much: float | None = None,
    group: str | None = None,
    bench: tuple[str, ...] = (),
) -> Symptom:
    return Symptom.model_validate(
        {
            "id": code,
            "where": "nozzle",
            "text": f"Sign {code}",
            "kind": kind,
            "leak": leak,
            "much": much,
            "leak_much": leak_much,
            "group": group,
            "bench": bench,
            "source": SOURCE,
        }
    )


def _check(
    code: str,
    minutes: float,
    reveals: tuple[str, ...],
    *,
    after: tuple[str, ...] = (),
    isolated: bool = False,
    who: str = "technician",
) -> Check:
    return Check.model_validate(
        {
            "id": code,
            "name": f"Check {code}",
            "text": code,
            "minutes": minutes,
            "isolated": isolated,
            "who": who,
            "caution": "Care",
            "reveals": reveals,
            "after": after,
            "source": SOURCE,
        }
    )


def _remedy(slug: str, cause: str, minutes: float, who: str = "technician") -> Remedy:
    return Remedy.model_validate(
        {
            "id": slug,
            "cause": cause,
            "text": slug,
            "minutes": minutes,
            "isolated": False,
            "who": who,
            "caution": "Care",
            "source": SOURCE,
        }
    )


def by_enumeration(
    sheet: Sheet, states: Mapping[str, str], ratios: Mapping[str, float] | None = None
) -> dict[str, float]:
    """Return each cause's posterior by summing over all sets of causes; groups not joined."""
    ids = [c.id for c in sheet.causes]
    link = {(k.cause, k.symptom): k.p for k in sheet.links}
    total, mine = 0.0, dict.fromkeys(ids, 0.0)
    for present in itertools.product((0, 1), repeat=len(ids)):
        held = {c for c, on in zip(ids, present, strict=True) if on}
        weight = 1.0
        for c in sheet.causes:
            weight *= c.base_rate if c.id in held else 1 - c.base_rate
        for symptom in sheet.symptoms:
            none = _at_most(symptom, held, link, 1, 1)
            state = states.get(symptom.id)
            if state == "absent":
                weight *= none
            elif state == "seen":
                weight *= 1 - none
            elif state is not None:
                slight = _at_most(
                    symptom, held, link, float(symptom.much or 0), float(symptom.leak_much or 0)
                )
                weight *= slight - none if state == "slight" else 1 - slight
            elif ratios and symptom.id in ratios:
                weight *= none + (1 - none) * math.exp(ratios[symptom.id])
        total += weight
        for name in held:
            mine[name] += weight
    return {c: value / total for c, value in mine.items()}


def _at_most(
    symptom: Symptom,
    held: set[str],
    link: Mapping[tuple[str, str], float],
    share: float,
    leak_share: float,
) -> float:
    out = 1 - symptom.leak * leak_share
    for c in held:
        out *= 1 - link.get((c, symptom.id), 0.0) * share
    return out
