"""From what was observed to ranked causes, the next step, and what must be asked first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from pitwise.causes.diagnosis import (
    Diagnosis,
    Explanation,
    Flag,
    NextCheck,
    RankedCause,
    Repair,
    Step,
    Told,
)
from pitwise.causes.evidence import Evidence, Item, compile_evidence
from pitwise.causes.explain import chances_of_sets, explain
from pitwise.causes.learn import Learnt
from pitwise.causes.model import Model, build
from pitwise.causes.network import Floats, NetworkError
from pitwise.causes.observe import STATES, Observations, State
from pitwise.causes.order import plan
from pitwise.causes.posterior import difference, lacking_each, posterior_draws, posteriors
from pitwise.causes.readings import Reading, UnitError, reading_log_ratio
from pitwise.causes.recursion import structure
from pitwise.causes.remedy import PLAIN_ODDS, first_remedies, plainly_absent
from pitwise.causes.step import next_step, open_checks, repair_order
from pitwise.causes.words import RULED_OUT, percent, probability_word
from pitwise.trade.cause_rows import Term
from pitwise.trade.given import InputError, near, printable
from pitwise.trade.model import Sheet

__all__ = [
    "Diagnosis",
    "Explanation",
    "Flag",
    "NextCheck",
    "Observations",
    "RankedCause",
    "Reading",
    "Repair",
    "State",
    "Step",
    "Told",
    "diagnose",
]

DRAWS = 100
_LEAST_DRAWS = 10
# Updates of states that all passes together may take: somewhat under a second at some 12 ns
# each (measured on one core), and what is refused. Somebody with gloves on waits for each touch.
_WORK = 6e7
_MOST_WORK = 8e7
_EXPLANATIONS = 5
# A fact that moves a cause's odds by less than a twentieth is no evidence worth a line.
_LEAST_SHIFT = 0.05
# A fact that alone decides a cause moves its log-odds without end: no number for a file.
_MOST_SHIFT = 50.0
# Words of context that other commands use; known, though no conflict may ask for them.
_CONTEXT = (
    "amps",
    "coolant",
    "material",
    "plasma_gas",
    "process",
    "shield_gas",
    "station",
    "torch",
)


def diagnose(
    sheet: Sheet, observations: Observations, *, learnt: Learnt | None = None, seed: int = 0
) -> Diagnosis:
    """Rank the causes and choose what to do next.

    Parameters
    ----------
    sheet : Sheet
        Causes, symptoms, links, checks, remedies, readings, conflicts and constants.
    observations : Observations
    learnt : Learnt, optional
        The shop's own numbers; each goes before the sheet's.
    seed : int
        Of the draws behind the ranges and of the estimate of wide checks' gain: the same
        input and seed give the same diagnosis.

    Returns
    -------
    Diagnosis
        Causes by falling probability, exact in the network (see docs/maths.md).

    Raises
    ------
    InputError
        Unknown ids (the nearest is named), a state or unit that does not fit.
    NetworkError
        Evidence that no set of causes can give, or too much of it seen at once to rank.
    """
    _check_ids(sheet, observations)
    states = dict(observations.findings)
    cap = math.log(float(sheet.constant("likelihood-cap")))
    ratios, flags = _ratios(sheet, observations, cap)
    known = frozenset(states) | frozenset(ratios)
    flags = [
        *_conflicts(sheet, observations, states, ratios),
        *flags,
        *_notes(sheet, observations, known),
    ]
    model = build(sheet, learnt).after(observations.excluded)
    evidence = model.evidence(states, ratios)
    draws = _affordable(model, evidence)
    if draws < DRAWS:
        flags.append(
            Flag(
                "rough-range",
                f"Very much was seen at once: the ranges come from {draws} draws only.",
            )
        )
    ranked = _ranked(sheet, model, evidence, states, ratios, draws, seed)
    checks = open_checks(sheet, model.network, evidence, known, observations.done, seed)
    first = first_remedies(sheet, plainly_absent(states, ratios))
    repairs = repair_order(first, ranked)
    explained, cut_short = _explained(sheet, model, evidence)
    flags += cut_short
    return Diagnosis(
        causes=ranked,
        explanations=explained,
        next=checks,
        step=next_step(
            sheet, model, evidence, observations, ranked, checks, repairs, flags, first, seed
        ),
        repairs=repairs,
        flags=tuple(flags),
        not_looked=tuple(s.id for s in sheet.symptoms if s.id not in known),
        looked=tuple(s.id for s in sheet.symptoms if s.id in known),
        sheet_version=sheet.version,
        sheet_sha256=sheet.sha256,
    )


def _check_ids(sheet: Sheet, observed: Observations) -> None:
    """Refuse ids and states the sheet does not know."""
    symptoms = {s.id: s for s in sheet.symptoms}
    causes = [c.id for c in sheet.causes]
    for field, given, known, what in (
        ("findings", observed.findings, list(symptoms), "finding"),
        ("log_ratios", observed.log_ratios, list(symptoms), "finding"),
        ("readings", observed.readings, [r.id for r in sheet.readings], "reading"),
        ("answered", observed.answered, _questions(sheet), "question"),
        ("done", observed.done, [c.id for c in sheet.checks], "check"),
        ("excluded", observed.excluded, causes, "cause"),
    ):
        _known(field, given, known, what)
    for name, state in observed.findings.items():
        place = f"findings.{name}"
        if state not in STATES:
            raise InputError(place, f"'{state}' is no state", near(str(state), STATES))
        if state in ("slight", "much") and symptoms[name].kind != "graded":
            raise InputError(
                place, f"'{state}' is for graded findings only", "write 'seen' or 'absent'"
            )
    for name, ratio in observed.log_ratios.items():
        if math.isnan(ratio):
            raise InputError(f"log_ratios.{name}", "is no number", "give a finite number")


def _questions(sheet: Sheet) -> list[str]:
    readings = [f"two-answers-{s.id}" for s in sheet.symptoms]
    return [*(c.id for c in sheet.conflicts), *readings]


def _known(field: str, given: Iterable[str], known: list[str], what: str) -> None:
    there = set(known)
    for name in sorted(given):
        if name not in there:
            raise InputError(
                f"{field}.{name}"[:120], f"not a {what} of this sheet", near(name, known)
            )


def _ratios(
    sheet: Sheet, observed: Observations, cap: float
) -> tuple[dict[str, float], list[Flag]]:
    """Return what readings and models say of each symptom, capped, with flags.

    Several sources for one symptom add up, under the cap. What was looked at goes before
    what was read; where the two plainly disagree a flag asks.
    """
    total = {name: max(-cap, min(cap, x)) for name, x in observed.log_ratios.items()}
    flags = []
    for name, reading in observed.readings.items():
        kind = sheet.reading(name)
        silent = []
        # A symptom may lie beyond either end: the nearer one speaks, or they would cancel.
        told: dict[str, float] = {}
        for feed in kind.feeds:
            try:
                ratio = reading_log_ratio(kind, reading, feed, cap)
            except UnitError as error:
                raise InputError(f"readings.{name}", error.problem, error.mend) from error
            if ratio is None:
                silent.append((feed.symptom, feed.beyond))
            else:
                told[feed.symptom] = max(told.get(feed.symptom, -cap), ratio)
        for symptom, ratio in told.items():
            total[symptom] = total.get(symptom, 0.0) + ratio
        if silent:
            ends = " and ".join(sorted({end for _, end in silent}))
            flags.append(
                Flag(
                    "no-range",
                    f"{kind.name}: no {ends} limit is set, so that side of the reading tells "
                    f'nothing. Set it in the shop\'s sheet: [[reading]] id = "{name}".',
                    symptoms=tuple(s for s, _ in silent),
                )
            )
    out = {}
    for name, ratio in total.items():
        state = observed.findings.get(name)
        if state is None:
            out[name] = max(-cap, min(cap, ratio))
        elif abs(ratio) >= PLAIN_ODDS and (ratio > 0) == (state == "absent"):
            code = f"two-answers-{name}"
            flags.append(
                Flag(
                    code,
                    f"{sheet.symptom(name).text}: the reading and the {state!r} that was "
                    "entered disagree; what was entered counts.",
                    "Read it again. Which of the two holds?",
                    (name,),
                    code in observed.answered,
                )
            )
    return out, flags


def _conflicts(
    sheet: Sheet, observed: Observations, states: Mapping[str, State], ratios: Mapping[str, float]
) -> list[Flag]:
    def state_of(name: str) -> str | None:
        state = states.get(name)
        if state is None and name in ratios and abs(ratios[name]) >= PLAIN_ODDS:
            return "seen" if ratios[name] > 0 else "absent"
        return "seen" if state in ("slight", "much") else state

    def holds(term: Term) -> bool:
        if term.key is not None:
            given = observed.context.get(term.key, "").strip().casefold()
            return given == str(term.value).casefold()
        if term.above is not None:
            return _above(sheet, observed.readings, *term.above)
        state = states.get(str(term.symptom))
        return term.state in (state, state_of(str(term.symptom)))

    out = []
    for row in sheet.conflicts:
        if all(holds(term) for term in row.terms):
            about = tuple(term.symptom for term in row.terms if term.symptom)
            out.append(Flag(row.id, row.say, row.ask, about, row.id in observed.answered))
    # What is still to be answered is shown first.
    return sorted(out, key=lambda flag: flag.answered)


def _above(sheet: Sheet, readings: Mapping[str, Reading], one: str, other: str) -> bool:
    """Return whether one reading is above another beyond both uncertainties (k = 2)."""
    if one not in readings or other not in readings:
        return False
    kinds = [sheet.reading(name) for name in (one, other)]
    a, b = (kind.canonical(readings[kind.id].value, readings[kind.id].unit) for kind in kinds)
    return a - b > 2 * math.hypot(kinds[0].u, kinds[1].u)


def _notes(sheet: Sheet, observed: Observations, known: frozenset[str]) -> list[Flag]:
    out = []
    if not known:
        out.append(
            Flag("nothing-looked-at", "Nothing was looked at: these are the usual rates only.")
        )
    asked = sorted({*sheet.context_keys, *_CONTEXT})
    values: dict[str, list[str]] = {}
    for term in (t for row in sheet.conflicts for t in row.terms if t.key is not None):
        values.setdefault(str(term.key), []).append(str(term.value))
    for key, given in sorted(observed.context.items()):
        known_values = list(dict.fromkeys(values.get(key, ())))
        if known_values and given.strip().casefold() not in map(str.casefold, known_values):
            out.append(
                Flag(
                    "unknown-value",
                    f"Context {key}: '{printable(given[:60])}' tells nothing here, only "
                    f"{' or '.join(repr(v) for v in known_values)} does.",
                )
            )
        if key not in asked:
            out.append(
                Flag(
                    "unknown-context",
                    f"Context '{printable(key[:60])}' is not known here and tells nothing: "
                    f"{near(key, asked)}.",
                )
            )
    for name in observed.told_nothing:
        out.append(Flag("tells-nothing", f"{name} is no sign of any cause in this sheet."))
    return out


def _affordable(model: Model, evidence: Evidence) -> int:
    """Return how many draws of the numbers the evidence lets one wait for.

    Raises
    ------
    NetworkError
        Where even few would take minutes: as a rule more was entered as seen than ever is.
    """
    compiled = compile_evidence(model.network, evidence)
    cost = max(1, plan(structure(compiled)).cost)
    facts = len(compiled.opened) + len(compiled.closed)
    if cost * (1 + facts + _LEAST_DRAWS) > _MOST_WORK:
        raise NetworkError(
            "findings",
            f"{len(compiled.opened)} facts seen at once hang together through shared causes, "
            "too many to rank exactly",
            "leave out findings that say the same, and what was not really looked at",
        )
    return max(_LEAST_DRAWS, min(DRAWS, int(_WORK / cost) - facts))


def _ranked(
    sheet: Sheet,
    model: Model,
    evidence: Evidence,
    states: Mapping[str, State],
    ratios: Mapping[str, float],
    count: int,
    seed: int,
) -> tuple[RankedCause, ...]:
    network, temper = model.network, model.tempering
    telling = compile_evidence(network, evidence).telling()
    p = temper.posterior(posteriors(network, evidence).p, model.prior, telling)
    draws = model.draw(count, np.random.default_rng(seed))
    drawn = posterior_draws(
        network, model.evidence(states, ratios, draws), draws.prior, draws.leak, draws.link
    )
    spread = temper.posterior(drawn.p, draws.prior, telling)
    low, high = np.quantile(spread, [0.05, 0.95], axis=0)
    lacking = lacking_each(network, evidence)
    shifts = difference(
        temper.log_odds(lacking.whole, model.prior, telling),
        temper.log_odds(lacking.log_odds, model.prior, lacking.telling),
    )
    shifts = np.clip(shifts, -_MOST_SHIFT, _MOST_SHIFT)
    told = _told(sheet, model, lacking.items, shifts, states)
    rows = []
    for i, cause in enumerate(sheet.causes):
        gone = not model.open[i]
        value = 0.0 if gone else float(min(1.0, max(0.0, p[i])))
        mine = sorted(told[i], key=lambda t: (-abs(t.shift), t.symptom))
        rows.append(
            RankedCause(
                cause.id,
                cause.name,
                value,
                min(value, float(low[i])),
                0.0 if gone else max(value, float(high[i])),
                RULED_OUT if gone else probability_word(round(value, 2)),
                float(model.prior[i]),
                tuple(t for t in mine if t.shift > 0),
                tuple(t for t in mine if t.shift < 0),
            )
        )
    return tuple(sorted(rows, key=lambda c: -c.p))


def _told(
    sheet: Sheet,
    model: Model,
    items: Sequence[Item],
    shifts: Floats,
    states: Mapping[str, State],
) -> list[list[Told]]:
    """Return what each fact tells of each cause; findings of one group share their shift."""
    out: list[list[Told]] = [[] for _ in model.causes]
    for item, row in zip(items, shifts, strict=True):
        for j in item.findings:
            if j >= len(model.symptoms):
                # That the trouble stayed is no finding to be shown among them.
                continue
            name = model.symptoms[j]
            state = states.get(name, "reading")
            for i in np.flatnonzero(np.abs(row) >= _LEAST_SHIFT):
                # A finding no link of the cause reaches still moves it, by explaining away.
                out[i].append(Told(name, sheet.symptom(name).text, state, float(row[i])))
    return out


def _explained(
    sheet: Sheet, model: Model, evidence: Evidence
) -> tuple[tuple[Explanation, ...], list[Flag]]:
    order = {c.id: k for k, c in enumerate(sheet.causes)}
    # A cause already cured is left out of the sets, and sets that then are alike are joined.
    out = explain(model.network, evidence, _EXPLANATIONS * (4 if model.tried else 1))
    sets = [(causes, float(p)) for causes, p in out.found]
    if model.tried:
        free = frozenset(np.flatnonzero(~model.open).tolist())
        keys = list(dict.fromkeys(causes - free for causes, _ in sets))
        sets = list(zip(keys, chances_of_sets(model.network, evidence, keys, free), strict=True))
    sets = sorted(sets, key=lambda row: -row[1])[:_EXPLANATIONS]
    rows = tuple(
        Explanation(tuple(sorted((model.causes[i] for i in causes), key=order.__getitem__)), p)
        for causes, p in sets
    )
    # Joined sets are proven likeliest among those found only: then no flag could name a bound.
    if out.complete:
        return rows, []
    rest = out.rest_at_most * 2.0 ** len(model.tried)
    rest = max(0.0, min(rest, 1 - sum(e.p for e in rows)))
    return rows, [
        Flag(
            "explanations-cut-short",
            f"The search for sets of causes was stopped: {len(rows)} were found, none left out "
            f"is likelier than {percent(rest)}.",
        )
    ]
